"""The air at the hood: what is measured, what is assumed and said so, and how density answers.

Contract: the assumed air and its uncertainty are those of the fixed hood file format; sensitivities were worked apart
from this package from CIPM-2007 (coefficients seen). Density against published values: tests/reference.
"""

from __future__ import annotations

import math

import pytest

from hoodtrace.physics.air import (
    Air,
    assumed_air,
    density_kg_m3,
    density_sensitivity,
    isa_pressure_pa,
    measured_air,
)


def test_the_assumed_air_is_that_of_the_format() -> None:
    # 20 C, 50 %, 101325 Pa, the pressure within 3 % (standard uncertainty).
    air = assumed_air(None)
    assert (air.temp_c, air.rh_pct, air.pressure_pa, air.assumed) == (20.0, 50.0, 101325.0, True)
    assert air.u_pressure_pa == pytest.approx(3039.75)
    assert air.u_temp_c > 0
    assert air.u_rh_pct > 0


def test_the_altitude_replaces_only_the_pressure() -> None:
    low, high = assumed_air(None), assumed_air(1000.0)
    assert (high.temp_c, high.rh_pct, high.assumed) == (low.temp_c, low.rh_pct, True)
    assert high.pressure_pa == isa_pressure_pa(1000.0) < low.pressure_pa
    assert high.u_pressure_pa / high.pressure_pa == pytest.approx(0.03)


def test_an_air_line_is_taken_as_it_is() -> None:
    air = measured_air(21.5, 40, 98000.0, 1000.0)
    assert air is not None
    assert (air.temp_c, air.rh_pct, air.pressure_pa, air.assumed) == (21.5, 40.0, 98000.0, False)
    assert 0 < air.u_pressure_pa < assumed_air(None).u_pressure_pa


@pytest.mark.parametrize("nothing", [None, math.nan, math.inf, "21", True, [21.0], -1e9, 1e9])
def test_a_value_that_can_not_be_is_taken_from_the_assumed_air(nothing: object) -> None:
    other = assumed_air(500.0)
    no_temp, no_rh, no_pressure = (
        measured_air(*(nothing if i == missing else value for i, value in enumerate((15.0, 30.0, 97000.0))), 500.0)
        for missing in range(3)
    )
    assert no_temp is not None
    assert no_rh is not None
    assert no_pressure is not None
    assert (no_temp.temp_c, no_temp.u_temp_c, no_temp.assumed) == (other.temp_c, other.u_temp_c, True)
    assert (no_rh.rh_pct, no_rh.u_rh_pct, no_rh.assumed) == (other.rh_pct, other.u_rh_pct, False)
    # Without the pressure the air counts as assumed: it is what density and the chip's factor hang on.
    assert (no_pressure.pressure_pa, no_pressure.u_pressure_pa) == (other.pressure_pa, other.u_pressure_pa)
    assert no_pressure.assumed
    assert (no_pressure.temp_c, no_pressure.rh_pct) == (15.0, 30.0)


def test_an_air_line_that_says_nothing_is_none() -> None:
    assert measured_air(None, "wet", math.nan, 500.0) is None


@pytest.mark.parametrize(("low", "high", "place"), [(-40.0, 85.0, 0), (0.0, 100.0, 1), (30000.0, 110000.0, 2)])
def test_the_ends_of_a_range_still_count(low: float, high: float, place: int) -> None:
    names = ("temp_c", "rh_pct", "pressure_pa")
    for value, counts in ((low, True), (high, True), (low - 0.01, False), (high + 0.01, False)):
        said: list[float | None] = [None, None, None]
        said[place] = value
        air = measured_air(*said, None)
        assert (air is not None and getattr(air, names[place]) == value) == counts


@pytest.mark.parametrize("temp_c", [0.0, 20.0, 35.0])
def test_dry_air_is_nearly_an_ideal_gas(temp_c: float) -> None:
    # p / (R T) with 287.05 J/(kg K) of dry air (textbook value, memory); the real gas is under 0.1 % denser.
    ideal = 101325.0 / (287.05 * (temp_c + 273.15))
    assert 1.0 < density_kg_m3(temp_c, 0.0, 101325.0) / ideal < 1.001


def test_density_falls_with_heat_and_damp_and_rises_with_pressure() -> None:
    base = density_kg_m3(20.0, 50.0, 101325.0)
    assert density_kg_m3(21.0, 50.0, 101325.0) < base
    assert density_kg_m3(20.0, 60.0, 101325.0) < base
    assert density_kg_m3(20.0, 50.0, 101425.0) > base


def test_sensitivities_at_room_air() -> None:
    # -0.369 % per K, -0.087 % per 10 % of humidity, +0.0992 % per hPa at 20 C, 50 %, 101325 Pa: CIPM-2007 worked apart
    # from this package.
    per_kelvin, per_percent, per_pressure = density_sensitivity(assumed_air(None))
    assert per_kelvin == pytest.approx(-0.00369, abs=0.5e-5)
    assert 10 * per_percent == pytest.approx(-0.00087, abs=0.6e-5)
    assert per_pressure * 100.0 / 101325.0 == pytest.approx(0.000992, abs=0.5e-6)


@pytest.mark.parametrize("temp_c", [0.0, 35.0])
@pytest.mark.parametrize("rh_pct", [5.0, 95.0])
def test_sensitivities_foretell_a_change(temp_c: float, rh_pct: float) -> None:
    air = Air(temp_c, rh_pct, 95000.0, 1.0, 5.0, 100.0, assumed=False)
    by_temp, by_rh, by_pressure = density_sensitivity(air)
    step_c, step_pct, step_rel = 0.2, 0.5, 0.001
    up, down = (
        density_kg_m3(temp_c + sign * step_c, rh_pct + sign * step_pct, 95000.0 * (1 + sign * step_rel))
        for sign in (1, -1)
    )
    foretold = step_c * by_temp + step_pct * by_rh + step_rel * by_pressure
    # Both ways, so that bends of second order fall out; what is left goes with the third power of the step.
    assert (up - down) / (2 * air.density_kg_m3) == pytest.approx(foretold, abs=2e-7)
