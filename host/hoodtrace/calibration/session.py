"""A calibration as it grows: the gear that is at hand, and points, each from what was typed and from a trace.

The journal of a calibration keeps what people typed and which hold of which trace belongs to it; all else is worked out
here again each time. `gear_of` and `reference_of` turn a journal's fields into the references of `references`;
`flows_to_try` says which flows are worth a point. No file is opened here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from hoodtrace.calibration.orifice import Plate, orifice_flow
from hoodtrace.calibration.points import Common, Point, ReferenceFlow
from hoodtrace.calibration.references import Calibration, Gear, Meter, known_flow, second_meter
from hoodtrace.calibration.signals import Signals
from hoodtrace.calibration.timed_volume import Bag, timed_volume
from hoodtrace.calibration.traverse import TraversePipe, traverse
from hoodtrace.errors import UsageError
from hoodtrace.physics.air import Air
from hoodtrace.units import m3_s

N_TO_TRY = 9
U_DENSITY_RATIO_REL = 0.003
"""Relative standard uncertainty of the ratio of two airs' densities: two thermometers of 0.5 K and what they say of
humidity (own estimate)."""
KNOWN = "known flow"
_GEAR: Mapping[str, type[Bag] | type[Plate] | type[TraversePipe] | type[Meter]] = {
    "timed volume": Bag,
    "orifice plate": Plate,
    "pipe traverse": TraversePipe,
    "second meter": Meter,
}
AnyGear = Bag | Plate | TraversePipe | Meter


@dataclass(frozen=True, slots=True)
class Typed:
    """A point as the journal keeps it: its gear (a name, or "known flow"), what was typed, and the hold it belongs to.

    `trace` is the file's name, `place` the hold and plateau in it, `sha256` the file's hash (empty: not known yet).
    """

    number: int
    direction: str
    gear: str
    values: Mapping[str, Any]
    trace: str
    place: tuple[int, int]
    sha256: str = ""


def gear_fields(gear: AnyGear) -> dict[str, Any]:
    """Return the gear as JSON fields, its kind among them; degrees of freedom that are infinite are left out."""
    return _finite(asdict(gear))


def _finite(said: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: _finite(value) if isinstance(value, Mapping) else value
        for name, value in said.items()
        if value != math.inf
    }


def gear_of(said: Mapping[str, Any]) -> AnyGear:
    """Return the gear that `gear_fields` gave.

    Raises
    ------
    UsageError
        It is of no known kind, or a field is missing or unknown.
    """
    kind = _GEAR.get(str(said.get("kind")))
    if kind is None:
        raise UsageError(f"a reference of kind {said.get('kind')!r}: there are {', '.join(_GEAR)}")
    known = {each.name for each in fields(kind)}
    given = dict(said)
    if isinstance(given.get("calibration"), Mapping):
        given["calibration"] = Calibration(**given["calibration"])
    try:
        return kind(**{name: value for name, value in given.items() if name in known})
    except TypeError as error:
        raise UsageError(f"{said.get('kind')}: {error}") from error


def reference_of(gear: AnyGear | None, values: Mapping[str, Any], air: Air) -> ReferenceFlow:
    """Return the reference flow of a point at the hood's `air`.

    Parameters
    ----------
    gear : Bag, Plate, TraversePipe, Meter or None
        None: a flow already known.
    values : mapping
        Timed volume: times_s, temp_c of the bag's air; orifice plate: dp_pa, temp_c; pipe traverse: readings_m_s (one
        list a diameter), temp_c; second meter: flow_m3h, temp_c and pressure_pa of the air that it states it for; known
        flow: flow_m3h, u_m3h, source. A missing temp_c or pressure_pa is the hood's own.
    air : Air

    Raises
    ------
    UsageError, MeasurementError
        As the reference's own function; a value is missing.
    """
    try:
        temp_c = float(values.get("temp_c", air.temp_c))
        there = replace(air, temp_c=temp_c, pressure_pa=float(values.get("pressure_pa", air.pressure_pa)))
        u_ratio = 0.0 if there == air else U_DENSITY_RATIO_REL
        if there.pressure_pa != air.pressure_pa:  # a stated pressure: the hood's own is then as good as its barometer
            u_ratio = math.hypot(u_ratio, air.u_pressure_pa / air.pressure_pa)
        match gear:
            case Bag():
                bag = replace(gear, u_temp_k=max(gear.u_temp_k, air.u_temp_c))
                return timed_volume(bag, [float(each) for each in values["times_s"]], temp_c, air.temp_c)
            case Plate():
                return orifice_flow(gear, float(values["dp_pa"]), there, hood_air=None if temp_c == air.temp_c else air)
            case TraversePipe():
                rows = [[float(each) for each in row] for row in values["readings_m_s"]]
                found = traverse(gear, rows, there, air.density_kg_m3)
                extra = (Common(f"air density at {gear.kind}", u_ratio),) if u_ratio else ()
                return replace(
                    found,
                    common=(*found.common, *extra),
                    terms={**found.terms, **{each.name: each.u_rel for each in extra}},
                )
            case Meter():
                flow = m3_s(float(values["flow_m3h"]))
                return second_meter(gear, flow, there.density_kg_m3, air.density_kg_m3, u_ratio)
            case None:
                source = values.get("source")
                return known_flow(
                    m3_s(float(values["flow_m3h"])), m3_s(float(values["u_m3h"])), source=source if source else None
                )
    except KeyError as error:
        raise UsageError(f"{gear.kind if gear is not None else KNOWN}: {error.args[0]} is missing") from error


def point_of(typed: Typed, reference: ReferenceFlow, seen: Signals) -> Point:
    """Return the point for the fit."""
    return Point(
        typed.number,
        typed.direction,
        reference,
        seen.vane_m_s,
        seen.u_vane_m_s,
        seen.taps_m_s,
        seen.u_taps_m_s,
        seen.air_density_kg_m3,
        seen.taps_common,
    )


def flows_to_try(gears: Sequence[Gear], air: Air, lowest_m3_s: float, highest_m3_s: float) -> tuple[float, ...]:
    """Return flows over the wanted range, in equal ratios, at which some gear is valid; all of them without any gear.

    Examples
    --------
    >>> from hoodtrace.physics.air import assumed_air
    >>> bag = Bag("bag", 0.12, 0.01)
    >>> flows = flows_to_try([bag], assumed_air(None), 0.004, 0.05)
    >>> len(flows), max(flows) <= 0.12 / 5.0
    (6, True)
    """
    ratio = (highest_m3_s / lowest_m3_s) ** (1.0 / (N_TO_TRY - 1))
    flows = [lowest_m3_s * ratio**i for i in range(N_TO_TRY)]
    limits = [gear.limits_m3_s(air) for gear in gears]
    return tuple(flow for flow in flows if not limits or any(low <= flow <= high for low, high in limits))


def first_flow(points: Sequence[Point], candidates: Sequence[float]) -> float:
    """Return the flow for a point before there is a fit: the one farthest, in ratio, from all that there are.

    Without any point the highest: it shows first whether all works.

    Examples
    --------
    >>> first_flow([], [0.01, 0.02, 0.03])
    0.03
    """
    have = [point.reference.flow_m3_s for point in points]
    if not have:
        return max(candidates)
    return max(candidates, key=lambda flow: min(max(flow / each, each / flow) for each in have))
