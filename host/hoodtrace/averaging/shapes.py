"""What a step or a bump looks like through every covariance model of the air: tables for finding events.

A record is 60 equal blocks. Each shape is whitened by each model and freed of the mean, so that one product tells how
much better the record is explained with the shape in it. The tables depend on nothing but these numbers; they are made
once at first use.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from hoodtrace.averaging.covariance import Model, log_prior, models
from hoodtrace.averaging.frames import FloatArray

N_BLOCKS = 60
BUMPS = (1, 2, 3, 4, 5, 7, 9)
"""Blocks that a bump may last."""
LEAST_PART = 4
"""Blocks on either side of a step."""
DECAYS = (1.0, 2.0)
"""Blocks in which a bump that begins suddenly falls to a third."""


@dataclass(frozen=True, slots=True)
class Shapes:
    """For M models and K shapes: `whiten` (M, 60, 60), `one` (M, 60) and `units` (M, 60, K), both of length one.

    `log_weight` (M,) is what a model weighs before the data, `time_blocks` (M,) its correlation time.
    `starts`, `stops` (K,) are the blocks of each shape; for the first `n_steps`, steps, `stops` is the end.
    """

    whiten: FloatArray
    one: FloatArray
    units: FloatArray
    log_weight: FloatArray
    time_blocks: FloatArray
    starts: list[int]
    stops: list[int]
    n_steps: int


@cache
def shapes() -> Shapes:
    """Return the tables."""
    starts = list(range(LEAST_PART, N_BLOCKS - LEAST_PART + 1))
    n_steps = len(starts)
    stops = [N_BLOCKS] * n_steps
    columns = [np.arange(N_BLOCKS) >= start for start in starts]
    for length in BUMPS:
        hump = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
        for start in range(N_BLOCKS - length + 1):
            columns.append(np.concatenate([np.zeros(start), hump, np.zeros(N_BLOCKS - length - start)]))
            starts.append(start)
            stops.append(start + length)
    for decay in DECAYS:
        length = round(2.5 * decay)
        for start in range(N_BLOCKS - length + 1):
            columns.append(np.where(np.arange(N_BLOCKS) >= start, np.exp(-(np.arange(N_BLOCKS) - start) / decay), 0.0))
            starts.append(start)
            stops.append(start + length)
    every = np.array(columns, float).T
    lag = np.abs(np.subtract.outer(np.arange(N_BLOCKS), np.arange(N_BLOCKS)))
    whiten, one, units, log_weight, times = [], [], [], [], []
    for model in _some_models():
        root = np.linalg.cholesky(model.covariance(N_BLOCKS)[lag])
        inverse = np.linalg.inv(root)
        level = inverse.sum(axis=1)
        length_of_level = float(np.linalg.norm(level))
        level /= length_of_level
        shape = inverse @ every
        shape -= np.outer(level, level @ shape)
        length = np.linalg.norm(shape, axis=0)
        whiten.append(inverse)
        one.append(level)
        units.append(shape / length)
        log_weight.append(
            float(np.sum(np.log(np.diag(inverse)))) - np.log(length_of_level) + log_prior(model, N_BLOCKS)
        )
        times.append(model.time_blocks)
    return Shapes(
        np.array(whiten), np.array(one), np.array(units), np.array(log_weight), np.array(times), starts, stops, n_steps
    )


def _some_models() -> list[Model]:
    """Return the covariance models that events are weighed against."""
    every = models(N_BLOCKS)
    times = sorted({model.time_blocks for model in every})[::3]
    half_white = min({model.white_share for model in every}, key=lambda share: abs(share - 0.45))
    kept = {0.0, half_white}
    return [m for m in every if m.time_blocks in times and m.white_share in kept and not m.lag_ratio]
