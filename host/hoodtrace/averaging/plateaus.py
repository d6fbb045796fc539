"""Plateaus: the parts of a hold at one level, with gusts, knocks and slams cut out.

The flow of a hold is taken as levels that change by steps (a valve was turned), short bumps (gusts, knocks, leaks)
and a correlated fluctuation that is the air's own and must stay in. The fluctuation is modelled as an
autoregression, which also fits several time scales with noise on top; through it a slow swing looks small and a
sudden change large, so that only what the fluctuation itself would hardly do is taken for an event. Events are taken
out one by one, the greatest first.

Own derivation: matched filter behind a whitening filter (G. L. Turin, An introduction to matched filters, IRE Trans.
Inf. Theory 6 (1960) 311; from memory), the mean fitted along with each event.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FloatArray

ORDER = 3
EVIDENCE = 40.0
"""Squared signal-to-noise ratio that an event must have; about 2000 places and shapes are tried in each hold."""
RAMPS = (1, 5, 10, 15)
"""Frames over which a step may be spread: 0.2 to 3 s."""
LENGTHS = (2, 4, 7, 11, 16, 22)
"""Frames that a bump may last: 0.4 to 4.4 s."""
LEAST_STEP = 2.2
"""A step smaller than this many times the fluctuation's rms is left in: it may be a slow swing."""
SHORTEST = 15
"""Frames (3 s); a level must last so long to be one."""
MOST_EVENTS = 12
PAD = 2
"""Frames cut on either side of a bump at least."""
WIDEST_PAD = 10


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


@dataclass(slots=True)
class _Whitening:
    """An autoregression: `response` is what it makes of a unit step, `scale` the standard deviation of what is left."""

    coefficients: FloatArray
    scale: float

    def white(self, x: FloatArray) -> FloatArray:
        """Return `x` (mean removed) whitened; the first `ORDER` values stand for nothing and are zero."""
        out = x.copy()
        for lag, a in enumerate(self.coefficients, 1):
            out[lag:] -= a * x[:-lag]
        out[: len(self.coefficients)] = 0.0
        return out

    def adjoint(self, w: FloatArray) -> FloatArray:
        """Return the transpose of `white` applied to `w`."""
        out = w.copy()
        for lag, a in enumerate(self.coefficients, 1):
            out[:-lag] -= a * w[lag:]
        return out


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
    n = len(flow)
    if n < 2 * SHORTEST or np.ptp(flow) == 0.0:
        return [Plateau(0, n, ())]
    steps: list[tuple[int, int]] = []
    bumps: list[tuple[int, int]] = []
    free = np.ones(n, bool)
    refused = np.zeros(n, bool)
    for _ in range(MOST_EVENTS):
        rest = flow - _levels(flow, steps, free)
        rest[~free] = _bridge(rest, free)
        whitening = _fit(rest, free)
        if whitening is None:
            break
        kind, start, stop, evidence = _best(rest, whitening, refused)
        if evidence < EVIDENCE:
            break
        if kind == "step":
            candidate = sorted([*steps, (start, stop)])
            if _is_level_change(flow, candidate, (start, stop), free):
                steps = candidate
            else:
                refused[max(0, start - 3) : stop + 3] = True
        else:
            start, stop = _widened(rest, start, stop, free, lag)
            bumps.append((start, stop))
            free[start:stop] = False
            if free.sum() < SHORTEST:
                break
    return _plateaus(flow, steps, _merged(bumps), free, lag)


def _levels(flow: FloatArray, steps: list[tuple[int, int]], free: NDArray[np.bool_]) -> FloatArray:
    """Return the level in each frame: the mean of its part, a straight line across each step."""
    n = len(flow)
    bounds = [0, *(edge for step in steps for edge in step), n]
    at: list[float] = []
    levels: list[float] = []
    for start, stop in zip(bounds[::2], bounds[1::2], strict=True):
        part = slice(start, max(stop, start + 1))
        inside = flow[part][free[part]]
        level = float(np.mean(inside)) if len(inside) else float(np.mean(flow[part]))
        at += [start, max(stop - 1, start)]
        levels += [level, level]
    return np.interp(np.arange(n), at, levels)


def _bridge(x: FloatArray, free: NDArray[np.bool_]) -> FloatArray:
    kept = np.flatnonzero(free)
    return np.interp(np.flatnonzero(~free), kept, x[kept])


def _fit(x: FloatArray, free: NDArray[np.bool_]) -> _Whitening | None:
    """Fit the autoregression by least squares, twice, the second time without the largest surprises."""
    n = len(x)
    past = np.column_stack([x[ORDER - lag : n - lag] for lag in range(1, ORDER + 1)])
    now = x[ORDER:]
    use = np.ones(len(now), bool)
    for lag in range(ORDER + 1):
        use &= free[ORDER - lag : n - lag]
    coefficients = np.zeros(ORDER)
    scale = 0.0
    for _ in range(3):
        if use.sum() < 3 * ORDER:
            return None
        a, b = past[use], now[use]
        ridge = 1e-9 * np.trace(a.T @ a) * np.eye(ORDER)
        coefficients = np.linalg.solve(a.T @ a + ridge, a.T @ b) if np.any(a) else coefficients
        surprise = now - past @ coefficients
        scale = 1.4826 * float(np.median(np.abs(surprise[use])))
        if scale == 0.0:
            return None
        use &= np.abs(surprise) < 3.5 * scale
    return _Whitening(coefficients, scale)


