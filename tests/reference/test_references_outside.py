"""Reference flows against the library's documentation, published tables and integrals worked out again with numpy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fluids.flow_meter import C_Reader_Harris_Gallagher, differential_pressure_meter_solver
from numpy.typing import NDArray

from hoodtrace.calibration.orifice import Plate, dp_at_pa, orifice_flow, orifice_span, u_c_rel
from hoodtrace.calibration.references import Calibration, calibration_of
from hoodtrace.calibration.timed_volume import Bag, timed_volume
from hoodtrace.calibration.traverse import TraversePipe, positions_mm, positions_rel, rule_error_rel, traverse
from hoodtrace.physics.air import Air

# The check values' own air: 20 C, 50 %, 101325 Pa, density 1.1993144368 kg/m3, viscosity 1.8134e-5 Pa s.
AIR = Air(20.0, 50.0, 101325.0, 0.0, 0.0, 0.0, assumed=False)
DENSITY, VISCOSITY = 1.1993144368, 1.8134e-5


def plate(bore_mm: float, pipe_mm: float, taps: str = "corner") -> Plate:
    return Plate(bore_mm, pipe_mm, taps, 0.05, 0.2, 0.005, 0.02, 0.02, 500.0)


# ---- orifice plate


def test_the_librarys_documented_examples() -> None:
    # Documentation of `fluids`, flow_meter (seen): both values as printed there.
    c = C_Reader_Harris_Gallagher(D=0.07391, Do=0.0222, rho=1.165, mu=1.85e-5, m=0.12, taps="flange")
    assert c == pytest.approx(0.5990326277163659, rel=1e-12)
    given = {"D": 0.07366, "D2": 0.05, "P1": 200000.0, "P2": 183000.0, "rho": 999.1, "mu": 0.0011, "k": 1.33}
    found = differential_pressure_meter_solver(**given, meter_type="ISO 5167 orifice", taps="D")
    assert found == pytest.approx(7.702338035732167, rel=1e-9)


# Plates of a home calibration, worked apart from this package by an own Reader-Harris/Gallagher derivation, with the
# viscosity rounded to five digits (moves the flow by under 2e-7): pipe, bore mm, dp Pa, flow m3/h, Re_D, u(C) % k = 2.
PLATES = [
    (100.0, 60.0, 20.0, 39.65438, 9275.5, 1.0),
    (100.0, 60.0, 100.0, 87.27945, 20416.0, 0.5),
    (100.0, 50.0, 20.0, 26.32275, 6157.0, 0.5),
    (100.0, 75.0, 20.0, 69.70189, 16304.0, 0.75),
    (125.0, 62.5, 20.0, 40.94054, 7661.0, 0.5),
    (125.0, 87.5, 20.0, 89.91456, 16826.0, 0.67),
    (160.0, 80.0, 20.0, 66.78704, 9764.0, 0.5),
    (75.0, 45.0, 20.0, 22.48391, 7012.0, 1.0),
]


@pytest.mark.parametrize(("pipe_mm", "bore_mm", "dp_pa", "flow_m3h", "re_d", "u_c_pct"), PLATES)
def test_flow_of_plates(
    pipe_mm: float, bore_mm: float, dp_pa: float, flow_m3h: float, re_d: float, u_c_pct: float
) -> None:
    one = plate(bore_mm, pipe_mm)
    found = orifice_flow(one, dp_pa, AIR)
    assert 3600.0 * found.flow_m3_s == pytest.approx(flow_m3h, rel=5e-7)
    nu = VISCOSITY / DENSITY
    assert 4.0 * found.flow_m3_s / (math.pi * pipe_mm / 1000.0 * nu) == pytest.approx(re_d, rel=1e-4)
    assert 200.0 * u_c_rel(one, re_d) == pytest.approx(u_c_pct, abs=0.005)
    assert dp_at_pa(one, found.flow_m3_s, AIR) == pytest.approx(dp_pa, rel=1e-6)


@pytest.mark.parametrize(("taps", "word"), [("corner", "corner"), ("D and D/2", "D/2"), ("flange", "flange")])
def test_each_kind_of_taps_has_its_own_coefficient(taps: str, word: str) -> None:
    # ISO 5167-1:2003, Eq. (1) with the library's C at the flow found; expansibility is 1 within 6e-5 at 20 Pa.
    found = orifice_flow(plate(80.0, 160.0, taps), 20.0, AIR).flow_m3_s
    c = C_Reader_Harris_Gallagher(D=0.160, Do=0.080, rho=DENSITY, mu=VISCOSITY, m=found * DENSITY, taps=word)
    area_m2 = math.pi / 4.0 * 0.080**2
    assert found == pytest.approx(c * area_m2 * math.sqrt(2.0 * 20.0 / DENSITY / (1.0 - 0.5**4)), rel=7e-5)


def test_uncertainty_of_c_in_a_narrow_pipe() -> None:
    # ISO 5167-2:2003, 5.3.3.1 (excerpt seen): D = 63.5 mm is 2.5 in, so 0.9 (0.75 - 0.5) (2.8 - 2.5) = 0.0675 % more.
    assert 200.0 * u_c_rel(plate(31.75, 63.5), 20000.0) == pytest.approx(0.5 + 0.0675)
    # beta 0.15: 0.7 - beta (memory).
    assert 200.0 * u_c_rel(plate(15.0, 100.0), 20000.0) == pytest.approx(0.55)


@pytest.mark.parametrize(
    ("pipe_mm", "half", "seven_tenths"),
    [(50.0, 10.7, 16.8), (75.0, 16.0, 25.1), (100.0, 21.4, 33.5), (125.0, 26.7, 41.9), (160.0, 34.2, 53.6)],
)
def test_smallest_flow_by_reynolds_number(pipe_mm: float, half: float, seven_tenths: float) -> None:
    # ISO 5167-2, 5.3.1: Re_D 5000 up to beta 0.56, 16000 beta^2 above (limits seen in the library's documentation).
    for beta, lowest in ((0.5, half), (0.7, seven_tenths)):
        found = orifice_span(plate(beta * pipe_mm, pipe_mm), AIR)
        assert 3600.0 * found.lowest_m3_s == pytest.approx(lowest, abs=0.051)


def test_flange_taps_need_more_in_a_wide_pipe() -> None:
    # Same source: also 170000 beta^2 D with D in m; 0.5, 160 mm: 6800, and nu = 1.512030e-5 m2/s.
    found = orifice_span(plate(80.0, 160.0, "flange"), AIR)
    assert found.lowest_m3_s == pytest.approx(6800.0 * math.pi / 4.0 * 0.160 * 1.512030e-5, rel=1e-5)


def test_lost_pressure() -> None:
    # 100/60 mm, 100 Pa: 62 Pa are lost; 160/80, 20 Pa: 14.5 (worked apart, ISO 5167-2:2003, 5.4, excerpt seen).
    for one, dp_pa, lost_pa, within in ((plate(60.0, 100.0), 100.0, 62.0, 0.5), (plate(80.0, 160.0), 20.0, 14.5, 0.05)):
        found = orifice_span(replace(one, dp_highest_pa=dp_pa), AIR)
        assert found.lost_highest_pa == pytest.approx(lost_pa, abs=within)


# ---- traverse

Profile = NDArray[np.float64]


def quadrature(shape: str) -> tuple[Profile, float]:
    """Fine radii's places y/D with their velocities' mean over the pipe, by the midpoint rule in (2 y/D)^(1/40)."""
    edges = np.linspace(0.0, 1.0, 200_001) ** 40  # close to the wall where the profile is steep
    y = 0.5 * (edges[1:] + edges[:-1]) / 2.0
    ring = np.diff(-((1.0 - edges) ** 2))
    return y, float(np.sum(velocity(y, shape) * ring) / np.sum(ring))


def velocity(y_rel: Profile, shape: str) -> Profile:
    near = np.minimum(y_rel, 1.0 - y_rel)
    if shape == "laminar":
        return np.asarray(4.0 * near * (1.0 - near))
    return np.asarray((2.0 * near) ** (1.0 / float(shape)))


# Rule errors in % of the true mean by exact integrals, worked apart from this package: 4, 6, 8, 10 points.
RULE_ERRORS = {
    "laminar": (-1.1796, -2.4773, -0.0022, -0.8174),
    "5": (-0.4068, -0.4775, -0.1547, -0.2050),
    "7": (-0.2361, -0.2738, -0.0905, -0.1124),
    "10": (-0.1259, -0.1470, -0.0470, -0.0545),
}


@pytest.mark.parametrize("shape", RULE_ERRORS)
@pytest.mark.parametrize("which", range(4))
def test_rule_errors(shape: str, which: int) -> None:
    n_points = (4, 6, 8, 10)[which]
    n = 7.0 if shape == "laminar" else float(shape)
    ours = 100.0 * rule_error_rel(n_points, laminar=shape == "laminar", n=n)
    assert ours == pytest.approx(RULE_ERRORS[shape][which], abs=6e-5)
    _, mean = quadrature(shape)
    again = 100.0 * (float(np.mean(velocity(np.array(positions_rel(n_points)), shape))) / mean - 1.0)
    assert ours == pytest.approx(again, abs=1e-4)


@pytest.mark.parametrize(("n", "mean"), [(5, 0.7575757576), (7, 0.8166666667), (10, 0.8658008658)])
def test_the_quadrature_itself(n: int, mean: float) -> None:
    # 2 n^2 / ((n + 1) (2 n + 1)), on paper.
    assert quadrature(str(n))[1] == pytest.approx(mean, abs=1e-7)


@pytest.mark.parametrize(
    ("n_points", "published"),
    [
        (4, (0.043, 0.290, 0.710, 0.957)),  # log-linear, memory
        (6, (0.032, 0.135, 0.321, 0.679, 0.865, 0.968)),  # log-Tchebycheff, seen in two secondary publications
        (8, (0.021, 0.117, 0.184, 0.345, 0.655, 0.816, 0.883, 0.979)),
        (10, (0.019, 0.077, 0.153, 0.217, 0.361, 0.639, 0.783, 0.847, 0.923, 0.981)),
    ],
)
def test_published_positions(n_points: int, published: tuple[float, ...]) -> None:
    assert positions_mm(125.0, n_points) == pytest.approx([125.0 * y for y in published])
    assert [a + b for a, b in zip(published, reversed(published), strict=True)] == pytest.approx([1.0] * n_points)


def test_worked_traverse() -> None:
    # On paper: 100 mm, centre 3.5 m/s, 1/7 law; 6 points give 80.591276 m3/h, the exact integral is 80.817471.
    pipe = TraversePipe(100.0, 0.1, 2.0, Calibration(0.02), 0.02, n_points=6)
    row = (2.363, 2.903, 3.285, 3.285, 2.903, 2.363)
    found = traverse(pipe, [row, row], AIR)
    assert 3600.0 * found.flow_m3_s == pytest.approx(80.591276, rel=1e-6)
    exact_m3_s = 80.817471 / 3600.0
    assert abs(found.flow_m3_s / exact_m3_s - 1.0) < math.sqrt(3.0) * found.terms["traverse rule of 6 points"]


# ---- timed volume

# u = hypot(1 % of volume, 0.2 s / t) in %, worked apart: volume in litres -> at 10, 30, 75, 150, 250 m3/h.
BAGS = {
    60.0: ("1.36", "2.95", "7.0", "13.9", "23"),
    120.0: ("1.10", "1.71", "3.6", "7.0", "11.6"),
    240.0: ("1.03", "1.22", "2.0", "3.6", "5.9"),
}


@pytest.mark.parametrize("litres", BAGS)
def test_uncertainty_of_a_timed_bag(litres: float) -> None:
    bag = Bag("bag", litres / 1000.0, 0.01, u_temp_k=0.0)
    for flow_m3h, printed in zip((10.0, 30.0, 75.0, 150.0, 250.0), BAGS[litres], strict=True):
        decimals = len(printed.partition(".")[2])
        u_pct = pytest.approx(float(printed), abs=0.5001 * 10.0**-decimals)
        assert 100.0 * bag.u_rel_at(flow_m3h / 3600.0, AIR) == u_pct
        time_s = 3.6 * litres / flow_m3h
        if time_s >= 1.0:
            assert 100.0 * timed_volume(bag, [time_s], 20.0, 20.0).u_rel == u_pct


def test_warm_bag() -> None:
    # On paper: 16 C at the hood, 21 C in the bag: 289.15 / 294.15 = 0.98300; 120 l in 8.64 s is 50 m3/h.
    found = timed_volume(Bag("bag", 0.120, 0.01), [8.64], bag_temp_c=21.0, hood_temp_c=16.0)
    assert 3600.0 * found.flow_m3_s == pytest.approx(50.0 * 0.98300, abs=5e-4)


# ---- second meter


@pytest.mark.parametrize(("dof", "k"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)])
def test_degrees_of_freedom_from_a_coverage_factor(dof: int, k: float) -> None:
    # JCGM 100:2008, Table G.2, column 95.45 % (memory), k rounded to two places there.
    low, high = (calibration_of(0.02, k + shift).dof for shift in (0.006, -0.006))
    assert low <= dof <= high < 1.2 * dof
    assert calibration_of(0.02, 2.0) == Calibration(0.01)
