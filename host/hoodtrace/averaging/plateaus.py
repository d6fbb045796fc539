"""Plateaus: the parts of a hold at one level, with gusts, knocks and leaks cut out.

The flow of a hold is taken as levels that change by steps (a valve was turned), short bumps (gusts, knocks, leaks)
and a correlated fluctuation that is the air's own and must stay in. A step or bump is an event only if the record
with it in is far likelier than without, whatever the correlation may be: the same covariance models that the honest
mean weighs are weighed here with and without each shape. So a slow swing of slow air is left alone, and a sudden change
in calm air is found. Events are taken out one by one, the likeliest first; a step splits the hold, and each part is
looked at anew.

Own derivation: generalised least squares for the shape and the mean, scale integrated out, models averaged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.covariance import log_fall
from hoodtrace.averaging.frames import FRAME_US, FloatArray
from hoodtrace.averaging.shapes import N_BLOCKS, shapes

EVIDENCE_BUMP, EVIDENCE_STEP = 8.8, 4.6
"""Gain in log-likelihood that an event must bring; some 600 places and shapes are tried in each record."""
RAMPS = (0, 2, 5, 9, 14)
"""Frames over which a step may be spread: up to about 3 s."""
LEAST_STEP = 2.0
"""A step smaller than this many times the fluctuation's rms is left in: it may be a slow swing."""
SHORTEST = 15
"""Frames (3 s); a level must last so long to be one."""
MOST_EVENTS = 10
PAD = 2
"""Frames cut on either side of a bump at least."""
WIDEST_PAD = 8
KNOCK = 8
"""Bumps of up to so many frames (1.6 s), pads and all, are called knocks."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Frames `start` to `stop` are left out; `why` in a word."""

    start: int
    stop: int
    why: str


@dataclass(frozen=True, slots=True)
class Plateau:
    """Frames `start` to `stop` at one level; `cuts` are inside it."""

    start: int
    stop: int
    cuts: tuple[Cut, ...]


def split(flow: FloatArray, lag: int) -> list[Plateau]:
    """Return the plateaus of a hold.

    Parameters
    ----------
    flow : float array, shape (n,)
        Flow in each frame of the hold, any unit, finite.
    lag : int
        Frames that the vane needs to follow a change.

    Returns
    -------
    list of Plateau
        In time order, not overlapping; frame numbers count within `flow`.
    """
    found: list[Plateau] = []
    _split(flow, 0, len(flow), lag, np.ones(len(flow), bool), found)
    return sorted(found, key=lambda p: p.start)


def _split(flow: FloatArray, first: int, last: int, lag: int, free: NDArray[np.bool_], found: list[Plateau]) -> None:
    """Find the events between frames `first` and `last`; add the plateaus there to `found`."""
    part, kept = flow[first:last], free[first:last]
    no_step = False
    for _ in range(MOST_EVENTS):
        if len(part) < 2 * SHORTEST or kept.sum() < SHORTEST:
            break
        rest = np.where(kept, part, part[kept].mean())
        event = _likeliest(rest, no_step)
        if event is None:
            break
        kind, start, stop = event
        if kind == "step":
            step = _placed(part, kept, start)
            if step is None:
                no_step = True
                continue
            _split(flow, first, first + step[0], lag, free, found)
            _split(flow, first + step[1], last, lag, free, found)
            return
        start, stop = _widened(rest, start, stop, kept, lag)
        kept[start:stop] = False
    found.append(Plateau(first, last, _cuts(part, kept, first)))


def _likeliest(flow: FloatArray, no_step: bool) -> tuple[str, int, int] | None:
    """Return the event with the most evidence (kind and frames), None if none has enough."""
    table = shapes()
    n = len(flow)
    edges = np.interp(
        np.arange(N_BLOCKS + 1) * (n / N_BLOCKS), np.arange(n + 1), np.concatenate([[0.0], np.cumsum(flow)])
    )
    blocks = np.diff(edges) * (N_BLOCKS / n)
    blocks -= blocks.mean()
    spread = float(np.abs(blocks).max())
    if spread == 0.0:
        return None
    white = np.matmul(table.whiten, blocks / spread)
    white -= np.sum(white * table.one, axis=1)[:, None] * table.one
    alone = np.sum(white**2, axis=1)
    gain = np.matmul(white[:, None, :], table.units)[:, 0, :] ** 2
    power = 0.5 * (N_BLOCKS - 1)
    weight = table.log_weight + log_fall(table.time_blocks * (n * FRAME_US * 1e-6 / N_BLOCKS))
    without = weight - power * np.log(alone)
    with_it = weight[:, None] - power * np.log(np.maximum(alone[:, None] - gain, 1e-12))
    evidence = _log_sum(with_it) - _log_sum(without[:, None])[0]
    evidence[: table.n_steps] += -np.inf if no_step else EVIDENCE_BUMP - EVIDENCE_STEP
    best = int(np.argmax(evidence))
    if evidence[best] < EVIDENCE_BUMP:
        return None
    start, stop = (round(b * n / N_BLOCKS) for b in (table.starts[best], table.stops[best]))
    if best >= table.n_steps:
        # In a short hold a bump may be narrower than a frame.
        start = min(start, n - 1)
        stop = max(stop, start + 1)
    return ("step" if best < table.n_steps else "bump"), start, stop


