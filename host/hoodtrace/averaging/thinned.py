"""Fewer samples for a picture: of each column of pixels the first, last, least and greatest; no extreme vanishes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FloatArray

Float32s = NDArray[np.float32]
PER_COLUMN = 4
"""First, last, least, greatest."""


def thinned(
    x: FloatArray, ys: tuple[Float32s, ...], start: float, stop: float, n_columns: int
) -> tuple[FloatArray, tuple[Float32s, ...]]:
    """Return what a picture of `start` to `stop`, `n_columns` wide, needs of some series over one axis.

    Parameters
    ----------
    x : float array, shape (n,)
        Not decreasing.
    ys : tuple of float32 arrays, shape (n,)
        NaN where a series has nothing.
    start, stop : float
        Ends of the picture, in the unit of `x`; `start` < `stop`.
    n_columns : int
        Pixels, > 0.

    Returns
    -------
    tuple
        The kept `x`, shape (k,), and each series there: of columns no wider than a pixel the first, last, least and
        greatest of every series, one NaN of each stretch without values, and the samples just outside both ends. All
        samples where there are no more than four a column.

    References
    ----------
    U. Jugel, Z. Jerzak, G. Hackenbroich, V. Markl, "M4: a visualization-oriented time series data aggregation",
    PVLDB 7 (2014) 797: a line through these four looks the same in its column as one through all (memory).

    Examples
    --------
    >>> x, y = np.arange(1000.0), np.zeros(1000, np.float32)
    >>> y[571] = 7.0
    >>> at, (kept,) = thinned(x, (y,), 0.0, 1000.0, 10)
    >>> len(at) < 60, float(kept.max()), float(at[kept.argmax()])
    (True, 7.0, 571.0)
    """
    a, b = np.searchsorted(x, [start, stop]).tolist()
    b = max(b, int(np.searchsorted(x, stop, side="right")))
    low, high = max(a - 1, 0), min(b + 1, len(x))
    if b - a <= PER_COLUMN * n_columns:
        return x[low:high], tuple(y[low:high] for y in ys)
    from tsdownsample import M4Downsampler

    inner = np.ascontiguousarray(x[a:b])
    # The library's columns are equal parts of what is there, which may fill only a part of the picture.
    # It knows no fewer than two, and no axis that stands still.
    n_filled = max(2, int(np.ceil(n_columns * (inner[-1] - inner[0]) / (stop - start))))
    library = M4Downsampler()  # type: ignore[no-untyped-call]
    # Rounding may leave the last moment out of its last column.
    kept = [np.array([low, a, high - 1]), np.arange(np.searchsorted(x, x[b - 1]), b)]
    for y in ys:
        part = np.ascontiguousarray(y[a:b])
        series = (inner, part) if inner[-1] > inner[0] else (part,)
        found = library.downsample(*series, n_out=PER_COLUMN * n_filled, parallel=False)
        kept += [found.astype(np.int64) + a, _first_of_voids(inner, part, n_filled) + a]
    at = np.unique(np.concatenate(kept))
    return x[at], tuple(y[at] for y in ys)


def _first_of_voids(x: FloatArray, y: Float32s, n_columns: int) -> NDArray[np.int64]:
    """Return where stretches of NaN begin, at most one a column."""
    nothing = np.isnan(y)
    starts = np.flatnonzero(nothing[1:] & ~nothing[:-1]) + 1
    if nothing[0]:
        starts = np.concatenate([[0], starts])
    if len(starts) <= n_columns or not x[-1] > x[0]:
        return starts
    column = ((x[starts] - x[0]) * (n_columns / (x[-1] - x[0]))).astype(np.int64)
    return starts[np.unique(column, return_index=True)[1]]
