"""The vane: speed from frequency, and the over-reading against a vane that is stepped through drawn air."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoodtrace.physics.hood import Vane
from hoodtrace.physics.vane import over_reading_rel, speed_m_s

VANE = Vane(offset_m_s=0.14, gain_m_s_per_hz=0.047, start_m_s=0.25, k=0.93, u_k_rel=0.02)


def test_speed_is_offset_and_gain_and_nothing_where_the_vane_stands() -> None:
    found = speed_m_s(np.array([[0.0, 10.0], [0.5, 40.0]]), VANE)
    assert found == pytest.approx(np.array([[0.0, 0.61], [0.1635, 2.02]]))


@pytest.mark.parametrize("length_m", [0.2, 1.0])
@pytest.mark.parametrize("tau_s", [0.25, 1.0])
def test_over_reading_of_a_vane_stepped_through_drawn_air(length_m: float, tau_s: float) -> None:
    """dv_i/dt = v (v - v_i) / L, air an Ornstein-Uhlenbeck process: the textbook model of a rotating anemometer."""
    speed, index, step_s, n_records = 1.5, 0.1, 0.01, 400
    rng = np.random.default_rng([33, round(10 * length_m), round(100 * tau_s)])
    keep = math.exp(-step_s / tau_s)
    air = index * rng.standard_normal(n_records)
    shown = np.full(n_records, speed)
    excess = []
    for i in range(12_000):
        v = speed * (1 + air)
        # The step's exact answer for a speed that stays through it.
        shown = v + (shown - v) * np.exp(-v * step_s / length_m)
        air = keep * air + index * math.sqrt(1 - keep**2) * rng.standard_normal(n_records)
        if i >= 1000:
            excess.append(float(np.mean(shown - v)))
    found = float(np.mean(excess)) / speed
    # Terms of the next order, I^2 of the whole, and the step (its half against the air's own time) are left out.
    allowed = 4 * index**2 + step_s / tau_s
    assert found == pytest.approx(over_reading_rel(index, speed, length_m, tau_s), rel=allowed)


@pytest.mark.parametrize(("index", "most"), [(0.05, 0.0025), (0.10, 0.01), (0.20, 0.04), (0.30, 0.09)])
def test_fast_air_is_the_worst(index: float, most: float) -> None:
    # Excess goes to I^2 for air much faster than the vane: the classical limit (Kristensen, Busch 1976, seen).
    assert over_reading_rel(index, 2.0, 0.5, 0.0) == pytest.approx(most)
    some = [over_reading_rel(index, 2.0, 0.5, tau_s) for tau_s in (0.01, 0.1, 1.0, 10.0)]
    assert some == sorted(some, reverse=True)
    assert 0 < some[-1] < some[0] < most
