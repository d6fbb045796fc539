"""The fit of the hood's constants: known answers, what is refused, what is said."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hoodtrace.calibration import fit as fits
from hoodtrace.calibration.finish import correlation
from hoodtrace.calibration.fit import OPEN_EXPONENT, OPEN_OFFSET_M_S, fit_taps, fit_vane
from hoodtrace.calibration.fit_next import next_flow
from hoodtrace.calibration.line import Law
from hoodtrace.calibration.points import Common, Point, ReferenceFlow
from hoodtrace.errors import MeasurementError

AREA = 0.0085
FLOWS_M3H = (18.0, 26.0, 37.0, 52.0, 75.0)
BAG = Common("volume of the bag", 0.01)


def point(number: int, flow_m3h: float, k: float = 0.9, d: float = 0.0, off: float = 1.0, **more: object) -> Point:
    """A point whose vane obeys k and d, whose taps obey c = 0.7 and the exponent 0.5; the reference is `off` times."""
    flow = flow_m3h / 3600
    vane, taps = flow / (AREA * k) - d, flow / (AREA * 0.7)
    reference = ReferenceFlow(flow * off, 0.01 * flow * off, math.inf, (BAG,), "timed bag")
    return replace(Point(number, "supply", reference, vane, 0.003 * vane, taps, 0.003 * taps, 1.2), **more)


def points(flows_m3h: tuple[float, ...] = FLOWS_M3H, off: tuple[float, ...] | None = None, **law: float) -> list[Point]:
    offs = off or (1.0,) * len(flows_m3h)
    return [point(i + 1, f, off=o, **law) for i, (f, o) in enumerate(zip(flows_m3h, offs, strict=True))]


# --- known answers


def test_three_equal_points_by_paper() -> None:
    """Ratios 0.99, 1, 1.01 of equal weight: k is the middle; s = 1.00 % is under the stated 1.044 %, over 0.7 of its
    variance, and counts: u^2 = s^2 / 3 + 1 %^2, the first on 2 degrees of freedom.
    """
    fit = fit_vane(points((20.0, 30.0, 40.0), off=(0.99, 1.0, 1.01)), AREA, second_term=False)
    own, shared = float(np.var(np.log([0.99, 1.0, 1.01]), ddof=1)) / 3, 0.01**2
    assert fit.k == pytest.approx(0.9 * (0.99 * 1.01) ** (1 / 3), rel=1e-5)
    assert fit.covariance_own[0, 0] == pytest.approx(own, rel=1e-3)
    assert fit.covariance_common[0, 0] == pytest.approx(shared, rel=1e-9)
    assert fit.u_k_rel == pytest.approx(math.sqrt(own + shared), rel=1e-3)
    assert fit.dof_k == pytest.approx((own + shared) ** 2 / (own**2 / 2), rel=5e-3)
    assert fit.dof_own == 2
    assert (fit.earned, fit.tested, fit.d_offset_m_s, fit.u_offset_m_s, fit.r_k_offset) == (False, False, 0, 0, 0)


def test_scatter_that_nobody_stated_is_found() -> None:
    """Four ratios +-3 %: s = 3.465 %, stated 1.044 %, so sqrt(3.465^2 - 1.044^2) = 3.30 % is hidden."""
    fit = fit_vane(points((20.0, 24.0, 30.0, 36.0), off=(1.03, 0.97, 1.03, 0.97)), AREA)
    s2 = float(np.var(np.log([1.03, 0.97, 1.03, 0.97]), ddof=1))
    assert fit.scatter_rel == pytest.approx(math.sqrt(s2 - 0.01**2 - 0.003**2), rel=2e-3)
    assert fit.covariance_own[0, 0] == pytest.approx(s2 / 4, rel=2e-3)
    assert "scatter more than was stated" in fit.lack_of_fit
    assert fit.p_lack < 0.001


def test_points_that_agree_by_luck_leave_0_7_of_the_stated_variance() -> None:
    fit = fit_vane(points((20.0, 24.0, 30.0, 36.0)), AREA)
    assert fit.scatter_rel == 0.0
    assert fit.covariance_own[0, 0] == pytest.approx(0.7 * (0.01**2 + 0.003**2) / 4, rel=1e-6)
    assert "less than was stated" in fit.lack_of_fit


def test_an_offset_that_is_there_is_earned_and_found() -> None:
    fit = fit_vane(points(d=0.08), AREA)
    assert fit.earned
    assert fit.p_second < 0.01
    assert (fit.k, fit.d_offset_m_s) == (pytest.approx(0.9, rel=1e-6), pytest.approx(0.08, rel=1e-5))
    assert 0.0 < fit.u_offset_m_s < 0.03
    assert -1.0 < fit.r_k_offset < 0.0


def test_an_offset_that_is_not_earned_is_zero_and_what_is_open_of_it_stays() -> None:
    two = fit_vane(points(), AREA, second_term=True)
    fit = fit_vane(points(), AREA)
    none = fit_vane(points(), AREA, second_term=False)
    assert (fit.earned, fit.d_offset_m_s) == (False, 0.0)
    assert fit.u_offset_m_s == pytest.approx(two.u_offset_m_s)
    # A term more, equal weights: the variance grows by u_d^2 (1 / v - mean of 1 / v)^2 (regression by paper). What the
    # law is taken at differs by second order of d, here 0.
    v = np.array([p.vane_m_s for p in points()])
    added = (fit.u_offset_m_s * (1 / 0.7 - np.mean(1 / v))) ** 2
    assert fit.flow_m3_s(0.7).u_m3_s ** 2 - none.flow_m3_s(0.7).u_m3_s ** 2 == (
        pytest.approx(added * none.flow_m3_s(0.7).flow_m3_s ** 2, rel=1e-4)
    )
    assert none.u_offset_m_s == 0.0


def test_an_exponent_that_is_there_is_found() -> None:
    """Flow = c A v^(2 n) with n = 0.54: v = (flow / (c A))^(1 / 1.08)."""
    bent = [
        replace(p, taps_m_s=v, u_taps_m_s=0.003 * v)
        for p in points()
        for v in [(p.reference.flow_m3_s / (0.7 * AREA)) ** (1 / 1.08)]
    ]
    fit = fit_taps(bent, AREA)
    assert fit.earned
    assert (fit.c, fit.exponent) == (pytest.approx(0.7, rel=1e-6), pytest.approx(0.54, rel=1e-6))
    assert fit_taps(points(), AREA).exponent == 0.5
    signal = 2.0
    assert fit.flow_m3_s(signal).flow_m3_s == pytest.approx(0.7 * AREA * signal**1.08, rel=1e-6)


def test_hood_file_numbers_give_the_same_uncertainty_as_the_fit() -> None:
    """By hand from k, d_offset, their u and r: u^2 = u_k^2 + (u_d / s)^2 + 2 r u_k u_d / s, s = speed + offset."""
    fit = fit_vane(points(d=0.05, off=(1.0, 1.01, 0.99, 1.01, 1.0)), AREA)
    for signal in (0.6, 1.0, 2.4):
        s = signal + fit.d_offset_m_s
        d = fit.u_offset_m_s / s
        u = math.sqrt(fit.u_k_rel**2 + d**2 + 2 * fit.r_k_offset * fit.u_k_rel * d)
        at = fit.flow_m3_s(signal)
        assert at.flow_m3_s == pytest.approx(fit.k * AREA * s)
        assert at.u_m3_s / at.flow_m3_s == pytest.approx(u)


def test_a_shared_error_is_not_averaged_down() -> None:
    many = fit_vane(points(tuple(np.linspace(20, 80, 40).tolist())), AREA)
    assert many.u_k_rel >= BAG.u_rel


def test_inside_ends_at_the_lowest_point_and_at_1_2_times_the_highest() -> None:
    fit = fit_vane(points(), AREA)
    speed = 1 / 3600 / (fit.k * AREA)
    inside = {f: fit.flow_m3_s(f * speed).inside for f in (17.9, 18.01, 75.0, 89.9, 90.1)}
    assert inside == {17.9: False, 18.01: True, 75.0: True, 89.9: True, 90.1: False}
    low = fit_vane(points(d=-0.08), AREA).flow_m3_s(0.01)
    assert (low.flow_m3_s, low.inside) == (0.0, False)


def test_the_point_that_moves_the_fit_most_is_named() -> None:
    fit = fit_vane(points((20.0, 24.0, 30.0, 36.0), off=(1.0, 1.0, 1.06, 1.0)), AREA)
    assert fit.most_change_number == 3
    # Equal weights: a point 5.83 % off in ln lifts k by a quarter of that.
    assert fit.most_change_rel == pytest.approx(-math.log(1.06) / 4, rel=1e-3)
    assert fit.residuals_rel[2] == pytest.approx(0.75 * math.log(1.06), rel=1e-3)


def test_band_holds_the_factor_and_is_narrower_in_the_middle() -> None:
    band = fit_vane(points(d=0.05), AREA).k_over_flow(21)
    width = band.high - band.low
    assert width[10] < width[0]
    assert (band.low < band.factor).all()
    assert (band.factor < band.high).all()
    assert band.factor[0] == pytest.approx(18 / 3600 / (AREA * (18 / 3600 / (0.9 * AREA) - 0.05)), rel=1e-5)


# --- correlation of k and c


def test_k_and_c_from_one_exactly_repeating_reference_err_together() -> None:
    vane, taps = fit_vane(points(), AREA, second_term=False), fit_taps(points(), AREA, second_term=False)
    # Each channel's own error is the reference's, the air's and the placement's, all of which both see.
    assert correlation(vane, taps) == pytest.approx(1.0, rel=1e-4)


def test_k_and_c_from_different_references_do_not_err_together() -> None:
    vane = fit_vane(points(), AREA)
    other = [
        replace(p, number=p.number + 10, reference=replace(p.reference, common=(Common("plate", 0.01),)))
        for p in points()
    ]
    assert correlation(vane, fit_taps(other, AREA)) == 0.0


def test_a_second_term_that_could_not_be_looked_for_stays_open() -> None:
    """With 3 or 4 points the line may bend as hoods do; at the points' middle that changes nothing."""
    for flows in ((20.0, 36.0, 64.0), (20.0, 30.0, 45.0, 67.0)):
        vane, taps = fit_vane(points(flows), AREA), fit_taps(points(flows), AREA)
        assert (vane.d_offset_m_s, taps.exponent) == (0.0, 0.5)
        assert vane.u_offset_m_s == pytest.approx(OPEN_OFFSET_M_S)
        assert taps.u_exponent == pytest.approx(OPEN_EXPONENT / 2)
        for fit, known in ((vane, fit_vane(points(flows), AREA, False)), (taps, fit_taps(points(flows), AREA, False))):
            middle = fit.u_at_rel(fit.middle_m3_s) / known.u_at_rel(known.middle_m3_s)
            low = fit.u_at_rel(fit.lowest_m3_s) / known.u_at_rel(known.lowest_m3_s)
            assert middle < 1.1
            assert low > 1.3


