"""The steady pressure behind a fluctuating flow, against draws of Gaussian flow with the chip's noise on top."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoodtrace.physics.hood import Taps
from hoodtrace.physics.taps import flow_m3_s, steady_dp_pa

N = 400_000


@pytest.mark.parametrize("index", [0.0, 0.1, 0.25])
@pytest.mark.parametrize("steady_pa", [0.01, 0.1, 5.0])
@pytest.mark.parametrize("noise_pa", [0.0, 0.03])
@pytest.mark.parametrize("sign", [1, -1])
def test_steady_pressure_of_drawn_flow(index: float, steady_pa: float, noise_pa: float, sign: int) -> None:
    rng = np.random.default_rng([31, round(100 * index), round(100 * steady_pa), round(100 * noise_pa), sign + 1])
    q = 1.0 + index * rng.standard_normal(N)
    signal_pa = sign * steady_pa * q * np.abs(q)
    read_pa = signal_pa + noise_pa * rng.standard_normal(N)
    mean_pa, variance_pa2 = float(read_pa.mean()), float(read_pa.var()) - noise_pa**2
    # Standard errors of mean and variance of N draws; a Gaussian's variance has sqrt(2 / N), its square's more.
    # d(KQ^2) = (m dm - dv/4) / KQ^2.
    u_mean, u_variance = read_pa.std() / math.sqrt(N), read_pa.var() * math.sqrt(3 / N)
    allowed = 5 * math.hypot(mean_pa * u_mean, u_variance / 4) / steady_pa + 1e-12
    assert allowed < 0.1 * steady_pa
    assert steady_dp_pa(mean_pa, variance_pa2) == pytest.approx(sign * steady_pa, abs=allowed)


def test_near_zero_the_mean_of_roots_would_be_far_off() -> None:
    """What the function is for: noise three times the pressure makes the mean of roots wrong, not this."""
    rng = np.random.default_rng(32)
    read_pa = 0.01 + 0.03 * rng.standard_normal(N)
    taps = Taps(count=4, c=0.71, u_c_rel=0.0, zero_pa=0.0, u_zero_pa=0.0)
    root = float(flow_m3_s(read_pa, 0.0085, taps, 1.2).mean())
    steady, true = (float(flow_m3_s(np.array([dp]), 0.0085, taps, 1.2)[0]) for dp in (steady_dp_pa(0.01, 0.0), 0.01))
    assert steady == true
    assert abs(root / true - 1) > 0.1


@pytest.mark.parametrize(("mean_pa", "variance_pa2"), [(0.0, 0.0), (0.1, 0.0201), (-0.1, 0.5), (0.0, 1.0)])
def test_a_fluctuation_as_large_as_the_mean_leaves_nothing(mean_pa: float, variance_pa2: float) -> None:
    assert steady_dp_pa(mean_pa, variance_pa2) == 0.0


def test_flow_has_the_sign_of_the_pressure() -> None:
    taps = Taps(count=4, c=0.71, u_c_rel=0.0, zero_pa=0.0, u_zero_pa=0.0)
    dp_pa = np.array([-4.0, -1.0, 0.0, 1.0, 4.0])
    flow = flow_m3_s(dp_pa, 0.01, taps, 1.25)
    # c area sqrt(2 dp / density) by hand for 1 Pa: 0.71 * 0.01 * 1.264911
    one = 0.0071 * math.sqrt(1.6)
    assert flow == pytest.approx(np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) * one)
