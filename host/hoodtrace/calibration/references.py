"""What a hood can be calibrated against: the kinds, what each is good for at which flow, and checks of what was typed.

Each kind of gear (`Bag`, `Plate`, `TraversePipe`, `Meter`) states its limits and its uncertainty at a flow; `span` puts
them into one shape for a screen. A meter with a calibration of its own and a flow already known live here; the other
kinds have a module each. Every function gives a `ReferenceFlow` with its warnings. A reference
without an uncertainty is refused, and a number that looks like another unit is refused with that unit named.
An error shared by several points is a `Common` of one name; where it is an absolute one (the zero of a manometer), its
`u_rel` differs from point to point, and the errors are still one and the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from hoodtrace.calibration.points import Common, ReferenceFlow
from hoodtrace.errors import UsageError
from hoodtrace.physics.air import Air
from hoodtrace.units import M3_H_PER_M3_S, m3h

TIMED_ONLY_BELOW_M3_S = 16.0 / M3_H_PER_M3_S
"""Below this only a timed volume is a standard; the one exception is a plate in a pipe under 75 mm, which ISO 5167-2
allows there or refuses by itself."""

TIMED_ONLY = "timed volume only"

SCREEN_FLOWS_M3_S = tuple(each / M3_H_PER_M3_S for each in (10.0, 20.0, 30.0, 50.0, 75.0, 100.0, 150.0, 200.0, 250.0))


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of reference for a screen: what it is, where it serves, what it needs."""

    name: str
    serves: str
    needs: tuple[str, ...]


KINDS: Mapping[str, Kind] = {
    each.name: each
    for each in (
        Kind(
            "timed volume",
            "about 3 m3/h up to a filling time of 5 s; the only standard below 16 m3/h",
            ("a bag or drum of known volume", "a stop watch", "the temperatures in the bag and at the hood"),
        ),
        Kind(
            "orifice plate",
            "inside the limits of ISO 5167-2 only, about 20 to 90 m3/h with plates of half the pipe's bore",
            ("a sharp-edged plate", "10 to 40 bores of straight pipe or a straightener", "a leak test of the taps"),
        ),
        Kind(
            "pipe traverse",
            "from about 60 m3/h; a pitot tube from about 3 m/s only (velocity pressure is under 1 Pa below 1.3 m/s)",
            ("a calibrated probe", "a straight pipe of known bore", "a scale in mm for the probe's place"),
        ),
        Kind("second meter", "inside the range of its own calibration", ("its calibration with an uncertainty",)),
        Kind("known flow", "at that flow only", ("where it is known from, and its uncertainty",)),
    )
}


class Gear(Protocol):
    """What every kind of gear can say before anything is measured."""

    @property
    def kind(self) -> str:
        """Key of `KINDS`."""

    def limits_m3_s(self, air: Air) -> tuple[float, float]:
        """Lowest and highest valid flow, m3/s, in this air."""

    def u_rel_at(self, flow_m3_s: float, air: Air) -> float:
        """Relative standard uncertainty that it would bring at this flow; infinite where it is not valid."""


@dataclass(frozen=True, slots=True)
class At:
    """What a reference does at one flow: whether it is valid there, its relative standard uncertainty, a remark."""

    flow_m3_s: float
    valid: bool
    u_rel: float
    remark: str


@dataclass(frozen=True, slots=True)
class Span:
    """Where a reference is valid and what uncertainty it brings, as data for a screen."""

    kind: Kind
    lowest_m3_s: float
    highest_m3_s: float
    at: tuple[At, ...]


