"""The folder of a calibration: a copy of the hood file, the traces, and a journal of what was typed.

`begin` makes one, `load` reads it whole; all that is worked out comes from the traces and the journal each time anew.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import typer

from hoodtrace.calibration.session import AnyGear, Typed, gear_fields, gear_of, point_of, reference_of
from hoodtrace.calibration.signals import signals
from hoodtrace.dwelling import journal
from hoodtrace.errors import FileError, UsageError
from hoodtrace.physics.hood import Hood, read_hood

if TYPE_CHECKING:
    from hoodtrace.averaging.reading import Averaged
    from hoodtrace.calibration.points import Point

HOOD, TRACES = "hood.toml", "traces"


@dataclass(frozen=True, slots=True)
class Done:
    """A point with all that was worked out for it."""

    typed: Typed
    point: Point
    averaged: Averaged
    sha256: str
    warnings: tuple[str, ...]


@dataclass(slots=True)
class Store:
    """A calibration's folder and what its journal says; `wanted_m3h` are the lowest and highest flow of interest."""

    folder: Path
    hood: Hood
    wanted_m3h: tuple[float, float] = (0.0, 0.0)
    gears: dict[str, AnyGear] = field(default_factory=dict)
    typed: list[Typed] = field(default_factory=list)
    dropped: dict[int, str] = field(default_factory=dict)
    n_numbers: int = 0
    n_lines: int = 0

    def trace_path(self) -> Path:
        """Return where the next point's trace goes."""
        return self.folder / TRACES / f"{self.n_numbers + 1:02d}.trace"

    def add_gear(self, name: str, gear: AnyGear) -> None:
        """Write a reference down; its name must be new, since points go by it."""
        if name in self.gears:
            raise UsageError(f"there is a reference {name!r} already: give this one another name")
        self._write({"kind": "gear", "name": name, "gear": gear_fields(gear)})
        self.gears[name] = gear

    def add_point(self, done: Done) -> None:
        """Write a point down, with the hash of its trace."""
        typed = done.typed
        self._write(
            {
                "kind": "point",
                "number": typed.number,
                "direction": typed.direction,
                "gear": typed.gear,
                "values": dict(typed.values),
                "trace": typed.trace,
                "place": list(typed.place),
                "sha256": done.sha256,
            }
        )
        self.typed.append(replace(typed, sha256=done.sha256))
        self.n_numbers = max(self.n_numbers, typed.number)

    def drop(self, number: int, why: str) -> None:
        """Take a point out of the fit; its trace and its line stay.

        Raises
        ------
        UsageError
            There is no such point, or no reason is given.
        """
        if number not in [typed.number for typed in self.typed]:
            raise UsageError(f"there is no point {number}: see `hoodtrace calibrate {self.folder} --list`")
        if not why:
            raise UsageError("say why the point is dropped (--why): the record keeps it")
        self._write({"kind": "dropped", "number": number, "why": why})
        self.dropped[number] = why
        self.typed = [typed for typed in self.typed if typed.number != number]

    def finished(self, **what: Any) -> None:
        """Write down that a record was made."""
        self._write({"kind": "finished", **what})

    def work_out(self, typed: Typed) -> Done:
        """Return the point, worked out from its trace.

        Raises
        ------
        HoodtraceError
            The trace is gone, damaged or another one, holds no such reading, or the reference refuses what was typed.
        """
        from hoodtrace.averaging.table import readings_of

        path = self.folder / TRACES / typed.trace
        table = readings_of(path, self.folder / HOOD)
        if typed.sha256 and table.trace["sha256"] != typed.sha256:
            raise FileError(path, f"is not the trace that point {typed.number} was read from. Put the old one back")
        found = [o for o in table.outcomes if (o.hold, o.plateau) == typed.place]
        if not found:
            raise FileError(path, f"holds no reading {typed.place[0]}.{typed.place[1]} any more")
        averaged = found[0].averaged
        seen = signals(averaged, self.hood, typed.direction)
        assert averaged.air is not None  # else `signals` refused it
        gear = self.gears.get(typed.gear)
        reference = reference_of(gear, typed.values, averaged.air)
        return Done(typed, point_of(typed, reference, seen), averaged, table.trace["sha256"], reference.warnings)

    def all_done(self) -> list[Done]:
        """Return all points, worked out."""
        return [self.work_out(typed) for typed in self.typed]

    def _write(self, fields: Mapping[str, Any]) -> None:
        said = {"utc": datetime.now(UTC).isoformat(timespec="seconds"), **fields}
        if self.n_lines and len(journal.read_lines(self.folder)) != self.n_lines:
            raise UsageError(f"{self.folder}: another session wrote into it meanwhile. End one of them, begin again")
        self.n_lines += 1
        journal.append(self.folder, said, journal.OF_CALIBRATION)


