"""Verdicts on flows: probabilities from outside the project, limits, and where within ends and outside begins.

Sources. JCGM 106:2012, examples of 7.3.3 and 7.4: inputs from memory, probabilities worked out with the normal
distribution (`memory`). Quantiles of the normal and of Student's distribution: any printed table (`memory`). The rest
can be worked out on paper.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from hoodtrace.dwelling.plan import Rule
from hoodtrace.dwelling.verdict import conformance, limits_m3h, verdict

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Limit

INF = math.inf


@pytest.mark.parametrize(
    ("flow", "u", "low", "high", "p"),
    [
        pytest.param(-5.47, 0.05, -INF, -5.40, 0.9192433408, id="JCGM 106 7.3.3, an upper limit (memory)"),
        pytest.param(509.7, 8.6, 490.0, INF, 0.9890095474, id="JCGM 106 7.3.3, a lower limit (memory)"),
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.6626297865, id="JCGM 106 7.4, between two limits (memory)"),
        # A lower limit of 54, read 58 with u 2.5: Phi(1.6); the table of the normal distribution has .9452 (memory).
        pytest.param(58.0, 2.5, 54.0, INF, 0.945200708300442, id="Phi(1.6)"),
        # 54 to 66: Phi(3.2) - Phi(-1.6).
        pytest.param(58.0, 2.5, 54.0, 66.0, 0.9445135704, id="Phi(3.2) - Phi(-1.6)"),
        pytest.param(60.0, 1.0, 60.0, INF, 0.5, id="on the limit"),
        pytest.param(61.0, 1.0, 60.0, INF, 0.84134475, id="Phi(1), table (memory)"),
        pytest.param(61.2816, 1.0, 60.0, INF, 0.90000850, id="Phi(1.2816), table (memory)"),
        pytest.param(61.6449, 1.0, 60.0, INF, 0.95000478, id="Phi(1.6449), table (memory)"),
        pytest.param(58.0, 1.0, -INF, 60.0, 0.97724987, id="Phi(2), table (memory)"),
    ],
)
def test_probability_of_conformance(flow: float, u: float, low: float, high: float, p: float) -> None:
    assert conformance(flow, u, None, low, high) == pytest.approx(p, abs=1.5e-8)


def test_few_degrees_of_freedom_are_student_and_many_are_normal() -> None:
    # Worked out with scipy 1.17.1, `stats.t.cdf(1.6, 8)` (seen).
    assert conformance(58.0, 2.5, 8.0, 54.0, INF) == pytest.approx(0.9258669479, abs=1e-10)
    # Cauchy, one degree of freedom: 1/2 + arctan(x)/pi, on paper; 3/4 at x = 1.
    assert conformance(61.0, 1.0, 1.0, 60.0, INF) == pytest.approx(0.75, abs=1e-12)
    # Two degrees: 1/2 + x / (2 sqrt(2 + x^2)), on paper.
    assert conformance(61.0, 1.0, 2.0, 60.0, INF) == pytest.approx(0.5 + 1 / (2 * math.sqrt(3)), abs=1e-12)
    assert conformance(61.0, 1.0, 1e9, 60.0, INF) == pytest.approx(conformance(61.0, 1.0, None, 60.0, INF), abs=1e-8)


def test_without_uncertainty_the_flow_is_inside_or_not_and_the_limits_belong_to_the_inside() -> None:
    assert [conformance(q, 0.0, None, 54.0, 66.0) for q in (53.999, 54.0, 60.0, 66.0, 66.001)] == [0, 1, 1, 1, 0]
    rule = Rule()
    assert verdict(54.0, 0.0, None, 54.0, "at least", rule) == "within"
    assert verdict(53.999, 0.0, 5.0, 54.0, "at least", rule) == "outside"


@pytest.mark.parametrize(
    ("limit", "low", "high"), [("around", 54.0, 66.0), ("at least", 60.0, INF), ("at most", -INF, 60.0)]
)
def test_limits_of_a_design_flow(limit: Limit, low: float, high: float) -> None:
    assert limits_m3h(60.0, limit, 0.1) == pytest.approx((low, high))


# One-sided quantiles: normal 1.2816 (90 %), 1.6449 (95 %), 2.3263 (99 %); t with 8 degrees of freedom 1.860 (95 %);
# tables, from memory.
@pytest.mark.parametrize(
    ("risk", "dof", "quantile"), [(0.05, None, 1.6449), (0.1, None, 1.2816), (0.01, None, 2.3263), (0.05, 8.0, 1.860)]
)
@pytest.mark.parametrize(("limit", "sign"), [("at least", 1.0), ("at most", -1.0)])
def test_one_sided_within_and_outside_begin_where_the_risk_allows_it(
    risk: float, dof: float | None, quantile: float, limit: Limit, sign: float
) -> None:
    rule, u, design = Rule(risk=risk), 2.5, 54.0

    def said(n_u: float) -> str | None:
        return verdict(design + sign * n_u * u, u, dof, design, limit, rule)

    # The tables' digits end at the fourth: a thousandth of u on either side decides.
    assert said(quantile + 1e-3) == "within"
    assert said(quantile - 1e-3) == said(0.0) == said(-quantile + 1e-3) == "undecided"
    assert said(-quantile - 1e-3) == "outside"


def test_around_the_design_both_limits_count_and_a_wide_interval_decides_nothing() -> None:
    rule = Rule(tolerance_rel=0.1, risk=0.05)
    # Far limits are over 4 u away, so each side alone: 54 + 1.6449 u and 66 - 1.6449 u, with u 1.
    flows = {
        54.0 - 1.646: "outside",
        54.0 + 1.644: "undecided",
        54.0 + 1.646: "within",
        60.0: "within",
        66.0 - 1.646: "within",
        66.0 - 1.644: "undecided",
        66.0 + 1.644: "undecided",
        66.0 + 1.646: "outside",
    }
    assert {flow: verdict(flow, 1.0, None, 60.0, "around", rule) for flow in flows} == flows
    # In the middle, 6 m3/h to either limit, half of u: erf(6/(12 sqrt 2)) = 0.383 (table, memory).
    assert conformance(60.0, 12.0, None, 54.0, 66.0) == pytest.approx(0.383, abs=5e-4)
    assert verdict(60.0, 12.0, None, 60.0, "around", rule) == "undecided"


def test_without_a_design_there_is_no_verdict_and_the_own_example_is_undecided() -> None:
    assert verdict(60.0, 1.0, None, None, "around", Rule()) is None
    # 58 with u 2.5 against 54: 0.9452 < 0.95; the limit for 5 % risk is 54 + 1.6449 * 2.5 = 58.1122 (on paper).
    assert [verdict(q, 2.5, None, 54.0, "at least", Rule()) for q in (58.0, 58.11, 58.12)] == [
        "undecided",
        "undecided",
        "within",
    ]
