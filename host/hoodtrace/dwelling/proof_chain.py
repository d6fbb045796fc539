"""The chain of a visit's journal, line by line: what is damaged, and what does not follow from what stands before it.

A line carries a CRC of itself and the SHA-256 of the line before, the first one that of plan and hood file. A line that
was changed and given a good CRC is told by the next one, which still carries the hash of what stood there. What was
changed with the whole chain behind it made anew is told by no line: only by the newest hash, where it is kept
elsewhere. Nothing is written here; a last line that was cut off stays.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

from hoodtrace.dwelling import journal
from hoodtrace.errors import VisitError

Entry = dict[str, Any]
SHOWN = 16
"""Digits of a hash that are shown: enough to tell two apart, few enough to compare by eye."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something of a visit that is not as it was written down: where, what about it, and the two sides as text.

    `expected` is what the journal (or a report) says, `found` what lies there or comes of it now; either may be empty.
    """

    where: str
    what: str
    expected: str
    found: str


@dataclass(frozen=True, slots=True)
class Chain:
    """The lines of a journal: each one's entry (None: damaged) and SHA-256, the root, and what is wrong with them."""

    entries: tuple[Entry | None, ...] = ()
    hashes: tuple[str, ...] = ()
    root: str = ""
    findings: tuple[Finding, ...] = ()


def line_name(number: int) -> str:
    """Return what findings call a line of the journal, counted from 1."""
    return f"{journal.JOURNAL}, line {number}"


def chain_of(folder: Path) -> Chain:
    """Return the chain of the journal in `folder`; without a journal it is empty.

    Raises
    ------
    VisitError
        The journal can't be read.
    """
    found: list[Finding] = []
    root = _root(folder, found)
    path = folder / journal.JOURNAL
    content = journal.content_of(path) if path.exists() else b""
    *lines, rest = content.split(b"\n")
    if rest:
        n = len(lines) + 1
        text = "is cut off: it lacks its end. Nobody was told that it was written, if it was never whole"
        found.append(Finding(line_name(n), text, "a line feed at the end", f"{len(rest)} bytes without one"))
        lines += [rest] if journal.is_sound(rest) else []
    hashes = [hashlib.sha256(line).hexdigest() for line in lines]
    entries = [_entry(line) for line in lines]
    for at, (line, entry) in enumerate(zip(lines, entries, strict=True)):
        if entry is None:
            found.append(_damaged(at, line, len(lines)))
        elif at == 0 or entries[at - 1] is not None or entry.get("prev") in (*hashes, root):
            found += _follows(at, entry, hashes, root)
    return Chain(tuple(entries), tuple(hashes), root, tuple(found))


def _root(folder: Path, found: list[Finding]) -> str:
    """Return the hash that the first line has to carry; empty, and said, where a file of it can't be read."""
    try:
        return journal.root(folder, journal.OF_VISIT)
    except VisitError as error:
        found.append(Finding(error.path.name, "can't be read, so nothing says what the journal began with", "", ""))
        return ""


def _entry(line: bytes) -> Entry | None:
    try:
        entry = json.loads(line) if journal.is_sound(line) else None
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


def _damaged(at: int, line: bytes, n: int) -> Finding:
    """Return the finding of a line that is not what its CRC says."""
    behind = f"; {_lines(at + 2, n)} can't be proved to follow from it" if at + 1 < n else ""
    if journal.is_sound(line):
        return Finding(line_name(at + 1), f"says nothing{behind}", "a JSON object", "something else")
    body, mark, crc = line.rpartition(b',"crc":"')
    said = crc[:-2].decode("ascii", "backslashreplace")[:SHOWN] if mark else "none"
    text = f"is damaged, or was changed: what it said is not known{behind}"
    return Finding(line_name(at + 1), text, f"CRC {said}", f"CRC {crc32(body + b'}'):08x}")


def _follows(at: int, entry: Entry, hashes: list[str], root: str) -> list[Finding]:
    """Return what is wrong with what a sound line says it was written after."""
    before, said, n = hashes[at - 1] if at else root, entry.get("prev"), len(hashes)
    if said == before or not before:
        return []
    sides = _short(said), _short(before)
    if at == 0 and entry.get("kind") != "begun":
        text = "is not how a journal begins: lines before it are missing, or were put behind it"
        return [Finding(line_name(1), text, *sides)]
    if at == 0:
        text = "was changed since the visit began: the journal was begun with another plan or hood file"
        return [Finding(" or ".join(journal.OF_VISIT), text, *sides)]
    where = f"{journal.JOURNAL}, lines {at} and {at + 1}"
    if said == root or said in hashes:
        of = "is the first one" if said == root else f"was written after line {hashes.index(str(said)) + 1}"
        text = f"line {at + 1} {of}, not after line {at}: lines were moved, doubled, put in or taken out"
        return [Finding(where, text, *sides)]
    text = f"line {at + 1} was written after something else than line {at} as it is now: line {at} was changed, or "
    text += "lines between the two are missing"
    behind = f". Only {_lines(at + 1, n)} can be what was written then" if at + 1 < n else ""
    return [Finding(where, text + behind, *sides)]


def _lines(first: int, last: int) -> str:
    return f"line {first}" if first == last else f"lines {first} to {last}"


def _short(sha256: object) -> str:
    return f"SHA-256 {str(sha256)[:SHOWN]}"
