"""The fit's core against published lines, GTC and odrpack: nothing here was computed by the program under test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.calibration.finish import correlation
from hoodtrace.calibration.fit import fit_taps, fit_vane
from hoodtrace.calibration.fit_result import effective_dof
from hoodtrace.calibration.line import STRAIGHT, LawFit, fit_law
from hoodtrace.calibration.points import Common, Point, ReferenceFlow

Floats = NDArray[np.float64]
NORRIS = Path(__file__).parent / "data" / "norris.csv"

# JCGM 100:2008, table H.6: thermometer readings and corrections, t0 = 20 (data seen in the documentation of GTC).
H3_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20
H3_B = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000

# K. Pearson 1901 with the weights of D. York 1966, as printed in many papers (seen).
X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
U_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5
U_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def straight(x: Floats, y: Floats, shared: Floats | None = None) -> LawFit:
    """Line with x exact and nothing known of y's scatter but that it is one."""
    return fit_law(STRAIGHT, x, y, np.zeros_like(x), np.ones_like(y), np.array([0.0, 1.0]), shared)


def type_a(fit: LawFit) -> Floats:
    return fit.covariance_own * fit.chi2 / fit.dof


def test_gum_h3() -> None:
    """JCGM 100:2008 H.3: y1 -0.1712(29), y2 .00218(67), r -.930, s .0035, b(30) -0.1494(41), 9 dof (seen)."""
    fit = straight(H3_T, H3_B)
    covariance = type_a(fit)
    u = np.sqrt(np.diag(covariance))
    assert [round(fit.beta[0], 4), round(fit.beta[1], 5)] == [-0.1712, 0.00218]
    assert [round(u[0], 4), round(u[1], 5)] == [0.0029, 0.00067]
    assert round(covariance[0, 1] / (u[0] * u[1]), 3) == -0.930
    assert round(np.sqrt(fit.chi2 / fit.dof), 4) == 0.0035
    at_30 = np.array([1.0, 10.0])
    assert round(at_30 @ fit.beta, 4) == -0.1494
    assert round(np.sqrt(at_30 @ covariance @ at_30), 4) == 0.0041
    assert fit.dof == 9
    # Full precision from GTC 1.5.1, which reproduces the guide (computed there).
    assert fit.beta == pytest.approx([-0.17120379, 0.0021826977], rel=1e-7)
    assert u == pytest.approx([0.0028775980, 0.00066793877], rel=1e-7)
    assert fit.chi2 == pytest.approx(1.10096583e-4, rel=1e-7)


def test_gum_h3_with_an_offset_that_all_points_share() -> None:
    """u .00576893138 on 145.3796 dof, slope unchanged .00066793877 on 9 (documentation of GTC, type_a.merge; seen)."""
    # The points' own scatter is estimated, that of the offset known: bring both to one scale first.
    plain = straight(H3_T, H3_B)
    s = np.sqrt(plain.chi2 / plain.dof)
    offset = np.full((11, 1), 0.005)
    fit = fit_law(STRAIGHT, H3_T, H3_B, np.zeros(11), np.full(11, s), np.array([0.0, 1.0]), offset)
    assert fit.beta == pytest.approx(plain.beta, rel=1e-8)
    own, shared = np.diag(fit.covariance_own), fit.by_shared[:, 0] ** 2
    u, dof = effective_dof([(own[0], 9.0), (shared[0], np.inf)])
    assert u == pytest.approx(0.00576893138, rel=1e-8)
    assert dof == pytest.approx(145.3796, rel=1e-6)
    u, dof = effective_dof([(own[1], 9.0), (shared[1], np.inf)])
    assert u == pytest.approx(0.00066793877, rel=1e-7)
    assert dof == pytest.approx(9.0, rel=1e-9)


def test_norris() -> None:
    """NIST StRD Norris, certified values (seen): 9 digits kept, as good as the search's last step."""
    y, x = np.loadtxt(NORRIS, delimiter=",", skiprows=2, unpack=True)
    fit = straight(x, y)
    assert fit.beta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(type_a(fit))) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert fit.chi2 == pytest.approx(26.6173985294224, rel=1e-9)


def test_pearson_with_york_weights() -> None:
    """Published line (seen); uncertainties in the convention of York 2004 (adjusted points), unscaled by S / 8."""
    fit = fit_law(STRAIGHT, X, Y, U_X, U_Y, np.array([5.0, -0.5]))
    assert fit.beta == pytest.approx([5.479910224033, -0.4805334074462], rel=1e-8)
    assert fit.chi2 == pytest.approx(11.8663531941, rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance_own)) == pytest.approx([0.29497073549, 0.05798500900], rel=1e-6)
    assert fit.covariance_own[0, 1] == pytest.approx(-0.01647254, rel=1e-6)


def test_a_line_with_errors_in_both_axes_is_that_of_gtc() -> None:
    """GTC uses the other convention of uncertainty (observed points), which differs by second order only."""
    from GTC import type_a as gtc

    rng = np.random.default_rng(3)
    x = np.linspace(1, 6, 7)
    u_x, u_y = rng.uniform(0.01, 0.03, (2, 7))
    at, y = x + u_x * rng.standard_normal(7), 0.3 + 0.9 * x + u_y * rng.standard_normal(7)
    fit = fit_law(STRAIGHT, at, y, u_x, u_y, np.array([0.0, 1.0]))
    a, b = gtc.line_fit_wtls(at.tolist(), y.tolist(), u_x.tolist(), u_y.tolist()).a_b
    assert fit.beta == pytest.approx([a.x, b.x], rel=1e-5)
    assert np.sqrt(np.diag(fit.covariance_own)) == pytest.approx([a.u, b.u], rel=2e-2)


