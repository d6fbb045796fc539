"""How regular a vane's edges are, while it turns evenly or runs down.

An interval between two neighbouring edges is judged against those one revolution before and after it: the geometric
mean of these two has the same uneven spacing of blades or magnets in it, and the same slowing down. An edge that was
missed makes an interval about twice as long; bounce splits one, so that the mean of the parts is half as long or less.
Where more than one edge came between two samples only their mean interval is known and stands for each: the faster the
vane, the less a single edge shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STILL_US = 1_000_000
"""An interval that long is a standstill."""

JUMP = 1.6
"""Ratio from which an interval is out of line. Own derivation: a missed edge gives 2 * (1 +- unevenness); a vane that
only rubs (speed as the square root of the way left) stays above 0.93 from two revolutions before its stop on."""

N_NEAR_STOP = 2
"""Revolutions before a standstill that are not judged: the last ones slow down by more than that in one turn."""

MOST_EDGES = 1_000_000
"""Of a stretch: a hundred times as many as a vane of 500 Hz makes while a person watches; bounds the memory."""

SPEEDING_UP = 0.9
"""Where the interval one revolution later is under this share of that before, the vane speeds up: not judged."""


@dataclass(frozen=True, slots=True)
class Regularity:
    """What was found: how many intervals were judged, how many of them too short and too long.

    `spread_rel` is the relative standard deviation of single intervals within their own revolution, None with none;
    `shortest_us` the shortest mean interval between samples, None with fewer than two edges.
    """

    n_judged: int
    n_short: int
    n_long: int
    spread_rel: float | None
    shortest_us: float | None


def regularity(
    t_us: NDArray[np.int64], edges: NDArray[np.int64], age_us: NDArray[np.int64], edges_per_rev: int
) -> Regularity:
    """Return how regular the edges in a stretch of samples are.

    Parameters
    ----------
    t_us, edges, age_us : ndarray of int64, shape (n,)
        TIME [us], edge count (already unwrapped, not falling) and age of the last edge [us] of each sample.
    edges_per_rev : int
        Edges in one revolution.

    Returns
    -------
    Regularity

    References
    ----------
    Own derivation.

    Examples
    --------
    Ten edges a second, one of them missed, seen at 50 samples a second:

    >>> t = np.arange(0, 10_000_000, 20_000)
    >>> passed = np.delete(np.arange(0, 10_000_000, 100_000), 50)
    >>> edges = np.searchsorted(passed, t, side="right")
    >>> found = regularity(t, edges, t - passed[edges - 1], 4)
    >>> found.n_short, found.n_long
    (0, 1)
    """
    new = np.flatnonzero(np.diff(edges) > 0) + 1
    if len(new) < 2:
        return Regularity(0, 0, 0, None, None)
    place, edge_us = edges[new], (t_us - age_us)[new]
    n_between, between_us = np.diff(place), np.diff(edge_us).astype(float)
    shortest_us = float((between_us / n_between).min())
    if place[-1] - place[0] > MOST_EDGES:
        return Regularity(0, 0, 0, None, shortest_us)
    # One interval an edge, by the edge that ends it.
    interval_us = np.repeat(between_us / n_between, n_between)
    single = np.repeat(n_between == 1, n_between)
    rev = edges_per_rev * max(1, -(-2 // edges_per_rev))  # with one edge a turn, two turns: else bounce sees itself
    if len(interval_us) <= 2 * rev:
        return Regularity(0, 0, 0, None, shortest_us)
    stops = np.flatnonzero(interval_us > STILL_US).tolist()
    if t_us[-1] - edge_us[-1] > STILL_US:
        stops.append(len(interval_us))
    judged = np.ones(len(interval_us), bool)
    for stop in stops:
        judged[max(0, stop - N_NEAR_STOP * rev) : stop + rev + 1] = False
    middle, before, after = interval_us[rev:-rev], interval_us[: -2 * rev], interval_us[2 * rev :]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = middle / np.sqrt(before * after)
        judged = judged[rev:-rev] & np.isfinite(ratio) & (after >= SPEEDING_UP * before)
    single, ratio = single[rev:-rev] & judged, ratio[judged]
    n_short, n_long = int((ratio < 1 / JUMP).sum()), int((ratio > JUMP).sum())
    turn_us = np.convolve(interval_us, np.ones(rev) / rev, "same")[rev:-rev]
    within = middle[single & (turn_us > 0)] / turn_us[single & (turn_us > 0)]
    return Regularity(len(ratio), n_short, n_long, float(np.std(within)) if len(within) else None, shortest_us)
