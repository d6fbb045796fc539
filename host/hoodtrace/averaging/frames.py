"""Frames: samples condensed to fifths of a second, what the finding of holds works on.

A frame is 0.2 s of one boot, counted from the boot's first sample. Frames depend on the samples alone, never on how
they came in: a frame is made only when the samples that could still change it are there (the next vane edge, or
proof that the vane stands).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FRAME_US = 200_000
STILL_US = 1_500_000
"""No edge for so long: the vane stands (slower turning would lie far below any start speed)."""

HOLE_US = 500_000
"""Samples further apart than this have a hole between them."""

LOOK_AHEAD_US = STILL_US + FRAME_US


@dataclass(frozen=True, slots=True)
class Frames:
    """Consecutive frames from number `first`; columns of shape (n,).

    `hz` mean edge frequency; `dp_pa` mean of the valid dp readings (chip's reading, zero error still in), NaN where
    there is none; `noise_pa2` variance of the chip's noise on one reading as the differences of neighbours show it;
    `n_valid` valid dp readings; `n` samples.
    """

    first: int
    hz: FloatArray
    dp_pa: FloatArray
    noise_pa2: FloatArray
    n_valid: IntArray
    n: IntArray

    def __len__(self) -> int:
        return len(self.hz)

    @property
    def stop(self) -> int:
        """Number of the frame behind the last."""
        return self.first + len(self.hz)


def turning(t_us: IntArray, edges: IntArray, age_us: IntArray) -> tuple[IntArray, FloatArray]:
    """Return the dated positions of the vane: times (us) and position (edges), to be joined by straight lines.

    Between two edges the vane moves evenly; where they lie more than `STILL_US` apart it stands and takes the whole
    step in the last `STILL_US`, so that what a moment looks like never hangs on an edge far ahead. Over a hole in
    the samples it moves evenly from the last sample before to the first edge known after it: no air is lost.
    """
    if not len(t_us):
        return np.zeros(1, np.int64), np.zeros(1)
    edge_us = t_us - age_us
    new = np.concatenate([[0], np.flatnonzero(np.diff(edges) > 0) + 1])
    at_us, position = edge_us[new], edges[new].astype(np.float64)
    holes = np.flatnonzero(np.diff(t_us) > HOLE_US)
    n_holes = np.searchsorted(holes, new)
    hidden = np.flatnonzero(np.diff(n_holes) > 0)
    last_before = holes[n_holes[hidden + 1] - 1]
    late = np.flatnonzero((np.diff(at_us) > STILL_US) & (np.diff(n_holes) == 0))
    where = np.concatenate([hidden, late]) + 1
    extra_us = np.concatenate([t_us[last_before], at_us[late + 1] - STILL_US])
    extra = np.concatenate([edges[last_before], position[late]])
    order = np.argsort(where, kind="stable")
    return (
        np.insert(at_us, where[order], extra_us[order]),
        np.insert(position, where[order], extra[order]),
    )


def frames_between(
    first: int,
    stop: int,
    origin_us: int,
    t_us: IntArray,
    position_at: tuple[IntArray, FloatArray],
    dp_pa: FloatArray,
) -> Frames:
    """Return frames `first` to `stop` (half-open) of the samples given, which may reach beyond on both sides.

    Parameters
    ----------
    first, stop : int
        Frame numbers.
    origin_us : int
        Time of the boot's first sample, where frame 0 begins.
    t_us : int array, shape (n,)
        Sample times, not decreasing.
    position_at : tuple of arrays
        What `turning` returned for the same samples.
    dp_pa : float array, shape (n,)
        Differential pressure as the chip reads it, NaN where not valid.
    """
    bounds_us = origin_us + np.arange(first, stop + 1, dtype=np.int64) * FRAME_US
    hz = np.diff(np.interp(bounds_us, *position_at)) / (FRAME_US * 1e-6)
    cuts = np.searchsorted(t_us, bounds_us)
    start, end = int(cuts[0]), int(cuts[-1])
    n = np.diff(cuts)
    frame = np.repeat(np.arange(stop - first), n)
    dp = dp_pa[start:end]
    valid = ~np.isnan(dp)
    n_valid = np.bincount(frame[valid], minlength=stop - first)
    total = np.bincount(frame[valid], dp[valid], minlength=stop - first)
    inside = np.empty(len(dp), bool)
    inside[:1] = False
    inside[1:] = (frame[1:] == frame[:-1]) & valid[1:] & valid[:-1]
    step2 = np.zeros(len(dp))
    step2[1:] = np.where(inside[1:], np.diff(dp), 0.0) ** 2
    n_steps = np.bincount(frame[inside], minlength=stop - first)
    noise = np.bincount(frame, step2, minlength=stop - first) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):
        return Frames(first, hz, total / n_valid, np.where(n_steps > 0, noise / n_steps, np.nan), n_valid, n)


def join(parts: list[Frames]) -> Frames:
    """Return consecutive `parts` (at least one) as one."""
    if len(parts) == 1:
        return parts[0]
    return Frames(
        parts[0].first,
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("hz", "dp_pa", "noise_pa2")),
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("n_valid", "n")),
    )


def cut(frames: Frames, first: int, stop: int) -> Frames:
    """Return those of `frames` with numbers `first` to `stop` (clipped to what is there)."""
    a, b = max(0, first - frames.first), max(0, stop - frames.first)
    return Frames(
        frames.first + a,
        *(getattr(frames, name)[a:b] for name in ("hz", "dp_pa", "noise_pa2")),
        *(getattr(frames, name)[a:b] for name in ("n_valid", "n")),
    )
