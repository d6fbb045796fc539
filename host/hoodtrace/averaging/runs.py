"""The samples of one boot, kept as small as they can be without losing a bit, and what is made of them again.

`Run.trail` gives back what a session had of them around a window; `strip_of` draws them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.frames import IntArray
from hoodtrace.averaging.session import PIECE, Outcome
from hoodtrace.averaging.strips import Steps, Strip, taps_flow_m3h, vane_flow_m3h, with_holes
from hoodtrace.averaging.trail import Trail
from hoodtrace.averaging.zero import Zeros
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.samples import Boot, Samples

AROUND_US = 60_000_000
"""So far around a window an edge of the vane is looked for."""


@dataclass(slots=True)
class Run:
    """The samples of one boot, columns of shape (n,), and which hello holds from which of them on."""

    boots: list[tuple[int, Boot]]
    t_us: IntArray
    edges: NDArray[np.int32] | IntArray
    age_us: NDArray[np.int32]
    raw_dp: NDArray[np.int16]
    raw_temp: NDArray[np.int16]
    flags: NDArray[np.uint8]
    airs: list[tuple[int, Air]]
    zeros: Zeros | None = None

    @classmethod
    def of(cls, parts: list[Samples], airs: list[tuple[int, Air]]) -> Run:
        """Return consecutive samples of one boot as one run."""
        starts = np.cumsum([0, *(len(part) for part in parts)]).tolist()
        edges = _whole([part.edges for part in parts])
        return cls(
            [(start, part.boot) for start, part in zip(starts[:-1], parts, strict=True)],
            _whole([part.t_us for part in parts]),
            edges.astype(np.int32) if edges[-1] <= np.iinfo(np.int32).max else edges,
            _whole([part.age_us for part in parts]).astype(np.int32),
            _whole([part.raw_dp for part in parts]),
            _whole([part.raw_temp for part in parts]),
            _whole([part.flags for part in parts]),
            airs,
        )

    def around(self, start: int, stop: int) -> tuple[int, int]:
        """Return the samples (half-open) that say where the vane was from sample `start` to `stop`.

        Back to where its newest edge was counted, and on to the next edge; not further than `AROUND_US`, before which
        the vane stands.
        """
        first_us, last_us = int(self.t_us[start]) - AROUND_US, int(self.t_us[stop - 1]) + AROUND_US
        low, high = np.searchsorted(self.t_us, [first_us, last_us]).tolist()
        a = low + int(np.searchsorted(self.edges[low : start + 1], self.edges[start], side="left"))
        b = stop + int(np.searchsorted(self.edges[stop:high], self.edges[stop - 1], side="right")) + 1
        return a, b

    def trail(self, hood: Hood, a: int, b: int, airs: list[tuple[int, Air]]) -> Trail:
        """Return a trail of samples `a` to `b` (half-open)."""
        trail = Trail(self.boots[0][1], hood, airs)
        for (first, boot), (after, _) in pairwise([*self.boots, (len(self.t_us), self.boots[0][1])]):
            part = slice(max(first, a), min(after, b))
            if part.start < part.stop:
                t_us, edges, age_us = self.t_us[part], self.edges[part], self.age_us[part]
                whole = edges.astype(np.int64), age_us.astype(np.int64)
                raw = self.raw_dp[part], self.raw_temp[part]
                trail.append(Samples(boot, t_us, t_us, *whole, *raw, self.flags[part], ()))
        return trail


def strip_of(run: Run, hood: Hood, shift_s: float, outcomes: list[Outcome]) -> Strip:
    """Return the strip of a boot whose time 0 lies `shift_s` after the trace's first sample.

    `outcomes` are what was found in the trace: inside a hold its zero and its direction count, elsewhere the newest
    zero and the plain table of the vane.
    """
    boot = run.boots[0][1].number
    n, start = len(run.t_us), 0
    vane, taps = np.full(n, np.nan, np.float32), np.empty(n, np.float32)
    mine = [o for o in outcomes if o.boot == boot]
    zero, extract = _in_force(run, hood, mine)
    while start < n:
        # From the sample before; samples of one moment are never parted.
        before = int(np.searchsorted(run.t_us, run.t_us[max(start - 1, 0)]))
        last_us = int(run.t_us[min(start + PIECE, n) - 1])
        stop = int(np.searchsorted(run.t_us, last_us, side="right"))
        trail = run.trail(hood, *run.around(before, stop), run.airs)
        plane = trail.plane(int(run.t_us[before]), last_us + 1, [], 0.0, math.inf)
        vane[before + 1 : stop] = vane_flow_m3h(plane, hood, extract.at(plane.t_us[1:]) > 0.0)
        taps[before:stop] = taps_flow_m3h(plane, hood, zero.at(plane.t_us))
        start = stop
    return with_holes(boot, run.t_us, shift_s, vane, taps)


def _in_force(run: Run, hood: Hood, outcomes: list[Outcome]) -> tuple[Steps, Steps]:
    """Return the zero of dp (Pa) and whether the air goes into the hood (1.0), over the time of a boot."""
    zeros, holds = run.zeros, {(o.hold_start_us, o.hold_stop_us): o.averaged.direction == "extract" for o in outcomes}
    if zeros is None or hood.taps is None:
        zero_pa = hood.taps.zero_pa if hood.taps is not None else 0.0
        return Steps.of([(0, zero_pa)]), Steps.of([(0, 0.0)])
    first_us = int(run.t_us[0])
    zero = [(at_us, zeros.at(at_us, at_us)[0]) for at_us in (first_us, *(rest.stop_us for rest in zeros.rests))]
    zero = [step for step in zero if not any(start <= step[0] < stop for start, stop in holds)]
    zero += [(start, zeros.at(start, stop)[0]) for start, stop in holds]
    zero += [(stop, zeros.at(stop, stop)[0]) for _, stop in holds if not any(start == stop for start, _ in holds)]
    extract = [(0, 0.0)]
    for (start, stop), is_extract in sorted(holds.items()):
        extract += [(start, float(is_extract)), (stop, 0.0)]
    return Steps.of(zero), Steps.of(extract)


def airs_of(parts: list[Samples], hood: Hood, before: list[tuple[int, Air]]) -> list[tuple[int, Air]]:
    """Return the air lines of a boot, as a trail takes them."""
    trail = Trail(parts[0].boot, hood, before)
    for part in parts:
        trail.append(replace(part, **{name: getattr(part, name)[:0] for name in _COLUMNS}))
    return trail.airs


_COLUMNS = ("seq", "t_us", "edges", "age_us", "raw_dp", "raw_temp", "flags")
_Number = TypeVar("_Number", bound=np.generic)


def _whole(parts: list[NDArray[_Number]]) -> NDArray[_Number]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
