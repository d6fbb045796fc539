"""The pressure channel: from counts to pascals to flow.

A thermal flow-through sensor reads in proportion to the density of the air in it: true dp = reading times reference
pressure over barometric pressure (SDP8xx data sheet: calibrated at 966 hPa; seen).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hoodtrace.physics.air import Air, density_sensitivity
from hoodtrace.physics.hood import Taps

FloatArray = NDArray[np.float64]

RATED_COUNTS = 30000
"""Rated range of the chip in counts: +-125 Pa at 240 counts/Pa, +-500 Pa at 60 counts/Pa (data sheet; seen)."""


def pressure_factor(taps: Taps, air: Air) -> float:
    """Factor from the chip's reading to the true differential pressure (1 for a membrane sensor).

    Examples
    --------
    1013.25 hPa gives 0.9533678757 (from the data sheet's formula).
    """
    return 1.0 if taps.reference_pressure_pa is None else taps.reference_pressure_pa / air.pressure_pa


def u_air_rel(taps: Taps, air: Air) -> tuple[float, float]:
    """Relative standard uncertainties of a flow by the taps from the air's.

    Returns
    -------
    tuple of float
        From its temperature and humidity, which only its density goes by, and from its pressure, which a flow-through
        chip reads by too (`pressure_factor`).
    """
    by_temp, by_rh, by_pressure = density_sensitivity(air)
    through_flow = 1.0 if taps.reference_pressure_pa is not None else 0.0
    by_density = math.hypot(by_temp * air.u_temp_c, by_rh * air.u_rh_pct)
    by_both = (by_pressure + through_flow) * air.u_pressure_pa / air.pressure_pa
    return taps.exponent * by_density, taps.exponent * by_both


def flow_m3_s(dp_pa: FloatArray, area_m2: float, taps: Taps, density_kg_m3: float) -> FloatArray:
    """Flow in m3/s (any shape) from the true differential pressure, with the sign of `dp_pa`."""
    speed2 = 2.0 * np.abs(dp_pa) / density_kg_m3
    return np.sign(dp_pa) * taps.c * area_m2 * (np.sqrt(speed2) if taps.exponent == 0.5 else speed2**taps.exponent)


def by_exponent_m3_s(root_m3_s: float, area_m2: float, taps: Taps) -> float:
    """Flow by the exponent of `taps`, m3/s, from the flow `root_m3_s` >= 0 that an exponent of 0.5 would give."""
    if taps.exponent == 0.5:
        return root_m3_s
    scale_m3_s = taps.c * area_m2  # at 1 m/s
    return float(scale_m3_s * (root_m3_s / scale_m3_s) ** (2.0 * taps.exponent))


def steady_dp_pa(mean_pa: float, variance_pa2: float) -> float:
    """Differential pressure that the mean flow alone would make, Pa.

    The flow goes with the root of dp, so neither the mean of roots (biased near zero by the chip's noise) nor the
    root of the mean (which carries the air's own fluctuation) is the mean flow. For a fluctuation of Gaussian flow
    q = Q + s: <dp> = K (Q^2 + s^2) and var(dp) = K^2 (4 Q^2 s^2 + 2 s^4), hence K Q^2 = sqrt(<dp>^2 - var/2).

    Parameters
    ----------
    mean_pa : float
        Mean of dp; its sign is kept. The chip's white noise does not bias it.
    variance_pa2 : float
        Variance of dp without the chip's noise, Pa^2.

    Returns
    -------
    float
        Pa; 0 where the fluctuation is as large as the mean.

    References
    ----------
    Own derivation from the moments of a Gaussian.

    Examples
    --------
    >>> steady_dp_pa(4.0, 0.0)
    4.0
    """
    rest = mean_pa**2 - variance_pa2 / 2.0
    return math.copysign(math.sqrt(rest), mean_pa) if rest > 0.0 else 0.0
