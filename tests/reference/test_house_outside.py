"""Sums, the balance by mass, and the pressure in a dwelling against public libraries and numbers worked out apart.

Sources: GTC, a library for uncertain numbers after JCGM 100:2008 (seen); CoolProp's real-gas air (seen); the pins of
leakage and stack are `calc`: the power law and the hydrostatics of an ideal gas worked out apart from this package;
published limits: `seen` in instructions of appliances, see the test.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from GTC import set_correlation, ureal
from scipy import integrate, stats

from hoodtrace.balancing.house import FLUE_LIMIT
from hoodtrace.balancing.house_pressure import N_DRAWS, U_FAN_REL, U_N50_REL, Leakage, natural, pressures
from hoodtrace.balancing.house_sums import Imbalance, Read, balance, imbalance, side_sum
from hoodtrace.dwelling.plan import OtherFan, Rule, Site
from hoodtrace.dwelling.result import Result
from hoodtrace.physics.air import density_kg_m3
from hoodtrace.physics.resistance import stack_pa

K_REL, C_REL, ZERO_M3H, AIR_M3H, DOF_AIR = 0.03, 0.025, 0.4, 0.5, 12.0
SUPPLY = {"S1": (41.0, 0.7), "S2": (25.0, 0.4), "S3": (31.0, 0.5)}  # flow, weight of the vane
EXTRACT = {"E1": (52.0, 0.8), "E2": (33.0, 0.5)}
U_TEMP_C, U_RH_PCT, PER_PCT = 1.0, 15.0, 0.00009


def read(name: str, flow: float, share: float = 1.0, temp_c: float | None = 20.0, by: str = "hood") -> Read:
    """A terminal's result with the terms that the hood's readings have."""
    terms = (
        ("fluctuation of the air", AIR_M3H, DOF_AIR, "reading"),
        ("k-factor", K_REL * share * flow, None, "hood"),
        ("taps' coefficient", C_REL * (1.0 - share) * flow, None, "hood"),
        ("zero", ZERO_M3H, None, "visit"),
    )
    u = math.sqrt(sum(term[1] ** 2 for term in terms))
    return Read(name, Result(flow, u, None, 1.96 * u, AIR_M3H, 1, terms), by, temp_c=temp_c)


def dry_kg_m3(temp_c: float) -> float:
    return float(PropsSI("D", "T", temp_c + 273.15, "P", 101325.0, "Air"))


def humid_kg_m3(temp_c: float) -> float:
    """With the water of 20 C and 50 % in each kilogram: Dalton's law, 0.378 pv / p (on paper)."""
    vapour = 0.5 * float(PropsSI("P", "T", 293.15, "Q", 1, "Water"))
    return dry_kg_m3(temp_c) * (1.0 - 0.378 * vapour / 101325.0)


def test_equal_volumes_at_two_temperatures_by_mass() -> None:
    # CoolProp (seen): dry air at 16 C over 21 C is 1.01734; with as much water in each kilogram the ratio is the same.
    found = balance(
        side_sum("supply", [read("S1", 150.0, temp_c=16.0)]),
        side_sum("extract", [read("E1", 150.0, temp_c=21.0)]),
        Rule(),
    )
    assert found.ratio == pytest.approx(dry_kg_m3(16.0) / dry_kg_m3(21.0), abs=5e-5)
    assert found.ratio - 1.0 == pytest.approx(0.017, abs=0.0005)
    assert found.volume_ratio == 1.0


def test_density_is_that_of_air_with_some_water() -> None:
    for temp_c in (5.0, 16.0, 30.0):
        found = side_sum("supply", [read("S1", 100.0, temp_c=temp_c)])
        assert found.mass_kg_h / 100.0 == pytest.approx(humid_kg_m3(temp_c), rel=4e-4)


