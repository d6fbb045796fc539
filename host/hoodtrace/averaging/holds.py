"""Holds: when the hood is pressed on a terminal, told from carrying it and from letting it hang.

Seated, the flow keeps one sign and one level within wide bounds, and both channels tell the same story; carried, the
air through the pipe wanders and the pressure says nothing; hanging free, the vane stands. The finder looks at three
seconds at a time and joins what only a gust, a wobble or a turned valve interrupts. It is fed frames and hands out
whole holds and free stretches; what it hands out depends on the frames alone, not on how they came.

All limits here are own choices, tried on two generators of worlds that share no code (tests/bench); no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FloatArray, Frames, cut, join
from hoodtrace.averaging.seated import HALF, HIGH, LOW, NOT_SEATED, ONE_CHANNEL, SEATED, kinds_of, speeds
from hoodtrace.physics.hood import Hood

LOOK = HALF + 8
"""So far ahead and back may a frame's judgement look: the window, smoothing, and bridged holes."""
GAP = 30
"""Runs further apart than this (frames, 6 s) are never one hold."""
BRIEF = 60
"""Holds under 15 s (12 s without the outer windows) must be calm as a whole, too."""
PIECE, CALM, CALM_WHOLE = 10, 0.20, 0.26
"""Seated, the median over pieces of two seconds of their relative standard deviation is less than this."""
LEAST_PART = 3
CHANGES = 12.0
"""Twice the gain in log-likelihood that a change must bring, else the flow goes on (the record begins or ends)."""
INSIDE, OUTSIDE = 60, 25
"""Frames of the hold and of what lies around it that are looked at for its ends."""
LIFTED = 5
"""With the flow gone for this long (frames, 1 s) the hood was lifted."""
TURN = 3.0
"""Levels further apart than this factor belong to two holds."""
GONE = 0.32
"""The flow is gone under this part of the lower level beside it."""
CORE = 4
"""So many frames at least must have a seated window around them."""
SHORTEST, SHORTEST_TIGHT = 17, 40
"""Shorter runs (frames; 3.4 and 8 s) are not taken for holds."""
REST = 10
"""The vane must stand this long (frames, 2 s) for free-hanging air."""
LONGEST_REST = 100
"""Of a longer free stretch only so many frames (20 s) at its end are still wanted."""

MOST_REVERSED = 0.05
"""Carried air turns round for more of the time than this."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold from frame `start` to `stop` (half-open), and these frames."""

    start: int
    stop: int
    frames: Frames


@dataclass(frozen=True, slots=True)
class Free:
    """Free-hanging air from frame `start` to `stop`: the vane stood; `frames` are the last of them."""

    start: int
    stop: int
    frames: Frames


