"""Orifice plate by ISO 5167-2: flow and uncertainty from a differential pressure, refused outside the standard.

Coefficient and solution are those of `fluids` (Reader-Harris/Gallagher). Shared by all points of one plate: the
coefficient C, the bore d, the pipe D, the manometer's scale and its zero (one zero for the session), the air density.
New in each point: the noise of the mean differential pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hoodtrace.calibration.hood_expect import viscosity_pa_s
from hoodtrace.calibration.points import Common, ReferenceFlow
from hoodtrace.calibration.references import (
    SCREEN_FLOWS_M3_S,
    Span,
    checked,
    checked_temp,
    reference,
    span,
    stated,
)
from hoodtrace.errors import MeasurementError, OutOfRange, UsageError
from hoodtrace.physics.air import Air, density_sensitivity
from hoodtrace.units import m3h

KAPPA = 1.4
"""Isentropic exponent of air."""

FLUIDS_TAPS = {"corner": "corner", "D and D/2": "D", "flange": "flange"}
"""Kind of pressure taps -> word of the library."""

LOWEST_P2_P1 = 0.8
"""Pressure ratio down to which the expansibility is known (the library's documentation, seen; the standard says 0.75,
from memory)."""

METER = "ISO 5167 orifice"

ROUNDING = 1e-6
"""A flow computed back from a limit may miss it by the solver's rounding, relative."""


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate in its pipe and its manometer; `u_` are standard uncertainties, `dp_highest_pa` is its range."""

    bore_mm: float
    pipe_mm: float
    taps: str
    u_bore_mm: float
    u_pipe_mm: float
    u_scale_rel: float
    u_zero_pa: float
    u_noise_pa: float
    dp_highest_pa: float
    kind: str = "orifice plate"

    @property
    def beta(self) -> float:
        """Bore over pipe."""
        return self.bore_mm / self.pipe_mm

    def lowest_re_d(self) -> float:
        """Smallest Reynolds number of the pipe that the standard allows.

        References
        ----------
        ISO 5167-2:2003, 5.3.1, as given in the documentation of `fluids` (seen).
        """
        if self.taps == "flange":
            return max(5000.0, 170000.0 * self.beta**2 * self.pipe_mm / 1000.0)
        return 5000.0 if self.beta <= 0.56 else 16000.0 * self.beta**2

    def limits_m3_s(self, air: Air) -> tuple[float, float]:
        """Lowest and highest valid flow, m3/s, in this air: by Reynolds number, and by the manometer's range."""
        refuse_plate(self)
        dp_pa = min(self.dp_highest_pa, (1.0 - LOWEST_P2_P1) * air.pressure_pa)
        return _lowest_m3_s(self, air), _mass_flow_kg_s(self, dp_pa, air) / air.density_kg_m3

    def u_rel_at(self, flow_m3_s: float, air: Air) -> float:
        """Relative standard uncertainty at this flow; infinite where the plate is not valid."""
        low, high = self.limits_m3_s(air)
        if not low <= flow_m3_s <= high:
            return math.inf
        return orifice_flow(self, dp_at_pa(self, flow_m3_s, air), air).u_rel


@dataclass(frozen=True, slots=True)
class PlateSpan:
    """A plate before it is used: valid flows, differential and lost pressures at both ends, and the screen's table."""

    lowest_m3_s: float
    highest_m3_s: float
    dp_lowest_pa: float
    dp_highest_pa: float
    lost_lowest_pa: float
    lost_highest_pa: float
    table: Span


