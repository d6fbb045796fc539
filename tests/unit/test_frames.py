"""Frames: no edge is lost over a hole in the samples, a standing vane stands, dp is the mean of what is valid."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FRAME_US, HOLE_US, STILL_US, Frames, cut, frames_between, join, turning

Ints = NDArray[np.int64]


def seen(edges_us: Ints, t_us: Ints) -> tuple[Ints, Ints]:
    """What the board says at `t_us`: edges so far and the age of the last, by counting."""
    counted = np.searchsorted(edges_us, t_us, side="right")
    last = np.concatenate([[-(1 << 40)], edges_us])[counted]
    return counted.astype(np.int64), np.minimum(t_us - last, 0xFFFFFF)


def framed(edges_us: Ints, t_us: Ints, n: int, dp_pa: NDArray[np.float64] | None = None) -> Frames:
    counted, age_us = seen(edges_us, t_us)
    dp = np.zeros(len(t_us)) if dp_pa is None else dp_pa
    return frames_between(0, n, 0, t_us, turning(t_us, counted, age_us), dp)


def grid(seconds: float) -> Ints:
    return np.arange(round(seconds * 50), dtype=np.int64) * 20_000


def test_steady_turning_is_the_same_in_every_frame() -> None:
    edges_us = np.arange(10_000, 30_000_000, 31_000, dtype=np.int64)
    found = framed(edges_us, grid(30), 140)
    assert found.hz[1:] == pytest.approx(1e6 / 31_000, rel=1e-9)
    assert found.n.tolist() == [10] * 140


@pytest.mark.parametrize("hole_s", [(10.0, 10.4), (10.0, 12.0), (10.01, 17.0)])
def test_over_a_hole_no_edge_is_lost(hole_s: tuple[float, float]) -> None:
    rng = np.random.default_rng(41)
    edges_us = np.cumsum(rng.integers(20_000, 60_000, 1000)).astype(np.int64)
    t_us = grid(30)
    holed = t_us[(t_us < hole_s[0] * 1e6) | (t_us >= hole_s[1] * 1e6)]
    with_hole, whole = framed(edges_us, holed, 145), framed(edges_us, t_us, 145)
    seconds = FRAME_US * 1e-6
    # The same edges in all, though inside the hole nobody knows when they came.
    assert with_hole.hz.sum() * seconds == pytest.approx(whole.hz.sum() * seconds, abs=1e-6)
    first, last = int(hole_s[0] / seconds) - 1, int(hole_s[1] / seconds) + 2
    outside = np.r_[0:first, last:145]
    assert with_hole.hz[outside] == pytest.approx(whole.hz[outside])
    inside = with_hole.hz[first:last]
    assert inside.sum() == pytest.approx(whole.hz[first:last].sum())
    if hole_s[1] - hole_s[0] > (HOLE_US + 2 * FRAME_US) * 1e-6:
        # Turning evenly through the hole: all frames within it alike.
        middle = inside[3:-4]
        assert middle == pytest.approx(np.full(len(middle), middle.mean()), rel=1e-6)
        assert middle.mean() == pytest.approx(25.0, rel=0.2)  # edges come 40 ms apart on average
    gone = (np.arange(145) + 1) * seconds
    empty = (gone - seconds >= hole_s[0]) & (gone <= hole_s[1])
    assert np.all(with_hole.n[empty] == 0)


def test_a_standing_vane_stands() -> None:
    """Turning at 20 Hz for 5 s, at rest until 12 s, turning again."""
    edges_us = np.concatenate([np.arange(50_000, 5_000_001, 50_000), np.arange(12_000_000, 20_000_001, 50_000)])
    found = framed(edges_us.astype(np.int64), grid(20), 95)
    seconds = FRAME_US * 1e-6
    begin = np.arange(95) * seconds
    assert found.hz[(begin > 0.3) & (begin < 4.8)] == pytest.approx(20.0)
    stands = (begin >= 5.0) & (begin + seconds <= 12.0 - STILL_US * 1e-6)
    assert stands.sum() > 20
    assert np.all(found.hz[stands] == 0)
    assert found.hz[begin >= 12.0] == pytest.approx(20.0)
    # The one edge that starts it again is spread over the last bit before it, and not lost.
    waking = (begin >= 12.0 - STILL_US * 1e-6 - seconds) & (begin < 12.0 - 1e-9)
    assert found.hz[waking].sum() * seconds == pytest.approx(1.0)
    assert found.hz[(begin > 10.5) & (begin < 11.7)] == pytest.approx(1e6 / STILL_US)


def test_a_vane_that_never_turned_has_no_frequency() -> None:
    found = framed(np.empty(0, np.int64), grid(10), 45)
    assert np.all(found.hz == 0)


def test_no_samples_at_all() -> None:
    none = np.empty(0, np.int64)
    found = frames_between(3, 7, 0, none, turning(none, none, none), np.empty(0))
    assert len(found) == 4
    assert (found.first, found.stop) == (3, 7)
    assert np.all(found.n == 0)
    assert np.all(np.isnan(found.dp_pa))


def test_dp_is_the_mean_of_what_is_valid_and_noise_what_neighbours_show() -> None:
    rng = np.random.default_rng(42)
    dp_pa = 2.0 + 0.03 * rng.standard_normal(50 * 400)
    dp_pa[5:8] = np.nan
    dp_pa[20:30] = np.nan
    found = framed(np.empty(0, np.int64), grid(400), 2000, dp_pa)
    assert found.dp_pa[0] == pytest.approx(np.nanmean(dp_pa[:10]))
    assert found.n_valid[:3].tolist() == [7, 10, 0]
    assert np.isnan(found.dp_pa[2])
    assert np.isnan(found.noise_pa2[2])
    # 2000 frames of 9 differences: the mean of their variances is known to some 1.3 % (chi square, neighbours share).
    assert np.nanmean(found.noise_pa2) == pytest.approx(0.03**2, rel=0.06)
    # A slow change of the pressure is no noise.
    ramp = framed(np.empty(0, np.int64), grid(4), 15, np.linspace(0.0, 4.0, 200))
    assert np.all(ramp.noise_pa2 < 0.021**2)


def test_parts_joined_are_the_whole() -> None:
    rng = np.random.default_rng(43)
    whole = framed(np.cumsum(rng.integers(9_000, 90_000, 500)).astype(np.int64), grid(20), 90, rng.normal(1, 1, 1000))
    parts = [cut(whole, 0, 30), cut(whole, 30, 31), cut(whole, 31, 200)]
    assert [(p.first, p.stop) for p in parts] == [(0, 30), (30, 31), (31, 90)]
    again = join(parts)
    assert (again.first, again.stop) == (0, 90)
    for name in ("hz", "dp_pa", "noise_pa2", "n_valid", "n"):
        np.testing.assert_array_equal(getattr(again, name), getattr(whole, name))
