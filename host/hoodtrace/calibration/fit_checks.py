"""What is refused before a fit, each with a message of its own; and the points that are left.

Contract: `checked(points, channel)` returns the points of that channel as arrays, in the order given, or raises a
MeasurementError. Units are judged by ratio alone: a point over 3 times off the others, or off by the very factor
between two units.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.calibration.points import Common, Point
from hoodtrace.errors import MeasurementError
from hoodtrace.units import CFM_PER_M3_S, M3_H_PER_M3_S, m3h

FloatArray = NDArray[np.float64]

N_LEAST = 3
FAR_OFF = 3.0
PLAUSIBLE = (0.2, 3.0)
"""Flow over area times signal: between a hood that chokes and one that is three times off (common practice, no
source)."""
M3_H_PER_CFM = M3_H_PER_M3_S / CFM_PER_M3_S
UNITS = (
    (M3_H_PER_CFM, "cfm and m3/h"),
    (3.6, "L/s and m3/h"),
    (60.0, "per second and per minute, or per minute and per hour"),
    (1000.0, "litres and cubic metres"),
    (M3_H_PER_M3_S, "per second and per hour"),
)


class WrongUnits(MeasurementError):  # noqa: N818
    """What was typed is off by as much as between two units: nothing of this calibration is to be trusted."""


@dataclass(frozen=True, slots=True)
class Columns:
    """The points of one channel: numbers, flow (m3/s), signal (m/s), relative own uncertainties, shared errors.

    `shared` (n, m) is the relative standard uncertainty of each of the `common` at each point.
    """

    channel: str
    numbers: tuple[int, ...]
    flow_m3_s: FloatArray
    signal_m_s: FloatArray
    u_flow_rel: FloatArray
    u_signal_m_s: FloatArray
    common: tuple[Common, ...]
    shared: FloatArray


def checked(points: Sequence[Point], channel: str, area_m2: float) -> Columns:
    """Points of "vane" or "taps" that a fit may use.

    Parameters
    ----------
    points : sequence of Point
        Those with no signal on this channel are left out.
    channel : str
        "vane" or "taps".
    area_m2 : float
        The bore's area, m2, > 0.

    Raises
    ------
    MeasurementError
        Mixed directions; a flow that is not positive; a reference without uncertainty; no signal at all; too few
        points; units that are probably wrong.
    """
    if len({p.direction for p in points}) > 1:
        raise MeasurementError(
            "the points hold both directions, supply and extract; a pipe hood reads differently in each: "
            "fit one direction at a time"
        )
    for point in points:
        _check_reference(point)
    used = [(p, *_signal(p, channel)) for p in points]
    usable = [(p, s, u) for p, s, u in used if s is not None and u is not None]
    if points and not usable:
        raise MeasurementError(
            f"the {channel} gave no signal in any of the {len(points)} points: look at its plug and tubes, or "
            "calibrate the other channel alone"
        )
    for point, signal, u in usable:
        if not (math.isfinite(signal) and signal > 0.0 and math.isfinite(u) and u >= 0.0):
            raise MeasurementError(
                f"point {point.number}: the {channel}'s signal is {signal:g} m/s with a standard uncertainty of {u:g} "
                "m/s; a signal must be over 0: leave this point out, or turn the hood round"
            )
    _check_count(len(usable), channel)
    flow = np.array([p.reference.flow_m3_s for p, _, _ in usable])
    signal_m_s = np.array([s for _, s, _ in usable])
    numbers = tuple(p.number for p, _, _ in usable)
    _check_units(numbers, flow / (area_m2 * signal_m_s), channel)
    common, shared = _shared([(p, _common(p, channel)) for p, _, _ in usable])
    u_flow = np.array([p.reference.u_own_m3_s for p, _, _ in usable]) / flow
    u_signal = np.array([u for _, _, u in usable])
    for number, u_rel in zip(numbers, np.hypot(u_flow, u_signal / signal_m_s), strict=True):
        if u_rel == 0.0:
            raise MeasurementError(
                f"point {number}: neither the reference nor the {channel} has a random uncertainty of its own; no "
                "measurement is exact: state the scatter of the reference"
            )
    return Columns(channel, numbers, flow, signal_m_s, u_flow, u_signal, common, shared)


def _signal(point: Point, channel: str) -> tuple[float | None, float | None]:
    if channel == "vane":
        return point.vane_m_s, point.u_vane_m_s
    return point.taps_m_s, point.u_taps_m_s


def _check_reference(point: Point) -> None:
    reference = point.reference
    flow, own = reference.flow_m3_s, reference.u_own_m3_s
    if not (math.isfinite(flow) and flow > 0.0):
        raise MeasurementError(
            f"point {point.number}: the reference flow is {m3h(flow):g} m3/h; it must be over 0: look at the volume, "
            "the time or the pressure that was typed in"
        )
    u_rels = [each.u_rel for each in reference.common]
    if not all(math.isfinite(u) and u >= 0.0 for u in (own, *u_rels)) or own + sum(u_rels) == 0.0:
        raise MeasurementError(
            f"point {point.number}: the reference ({reference.kind}, {m3h(flow):.1f} m3/h) has no uncertainty; a "
            "calibration cannot be better known than its reference: state it"
        )


def _check_count(n: int, channel: str) -> None:
    if n == 1:
        raise MeasurementError(
            f"one point with a signal of the {channel}: no k-factor can be found from it, for nothing tells its "
            "scatter; one point can check the other direction of a hood that is calibrated. Measure 3 flows at least, "
            "better 5"
        )
    if n < N_LEAST:
        raise MeasurementError(
            f"{n} points with a signal of the {channel}: a fit needs at least {N_LEAST}, better 5; fewer can check the "
            "other direction of a hood that is calibrated, no more"
        )


def _check_units(numbers: tuple[int, ...], ratio: FloatArray, channel: str) -> None:
    for i, number in enumerate(numbers):
        others = np.delete(ratio, i)
        off = float(ratio[i] / np.median(others))
        size = max(off, 1.0 / off)
        factor, name = min(UNITS, key=lambda unit: abs(math.log(unit[0] / size)))
        exactly = abs(math.log(factor / size)) < 0.05 and others.max() < 1.15 * others.min()
        if size > FAR_OFF or exactly:
            raise WrongUnits(
                f"point {number}: its flow is {off:.3g} times what the {channel} makes of the other points; the units "
                f"are probably wrong (nearest: {_times(factor, off)}, {name}): type it in again"
            )
    typical = float(np.median(ratio))
    if not PLAUSIBLE[0] < typical < PLAUSIBLE[1]:
        size = max(typical, 1.0 / typical)
        factor, name = min(UNITS, key=lambda unit: abs(math.log(unit[0] / size)))
        raise WrongUnits(
            f"all points: the flow is {typical:.3g} times area times signal of the {channel}, where a hood has "
            f"about 1; the units or the bore are probably wrong (nearest: {_times(factor, typical)}, {name}): look at "
            "both"
        )


def _times(factor: float, off: float) -> str:
    return f"{factor:.4g}" if off > 1.0 else f"{1.0 / factor:.4g}"


def _common(point: Point, channel: str) -> tuple[Common, ...]:
    return (*point.reference.common, *(point.taps_common if channel == "taps" else ()))


def _shared(points: Sequence[tuple[Point, tuple[Common, ...]]]) -> tuple[tuple[Common, ...], FloatArray]:
    """Each name once (largest uncertainty, fewest degrees of freedom), and its size at each point."""
    by_name: dict[str, Common] = {}
    for each in (c for _, commons in points for c in commons):
        old = by_name.get(each.name, each)
        by_name[each.name] = Common(each.name, max(old.u_rel, each.u_rel), min(old.dof, each.dof))
    shared = np.zeros((len(points), len(by_name)))
    for i, (_, commons) in enumerate(points):
        for each in commons:
            shared[i, list(by_name).index(each.name)] = each.u_rel
    return tuple(by_name.values()), shared