def orifice_span(plate: Plate, air: Air, flows_m3_s: tuple[float, ...] = SCREEN_FLOWS_M3_S) -> PlateSpan:
    """Smallest and largest valid flow of this plate in this pipe, told beforehand.

    Parameters
    ----------
    plate : Plate
        Within the standard's limits of d, D and beta.
    air : Air
        Expected air at the plate.
    flows_m3_s : tuple of float
        Flows for the table, m3/s.

    Raises
    ------
    MeasurementError
        The plate itself is outside the standard, or no flow of this manometer's range is inside.

    Examples
    --------
    >>> from hoodtrace.physics.air import assumed_air
    >>> plate = Plate(50.0, 100.0, "corner", 0.05, 0.2, 0.005, 0.02, 0.02, 125.0)
    >>> round(orifice_span(plate, assumed_air(None)).lowest_m3_s * 3600.0, 1)
    21.4
    """
    low, high = plate.limits_m3_s(air)
    if high <= low:
        raise OutOfRange(
            f"plate {_words(plate)}: its smallest valid flow is {m3h(low):.1f} m3/h (Re_D {plate.lowest_re_d():.0f}), "
            f"but {plate.dp_highest_pa:g} Pa are reached at {m3h(high):.1f} m3/h; take a manometer of a wider range or "
            f"a larger bore"
        )
    dp_low, dp_high = dp_at_pa(plate, low, air), dp_at_pa(plate, high, air)
    lost = _lost_pa(plate, dp_low, air), _lost_pa(plate, dp_high, air)
    return PlateSpan(low, high, dp_low, dp_high, *lost, span(plate, air, flows_m3_s))


def orifice_flow(
    plate: Plate,
    dp_pa: float,
    air: Air,
    u_dp_pa: float | None = None,
    dof_dp: float = math.inf,
    hood_air: Air | None = None,
) -> ReferenceFlow:
    """Flow at the hood's air from the mean differential pressure of a plate.

    Parameters
    ----------
    plate : Plate
        With its uncertainties.
    dp_pa : float
        Mean differential pressure, zero taken off, Pa (> 0).
    air : Air
        Air in front of the plate.
    u_dp_pa : float, optional
        Standard uncertainty of this mean by its noise, Pa, with `dof_dp`; None takes the plate's `u_noise_pa`.
    hood_air : Air, optional
        Air at the hood where it is not that of the plate.

    Raises
    ------
    UsageError
        No uncertainty, or a number that looks like another unit.
    OutOfRange
        Outside the standard; each limit is named, the flow is carried as the estimate.

    References
    ----------
    ISO 5167-2:2003, 5.3.1 to 5.3.3 (limits seen in the documentation of `fluids`, uncertainties of C and of the
    expansibility seen in excerpts; for beta below 0.6 from memory), ISO 5167-1:2003, 8.2 (sensitivities; memory).

    Examples
    --------
    >>> from hoodtrace.physics.air import assumed_air
    >>> plate = Plate(60.0, 100.0, "corner", 0.05, 0.2, 0.005, 0.02, 0.02, 125.0)
    >>> round(3600.0 * orifice_flow(plate, 20.0, assumed_air(None)).flow_m3_s, 2)
    39.65
    """
    refuse_plate(plate)
    u_noise_pa = plate.u_noise_pa if u_dp_pa is None else u_dp_pa
    _check_pressure(plate, dp_pa, u_noise_pa)
    for where, each in (("plate", air), ("hood", hood_air or air)):
        checked_temp(each.temp_c, f"the temperature at the {where}")
    mass_kg_s = _mass_flow_kg_s(plate, dp_pa, air)
    flow = mass_kg_s / (hood_air or air).density_kg_m3
    re_d = _re_d(plate, mass_kg_s, air)
    _refuse_flow(plate, dp_pa, air, re_d, flow)
    beta4 = plate.beta**4
    name = _words(plate)
    common = [
        Common(f"C of plate {name}", u_c_rel(plate, re_d)),
        Common("expansibility", 0.5 * 0.035 * dp_pa / (KAPPA * air.pressure_pa)),
        Common(f"bore of plate {name}", 2.0 / (1.0 - beta4) * plate.u_bore_mm / plate.bore_mm),
        Common(f"pipe of {plate.pipe_mm:g} mm", 2.0 * beta4 / (1.0 - beta4) * plate.u_pipe_mm / plate.pipe_mm),
        Common("scale of the plate's manometer", 0.5 * plate.u_scale_rel),
        Common("zero of the plate's manometer", 0.5 * plate.u_zero_pa / dp_pa),
        Common("air density at the plate", _u_density_rel(air, hood_air)),
    ]
    warnings = []
    if dp_pa > plate.dp_highest_pa:
        warnings.append(f"{dp_pa:g} Pa is above the manometer's range of {plate.dp_highest_pa:g} Pa")
    own = {"noise of the differential pressure": 0.5 * u_noise_pa / dp_pa}
    return reference(plate.kind, flow, own, dof_dp, [each for each in common if each.u_rel > 0.0], warnings)