def test_what_the_taps_points_share_is_in_c_alone() -> None:
    """An error of 2 % in all points is 2 % of c (JCGM 100:2008 5.1.2), and none of the vane's."""
    shared = [replace(p, taps_common=(Common("air", 0.02),)) for p in points()]
    plain, zero = fit_taps(points(), AREA, False), fit_taps(shared, AREA, False)
    assert zero.u_rel**2 - plain.u_rel**2 == pytest.approx(0.02**2, rel=1e-6)
    assert fit_vane(shared, AREA, False).u_rel == fit_vane(points(), AREA, False).u_rel


# --- next flow


def test_next_flow_is_an_end_that_is_not_known_yet() -> None:
    fit = fit_vane(points((30.0, 33.0, 36.0, 40.0)), AREA)
    candidates = [f / 3600 for f in (15.0, 25.0, 35.0)]
    chosen = next_flow(fit, candidates)
    assert chosen.flow_m3_s * 3600 == pytest.approx(15.0)
    assert chosen.why.startswith("15 m3/h: ")
    assert next_flow(fit, candidates[::-1]) == chosen


def test_next_flow_really_leaves_the_least_variance() -> None:
    """Against the fits themselves: add each candidate in turn and compare the mean variance over the range."""
    have = points((20.0, 30.0, 45.0, 50.0, 60.0))
    candidates = (22.0, 35.0, 60.0, 85.0)

    def mean_variance(flow_m3h: float) -> float:
        fit = fit_vane([*have, point(9, flow_m3h)], AREA, second_term=True)
        slopes = np.array([fit.slope(float(f) / 3600) for f in np.geomspace(20, 85, 25)])
        return float(np.mean(np.einsum("ij,jk,ik->i", slopes, fit.covariance_own, slopes)))

    best = min(candidates, key=mean_variance)
    chosen = next_flow(fit_vane(have, AREA, second_term=True), [f / 3600 for f in candidates])
    assert chosen.flow_m3_s * 3600 == pytest.approx(best)


