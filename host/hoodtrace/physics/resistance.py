"""What a hood puts in the air's way: the pressure in front of the terminal as a law of the flow, and what drives it.

The law comes from the hood's own taps: with the hood open their pressure goes with the flow, and `taps_share` is the
pressure in front of the terminal over theirs. A branch gives q = B (P0 - dp)^n, P0 the pressure available to it; so a
hood that takes dp lowers its flow by (1 - dp/P0)^n. Plain numbers in, plain numbers out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hoodtrace.errors import HoodError
from hoodtrace.physics.air import STANDARD_PRESSURE_PA
from hoodtrace.physics.hood import Hood
from hoodtrace.units import KELVIN_AT_0_C

GRAVITY_M_S2 = 9.80665
AIR_KG_MOL = 0.0289652
GAS_J_MOL_K = 8.314462618
HOOD_MOST_NATURAL_PA = 0.2
"""What a hood may take where the stack alone drives the air."""
NATURAL_PA = 10.0
"""Branch pressures under this are those of natural ventilation (own choice)."""


@dataclass(frozen=True, slots=True)
class HoodLaw:
    """Pressure in front of the terminal over flow, hood open: share * density / 2 * v1^2 * (q / scale)^(1 / exponent).

    `scale_m3_s` is the flow at 2 dp / density = 1 m2/s2 (c times the area); `u_scale_rel`, `u_exponent` and their
    correlation `r` are those of the taps' calibration, `u_share_rel` and `u_density_rel` stand beside them.
    """

    scale_m3_s: float
    exponent: float
    share: float
    density_kg_m3: float
    u_scale_rel: float = 0.0
    u_exponent: float = 0.0
    r: float = 0.0
    u_share_rel: float = 0.0
    u_density_rel: float = 0.0

    def taps_pa(self, flow_m3_s: float) -> float:
        """Return what the taps read at a flow >= 0, Pa."""
        return 0.5 * self.density_kg_m3 * float((flow_m3_s / self.scale_m3_s) ** (1.0 / self.exponent))

    def pa(self, flow_m3_s: float) -> float:
        """Return the pressure in front of the terminal at a flow >= 0, Pa.

        Examples
        --------
        Quadratic, K = 0.00025 Pa/(m3/h)^2 at 68.2288 m3/h:

        >>> law = HoodLaw(scale_m3_s=1.0, exponent=0.5, share=1.0, density_kg_m3=2 * 0.00025)
        >>> round(law.pa(68.2288239221013), 10)
        1.1637931034
        """
        return self.share * self.taps_pa(flow_m3_s)

    def u_rel(self, flow_m3_s: float) -> float:
        """Return the relative standard uncertainty of `pa` at a flow that is itself exact."""
        # ln dp = ln(q / scale) / n + ...; the log of 2 dp / density is what the exponent multiplies.
        by_scale = self.u_scale_rel / self.exponent
        log_speed2 = math.log(flow_m3_s / self.scale_m3_s) / self.exponent if flow_m3_s > 0.0 else 0.0
        by_exponent = log_speed2 * self.u_exponent / self.exponent
        taps = by_scale**2 + by_exponent**2 + 2.0 * self.r * by_scale * by_exponent
        return math.sqrt(max(taps, 0.0) + self.u_share_rel**2 + self.u_density_rel**2)


def law_of(hood: Hood, direction: str, density_kg_m3: float, u_density_rel: float = 0.0) -> HoodLaw:
    """Return the law of `hood` in `direction` for air of `density_kg_m3`.

    Raises
    ------
    HoodError
        The hood has no taps.
    """
    taps = hood.taps_for(direction)
    if taps is None:
        raise HoodError(hood.name, "has no [taps] table, so nothing says what the hood resists. Calibrate its taps.")
    share, u_share = (1.0, 0.0) if hood.resistance is None else (
        hood.resistance.taps_share, hood.resistance.u_taps_share_rel
    )  # fmt: skip
    return HoodLaw(
        taps.c * hood.area_m2,
        taps.exponent,
        share,
        density_kg_m3,
        taps.u_c_rel,
        taps.u_exponent,
        taps.r_c_exponent,
        u_share,
        u_density_rel,
    )


def kept_share(dp_pa: float, branch_pa: float, exponent: float = 0.5) -> float:
    """Return the part of a branch's flow that is left under `dp_pa` of back pressure, 0 to 1.

    Parameters
    ----------
    dp_pa : float
        Pressure in front of the terminal, Pa, >= 0.
    branch_pa : float
        Pressure available to the branch, Pa, > 0.
    exponent : float
        n of q = B (P0 - dp)^n, 0.5 for turbulent, 1 for laminar flow.

    References
    ----------
    Own derivation: q/q0 = ((P0 - dp)/P0)^n. Holds for any law of the hood.

    Examples
    --------
    >>> round(100 * (1 - kept_share(0.10, 1.0)), 4)
    5.1317
    """
    return float(max(0.0, 1.0 - dp_pa / branch_pa) ** exponent)


def known_stack_pa(
    height_m: float | None, outside_c: float | None, inside_c: float | None, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float | None:
    """Return `stack_pa` where all of it is known, else None."""
    if height_m is None or outside_c is None or inside_c is None:
        return None
    return stack_pa(height_m, outside_c, inside_c, pressure_pa)


def stack_pa(height_m: float, outside_c: float, inside_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Return the pressure that a column of warm air drives, Pa; negative where it is colder inside.

    Parameters
    ----------
    height_m : float
        Height between the openings, m.
    outside_c, inside_c : float
        Temperatures, degrees Celsius; dry air is taken on both sides (moist air: a few percent more).
    pressure_pa : float
        Barometric pressure, Pa.

    References
    ----------
    Hydrostatics of an ideal gas, dp = p g M / R h (1/To - 1/Ti); own derivation.

    Examples
    --------
    >>> round(stack_pa(5.0, 0.0, 20.0), 3)
    4.323
    """
    outside_k, inside_k = outside_c + KELVIN_AT_0_C, inside_c + KELVIN_AT_0_C
    per_m = pressure_pa * GRAVITY_M_S2 * AIR_KG_MOL / GAS_J_MOL_K
    return per_m * height_m * (1.0 / outside_k - 1.0 / inside_k)


def natural_warning(branch_pa: float, dp_pa: float, exponent: float = 0.5) -> str | None:
    """Return what a branch with only a few pascals deserves to be told, None for others.

    Examples
    --------
    >>> natural_warning(4.32, 1.0).split(":")[1].split(",")[0]
    ' the hood takes 1.00 Pa'
    """
    if not branch_pa < NATURAL_PA:
        return None
    lost = 1.0 - kept_share(dp_pa, branch_pa, exponent)
    words = (
        f"natural ventilation, {branch_pa:.2f} Pa in all: the hood takes {dp_pa:.2f} Pa, which is "
        f"{100.0 * dp_pa / branch_pa:.0f} % of it, and {100.0 * lost:.1f} % of the flow is lost; "
    )
    if dp_pa > HOOD_MOST_NATURAL_PA:
        words += (
            f"a hood for this should stay under {HOOD_MOST_NATURAL_PA:g} Pa, so take a wider one or trust only the "
            "corrected flow; "
        )
    return words + (
        "wind changes more than this from gust to gust: repeat the readings, open and restricted in turn, over some "
        "minutes, and do not trust one pair"
    )