class HoldFinder:
    """Feed it frames in order; it returns holds and free stretches as they become certain."""

    def __init__(self, hood: Hood) -> None:
        self._hood = hood
        self._frames: Frames | None = None
        self._done = 0
        self._runs: list[list[int]] = []
        self._rest: int | None = None

    @property
    def earliest(self) -> int:
        """First frame that an open hold or free stretch may still need."""
        starts = [self._done, *(run[0] for run in self._runs)]
        if self._rest is not None:
            starts.append(max(self._rest, self._done - LONGEST_REST))
        return max(0, min(starts) - GAP - LOOK)

    @property
    def newest(self) -> Frames | None:
        """The newest frames, some seconds of them at least; None before the first."""
        return self._frames

    def fork(self) -> HoldFinder:
        """Return a finder that goes on from here for itself."""
        other = HoldFinder(self._hood)
        other._frames, other._done, other._rest = self._frames, self._done, self._rest
        other._runs = [run.copy() for run in self._runs]
        return other

    def feed(self, frames: Frames, last: bool = False) -> list[Hold | Free]:
        """Take the next `frames`; with `last` nothing follows, and what is open is closed."""
        parts = [part for part in (self._frames, frames) if part is not None and len(part)]
        if not parts:
            return []
        self._frames = here = join(parts)
        found: list[Hold | Free] = []
        stop = here.stop if last else here.stop - LOOK
        if stop > self._done:
            kinds = kinds_of(cut(here, self._done - LOOK, stop + LOOK), self._hood)
            offset = self._done - max(self._done - LOOK, here.first)
            found += self._follow(kinds[offset : offset + stop - self._done])
            found += self._rests(stop)
            self._done = stop
        if last:
            found += self._close() + self._end_rest(self._done)
        self._frames = cut(here, self.earliest, here.stop)
        return sorted(found, key=lambda f: f.stop)

    def _follow(self, kinds: NDArray[np.int8]) -> list[Hold | Free]:
        """Take the kinds of the frames from `self._done` on and close what a long gap ends."""
        found: list[Hold | Free] = []
        bounds = np.flatnonzero(np.diff(kinds)) + 1
        starts = np.concatenate([[0], bounds])
        stops = np.concatenate([bounds, [len(kinds)]])
        for a, b in zip((starts + self._done).tolist(), (stops + self._done).tolist(), strict=True):
            kind = int(kinds[a - self._done])
            if kind == NOT_SEATED:
                if self._runs and b - self._runs[-1][1] >= GAP:
                    found += self._close()
            elif self._runs and self._runs[-1][1] == a and self._runs[-1][2] == kind:
                self._runs[-1][1] = b
            else:
                self._runs.append([a, b, kind])
        return found

    def _close(self) -> list[Hold | Free]:
        """Make holds of the runs that have gathered."""
        runs, self._runs = self._runs, []
        if not runs or self._frames is None:
            return []
        view = _View(self._frames, self._hood)
        groups: list[list[list[int]]] = []
        for run in _lasting(runs):
            if groups and view.same_hold(groups[-1][-1], run):
                groups[-1].append(run)
            else:
                groups.append([run])
        found: list[Hold | Free] = []
        behind = 0
        for i, group in enumerate(groups):
            ahead = groups[i + 1][0][0] if i + 1 < len(groups) else self._frames.stop
            if not view.calm(group):
                # A piece of walking may have been taken for a part of the hold: what is left without it?
                group = [max(group, key=lambda run: run[1] - run[0])]
                if not view.calm(group):
                    continue
            start, stop = view.edges(group[0], group[-1], behind, ahead)
            sure = any(kind == SEATED for _, _, kind in group)
            long_enough = stop - start >= (SHORTEST if sure else SHORTEST_TIGHT)
            if long_enough:
                found.append(Hold(start, stop, cut(self._frames, start, stop)))
                behind = stop
        return found

    def _rests(self, stop: int) -> list[Hold | Free]:
        """Follow the standing vane from `self._done` to `stop`."""
        found: list[Hold | Free] = []
        if self._frames is None or self._hood.vane is None:
            return found
        stands = cut(self._frames, self._done, stop).hz == 0.0
        bounds = np.flatnonzero(np.diff(np.concatenate([[self._rest is not None], stands]).astype(np.int8)))
        for i in bounds.tolist():
            if stands[i]:
                self._rest = self._done + i
            else:
                found += self._end_rest(self._done + i)
        return found

    def _end_rest(self, stop: int) -> list[Hold | Free]:
        start, self._rest = self._rest, None
        if start is None or stop - start < REST or self._frames is None:
            return []
        # The first and last frame may still hold a little of the turning vane.
        return [Free(start, stop, cut(self._frames, max(start + 1, stop - LONGEST_REST), stop - 1))]


