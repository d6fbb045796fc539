"""From a reading to what a calibration needs of it: the hood's signals before k and c, with their random uncertainty.

What the constants of the hood file did to a reading is taken back, so that the points of a calibration do not depend on
the constants it began with; only offset and gain of the vane stay in, and the found zero of the taps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hoodtrace.averaging.reading import Averaged
from hoodtrace.calibration.points import Common
from hoodtrace.errors import MeasurementError
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.taps import u_air_rel


@dataclass(frozen=True, slots=True)
class Signals:
    """A reading's signals, m/s, each with its random standard uncertainty; None where the channel says nothing.

    `vane_m_s` is offset + gain * frequency, `taps_m_s` is sqrt(2 dp / density); `air_density_kg_m3` at the hood.
    `taps_common` are the taps' errors that the points of a session share, relative to the flow: their zero, and the air
    by whose density and pressure they are read.
    """

    direction: str
    vane_m_s: float | None
    u_vane_m_s: float | None
    taps_m_s: float | None
    u_taps_m_s: float | None
    air_density_kg_m3: float
    taps_common: tuple[Common, ...]


def signals(averaged: Averaged, hood: Hood, direction: str) -> Signals:
    """Return the signals of a reading taken with the constants of `hood`.

    Parameters
    ----------
    averaged : Averaged
        A plateau's reading.
    hood : Hood
        The hood file that it was read with.
    direction : str
        "supply" or "extract": what the person says; the taps' sign must not say the opposite.

    Raises
    ------
    MeasurementError
        It is no reading, its air goes the other way, or neither channel says anything.

    Notes
    -----
    The channels of a hood that is not calibrated yet may well disagree; that is no reason to refuse.
    """
    if averaged.refusal is not None:
        raise MeasurementError(f"the hood gave no reading ({averaged.refusal}): hold it on longer, with steadier air")
    if averaged.direction not in (direction, "unknown"):
        raise MeasurementError(
            f"the air went the other way: the hood saw {averaged.direction}, this point is {direction}. Turn the fan "
            "or the tubes round, or calibrate the other direction"
        )
    air = averaged.air
    if air is None or not averaged.flow_m3_s > 0.0:
        raise MeasurementError("the hood gave no flow: is air going through it?")
    random_rel = averaged.u_random_m3_s / averaged.flow_m3_s
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    vane_m_s = taps_m_s = None
    taps_common: tuple[Common, ...] = ()
    if averaged.vane_m3_s is not None and vane is not None:
        vane_m_s = averaged.vane_m3_s / (vane.k * hood.area_m2)
    if averaged.taps_m3_s is not None and taps is not None:
        taps_m_s = (averaged.taps_m3_s / (taps.c * hood.area_m2)) ** (0.5 / taps.exponent)
        dp_pa = air.density_kg_m3 * taps_m_s**2 / 2.0
        taps_common = (
            Common("zero of the hood's taps", taps.exponent * taps.u_zero_pa / dp_pa),
            Common("air at the hood's taps", math.hypot(*u_air_rel(taps, air))),
        )
    if vane_m_s is None and taps_m_s is None:
        raise MeasurementError("neither channel says anything of this air: more flow is needed")
    return Signals(
        direction,
        vane_m_s,
        None if vane_m_s is None else vane_m_s * random_rel,
        taps_m_s,
        None if taps_m_s is None else taps_m_s * random_rel,
        air.density_kg_m3,
        taps_common,
    )
