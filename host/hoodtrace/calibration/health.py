"""The health of a hood: what each reading of each visit says of vane, taps, tubes and seal, and what that adds up to.

`HealthSession` reads a trace as any session does and notes beside each reading the vane-to-taps ratio and the zero.
`judged` puts visits on control charts (`chart`) and names the likely cause of what it sees, in plain words. The hood is
never said to be in order, only that nothing was noticed. Opens no file, prints nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodtrace.averaging.channels import Observed, short_means
from hoodtrace.averaging.holds import Free
from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.averaging.trail import Trail
from hoodtrace.calibration.chart import LIMIT, N_BASELINE, Mark, chart
from hoodtrace.calibration.health_signs import (
    Checked,
    Sign,
    Visit,
    Zero,
    ZeroMark,
    ratio_signs,
    seal_signs,
    since_calibration,
    zero_mark,
    zero_signs,
)
from hoodtrace.calibration.placement import Found, Repeats, found
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.decoder import Decoded

REPEATS_NOTE = "repeats"
"""Kind of the host note that says which holds of a trace were the same terminal; key `holds`."""
N_PIECES = 20
ZERO_EXPLAINS = ("static or bounce", "zero or bounce")


@dataclass(frozen=True, slots=True)
class Judged:
    """A visit's marks by direction (of the logarithm of the ratio), its zero, its repeat placements, its signs."""

    visit: Visit
    marks: dict[str, Mark]
    zero: ZeroMark | None
    placement: Found | None
    signs: tuple[Sign, ...]


class HealthSession(Session):
    """A session that notes the hood's health beside each reading, in `checked`, and the free-hanging air in `zeros`."""

    def __init__(self, hood: Hood) -> None:
        super().__init__(hood)
        self.checked: list[Checked] = []
        self.said_repeats: list[list[str]] = []
        self._rests: list[tuple[int, Zero]] = []
        self._holds: list[tuple[int, int, int]] = []
        self._last_pa: float | None = None

    @property
    def zeros(self) -> list[Zero]:
        """Free-hanging air so far. Where the vane stood in a hold that gave a reading it was no such thing; but a zero
        far off makes free air look like a hold, which then gives none."""
        return [zero for boot, zero in self._rests if not self._in_a_hold(boot, zero)]

    def take(self, decoded: Decoded) -> list[Outcome]:
        """Take the next block; see `Session.take`."""
        for message in decoded.messages:
            holds = message.body.get("holds")
            if message.kind == "H" and message.body.get("kind") == REPEATS_NOTE and isinstance(holds, list):
                self.said_repeats.append([str(each) for each in holds])
        return super().take(decoded)

    def repeats(self, trace: str) -> list[Repeats]:
        """Return the repeat placements that notes in the trace speak of, as far as they were read."""
        named = {each.name: each for each in self.checked}
        groups = [[named[name] for name in names if name in named] for names in self.said_repeats]
        return [as_repeats(trace, group) for group in groups if len(group) > 1]

    def _hang(self, trail: Trail, free: Free) -> None:
        super()._hang(trail, free)
        dp_pa = free.frames.dp_pa[free.frames.n_valid > 0]
        if self.hood.taps is not None and len(dp_pa) > 1:
            noise_pa = float(np.std(dp_pa, ddof=1))
            zero = Zero(trail.at_us(free.start), trail.at_us(free.stop), float(dp_pa.mean()), noise_pa)
            self._rests.append((trail.boot.number, zero))

    def _read(self, hold: list[Outcome], seen: list[Observed | None], zero_pa: float) -> None:
        boot, start_us, stop_us = hold[0].boot, hold[0].hold_start_us, hold[0].hold_stop_us
        if any(outcome.averaged.refusal is None for outcome in hold):
            self._holds.append((boot, start_us, stop_us))
        before = (
            zero.mean_pa
            for at, zero in reversed(self._rests)
            if at == boot and zero.stop_us <= start_us and not self._in_a_hold(boot, zero)
        )
        seen_pa = next(before, None)
        moved_pa = seen_pa - self._last_pa if seen_pa is not None and self._last_pa is not None else None
        self._last_pa = seen_pa if seen_pa is not None else self._last_pa
        for outcome, observed in zip(hold, seen, strict=True):
            if outcome.averaged.refusal is None:
                self.checked.append(self._checked(outcome, observed, (zero_pa, seen_pa, moved_pa)))

    def _checked(
        self, outcome: Outcome, seen: Observed | None, zero: tuple[float, float | None, float | None]
    ) -> Checked:
        one = outcome.averaged
        ratio = u_ratio = u_zero_rel = None
        if one.vane_m3_s is not None and one.taps_m3_s is not None and seen is not None:
            ratio = one.vane_m3_s / one.taps_m3_s
            u_ratio = ratio * _u_ratio_rel(seen)
            if seen.taps is not None:
                u_zero_rel = seen.taps.u_own_m3_s.get("zero", 0.0) / seen.taps.mean_m3_s
        zero_pa, seen_pa, moved_pa = zero if self.hood.taps is not None else (None, None, None)
        return Checked(
            outcome.name,
            one.direction,
            one.flow_m3_s,
            one.u_random_m3_s,
            ratio,
            u_ratio,
            u_zero_rel,
            zero_pa,
            seen_pa,
            moved_pa,
            one.flags,
        )

    def _in_a_hold(self, boot: int, zero: Zero) -> bool:
        return any(at == boot and start < zero.stop_us and stop > zero.start_us for at, start, stop in self._holds)


