"""The covariance models that the honest mean weighs against each other, and the tables made from them once.

Time is counted in blocks, variance relative to one scale that each record brings along. Every model is a slow
Ornstein-Uhlenbeck process seen through block means: alone, with white noise (which also stands for any faster
process), or smoothed by a first-order lag as a vane does. A table belongs to one number of blocks, made at first use.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

N_TIMES = 20
SHORTEST_TIME_BLOCKS = 0.03
LONGEST_TIME_RECORDS = 1 / 3
LAG_RATIOS = (3.0, 8.0)
WHITE_SHARES = (0.1, 0.25, 0.45, 0.65, 0.85)


# The prior and the widening, over the time in sixtieths of the record, the fall over seconds. Tuned, see log_prior.
TIME_RISE, TIME_BEND, TIME_FALL = 0.435, 0.154, 1.2
WHITE_LEVEL, WHITE_TILT, WHITE_RISE, WHITE_BEND = 0.572, 0.878, -0.176, -0.17
LAG_LEVEL, LAG_RISE = 0.604, -0.778
WIDENING, WIDENING_WHITE = 0.667, 0.0346
FALL_S, WIDENING_TIME = 3.0, 6.0


@dataclass(frozen=True, slots=True)
class Model:
    """One covariance model: a process of `time_blocks`, behind a lag `lag_ratio` times as fast, or with a white share.

    The white share is that of the variance of the block means. 0 stands for no lag and for no white part.
    """

    time_blocks: float
    lag_ratio: float = 0.0
    white_share: float = 0.0

    def covariance(self, n_blocks: int) -> FloatArray:
        """Covariance of one block mean with the next ones, lag 0 first, shape (n_blocks,)."""
        slow = blocked_process(self.time_blocks, n_blocks)
        if self.lag_ratio:
            # Partial fractions of the two poles: the lag takes away a process of its own time.
            fast = blocked_process(self.time_blocks / self.lag_ratio, n_blocks)
            smooth: FloatArray = (self.lag_ratio * slow - fast) / (self.lag_ratio - 1.0)
            return smooth
        white: FloatArray = np.zeros(n_blocks)
        white[0] = self.white_share
        white += (1.0 - self.white_share) * slow / slow[0]
        return white

    def long_run_variance(self) -> float:
        """Sum of the covariance over all lags, both signs: n times the variance of the mean of n blocks, n large."""
        slow = 2.0 * self.time_blocks
        if self.lag_ratio:
            return slow * (1.0 + 1.0 / self.lag_ratio)
        first = float(blocked_process(self.time_blocks, 1)[0])
        return (1.0 - self.white_share) * slow / first + self.white_share


def blocked_process(time_blocks: float, n_blocks: int) -> FloatArray:
    """Autocovariance of the block means of an Ornstein-Uhlenbeck process of variance 1.

    Parameters
    ----------
    time_blocks
        Correlation time, in blocks, above 0.
    n_blocks
        Number of lags wanted.

    Returns
    -------
    FloatArray
        Shape (n_blocks,), lag 0 first.

    References
    ----------
    Own derivation: the double integral of exp(-|s - t| / time) over two blocks.

    Examples
    --------
    >>> [round(float(c), 6) for c in blocked_process(1.0, 3)]
    [0.735759, 0.399576, 0.146996]
    """
    decay = -np.expm1(-1.0 / time_blocks)
    covariance: FloatArray = np.empty(n_blocks)
    covariance[0] = 2.0 * time_blocks * (1.0 - time_blocks * decay)
    covariance[1:] = (time_blocks * decay) ** 2 * np.exp(-np.arange(n_blocks - 1) / time_blocks)
    return covariance


def models(n_blocks: int) -> list[Model]:
    """All models for a record of `n_blocks` blocks, from a small part of a block to a third of the record."""
    found: list[Model] = []
    for time in np.geomspace(SHORTEST_TIME_BLOCKS, LONGEST_TIME_RECORDS * n_blocks, N_TIMES).tolist():
        found.append(Model(time))
        found += [Model(time, lag_ratio=ratio) for ratio in LAG_RATIOS]
        found += [Model(time, white_share=share) for share in WHITE_SHARES]
    return found


def log_prior(model: Model, n_blocks: int) -> float:
    """Logarithm of a model's weight before any data and before :func:`log_fall`, up to a constant.

    References
    ----------
    Own choice: the form is free, the numbers were tuned on simulated records of one and of two time scales, with and
    without noise and lag, until the interval kept its promise without being wider than needed. What they achieve is
    measured on other records by tests/bench/bench_mean.py.
    """
    log_time = float(np.log(60.0 * model.time_blocks / n_blocks))
    weight = TIME_RISE * log_time + TIME_BEND * log_time**2
    if model.lag_ratio:
        weight += LAG_LEVEL + LAG_RISE * log_time
    if model.white_share:
        weight += WHITE_LEVEL + WHITE_TILT * (model.white_share - 0.4)
        weight += WHITE_RISE * log_time + WHITE_BEND * log_time**2
    return weight


def log_fall(time_s: FloatArray) -> FloatArray:
    """Logarithm of the factor by which air that slow is rarer, any shape: no fall far under 3 s, a power far above.

    References
    ----------
    Common practice, no source: air from a terminal turns over in 0.3 to 3 s. The power is tuned, see log_prior.
    """
    fall: FloatArray = -TIME_FALL * np.log1p((time_s / FALL_S) ** 2)
    return fall


def widening(model: Model, n_blocks: int) -> float:
    """Factor on the standard deviation of the mean under a model, 1 for a fast one.

    A short record can't tell slow models from faster ones: the weights then lean to the faster, and the mixture comes
    out too narrow. This makes up for that.
    """
    time = 60.0 * model.time_blocks / n_blocks
    exponent = WIDENING + (WIDENING_WHITE if model.white_share else 0.0)
    return float(np.exp(exponent * time**2 / (time**2 + WIDENING_TIME**2)))


@dataclass(frozen=True, slots=True)
class Tables:
    """What the models say about any record of `n_blocks` blocks, K models; a record is folded by :func:`products`."""

    n_blocks: int
    time_blocks: FloatArray  # (K,): correlation time of the slow part
    inverse: FloatArray  # (n_products, K): y' C^-1 y = products(y) @ inverse
    mean_weights: FloatArray  # (n_blocks, K): y @ mean_weights = generalised-least-squares mean
    information: FloatArray  # (K,): 1' C^-1 1
    log_weight: FloatArray  # (K,): the part of the log posterior that no data changes
    long_run_variance: FloatArray  # (K,)
    scale_factor: FloatArray  # (K,): widening of the standard deviation of the mean
    t_cdf: FloatArray  # Student's t with n_blocks - 1 degrees of freedom at 0, T_STEP, 2 T_STEP, ...
    t_density: FloatArray  # the same


T_STEP = 1 / 128
T_LAST = 32.0


@lru_cache(maxsize=8)
def tables(n_blocks: int) -> Tables:
    """Tables for records of `n_blocks` blocks; about 0.1 s for 60 at the first call, then kept."""
    grid = models(n_blocks)
    lag = np.abs(np.subtract.outer(np.arange(n_blocks), np.arange(n_blocks)))
    covariance = np.array([model.covariance(n_blocks) for model in grid])[:, lag]
    inverse = np.linalg.inv(covariance)
    row_sums = inverse.sum(axis=2)
    information = row_sums.sum(axis=1)
    basis, n_even = fold_basis(n_blocks)
    folded = basis @ inverse @ basis.T
    parts = [folded[:, :n_even, :n_even], folded[:, n_even:, n_even:]]
    columns = []
    for part in parts:
        first, second = np.triu_indices(part.shape[1])
        columns.append(part[:, first, second] * np.where(first == second, 1.0, 2.0))
    log_determinant = np.linalg.slogdet(covariance)[1]
    t_cdf, t_density = student_t(n_blocks - 1)
    prior = np.array([log_prior(model, n_blocks) for model in grid])
    return Tables(
        n_blocks=n_blocks,
        time_blocks=np.array([model.time_blocks for model in grid]),
        inverse=np.ascontiguousarray(np.concatenate(columns, axis=1).T),
        mean_weights=np.ascontiguousarray((row_sums / information[:, None]).T),
        information=information,
        log_weight=prior - 0.5 * log_determinant - 0.5 * np.log(information),
        long_run_variance=np.array([model.long_run_variance() for model in grid]),
        scale_factor=np.array([widening(model, n_blocks) for model in grid]),
        t_cdf=t_cdf,
        t_density=t_density,
    )


def fold_basis(n_blocks: int) -> tuple[FloatArray, int]:
    """Orthonormal rows, even ones under reversal of time first, and the number of even ones.

    A stationary covariance looks the same backwards, so it never couples an even to an odd part of a record: half
    of all products of two blocks drop out.
    """
    identity = np.eye(n_blocks)
    half = n_blocks // 2
    even = (identity + identity[::-1])[:half] / np.sqrt(2.0)
    odd = (identity - identity[::-1])[:half] / np.sqrt(2.0)
    middle = identity[half : n_blocks - half]
    return np.concatenate([even, middle, odd]), n_blocks - half


def products(centred: FloatArray) -> FloatArray:
    """All products of two even and of two odd parts of each record, shape (R, n_products); see :func:`fold_basis`."""
    n_blocks = centred.shape[1]
    half = n_blocks // 2
    backwards = centred[:, ::-1]
    even = (centred + backwards)[:, :half] / np.sqrt(2.0)
    even = np.concatenate([even, centred[:, half : n_blocks - half]], axis=1)
    odd = (centred - backwards)[:, :half] / np.sqrt(2.0)
    folded = []
    for part in (even, odd):
        first, second = np.triu_indices(part.shape[1])
        folded.append(np.take(part, first, axis=1) * np.take(part, second, axis=1))
    return np.concatenate(folded, axis=1)


def student_t(dof: int) -> tuple[FloatArray, FloatArray]:
    """Distribution function and density of Student's t at 0, T_STEP, ... T_LAST, by Simpson's rule.

    References
    ----------
    Density: any statistics text (memory); checked against scipy in the tests. Own table, because importing
    scipy.special costs more time than all of this.
    """
    x = np.arange(0.0, T_LAST + T_STEP / 4, T_STEP / 2)
    log_density = -0.5 * (dof + 1) * np.log1p(x * x / dof)
    density = np.exp(log_density)
    steps = (density[:-2:2] + 4.0 * density[1:-1:2] + density[2::2]) * T_STEP / 6.0
    area = np.concatenate([[0.0], np.cumsum(steps)])
    tail = density[-1] * x[-1] / dof  # beyond the table the density falls as x**-(dof + 1)
    half = area[-1] + tail
    return 0.5 + 0.5 * area / half, 0.5 * density[::2] / half