def begin(folder: Path, hood: Path, wanted_m3h: tuple[float, float]) -> Store:
    """Make a calibration's folder.

    Raises
    ------
    UsageError
        The folder is there and holds something.
    HoodError
        The hood file is at fault.
    """
    described, _ = read_hood(hood)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder}: is there and is no calibration. Name another folder")
    if not 0.0 < wanted_m3h[0] < wanted_m3h[1]:
        raise UsageError(f"flows from {wanted_m3h[0]:g} to {wanted_m3h[1]:g} m3/h: the lowest comes first, over 0")
    try:
        (folder / TRACES).mkdir(parents=True)
        shutil.copyfile(hood, folder / HOOD)
    except OSError as error:
        raise FileError(folder, f"can't be made ({error.strerror}). Name another folder") from error
    store = Store(folder, described)
    store._write({"kind": "calibration begun", "hood": hood.name, "wanted_m3h": list(wanted_m3h)})
    store.wanted_m3h = wanted_m3h
    _keep_others_out(folder / journal.JOURNAL)
    return store


_locked: list[IO[bytes]] = []  # open until the process ends


def _keep_others_out(path: Path) -> None:
    """Lock the journal where the system can (POSIX flock); elsewhere a second session is noticed when it writes."""
    try:
        import fcntl
    except ImportError:
        return
    file = path.open("rb")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        raise UsageError(f"{path.parent}: another session is at work there. End it first") from error
    _locked.append(file)


def load(folder: Path) -> Store:
    """Read a calibration's folder, and keep other sessions out until this process ends.

    Raises
    ------
    UsageError
        It is none, or another session has it.
    VisitError, HoodError
        Its journal or its hood file is damaged.
    """
    if not (folder / journal.JOURNAL).is_file():
        raise UsageError(f"{folder}: no calibration was begun there; begin one with --hood HOOD.toml")
    _keep_others_out(folder / journal.JOURNAL)  # before a torn line is taken out: another may be just writing it
    if torn := journal.drop_torn(folder):
        typer.echo(f"{folder}: the last line of its journal was cut off ({len(torn)} bytes) and is left out")
    store = Store(folder, read_hood(folder / HOOD)[0])
    for entry in journal.entries(folder, journal.OF_CALIBRATION):
        store.n_lines += 1
        match entry.get("kind"):
            case "calibration begun":
                lowest, highest = entry["wanted_m3h"]
                store.wanted_m3h = (lowest, highest)
            case "gear":
                store.gears[entry["name"]] = gear_of(entry["gear"])
            case "point":
                hold, plateau = entry["place"]
                number, trace = entry["number"], entry["trace"]
                place, sha256 = (hold, plateau), entry.get("sha256", "")
                typed = Typed(number, entry["direction"], entry["gear"], entry["values"], trace, place, sha256)
                store.typed.append(typed)
                store.n_numbers = max(store.n_numbers, typed.number)
            case "dropped":
                store.typed = [typed for typed in store.typed if typed.number != entry["number"]]
                store.dropped[entry["number"]] = entry["why"]
    if not store.wanted_m3h[0]:
        raise UsageError(f"{folder}: its journal is of a visit, not of a calibration")
    return store