def _u_ratio_rel(seen: Observed) -> float:
    """Return the relative random standard uncertainty of the ratio: what the air does to both channels cancels."""
    if seen.vane is None or seen.taps is None:
        return math.inf
    apart = seen.vane.series_m3_s / seen.vane.mean_m3_s - seen.taps.series_m3_s / seen.taps.mean_m3_s
    each, _ = short_means(apart, N_PIECES)
    return float(np.std(each, ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else math.inf


def as_repeats(name: str, readings: Sequence[Checked]) -> Repeats:
    """Return readings of one terminal as repeat placements."""
    return Repeats(name, tuple(r.flow_m3_s for r in readings), tuple(r.u_random_m3_s for r in readings))


def judged(visits: Sequence[Visit], hood: Hood) -> list[Judged]:
    """Return what `visits`, in time order and all read with the same `hood` file, say of the hood.

    Each direction has a chart of its own, for k and c may differ. What lies before the hood file's calibration is not
    charted: k, c or the hood itself was another then.
    """
    since = hood.calibration.date if hood.calibration is not None else None
    charted = [v for v in visits if since is None or v.date is None or v.date >= since]
    marks: dict[int, dict[str, Mark]] = {id(v): {} for v in visits}
    signs: dict[int, list[Sign]] = {id(v): [] for v in visits}
    for direction in ("supply", "extract", "unknown"):
        told = [(v, _told(v, direction)) for v in charted if _told(v, direction)]
        values = [[math.log(r.ratio or 1.0) for r in readings] for _, readings in told]
        for at, ((visit, readings), mark) in enumerate(zip(told, chart(values), strict=True)):
            marks[id(visit)][direction] = mark
            signs[id(visit)] += ratio_signs(mark, values[at], [r.flow_m3_s for r in readings], values[:at])
            if at == 0 and since is not None:
                signs[id(visit)] += since_calibration(values[0], [r.flow_m3_s for r in readings], hood, direction)
    out = []
    for visit in visits:
        zero, mine = zero_mark(visit, hood), signs[id(visit)]
        placement = found(visit.repeats) if visit.repeats else None
        if zero is not None and zero.alarm:
            # A zero that is off makes ratios scatter with the flow: one cause is named, not two.
            mine = [sign for sign in mine if sign.kind not in ZERO_EXPLAINS]
        mine = [*mine, *zero_signs(zero, visit), *seal_signs(placement, visit, hood)]
        out.append(Judged(visit, marks[id(visit)], zero, placement, tuple(mine)))
    return out


def _told(visit: Visit, direction: str) -> list[Checked]:
    return [r for r in visit.readings if r.direction == direction and r.tells]


def verdict(one: Judged) -> str:
    """Return a visit's verdict in words."""
    if one.signs:
        return "; ".join(f"{sign.kind}: {sign.words}" for sign in one.signs)
    if not one.marks:
        return "no ratio to judge"
    if all(mark.centre is None for mark in one.marks.values()):
        return "first visit: nothing to compare with yet"
    making = any(mark.in_baseline for mark in one.marks.values())
    return "nothing noticed" + (" (baseline)" if making else "")


RULE = (
    f"The level is the mean of the first {N_BASELINE} visits without an alarm. Each of these is judged against those "
    f"before it, later ones by a moving average (EWMA) of the visits; alarm beyond {LIMIT} standard deviations."
)
