"""Moist air: density from temperature, humidity and pressure; what is assumed where nothing was measured.

Density is CIPM-2007 written out (A. Picard, R. S. Davis, M. Glaeser, K. Fujii, Metrologia 45 (2008) 149; coefficients
seen in three public implementations). The paper states 600 to 1100 hPa and 15 to 27 C with a relative standard
uncertainty of 22e-6 (from memory); outside it agrees with CoolProp within 60e-6 from 0 to 35 C, which the tests check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hoodtrace.units import KELVIN_AT_0_C

X_CO2 = 0.0004
"""Mole fraction of carbon dioxide, the equation's own reference value."""

STANDARD_PRESSURE_PA = 101325.0


@dataclass(frozen=True, slots=True)
class Air:
    """Air at the hood, with standard uncertainties; `assumed` where temperature or pressure was not measured."""

    temp_c: float
    rh_pct: float
    pressure_pa: float
    u_temp_c: float
    u_rh_pct: float
    u_pressure_pa: float
    assumed: bool

    @property
    def density_kg_m3(self) -> float:
        """Density in kg/m3."""
        return density_kg_m3(self.temp_c, self.rh_pct, self.pressure_pa)


def density_kg_m3(temp_c: float, rh_pct: float, pressure_pa: float) -> float:
    """Density of moist air, kg/m3.

    Parameters
    ----------
    temp_c : float
        Temperature, degrees Celsius.
    rh_pct : float
        Relative humidity, percent (0 to 100).
    pressure_pa : float
        Absolute pressure, Pa.

    References
    ----------
    CIPM-2007, equations as in the paper above; seen.

    Examples
    --------
    >>> round(density_kg_m3(20.0, 50.0, 101325.0), 6)
    1.199314
    """
    t, p = temp_c, pressure_pa
    kelvin = t + KELVIN_AT_0_C
    saturation_pa = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    x_v = rh_pct / 100.0 * enhancement * saturation_pa / p
    z = (
        1.0
        - p
        / kelvin
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * x_v
            + (1.9898e-4 - 2.376e-6 * t) * x_v**2
        )
        + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x_v**2)
    )
    molar = (3.483740 + 1.4446 * (X_CO2 - 0.0004)) * 1e-3
    return p / (z * kelvin) * molar * (1.0 - 0.3780 * x_v)


def isa_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere, Pa, at `altitude_m` above sea level (-1000 to 11000 m).

    References
    ----------
    ISO 2533:1975, troposphere (layer constants from memory; the values at 500 and 1000 m are checked in the tests).

    Examples
    --------
    >>> round(isa_pressure_pa(500.0), 2)
    95460.84
    """
    return float(
        STANDARD_PRESSURE_PA * (1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 * 0.0289644 / 8.31432 / 0.0065)
    )


def assumed_air(altitude_m: float | None) -> Air:
    """Return the air that is assumed with no `air` line in the trace: 20 C, 50 %, standard pressure within 3 %.

    The uncertainty of the pressure covers weather and altitude (common practice, no source); that of temperature and
    humidity is what an occupied dwelling spans.
    """
    p = STANDARD_PRESSURE_PA if altitude_m is None else isa_pressure_pa(altitude_m)
    return Air(20.0, 50.0, p, 3.0, 15.0, 0.03 * p, assumed=True)


def measured_air(temp_c: object, rh_pct: object, pressure_pa: object, altitude_m: float | None) -> Air | None:
    """Return the air of one `air` line, or None where it says nothing that can be.

    What is missing or outside its range (-40 to 85 C, 0 to 100 %, 300 to 1100 hPa: what such chips are rated for) is
    taken from `assumed_air`. The uncertainties of measured values are those of a plain chip in a hood, where air and
    chip are not quite at one temperature: 1 K, 5 %, 1 hPa (common practice, no source).
    """
    other = assumed_air(altitude_m)
    t = _within(temp_c, -40.0, 85.0)
    rh = _within(rh_pct, 0.0, 100.0)
    p = _within(pressure_pa, 30000.0, 110000.0)
    if t is None and rh is None and p is None:
        return None
    return Air(
        other.temp_c if t is None else t,
        other.rh_pct if rh is None else rh,
        other.pressure_pa if p is None else p,
        other.u_temp_c if t is None else 1.0,
        other.u_rh_pct if rh is None else 5.0,
        other.u_pressure_pa if p is None else 100.0,
        assumed=t is None or p is None,
    )


def density_sensitivity(air: Air) -> tuple[float, float, float]:
    """Relative change of density per K, per percent of humidity, per relative change of pressure (dimensionless).

    Central differences of `density_kg_m3`; at 20 C, 50 %, 101325 Pa about -0.0037, -0.00009 and 1.00.
    """
    rho = air.density_kg_m3

    def slope(which: int, step: float) -> float:
        shift = np.zeros(3)
        shift[which] = step
        state = np.array([air.temp_c, air.rh_pct, air.pressure_pa])
        up, down = density_kg_m3(*(state + shift)), density_kg_m3(*(state - shift))
        return float((up - down) / (2.0 * step * rho))

    return slope(0, 0.5), slope(1, 1.0), slope(2, 100.0) * air.pressure_pa


def _within(value: object, low: float, high: float) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
        return float(value)
    return None
