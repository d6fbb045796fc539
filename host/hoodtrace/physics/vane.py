"""The vane channel: from edge counts to speed and flow, and what its inertia does in fluctuating air."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hoodtrace.physics.hood import Vane

FloatArray = NDArray[np.float64]

RESPONSE_LENGTH_RANGE_M = (0.2, 1.0)
"""What a response length may be where the hood file gives none ("Formats" in DEVELOPERS.md, hood file)."""


def speed_m_s(frequency_hz: FloatArray, vane: Vane) -> FloatArray:
    """Air speed at the vane, m/s, from edge `frequency_hz` (any shape); 0 where the vane stands."""
    return np.where(frequency_hz > 0.0, vane.offset_m_s + vane.gain_m_s_per_hz * frequency_hz, 0.0)


def over_reading_rel(turbulence: float, speed: float, length_m: float, correlation_s: float) -> float:
    """Relative over-reading of a vane in fluctuating air.

    Parameters
    ----------
    turbulence : float
        Standard deviation of the air's speed over its mean, dimensionless.
    speed : float
        Mean speed, m/s, > 0.
    length_m : float
        Response length of the vane, m.
    correlation_s : float
        Integrated correlation of the air's speed, s.

    References
    ----------
    Own derivation from dv_i/dt = v (v - v_i) / L (the classical form for rotating anemometers, L. Kristensen,
    N. E. Busch 1976): the mean of both sides gives I^2 - <v' v_i'>/v^2, and for air with exponential correlation
    the covariance is I^2 times tau / (tau + L/v). The limit for fast air is I^2.

    Examples
    --------
    >>> over_reading_rel(0.2, 1.0, 1.0, 0.0)
    0.04000000000000001
    """
    lag_s = length_m / speed
    return turbulence**2 * lag_s / (lag_s + correlation_s)
