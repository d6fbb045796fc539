"""What the trade knows to warn of: each advice with its number, its limit, its reason and its source.

Each function looks at one thing and gives None where there is nothing to say. `Tubes` is the ring of taps with its
tubes: weights, error, loss in a flow-through chip. `missing` lists what a hood file leaves out and what that costs.
No clock: "today" is handed in.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass

from hoodtrace.calibration.hood_expect import CLEARLY, Design, Expected, viscosity_pa_s
from hoodtrace.physics.hood import FURTHEST, NEAREST, Hood
from hoodtrace.units import L_S_PER_M3_S, m3h

NO_SOURCE = "common practice, no source"
LONGEST_PIPE_M = 0.25
GAP_RANGE_M = (0.0005, 0.002)
"""About 1 mm all round is the practice; half and twice of it are this project's own limits."""
MOST_TURBULENCE_REL = 0.15
MOST_ZERO_REL = 0.05
MOST_TUBE_ERROR_REL = 0.005
MOST_TUBE_LOSS_REL = 0.01
"""Own choices, each well under a reading's usual uncertainty of 2 to 3 %."""
LEAST_BORE_M = 0.04
USUAL_FLOW_M3_S = 10.0 / 3600.0
CHIP_M3_S_PA = 0.34e-6 / 60.0
"""Air through a flow-through chip: 0.34 ml/min at each pascal (memory)."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One warning: `topic` in a word or two, `value` against `limit` in `unit`, then sentences for people."""

    topic: str
    value: float
    limit: float
    unit: str
    text: str
    reason: str
    source: str


@dataclass(frozen=True, slots=True)
class Tubes:
    """The tubes of one ring of taps, all of one bore, and the shares with which the taps count."""

    lengths_m: tuple[float, ...]
    bore_m: float

    @property
    def weights(self) -> tuple[float, ...]:
        """Weight of each tap, summing to 1: one over its tube's resistance.

        References
        ----------
        Own derivation: at the manifold no air is left over, sum (p_i - p) / R_i = 0; R by Hagen and Poiseuille.
        """
        total = math.fsum(1.0 / length for length in self.lengths_m)
        return tuple(1.0 / length / total for length in self.lengths_m)

    def u_reading_rel(self, spread_rel: float) -> float:
        """Standard uncertainty of dp from unequal weights, if the taps scatter by `spread_rel` (standard)."""
        return spread_rel * math.sqrt(math.fsum((w - 1.0 / len(self.weights)) ** 2 for w in self.weights))

    def loss_rel(self, temp_c: float = 20.0, n_rings: int = 2) -> float:
        """Share of dp lost in the tubes because air goes through the chip: G R / (1 + G R), 0 to 1.

        R is the ring's tubes side by side, once for each of `n_rings` rings that the air passes.

        References
        ----------
        Chip and tubes in series; R = 128 mu L / (pi d^4) (Hagen and Poiseuille, laminar; memory).
        """
        per_m = 128.0 * viscosity_pa_s(temp_c) / (math.pi * self.bore_m**4)
        g_r = CHIP_M3_S_PA * n_rings * per_m / math.fsum(1.0 / length for length in self.lengths_m)
        return g_r / (1.0 + g_r)


def long_pipe(length_m: float) -> Advice | None:
    """Warn of a pipe longer than 25 cm."""
    if length_m <= LONGEST_PIPE_M:
        return None
    return Advice(
        "pipe length", length_m * 1000.0, LONGEST_PIPE_M * 1000.0, "mm",
        f"The pipe is {length_m * 100.0:.0f} cm long; keep it to {LONGEST_PIPE_M * 100.0:.0f} cm.",
        "With a longer pipe the error grows and k can hardly be found; weight and back pressure grow too.",
        NO_SOURCE,
    )  # fmt: skip


