"""Budgets against the worked examples of the GUM, Student's table and a public library for uncertain numbers."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from GTC import exp, get_covariance, set_correlation, sqrt, ureal
from numpy.typing import NDArray

from hoodtrace.averaging.budget import Term, coverage_factor, total
from hoodtrace.averaging.channels import Observed, Plane, observe
from hoodtrace.averaging.reading import Averaged, average
from hoodtrace.physics.air import Air, density_kg_m3
from hoodtrace.physics.hood import Hood, parse_hood

# JCGM 100:2008, H.1 (end gauge): contributions in nm and degrees of freedom, as in its budget; the temperature
# difference's 16.599 and the expansion's 2.88679 with the digits of a public library's worked example (seen).
END_GAUGE = (
    Term("standard", 25.0, 18.0, "hood"),
    Term("repeatability", 5.8, 24.0, "reading"),
    Term("comparator, random", 3.9, 5.0, "reading"),
    Term("comparator, systematic", 6.7, 8.0, "reading"),
    Term("expansion", 2.88679, 50.0, "hood"),
    Term("temperature", 16.599, 2.0, "visit"),
)
# JCGM 100:2008, Table H.2: potential difference V, current A, phase rad, five simultaneous observations (memory; their
# means are 4.9990, 0.0196610, 1.044460 as published).
IMPEDANCE = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)
# JCGM 100:2008, Table G.2, p = 95 %: Student's t (memory).
STUDENT_95 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 8: 2.31, 10: 2.23, 16: 2.12, 17: 2.11, 20: 2.09, 30: 2.04}


def test_end_gauge_of_the_gum() -> None:
    found = total(END_GAUGE)
    assert found.u_m3_s == pytest.approx(31.66, abs=0.01)
    # The GUM takes the comparator's three as one of 9.7 nm with 25.6 degrees of freedom; Welch-Satterthwaite nests.
    assert found.dof == pytest.approx(16.75, abs=0.01)
    assert STUDENT_95[17] - 0.005 < found.expanded_m3_s / found.u_m3_s < STUDENT_95[16] + 0.005


def test_end_gauge_with_the_comparator_as_one() -> None:
    comparator = total(END_GAUGE[1:4])
    assert comparator.u_m3_s == pytest.approx(9.7, abs=0.05)
    # The GUM rounds to 9.7 before it takes the fourth power.
    assert comparator.dof * (9.7 / comparator.u_m3_s) ** 4 == pytest.approx(25.6, abs=0.05)
    nested = total((END_GAUGE[0], *END_GAUGE[4:], Term("comparator", comparator.u_m3_s, comparator.dof, "reading")))
    assert nested.dof == pytest.approx(16.75, abs=0.01)


@pytest.mark.parametrize(
    ("which", "published"),
    [("resistance", 0.071), ("reactance", 0.295), ("modulus", 0.236)],  # JCGM 100:2008, Table H.4 (memory)
)
def test_correlated_inputs_of_the_gum(which: str, published: float) -> None:
    v, i, phi = IMPEDANCE.mean(axis=1)
    partials = {
        "resistance": (math.cos(phi) / i, -v * math.cos(phi) / i**2, -v * math.sin(phi) / i),
        "reactance": (math.sin(phi) / i, -v * math.sin(phi) / i**2, v * math.cos(phi) / i),
        "modulus": (1.0 / i, -v / i**2, 0.0),
    }[which]
    covariance = np.cov(IMPEDANCE) / 5
    terms = tuple(
        Term(name, abs(c) * math.sqrt(covariance[n, n]), math.inf, "reading")
        for n, (name, c) in enumerate(zip(("voltage", "current", "phase"), partials, strict=True))
    )
    shared = sum(2 * partials[a] * partials[b] * covariance[a, b] for a, b in itertools.combinations(range(3), 2))
    assert total(terms, float(shared)).u_m3_s == pytest.approx(published, abs=0.0006)
    assert abs(total(terms).u_m3_s - published) > 0.02  # without the covariances it is another number


@pytest.mark.parametrize(("dof", "factor"), [*STUDENT_95.items(), (math.inf, 1.960)])
def test_coverage_factor_is_students(dof: float, factor: float) -> None:
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


# ---- two channels of a reading, against uncertain numbers ----

AREA_M2 = math.pi / 4 * 0.104**2
U_K_REL, U_C_REL, U_ZERO_PA = 0.02, 0.025, 0.02
K, C, REFERENCE_PA = 0.93, 0.71, 96600.0
COUNTING_REL = 0.001  # the package's own estimate of what uneven marks leave in the vane's mean
MEASURED = Air(20.0, 50.0, 98000.0, 1.0, 5.0, 100.0, assumed=False)
ASSUMED = Air(20.0, 50.0, 101325.0, 3.0, 15.0, 0.03 * 101325.0, assumed=True)


def ideal_moist(temp: Any, rh: Any, p: Any) -> Any:
    """Density of ideal moist air but for a constant: (p - 0.378 e) / T, e by Magnus' formula (textbook, memory)."""
    vapour_pa = rh / 100 * 611.2 * exp(17.62 * temp / (243.12 + temp))
    return (p - 0.378 * vapour_pa) / (temp + 273.15)