class _View:
    """The flow around some runs, for joining them and finding their ends."""

    def __init__(self, frames: Frames, hood: Hood) -> None:
        self._first = frames.first
        self._vane, self._taps, _ = speeds(frames, hood)
        self._levels: dict[tuple[bool, int, int], float] = {}

    def same_hold(self, before: list[int], after: list[int]) -> bool:
        """Whether the hood stayed seated between two runs."""
        speed, _ = self.speaking(max(before, after, key=lambda run: run[1] - run[0]))
        levels = [self._level(speed, run) for run in (before, after)]
        if self._vane is not None and 0.0 in levels:
            # Where samples are lost the vane's count still tells of the air.
            speed, levels = self._vane, [self._level(self._vane, run) for run in (before, after)]
        if not levels[0] * levels[1] > 0.0 or not 1.0 / TURN < levels[0] / levels[1] < TURN:
            return False
        if after[0] - HALF <= before[1] + HALF:
            return True
        gap = speed[before[1] + HALF - self._first : after[0] - HALF - self._first]
        if len(gap) < LIFTED:
            return True
        level = min(levels, key=abs)
        # Squared: the mean of roots would make flow out of the noise around zero.
        power = sliding_window_view(np.nan_to_num(gap * np.abs(gap) * np.sign(level)), LIFTED).mean(axis=1)
        return bool(np.all(power > (GONE * level) ** 2))

    def edges(self, first: list[int], last: list[int], not_before: int, not_after: int) -> tuple[int, int]:
        """Return the hold's outer ends: where mean and variance of the flow change most around its outer runs."""
        outside = min(OUTSIDE, last[1] - first[0])
        inside = min(last[1], first[0] + INSIDE)
        speed, level = self.speaking(first)
        start = first[0] - HALF
        before = max(self._first, start - outside, not_before)
        part = speed[before - self._first : inside - self._first]
        start = before + _change(part, abs(level), first[0] + HALF - before)
        inside = max(first[0], last[1] - INSIDE)
        speed, level = self.speaking(last)
        after = min(self._first + len(speed), last[1] + HALF + outside, not_after)
        part = speed[inside - self._first : after - self._first][::-1]
        stop = after - _change(part, abs(level), after - (last[1] - HALF))
        return start, stop

    def calm(self, group: list[list[int]]) -> bool:
        """Whether most of the hold fluctuates no more than seated air does; walking air is rougher."""
        speed, _ = self.speaking(max(group, key=lambda run: run[1] - run[0]))
        inner = slice(group[0][0] - self._first, group[-1][1] - self._first)
        part = speed[inner]
        pieces = _pieces(part, min(PIECE, len(part)))
        means = pieces.mean(axis=1)
        sound = np.isfinite(means) & (means != 0.0)
        if not sound.any() or np.median(pieces[sound].std(axis=1) / np.abs(means[sound])) > CALM:
            return False
        whole = part[np.isfinite(part)]
        if len(part) < BRIEF and whole.std() > CALM_WHOLE * abs(whole.mean()):
            return False
        if self._taps is None or any(kind == ONE_CHANNEL for _, _, kind in group):
            return True
        turned = _pieces(self._taps[inner], min(PIECE // 2, len(part))).mean(axis=1)
        return bool(np.mean(turned * np.nansum(turned) < 0.0) <= MOST_REVERSED)

    def speaking(self, run: list[int]) -> tuple[FloatArray, float]:
        """Return the channel that follows the air best (the taps, which do not coast, if they speak) and its level."""
        channels = [series for series in (self._taps, self._vane) if series is not None]
        levels = [self._level(series, run) for series in channels]
        best = 0 if abs(levels[0]) > 0.4 * abs(levels[-1]) else -1
        return channels[best], levels[best]

    def _level(self, series: FloatArray, run: list[int]) -> float:
        key = series is self._taps, run[0], run[1]
        if key not in self._levels:
            part = series[run[0] - self._first : run[1] - self._first]
            self._levels[key] = float(np.median(part)) if np.all(np.isfinite(part)) else 0.0
        return self._levels[key]


def _lasting(runs: list[list[int]]) -> list[list[int]]:
    """Return the runs without those that, with what touches them, are shorter than `CORE`."""
    out: list[list[int]] = []
    cluster: list[list[int]] = []
    for run in [*runs, [-1, -1, NOT_SEATED]]:
        if cluster and run[0] != cluster[-1][1]:
            if cluster[-1][1] - cluster[0][0] >= CORE:
                out += cluster
            cluster = []
        cluster.append(run)
    return out


def lasting(hold: Hold, frames: Frames, hood: Hood) -> tuple[Hold | None, int]:
    """Return `hold` as it lasts at the end of `frames`, None if the hood was lifted, and for how many frames it is odd.

    At the end of what is known the finder's own end of a hold is no more than a guess: the flow may swing. While the
    flow stays within the bounds of a seated window the hold goes on to the end of `frames`; else it stays as it was
    found, and is over when the flow has been gone for `LIFTED` frames, or odd for so long that no hold would go on.
    """
    behind = cut(frames, hold.stop, frames.stop)
    n = len(behind)
    if not n:
        return hold, 0
    whole = join([hold.frames, behind])
    speed, level = _View(whole, hood).speaking([hold.start, hold.stop, SEATED])
    speed = np.nan_to_num(speed * np.sign(level))
    level = abs(level)
    if n >= LIFTED and (speed * np.abs(speed))[-LIFTED:].mean() <= (GONE * level) ** 2:
        return None, n
    if LOW * level < speed[-CORE:].mean() < HIGH * level and n < GAP:
        return Hold(hold.start, whole.stop, whole), 0
    return (hold if n < GAP else None), n


def _pieces(x: FloatArray, length: int) -> FloatArray:
    """Return `x` cut into rows of `length`; what is left over at the end falls away."""
    return x[: len(x) // length * length].reshape(-1, length)


def _change(flow: FloatArray, level: float, most: int) -> int:
    """Return where, up to `most`, mean and variance of `flow` change most (Gaussian likelihood of two parts)."""
    usable = np.isfinite(flow)
    flow = np.where(usable, flow, 0.0)
    n = len(flow)
    most = min(most, n - LEAST_PART)
    if most <= LEAST_PART:
        return 0
    at = np.arange(LEAST_PART, most)
    floor = (0.01 * level) ** 2
    count = np.arange(1, n + 1)
    sums, squares = np.cumsum(flow), np.cumsum(flow**2)
    left = squares / count - (sums / count) ** 2
    rest = n - at
    right = (squares[-1] - squares[at - 1]) / rest - ((sums[-1] - sums[at - 1]) / rest) ** 2
    cost = at * np.log(np.maximum(left[at - 1], 0.0) + floor) + rest * np.log(np.maximum(right, 0.0) + floor)
    whole = n * np.log(max(float(left[-1]), 0.0) + floor)
    best = int(np.argmin(cost))
    return int(at[best]) if whole - cost[best] > CHANGES else 0
