"""Density of moist air and standard pressure against published values and two public libraries."""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from hoodtrace.physics.air import assumed_air, density_kg_m3, density_sensitivity, isa_pressure_pa

# pressure Pa, temperature C, relative humidity, density kg/m3: CIPM-2007 (Metrologia 45 (2008) 149) worked apart from
# this package from coefficients seen in three public implementations; all digits kept.
WORKED = [
    (101325.0, 20.0, 0.50, 1.1993144368),
    (101325.0, 0.0, 0.50, 1.2915780190),
    (101325.0, 35.0, 0.90, 1.1242229819),
    (100000.0, 25.0, 0.50, 1.1618245125),
    (80000.0, 20.0, 0.40, 0.9467765360),
    (105000.0, 5.0, 0.20, 1.3149770397),
    (101325.0, 10.0, 0.80, 1.2426726666),
    (90000.0, 30.0, 0.60, 1.0234674382),
]
PA_PER_MMHG = 101325.0 / 760.0


@pytest.mark.parametrize(("pressure_pa", "temp_c", "rh", "density"), WORKED)
def test_density_is_that_of_the_metrologists(pressure_pa: float, temp_c: float, rh: float, density: float) -> None:
    assert density_kg_m3(temp_c, 100 * rh, pressure_pa) == pytest.approx(density, rel=1e-9)


def test_density_of_a_book_on_mass() -> None:
    # 10 C, 730 mmHg, 40 % -> 1.19569 kg/m3: a book on mass metrology, p. 205, in a public package's own test (seen).
    assert density_kg_m3(10.0, 40.0, 730.0 * PA_PER_MMHG) == pytest.approx(1.19569, abs=1e-5)


@pytest.mark.parametrize("temp_c", [0.0, 10.0, 20.0, 35.0])
@pytest.mark.parametrize("rh", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("pressure_pa", [80e3, 101325.0])
def test_density_against_two_libraries(temp_c: float, rh: float, pressure_pa: float) -> None:
    ours = density_kg_m3(temp_c, 100 * rh, pressure_pa)
    kelvin = temp_c + 273.15
    # Real-gas mixture of CoolProp: m3 of moist air a kg of moist air.
    coolprop = 1.0 / HAPropsSI("Vha", "T", kelvin, "P", pressure_pa, "R", rh)
    assert ours == pytest.approx(coolprop, rel=60e-6)
    # psychrolib takes air for an ideal gas, which makes it up to 0.06 % too light.
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, rh, pressure_pa)
    assert ours == pytest.approx(psychrolib.GetMoistAirDensity(temp_c, ratio, pressure_pa), rel=700e-6)


def test_sensitivities_by_library_differences() -> None:
    def relative(which: str, step: float) -> float:
        state = {"T": 293.15, "R": 0.5, "P": 101325.0}
        low, high = ({**state, which: state[which] + sign * step} for sign in (-1, 1))
        a, b = (HAPropsSI("Vha", *(x for pair in s.items() for x in pair)) for s in (low, high))
        return float((a - b) / (a + b) / step)

    per_k, per_pct, per_pressure = density_sensitivity(assumed_air(None))
    assert per_k == pytest.approx(relative("T", 0.5), rel=2e-3)
    assert per_pct == pytest.approx(relative("R", 0.01) / 100, rel=2e-2)
    assert per_pressure == pytest.approx(relative("P", 100.0) * 101325.0, rel=2e-3)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(0.0, 101325.0), (500.0, 95460.83), (1000.0, 89874.56)])
def test_pressure_of_the_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    # Tables of the standard atmosphere (ISO 2533, from memory): 954.61 and 898.75 hPa; more digits worked apart.
    assert isa_pressure_pa(altitude_m) == pytest.approx(pressure_pa, abs=0.02)
    assert assumed_air(altitude_m).pressure_pa == pytest.approx(pressure_pa, abs=0.02)