def blade_fit(bore_m: float, blade_m: float) -> Advice | None:
    """Warn of a gap between blade tips and wall that is not about 1 mm; `blade_m` is the diameter over the tips."""
    gap_m = (bore_m - blade_m) / 2.0
    low_m, high_m = GAP_RANGE_M
    if low_m <= gap_m <= high_m:
        return None
    past = 1.0 - (blade_m / bore_m) ** 2
    if gap_m <= 0.0:
        text, limit_m = (
            f"A vane of {blade_m * 1000.0:.1f} mm does not turn in a bore of {bore_m * 1000.0:.1f} mm.",
            low_m,
        )
    elif gap_m < low_m:
        text, limit_m = f"Between blade and wall are {gap_m * 1000.0:.2f} mm: a dent or a hair stops the vane.", low_m
    else:
        text = f"Between blade and wall are {gap_m * 1000.0:.1f} mm: {past:.0%} of the bore lies outside the blades."
        limit_m = high_m
    reason = (
        "Bore and blade should match with about 1 mm all round. Air that slips past the tips is not measured, and its "
        "share changes with the flow."
    )
    return Advice("bore and blade", gap_m * 1000.0, limit_m * 1000.0, "mm", text, reason, NO_SOURCE)


def turbulence(index_rel: float, straightener: bool | None) -> Advice | None:
    """Warn of air rougher than 15 %: a vane over-reads by the square of the index at most."""
    if index_rel <= MOST_TURBULENCE_REL:
        return None
    cure = {
        None: "If the hood has no straightener, put one in; if it has, look for what stirs the air in front of it.",
        False: "Put a straightener in front of the vane, and calibrate anew with it.",
        True: "The straightener does not suffice: more room in front of it, or a finer one; then calibrate anew.",
    }[straightener]
    return Advice(
        "turbulence", index_rel, MOST_TURBULENCE_REL, "1",
        f"The air fluctuates by {index_rel:.0%}; the vane may read up to {index_rel**2:.1%} high. {cure}",
        "A vane runs up faster than it runs down and over-reads by the square of the turbulence index at most.",
        "seen: Kristensen and Busch 1976 for cups; limit of 15 %: common practice, no source",
    )  # fmt: skip


def slow_for_vane(low: Expected, start_m_s: float) -> Advice | None:
    """Warn where the lowest flow is under the start speed, or not clearly over it."""
    if low.start_ratio is None or low.start_ratio >= CLEARLY:
        return None
    state = "the vane stands" if low.start_ratio < 1.0 else "the vane may stand"
    return Advice(
        "vane too slow", low.vane_m_s, CLEARLY * start_m_s, "m/s",
        f"At {m3h(low.flow_m3_s):.4g} m3/h the vane sees {low.vane_m_s:.2f} m/s, {low.start_ratio:.2f} times its start "
        f"speed of {start_m_s:.2f} m/s: {state}. A smaller bore, a lighter vane, or the taps alone.",
        f"Under its start speed a vane says nothing, and just over it no line holds; {CLEARLY} times is wanted.",
        "start speeds of 0.15 to 0.4 m/s: memory; the factor is this project's own choice",
    )  # fmt: skip


def outside_range(flows_m3_s: list[float], range_m3h: list[float], channel: str) -> list[Advice]:
    """Warn of planned flows under the lowest calibrated one, or more than 20 % over the highest."""
    low, high = range_m3h
    lowest, highest = m3h(min(flows_m3_s)), m3h(max(flows_m3_s))
    reason = "No line is known out there: a reading is not extended below the lowest point, nor 20 % over the highest."
    out = []
    if lowest < NEAREST * low:
        text = (
            f"The lowest flow, {lowest:.4g} m3/h, is under the calibration of the {channel}, which starts at {low:.4g}."
        )
        out.append(Advice(f"{channel} range", lowest, low, "m3/h", text, reason, "own choice"))
    if highest > FURTHEST * high:
        text = (
            f"The highest flow, {highest:.4g} m3/h, is over the calibration of the {channel}, which ends at {high:.4g}."
        )
        out.append(Advice(f"{channel} range", highest, FURTHEST * high, "m3/h", text, reason, "own choice"))
    return out


def chip_range(high: Expected, chip_range_pa: float, index_rel: float = MOST_TURBULENCE_REL) -> Advice | None:
    """Warn where gusts of three times the turbulence at the highest flow go beyond the chip's rated range."""
    peak_pa = (high.chip_pa or 0.0) * (1.0 + 3.0 * index_rel) ** 2
    if peak_pa <= chip_range_pa:
        return None
    return Advice(
        "too fast for the chip", peak_pa, chip_range_pa, "Pa",
        f"At {m3h(high.flow_m3_s):.4g} m3/h the chip sees {high.chip_pa:.3g} Pa, in gusts {peak_pa:.3g} Pa, over its "
        f"{chip_range_pa:.0f} Pa. A wider bore, or the chip's version with the wider range.",
        f"Gusts reach three times the turbulence index ({index_rel:.0%} here) over the mean; dp goes with the square.",
        "arithmetic; three times: own choice; rated range: data sheet, seen",
    )  # fmt: skip


