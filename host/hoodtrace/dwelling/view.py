"""The picture of a visit's traces between two places of its axis: both channels, thinned to what a screen can show."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.kept import Strip
from hoodtrace.averaging.thinned import thinned
from hoodtrace.dwelling.axis import Axis, Piece
from hoodtrace.errors import UsageError

HOLE_S = 0.5
"""Lines are not drawn over longer holes."""
MOST_COLUMNS = 8192


@dataclass(frozen=True, slots=True)
class View:
    """The axis, and the strips by trace and boot."""

    axis: Axis
    strips: Mapping[tuple[str, int], Strip]


def series_bytes(view: View, x0: float, x1: float, n: int) -> bytes:
    """Return the flows of vane and taps from `x0` to `x1`, for a picture of `n` columns.

    Returns
    -------
    bytes
        Little-endian: uint32 k, 4 zero bytes, k float64 x [s of the axis], k float32 of the vane and k of the taps
        [m3/h], NaN where there is nothing. Each column has its first, last, least and greatest value.

    Raises
    ------
    UsageError
        x1 is not behind x0, or there are no columns.
    """
    if not x0 < x1 or not 0 < n <= MOST_COLUMNS:
        raise UsageError(f"a picture from {x0:g} to {x1:g} with {n} columns can't be drawn")
    xs, vanes, tapses = [], [], []
    for piece in view.axis.pieces:
        if piece.x1 < x0 or piece.x0 > x1:
            continue
        x, vane, taps = _of_piece(view.strips[piece.trace, piece.boot], piece, x0, x1, n)
        if len(x):
            xs += [x, x[-1:]]
            vanes += [vane, _NOTHING]
            tapses += [taps, _NOTHING]
    x = np.concatenate([np.empty(0), *xs])
    vane, taps = (np.concatenate([np.empty(0, np.float32), *parts]) for parts in (vanes, tapses))
    head = struct.pack("<II", len(x), 0)
    return head + x.astype("<f8").tobytes() + vane.astype("<f4").tobytes() + taps.astype("<f4").tobytes()


_NOTHING = np.full(1, np.nan, np.float32)
Thinned = tuple[NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]]


def _of_piece(strip: Strip, piece: Piece, x0: float, x1: float, n: int) -> Thinned:
    part = slice(piece.start, piece.stop)
    t_s = strip.t_s[part]
    start, stop = max(x0, piece.x0) - piece.shift_s, min(x1, piece.x1) - piece.shift_s
    columns = max(1, math.ceil(n * (stop - start) / (x1 - x0)))
    t_s, (vane, taps) = thinned(t_s, (strip.vane_m3h[part], strip.taps_m3h[part]), start, stop, columns)
    return t_s + piece.shift_s, vane, taps
