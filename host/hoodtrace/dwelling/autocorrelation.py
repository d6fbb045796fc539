"""The autocorrelation of a record with holes: which lags can be told, and how far chance alone would carry them.

A record comes as times and values; holes (cuts, lost samples) stay holes: a lag counts the pairs of values that are
that far apart in time, on both sides of a hole too, and no pair is made up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hoodtrace.averaging.frames import FloatArray
from hoodtrace.averaging.mean import NORMAL_95

LONGEST_SHARE = 0.25
"""Of the record: longer lags are told by too few pairs (common practice: Box and Jenkins; from memory)."""
SHOWN = 10.0
"""Correlation times that are shown where the record is long enough: by then an exponential is over."""
N_FIRST, N_LAGS = 12, 240
"""So many lags one by one, for the chip's noise shows from sample to sample; and about so many in all."""
FEWEST = 40
"""A record of fewer values has no autocorrelation worth showing (own choice)."""


@dataclass(frozen=True, slots=True)
class Autocorrelation:
    """Autocorrelation `r` at `lag_s` (equal lengths, lag 0 first), `model` an exponential of the same integral.

    `band_95` is how far from 0 an estimate lies by chance (95 %) where nothing is left. All of `r` lies lower, by about
    2 correlations over the record's time, since the record's own mean is taken off. There are `n_values` on a grid of
    `step_s`; the model's correlation is `correlation_s`.
    """

    lag_s: tuple[float, ...]
    r: tuple[float, ...]
    model: tuple[float, ...]
    band_95: float
    step_s: float
    n_values: int
    correlation_s: float


def autocorrelation(t_s: FloatArray, values: FloatArray, correlation_s: float) -> Autocorrelation | None:
    """Return the autocorrelation of a record, up to a quarter of it; None where it has too few values or no variance.

    Parameters
    ----------
    t_s : FloatArray
        Times of the values, s, shape (n,), rising; holes are told from them.
    values : FloatArray
        Shape (n,), any unit.
    correlation_s : float
        Integral of the autocorrelation from zero to infinity, s, as the averaging found it; above 0.

    References
    ----------
    Products over the pairs that there are, over the variance: E. Parzen, Sankhya A 25 (1963) 383 (from memory). Band:
    M. S. Bartlett, J. R. Statist. Soc. Suppl. 8 (1946) 27 (from memory): far lags scatter with the sum of r^2 over all
    lags by the number of values, which for an exponential is correlation over time.

    Examples
    --------
    >>> found = autocorrelation(np.arange(40.0), np.tile([1.0, -1.0], 20), 0.5)
    >>> found.lag_s[:3], tuple(round(r, 9) for r in found.r[:3])
    ((0.0, 1.0, 2.0), (1.0, -1.0, 1.0))
    """
    good = np.isfinite(values) & np.isfinite(t_s)
    t_s, values = t_s[good], values[good]
    if len(values) < FEWEST:
        return None
    d, there, step_s = _on_a_grid(t_s, values)
    n_values = int(there.sum())
    variance = float(np.sum(d**2)) / n_values
    if not variance > 1e-18 * float(np.mean(values)) ** 2:
        return None
    used_s = n_values * step_s
    longest_s = min(LONGEST_SHARE * used_s, max(SHOWN * correlation_s, N_FIRST * step_s))
    longest = int(longest_s / step_s + 1e-9)
    products, n_pairs = _products(d, longest), np.rint(_products(there, longest))
    at = [lag for lag in _lags(longest) if n_pairs[lag] >= LONGEST_SHARE * n_values]
    lags = [lag * step_s for lag in at]
    r = [1.0 if lag == 0 else float(products[lag] / n_pairs[lag]) / variance for lag in at]
    model = tuple(math.exp(-lag_s / correlation_s) for lag_s in lags)
    band = NORMAL_95 * math.sqrt(max(correlation_s, step_s) / used_s)
    return Autocorrelation(tuple(lags), tuple(r), model, band, step_s, n_values, correlation_s)


def _on_a_grid(t_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return deviations from the mean on a grid of equal steps (0 in a hole), 1.0 where there is a value, the step."""
    steps_s = np.diff(t_s)
    usual_s = float(np.median(steps_s))
    # The mean of the usual steps: by the median's own rounding the grid would run away from the samples.
    step_s = float(steps_s[(steps_s > 0.5 * usual_s) & (steps_s < 1.5 * usual_s)].mean())
    at = np.rint((t_s - t_s[0]) / step_s).astype(np.int64)
    count = np.bincount(at)
    there = (count > 0).astype(np.float64)
    cells = np.bincount(at, values) / np.maximum(count, 1)
    mean = float(cells @ there) / float(there.sum())
    return (cells - mean) * there, there, step_s


def _products(x: FloatArray, longest: int) -> FloatArray:
    """Return the sum of the products of all values `lag` steps apart, for lags 0 to `longest`.

    By Fourier transform, padded so that the end does not meet the beginning: sums one by one take seconds where a long
    record meets a busy machine.
    """
    size = 1 << (len(x) + longest).bit_length()
    found: FloatArray = np.fft.irfft(np.abs(np.fft.rfft(x, size)) ** 2, size)[: longest + 1]
    return found


def _lags(longest: int) -> list[int]:
    """Return the lags to show, in steps: the first ones all, then evenly spread."""
    even = np.rint(np.linspace(0, longest, N_LAGS + 1 - N_FIRST)).astype(int)
    return sorted({*range(min(N_FIRST, longest + 1)), *even.tolist()})