def test_shared_errors_are_a_full_covariance_of_y() -> None:
    """Generalised least squares (A. C. Aitken 1935; from memory) written out here, two references in one line."""
    shared = np.zeros((10, 2))
    shared[:5, 0], shared[4:, 1] = 0.3, np.linspace(0.1, 0.4, 6)
    fit = fit_law(STRAIGHT, X, Y, np.zeros(10), U_Y, np.array([5.0, -0.5]), shared)
    inverse = np.linalg.inv(np.diag(U_Y**2) + shared @ shared.T)
    design = np.column_stack((np.ones(10), X))
    covariance = np.linalg.inv(design.T @ inverse @ design)
    beta = covariance @ design.T @ inverse @ Y
    rest = Y - design @ beta
    assert fit.beta == pytest.approx(beta, rel=1e-9)
    assert fit.chi2 == pytest.approx(rest @ inverse @ rest, rel=1e-9)
    assert fit.covariance_own + fit.by_shared @ fit.by_shared.T == pytest.approx(covariance, rel=1e-9)


def calibration(seed: int) -> list[Point]:
    """Six points of two references (numpy alone)."""
    rng = np.random.default_rng(seed)
    points = []
    for i, true in enumerate(np.array([18, 25, 35, 48, 66, 90]) / 3600):
        common = (Common("bag", 0.012, 20.0),) if i < 3 else (Common("plate", 0.008), Common("chip", 0.003, 8.0))
        flow = true * (1 + 0.012 * rng.standard_normal())
        vane, taps = (true / (0.0085 * f) * (1 + 0.004 * rng.standard_normal()) for f in (0.93, 0.71))
        reference = ReferenceFlow(flow, 0.012 * flow, np.inf, common, "test")
        points.append(Point(i + 1, "supply", reference, vane, 0.004 * vane, taps, 0.004 * taps, 1.2))
    return points


def test_ratio_is_that_of_gtc_uncertain_numbers() -> None:
    """k without a second term, and the correlation of k and c: all inputs as uncertain numbers of GTC.

    Weights are the fit's own inputs (stated variances and shared errors), written out here. The points' own errors are
    the same for both channels (reference, air, placement), as far as the channel that scatters less has them.
    """
    import GTC

    points = calibration(11)
    vane, taps = (f(points, 0.0085, second_term=False) for f in (fit_vane, fit_taps))
    commons = {c.name: GTC.ureal(0, c.u_rel, c.dof, c.name) for c in vane.common}
    owns = [np.sqrt(fit.scale) * np.sqrt(0.012**2 + 0.004**2 + fit.scatter_rel**2) for fit in (vane, taps)]
    both = [GTC.ureal(0, float(min(owns))) for _ in points]
    results = []
    for fit, signals in ((vane, [p.vane_m_s for p in points]), (taps, [p.taps_m_s for p in points])):
        own = np.sqrt(fit.scale) * np.sqrt(0.012**2 + 0.004**2 + fit.scatter_rel**2)
        alone = [GTC.ureal(0, float(np.sqrt(max(own**2 - min(owns) ** 2, 0)))) for _ in points]
        shared = np.array([[each.u_rel if each in p.reference.common else 0 for each in fit.common] for p in points])
        whole = np.diag(np.full(6, 0.012**2 + 0.004**2 + fit.scatter_rel**2)) + shared @ shared.T
        weight = np.linalg.solve(whole, np.ones(6))
        weight /= weight.sum()
        ln_k = 0
        for w, p, s, one, other in zip(weight, points, signals, both, alone, strict=True):
            common = sum(commons[c.name] for c in p.reference.common)
            ln_k = ln_k + float(w) * (float(np.log(p.reference.flow_m3_s / (0.0085 * s))) + one + other + common)
        results.append(ln_k)
    ln_k, ln_c = results
    # The taps' law is straight in logarithms; the vane's is not: second order, (0.4 %)^2 = 1.6e-5, some per mille
    # of a variance.
    assert taps.beta[0] == pytest.approx(ln_c.x, abs=1e-9)
    assert vane.beta[0] == pytest.approx(ln_k.x, abs=1.6e-5)
    assert taps.u_c_rel == pytest.approx(ln_c.u, rel=1e-8)
    assert vane.u_k_rel == pytest.approx(ln_k.u, rel=2e-3)
    assert correlation(vane, taps) == pytest.approx(GTC.get_correlation(ln_k, ln_c), rel=2e-3)


def test_power_law_is_that_of_odrpack_in_its_own_units() -> None:
    """c v^(2 n) fitted in m/s, not in logarithms, by odrpack, errors in both axes; no shared error."""
    from dataclasses import replace

    from odrpack import odr_fit

    points = [replace(p, reference=replace(p.reference, common=())) for p in calibration(5)]
    fit = fit_taps(points, 0.0085, second_term=True)
    x = np.array([p.taps_m_s for p in points])
    y = np.array([p.reference.flow_m3_s for p in points]) / 0.0085
    u_y = np.hypot(0.012, fit.scatter_rel) * y
    found = odr_fit(
        lambda v, b: b[0] * v ** (2 * b[1]),
        x,
        y,
        np.array([0.7, 0.5]),
        weight_x=(0.004 * x) ** -2.0,
        weight_y=u_y**-2.0,
    )
    # Logarithm and plain scale differ by second order: some tenths of (1.2 %)^2, against a u of about 1 %.
    assert [fit.c, fit.exponent] == pytest.approx(list(found.beta), rel=1e-3)
    u = np.sqrt(np.diag(found.cov_beta))
    assert [
        fit.c * np.sqrt(fit.covariance_own[0, 0] / fit.scale),
        0.5 * np.sqrt(fit.covariance_own[1, 1] / fit.scale),
    ] == (pytest.approx(u.tolist(), rel=2e-2))
