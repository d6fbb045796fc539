"""The honest mean: its algebra against a slow independent one, its symmetries, its edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import optimize, stats

from hoodtrace.averaging.covariance import (
    T_STEP,
    Model,
    blocked_process,
    log_fall,
    log_prior,
    models,
    student_t,
    tables,
    widening,
)
from hoodtrace.averaging.mean import N_BLOCKS, Means, means

Floats = NDArray[np.float64]
FIELDS = ("mean", "u", "half_width", "correlation_blocks", "n_over_g")


def records(seed: int, n_records: int, n_blocks: int = N_BLOCKS) -> tuple[Floats, Floats]:
    """Records of very different correlation: running sums with random memory, a little noise, a level."""
    rng = np.random.default_rng(seed)
    blocks = rng.standard_normal((n_records, n_blocks))
    memory = rng.uniform(0.0, 0.98, n_records)
    for k in range(1, n_blocks):
        blocks[:, k] += memory * blocks[:, k - 1]
    blocks += 30.0
    return blocks, blocks.var(axis=1) * rng.uniform(1.0, 3.0, n_records)


def pick(result: Means, rows: list[int]) -> list[Floats]:
    return [getattr(result, field)[rows] for field in FIELDS]


@pytest.mark.parametrize("n_blocks", [10, 33, 60])
def test_equals_the_recipe_written_out_slowly(n_blocks: int) -> None:
    """Source: the recipe at the end of section 5 of the facts (own derivation), with numpy's solver and scipy's t."""
    blocks, variance = records(4, 3, n_blocks)
    length_s = np.array([15.0, 30.0, 90.0])
    got = means(blocks, variance, length_s)
    lag = np.abs(np.subtract.outer(np.arange(n_blocks), np.arange(n_blocks)))
    ones = np.ones(n_blocks)
    for k, y in enumerate(blocks):
        log_weight, centre, scale = [], [], []
        for model in models(n_blocks):
            c = model.covariance(n_blocks)[lag]
            q = ones @ np.linalg.solve(c, ones)
            mu = ones @ np.linalg.solve(c, y) / q
            s = (y - mu) @ np.linalg.solve(c, y - mu)
            log_determinant = np.linalg.slogdet(c)[1]
            log_weight.append(
                -0.5 * (log_determinant + np.log(q) + (n_blocks - 1) * np.log(s))
                + log_prior(model, n_blocks)
                + float(log_fall(np.array(model.time_blocks * length_s[k] / n_blocks)))
            )
            centre.append(mu)
            scale.append(np.sqrt(s / (n_blocks - 1) / q) * widening(model, n_blocks))
        weight = np.exp(np.array(log_weight) - max(log_weight))
        weight /= weight.sum()
        mean = float(weight @ np.array(centre))

        def outside(
            half: float, weight: Floats = weight, mean: float = mean, centre: list = centre, scale: list = scale
        ) -> float:
            t = stats.t(n_blocks - 1)
            up = t.cdf((mean + half - np.array(centre)) / np.array(scale))
            down = t.cdf((mean - half - np.array(centre)) / np.array(scale))
            return float(weight @ (up - down)) - 0.95

        half = optimize.brentq(outside, 0.0, 1e4, xtol=1e-12)
        assert got.mean[k] == pytest.approx(mean, rel=1e-10)
        assert got.half_width[k] == pytest.approx(half, rel=2e-5)


def test_t_table_against_scipy() -> None:
    """Source: scipy.stats.t (a library of its own)."""
    for dof in (9, 59):
        cdf, density = student_t(dof)
        x = np.arange(cdf.size) * T_STEP
        np.testing.assert_allclose(cdf, stats.t.cdf(x, dof), atol=2e-8)
        np.testing.assert_allclose(density, stats.t.pdf(x, dof), atol=2e-8)


def test_blocked_process_is_the_mean_of_a_finely_sampled_one() -> None:
    """Source: the definition, summed over 400 points in each of 4 blocks."""
    fine = 400
    at = (np.arange(4 * fine) + 0.5) / fine
    for time in (0.3, 1.0, 7.0):
        full = np.exp(-np.abs(np.subtract.outer(at, at)) / time)
        cusp = 1 / (3 * fine**2 * time)  # the sum over points misses half of this at the cusp of lag 0
        by_block = full.reshape(4, fine, 4, fine).mean(axis=(1, 3))[0]
        np.testing.assert_allclose(blocked_process(time, 4), by_block, rtol=(1 / (fine * time)) ** 2 / 6, atol=cusp)


def test_long_run_variance_is_the_sum_of_the_covariance() -> None:
    for model in models(N_BLOCKS):
        n = 20_000
        covariance = model.covariance(n)
        assert model.long_run_variance() == pytest.approx(covariance[0] + 2 * covariance[1:].sum(), rel=1e-9)


def test_a_lagged_process_is_among_the_models() -> None:
    """An Ornstein-Uhlenbeck process behind a first-order lag; source: partial fractions of its spectrum."""
    slow, lag = 3.0, 1.0
    assert any(m.lag_ratio == slow / lag for m in models(N_BLOCKS))
    covariance = Model(slow, lag_ratio=slow / lag).covariance(4)
    fine = 200
    at = (np.arange(4 * fine) + 0.5) / fine
    apart = np.abs(np.subtract.outer(at, at))
    full = (slow * np.exp(-apart / slow) - lag * np.exp(-apart / lag)) / (slow - lag)
    by_block = full.reshape(4, fine, 4, fine).mean(axis=(1, 3))[0]
    np.testing.assert_allclose(covariance, by_block, rtol=1e-4)


def test_every_model_is_a_covariance() -> None:
    lag = np.abs(np.subtract.outer(np.arange(N_BLOCKS), np.arange(N_BLOCKS)))
    for model in models(N_BLOCKS):
        assert np.linalg.eigvalsh(model.covariance(N_BLOCKS)[lag]).min() > 0


def test_same_bits_whatever_is_computed_along() -> None:
    blocks, variance = records(7, 1000)
    rng = np.random.default_rng(8)
    length_s = rng.uniform(10.0, 70.0, 1000)
    together = means(blocks, variance, length_s)
    order = rng.permutation(1000)
    groups = [order]
    for size in (1, 2, 3, 7, 64, 257):
        start = int(rng.integers(0, 1000 - size))
        groups.append(np.arange(start, start + size))
    groups += [np.array([row]) for row in range(0, 1000, 9)]
    for rows in groups:
        apart = means(blocks[rows], variance[rows], length_s[rows])
        for field in FIELDS:
            np.testing.assert_array_equal(getattr(apart, field), getattr(together, field)[rows])


def test_same_bits_in_any_memory_order() -> None:
    blocks, variance = records(7, 50)
    straight = means(blocks, variance)
    turned = means(np.asfortranarray(blocks), np.repeat(variance, 2)[::2])
    for a, b in zip(pick(straight, list(range(50))), pick(turned, list(range(50))), strict=True):
        np.testing.assert_array_equal(a, b)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    factor=st.floats(1e-6, 1e6),
    sign=st.sampled_from([-1.0, 1.0]),
    shift=st.floats(-1e3, 1e3),
)
def test_scale_and_shift(seed: int, factor: float, sign: float, shift: float) -> None:
    blocks, variance = records(seed, 2)
    plain = means(blocks, variance)
    moved = means(sign * factor * (blocks + shift), factor**2 * variance)
    np.testing.assert_allclose(moved.mean, sign * factor * (plain.mean + shift), rtol=1e-9, atol=1e-9 * factor)
    np.testing.assert_allclose(moved.u, factor * plain.u, rtol=1e-8)
    np.testing.assert_allclose(moved.half_width, factor * plain.half_width, rtol=1e-8)
    np.testing.assert_allclose(moved.correlation_blocks, plain.correlation_blocks, rtol=1e-8)
    np.testing.assert_allclose(moved.n_over_g, plain.n_over_g, rtol=1e-8)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
@example(seed=115200)  # a kink of the table where Newton's steps give way to halving
def test_backwards_is_the_same(seed: int) -> None:
    blocks, variance = records(seed, 3)
    there, back = means(blocks, variance), means(blocks[:, ::-1], variance)
    for a, b in zip(pick(there, [0, 1, 2]), pick(back, [0, 1, 2]), strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-8)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.lists(
        st.lists(st.floats(-1e6, 1e6, allow_subnormal=False), min_size=12, max_size=12), min_size=1, max_size=4
    ),
    more=st.floats(1.0, 100.0),
)
def test_finite_for_any_finite_record(rows: list[list[float]], more: float) -> None:
    blocks = np.array(rows)
    result = means(blocks, blocks.var(axis=1) * more)
    for field in FIELDS:
        assert np.isfinite(getattr(result, field)).all()
    assert (result.half_width >= 0).all()
    assert (result.u >= 0).all()
    assert (result.n_over_g > 0).all()
    assert (result.mean >= blocks.min(axis=1) - np.ptp(blocks, axis=1)).all()
    assert (result.mean <= blocks.max(axis=1) + np.ptp(blocks, axis=1)).all()


@pytest.mark.parametrize("level", [0.0, 0.1, -37.3, 1e-9])
@pytest.mark.parametrize("variance", [0.0, 2.0])
def test_constant_record(level: float, variance: float) -> None:
    neighbours, their_variance = records(3, 2)
    blocks = np.concatenate([neighbours, np.full((1, N_BLOCKS), level)])
    result = means(blocks, np.append(their_variance, variance))
    assert result.mean[2] == level
    assert result.u[2] == 0.0
    assert result.half_width[2] == 0.0
    assert result.correlation_blocks[2] == 0.5
    assert result.n_over_g[2] == N_BLOCKS
    for a, b in zip(pick(result, [0, 1]), pick(means(neighbours, their_variance), [0, 1]), strict=True):
        np.testing.assert_array_equal(a, b)


def test_no_records() -> None:
    assert means(np.empty((0, N_BLOCKS)), np.empty(0)).mean.shape == (0,)


def test_coverage_factor_is_at_least_the_normal_one() -> None:
    blocks, variance = records(5, 300)
    result = means(blocks, variance)
    assert (result.half_width >= stats.norm.ppf(0.975) * result.u * (1 - 1e-12)).all()


def test_noise_at_sample_level_lowers_the_correlation_and_nothing_else() -> None:
    blocks, variance = records(6, 20)
    quiet, noisy = means(blocks, variance), means(blocks, 4 * variance)
    np.testing.assert_array_equal(quiet.half_width, noisy.half_width)
    np.testing.assert_array_equal(quiet.mean, noisy.mean)
    assert (noisy.correlation_blocks < quiet.correlation_blocks).all()
    np.testing.assert_allclose(noisy.n_over_g, N_BLOCKS / (2 * noisy.correlation_blocks), rtol=1e-14)


def test_slow_air_is_less_likely_in_a_long_record() -> None:
    """The same blocks over a longer time: a slow part would be slower than air is, so the interval only shrinks."""
    blocks, variance = records(9, 50)
    widths = [means(blocks, variance, np.full(50, length)).half_width for length in (10.0, 20.0, 60.0)]
    assert np.median(widths[0]) > np.median(widths[1]) > np.median(widths[2])
    np.testing.assert_array_equal(means(blocks, variance).half_width, widths[1])


def test_tables_are_made_once() -> None:
    assert tables(N_BLOCKS) is tables(N_BLOCKS)


@pytest.mark.parametrize(
    ("blocks", "variance", "words"),
    [
        (np.zeros(60), np.zeros(1), "shape"),
        (np.zeros((2, 9)), np.zeros(2), "shape"),
        (np.zeros((2, 60)), np.zeros(3), "2 records"),
        (np.zeros((2, 60)), np.array([0.0, -1.0]), "record 1"),
        (np.zeros((2, 60)), np.array([np.nan, 0.0]), "record 0"),
        (np.full((1, 60), np.inf), np.zeros(1), "record 0"),
    ],
)
def test_refuses(blocks: Floats, variance: Floats, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        means(blocks, variance)


@pytest.mark.parametrize("length_s", [0.0, -1.0, np.nan, np.inf])
def test_refuses_a_length_that_is_none(length_s: float) -> None:
    blocks, variance = records(1, 2)
    with pytest.raises(ValueError, match="record 1"):
        means(blocks, variance, np.array([20.0, length_s]))


def test_refuses_lengths_of_another_number() -> None:
    blocks, variance = records(1, 2)
    with pytest.raises(ValueError, match="length_s"):
        means(blocks, variance, np.array([20.0]))
