"""Timed volume: a bag or drum of known volume is filled, and the seconds are counted.

The volume's error is shared by all points with that bag; the timing is new in each filling. The bag's air is at the
bag's temperature: the flow is taken to the air at the hood. The bag counts as full before it pressurises.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hoodtrace.calibration.points import Common, ReferenceFlow
from hoodtrace.calibration.references import checked, checked_flow, checked_temp, excess, reference, stated
from hoodtrace.errors import MeasurementError
from hoodtrace.physics.air import Air
from hoodtrace.units import KELVIN_AT_0_C, m3h

U_TIME_S = 0.2
"""Standard uncertainty of one filling timed by hand, s (common practice, no source)."""

U_TEMP_K = 0.5
"""Standard uncertainty of each of the two temperatures, K (common practice, no source)."""

SHORTEST_S = 5.0
"""A filling shorter than this is timed to worse than 4 % and gets a warning."""

LONGEST_S = 300.0
"""Longer than this no fan and no wind holds still and the bag's leak counts (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag or drum: volume m3, its relative standard uncertainty with degrees of freedom, how it is timed."""

    name: str
    volume_m3: float
    u_volume_rel: float
    dof_volume: float = math.inf
    u_time_s: float = U_TIME_S
    u_temp_k: float = U_TEMP_K
    n_fillings: int = 1
    kind: str = "timed volume"

    def limits_m3_s(self, air: Air) -> tuple[float, float]:
        """Lowest and highest flow, m3/s: fillings of 300 s and of 5 s."""
        return self.volume_m3 / LONGEST_S, self.volume_m3 / SHORTEST_S

    def u_rel_at(self, flow_m3_s: float, air: Air) -> float:
        """Relative standard uncertainty at this flow with `n_fillings` fillings."""
        time_s = self.volume_m3 / flow_m3_s
        u_temp = math.sqrt(2.0) * self.u_temp_k / (air.temp_c + KELVIN_AT_0_C)
        return math.hypot(self.u_volume_rel, u_temp, self.u_time_s / time_s / math.sqrt(self.n_fillings))


def timed_volume(bag: Bag, times_s: Sequence[float], bag_temp_c: float, hood_temp_c: float) -> ReferenceFlow:
    """Flow at the hood's air from the times in which the bag was filled.

    Parameters
    ----------
    bag : Bag
        Volume with its uncertainty; `u_time_s` is that of one filling.
    times_s : sequence of float
        Seconds of each filling, all at one flow. From three on, scatter beyond `u_time_s` is added with its degrees of
        freedom.
    bag_temp_c, hood_temp_c : float
        Temperature of the air in the full bag and at the hood, C.

    Returns
    -------
    ReferenceFlow
        Own: timing. Shared: the volume of this bag, and the two thermometers.

    Raises
    ------
    UsageError
        No uncertainty, or a number that looks like another unit.
    MeasurementError
        Fillings that differ so much that the flow did not hold.

    References
    ----------
    Own derivation: same mass, pressure and water content in both places, so volumes go as absolute temperatures.

    Examples
    --------
    >>> found = timed_volume(Bag("bag", 0.120, 0.01), [8.64], 20.0, 20.0)
    >>> round(found.flow_m3_s * 3600.0, 6)
    50.0
    """
    _check(bag, times_s, bag_temp_c, hood_temp_c)
    n = len(times_s)
    time_s = math.fsum(times_s) / n
    hood_k = hood_temp_c + KELVIN_AT_0_C
    ratio = hood_k / (bag_temp_c + KELVIN_AT_0_C)
    flow = bag.volume_m3 / time_s * ratio
    checked_flow(flow, f"the flow of {1000 * bag.volume_m3:g} l in {time_s:g} s")
    own = {"timing": bag.u_time_s / time_s / math.sqrt(n)}
    dof = math.inf
    if n >= 3:
        u_scatter_s, n_free = excess(times_s, bag.u_time_s)
        if u_scatter_s > 0.0:
            own["scatter of the fillings beyond the timing"] = u_scatter_s / time_s
            dof = n_free * (math.hypot(*own.values()) / (u_scatter_s / time_s)) ** 4
    common = [Common(f"volume of {bag.name} ({1000 * bag.volume_m3:g} l)", bag.u_volume_rel, bag.dof_volume)]
    if bag.u_temp_k > 0.0:
        common.append(Common("temperatures of bag and hood", math.sqrt(2.0) * bag.u_temp_k / hood_k))
    return reference(bag.kind, flow, own, dof, common, _warnings(bag, times_s, time_s, flow))


def _check(bag: Bag, times_s: Sequence[float], bag_temp_c: float, hood_temp_c: float) -> None:
    typed = bag.volume_m3
    checked(
        f"the volume of {bag.name}",
        typed,
        "m3",
        0.005,
        3.0,
        f"Were m3 typed where litres were asked ({1000 * typed:.3g} l is {typed:.3g} m3)?",
        f"Were litres meant ({typed:g} l is {typed / 1000:g} m3)?",
    )
    stated(bag.u_volume_rel, f"the volume of {bag.name}")
    checked("the uncertainty of the timing", bag.u_time_s, "s", 0.01, 5.0, high_hint="Were 1/100 s meant?")
    checked("the uncertainty of a temperature", bag.u_temp_k, "K", 0.0, 10.0)
    checked_temp(bag_temp_c, "the temperature in the bag")
    checked_temp(hood_temp_c, "the temperature at the hood")
    if not times_s:
        raise MeasurementError(f"{bag.name} was not filled once: time at least one filling, better three")
    for number, each in enumerate(times_s, 1):
        checked(
            f"filling {number} of {bag.name}",
            each,
            "s",
            1.0,
            1800.0,
            f"Were minutes meant ({each:g} min is {60 * each:.3g} s)?",
            f"Were milliseconds or hundredths meant ({each:g} ms is {each / 1000:g} s)?",
        )
    shortest, longest = min(times_s), max(times_s)
    if longest > 2.0 * shortest:
        raise MeasurementError(
            f"{bag.name}: fillings took {shortest:g} to {longest:g} s, so the flow did not hold or one time is in "
            f"another unit (minutes?); fill again at a steady flow"
        )


def _warnings(bag: Bag, times_s: Sequence[float], time_s: float, flow_m3_s: float) -> list[str]:
    warnings = []
    if min(times_s) < SHORTEST_S:
        warnings.append(
            f"{bag.name} was full in {min(times_s):.1f} s, under {SHORTEST_S:g} s: at {m3h(flow_m3_s):.0f} m3/h take "
            f"{1000 * SHORTEST_S * flow_m3_s:.0f} l or more, or another reference"
        )
    if time_s > LONGEST_S:
        warnings.append(
            f"{bag.name} took {time_s:.0f} s, over {LONGEST_S:g} s: its leak and the fan's drift are not counted; "
            f"take a smaller bag"
        )
    return warnings
