"""What a pipe hood will show and take at a flow, built or not: speed, Reynolds number, edges, pressures, flow lost.

`Design` is all that the arithmetic needs; `design_of` makes one from a hood file. `expect` works out one flow,
`choose_bore` the bore that keeps the hood's pressure under a limit while the vane still turns at the lowest flow.
Flows are those through the hood, m3/s. The pressure in front of the terminal comes from the taps where the hood is
calibrated, else from loss coefficients in `LOSSES`: an estimate, with its range. Reads no file, prints nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from hoodtrace.physics.air import Air, assumed_air
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.resistance import HoodLaw, kept_share, law_of
from hoodtrace.physics.taps import RATED_COUNTS
from hoodtrace.units import KELVIN_AT_0_C

CLEARLY = 1.3
"""Air this much over its start speed turns a vane for certain (own choice, the same as in finding holds)."""
COMMON_BORES_MM = (75, 80, 90, 100, 110, 125, 150, 160, 200)
"""Pipe sizes that can be bought (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Loss:
    """One loss coefficient, in velocity heads of the bore: usual value, lowest, highest, and where they come from."""

    name: str
    usual: float
    low: float
    high: float
    source: str


ENTRY = Loss(
    "entry", 0.5, 0.1, 1.1, "handbooks, seen quoted by libraries: sharp 0.5, free thin edge 0.8 to 1.1, round 0.1"
)
STRAIGHTENER = Loss("straightener", 0.25, 0.1, 0.75, "memory: thin radial vanes 0.25, a bundle of tubes 0.75")
VANE = Loss("vane", 0.4, 0.1, 1.0, "own estimate, no source: hub, spokes and a free-running rotor")
EXIT = Loss("exit", 1.0, 1.0, 1.1, "handbooks, seen in a library: the whole velocity head; uneven profile: memory")


@dataclass(frozen=True, slots=True)
class Design:
    """A hood as far as the arithmetic needs it; None where something is not known.

    `k` and `c` as in the hood file: flow = k * area * vane speed, flow = c * area * sqrt(2 dp / density). `law` is the
    calibrated taps' law, which then stands in place of `c` and of the estimate by loss coefficients.
    """

    bore_m: float
    length_m: float
    air: Air
    straightener: bool | None = None
    k: float = 1.0
    start_m_s: float | None = None
    offset_m_s: float = 0.0
    gain_m_s_per_hz: float | None = None
    has_taps: bool = True
    c: float | None = None
    law: HoodLaw | None = None
    u_zero_pa: float = 0.02
    reference_pressure_pa: float | None = None

    @property
    def area_m2(self) -> float:
        """Cross-section of the bore, m2."""
        return math.pi / 4.0 * self.bore_m**2


@dataclass(frozen=True, slots=True)
class Expected:
    """What to expect at one flow; None where the design does not say. `_low`, `_high` bound the estimate.

    `speed_m_s` is the bore's mean, `vane_m_s` what the vane shows (speed over k). `taps_step_rel` and `u_zero_rel` are
    one count of the chip and the zero's standard uncertainty as a share of the flow. `front_pa` is the hood's back
    pressure, `front_share` its share of the branch's pressure, `lost_rel` the flow lost with it (1 = all).
    """

    flow_m3_s: float
    speed_m_s: float
    reynolds: float
    vane_m_s: float
    start_ratio: float | None
    edge_hz: float | None
    taps_pa: float | None
    chip_pa: float | None
    taps_step_rel: float | None
    u_zero_rel: float | None
    front_pa: float
    front_low_pa: float
    front_high_pa: float
    front_share: float | None
    lost_rel: float | None
    lost_low_rel: float | None
    lost_high_rel: float | None


@dataclass(frozen=True, slots=True)
class BoreChoice:
    """The bore for a limit of pressure and a vane.

    `least_m` keeps the hood under `limit_pa` at the highest flow by the usual coefficients, `least_sure_m` by the
    highest ones; up to `most_m` the vane turns at the lowest flow. `advised_mm` and `sure_mm` are the smallest pipe
    sizes between, None where there is none.
    """

    limit_pa: float
    least_m: float
    least_sure_m: float
    most_m: float | None
    advised_mm: int | None
    sure_mm: int | None


def design_of(hood: Hood, direction: str, straightener: bool | None = None) -> Design:
    """Return the design that a hood file describes, for "supply" or "extract", in the air assumed at its altitude."""
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    design = Design(
        hood.pipe.bore_mm / 1000.0, hood.pipe.length_mm / 1000.0, assumed_air(hood.altitude_m), straightener
    )
    if vane is not None:
        design = replace(
            design,
            k=vane.k,
            start_m_s=vane.start_m_s,
            offset_m_s=vane.offset_m_s,
            gain_m_s_per_hz=vane.gain_m_s_per_hz,
        )
    if taps is None:
        return replace(design, has_taps=False)
    return replace(
        design,
        law=law_of(hood, direction, design.air.density_kg_m3),
        u_zero_pa=taps.u_zero_pa,
        reference_pressure_pa=taps.reference_pressure_pa,
    )


def viscosity_pa_s(temp_c: float) -> float:
    """Dynamic viscosity of air, Pa s, -40 to 60 C; humidity changes it by less than 0.1 % there.

    References
    ----------
    Sutherland's formula with the constants of the U.S. Standard Atmosphere 1976 (memory; checked against CoolProp).

    Examples
    --------
    >>> round(viscosity_pa_s(20.0) * 1e5, 3)
    1.813
    """
    kelvin = temp_c + KELVIN_AT_0_C
    return float(1.458e-6 * kelvin**1.5 / (kelvin + 110.4))


def reynolds(speed_m_s: float, bore_m: float, air: Air) -> float:
    """Reynolds number of the bore."""
    return speed_m_s * bore_m * air.density_kg_m3 / viscosity_pa_s(air.temp_c)


def losses(design: Design, speed_m_s: float) -> list[Loss]:
    """Return the loss coefficients of the hood at a mean speed in the bore; without a word on it, with straightener.

    Friction is that of a smooth pipe: laminar 64/Re, else Blasius 0.3164 Re^-0.25 (both memory), whichever is larger.
    """
    re = reynolds(speed_m_s, design.bore_m, design.air)
    friction = max(64.0 / re, 0.3164 / re**0.25) * design.length_m / design.bore_m
    wall = Loss("wall", friction, 0.5 * friction, 2.0 * friction, "smooth pipe (memory); half to twice: own choice")
    parts = [ENTRY, STRAIGHTENER, VANE, wall, EXIT]
    return [part for part in parts if part is not STRAIGHTENER or design.straightener is not False]


def front_pa(design: Design, flow_m3_s: float, which: str = "usual") -> float:
    """Back pressure of a hood with no calibrated taps, Pa; `which` is "low", "usual" or "high"."""
    speed = flow_m3_s / design.area_m2
    return math.fsum(getattr(part, which) for part in losses(design, speed)) * _head_pa(design, speed)


def expect(design: Design, flow_m3_s: float, branch_pa: float | None = None, chip_range_pa: float = 125.0) -> Expected:
    """Return what to expect at `flow_m3_s` (> 0) with `branch_pa` behind it and a chip of that rated range."""
    speed = flow_m3_s / design.area_m2
    vane = speed / design.k
    start_ratio = vane / design.start_m_s if design.start_m_s else None
    edge_hz = None
    if design.gain_m_s_per_hz is not None:
        stands = start_ratio is not None and start_ratio < 1.0
        edge_hz = 0.0 if stands else max(0.0, vane - design.offset_m_s) / design.gain_m_s_per_hz
    taps = _taps_pa(design, flow_m3_s)
    if design.law is not None:
        usual, spread = design.law.pa(flow_m3_s), 2.0 * design.law.u_rel(flow_m3_s)
        fronts = usual, usual * max(0.0, 1.0 - spread), usual * (1.0 + spread)
    else:
        fronts = front_pa(design, flow_m3_s), front_pa(design, flow_m3_s, "low"), front_pa(design, flow_m3_s, "high")
    lost = [None if branch_pa is None else 1.0 - kept_share(front, branch_pa) for front in fronts]
    exponent = 0.5 if design.law is None else design.law.exponent
    chip = taps
    if taps is not None and design.reference_pressure_pa is not None:
        chip = taps * design.air.pressure_pa / design.reference_pressure_pa
    return Expected(
        flow_m3_s,
        speed,
        reynolds(speed, design.bore_m, design.air),
        vane,
        start_ratio,
        edge_hz,
        taps,
        chip,
        None if not chip else exponent * chip_range_pa / RATED_COUNTS / chip,
        None if not taps else exponent * design.u_zero_pa / taps,
        *fronts,
        None if branch_pa is None else fronts[0] / branch_pa,
        *lost,
    )


def choose_bore(design: Design, flows_m3_s: list[float], limit_pa: float) -> BoreChoice:
    """Return the bore that keeps the hood under `limit_pa` at the highest flow, its vane turning at the lowest."""

    def least(which: str) -> float:
        return _root(lambda bore_m: front_pa(replace(design, bore_m=bore_m), max(flows_m3_s), which) - limit_pa)

    usual, sure = least("usual"), least("high")
    most = None
    if design.start_m_s:
        most = math.sqrt(4.0 / math.pi * min(flows_m3_s) / (design.k * CLEARLY * design.start_m_s))

    def size(at_least_m: float) -> int | None:
        fits = (mm for mm in COMMON_BORES_MM if at_least_m <= mm / 1000.0 <= (most or math.inf))
        return next(fits, None)

    return BoreChoice(limit_pa, usual, sure, most, size(usual), size(sure))


def bore_row(design: Design, choice: BoreChoice, flows_m3_s: list[float]) -> dict[str, float | int | None]:
    """Return the choice in mm, with what the hood does at each of its ends.

    `vane_at_least_m_s` is the vane's speed in the bore that the pressure needs, `front_at_most_pa` the hood's pressure
    in the widest bore that the vane allows.
    """
    wanted = None if design.start_m_s is None else CLEARLY * design.start_m_s
    at_least_m_s = min(flows_m3_s) / replace(design, bore_m=choice.least_m).area_m2 / design.k
    at_most_pa = None if choice.most_m is None else front_pa(replace(design, bore_m=choice.most_m), max(flows_m3_s))
    return {
        "limit_pa": choice.limit_pa,
        "least_mm": 1000.0 * choice.least_m,
        "least_sure_mm": 1000.0 * choice.least_sure_m,
        "most_mm": None if choice.most_m is None else 1000.0 * choice.most_m,
        "advised_mm": choice.advised_mm,
        "sure_mm": choice.sure_mm,
        "vane_wanted_m_s": wanted,
        "vane_at_least_m_s": at_least_m_s,
        "front_at_most_pa": at_most_pa,
    }


def _head_pa(design: Design, speed_m_s: float) -> float:
    return float(0.5 * design.air.density_kg_m3 * speed_m_s**2)


def _taps_pa(design: Design, flow_m3_s: float) -> float | None:
    """Pressure between the taps; where c is not known, that of straightener and vane, which lie between the rings."""
    speed = flow_m3_s / design.area_m2
    if design.law is not None:
        return design.law.taps_pa(flow_m3_s)
    if not design.has_taps:
        return None
    if design.c is None:
        between = [part for part in losses(design, speed) if part in (STRAIGHTENER, VANE)]
        return math.fsum(part.usual for part in between) * _head_pa(design, speed)
    return _head_pa(design, speed / design.c)


def _root(falling: Callable[[float], float], low_m: float = 1e-3, high_m: float = 10.0) -> float:
    """Return the bore at which `falling` passes zero, by halving in the logarithm; one of the ends if it never does."""
    for _ in range(60):
        middle_m = math.sqrt(low_m * high_m)
        low_m, high_m = (middle_m, high_m) if falling(middle_m) > 0.0 else (low_m, middle_m)
    return high_m
