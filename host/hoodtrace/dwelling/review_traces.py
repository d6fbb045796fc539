"""The traces of a visit as a review needs them: read once and kept, on one axis, with what is wrong with them.

A trace that can't be read, or is not the one that was closed, is named by `why`; the windows that the journal knows of
it stay. One that is changed or deleted later is noticed when it is asked for again. Not for several threads at once:
`Review` has the lock.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hoodtrace.averaging.kept import KeptTrace, keep
from hoodtrace.dwelling.axis import Timed, axis_of
from hoodtrace.dwelling.found_windows import Found, found_windows, windows_without_trace
from hoodtrace.dwelling.state import State
from hoodtrace.dwelling.view import View
from hoodtrace.dwelling.visit import TRACES
from hoodtrace.dwelling.window import stem
from hoodtrace.errors import TraceError, UsageError
from hoodtrace.physics.hood import Hood

NOTHING = Found({}, frozenset())


@dataclass(slots=True)
class OneTrace:
    """A trace: `path` inside the visit's folder, `wrong` what keeps it from being used, its windows as found.

    `stamp` is the file's when it was read, `other` one under which other bytes were found later.
    """

    path: str
    kept: KeptTrace | None = None
    stamp: tuple[int, int] = (0, 0)
    other: tuple[int, int] = (0, 0)
    wrong: str = ""
    is_read: bool = False
    found: Found = NOTHING
    found_at: int = -1


class ReviewTraces:
    """All traces of the visit in `folder`: those that lie there, and those that its journal names."""

    def __init__(self, folder: Path, hood: Hood, hood_sha256: str, known: Iterable[str]) -> None:
        self._folder, self._hood, self._hood_sha256 = folder, hood, hood_sha256
        here = folder / TRACES
        there = {f"{TRACES}/{path.name}" for path in here.glob("*.trace")} if here.is_dir() else set()
        self.all = {path: OneTrace(path) for path in sorted(there | set(known))}
        self.view = View(axis_of([]), {})

    @property
    def share_read(self) -> float:
        """The share of the traces that has been read, or can't be."""
        return sum(trace.is_read for trace in self.all.values()) / len(self.all) if self.all else 1.0

    def read(self, trace: OneTrace, on_samples: Callable[[KeptTrace], None], ahead: bool = True) -> OneTrace:
        """Return `trace` as it lies on the disk; `on_samples` is called before its holds are looked for; see `keep`."""
        path = self._folder / trace.path
        try:
            stamp = _stamp(path)
            kept = keep(path, self._hood, self._hood_sha256, on_samples, ahead)
        except (TraceError, OSError) as error:
            wrong = f"{path}: is not there" if not path.exists() else str(error)
            return OneTrace(trace.path, wrong=wrong, is_read=True)
        return OneTrace(trace.path, kept, stamp, is_read=True)

    def draw(self, newest: KeptTrace | None = None) -> None:
        """Put all that can be drawn on the axis; `newest` has its samples already, but no holds yet."""
        kept = {path: trace.kept for path, trace in self.all.items() if trace.kept is not None}
        if newest is not None:
            kept[f"{TRACES}/{newest.path.name}"] = newest
        strips = {(path, strip.boot): strip for path, trace in kept.items() for strip in trace.strips}
        boots = [Timed(*place, strip.t_s, _utc_s(kept[place[0]], place[1])) for place, strip in strips.items()]
        self.view = View(axis_of(boots), strips)

    def why(self, trace: OneTrace, closed: Mapping[str, Any]) -> str:
        """Return why a trace can't be used now, empty where it can; `closed` is what the journal says of it."""
        if trace.wrong or trace.kept is None:
            return trace.wrong
        path = self._folder / trace.path
        said = closed.get("sha256")
        if said is not None and said != trace.kept.sha256:
            return (
                f"{path}: is not the trace that was closed ({closed.get('bytes')} bytes then, {trace.kept.n_bytes} "
                "now, another checksum). Its readings stay as the journal has them. Put the true one back"
            )
        try:
            now = _stamp(path)
        except OSError:
            return f"{path}: is gone since it was read. What is shown is from memory; put it back to change anything"
        if now == trace.stamp or (now[0] > trace.stamp[0] and said is None) or _is_back(trace, path, now):
            return ""
        return f"{path}: was changed since it was read. Open the review again to see what is in it now"

    def is_true(self, trace: OneTrace, state: State) -> bool:
        """Whether a trace was read, and is the one that was closed, if the journal knows."""
        closed = state.traces.get(trace.path, {}).get("sha256")
        return trace.kept is not None and closed in (None, trace.kept.sha256)

    def has_grown(self, trace: OneTrace) -> bool:
        """Whether a trace is longer than it was when it was read."""
        try:
            return trace.kept is not None and _stamp(self._folder / trace.path)[0] > trace.stamp[0]
        except OSError:
            return False

    def found(self, trace: OneTrace, state: State) -> Found:
        """Return a trace's windows as they were found."""
        if trace.found_at != state.n_lines:
            trace.found_at = state.n_lines
            if trace.kept is not None and self.is_true(trace, state):
                trace.found = found_windows(trace.kept, trace.path, state)
            else:
                trace.found = windows_without_trace(trace.path, state) if trace.is_read else NOTHING
        return trace.found

    def place(self, path: str, seconds: float) -> tuple[int, int]:
        """Return boot and time [us] of a second of a trace.

        Raises
        ------
        UsageError
            There is no such trace that could be used.
        """
        trace = self.all.get(path)
        if trace is None or trace.kept is None:
            raise UsageError(f"there is no trace {stem(path)!r} to choose from: {', '.join(map(stem, self.all))}")
        return trace.kept.timeline.us_of(seconds)

    def seconds(self, path: str, boot: int, t_us: int) -> float:
        """Return the second of a trace for a time of a boot."""
        trace = self.all.get(path)
        if trace is None or trace.kept is None or boot not in trace.kept.runs:
            return t_us * 1e-6
        return trace.kept.timeline.seconds(boot, t_us)

    def marks(self) -> list[dict[str, Any]]:
        """Return what else happened, on the axis."""
        out = []
        for path, trace in self.all.items():
            kept = trace.kept
            for mark in kept.marks if kept is not None else ():
                boot = 0 if kept is None else kept.timeline.us_of(mark.start_s)[0]
                # Each end with its own shift: a gap may reach over a void that is not drawn as long as it was.
                shifts = [self.view.axis.shift_s(path, boot, at_s) for at_s in (mark.start_s, mark.end_s)]
                if shifts[0] is not None and shifts[1] is not None:
                    ends = {"x0": mark.start_s + shifts[0], "x1": mark.end_s + shifts[1]}
                    out.append({"kind": mark.kind, **ends, "text": mark.text, "trace": stem(path)})
        return out


def _is_back(trace: OneTrace, path: Path, now: tuple[int, int]) -> bool:
    """Whether what lies at `path` has the bytes that were read, put back with another time; looked at once a time."""
    if trace.kept is None or now[0] != trace.kept.n_bytes or now == trace.other:
        return False
    try:
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() == trace.kept.sha256:
                trace.stamp = now
                return True
    except OSError:
        return False
    trace.other = now
    return False


def _stamp(path: Path) -> tuple[int, int]:
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns


def _utc_s(kept: KeptTrace, boot: int) -> float | None:
    """Return the time of day at second 0 of a trace, by a boot's clock notes."""
    utc_s = kept.first_utc_s.get(boot)
    return None if utc_s is None else utc_s - kept.timeline.seconds(boot, 0)
