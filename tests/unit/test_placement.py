"""What a new placement changes: published random-effects numbers, and what can be worked out on paper."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, t

from hoodtrace.calibration.placement import LEAK_RISK, Repeats, found, pooled, worse_than
from hoodtrace.errors import UsageError

# Nine trials of diuretics: events and women, treated and not (R. Collins et al., Br. Med. J. 290 (1985) 17; memory).
TRIALS = (
    (14, 131, 14, 136), (21, 385, 17, 134), (14, 57, 24, 48), (6, 38, 18, 40), (12, 1011, 35, 760),
    (138, 1370, 175, 1336), (15, 506, 20, 524), (6, 108, 2, 103), (65, 153, 40, 102),
)  # fmt: skip


def still(*flows: float) -> Repeats:
    return Repeats("S1", flows, (0.0,) * len(flows))


def test_published_variance_between_trials() -> None:
    """W. Viechtbauer, Stat. Med. 26 (2007) 37: DerSimonian-Laird .2297, Q-profile .0723 to 2.2027 (seen, as pinned by
    the tests of the R package metafor). The first figure shows that the data here are those."""
    y = np.array([math.log(a / (n - a) / (c / (m - c))) for a, n, c, m in TRIALS])
    v = np.array([1 / a + 1 / (n - a) + 1 / c + 1 / (m - c) for a, n, c, m in TRIALS])
    w = 1 / v
    q = float((w * (y - (w * y).sum() / w.sum()) ** 2).sum())
    assert (q - 8) / (w.sum() - (w**2).sum() / w.sum()) == pytest.approx(0.2297, abs=5e-5)
    flows = 10.0 + y
    got = found([Repeats("trials", tuple(flows.tolist()), tuple(np.sqrt(v).tolist()))])
    assert (got.low_rel * flows.mean()) ** 2 == pytest.approx(0.0723, abs=5e-5)
    assert (got.high_rel * flows.mean()) ** 2 == pytest.approx(2.2027, abs=5e-5)
    # Paule-Mandel by its definition: the generalised sum of squares at the estimate is its expectation.
    w = 1 / (v + (got.estimate_rel * flows.mean()) ** 2)
    assert (w * (y - (w * y).sum() / w.sum()) ** 2).sum() == pytest.approx(8.0, rel=1e-9)
    assert got.p_air == pytest.approx(chi2.sf(q, 8), rel=1e-9)


def test_still_air_gives_the_standard_deviation_and_its_t() -> None:
    """By hand: -2, 0, +2 % about the mean: 2 %, two degrees of freedom; 95 % of sigma from chi-squared (textbook)."""
    got = found([still(0.98, 1.0, 1.02)])
    assert got.estimate_rel == pytest.approx(0.02, rel=1e-9)
    assert got.dof == 2
    assert got.low_rel == pytest.approx(0.02 * math.sqrt(2 / 7.377759), rel=1e-6)
    assert got.high_rel == pytest.approx(0.02 * math.sqrt(2 / 0.05063562), rel=1e-6)
    # The predictive distribution is Student's t exactly; the quantiles' grid leaves under 1 %.
    assert got.u_rel == pytest.approx(0.02, rel=0.01)


def test_groups_are_pooled_about_their_own_means() -> None:
    """By hand: squares 2 * .01^2 and 2 * .03^2 over 2 degrees of freedom."""
    got = found([still(0.99, 1.01), still(1.94, 2.06)])
    assert got.estimate_rel == pytest.approx(math.sqrt((2e-4 + 18e-4) / 2), rel=1e-9)
    assert (got.dof, got.n_readings, got.n_groups) == (2.0, 4, 2)


def test_the_air_is_taken_off() -> None:
    """Equal u: the variance is the sample's less u^2, by hand: .02^2 - .01^2."""
    got = found([Repeats("S1", (0.98, 1.0, 1.02), (0.01,) * 3)])
    assert got.estimate_rel == pytest.approx(math.sqrt(3e-4), rel=1e-9)


def test_air_that_explains_all_leaves_nothing_below_zero() -> None:
    got = found([Repeats("S1", (0.99, 1.0, 1.01, 1.0), (0.03,) * 4)])
    assert got.estimate_rel == got.low_rel == 0.0
    assert got.p_air > 0.9
    assert 0.0 < got.u_rel < 0.03  # four readings can't tell that there is none


def test_the_interval_holds_new_placements() -> None:
    """Own simulation, 600 checks of five: binomial standard error 0.9 %, so 92.3 % is three of it under 95."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(600):
        flows = 1.0 + rng.normal(0, 0.015, 6) + rng.normal(0, 0.01, 6)
        got = found([Repeats("S1", tuple(flows[:5].tolist()), (0.01,) * 5)])
        half = float(t.ppf(0.975, got.dof)) * math.hypot(got.u_rel, 0.01)
        held += abs(1.0 + rng.normal(0, 0.015) + rng.normal(0, 0.01) - 1.0) <= half
    assert held >= 0.923 * 600


def test_pooling_weighs_by_degrees_of_freedom() -> None:
    one = found([still(0.98, 1.0, 1.02)])
    u_rel, dof = pooled((0.01, 6.0), one)
    assert dof == 8.0
    assert u_rel == pytest.approx(math.sqrt((6 * 0.01**2 + 2 * one.u_rel**2) / 8), rel=1e-12)


def test_worse_than_before() -> None:
    loose = [still(0.94, 1.0, 1.06, 1.0)]
    assert worse_than((0.01, 12.0), loose) < LEAK_RISK
    assert worse_than((0.05, 12.0), loose) > 0.2
    # Little is known of before: four readings are then not enough to accuse the seal.
    assert worse_than((0.01, 1.0), loose) > LEAK_RISK
    # Known before: chi-squared of 72 with 3 degrees of freedom.
    assert worse_than((0.01, None), loose) == pytest.approx(float(chi2.sf(72.0, 3)), rel=1e-6)


def test_units_do_not_matter() -> None:
    a = found([Repeats("S1", (0.010, 0.0102, 0.0099), (1e-4, 2e-4, 1e-4))])
    b = found([Repeats("S1", (36.0, 36.72, 35.64), (0.36, 0.72, 0.36))])
    assert a.u_rel == pytest.approx(b.u_rel, rel=1e-9)


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ([], "no repeat placements"),
        ([still(1.0)], "1 reading"),
        ([still(1.0, 0.0)], "over 0"),
        ([still(1.0, math.nan)], "over 0"),
        ([Repeats("S1", (1.0, 1.0), (0.1, -0.1))], "0 or more"),
        ([Repeats("S1", (1.0, 1.0), (0.1,))], "no repeat placements"),
    ],
)
def test_what_is_no_repeat_is_refused(groups: list[Repeats], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        found(groups)
