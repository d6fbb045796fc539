"""Which program made something: its version, a checksum of its own files, and its libraries."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import hoodtrace

LIBRARIES = ("numpy", "scipy", "matplotlib", "typst")
_KINDS = (".py", ".toml", ".typ", ".html", ".css", ".ttf")
_NOT_ITS_OWN = frozenset(("__pycache__", "firmware_mpy"))
"""Folders that an installed copy may have and a clone not."""


@cache
def build() -> str:
    """Return the first 16 hex digits of the SHA-256 over the program's own files: paths, lengths and contents."""
    digest = hashlib.sha256()
    root = Path(hoodtrace.__file__).parent
    for path in sorted(root.rglob("*")):
        if path.suffix in _KINDS and not _NOT_ITS_OWN.intersection(path.parts) and path.is_file():
            content = path.read_bytes()
            digest.update(f"{path.relative_to(root).as_posix()}\0{len(content)}\0".encode())
            digest.update(content)
    return digest.hexdigest()[:16]


def software() -> dict[str, str]:
    """Return version and build of this program and the versions of the libraries, by name."""
    return {"hoodtrace": hoodtrace.__version__, "build": build(), **{name: version(name) for name in LIBRARIES}}
