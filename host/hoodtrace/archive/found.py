"""The visits below a folder: where they lie, what each is called in the archive, and what would make it another.

A visit is any folder with a plan and a hood file. Links are followed, each folder is looked into once, and no archive
is searched. A visit's id is made of the first line of its journal, which holds no name and stays the same; of plan and
hood file where nothing was begun. Reads files, changes none.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from hoodtrace.archive.places import MARK
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.visit import HOOD, PLAN, TRACES
from hoodtrace.errors import VisitError

ID_LENGTH = 20


@dataclass(frozen=True, slots=True)
class Options:
    """What goes into the archive beside the tables."""

    samples: bool = False
    customers: bool = False


@dataclass(slots=True)
class Search:
    """What was found: folders of visits, and folders that could not be looked into, each with the reason."""

    visits: list[Path] = field(default_factory=list)
    shut: list[tuple[Path, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Files:
    """A visit as it lies there: the bytes of its small files (JOURNAL may be missing), and the paths of its traces.

    `called` is its id where another visit begins with the same line.
    """

    folder: Path
    small: Mapping[str, bytes]
    traces: Mapping[str, Path]
    called: str = ""

    @property
    def id(self) -> str:
        """What the visit is called in the archive: hex digits."""
        if self.called:
            return self.called
        first, end, _ = self.small.get(JOURNAL, b"").partition(b"\n")
        roots = b"".join(hashlib.sha256(self.small[name]).digest() for name in (PLAN, HOOD))
        return hashlib.sha256(first if end else roots).hexdigest()[:ID_LENGTH]

    @property
    def n_bytes(self) -> int:
        """The length of all its traces."""
        return sum(_size(path) for path in self.traces.values())


def search(folder: Path) -> Search:
    """Return the visits in `folder` and below, in the order of their paths.

    Raises
    ------
    VisitError
        There is no such folder, or it can't be looked into.
    """
    found = Search()
    seen: set[tuple[int, int]] = set()
    try:
        os.listdir(folder)
    except OSError as error:
        raise VisitError(folder, f"can't be searched ({error.strerror}). Give the folder your visits lie in") from error

    def shut(error: OSError) -> None:
        found.shut.append((Path(str(error.filename)), str(error.strerror)))

    for here, folders, names in os.walk(folder, onerror=shut, followlinks=True):
        stat = os.stat(here)
        if (stat.st_dev, stat.st_ino) in seen or MARK in names:
            folders.clear()
            continue
        seen.add((stat.st_dev, stat.st_ino))
        folders.sort()
        if PLAN in names and HOOD in names:
            found.visits.append(Path(here))
    return found


def files_of(folder: Path) -> Files:
    """Return the files of a visit.

    Raises
    ------
    VisitError
        One of the small ones can't be read.
    """
    small: dict[str, bytes] = {}
    for name in (PLAN, HOOD, JOURNAL):
        path = folder / name
        try:
            if name != JOURNAL or path.exists():
                _refuse_devices(path)
                small[name] = path.read_bytes()
        except OSError as error:
            raise VisitError(path, f"can't be read ({error.strerror})") from error
    here = folder / TRACES
    try:
        traces = {path.name: path for path in sorted(here.glob("*.trace"))} if here.is_dir() else {}
        for path in traces.values():
            _refuse_devices(path)
    except OSError as error:
        raise VisitError(here, f"can't be read ({error.strerror})") from error
    return Files(folder, small, traces)


def _refuse_devices(path: Path) -> None:
    """Raise VisitError for what may never end: a device, a pipe or a socket (also through a link)."""
    if path.is_char_device() or path.is_block_device() or path.is_fifo() or path.is_socket():
        raise VisitError(path, "is no file but a device, a pipe or a socket. Take it out of the visit")


def told_apart(visits: Sequence[Files]) -> tuple[list[Files], list[tuple[Files, Files]]]:
    """Return the visits, each with an id of its own, and those that are copies, each with the visit that it copies.

    A copy has nothing in it that the other has not: an older state of it at most. Visits that begin with the same line
    and then differ are both kept; the one with the shorter journal gets an id made of all its files.
    """
    kept: dict[str, list[Files]] = {}
    copies: list[tuple[Files, Files]] = []
    for files in sorted(visits, key=lambda one: (-len(one.small.get(JOURNAL, b"")), str(one.folder))):
        alike = kept.setdefault(files.id, [])
        twin = next((one for one in alike if _is_within(files, one)), None)
        if twin is not None:
            copies.append((files, twin))
        elif alike:
            all_of_it = fingerprint(files, Options(), "", None, trace_hashes(files.traces))
            alike.append(replace(files, called=hashlib.sha256(all_of_it.encode()).hexdigest()[:ID_LENGTH]))
        else:
            alike.append(files)
    found = [files for alike in kept.values() for files in alike]
    return sorted(found, key=lambda one: str(one.folder)), copies


def _is_within(files: Files, other: Files) -> bool:
    """Whether all that is in a visit is in the other."""
    mine, its = (dict(one.small) for one in (files, other))
    if not its.pop(JOURNAL, b"").startswith(mine.pop(JOURNAL, b"")) or mine != its:
        return False
    hashes, of_other = trace_hashes(files.traces), trace_hashes(other.traces)
    return hashes.items() <= of_other.items()


def fingerprint(files: Files, options: Options, software: str, names: object, hashes: Mapping[str, str]) -> str:
    """Return the hash of everything that a visit's rows are made of; `hashes` are those of its traces, by file name."""
    made_of: dict[str, Any] = {
        "software": software,
        "options": [options.samples, options.customers],
        "small": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.small.items())},
        "traces": dict(sorted(hashes.items())),
        "names": names,
    }
    return hashlib.sha256(json.dumps(made_of, sort_keys=True).encode()).hexdigest()


def trace_hashes(traces: Mapping[str, Path]) -> dict[str, str]:
    """Return the SHA-256 of traces by file name; why not, of one that can't be read."""
    return dict(_hashes(traces))


def _hashes(traces: Mapping[str, Path]) -> Iterator[tuple[str, str]]:
    for name, path in traces.items():
        try:
            with path.open("rb") as file:
                yield name, hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            yield name, f"unreadable: {error.strerror}"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