def span(gear: Gear, air: Air, flows_m3_s: Sequence[float] = SCREEN_FLOWS_M3_S) -> Span:
    """Tell where `gear` is valid and what uncertainty it brings.

    `gear` is the bag, plate, traversed pipe or second meter, `air` the air there, `flows_m3_s` the flows of interest.

    Examples
    --------
    >>> from hoodtrace.physics.air import assumed_air
    >>> meter = Meter("anemometer", Calibration(0.02), 1e-4, 0.01, 0.05)
    >>> [each.valid for each in span(meter, assumed_air(None), (0.004, 0.02)).at]
    [False, True]
    """
    low, high = gear.limits_m3_s(air)
    at = []
    for flow in flows_m3_s:
        remark = f"below {m3h(low):.1f} m3/h" if flow < low else f"above {m3h(high):.1f} m3/h" if flow > high else ""
        if not remark and flow < TIMED_ONLY_BELOW_M3_S and gear.kind != "orifice plate":
            remark = TIMED_ONLY
        at.append(At(flow, low <= flow <= high, gear.u_rel_at(flow, air), remark))
    return Span(KINDS[gear.kind], low, high, tuple(at))


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration of a reference: relative standard uncertainty and its degrees of freedom."""

    u_rel: float
    dof: float = math.inf


def calibration_of(expanded_rel: float, k: float) -> Calibration:
    """Calibration from an expanded uncertainty and its coverage factor for 95.45 %.

    `expanded_rel` is relative (0.02 for 2 %). A `k` of 2 or less means a normal distribution; above 2 the degrees of
    freedom are those whose Student factor for 95.45 % it is.

    References
    ----------
    JCGM 100:2008, Table G.2 and 6.2.3 (memory).

    Examples
    --------
    >>> round(calibration_of(0.0226, 2.28).dof, 1)
    10.1
    """
    stated(expanded_rel, "the expanded uncertainty of the calibration")
    if not 1.0 <= k <= 14.0:
        raise UsageError(f"coverage factor {k:g}: outside 1 to 14; type the k that stands beside the uncertainty")
    return Calibration(expanded_rel / k, _dof_of(k))


def _dof_of(k: float) -> float:
    from scipy.optimize import brentq
    from scipy.stats import norm, t

    tail = 0.5 * (1.0 + 0.9545)

    def beyond(inverse_dof: float) -> float:
        return float(t.ppf(tail, 1.0 / inverse_dof)) - k

    if k <= max(2.0, float(norm.ppf(tail))) + 0.005:  # what rounds to 2.00 was meant as normal
        return math.inf
    return 1.0 / float(brentq(beyond, 1e-6, 1.1))


@dataclass(frozen=True, slots=True)
class Meter:
    """A second meter with a calibration of its own, which holds from `lowest_m3_s` to `highest_m3_s`."""

    name: str
    calibration: Calibration
    u_reading_m3_s: float
    lowest_m3_s: float
    highest_m3_s: float
    kind: str = "second meter"

    def limits_m3_s(self, air: Air) -> tuple[float, float]:
        """Range of its calibration, m3/s."""
        return self.lowest_m3_s, self.highest_m3_s

    def u_rel_at(self, flow_m3_s: float, air: Air) -> float:
        """Relative standard uncertainty at this flow."""
        return math.hypot(self.calibration.u_rel, self.u_reading_m3_s / flow_m3_s)


def second_meter(
    meter: Meter, value_m3_s: float, density_kg_m3: float, hood_density_kg_m3: float, u_density_ratio_rel: float = 0.0
) -> ReferenceFlow:
    """Flow from a second calibrated meter, taken to the hood's air.

    Parameters
    ----------
    meter : Meter
        With the standard uncertainties of its calibration (shared by all its points) and of one reading (own).
    value_m3_s : float
        What it shows, m3/s.
    density_kg_m3 : float
        Density of the air for which it states the flow: that of its own air, or the standard density it converts to.
    hood_density_kg_m3 : float
        Density of the air at the hood.
    u_density_ratio_rel : float
        Relative standard uncertainty of the ratio of the two; 0 where both are in the same air.

    References
    ----------
    Own derivation: the mass flow is the same in both.
    """
    checked_flow(value_m3_s, "the second meter's flow")
    checked_density(density_kg_m3, "the second meter's air density")
    checked_density(hood_density_kg_m3, "the hood's air density")
    stated(meter.calibration.u_rel, f"the calibration of {meter.name}")
    stated(meter.u_reading_m3_s / value_m3_s, f"a reading of {meter.name}")
    checked("the uncertainty of the density ratio", u_density_ratio_rel, "", 0.0, 0.1)
    flow = value_m3_s * density_kg_m3 / hood_density_kg_m3
    common = [Common(f"calibration of {meter.name}", meter.calibration.u_rel, meter.calibration.dof)]
    if u_density_ratio_rel > 0.0:
        common.append(Common(f"air density at {meter.name}", u_density_ratio_rel))
    warnings = []
    if not meter.lowest_m3_s <= value_m3_s <= meter.highest_m3_s:
        warnings.append(
            f"{m3h(value_m3_s):.1f} m3/h is outside the calibration of {meter.name} "
            f"({m3h(meter.lowest_m3_s):.1f} to {m3h(meter.highest_m3_s):.1f} m3/h): its uncertainty is not known there"
        )
    own = {f"reading of {meter.name}": meter.u_reading_m3_s / value_m3_s}
    return reference(meter.kind, flow, own, math.inf, common, warnings)


def known_flow(flow_m3_s: float, u_m3_s: float, dof: float = math.inf, source: str | None = None) -> ReferenceFlow:
    """Flow that is already known at the hood's air.

    `u_m3_s` is its standard uncertainty with `dof`. Points with one `source` (where it is known from) share its error
    whole; None means an error of this point alone.

    Examples
    --------
    >>> known_flow(0.0125, 0.00025).u_rel
    0.02
    """
    checked_flow(flow_m3_s, "the known flow")
    stated(u_m3_s / flow_m3_s, "the known flow")
    u_rel = u_m3_s / flow_m3_s
    if source is None:
        return reference("known flow", flow_m3_s, {"known flow": u_rel}, dof, [])
    return reference("known flow", flow_m3_s, {}, math.inf, [Common(f"flow known from {source}", u_rel, dof)])


def reference(
    kind: str,
    flow_m3_s: float,
    own_rel: Mapping[str, float],
    dof_own: float,
    common: Sequence[Common],
    warnings: Sequence[str] = (),
) -> ReferenceFlow:
    """Put a reference flow together: `own_rel` names each own contribution with its relative standard uncertainty.

    Adds the warning that no traverse, meter or known flow is a standard below 16 m3/h.
    """
    notes = list(warnings)
    if kind not in ("timed volume", "orifice plate") and flow_m3_s < TIMED_ONLY_BELOW_M3_S:
        notes.append(
            f"{m3h(flow_m3_s):.1f} m3/h by {kind}: {TIMED_ONLY} is a standard below "
            f"{m3h(TIMED_ONLY_BELOW_M3_S):.0f} m3/h; fill a bag at this flow too"
        )
    return ReferenceFlow(
        flow_m3_s=flow_m3_s,
        u_own_m3_s=flow_m3_s * math.hypot(*own_rel.values()),
        dof_own=dof_own,
        common=tuple(common),
        kind=kind,
        terms={**own_rel, **{each.name: each.u_rel for each in common}},
        warnings=tuple(notes),
    )


def excess(values: Sequence[float], u_stated: float) -> tuple[float, float]:
    """Scatter of a mean beyond what was stated for one value: standard uncertainty and degrees of freedom.

    The stated uncertainty stays in the budget whatever a few repeats show; scatter above it is added with the few
    degrees of freedom that it has, so that together they make the larger of the two.

    References
    ----------
    JCGM 100:2008, 4.2 (type A); taking only the excess is an own derivation.

    Examples
    --------
    >>> excess([8.0, 8.0, 8.0], 0.2)
    (0.0, 2)
    """
    n = len(values)
    mean = math.fsum(values) / n
    variance = math.fsum((each - mean) ** 2 for each in values) / (n - 1)
    return math.sqrt(max(0.0, variance - u_stated**2) / n), n - 1


def stated(u_rel: float | None, what: str) -> float:
    """Give back the relative standard uncertainty of `what`; refuse a missing, impossible or misread one."""
    if u_rel is None or not math.isfinite(u_rel) or u_rel <= 0.0:
        raise UsageError(
            f"{what}: no uncertainty ({u_rel}). A reference without one cannot calibrate anything; state how far it "
            f"may be off, as a standard uncertainty above 0"
        )
    if u_rel < 1e-7:
        raise UsageError(
            f"{what}: a standard uncertainty of {u_rel:.1g} of the value can't be meant: nothing here is as exact; "
            f"state how far it may be off"
        )
    if u_rel > 0.3:
        raise UsageError(
            f"{what}: a standard uncertainty of {100 * u_rel:.0f} % is too much to calibrate with. Was percent typed "
            f"where a fraction was asked ({u_rel:g} % is {u_rel / 100:g})? Else take another reference"
        )
    return u_rel


def checked(
    what: str, value: float, unit: str, lowest: float, highest: float, low_hint: str = "", high_hint: str = ""
) -> float:
    """Give back `value` if it is plausible; else a `UsageError` with value, unit, range and the unit likely meant."""
    if math.isfinite(value) and lowest <= value <= highest:
        return value
    hint = high_hint if value > highest else low_hint if value > 0.0 else ""
    where = f"{value:g} {unit}".rstrip()
    plausible = f"{lowest:g} to {highest:g} {unit}".rstrip()
    raise UsageError(f"{what}: {where} cannot be; plausible is {plausible}. {hint}{' ' if hint else ''}Type it again")


def checked_flow(flow_m3_s: float, what: str) -> float:
    """Check a flow in m3/s; 45 m3/s is 45 m3/h typed for the wrong unit."""
    hints = (
        f"Was it in m3/s already, where m3/h was asked ({flow_m3_s:.3g} m3/s is {m3h(flow_m3_s):.3g} m3/h)?",
        f"Was m3/h meant ({flow_m3_s:g} m3/h is {flow_m3_s / M3_H_PER_M3_S:.4g} m3/s)?",
    )
    return checked(what, flow_m3_s, "m3/s", 1.0 / M3_H_PER_M3_S, 1500.0 / M3_H_PER_M3_S, *hints)


def checked_density(density_kg_m3: float, what: str) -> float:
    """Check a density of air in kg/m3; 1200 is g/m3."""
    return checked(what, density_kg_m3, "kg/m3", 0.7, 1.5, high_hint=f"Were g/m3 meant ({density_kg_m3:g})?")


def checked_temp(temp_c: float, what: str) -> float:
    """Check a temperature in degrees Celsius; 293 is kelvin."""
    hint = f"Was kelvin meant ({temp_c:g} K is {temp_c - 273.15:.1f} C)?"
    if temp_c < 140.0:
        hint = f"Was Fahrenheit meant ({temp_c:g} F is {(temp_c - 32.0) / 1.8:.1f} C)?"
    return checked(what, temp_c, "C", -30.0, 60.0, high_hint=hint)
