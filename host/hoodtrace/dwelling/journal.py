"""The journal of a visit: what people decided, one JSON object a line, append-only.

Each line carries a CRC-32 of itself (finds damage) and the SHA-256 of the line before (`prev`; of the plan and the hood
file for the first; a calibration has the hood file alone), so that lines can't be changed unnoticed as long as the
newest hash is kept elsewhere. A line is on the disk before `append` returns. Reading refuses a damaged line and names
it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from zlib import crc32

from hoodtrace.errors import VisitError

JOURNAL = "journal.jsonl"
TORN = "journal.torn"
OF_VISIT = ("visit.toml", "hood.toml")
OF_CALIBRATION = ("hood.toml",)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other programs from writing into the journal of `folder` meanwhile, where the system can (POSIX flock).

    The lock is on the plan, which is always there and never written to.

    Raises
    ------
    VisitError
        The plan can't be opened.
    """
    try:
        import fcntl
    except ImportError:
        yield
        return
    path = folder / OF_VISIT[0]
    try:
        file = path.open("rb")
    except OSError as error:
        raise VisitError(path, f"the plan can't be opened ({error.strerror})") from error
    with file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def append(folder: Path, fields: dict[str, Any], roots: tuple[str, ...] = OF_VISIT, past_damage: bool = False) -> str:
    """Write `fields` (with ``kind`` and ``utc``) as the next line of the journal in `folder`; return its SHA-256.

    `roots` are the files of the folder that the first line builds on; with `past_damage` lines before may be damaged.

    Raises
    ------
    VisitError
        The journal is damaged, or the disk takes no more.
    """
    path = folder / JOURNAL
    lines = (raw_lines(folder) if past_damage else read_lines(folder)) if path.exists() else []
    before = hashlib.sha256(lines[-1]).hexdigest() if lines else root(folder, roots)
    body = json.dumps({**fields, "prev": before}, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    line = f'{body[:-1]},"crc":"{crc32(body.encode()):08x}"}}'.encode()
    size = path.stat().st_size if lines else 0
    try:
        with path.open("ab") as file:
            file.write(line + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        # Whoever asked is told that it failed, so the line must not come back.
        with contextlib.suppress(OSError):
            os.truncate(path, size)
        raise VisitError(path, f"the journal can't be written ({error.strerror}). Make room and try again.") from error
    return hashlib.sha256(line).hexdigest()


def entries(folder: Path, roots: tuple[str, ...] = OF_VISIT) -> list[dict[str, Any]]:
    """Return the journal's entries in order, each checked.

    Raises
    ------
    VisitError
        A line is damaged or does not follow from the one before; `key` is its number.
    """
    before, found = root(folder, roots), []
    for number, line in enumerate(read_lines(folder), 1):
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            entry = None
        if not isinstance(entry, dict):
            raise VisitError(folder / JOURNAL, f"line {number} is no JSON object", str(number))
        if entry.get("prev") != before:
            what = f"{' or '.join(roots)}: was that changed since?" if number == 1 else "the one before"
            raise VisitError(folder / JOURNAL, f"line {number} does not follow from {what}", str(number))
        before = hashlib.sha256(line).hexdigest()
        found.append(entry)
    return found


def sound_entries(
    folder: Path, roots: tuple[str, ...] = OF_VISIT
) -> tuple[list[dict[str, Any] | None], list[tuple[int, str]]]:
    """Return all entries with None for those that are damaged, and what is wrong: line numbers with words.

    A line behind a damaged one can't be proved to follow from it; one that does not follow from a sound one is said,
    and kept.

    Raises
    ------
    VisitError
        The journal, or a file that it builds on, can't be read.
    """
    before: str | None = root(folder, roots)
    found: list[dict[str, Any] | None] = []
    wrong: list[tuple[int, str]] = []
    for number, line in enumerate(raw_lines(folder), 1):
        try:
            entry = json.loads(line) if is_sound(line) else None
        except (ValueError, RecursionError):
            entry = None
        if not isinstance(entry, dict):
            found.append(None)
            wrong.append((number, f"line {number} is damaged: what it said is not known"))
            before = None
            continue
        if before is not None and entry.get("prev") != before:
            what = f"{' or '.join(roots)}: was that changed since?" if number == 1 else "what stands before it"
            wrong.append((number, f"line {number} does not follow from {what}"))
        before = hashlib.sha256(line).hexdigest()
        found.append(entry)
    return found, wrong


def is_rooted(folder: Path, roots: tuple[str, ...] = OF_VISIT) -> bool:
    """Whether the journal builds on the files that lie there now; a damaged first line says nothing against it."""
    lines = raw_lines(folder)
    return not lines or not is_sound(lines[0]) or json.loads(lines[0]).get("prev") == root(folder, roots)


def drop_torn(folder: Path) -> bytes:
    """Take away a last line without its end: a loss of power left it there, and nobody was told that it was written.

    A last line that lacks nothing but its line feed gets it. What is taken away is kept in `TORN` beside the journal.

    Returns
    -------
    bytes
        What was taken away; empty where the journal is whole.

    Raises
    ------
    VisitError
        The file is no journal, or the disk does not allow to mend it.
    """
    path = folder / JOURNAL
    content = content_of(path) if path.exists() else b""
    whole = content[: content.rfind(b"\n") + 1]
    rest = content[len(whole) :]
    if not rest:
        return b""
    if b"\r" in rest or (not whole and not rest.startswith(b"{")):
        raise VisitError(path, "has other line ends than a journal, or is none. Put a copy back", "1")
    try:
        if is_sound(rest):
            with path.open("ab") as file:
                file.write(b"\n")
                os.fsync(file.fileno())
            return b""
        with path.with_name(TORN).open("ab") as file:
            file.write(rest + b"\n")
            os.fsync(file.fileno())
        with path.open("r+b") as file:
            file.truncate(len(whole))
    except OSError as error:
        raise VisitError(path, f"the journal can't be mended ({error.strerror})") from error
    return rest


def read_lines(folder: Path) -> list[bytes]:
    """Return the raw lines of the journal, each with its CRC checked; a last line without its end is damage."""
    lines = raw_lines(folder)
    for number, line in enumerate(lines, 1):
        if not is_sound(line):
            raise VisitError(folder / JOURNAL, f"line {number} is damaged", str(number))
    return lines


def raw_lines(folder: Path) -> list[bytes]:
    """Return the lines of the journal as they are; a last line without its end is damage."""
    path = folder / JOURNAL
    lines = content_of(path).split(b"\n")
    if lines.pop() != b"":
        raise VisitError(path, f"line {len(lines) + 1} is cut off", str(len(lines) + 1))
    return lines


def is_sound(line: bytes) -> bool:
    """Whether a line, without its line feed, has the CRC that it says."""
    body, mark, crc = line.rpartition(b',"crc":"')
    return bool(mark) and crc == b'%08x"}' % crc32(body + b"}")


def content_of(path: Path) -> bytes:
    """Return the bytes of the journal at `path`."""
    try:
        if path.exists() and not path.is_file():
            raise VisitError(path, "is no file")
        return path.read_bytes()
    except OSError as error:
        raise VisitError(path, f"the journal can't be read ({error.strerror})") from error


def root(folder: Path, roots: tuple[str, ...]) -> str:
    """Return the SHA-256 of the files that the first line builds on."""
    digest = hashlib.sha256()
    for name in roots:
        try:
            digest.update((folder / name).read_bytes())
        except OSError as error:
            raise VisitError(folder / name, f"can't be read ({error.strerror}); the journal needs it") from error
    return digest.hexdigest()