def _log_sum(x: FloatArray) -> FloatArray:
    top = x.max(axis=0)
    total: FloatArray = top + np.log(np.exp(x - top).sum(axis=0))
    return total


def _placed(flow: FloatArray, kept: NDArray[np.bool_], near: int) -> tuple[int, int] | None:
    """Return the frames of a step `near` a frame, or None where it is too small to be told from a slow swing."""
    n = len(flow)
    reach = n // N_BLOCKS + 5
    low, high = near - reach, near + reach
    before, after = flow[: max(low, 3)][kept[: max(low, 3)]], flow[min(high, n - 3) :][kept[min(high, n - 3) :]]
    if not len(before) or not len(after):
        return None
    if abs(before.mean() - after.mean()) < 0.8 * LEAST_STEP * min(before.std(), after.std()):
        return None
    levels = float(np.mean(before[-40:])), float(np.mean(after[:40]))
    a, b = max(0, low - 10), min(n, high + 25)
    at = np.arange(a, b)
    best, where = np.inf, (near, near)
    for ramp in RAMPS:
        for start in range(max(low, 1), min(high, n - 1 - ramp)):
            share = np.clip((at - start + 1) / (ramp + 1), 0.0, 1.0)
            off = (flow[a:b] - levels[0] - share * (levels[1] - levels[0]))[kept[a:b]]
            cost = float(np.sum(off**2))
            if cost < best:
                best, where = cost, (start, start + ramp)
    start, stop = where
    if start < SHORTEST or n - stop < SHORTEST:
        return None
    sides = flow[:start][kept[:start]], flow[stop:][kept[stop:]]
    if min(len(s) for s in sides) < SHORTEST // 2:
        return None
    rms = float(
        np.sqrt((np.var(sides[0]) * len(sides[0]) + np.var(sides[1]) * len(sides[1])) / (len(sides[0]) + len(sides[1])))
    )
    if abs(np.mean(sides[0]) - np.mean(sides[1])) < LEAST_STEP * rms:
        return None
    return start, stop


def _widened(rest: FloatArray, start: int, stop: int, kept: NDArray[np.bool_], lag: int) -> tuple[int, int]:
    """Return the bump with its skirts: on until the flow is back within the fluctuation."""
    outside = kept.copy()
    outside[max(0, start - PAD) : stop + PAD] = False
    if not outside.any():
        return start, stop
    level, rms = float(np.mean(rest[outside])), float(np.std(rest[outside]))
    sign = 1.0 if np.mean(rest[start:stop]) > level else -1.0
    away = np.convolve(sign * (rest - level), np.full(3, 1.0 / 3.0), mode="same") > 0.5 * rms
    first, last = start, stop
    while first > 0 and start - first < WIDEST_PAD and away[first - 1]:
        first -= 1
    while last < len(rest) and last - stop < WIDEST_PAD + lag and away[last]:
        last += 1
    return max(0, first - PAD), min(len(rest), last + PAD)


def _cuts(flow: FloatArray, kept: NDArray[np.bool_], first: int) -> tuple[Cut, ...]:
    """Return the stretches that are not kept, each with the word for what it most likely was."""
    level = float(np.mean(flow[kept])) if kept.any() else 0.0
    bounds = np.flatnonzero(np.diff(np.concatenate([[True], kept, [True]]).astype(np.int8)))
    cuts = []
    for start, stop in zip(bounds[::2].tolist(), bounds[1::2].tolist(), strict=True):
        high = float(np.mean(flow[start:stop])) > level
        why = "knock" if stop - start <= KNOCK else ("gust" if high else "leak or gust")
        cuts.append(Cut(first + start, first + stop, why))
    return tuple(cuts)
