"""The traces of a visit as they lie there, against what its journal says of their bytes.

A trace that only grew still begins with the bytes that were closed; that is told apart from one that was changed, cut
or is gone.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from hoodtrace.averaging.kept import KeptTrace, keep
from hoodtrace.dwelling.proof_chain import Finding
from hoodtrace.dwelling.proof_said import Entry, Said
from hoodtrace.dwelling.visit import TRACES
from hoodtrace.errors import TraceError
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.lines import json_body, parse
from hoodtrace.wire.trace import blocks_of, closed_trace

HEAD_BYTES = 1 << 16
"""So far into a trace it is looked for who recorded it."""


@dataclass(frozen=True, slots=True)
class ProvedTrace:
    """A trace as it lies there now: path in the folder, length in bytes, SHA-256, and what recorded it, as it says."""

    path: str
    n_bytes: int
    sha256: str
    software: str


@dataclass(slots=True)
class Traces:
    """The traces that lie there, and what was made of those that could be read, by name."""

    lying: dict[str, ProvedTrace] = field(default_factory=dict)
    kept: dict[str, KeptTrace] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def traces_of(folder: Path, said: Said, hood: Hood | None, hood_sha256: str) -> Traces:
    """Return the traces of the visit in `folder`, each compared with what the journal says; no `hood`: none is read."""
    here, found = folder / TRACES, Traces()
    there = {f"{TRACES}/{path.name}" for path in here.glob("*.trace")} if here.is_dir() else set()
    for name in sorted(there | set(said.opened) | set(said.closed)):
        if PurePosixPath(name).as_posix() != f"{TRACES}/{PurePosixPath(name).name}" or name.endswith(".."):
            text = f"is named as a trace in the journal, and is none in the folder {TRACES}"
            found.findings.append(Finding(name, text, "", ""))
        elif name in there:
            _look_at(folder, name, said, hood, hood_sha256, found)
        else:
            _missing(name, said, found)
    return found


def _missing(name: str, said: Said, found: Traces) -> None:
    number, closed = said.closed.get(name, (0, None))
    of_it = [given for given in said.given if given.fields.get("trace") == name]
    if closed is not None:
        text = f"is missing; line {number} of the journal closed it"
        found.findings.append(Finding(name, text, _bytes_of(closed), "no file"))
    elif of_it:
        text = f"is missing; {len(of_it)} of the journal's readings came from it"
        found.findings.append(Finding(name, text, "a trace", "no file"))
    elif said.opened.get(name):
        found.notes.append(f"{name} was to be recorded, and nothing ever came of it.")


def _look_at(folder: Path, name: str, said: Said, hood: Hood | None, hood_sha256: str, found: Traces) -> None:
    path = folder / name
    try:
        if hood is not None:
            found.kept[name] = keep(path, hood, hood_sha256)
    except TraceError as error:
        text = str(error).removeprefix(f"{error.path}: ")
        found.findings.append(Finding(name, f"can't be read anew: {text}", "", ""))
    try:
        lying = closed_trace(path)
        found.lying[name] = ProvedTrace(name, lying.n_bytes, lying.sha256, _recorded_by(path))
        found.findings += _compared(path, found.lying[name], said)
    except TraceError as error:
        found.findings.append(Finding(name, str(error).removeprefix(f"{error.path}: "), "", ""))


def _compared(path: Path, lying: ProvedTrace, said: Said) -> list[Finding]:
    """Return what the journal says otherwise of a trace."""
    name = lying.path
    number, closed = said.closed.get(name, (0, None))
    if closed is not None:
        if (closed.get("bytes"), closed.get("sha256")) == (lying.n_bytes, lying.sha256):
            return []
        text = f"{_how(path, closed, lying)} since line {number} of the journal closed it"
        return [Finding(name, text, _bytes_of(closed), f"{lying.n_bytes} bytes, SHA-256 {lying.sha256}")]
    if name not in said.opened:
        return [Finding(name, "lies there, and the journal does not name it", "", f"{lying.n_bytes} bytes")]
    if not said.opened[name]:
        return []  # recorded behind the lines that count
    text = "was never closed: it is still being recorded, or the program ended without warning. Its readings are made "
    text += "again; a change that touches none of them would not be seen. `hoodtrace visit` closes it when it records"
    return [Finding(name, text, "its length and SHA-256 in the journal", f"{lying.n_bytes} bytes")]


def _how(path: Path, closed: Entry, lying: ProvedTrace) -> str:
    """Return in which way a trace is not the one that was closed."""
    n_bytes = closed.get("bytes")
    if not isinstance(n_bytes, int) or n_bytes == lying.n_bytes:
        return "was changed"
    if n_bytes > lying.n_bytes:
        return f"was cut: {n_bytes - lying.n_bytes} bytes are missing"
    more = f"{lying.n_bytes - n_bytes} bytes more"
    if _sha256_of_first(path, n_bytes) == closed.get("sha256"):
        return f"only grew: it begins with the bytes that were closed, and has {more} behind them"
    return f"was changed, and has {more}"


def _sha256_of_first(path: Path, n_bytes: int) -> str:
    digest, left = hashlib.sha256(), max(n_bytes, 0)
    for block in blocks_of(path):
        digest.update(block[:left])
        left -= min(left, len(block))
    return digest.hexdigest()


def _recorded_by(path: Path) -> str:
    """Return the program that recorded a trace, as its first note says; empty where none does."""
    head = next(blocks_of(path), b"")[:HEAD_BYTES]
    for line in head.split(b"\n"):
        found = parse(line.removesuffix(b"\r"))
        if found is not None and found.kind == "H":
            body = json_body(found.body)
            if body.get("kind") == "opened":
                return str(body.get("software", ""))
    return ""


def _bytes_of(closed: Entry) -> str:
    return f"{closed.get('bytes')} bytes, SHA-256 {closed.get('sha256')}"