@pytest.mark.parametrize("one_scale", [("hood",), ()])
@pytest.mark.parametrize("r", [0.0, 0.6, -0.4])
def test_ratio_and_difference_against_gtc(one_scale: tuple[str, ...], r: float) -> None:
    """The library is told only what the errors are: one k and c (or one a side), a zero of opposite signs, the air."""
    temps = {"supply": 16.0, "extract": 21.0}
    sides = {"supply": SUPPLY, "extract": EXTRACT}

    def scale() -> tuple[Any, Any]:
        k, c = (ureal(1.0, u, independent=False) for u in (K_REL, C_REL))
        set_correlation(r, k, c)
        return k, c

    both, zero = scale(), ureal(0.0, ZERO_M3H)
    mass: dict[str, Any] = {}
    for side, sign in (("supply", 1.0), ("extract", -1.0)):
        k, c = both if one_scale else scale()
        rho = humid_kg_m3(temps[side])
        density = ureal(rho, rho * math.hypot(U_TEMP_C / (temps[side] + 273.15), U_RH_PCT * PER_PCT))
        volumes = [
            q * (share * k + (1.0 - share) * c) + sign * zero + ureal(0.0, AIR_M3H, DOF_AIR)
            for q, share in sides[side].values()
        ]
        mass[side] = sum(volumes) * density
    # Density of each terminal has one error a side: that of the sum is the same.
    supply, extract = (
        side_sum(side, [read(n, q, s, temps[side]) for n, (q, s) in sides[side].items()], r_k_c=r)  # type: ignore[arg-type]
        for side in ("supply", "extract")
    )
    ratio, gap = mass["supply"] / mass["extract"], mass["supply"] - mass["extract"]
    # The sensitivity to humidity is rounded here and taken at each temperature there: a few in a thousand of u.
    found = balance(supply, extract, Rule(), one_scale=one_scale, r_k_c=r)
    assert found.ratio == pytest.approx(ratio.x, rel=1e-5)
    assert found.u_ratio == pytest.approx(ratio.u, rel=5e-3)
    assert found.dof is not None
    # GTC takes no degrees of freedom with correlated inputs that are not an ensemble; k and c are infinite here anyway.
    if r == 0.0:
        assert found.dof == pytest.approx(ratio.df, rel=2e-2)
    between = imbalance(supply, extract, one_scale=one_scale, r_k_c=r)
    assert between.mass_kg_h == pytest.approx(gap.x, rel=1e-3)
    assert between.u_mass_kg_h == pytest.approx(gap.u, rel=5e-3)
    for side in (supply, extract):
        assert side.u_mass_kg_h == pytest.approx(mass[side.direction].u, rel=5e-3)


@pytest.mark.parametrize(
    ("n50", "flow_m3h", "pa", "at_4_pa_m3h"),
    [
        # calc: C = n50 V / 50^0.65, dp = (q / C)^(1/0.65), V 250 m3, worked out apart.
        (0.6, 30.0, 4.2037, 29.05),
        (1.5, 50.0, 2.2528, 72.62),
        (3.0, 100.0, 2.25280, 145.23),
        (5.0, 100.0, 1.02664, 242.06),
        (10.0, 100.0, 0.35342, 484.11),
    ],
)
def test_pressure_by_leakage(n50: float, flow_m3h: float, pa: float, at_4_pa_m3h: float) -> None:
    leak = Leakage(n50, 250.0)
    assert leak.pa(-flow_m3h) == pytest.approx(-pa, rel=2e-5)
    assert leak.flow_m3h(4.0) == pytest.approx(at_4_pa_m3h, abs=0.006)
    # The same through the whole way: a mass imbalance at 20 C inside and outside.
    gap = Imbalance(-flow_m3h * density_kg_m3(20.0, 50.0, 101325.0), 0.0, None, ())
    found = pressures(gap, Site("a house", volume_m3=250.0, n50_per_h=n50))
    assert found.estimates[0].pa == pytest.approx(-pa, rel=2e-5)


def test_factors_of_the_power_law() -> None:
    # calc: (dp / 50)^0.65.
    for pa, factor in ((4.0, 0.1936459826), (10.0, 0.3512930010), (1.0, 0.0786447067)):
        assert Leakage(1.0, 1.0).flow_m3h(pa) == pytest.approx(factor, rel=1e-9)


