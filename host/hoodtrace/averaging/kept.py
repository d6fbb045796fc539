"""A whole trace kept in memory: all its samples beside the automatic readings, for choosing other windows afterwards.

`keep` reads the file once, through the session that `readings` uses. `KeptTrace.reading` averages any window of it the
way the session averages a plateau: an automatic plateau read again is the same outcome, field by field. To that end
it is given the same zero, the same air lines, and the samples around the window that date the vane's edges. Nothing
here writes to the trace.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hoodtrace.averaging.channels import Observed, observe
from hoodtrace.averaging.frames import FloatArray
from hoodtrace.averaging.marks import Heard, Told, marks_of
from hoodtrace.averaging.marks import Mark as Mark
from hoodtrace.averaging.runs import Run, airs_of, strip_of
from hoodtrace.averaging.session import Cut, OpenHold, Outcome, Session
from hoodtrace.averaging.strips import Strip as Strip
from hoodtrace.averaging.table import Table, run_through, tabulate, with_late
from hoodtrace.averaging.trail import Trail
from hoodtrace.errors import UsageError
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.samples import Clock, Samples


@dataclass(frozen=True, slots=True)
class Chosen:
    """A window to be read: its hold (which says the zero), its ends, what is cut out. Times in us since boot."""

    boot: int
    hold: int
    plateau: int
    hold_start_us: int
    hold_stop_us: int
    start_us: int
    stop_us: int
    cuts: tuple[Cut, ...] = ()

    @classmethod
    def of(cls, o: Outcome) -> Chosen:
        """Return the window of an outcome."""
        return cls(o.boot, o.hold, o.plateau, o.hold_start_us, o.hold_stop_us, o.start_us, o.stop_us, o.cuts)


class Times(Timeline):
    """The time axis of a trace, there and back."""

    def __init__(self, spans: dict[int, tuple[int, int]], clocks: list[Clock]) -> None:
        super().__init__(spans, clocks)
        self._spans = spans

    def us_of(self, seconds: float) -> tuple[int, int]:
        """Return boot and us since boot for `seconds` since the trace's first sample.

        A time between two boots belongs to the earlier; one before the first sample to the first.
        """
        begun = [boot for boot, (first, _) in self._spans.items() if self.seconds(boot, first) <= seconds + 0.5e-6]
        boot = max(begun, default=min(self._spans))
        return boot, round((seconds - self.seconds(boot, 0)) * 1e6)


class KeptTrace:
    """A trace and what was made of it.

    Attributes
    ----------
    name : str
        The file's stem.
    sha256 : str
        Of the bytes as they were read; empty until the holds are found, as `table` is None.
    n_bytes : int
        As read.
    timeline : Times
        Converts us since a boot to seconds since the first sample, and back.
    first_utc_s : dict of int to float or None
        By boot, seconds of the epoch at its time 0, None where no note says so.
    strips : tuple of Strip
        For drawing; until the holds are found the taps have the hood file's zero.
    """

    def __init__(self, path: Path, hood: Hood) -> None:
        self.path, self.name, self.hood = path, path.stem, hood
        self.sha256, self.n_bytes = "", 0
        self.runs: dict[int, Run] = {}
        self.timeline = Times({}, [])
        self.first_utc_s: dict[int, float | None] = {}
        self.table: Table | None = None
        self.marks: tuple[Mark, ...] = ()
        self.strips: tuple[Strip, ...] = ()
        self._n_airs: dict[tuple[int, int, int], int] = {}
        self._late_us: dict[int, list[int]] = {}

    @property
    def boots(self) -> list[int]:
        """Numbers of the boots that have samples."""
        return sorted(self.runs)

    def utc_s(self, boot: int, t_us: int) -> float | None:
        """Return the time of day (s of the epoch) of a time of a boot; None where no note says so."""
        at_zero_s = self.first_utc_s.get(boot)
        return None if at_zero_s is None else at_zero_s + t_us * 1e-6

    @property
    def outcomes(self) -> list[Outcome]:
        """What was found automatically, in order; empty until the holds are found."""
        return self.table.outcomes if self.table is not None else []

    def outcome(self, hold: int, plateau: int) -> Outcome:
        """Return an automatic outcome.

        Raises
        ------
        UsageError
            There is none of that number.
        """
        for o in self.outcomes:
            if (o.hold, o.plateau) == (hold, plateau):
                return o
        raise UsageError(f"{self.path}: no plateau {hold}.{plateau} was found in this trace. `readings` lists them.")

    def reading(self, chosen: Chosen) -> Outcome:
        """Return what the window says, averaged as the session averages a plateau.

        Raises
        ------
        UsageError
            The window is empty, not within the samples of its boot, or a cut is not within the window.
        """
        run, trail = self._trail(chosen)
        session = Session(self.hood)
        session._zeros = run.zeros if run.zeros is not None else session._zeros
        parts = [(chosen.start_us, chosen.stop_us, chosen.cuts)]
        hold = OpenHold(chosen.hold, chosen.hold_start_us, chosen.hold_stop_us, parts)
        outcome = replace(session._averaged(trail, [hold])[0], plateau=chosen.plateau)
        return with_late(outcome, self._late_us.get(chosen.boot, []))

    def series(self, chosen: Chosen) -> tuple[FloatArray, FloatArray | None, FloatArray | None, FloatArray]:
        """Return the series that a reading of the window averages, cuts left out.

        Returns
        -------
        tuple
            Time (s since the trace's first sample), flow by vane and by taps (m3/h; None where a channel says
            nothing), and the time that each value stands for (s); each of shape (n,), n = 0 where nothing is left.

        Raises
        ------
        UsageError
            As `reading`.
        """
        run, trail = self._trail(chosen)
        zero_pa = run.zeros.at(chosen.hold_start_us, chosen.hold_stop_us)[0] if run.zeros is not None else 0.0
        cuts_us = [(c.start_us, c.stop_us) for c in chosen.cuts]
        plane = trail.plane(chosen.start_us, chosen.stop_us, cuts_us, zero_pa, math.inf)
        seen = observe(plane, self.hood)
        if seen is None:
            return np.empty(0), None, None, np.empty(0)
        use = plane.used
        t_s = plane.t_us[1:][use].astype(np.float64) * 1e-6 + self.timeline.seconds(chosen.boot, 0)
        vane, taps = (None if c is None else c.series_m3_s * m3h(1.0) for c in (seen.vane, seen.taps))
        return t_s, vane, taps, seen.dt_s

    def _draw(self, heard: Heard, outcomes: list[Outcome]) -> None:
        """Make strips and marks in the light of the holds that were found."""
        start_s = {boot: self.timeline.seconds(boot, 0) for boot in self.boots}
        self.strips = tuple(strip_of(self.runs[boot], self.hood, start_s[boot], outcomes) for boot in self.boots)
        told = {n: Told((int(r.t_us[0]), int(r.t_us[-1])), bool(r.airs), r.zeros) for n, r in self.runs.items()}
        self.marks = marks_of(self.timeline, heard, told, outcomes)

    def _trail(self, chosen: Chosen) -> tuple[Run, Trail]:
        """Return the run of a window, and a trail that holds what the window needs."""
        self._check(chosen)
        run = self.runs[chosen.boot]
        n_airs = self._n_airs.get((chosen.boot, chosen.hold_start_us, chosen.hold_stop_us))
        start, stop = np.searchsorted(run.t_us, [chosen.start_us, chosen.stop_us]).tolist()
        start = min(start, len(run.t_us) - 1)
        return run, run.trail(self.hood, *run.around(start, max(stop, start + 1)), run.airs[:n_airs])

    def _check(self, chosen: Chosen) -> None:
        """Refuse a window that can't be read."""
        span_us = self.runs[chosen.boot].t_us[[0, -1]].tolist() if chosen.boot in self.runs else None
        if span_us is None:
            raise UsageError(f"{self.path}: no samples of boot {chosen.boot}. Choose another window.")
        ends = f"{self._s(chosen, chosen.start_us)} to {self._s(chosen, chosen.stop_us)} s"
        if chosen.start_us >= chosen.stop_us and not self._is_automatic(chosen):
            raise UsageError(f"{self.path}: the window from {ends} is empty. Its end must come after its start.")
        if chosen.start_us < span_us[0] or chosen.stop_us > span_us[1] + 1:
            has = f"{self._s(chosen, span_us[0])} to {self._s(chosen, span_us[1])} s"
            raise UsageError(
                f"{self.path}: the window from {ends} goes beyond the samples of boot {chosen.boot}, {has}. Choose "
                "one inside."
            )
        for cut in chosen.cuts:
            inside = chosen.start_us <= cut.start_us < cut.stop_us <= chosen.stop_us
            if not inside and not self._is_automatic(chosen):
                gone = f"{self._s(chosen, cut.start_us)} to {self._s(chosen, cut.stop_us)} s"
                raise UsageError(
                    f"{self.path}: the cut from {gone} is not inside the window from {ends}. Choose again."
                )

    def _is_automatic(self, chosen: Chosen) -> bool:
        """Whether the window is a plateau as it was found: it is then read whatever it is."""
        return any(Chosen.of(o) == chosen for o in self.outcomes)

    def _s(self, chosen: Chosen, t_us: int) -> str:
        return f"{self.timeline.seconds(chosen.boot, t_us):.3f}"


