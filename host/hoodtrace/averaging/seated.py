"""Whether a few seconds of frames look like a hood that is pressed on: by both channels, by one, or not at all.

A frame is judged with its neighbours; `HoldFinder` makes holds of the judgements. All limits are own choices, tried on
two generators of worlds that share no code (tests/bench); no source.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FRAME_US, FloatArray, Frames, cut
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.vane import speed_m_s

HALF = 7
"""A frame is judged with so many on either side: three seconds in all."""
LOW, HIGH = 0.58, 1.55
"""Seated, every smoothed frame of the window lies between these parts of the window's median flow."""
TIGHT_LOW, TIGHT_HIGH = 0.7, 1.4
"""The same where only one of two channels speaks, which carrying can mimic."""
SOON_HALF = 5
"""The same as `HALF` for a first word on a hood that may just have been pressed on: 2.2 s in all."""
DENSITY_KG_M3 = 1.2
"""Good enough for finding; readings use the measured air."""
NOT_SEATED, SEATED, ONE_CHANNEL = 0, 1, 2


def speeds(
    frames: Frames, hood: Hood, smooth: bool = True
) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
    """Return flow over area by vane (unsigned) and taps (signed), and dp; all of them over three frames if `smooth`.

    Units m/s and Pa; NaN where dp is missing for longer than a second; None for a channel that the hood does not have.
    """
    vane = taps = dp = None
    if hood.vane is not None:
        hz = _smooth(frames.hz) if smooth else frames.hz
        vane = hood.vane.k * speed_m_s(hz, hood.vane)
    if hood.taps is not None:
        dp = _bridged(frames.dp_pa) - hood.taps.zero_pa
        dp = _smooth(dp) if smooth else dp
        taps = np.sign(dp) * hood.taps.c * np.sqrt(2.0 * np.abs(dp) / DENSITY_KG_M3)
    return vane, taps, dp


def kinds_of(frames: Frames, hood: Hood, half: int = HALF) -> NDArray[np.int8]:
    """Return for each frame whether `half` frames on either side are seated (`SEATED`, `ONE_CHANNEL`) or not."""
    n = len(frames)
    kinds = np.zeros(n, np.int8)
    if n < 2 * half + 1:
        return kinds
    vane, taps, dp = speeds(frames, hood)
    inner = slice(half, n - half)
    steady_v = tight_v = steady_t = tight_t = np.zeros(n - 2 * half, bool)
    middle_v = np.zeros(n - 2 * half)
    if vane is not None and hood.vane is not None:
        middle_v, low, high = _spread(vane, half)
        turns = middle_v > 0.9 * hood.vane.k * hood.vane.start_m_s
        steady_v = turns & (low > LOW * middle_v) & (high < HIGH * middle_v)
        tight_v = turns & (low > TIGHT_LOW * middle_v) & (high < TIGHT_HIGH * middle_v)
    if taps is None or dp is None or hood.taps is None:
        kinds[inner] = np.where(steady_v, SEATED, NOT_SEATED)
        return kinds
    middle_dp, low_dp, high_dp = _spread(dp, half)
    size = np.abs(middle_dp)
    low_dp, high_dp = np.where(middle_dp > 0, low_dp, -high_dp), np.where(middle_dp > 0, high_dp, -low_dp)
    # With one sample a frame (the flash log) nothing shows the chip's noise; it is small then, being averaged.
    noise = np.sqrt(
        _mean(np.nan_to_num(_bridged(frames.noise_pa2)), half) / np.maximum(_mean(frames.n_valid, half), 1.0)
    )
    slack = 3.5 * noise / np.sqrt(3.0)
    doubt = 3.0 * hood.taps.u_zero_pa + 3.0 * noise / np.sqrt(2 * half + 1)
    says = size > doubt
    steady_t = says & (low_dp > LOW**2 * size - slack) & (high_dp < HIGH**2 * size + slack)
    tight_t = says & (low_dp > TIGHT_LOW**2 * size - slack) & (high_dp < TIGHT_HIGH**2 * size + slack)
    if vane is None or hood.vane is None:
        kinds[inner] = np.where(steady_t, SEATED, NOT_SEATED)
        return kinds
    expected = DENSITY_KG_M3 / 2.0 * (middle_v / hood.taps.c) ** 2
    agree = (size > 0.3 * expected - doubt) & (size < 3.0 * expected + doubt)
    one_way = size > 3.0 * noise / np.sqrt(2 * half + 1)
    both = steady_v & agree & (steady_t | ((expected < 2.0 * doubt) & one_way))
    standing = hood.vane.k * hood.vane.start_m_s
    stuck = tight_t & (_root(size, hood) > 0.8 * standing) & (middle_v < 0.9 * standing)
    off = tight_v & ~agree
    kinds[inner] = np.where(both, SEATED, np.where(stuck | off | (steady_t & tight_v), ONE_CHANNEL, NOT_SEATED))
    return kinds


def pressed(frames: Frames, hood: Hood) -> bool:
    """Whether the end of `frames` looks seated: sooner than `HoldFinder` can tell, and less sure."""
    newest = cut(frames, frames.stop - 2 * SOON_HALF - 1, frames.stop)
    return len(newest) > 2 * SOON_HALF and bool(kinds_of(newest, hood, SOON_HALF)[SOON_HALF] == SEATED)


def _root(dp_pa: FloatArray, hood: Hood) -> FloatArray:
    c = hood.taps.c if hood.taps is not None else 0.0
    return c * np.sqrt(2.0 * dp_pa / DENSITY_KG_M3)


def _smooth(x: FloatArray) -> FloatArray:
    """Mean of three neighbours; the two outer ones stand as they are."""
    if len(x) < 3:
        return x
    out = x.copy()
    out[1:-1] = (x[:-2] + x[1:-1] + x[2:]) / 3.0
    return out


def _bridged(x: FloatArray) -> FloatArray:
    """Return `x` with holes of up to a second filled by a straight line; longer ones stay NaN."""
    missing = np.isnan(x)
    if not missing.any() or missing.all():
        return x
    at = np.flatnonzero(~missing)
    out = np.interp(np.arange(len(x)), at, x[at])
    wide = np.flatnonzero(np.diff(at) > 1_000_000 // FRAME_US + 1)
    for a, b in zip(at[wide].tolist(), at[wide + 1].tolist(), strict=True):
        out[a + 1 : b] = np.nan
    out[: at[0]] = out[at[-1] + 1 :] = np.nan
    return out


def _windows(x: FloatArray, half: int) -> FloatArray:
    return sliding_window_view(np.asarray(x, np.float64), 2 * half + 1)


def _spread(x: FloatArray, half: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return median, least and greatest of the window around each inner value; NaN where one is missing."""
    windows = np.sort(_windows(x, half), axis=1)
    high = windows[:, -1]
    return np.where(np.isnan(high), np.nan, windows[:, half]), windows[:, 0], high


def _mean(x: FloatArray | NDArray[np.int64], half: int) -> FloatArray:
    averages: FloatArray = _windows(np.asarray(x, np.float64), half).mean(axis=1)
    return averages
