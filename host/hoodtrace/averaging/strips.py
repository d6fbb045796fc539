"""Strips: the flow of each channel sample by sample, for drawing a whole trace; no reading is made of them.

One strip a boot, thinned nowhere: float32 m3/h beside the time. The vane's flow between two samples is what its dated
edges say, 0 where it stands or turns under its start speed, negative in a hold of extract air; the taps' is the flow of
the one dp value, noise and all, with the sign of dp. NaN where a value is not valid; a hole between two samples has one
NaN point in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.channels import Plane
from hoodtrace.averaging.frames import HOLE_US, FloatArray, IntArray
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.taps import flow_m3_s, pressure_factor
from hoodtrace.physics.vane import speed_m_s
from hoodtrace.units import m3h

Float32s = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Strip:
    """Time (s since the trace's first sample), vane and taps flow (m3/h), each of shape (n,), of one boot."""

    boot: int
    t_s: FloatArray
    vane_m3h: Float32s
    taps_m3h: Float32s


@dataclass(frozen=True, slots=True)
class Steps:
    """What holds from a moment on: `values[i]` from `from_us[i]` (rising) to the next; the first also before it."""

    from_us: IntArray
    values: FloatArray

    @classmethod
    def of(cls, steps: list[tuple[int, float]]) -> Steps:
        """Return steps in any order as one; of two at one moment the later in the list counts."""
        last = sorted(dict(steps).items())
        return cls(np.array([at_us for at_us, _ in last], np.int64), np.array([value for _, value in last]))

    def at(self, t_us: IntArray) -> FloatArray:
        """Return the value at each time, shape (n,)."""
        return self.values[np.maximum(np.searchsorted(self.from_us, t_us, side="right") - 1, 0)]


def vane_flow_m3h(plane: Plane, hood: Hood, is_extract: NDArray[np.bool_]) -> Float32s:
    """Return the vane's flow from each sample of `plane` to the next, shape (n - 1,); NaN over a hole."""
    step_us = np.diff(plane.t_us)
    flow = np.full(len(step_us), np.nan)
    if hood.vane is None:
        return flow.astype(np.float32)
    held = (step_us > 0) & (step_us <= HOLE_US)
    hz = np.diff(plane.edges_at)[held] / (step_us[held] * 1e-6)
    flow[held] = _through(hz, hood, "supply")
    if is_extract.any():
        flow[held] = np.where(is_extract[held], -_through(hz, hood, "extract"), flow[held])
    return m3h_of(flow)


def taps_flow_m3h(plane: Plane, hood: Hood, zero_pa: FloatArray) -> Float32s:
    """Return the taps' flow of each sample of `plane`, whose dp has the zero error still in it; shape (n,)."""
    taps = hood.taps
    if taps is None:
        return np.full(len(plane.t_us), np.nan, np.float32)
    dp_pa = plane.dp_pa - zero_pa
    per_density = np.array([pressure_factor(taps, air) / air.density_kg_m3 for air in plane.airs])[plane.air_index]
    flow = flow_m3_s(dp_pa * per_density, hood.area_m2, taps, 1.0)
    extract = hood.taps_for("extract")
    if taps.extract is not None and extract is not None:
        per_density = np.array([pressure_factor(extract, a) / a.density_kg_m3 for a in plane.airs])[plane.air_index]
        flow = np.where(dp_pa < 0.0, flow_m3_s(dp_pa * per_density, hood.area_m2, extract, 1.0), flow)
    return m3h_of(flow)


def with_holes(boot: int, t_us: IntArray, shift_s: float, vane_m3h: Float32s, taps_m3h: Float32s) -> Strip:
    """Return the strip of a boot whose time 0 lies `shift_s` after the trace's first sample."""
    holes = np.flatnonzero(np.diff(t_us) > HOLE_US)
    t_s = t_us.astype(np.float64)
    t_s *= 1e-6
    t_s += shift_s
    if not len(holes):
        return Strip(boot, t_s, vane_m3h, taps_m3h)
    # Near its beginning: far from both ends it would be a piece of its own on an axis that shortens long voids.
    middle_s = np.minimum(0.5 * (t_s[holes] + t_s[holes + 1]), t_s[holes] + HOLE_US * 1e-6)
    return Strip(
        boot,
        np.insert(t_s, holes + 1, middle_s),
        np.insert(vane_m3h, holes + 1, np.float32(np.nan)),
        np.insert(taps_m3h, holes + 1, np.float32(np.nan)),
    )


def m3h_of(flow_m3_s: FloatArray) -> Float32s:
    """Return flows in m3/h, single precision."""
    return (flow_m3_s * m3h(1.0)).astype(np.float32)


def _through(hz: FloatArray, hood: Hood, direction: str) -> FloatArray:
    vane = hood.vane_for(direction)
    assert vane is not None
    speed = speed_m_s(hz, vane)
    return np.where(speed >= vane.start_m_s, vane.k * hood.area_m2 * speed, 0.0)
