"""Plateaus: a step of known place, a gust cut out, and records with nothing in them left whole."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FRAME_US
from hoodtrace.averaging.plateaus import PAD, SHORTEST, WIDEST_PAD, split

Floats = NDArray[np.float64]
LAG = 3


def calm(rng: np.random.Generator, n: int, tau_s: float, rms: float, level: float = 60.0) -> Floats:
    """Ornstein-Uhlenbeck air about `level`, one value a frame."""
    keep = math.exp(-FRAME_US * 1e-6 / tau_s)
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i, shock in enumerate(rng.standard_normal(n - 1), 1):
        x[i] = keep * x[i - 1] + math.sqrt(1 - keep**2) * shock
    return level * (1 + rms * x)


@pytest.mark.parametrize("n", [5, 40, 150, 600])
def test_a_constant_record_is_one_plateau(n: int) -> None:
    (found,) = split(np.full(n, 42.0), LAG)
    assert (found.start, found.stop, found.cuts) == (0, n, ())


@pytest.mark.parametrize("tau_s", [0.3, 1.0, 3.0])
def test_quiet_air_is_left_whole(tau_s: float) -> None:
    rng = np.random.default_rng([51, round(10 * tau_s)])
    found = [split(calm(rng, 150, tau_s, 0.05), LAG) for _ in range(40)]
    # Pure chance may find an event now and then: in not more than one record of ten, and no step in one of twenty.
    assert sum(len(p) > 1 for p in found) <= 2
    assert sum(len(p) > 1 or bool(p[0].cuts) for p in found) <= 4


@pytest.mark.parametrize("place", [40, 75, 120])
@pytest.mark.parametrize("ratio", [0.6, 1.5])
@pytest.mark.parametrize("tau_s", [0.3, 1.0])
def test_a_step_is_found_at_its_place(place: int, ratio: float, tau_s: float) -> None:
    rng = np.random.default_rng([52, place, round(10 * ratio), round(10 * tau_s)])
    flow = calm(rng, 160, tau_s, 0.03)
    flow[place:] *= ratio
    before, after = split(flow, LAG)
    # A step of some 15 times the rms can hardly be taken for elsewhere by more than the shortest correlation.
    assert abs(before.stop - place) <= 3
    assert abs(after.start - place) <= 3
    assert (before.start, after.stop) == (0, 160)
    assert before.stop <= after.start


def test_a_turn_takes_its_time_and_that_is_in_no_plateau() -> None:
    rng = np.random.default_rng(53)
    flow = calm(rng, 200, 0.3, 0.02) * np.interp(np.arange(200), [100, 110], [1.0, 0.5])
    before, after = split(flow, LAG)
    assert 97 <= before.stop <= 104
    assert 106 <= after.start <= 114


def test_three_levels_are_three_plateaus() -> None:
    rng = np.random.default_rng(54)
    flow = calm(rng, 300, 0.4, 0.03) * np.repeat([1.0, 0.6, 1.3], 100)
    found = split(flow, LAG)
    assert [round(p.start / 100) for p in found] == [0, 1, 2]
    assert all(a.stop <= b.start for a, b in itertools.pairwise(found))


def gust(place: int, size: float, length: int = 10, n: int = 160) -> Floats:
    """A bump of `length` frames from `place`, relative to the flow."""
    change = np.zeros(n)
    change[place : place + length] = size * np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    return change


@pytest.mark.parametrize("place", [30, 75, 115])
@pytest.mark.parametrize("size", [0.6, -0.4])
def test_a_gust_is_cut_and_no_step_made_of_it(place: int, size: float) -> None:
    rng = np.random.default_rng([55, place, round(10 * size) + 10])
    change = gust(place, size)
    (found,) = split(calm(rng, 160, 0.5, 0.03) * (1 + change), LAG)
    assert (found.start, found.stop) == (0, 160)
    kept = np.ones(160, bool)
    for piece in found.cuts:
        kept[piece.start : piece.stop] = False
    (main,) = (piece for piece in found.cuts if piece.start <= place + 5 < piece.stop)
    assert main.why == ("gust" if size > 0 else "leak or gust")
    # Nothing that changes the flow by more than the fluctuation's three rms is left in.
    assert np.all(np.abs(change[kept]) < 0.09)


def test_beside_a_gust_most_of_the_hold_stays() -> None:
    rng = np.random.default_rng(58)
    left_out = []
    for _ in range(100):
        change = gust(int(rng.integers(20, 130)), float(rng.choice([0.6, -0.4])))
        (found,) = split(calm(rng, 160, 0.5, 0.03) * (1 + change), LAG)
        left_out.append(sum(c.stop - c.start for c in found.cuts))
    # The gust lasts 10 frames; the pads allowed are PAD + WIDEST_PAD before, PAD + WIDEST_PAD + LAG after it.
    assert min(left_out) >= 6
    assert np.median(left_out) <= 10 + 2 * (PAD + WIDEST_PAD) + LAG
    # With a gust out, a swing of the calm air beside it may now and then be taken for another: in one of 20 at most.
    assert sum(n > 160 / 4 for n in left_out) <= 5


def test_a_knock_of_two_frames_is_called_one() -> None:
    rng = np.random.default_rng(56)
    flow = calm(rng, 120, 0.3, 0.02)
    flow[60:62] *= 1.8
    (found,) = split(flow, LAG)
    (piece,) = found.cuts
    assert piece.why == "knock"
    assert piece.start <= 60 < 62 <= piece.stop


def test_frames_are_counted_inside_the_hold_and_scale_does_not_matter() -> None:
    rng = np.random.default_rng(57)
    flow = calm(rng, 160, 0.5, 0.03) * np.where(np.arange(160) < 90, 1.0, 0.6)
    assert split(flow, LAG) == split(flow / 4096, LAG)
    for found in split(flow, LAG):
        assert found.stop - found.start >= SHORTEST
        assert all(found.start <= c.start < c.stop <= found.stop for c in found.cuts)