def u_c_rel(plate: Plate, re_d: float) -> float:
    """Relative standard uncertainty of the discharge coefficient (half of the standard's, which is for k = 2).

    References
    ----------
    ISO 5167-2:2003, 5.3.3.1: beta above 0.6, D below 71.12 mm and the low Reynolds number seen in an excerpt, the rest
    from memory.
    """
    beta = plate.beta
    if beta < 0.2:
        percent = 0.7 - beta
    elif beta <= 0.6:
        percent = 0.5
    else:
        percent = 1.667 * beta - 0.5
    if plate.pipe_mm < 71.12:
        percent += 0.9 * (0.75 - beta) * (2.8 - plate.pipe_mm / 25.4)
    if beta > 0.5 and re_d < 10000.0:
        percent += 0.5
    return percent / 100.0 / 2.0


def dp_at_pa(plate: Plate, flow_m3_s: float, air: Air) -> float:
    """Differential pressure of this plate at a flow of `flow_m3_s` in this air, Pa."""
    from fluids.flow_meter import differential_pressure_meter_solver
    from fluids.numerics import NotBoundedError

    try:
        p2_pa = differential_pressure_meter_solver(**_given(plate, air), m=flow_m3_s * air.density_kg_m3)
    except NotBoundedError as found:  # no pressure down to half of that in front drives so much air
        raise OutOfRange(
            f"plate {_words(plate)}: {m3h(flow_m3_s):.1f} m3/h is more than any valid pressure difference drives; take "
            f"a larger bore",
            flow_m3_s,
        ) from found
    return float(air.pressure_pa - p2_pa)


def refuse_plate(plate: Plate) -> None:
    """Refuse a plate that is outside the standard's limits of d, D and beta, or has no uncertainty."""
    if plate.taps not in FLUIDS_TAPS:
        raise UsageError(f"pressure taps {plate.taps!r}: not known; choose one of {', '.join(FLUIDS_TAPS)}")
    for what, value in (("the plate's bore", plate.bore_mm), ("the pipe's bore", plate.pipe_mm)):
        low_hint = f"Were metres meant ({value:g} m is {1000 * value:g} mm)?"
        if value >= 1.0:
            low_hint = f"Were centimetres meant ({value:g} cm is {10 * value:g} mm)?"
        checked(what, value, "mm", 5.0, 2000.0, low_hint)
    if plate.bore_mm >= plate.pipe_mm:
        raise UsageError(f"plate bore {plate.bore_mm:g} mm in a pipe of {plate.pipe_mm:g} mm: were they swapped?")
    stated(plate.u_bore_mm / plate.bore_mm, "the plate's bore")
    stated(plate.u_pipe_mm / plate.pipe_mm, "the pipe's bore")
    stated(plate.u_scale_rel, "the manometer's scale")
    faults = []
    if plate.bore_mm < 12.5:
        faults.append(f"bore d {plate.bore_mm:g} mm is under 12.5 mm")
    if not 50.0 <= plate.pipe_mm <= 1000.0:
        faults.append(f"pipe D {plate.pipe_mm:g} mm is outside 50 to 1000 mm")
    if not 0.1 <= plate.beta <= 0.75:
        faults.append(f"beta d/D {plate.beta:.4g} is outside 0.1 to 0.75")
    if faults:
        raise MeasurementError(f"plate {_words(plate)} is outside ISO 5167-2: {'; '.join(faults)}; take another plate")