def weak_taps(low: Expected, u_zero_pa: float) -> Advice | None:
    """Warn where the taps' zero alone takes more than 5 % of the lowest flow."""
    if low.u_zero_rel is None or low.u_zero_rel <= MOST_ZERO_REL:
        return None
    return Advice(
        "taps too weak", low.u_zero_rel, MOST_ZERO_REL, "1",
        f"At {m3h(low.flow_m3_s):.4g} m3/h the taps give {low.taps_pa:.2g} Pa; a zero within {u_zero_pa:g} Pa is "
        f"{low.u_zero_rel:.0%} of the flow. There the vane has to say it.",
        "The flow goes with the root of dp: its relative error is half that of dp, which falls with the flow squared.",
        "arithmetic: u(q)/q = 0.5 u(dp)/dp; limit of 5 %: own choice",
    )  # fmt: skip


def unequal_tubes(tubes: Tubes, spread_rel: float) -> Advice | None:
    """Warn of tubes whose unequal resistance shifts the taps' mean."""
    u_flow = 0.5 * tubes.u_reading_rel(spread_rel)
    if u_flow <= MOST_TUBE_ERROR_REL:
        return None
    weights = ", ".join(f"{w:.4f}" for w in tubes.weights)
    return Advice(
        "unequal taps", u_flow, MOST_TUBE_ERROR_REL, "1",
        f"The taps count with {weights}; if their pressures scatter by {spread_rel:.0%}, the flow is off by "
        f"{u_flow:.1%} (standard). Cut the tubes to one length.",
        "Air goes through the chip, so each tap counts with one over its tube's resistance.",
        "arithmetic: laminar flow in tubes; half of dp's error goes into the flow; limit of 0.5 %: own choice",
    )  # fmt: skip


def tube_loss(tubes: Tubes, temp_c: float) -> Advice | None:
    """Warn of tubes that take more than 1 % of dp in a chip that air goes through."""
    loss = tubes.loss_rel(temp_c)
    if loss <= MOST_TUBE_LOSS_REL:
        return None
    return Advice(
        "tubes too narrow", loss, MOST_TUBE_LOSS_REL, "1",
        f"The tubes of both rings take {loss:.1%} of dp. Shorter or wider tubes; and other tubes void the calibration.",
        "Air goes through the chip and loses pressure on its way, G R / (1 + G R) of it.",
        "arithmetic: laminar flow in tubes; chip's 0.34 ml/min at each pascal: memory; limit of 1 %: own choice",
    )  # fmt: skip


def back_pressure(high: Expected, most_share: float, limit_pa: float | None) -> Advice | None:
    """Warn of a hood that takes more than its share of the branch's pressure, or more than `limit_pa`."""
    flow = f"At {m3h(high.flow_m3_s):.4g} m3/h"
    cure = "A wider bore, or correct for it."
    reason = "The hood's pressure is missing behind the terminal: less flows while it is on than without it."
    if limit_pa is not None and high.front_pa <= limit_pa:
        return None
    if limit_pa is None and (high.front_share is None or high.front_share <= most_share):
        return None
    if high.front_share is not None and high.front_share >= 1.0:
        text = (
            f"{flow} the hood alone needs {high.front_pa:.3g} Pa, all that the branch has: that flow can't be. {cure}"
        )
    else:
        of_it = "" if high.front_share is None else f", {high.front_share:.1%} of the branch's pressure"
        lost = "" if high.lost_rel is None else f", and {high.lost_rel:.1%} of the flow is lost"
        text = f"{flow} the hood takes {high.front_pa:.2g} Pa{of_it}{lost}. {cure}"
    if limit_pa is not None:
        text += f" {limit_pa:.2g} Pa is the most here."
        source = "arithmetic; 0.2 Pa with natural ventilation, which has a few pascals: own choice"
        return Advice("back pressure", high.front_pa, limit_pa, "Pa", text, reason, source)
    if high.front_share is None:
        return None
    source = "arithmetic: lost = 1 - sqrt(1 - dp / P0), for a branch whose pressure goes with the flow squared"
    return Advice("back pressure", high.front_share, most_share, "1", text, reason, source)