def keep(
    path: Path,
    hood: Hood,
    hood_sha256: str,
    on_samples: Callable[[KeptTrace], None] | None = None,
    ahead: bool = True,
) -> KeptTrace:
    """Read the trace at `path` and keep it.

    Parameters
    ----------
    path : Path
        The trace.
    hood : Hood
        The hood that was used.
    hood_sha256 : str
        Of the hood file, for the table.
    on_samples : callable, optional
        Called once, as soon as the strips can be drawn and before the holds are found.
    ahead : bool
        Decode in a second thread, see `run_through`.

    Raises
    ------
    TraceError
        The file can't be read, holds no good line, no `hello`, or another protocol.
    """
    kept = KeptTrace(path, hood)
    session = _Keeping(kept, on_samples)
    outcomes, kept.sha256 = run_through(session, path, ahead)
    kept.n_bytes = session.n_bytes
    head = {"file": path.name, "sha256": kept.sha256}
    table = tabulate(session, outcomes, head, {"name": hood.name, "sha256": hood_sha256})
    kept._draw(session.heard, table.outcomes)
    kept.table = table
    return kept


class _Keeping(Session):
    """A session of a whole file that hands all samples to a `KeptTrace` before it looks for holds."""

    def __init__(self, kept: KeptTrace, on_samples: Callable[[KeptTrace], None] | None) -> None:
        super().__init__(kept.hood)
        self._kept, self._on_samples = kept, on_samples
        self.heard = Heard()

    def take(self, decoded: Decoded) -> list[Outcome]:
        self.heard.take(decoded)
        return super().take(decoded)

    def finish(self) -> list[Outcome]:
        out = self.take(self.decoder.finish())
        parts = self.assembler.finish()
        self._keep(parts)
        for samples in parts:
            out += self._samples(samples)
            run = self._kept.runs.get(samples.boot.number)
            if self._trail is not None and run is not None:
                run.zeros, run.airs = self._zeros, self._trail.airs
        return out + self._end()

    def _keep(self, parts: list[Samples]) -> None:
        """Hand all samples on, with what can be said of them before there are holds."""
        kept, clocks = self._kept, self.assembler.clocks
        ends_us: dict[int, tuple[int, int]] = {}
        airs: list[tuple[int, Air]] = []
        for number in sorted({part.boot.number for part in parts}):
            mine = [part for part in parts if part.boot.number == number]
            airs = airs_of(mine, self.hood, [(-1, air) for _, air in airs[-1:]])
            if any(len(part) for part in mine):
                run = kept.runs[number] = Run.of([part for part in mine if len(part)], airs)
                ends_us[number] = int(run.t_us[0]), int(run.t_us[-1])
        kept.timeline = Times(ends_us, clocks)
        kept.first_utc_s = dict.fromkeys(ends_us)
        kept.first_utc_s |= {c.boot_number: c.utc_s - c.t_us * 1e-6 for c in reversed(clocks)}
        kept._late_us = self.assembler.late
        self.heard.read(parts)
        if any(part.boot.hello for part in parts) and self.assembler.other_protocol is None:
            kept._draw(self.heard, [])
            if self._on_samples is not None:
                self._on_samples(kept)

    def _read(self, hold: list[Outcome], seen: list[Observed | None], zero_pa: float) -> None:
        """Keep how many air lines there were when a hold was averaged: more may come in the same boot."""
        if hold and self._trail is not None:
            ends = hold[0].boot, hold[0].hold_start_us, hold[0].hold_stop_us
            self._kept._n_airs[ends] = len(self._trail.airs)