def _refuse_flow(plate: Plate, dp_pa: float, air: Air, re_d: float, flow_m3_s: float) -> None:
    faults = []
    if re_d < plate.lowest_re_d() * (1.0 - ROUNDING):
        faults.append(
            f"Re_D {re_d:.0f} is under {plate.lowest_re_d():.0f} ({plate.taps} taps), which is "
            f"{m3h(_lowest_m3_s(plate, air)):.1f} m3/h here"
        )
    if dp_pa / air.pressure_pa > (1.0 - LOWEST_P2_P1) * (1.0 + ROUNDING):
        faults.append(f"dp/p1 {dp_pa / air.pressure_pa:.3f} is over {1.0 - LOWEST_P2_P1:.2f}")
    if faults:
        raise OutOfRange(
            f"plate {_words(plate)} at {dp_pa:g} Pa ({m3h(flow_m3_s):.1f} m3/h) is outside ISO 5167-2: "
            f"{'; '.join(faults)}; raise the flow, or take another plate or a timed volume",
            flow_m3_s,
        )


def _check_pressure(plate: Plate, dp_pa: float, u_noise_pa: float) -> None:
    if dp_pa <= 0.0:
        raise UsageError(f"differential pressure {dp_pa:g} Pa: not above zero; swap the tubes and take the zero off")
    hint = f"Was kPa or hPa meant ({dp_pa:g} kPa is {1000 * dp_pa:g} Pa, {dp_pa:g} hPa is {100 * dp_pa:g} Pa)?"
    checked("the differential pressure", dp_pa, "Pa", 0.5, 30000.0, hint)
    stated(plate.u_zero_pa / dp_pa, f"the manometer's zero at {dp_pa:g} Pa")
    stated(u_noise_pa / dp_pa, f"the mean differential pressure of {dp_pa:g} Pa")


def _u_density_rel(air: Air, hood_air: Air | None) -> float:
    # The flow at the hood goes as sqrt(density at the plate) / density at the hood; one barometer and one humidity.
    per_k, per_pct, per_pressure = density_sensitivity(air)
    shared = math.hypot(0.5 * per_pct * air.u_rh_pct, 0.5 * per_pressure * air.u_pressure_pa / air.pressure_pa)
    if hood_air is None:
        return math.hypot(shared, 0.5 * per_k * air.u_temp_c)
    return math.hypot(shared, 0.5 * per_k * air.u_temp_c, per_k * hood_air.u_temp_c)


def _given(plate: Plate, air: Air) -> dict[str, Any]:
    return {
        "D": plate.pipe_mm / 1000.0,
        "D2": plate.bore_mm / 1000.0,
        "rho": air.density_kg_m3,
        "mu": viscosity_pa_s(air.temp_c),
        "k": KAPPA,
        "P1": air.pressure_pa,
        "meter_type": METER,
        "taps": FLUIDS_TAPS[plate.taps],
    }


def _lowest_m3_s(plate: Plate, air: Air) -> float:
    per_re = math.pi / 4.0 * plate.pipe_mm / 1000.0 * viscosity_pa_s(air.temp_c) / air.density_kg_m3
    return plate.lowest_re_d() * per_re


def _mass_flow_kg_s(plate: Plate, dp_pa: float, air: Air) -> float:
    from fluids.flow_meter import differential_pressure_meter_solver

    return float(differential_pressure_meter_solver(**_given(plate, air), P2=air.pressure_pa - dp_pa))


def _re_d(plate: Plate, mass_kg_s: float, air: Air) -> float:
    return 4.0 * mass_kg_s / (math.pi * plate.pipe_mm / 1000.0 * viscosity_pa_s(air.temp_c))


def _lost_pa(plate: Plate, dp_pa: float, air: Air) -> float:
    from fluids.flow_meter import C_Reader_Harris_Gallagher, dP_orifice

    given = _given(plate, air)
    sizes = {"D": given["D"], "Do": given["D2"]}
    mass = _mass_flow_kg_s(plate, dp_pa, air)
    c = C_Reader_Harris_Gallagher(**sizes, rho=given["rho"], mu=given["mu"], m=mass, taps=given["taps"])
    return float(dP_orifice(**sizes, P1=air.pressure_pa, P2=air.pressure_pa - dp_pa, C=c))


def _words(plate: Plate) -> str:
    return f"{plate.bore_mm:g} mm in {plate.pipe_mm:g} mm, {plate.taps}"
