"""Which firmware belongs to this program: its files, their hash, and the refusal of a board that has another."""

from __future__ import annotations

import functools
import hashlib
import json
from typing import Any

from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.errors import LinkError, LinkReason


@functools.cache
def firmware_files() -> dict[str, bytes]:
    """Return the files that go onto a board: name there to contents, as ``package.json`` lists them.

    Raises
    ------
    FileError
        If this installation came without them.
    """
    folder = firmware_folder()
    listed = json.loads((folder / "package.json").read_text(encoding="utf-8"))["urls"]
    return {on_board: (folder / source).read_bytes() for on_board, source in sorted(listed)}


def firmware_version() -> str:
    """Return the version of the firmware that belongs to this program."""
    listed = json.loads((firmware_folder() / "package.json").read_text(encoding="utf-8"))
    return str(listed["version"])


def build_of(files: dict[str, bytes]) -> str:
    """Return the build of these files: 16 hex digits, as the board tells them in `hello` and `identity`.

    Examples
    --------
    >>> build_of({"a.py": b"1", "b.py": b""})  # sha256sum of the bytes a.py 00 1 00 b.py 00 00
    'db7012dc35cff613'
    """
    whole = hashlib.sha256()
    for name in sorted(files):
        whole.update(name.encode() + b"\0" + files[name] + b"\0")
    return whole.hexdigest()[:16]


def check_build(hello: dict[str, Any], port: str) -> None:
    """Refuse a board whose `hello` tells another build than that of this program; one that tells none passes.

    Raises
    ------
    LinkError
        OTHER_FIRMWARE, with both versions and builds.
    """
    build, ours = hello.get("build"), build_of(firmware_files())
    if build is not None and build != ours:
        raise LinkError(
            LinkReason.OTHER_FIRMWARE,
            f"{port}: the board runs firmware {hello.get('firmware', 'of an unknown version')}, build {build}; this "
            f"program belongs to {firmware_version()}, build {ours}: run `hoodtrace install`, or go on with it as it "
            "is by --any-firmware",
        )
