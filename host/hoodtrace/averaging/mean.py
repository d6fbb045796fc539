"""The honest mean of a correlated record: estimate, standard deviation, 95 % half-width, correlation, N/g.

In: records already cut into equal-time block means with the events taken out, and the variance of their samples.
Out: arrays, one value per record. Little is taken as known beforehand about the correlation: a grid of covariance
models is weighed by how well each explains the record, and the interval holds 95 % of the mixture. A record's
numbers depend on that record alone, to the last bit, whichever records are computed with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from hoodtrace.averaging.covariance import T_LAST, T_STEP, FloatArray, Tables, log_fall, products, tables

N_BLOCKS = 60
CONFIDENCE = 0.95
NORMAL_95 = NormalDist().inv_cdf(0.5 + CONFIDENCE / 2.0)
FEWEST_BLOCKS = 10
UNKNOWN_LENGTH_S = 20.0
N_STEPS = 20
RECORDS_AT_ONCE = 256


@dataclass(frozen=True, slots=True)
class Means:
    """Means of R records, each array of shape (R,), in the unit of the blocks where not said otherwise.

    Attributes
    ----------
    mean
        Estimate of the long-run mean.
    u
        Standard deviation of the mean, random part; at most `half_width` / 1.96. In a record too short for its
        correlation it can be short of the true one; the half-width makes up for that, so take both along.
    half_width
        Half-width of the interval that holds the long-run mean with 95 %.
    correlation_blocks
        Integral of the autocorrelation of the recorded signal from zero to infinity, in blocks.
    n_over_g
        Record length over twice the correlation, a number.
    """

    mean: FloatArray
    u: FloatArray
    half_width: FloatArray
    correlation_blocks: FloatArray
    n_over_g: FloatArray


def means(blocks: FloatArray, sample_variance: FloatArray, length_s: FloatArray | None = None) -> Means:
    """Estimate the long-run mean of each record, with an interval that is honest about correlation.

    Parameters
    ----------
    blocks
        Means of equal-time blocks, shape (R, m), in time order; m is 60 as a rule, at least 10.
    sample_variance
        Variance of the samples that the blocks were made from, noise included, shape (R,), square of the unit. Where
        it is under the variance of the block means, which no true record allows, that one is taken instead.
    length_s
        Time that all blocks of a record cover together, s, shape (R,). It says which correlations, in blocks, are
        too slow to be likely. None takes 20 s for all: the widest intervals that records of 20 s and over can need.

    Returns
    -------
    Means
        Finite everywhere. A record of equal blocks tells nothing about its correlation: u and half_width are 0,
        correlation_blocks is 1/2 and n_over_g is m by definition.

    Raises
    ------
    ValueError
        Wrong shape, too few blocks, a value that is not finite, a negative variance, or a length not above 0.

    References
    ----------
    Own derivation (Bayesian mixture over covariance models, scale and mean with their usual flat priors): for each
    model C the mean is 1'C^-1 y / q with q = 1'C^-1 1, S = (y - mean)'C^-1 (y - mean), and its weight is
    prior * |C|^-1/2 q^-1/2 S^-(m-1)/2; given the model, the mean follows Student's t with m - 1 degrees of freedom
    and scale sqrt(S / (m - 1) / q).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> result = means(5.0 + rng.standard_normal((1, 60)), np.array([1.0]))
    >>> bool(abs(result.mean[0] - 5.0) < result.half_width[0])
    True
    """
    blocks = np.ascontiguousarray(blocks, dtype=np.float64)
    sample_variance = np.asarray(sample_variance, dtype=np.float64)
    if length_s is None:
        length_s = np.full(blocks.shape[:1], UNKNOWN_LENGTH_S)
    length_s = np.asarray(length_s, dtype=np.float64)
    _refuse_bad(blocks, sample_variance, length_s)
    n_records, n_blocks = blocks.shape
    table = tables(n_blocks)
    found = np.empty((5, n_records))
    for start in range(0, n_records, RECORDS_AT_ONCE):
        part = slice(start, start + RECORDS_AT_ONCE)
        found[:, part] = _chunk(blocks[part], sample_variance[part], length_s[part], table)
    return Means(*found)


def _refuse_bad(blocks: FloatArray, sample_variance: FloatArray, length_s: FloatArray) -> None:
    if blocks.ndim != 2 or blocks.shape[1] < FEWEST_BLOCKS:
        raise ValueError(f"blocks have shape {blocks.shape}, (R, m) with m >= {FEWEST_BLOCKS} is needed")
    if sample_variance.shape != blocks.shape[:1]:
        raise ValueError(f"{blocks.shape[0]} records, but sample_variance has shape {sample_variance.shape}")
    if length_s.shape != blocks.shape[:1]:
        raise ValueError(f"{blocks.shape[0]} records, but length_s has shape {length_s.shape}")
    bad = ~(np.isfinite(blocks).all(axis=1) & np.isfinite(sample_variance) & (sample_variance >= 0))
    if bad.any():
        raise ValueError(f"record {int(np.argmax(bad))}: a block or the variance is not finite, or it is negative")
    bad = ~(np.isfinite(length_s) & (length_s > 0))
    if bad.any():
        at = int(np.argmax(bad))
        raise ValueError(f"record {at}: its length of {length_s[at]} s is not a time above 0")


def _chunk(blocks: FloatArray, sample_variance: FloatArray, length_s: FloatArray, table: Tables) -> FloatArray:
    """Shape (5, R), in the order of the fields of Means."""
    n_blocks = table.n_blocks
    dof = n_blocks - 1
    # Centred and scaled first, so that neither a large mean nor a small unit costs digits.
    centred = blocks - blocks[:, :1]
    shift = centred.mean(axis=1)
    centred -= shift[:, None]
    constant = np.ptp(blocks, axis=1) == 0.0
    unit = np.where(constant, 1.0, np.abs(centred).max(axis=1))
    centred /= unit[:, None]
    centred[constant, 0] = 1.0  # any record that varies: its result is thrown away below

    model_mean = _times(centred, table.mean_weights)
    residual = _times(products(centred), table.inverse) - table.information * model_mean**2
    slow_s = table.time_blocks * (length_s / n_blocks)[:, None]
    log_weight = table.log_weight + log_fall(slow_s) - 0.5 * dof * np.log(residual)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    variance = residual / (dof * table.information)  # square of the scale of Student's t
    mean = (weight * model_mean).sum(axis=1)
    offset = model_mean - mean[:, None]
    half_width = _half_width(weight, offset, np.sqrt(variance) * table.scale_factor, table)

    # Geometric means over the models: plain means hang on the slowest ones, however little they weigh.
    log_variance = (weight * np.log(variance)).sum(axis=1)
    u = np.minimum(np.sqrt(np.exp(log_variance) + (weight * offset**2).sum(axis=1)), half_width / NORMAL_95)
    # The variance about the record's own mean is short of the whole by the variance of that mean.
    at_least = (centred**2).mean(axis=1)
    recorded = np.maximum((np.sqrt(sample_variance) / unit) ** 2, at_least) + (weight * variance).sum(axis=1)
    log_long_run = np.log(residual / (dof - 2)) + np.log(table.long_run_variance)
    correlation = 0.5 * np.exp((weight * log_long_run).sum(axis=1)) / recorded

    correlation[constant] = 0.5
    for spread_of_mean in (u, half_width, mean):
        spread_of_mean[constant] = 0.0
    return np.stack(
        [
            blocks[:, 0] + shift + mean * unit,
            u * unit,
            half_width * unit,
            correlation,
            0.5 * n_blocks / correlation,
        ]
    )


def _times(rows: FloatArray, matrix: FloatArray) -> FloatArray:
    """Each row times the matrix, one product of the same shape per row: blocks of rows would round differently."""
    product: FloatArray = np.matmul(np.ascontiguousarray(rows)[:, None, :], matrix)[:, 0, :]
    return product


def _half_width(weight: FloatArray, offset: FloatArray, scale: FloatArray, table: Tables) -> FloatArray:
    """Half-width about the common mean that holds CONFIDENCE of each record's mixture, shape (R,).

    Newton's steps inside a bracket that closes, always the same number of them.
    """
    low = np.zeros(weight.shape[0])
    high = 40.0 * scale.max(axis=1) + np.abs(offset).max(axis=1)
    half_width: FloatArray = 2.0 * np.sqrt((weight * (scale**2 + offset**2)).sum(axis=1))
    for _ in range(N_STEPS):
        inside = np.full(weight.shape[0], -1.0)
        density = np.zeros(weight.shape[0])
        for side in (half_width[:, None] - offset, half_width[:, None] + offset):
            x = np.clip(side / scale, -T_LAST, T_LAST) / T_STEP
            distance = np.abs(x)
            cell = np.minimum(distance.astype(np.int64), table.t_cdf.size - 2)
            past = distance - cell
            upper = table.t_cdf[cell] + past * (table.t_cdf[cell + 1] - table.t_cdf[cell])
            inside += (weight * np.where(x < 0, 1.0 - upper, upper)).sum(axis=1)
            slope = table.t_density[cell] + past * (table.t_density[cell + 1] - table.t_density[cell])
            density += (weight * slope / scale).sum(axis=1)
        wide = inside >= CONFIDENCE
        high = np.where(wide, half_width, high)
        low = np.where(wide, low, half_width)
        with np.errstate(divide="ignore"):
            step = half_width + (CONFIDENCE - inside) / density
        half_width = np.where((step > low) & (step < high), step, 0.5 * (low + high))
    return half_width