def _chance_under(pa: float, flow_m3h: float, u_log: float) -> float:
    """P(|dp| < pa) for a sure flow, ln of the leakage normal with `u_log`, n uniform 0.55 to 0.75: by quadrature."""

    def of(n: float) -> float:
        return float(stats.norm.cdf((n * math.log(pa / 50.0) - math.log(flow_m3h / (3.0 * 250.0))) / u_log))

    return float(integrate.quad(of, 0.55, 0.75)[0]) / 0.2


def test_range_of_the_pressure_against_quadrature() -> None:
    """Four standard deviations of a share counted in N_DRAWS draws; n50, exponent and a fan's label in turn."""
    rho = density_kg_m3(20.0, 50.0, 101325.0)
    site = Site("a house", volume_m3=250.0, n50_per_h=3.0)
    off = 4.0 * math.sqrt(0.025 * 0.975 / N_DRAWS)
    one = pressures(Imbalance(-100.0 * rho, 0.0, None, ()), site).estimates[0]
    assert _chance_under(-one.low_pa, 100.0, U_N50_REL) == pytest.approx(0.975, abs=off)
    assert _chance_under(-one.high_pa, 100.0, U_N50_REL) == pytest.approx(0.025, abs=off)
    fan = pressures(Imbalance(0.0, 0.0, None, ()), site, [OtherFan("dryer", 150.0)]).estimates[1]
    both = math.hypot(U_N50_REL, U_FAN_REL)
    assert _chance_under(-fan.low_pa, 150.0, both) == pytest.approx(0.975, abs=off)
    assert _chance_under(-fan.high_pa, 150.0, both) == pytest.approx(0.025, abs=off)

    def under_with_flow(pa: float) -> float:
        at = np.linspace(0.55, 0.75, 2001)
        flow = 750.0 * (pa / 50.0) ** at
        return float(np.mean(stats.norm.cdf((flow - 100.0) / 20.0)))

    gap = pressures(Imbalance(-100.0 * rho, 20.0 * rho, None, ()), site, u_n50_rel=0.0).estimates[0]
    assert under_with_flow(-gap.low_pa) == pytest.approx(0.975, abs=off)
    assert under_with_flow(-gap.high_pa) == pytest.approx(0.025, abs=off)


@pytest.mark.parametrize(
    ("height_m", "outdoor_c", "indoor_c", "pa"),
    # calc: 3462 h (1/To - 1/Ti) and, for the first, p g M / R in place of 3462 (0.0342 per Pa seen in a textbook page).
    [(5.0, 0.0, 20.0, 4.323033), (3.0, 15.0, 20.0, 0.614766), (3.0, 10.0, 20.0, 1.251244), (4.0, 5.0, 20.0, 2.547472)],
)
def test_stack(height_m: float, outdoor_c: float, indoor_c: float, pa: float) -> None:
    said = {one.key: one.values for one in natural(height_m, outdoor_c, indoor_c, 0.0)}
    assert said["house.natural_stack"]["stack_pa"] == pytest.approx(pa, rel=3e-4)
    assert stack_pa(8.0, 0.0, 20.0) == pytest.approx(6.917608, rel=3e-4)


def test_stack_of_moist_air_and_what_a_hood_takes() -> None:
    # calc: CIPM-2007 densities, 50 % on both sides: 4.523983 Pa; what is said of dry air, "up to 5 % more", holds.
    moist = 9.80665 * 5.0 * (density_kg_m3(0.0, 50.0, 101325.0) - density_kg_m3(20.0, 50.0, 101325.0))
    assert moist == pytest.approx(4.523983, rel=1e-6)
    assert 1.0 < moist / stack_pa(5.0, 0.0, 20.0) < 1.05
    # calc: 1 Pa of 4.32 Pa costs 12.3 % of the flow.
    said = natural(5.0, 0.0, 20.0, 1.0)[-1]
    assert said.values["lost_rel"] == pytest.approx(0.123, abs=0.0005)


def test_the_published_limit() -> None:
    # 4 Pa is 0.04 mbar: instructions of several cooker hoods and of a ventilation unit (seen).
    assert (FLUE_LIMIT.value, FLUE_LIMIT.unit) == (4.0, "Pa")
    assert "0.04 mbar" in FLUE_LIMIT.source