def hood_of(r_k_c: float, through_flow: bool, channels: str) -> Hood:
    text = f'name = "h"\nr_k_c = {r_k_c}\n[pipe]\nbore_mm = 104.0\nlength_mm = 200.0\n'
    if "v" in channels:
        text += f"[vane]\noffset_m_s = 0.14\ngain_m_s_per_hz = 0.047\nstart_m_s = 0.25\nk = {K}\nu_k_rel = {U_K_REL}\n"
    if "t" in channels:
        text += f"[taps]\ncount = 4\nc = {C}\nu_c_rel = {U_C_REL}\nzero_pa = 0.0\nu_zero_pa = {U_ZERO_PA}\n"
        text += f"reference_pressure_pa = {REFERENCE_PA}\n" * through_flow
    return parse_hood(text, "hood.toml")


def steady(hood: Hood, speed_m_s: float, dp_pa: float, air: Air) -> tuple[Observed, Averaged]:
    """A reading of air that does not fluctuate at all: what is left is the budget's systematic part."""
    t_us: NDArray[np.int64] = np.arange(2001, dtype=np.int64) * 20_000
    n = len(t_us)
    hz = (speed_m_s - 0.14) / 0.047
    plane = Plane(
        t_us, hz * t_us * 1e-6, np.full(n, dp_pa), np.zeros(n, bool), np.zeros(n, np.uint8), np.ones(n, bool),
        np.zeros(n, np.int64), (air,),
    )  # fmt: skip
    seen = observe(plane, hood)
    assert seen is not None
    (found,) = average([seen], hood, [False])
    return seen, found


@pytest.mark.parametrize("r_k_c", [0.0, 0.6, -0.4])
@pytest.mark.parametrize("through_flow", [True, False])
@pytest.mark.parametrize("air", [MEASURED, ASSUMED], ids=["air measured", "air assumed"])
@pytest.mark.parametrize("dp_pa", [0.3, 3.0, 30.0])
@pytest.mark.parametrize("channels", ["vt", "t", "v"])
def test_reading_against_uncertain_numbers(
    r_k_c: float, through_flow: bool, air: Air, dp_pa: float, channels: str
) -> None:
    k = ureal(K, U_K_REL * K, independent=False)
    c = ureal(C, U_C_REL * C, independent=False)
    if r_k_c:
        set_correlation(r_k_c, k, c)
    dp = ureal(dp_pa, U_ZERO_PA)
    temp, rh = ureal(air.temp_c, air.u_temp_c), ureal(air.rh_pct, air.u_rh_pct)
    p = ureal(air.pressure_pa, air.u_pressure_pa)
    moist = ideal_moist(temp, rh, p)
    density = density_kg_m3(air.temp_c, air.rh_pct, air.pressure_pa) * moist / moist.x
    true_dp = dp * REFERENCE_PA / p if through_flow else dp * 1
    by_taps = c * AREA_M2 * sqrt(2 * true_dp / density)
    speed_m_s = 1.002 * by_taps.x / (K * AREA_M2)
    by_vane = k * AREA_M2 * speed_m_s * (1 + ureal(0.0, COUNTING_REL))

    share = {"v": 1.0, "t": 0.0}.get(channels, math.nan)
    if channels == "vt":
        both = get_covariance(by_vane, by_taps)
        spread = by_vane.u**2 + by_taps.u**2 - 2 * both
        share = min(1.0, max(0.0, (by_taps.u**2 - both) / spread))
    flow = share * by_vane + (1 - share) * by_taps

    seen, found = steady(hood_of(r_k_c, through_flow, channels), speed_m_s, dp_pa, air)
    assert found.refusal is None
    assert found.u_random_m3_s < 1e-6 * found.flow_m3_s
    assert found.flow_m3_s == pytest.approx(flow.x, rel=2e-5)
    assert found.total.u_m3_s == pytest.approx(flow.u, rel=1e-3)
    if seen.taps is not None:
        assert seen.taps.u_systematic_m3_s == pytest.approx(by_taps.u, rel=1e-3)
    assert found.total.expanded_m3_s == pytest.approx(1.959964 * flow.u, rel=1e-3)
