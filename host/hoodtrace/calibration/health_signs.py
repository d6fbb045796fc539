"""Early signs: what ratio, zero and repeat placements of a visit point to, each with its likely cause in plain words.

The records of a visit stand here too. A sign is no proof: it says what was seen and what to look at. Opens no file,
prints nothing.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hoodtrace.averaging.reading import LEAST_ZERO_PA, REPEATS_REL
from hoodtrace.calibration.chart import Mark, components, expected
from hoodtrace.calibration.placement import LEAK_RISK, Found, Repeats, worse_than
from hoodtrace.physics.hood import Hood

MOST_U_REL = 0.02
"""A ratio less well known than this (own random part, or zero) is left out of the chart: twice a reading's scatter."""
MOST_ZERO_NOISE_PA = 0.1
"""Twice the zero-point repeatability of flow-through chips, 0.05 Pa (data sheets, from memory)."""
ZERO_LIMIT = 3.0
CLEAR_SLOPE, LEAST_SPAN = 2.0, 1.5
"""A slope over the flow counts from so many standard uncertainties, among flows this factor apart (own choice)."""
UNLIKE = 3.0
"""Standard uncertainties that are too far (own choice)."""
LEAK_REL = 0.03
"""Without an older placement to compare with: surely worse than this is a leak (own choice)."""


@dataclass(frozen=True, slots=True)
class Zero:
    """Free-hanging air: mean dp of the chip and the standard deviation of its fifths of a second, Pa."""

    start_us: int
    stop_us: int
    mean_pa: float
    noise_pa: float


@dataclass(frozen=True, slots=True)
class Checked:
    """One reading. `ratio` is vane flow over taps flow, with its random standard uncertainty; None with one channel.

    `u_zero_rel` is what the zero may do to the ratio. `zero_pa` was taken off; `zero_seen_pa` is what hung free last
    before the hold, used or not, and `zero_moved_pa` how far that lies from the zero seen before the hold before.
    """

    name: str
    direction: str
    flow_m3_s: float
    u_random_m3_s: float
    ratio: float | None
    u_ratio: float | None
    u_zero_rel: float | None
    zero_pa: float | None
    zero_seen_pa: float | None
    zero_moved_pa: float | None
    flags: tuple[str, ...]

    @property
    def tells(self) -> bool:
        """Whether the ratio is known well enough for the chart."""
        if self.ratio is None or self.u_ratio is None or self.u_zero_rel is None:
            return False
        return max(self.u_ratio / self.ratio, self.u_zero_rel) <= MOST_U_REL


@dataclass(frozen=True, slots=True)
class Visit:
    """What was read in one visit; `repeats` as somebody said so in the traces."""

    name: str
    date: datetime.date | None
    readings: tuple[Checked, ...]
    zeros: tuple[Zero, ...] = ()
    repeats: tuple[Repeats, ...] = ()


@dataclass(frozen=True, slots=True)
class Sign:
    """An early sign: `kind` is the likely cause in a word or two, `words` says what was seen and what to look at."""

    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class ZeroMark:
    """A visit's zero on its chart, Pa: `mean` of `n` stretches of free-hanging air, alarm outside `low` to `high`."""

    n: int
    mean_pa: float
    noise_pa: float
    low_pa: float
    high_pa: float
    alarm: bool


def ratio_signs(
    mark: Mark, values: Sequence[float], flows_m3_s: Sequence[float], before: Sequence[Sequence[float]]
) -> list[Sign]:
    """Return what the ratio of one visit points to.

    Parameters
    ----------
    mark : Mark
        The visit on the chart.
    values, flows_m3_s : sequence of float
        Logarithm of each ratio, and the reading's flow.
    before : sequence of sequence of float
        The values of earlier visits, for the scatter that is usual.

    References
    ----------
    Causes: a torque that brakes a vane takes the same speed at any flow, so a larger share of a small one (vane model
    f = K (v - v_s), memory); a tube that leaks takes the same share of any pressure (laminar division, own derivation).
    """
    within, _ = expected(components(before or [values]))
    clear = _slope(values, flows_m3_s, within)
    centre = mark.centre if mark.centre is not None else mark.average
    # The visit's own size, unless it is back on the other side while the average is still out.
    far = mark.mean - centre if (mark.mean - centre) * (mark.average - centre) > 0.0 else mark.average - centre
    percent = 100.0 * math.expm1(far)
    if mark.alarm and percent < 0.0:
        seen = f"the vane reads {-percent:.1f} % less against the taps than it used to"
        if clear is None:
            return [Sign("drag or fouling", f"{seen}: clean it and see that it turns freely")]
        if clear < -CLEAR_SLOPE:
            return [Sign("drag", f"{seen}, most at low flow: it drags; look for fluff on the axle and a worn bearing")]
        return [Sign("fouling", f"{seen}, alike at all flows: look for dirt on blades, straightener and pipe")]
    if mark.alarm:
        seen = f"the vane reads {percent:.1f} % more against the taps than it used to"
        if mark.irregular:
            return [Sign("static or bounce", f"{seen}, irregularly: test the pickup for pulses counted twice, "
                         "and the pipe for static charge")]  # fmt: skip
        if clear is not None and clear > CLEAR_SLOPE:
            return [Sign("zero or bounce", f"{seen}, most at low flow: bridge the tubes for a zero check; test the "
                         "pickup for pulses counted twice")]  # fmt: skip
        return [Sign("tube or tap", f"{seen}, alike at all flows: a tube is loose or leaks, a tap is blocked, or else "
                     "pulses are counted twice")]  # fmt: skip
    if mark.irregular:
        return [Sign("static or bounce", "vane and taps differ from reading to reading by more than they used to: "
                     "test the pickup, look for static charge and a loose tube")]  # fmt: skip
    return []