def _best(x: FloatArray, whitening: _Whitening, refused: NDArray[np.bool_]) -> tuple[str, int, int, float]:
    """Return the event with the most evidence: kind, frames, and squared signal-to-noise ratio."""
    n = len(x)
    pull = whitening.adjoint(whitening.white(x))
    after = np.concatenate([np.cumsum(pull[::-1])[::-1], [0.0]])
    response = 1.0 - np.concatenate([[0.0], np.cumsum(whitening.coefficients)])
    response = np.concatenate([response, np.full(n, response[-1])])[:n]
    gain = float(response[-1])
    den_mean = max(n * gain**2, 1e-12)
    num_mean = float(after[0])
    best = ("step", 0, 0, 0.0)
    for ramp in RAMPS:
        if n - ramp <= 2 * SHORTEST:
            continue
        shape = np.convolve(response, np.full(ramp, 1.0 / ramp))[:n]
        starts = np.arange(SHORTEST, n - SHORTEST - ramp)
        num = np.convolve(after, np.full(ramp, 1.0 / ramp))[ramp - 1 :][starts]
        left = n - starts
        den = np.cumsum(shape**2)[left - 1]
        cross = gain * np.cumsum(shape)[left - 1]
        evidence = _evidence(num, den, cross, num_mean, den_mean) / whitening.scale**2
        evidence[refused[starts]] = 0.0
        i = int(np.argmax(evidence))
        if evidence[i] > best[3]:
            best = ("step", int(starts[i]), int(starts[i]) + ramp, float(evidence[i]))
    for length in LENGTHS:
        if length + 2 * ORDER >= n:
            continue
        shape = response.copy()
        shape[length:] -= response[:-length]
        starts = np.arange(0, n - length)
        num = after[starts] - after[starts + length]
        left = n - starts
        den = np.cumsum(shape**2)[left - 1]
        cross = gain * np.cumsum(shape)[left - 1]
        evidence = _evidence(num, den, cross, num_mean, den_mean) / whitening.scale**2
        i = int(np.argmax(evidence))
        if evidence[i] > best[3]:
            best = ("bump", int(starts[i]), int(starts[i]) + length, float(evidence[i]))
    return best


def _evidence(num: FloatArray, den: FloatArray, cross: FloatArray, num_mean: float, den_mean: float) -> FloatArray:
    """Squared size of each shape over its variance, the mean being fitted along with it."""
    num = num - cross / den_mean * num_mean
    den = den - cross**2 / den_mean
    return np.where(den > 1e-9, num**2 / np.maximum(den, 1e-9), 0.0)


def _is_level_change(
    flow: FloatArray, steps: list[tuple[int, int]], new: tuple[int, int], free: NDArray[np.bool_]
) -> bool:
    """Whether a step is large against the fluctuation around the levels, and its levels last."""
    levels = _levels(flow, steps, free)
    flat = free.copy()
    for start, stop in steps:
        flat[start:stop] = False
    bounds = [0, *(edge for step in steps for edge in step), len(flow)]
    parts = list(zip(bounds[::2], bounds[1::2], strict=True))
    if any(flat[a:b].sum() < SHORTEST for a, b in parts):
        return False
    rms = float(np.std((flow - levels)[flat]))
    return bool(abs(levels[new[1]] - levels[new[0] - 1]) > LEAST_STEP * rms)


def _widened(rest: FloatArray, start: int, stop: int, free: NDArray[np.bool_], lag: int) -> tuple[int, int]:
    """Return the bump with its skirts: on until the flow is back within the fluctuation."""
    sign = np.sign(np.mean(rest[start:stop]))
    outside = free.copy()
    outside[max(0, start - PAD) : stop + PAD] = False
    rms = float(np.std(rest[outside])) if outside.any() else 0.0
    away = np.convolve(sign * rest, np.full(3, 1.0 / 3.0), mode="same") > 0.7 * rms
    first, last = start, stop
    while first > 0 and start - first < WIDEST_PAD and away[first - 1]:
        first -= 1
    while last < len(rest) and last - stop < WIDEST_PAD + lag and away[last]:
        last += 1
    return max(0, first - PAD), min(len(rest), last + PAD)


def _merged(bumps: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the bumps in time order, those that touch as one."""
    out: list[tuple[int, int]] = []
    for start, stop in sorted(bumps):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(stop, out[-1][1]))
        else:
            out.append((start, stop))
    return out


def _plateaus(
    flow: FloatArray, steps: list[tuple[int, int]], bumps: list[tuple[int, int]], free: NDArray[np.bool_], lag: int
) -> list[Plateau]:
    levels = _levels(flow, steps, free)
    bounds = [0, *(edge for step in steps for edge in step), len(flow)]
    out = []
    for start, stop in zip(bounds[::2], bounds[1::2], strict=True):
        cuts = tuple(
            Cut(max(a, start), min(b, stop), _why(flow[a:b] - levels[a:b], b - a - lag))
            for a, b in bumps
            if a < stop and b > start
        )
        out.append(Plateau(start, stop, cuts))
    return out


def _why(away: FloatArray, length: int) -> str:
    """Return a word for what a bump most likely was."""
    if length <= 2 * PAD + 4:
        return "knock"
    return "gust" if float(np.mean(away)) > 0.0 else "leak or gust"
