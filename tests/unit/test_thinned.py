"""Thinned series: what a picture must not lose, found by plain numpy column by column."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodtrace.averaging.thinned import thinned


def drawn(seed: int, n: int, n_void: int) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """An axis with a pause in it, and two noisy series, each with stretches of nothing."""
    rng = np.random.default_rng([72, seed])
    steps = rng.uniform(0.005, 0.015, n)
    steps[rng.random(n) < rng.choice([0.0, 0.3])] = 0.0
    steps[n // 3] += rng.choice([0.0, 20.0])
    ys = []
    for _ in range(2):
        y = rng.normal(size=n).astype(np.float32)
        for at in rng.integers(0, n, n_void):
            y[at : at + int(rng.integers(1, 2 + n // 4))] = np.nan
        ys.append(y)
    return np.cumsum(steps) + rng.choice([0.0, 3e4, 1.8e9]), (ys[0], ys[1])


def nan_ends(y: np.ndarray) -> tuple[float, float]:
    return (float(np.nanmin(y)), float(np.nanmax(y))) if np.isfinite(y).any() else (np.nan, np.nan)


@given(
    seed=st.integers(0, 1000),
    n=st.integers(5, 4000),
    n_void=st.integers(0, 6),
    n_columns=st.integers(1, 200),
    ends=st.tuples(st.floats(-0.2, 1.1), st.floats(0.0001, 1.2)),
)
def test_no_extreme_vanishes_and_nothing_is_made_up(
    seed: int, n: int, n_void: int, n_columns: int, ends: tuple[float, float]
) -> None:
    x, ys = drawn(seed, n, n_void)
    start = x[0] + ends[0] * (x[-1] - x[0])
    stop = start + ends[1] * (x[-1] - x[0])
    at, kept = thinned(x, ys, start, stop, n_columns)
    assert np.all(np.diff(at) >= 0)
    rows = list(zip(x.tolist(), *(y.tolist() for y in ys), strict=True))
    assert {repr(row) for row in zip(at.tolist(), *(y.tolist() for y in kept), strict=True)} <= set(map(repr, rows))
    assert all(thin.dtype == np.float32 for thin in kept)
    shown = np.flatnonzero((x >= start) & (x <= stop))
    # The samples just outside both ends are there too, so that a line leaves the picture where it should.
    before, after = np.searchsorted(x, start) - 1, np.searchsorted(x, stop, side="right")
    assert before < 0 or at[0] == x[before]
    assert after >= n or at[-1] == x[after]
    assert before >= 0 or at[0] == x[0]
    assert after < n or at[-1] == x[-1]
    if not len(shown):
        return
    for y, thin in zip(ys, kept, strict=True):
        inside = (at >= start) & (at <= stop)
        np.testing.assert_equal(nan_ends(thin[inside]), nan_ends(y[shown]))
    if len(shown) <= 4 * n_columns:
        np.testing.assert_array_equal(at[inside], x[shown])
    # Two columns at least; four and the beginning of a void for each series; both ends, twice, and one last moment.
    assert len(at) <= 2 * 5 * max(2, n_columns) + 4 + np.sum(x == x[shown[-1]])


@given(seed=st.integers(0, 1000), n_columns=st.integers(1, 60), n_void=st.integers(0, 3))
def test_each_column_of_a_full_picture_keeps_its_own_four(seed: int, n_columns: int, n_void: int) -> None:
    """Samples of even steps that fill the picture: the columns are the picture's own, found here by division."""
    _, ys = drawn(seed, 64 * n_columns, n_void)
    x = np.arange(64.0 * n_columns)
    at, kept = thinned(x, ys, 0.0, x[-1], n_columns)
    # A sample on the border of two columns may count to either: a column is looked at without its outer two.
    width = x[-1] / n_columns
    for i in range(n_columns):
        inner = (x >= i * width + 1) & (x <= (i + 1) * width - 1)
        around = (at >= i * width - 1) & (at <= (i + 1) * width + 1)
        for y, thin in zip(ys, kept, strict=True):
            if np.isfinite(y[inner]).any():
                low, high = nan_ends(thin[around])
                assert low <= np.nanmin(y[inner])
                assert high >= np.nanmax(y[inner])


@pytest.mark.parametrize("n_columns", [1, 3, 50])
def test_a_stretch_of_nothing_still_parts_the_line(n_columns: int) -> None:
    x = np.arange(10_000.0)
    y = np.sin(x / 50).astype(np.float32)
    y[4000:4003] = np.nan
    y[6000:8000] = np.nan
    at, (thin,) = thinned(x, (y,), 0.0, 9999.0, n_columns)
    void = at[np.isnan(thin)]
    for start, stop in ((4000, 4003), (6000, 8000)):
        # With one column only the first of the two is sure to be drawn.
        if n_columns > 1 or start == 4000:
            assert np.any((void >= start) & (void < stop))


def test_first_last_least_and_greatest_of_a_column_on_paper() -> None:
    y = np.array([3, 9, 1, 5, 4, 2, 0, 0, 7, 0, 0, 0], np.float32)
    y = np.tile(y, 10)
    at, (thin,) = thinned(np.arange(120.0), (y,), 0.0, 23.0, 2)
    # Of 0 to 11 and 12 to 23 each: first, greatest, least (the first of many), last; 24 just outside.
    assert at.tolist() == [0.0, 1.0, 6.0, 11.0, 12.0, 13.0, 18.0, 23.0, 24.0]
    assert thin.tolist() == [3.0, 9.0, 0.0, 0.0, 3.0, 9.0, 0.0, 0.0, 3.0]


def test_a_picture_beside_the_samples_has_only_its_neighbours() -> None:
    x = np.arange(100.0)
    y = np.ones(100, np.float32)
    assert thinned(x, (y,), 200.0, 300.0, 5)[0].tolist() == [99.0]
    assert thinned(x, (y,), -20.0, -10.0, 5)[0].tolist() == [0.0]
    assert thinned(x, (y,), 10.25, 10.75, 5)[0].tolist() == [10.0, 11.0]
    assert thinned(x[:0], (y[:0],), 0.0, 1.0, 5)[0].tolist() == []


@pytest.mark.parametrize("seed", range(100))
def test_the_last_moment_counts_whatever_rounding_does_to_the_columns(seed: int) -> None:
    rng = np.random.default_rng([73, seed])
    x = 1.8e9 + np.cumsum(np.append(rng.uniform(0.005, 0.015, 300), [0.0, 0.0]))
    y = np.zeros(302, np.float32)
    y[-2] = 1.0
    assert thinned(x, (y,), x[0], x[-1], int(rng.integers(2, 40)))[1][0].max() == 1.0


def test_no_series_and_one_moment() -> None:
    x = np.zeros(50)
    y = np.arange(50, dtype=np.float32)
    at, (thin,) = thinned(x, (y,), -1.0, 1.0, 2)
    assert (thin.min(), thin.max()) == (0.0, 49.0)
    assert len(at) == len(thin)
