"""The trail of one boot: its samples in physical terms, kept as long as a hold may still need them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.channels import Plane
from hoodtrace.averaging.frames import FRAME_US, FloatArray, Frames, IntArray, frames_between, turning
from hoodtrace.physics.air import Air, assumed_air, measured_air
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.taps import RATED_COUNTS
from hoodtrace.wire.lines import DP_INVALID
from hoodtrace.wire.samples import Boot, Samples

SLOW_US = 400_000
"""With no edge for so long the vane hardly turns."""


@dataclass(slots=True)
class Trail:
    """Samples of one boot in time order, the air lines among them, and where its frames begin."""

    boot: Boot
    hood: Hood
    airs: list[tuple[int, Air]]
    origin_us: int | None = None
    first_us: int = 0
    t_us: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    edges: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    age_us: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    dp_pa: FloatArray = field(default_factory=lambda: np.empty(0))
    over: NDArray[np.int8] = field(default_factory=lambda: np.empty(0, np.int8))
    flags: NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))
    _position: tuple[IntArray, FloatArray] | None = None

    def append(self, samples: Samples) -> None:
        """Take the next samples of this boot."""
        self.boot = samples.boot
        for message in samples.messages:
            if message.body.get("kind") == "air":
                body = message.body
                air = measured_air(
                    body.get("temp_c"), body.get("rh_pct"), body.get("pressure_pa"), self.hood.altitude_m
                )
                if air is not None:
                    self.airs.append((message.t_us, air))
        if not len(samples):
            return
        if self.origin_us is None:
            self.origin_us = int(samples.t_us[0])
        raw = samples.raw_dp.astype(np.int32)
        over = np.where((samples.flags & DP_INVALID) == 0, (raw > RATED_COUNTS) * 1 - (raw < -RATED_COUNTS), 0).astype(
            np.int8
        )
        per_pa = self.boot.positive("dp_counts_per_pa")
        dp_pa = raw / per_pa if per_pa is not None else np.full(len(raw), np.nan)
        dp_pa[(over != 0) | ((samples.flags & DP_INVALID) != 0)] = np.nan
        self.t_us = np.concatenate([self.t_us, samples.t_us])
        self.edges = np.concatenate([self.edges, samples.edges])
        self.age_us = np.concatenate([self.age_us, samples.age_us])
        self.dp_pa = np.concatenate([self.dp_pa, dp_pa])
        self.over = np.concatenate([self.over, over])
        self.flags = np.concatenate([self.flags, samples.flags])
        self._position = None

    def forget(self, before_us: int) -> None:
        """Drop what lies before `before_us`, but for the last edge's worth of it."""
        keep = int(np.searchsorted(self.t_us, before_us - 2 * 10 * FRAME_US))
        if keep:
            for name in ("t_us", "edges", "age_us", "dp_pa", "over", "flags"):
                setattr(self, name, getattr(self, name)[keep:].copy())
            self._position = None

    def frames(self, first: int, stop: int) -> Frames:
        """Return frames `first` to `stop` (half-open) of what is kept."""
        origin_us = self.origin_us if self.origin_us is not None else 0
        return frames_between(first, stop, origin_us, self.t_us, self._turning(), self.dp_pa)

    def newest_us(self) -> int:
        """Return until when the trail tells what the vane did: its newest edge, or the newest sample if it stands."""
        age_us = int(self.age_us[-1])
        return int(self.t_us[-1]) - (age_us if age_us <= SLOW_US else 0)

    def at_us(self, frame: int) -> int:
        """Return when `frame` begins, us since boot."""
        return (self.origin_us or 0) + frame * FRAME_US

    def plane(
        self, start_us: int, stop_us: int, cuts_us: list[tuple[int, int]], zero_pa: float, airs_until_us: float
    ) -> Plane:
        """Return the samples from `start_us` to `stop_us` for averaging; `cuts_us` are left out.

        Air lines after `airs_until_us` came too late to be used.
        """
        a, b = np.searchsorted(self.t_us, [start_us, stop_us])
        t_us = self.t_us[a:b].copy()
        kept = np.ones(len(t_us), bool)
        for start, stop in cuts_us:
            kept[(t_us >= start) & (t_us < stop)] = False
        airs, index = self._airs(t_us, airs_until_us)
        return Plane(
            t_us,
            np.interp(t_us, *self._turning()),
            self.dp_pa[a:b] - zero_pa,
            self.over[a:b].copy(),
            self.flags[a:b].copy(),
            kept,
            index,
            airs,
        )

    def _airs(self, t_us: IntArray, until_us: float) -> tuple[tuple[Air, ...], IntArray]:
        """Return the airs that `t_us` need (the last before each, else the first after), and which each needs."""
        known = bisect_right(self.airs, until_us, key=_when)
        if not known or not len(t_us):
            return (assumed_air(self.hood.altitude_m),), np.zeros(len(t_us), np.int64)
        first = max(bisect_right(self.airs, int(t_us[0]), hi=known, key=_when) - 1, 0)
        last = max(bisect_right(self.airs, int(t_us[-1]), hi=known, key=_when), first + 1)
        needed = self.airs[first:last]
        index = np.searchsorted([air[0] for air in needed], t_us, side="right") - 1
        return tuple(air for _, air in needed), np.maximum(index, 0)

    def _turning(self) -> tuple[IntArray, FloatArray]:
        if self._position is None:
            self._position = turning(self.t_us, self.edges, self.age_us)
        return self._position


def _when(air: tuple[int, Air]) -> int:
    return air[0]
