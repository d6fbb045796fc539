"""The autocorrelation of records with holes: against numpy's own correlation, against pairs counted one by one, and
against the known law of a first-order process."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.dwelling.autocorrelation import N_FIRST, Autocorrelation, autocorrelation

Floats = NDArray[np.float64]


def found(t_s: Floats, x: Floats, correlation_s: float) -> Autocorrelation:
    one = autocorrelation(t_s, x, correlation_s)
    assert one is not None
    return one


def first_order(rng: np.random.Generator, n: int, phi: float) -> Floats:
    """A process with x[i] = phi x[i - 1] + noise, from its stationary state; its autocorrelation is phi^lag."""
    noise = rng.standard_normal(n) * math.sqrt(1.0 - phi**2)
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i in range(1, n):
        x[i] = phi * x[i - 1] + noise[i]
    return x


def by_pairs(t_s: Floats, x: Floats, lag_s: float, step_s: float) -> float:
    """Mean product of all pairs that are `lag_s` apart in time, over the variance, pair by pair."""
    d = x - x.mean()
    apart = np.rint((t_s[None, :] - t_s[:, None]) / step_s) == round(lag_s / step_s)
    return float((d[:, None] * d[None, :])[apart].mean() / (d**2).mean())


def test_is_numpys_correlation_where_there_is_no_hole() -> None:
    n = 4096  # a power of two: what is not padded comes round
    x = first_order(np.random.default_rng(1), n, 0.9)
    one = found(np.arange(n) * 0.01, x, 0.3)
    d = x - x.mean()
    whole = np.correlate(d, d, "full")[n - 1 :] / np.arange(n, 0, -1) / (d**2).mean()
    lags = np.rint(np.array(one.lag_s) / 0.01).astype(int)
    assert lags.tolist()[:N_FIRST] == list(range(N_FIRST))
    assert one.r == pytest.approx(whole[lags], abs=1e-10)


def test_first_order_process_on_paper() -> None:
    """phi^lag; Bartlett's variance of a far estimate is (1 + phi^2) / (1 - phi^2) / n (Box and Jenkins; memory)."""
    phi, n = 0.95, 200_000
    tau_s = -0.01 / math.log(phi)
    one = found(np.arange(n) * 0.01, first_order(np.random.default_rng(2), n, phi), tau_s)
    far = math.sqrt((1 + phi**2) / (1 - phi**2) / n)
    on_paper = [phi ** round(lag / 0.01) for lag in one.lag_s]
    assert max(abs(a - b) for a, b in zip(one.r, on_paper, strict=True)) < 4.0 * far
    assert one.model == pytest.approx(on_paper, abs=1e-9)
    # The sum over lags is an integral here: good to (step / time)^2.
    assert one.band_95 == pytest.approx(1.959964 * far, rel=2e-3)


def test_band_holds_what_chance_does() -> None:
    """Of first-order records, far beyond their correlation, 95 % of the estimates (about -1/Neff) lie in the band."""
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(300):
        one = found(np.arange(4000) * 0.01, first_order(rng, 4000, 0.9), -0.01 / math.log(0.9))
        bias = -2.0 * one.correlation_s / (one.n_values * one.step_s)
        inside.append(abs(one.r[-1] - bias) < one.band_95)
    assert 0.95 - 4 * math.sqrt(0.05 * 0.95 / 300) < np.mean(inside) < 0.95 + 4 * math.sqrt(0.05 * 0.95 / 300)


def test_a_hole_makes_no_pairs() -> None:
    """Up before the hole, down after it: nothing changes from one value to the next, whatever lies in between."""
    t_s = np.concatenate([np.arange(200), 700 + np.arange(200)]) * 0.02
    one = found(t_s, np.repeat([1.0, -1.0], 200), 1.0)
    assert one.r[1] == pytest.approx(1.0)
    assert one.n_values == 400


def test_pairs_across_a_hole_count_by_their_time() -> None:
    rng = np.random.default_rng(4)
    t_s = np.arange(600) * 0.02
    there = np.ones(600, bool)
    there[[7, 8, 50, 300]] = False
    there[120:171] = False
    x = first_order(rng, 600, 0.8)
    one = found(t_s[there], x[there], 0.1)
    wanted = [by_pairs(t_s[there], x[there], lag_s, 0.02) for lag_s in one.lag_s]
    assert one.r == pytest.approx(wanted, abs=1e-9)


def test_times_that_jitter_stay_on_the_grid() -> None:
    rng = np.random.default_rng(5)
    x = first_order(rng, 5000, 0.9)
    even = found(np.arange(5000) * 0.0100037, x, 0.1)
    shaken = found(np.arange(5000) * 0.0100037 + rng.uniform(-0.001, 0.001, 5000), x, 0.1)
    assert shaken.step_s == pytest.approx(0.0100037, rel=4e-5)  # 1 ms at either end of 50 s
    assert shaken.n_values == 5000
    assert shaken.r == pytest.approx(even.r, abs=1e-12)


def test_lags_end_at_a_quarter_of_the_record() -> None:
    """And the record is the time that there is, not the time from its first to its last value."""
    t_s = np.concatenate([np.arange(100), 5000 + np.arange(100)]) * 0.1
    one = found(t_s, np.random.default_rng(6).standard_normal(200), 100.0)
    assert one.lag_s[-1] <= 0.25 * 20.0 + 1e-9
    assert one.lag_s[-1] == pytest.approx(5.0, abs=0.11)


def test_lags_of_few_pairs_are_left_out() -> None:
    """Ten bursts of six: 10 (6 - lag) pairs, none beyond five; a quarter of sixty values is 15, so 4 is the last."""
    t_s = (np.arange(10)[:, None] * 56 + np.arange(6)).ravel() * 0.1
    one = found(t_s, np.random.default_rng(7).standard_normal(60), 10.0)
    assert one.lag_s == pytest.approx((0.0, 0.1, 0.2, 0.3, 0.4))


def test_what_has_no_autocorrelation() -> None:
    assert autocorrelation(np.arange(20.0), np.arange(20.0), 1.0) is None
    assert autocorrelation(np.arange(100.0), np.full(100, 0.3), 1.0) is None
    assert autocorrelation(np.empty(0), np.empty(0), 1.0) is None