def odd_flows(flows_m3_s: list[float]) -> Advice | None:
    """Ask back where the lowest flow is small enough to be meant in L/s."""
    low = min(flows_m3_s)
    if low >= USUAL_FLOW_M3_S:
        return None
    as_l_s = m3h(low) / L_S_PER_M3_S
    return Advice(
        "flows in L/s?", m3h(low), m3h(USUAL_FLOW_M3_S), "m3/h",
        f"{m3h(low):.4g} m3/h is little for a terminal. If that was L/s, give {m3h(as_l_s):.4g} (m3/h) instead.",
        f"Flows are in m3/h; terminals mostly have {m3h(USUAL_FLOW_M3_S):.0f} to 250 m3/h. 1 L/s is 3.6 m3/h.",
        NO_SOURCE,
    )  # fmt: skip


def odd_bore(bore_m: float) -> Advice | None:
    """Ask back where a hood file's bore is small enough to be meant in cm."""
    if bore_m >= LEAST_BORE_M:
        return None
    text = (
        f"A bore of {1e3 * bore_m:.4g} mm is little for a hood. If that was cm, bore_mm has to be {1e4 * bore_m:.4g}."
    )
    reason = f"The hood file's lengths are in mm; pipe hoods mostly have {1e3 * LEAST_BORE_M:.0f} to 200 mm."
    return Advice("bore in cm?", 1e3 * bore_m, 1e3 * LEAST_BORE_M, "mm", text, reason, NO_SOURCE)


def no_straightener(design: Design) -> Advice | None:
    """Warn of a hood that is known to have no straightener."""
    if design.straightener is not False:
        return None
    reason = "Terminals make swirl, and swirl in the vane's sense is read as flow, another amount at each terminal."
    text = "There is no straightener in front of the vane (0 of 1)."
    return Advice("no straightener", 0.0, 1.0, "straighteners", text, reason, NO_SOURCE)


def overdue(due: datetime.date, today: datetime.date) -> Advice | None:
    """Warn of a calibration past its due date."""
    late = (today - due).days
    if late <= 0:
        return None
    text = f"The calibration was due on {due.isoformat()}, {late} days ago. Calibrate again, or check one flow."
    reason = "Dirt, bearings and dents change k without a sign; the date is the one that was set at the calibration."
    return Advice("calibration overdue", float(late), 0.0, "days", text, reason, NO_SOURCE)


def missing(hood: Hood) -> list[tuple[str, str]]:
    """Return what the hood file leaves out, as pairs of key and what that costs."""
    vane, taps = hood.vane, hood.taps
    one_table = hood.directions is None and not ((vane and vane.extract) or (taps and taps.extract))
    gaps: list[tuple[bool, str, str]] = [
        (vane is None, "vane", "only the taps read; no check of one channel against the other"),
        (taps is None, "taps", "only the vane reads: no direction, nothing under its start speed, no second channel"),
        (one_table, "directions", "both directions use one set of constants; a pipe hood reads them differently"),
        (hood.placement is None, "placement", "what a new placement changes is in no reading's uncertainty"),
        (hood.calibration is None, "calibration", "no date, due date or record: nothing says where k and c are from"),
        (vane is not None and vane.range_m3h is None, "vane.range_m3h",
         "flows outside the calibration are not recognised"),
        (taps is not None and taps.range_m3h is None, "taps.range_m3h",
         "flows outside the calibration are not recognised"),
        (vane is not None and vane.response_length_m is None, "vane.response_length_m",
         "0.2 to 1 m is assumed; over-reading in fluctuating air is uncertainty only"),
        (taps is not None and taps.reference_pressure_pa is None, "taps.reference_pressure_pa",
         "right for a membrane chip; a flow-through chip reads some 5 % of dp wrong without it"),
        (taps is not None and hood.resistance is None, "resistance",
         "the taps' pressure is taken as all of the hood's back pressure"),
        (hood.altitude_m is None, "altitude_m", "with no barometer in the trace, sea level is assumed"),
    ]  # fmt: skip
    return [(key, cost) for gap, key, cost in gaps if gap]