def test_next_flow_is_the_best_and_not_just_the_farthest() -> None:
    """40 m3/h is farther in ratio from all points than 85, but one point alone holds the upper end."""
    fit = fit_vane(points((18.0, 19.0, 20.0, 21.0, 80.0)), AREA)
    assert next_flow(fit, [f / 3600 for f in (40.0, 85.0)]).flow_m3_s * 3600 == pytest.approx(85.0)


def test_next_flow_of_two_as_good_is_the_one_not_measured_yet() -> None:
    fit = fit_vane(points((20.0, 30.0, 45.0, 60.0)), AREA)
    assert next_flow(fit, [f / 3600 for f in (60.0, 60.5)]).flow_m3_s * 3600 == pytest.approx(60.5)
    assert next_flow(fit, [f / 3600 for f in (60.0, 59.5)]).flow_m3_s * 3600 == pytest.approx(59.5)


def test_next_flow_from_points_at_one_flow_is_away_from_them() -> None:
    fit = fit_vane(points((30.0, 30.0, 30.0)), AREA)
    assert next_flow(fit, [f / 3600 for f in (30.0, 70.0)]).flow_m3_s * 3600 == pytest.approx(70.0)
    with pytest.raises(MeasurementError, match="no flow that a reference allows"):
        next_flow(fit, [])