def since_calibration(values: Sequence[float], flows_m3_s: Sequence[float], hood: Hood, direction: str) -> list[Sign]:
    """Return whether the first visit after a calibration says something else than that: its ln ratio should be 0.

    By how much it may differ say the uncertainties of k and c, their correlation, and how well a hood repeats.
    """
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    if vane is None or taps is None:
        return []
    flow = math.exp(float(np.mean(np.log(flows_m3_s))))
    speed = flow / (vane.k * hood.area_m2)
    u_vane, u_taps = vane.u_scale_m_s(speed) / speed, taps.u_scale_rel((flow / (taps.c * hood.area_m2)) ** 2)
    u_rel = math.sqrt(u_vane**2 + u_taps**2 - 2.0 * hood.r_k_c * u_vane * u_taps + REPEATS_REL**2)
    level = float(np.mean(values))
    if abs(level) <= UNLIKE * u_rel:
        return []
    return [
        Sign(
            "unlike the calibration",
            f"vane over taps is {math.exp(level):.3f} on the first visit since, where the calibration says 1 within "
            f"{100.0 * UNLIKE * u_rel:.0f} %: tubes, vane or straightener were changed, or one channel was calibrated "
            "wrong. Look at them, then calibrate again",
        )
    ]


def _slope(values: Sequence[float], flows_m3_s: Sequence[float], within: float) -> float | None:
    """Return the slope over 1 / flow in standard uncertainties, None where the flows are too alike to tell."""
    flows = np.asarray(flows_m3_s, float)
    if len(flows) < 3 or flows.max() < LEAST_SPAN * flows.min():
        return None
    x = flows.mean() / flows
    x = x - x.mean()
    return float((x * np.asarray(values)).sum() / math.sqrt(float((x**2).sum())) / within)


def zero_mark(visit: Visit, hood: Hood) -> ZeroMark | None:
    """Return the visit's zero against the hood file's, limits as wide as the averaging's own doubt."""
    if hood.taps is None or not visit.zeros:
        return None
    means = [zero.mean_pa for zero in visit.zeros]
    middle_pa = float(np.median(means))
    far_pa = ZERO_LIMIT * max(hood.taps.u_zero_pa, LEAST_ZERO_PA)
    low_pa, high_pa = hood.taps.zero_pa - far_pa, hood.taps.zero_pa + far_pa
    noise_pa = float(np.median([zero.noise_pa for zero in visit.zeros]))
    return ZeroMark(len(means), middle_pa, noise_pa, low_pa, high_pa, not low_pa <= middle_pa <= high_pa)


def zero_signs(zero: ZeroMark | None, visit: Visit) -> list[Sign]:
    """Return what the zero of a visit points to."""
    if zero is None:
        return []
    signs = []
    far_pa = (zero.high_pa - zero.low_pa) / 2.0
    means = [each.mean_pa for each in visit.zeros]
    # Lower and upper quarter: a single draught is no drift.
    moved_pa = float(np.subtract(*np.percentile(means, [75, 25])))
    if zero.alarm:
        signs.append(Sign("zero drift", f"free-hanging air reads {zero.mean_pa:+.3f} Pa, the hood file allows "
                          f"{zero.low_pa:+.3f} to {zero.high_pa:+.3f}: bridge the tubes for a zero check"))  # fmt: skip
    elif moved_pa > far_pa:
        signs.append(Sign("zero drift", f"the zero moved by {moved_pa:.3f} Pa within the visit: let the chip warm up, "
                          "then check the zero"))  # fmt: skip
    if zero.noise_pa > MOST_ZERO_NOISE_PA:
        signs.append(Sign("tube or tap", f"free-hanging air is restless, {zero.noise_pa:.2f} Pa: a tube is loose, or a "
                          "draught blows on the taps"))  # fmt: skip
    return signs


def seal_signs(placement: Found | None, visit: Visit, hood: Hood) -> list[Sign]:
    """Return what repeat placements say of the seal: worse than the hood file's, or plainly bad where it has none."""
    if placement is None:
        return []
    before = (hood.placement.u_rel, hood.placement.dof) if hood.placement is not None else None
    if leaks(placement, visit.repeats, before):
        return [Sign("leaking seal", f"repeat placements differ by {100 * placement.estimate_rel:.1f} %, more than "
                     "the air does and than they used to: look at the seal and the frame")]  # fmt: skip
    return []


def leaks(placement: Found, repeats: Sequence[Repeats], before: tuple[float, float | None] | None) -> bool:
    """Whether repeat placements differ by more than the air does and more than `before` (u_rel, dof) lets expect."""
    # Either way the air alone can't be the cause: what it explains is taken off first.
    return placement.low_rel > LEAK_REL if before is None else worse_than(before, repeats) < LEAK_RISK