# --- refused, each in its own words


def bad(i: int, **more: object) -> list[Point]:
    """Good points, one of them changed in its reference or itself."""
    many = points()
    reference = {k: v for k, v in more.items() if k in ("flow_m3_s", "u_own_m3_s", "common")}
    rest = {k: v for k, v in more.items() if k not in reference}
    many[i] = replace(many[i], reference=replace(many[i].reference, **reference), **rest)
    return many


REFUSED = {
    "no points": ([], "0 points"),
    "one point": (points((30.0,)), "one point .* can check the other direction"),
    "two points": (points((30.0, 50.0)), "2 points .* at least 3"),
    "zero flow": (bad(1, flow_m3_s=0.0), "point 2: the reference flow is 0 m3/h; it must be over 0"),
    "negative flow": (bad(1, flow_m3_s=-0.01), "point 2: the reference flow is -36 m3/h"),
    "flow not a number": (bad(1, flow_m3_s=math.nan), "point 2: the reference flow is nan"),
    "no uncertainty": (bad(2, u_own_m3_s=0.0, common=()), "point 3: the reference .* has no uncertainty"),
    "uncertainty not a number": (bad(2, u_own_m3_s=math.nan), "point 3: the reference .* has no uncertainty"),
    "negative uncertainty": (bad(2, u_own_m3_s=-1e-4), "point 3: the reference .* has no uncertainty"),
    "no signals": ([replace(p, vane_m_s=None, u_vane_m_s=None) for p in points()], "no signal in any of the 5"),
    "signal zero": (bad(3, vane_m_s=0.0), "point 4: the vane's signal is 0 m/s"),
    "nothing random": (bad(3, u_own_m3_s=0.0, u_vane_m_s=0.0), "point 4: neither the reference nor the vane"),
    "both directions": (bad(3, direction="extract"), "both directions"),
    "m3/h for L/s": (bad(1, flow_m3_s=26 / 3600 * 3.6), r"point 2: .* 3.6 times .*nearest: 3.6, L/s and m3/h"),
    "L/s for m3/h": (bad(1, flow_m3_s=26 / 3600 / 3.6), r"point 2: .* 0.278 times .*nearest: 0.2778, L/s and m3/h"),
    "minutes": (bad(1, flow_m3_s=26 / 3600 * 60), r"point 2: .* 60 times .*nearest: 60, per second and per minute"),
    "litres": (bad(1, flow_m3_s=26 / 3.6), r"point 2: .* 1e\+03 times .*nearest: 1000, litres and cubic metres"),
    "cfm": (bad(1, flow_m3_s=26 / 3600 * 1.699), r"point 2: .* 1.7 times .*nearest: 1.699, cfm and m3/h"),
    "far off": (points(off=(1.0, 1.2, 0.9, 1.1, 5.0)), r"point 5: .* 4.76 times .*nearest: 3.6, L/s and m3/h"),
    "all in L/s": (points(k=0.9 * 3.6), r"all points: the flow is 3.24 times .*nearest: 3.6, L/s and m3/h"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    given, words = REFUSED[name]
    with pytest.raises(MeasurementError, match=words):
        fit_vane(given, AREA)


def test_a_second_term_wanted_from_one_flow_or_from_few_points_is_refused() -> None:
    with pytest.raises(MeasurementError, match=r"all points are at one flow .30.0 to 32.0 m3/h"):
        fit_vane(points((30.0, 30.5, 31.0, 31.5, 32.0)), AREA, second_term=True)
    with pytest.raises(MeasurementError, match="at least 5 points over 2:1"):
        fit_taps(points((20.0, 40.0, 60.0, 80.0)), AREA, second_term=True)
    assert "all points are at one flow" in fit_vane(points((30.0, 30.5, 31.0, 31.5, 32.0)), AREA).lack_of_fit


def test_a_second_term_that_hangs_on_one_point_is_not_looked_for() -> None:
    many = points((30.0, 30.5, 31.0, 31.5, 75.0), off=(1.0, 1.0, 1.0, 1.0, 1.1))
    assert not fit_vane(many, AREA).tested
    with pytest.raises(MeasurementError, match="all but one lie at one flow"):
        fit_vane(many, AREA, second_term=True)


def test_the_search_may_step_over_the_edge_of_the_logarithm() -> None:
    """An offset that would stop the air at the lowest point: a number, so that the search can turn round."""
    x, beta = np.array([0.3, 1.0]), np.array([0.0, -0.5])
    for function in (fits.VANE_TWO.value, fits.VANE_TWO.by_beta, fits.VANE_TWO.by_x):
        assert np.isfinite(function(x, beta)).all()


def test_any_points_give_a_finite_answer_or_a_refusal() -> None:
    """Wild scatter, offsets over the lowest speeds, all but exact references: no other error, no warning."""
    rng = np.random.default_rng(8)
    n_fits = 0
    for _ in range(60):
        n = int(rng.integers(3, 9))
        scatter, d, own = rng.choice([0.0, 0.02, 0.4]), rng.choice([0.0, 0.1, 0.4]), rng.choice([1e-6, 0.01, 0.2])
        many = [point(i, float(f), d=float(d)) for i, f in enumerate(rng.uniform(15, 90, n))]
        for i, p in enumerate(many):
            flow = p.reference.flow_m3_s
            vane = max(0.02, p.vane_m_s or 0.0) * float(np.exp(scatter * rng.standard_normal()))
            reference = replace(p.reference, u_own_m3_s=own * flow)
            many[i] = replace(p, reference=reference, vane_m_s=vane, u_vane_m_s=own * vane)
        for fit_one in (fit_vane, fit_taps):
            try:
                fit = fit_one(many, AREA)
            except MeasurementError:
                continue
            n_fits += 1
            band = fit.k_over_flow(5)
            assert np.isfinite([band.low, band.high]).all()
            assert np.isfinite(fit.leave_one_out_rel).all()
            assert 0.0 < fit.u_rel < math.inf
    assert n_fits > 60


def test_points_without_a_signal_are_left_out() -> None:
    some = points()
    some[0] = replace(some[0], vane_m_s=None, u_vane_m_s=None)
    fit = fit_vane(some, AREA)
    assert fit.numbers == (2, 3, 4, 5)
    assert fit.lowest_m3_s == pytest.approx(26 / 3600)
    assert fit_taps(some, AREA).numbers == (1, 2, 3, 4, 5)


@pytest.mark.parametrize("name", ["VANE_ONE", "VANE_TWO", "TAPS_ONE", "TAPS_TWO"])
def test_derivatives_are_those_of_the_law(name: str) -> None:
    """Central differences: h^2 / 6 of the third derivative, far under 1e-7 here."""
    law: Law = getattr(fits, name)
    x, beta, h = np.array([0.4, 1.0, 2.5]), np.array([-0.1, 0.07])[: 1 + name.endswith("TWO")], 1e-5
    assert law.by_x(x, beta) == pytest.approx((law.value(x + h, beta) - law.value(x - h, beta)) / (2 * h), abs=1e-7)
    for i in range(len(beta)):
        step = np.eye(len(beta))[i] * h
        numeric = (law.value(x, beta + step) - law.value(x, beta - step)) / (2 * h)
        assert law.by_beta(x, beta)[:, i] == pytest.approx(numeric, abs=1e-7)
