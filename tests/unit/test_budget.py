"""Properties of the weights and of the sum of a budget, over drawn values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodtrace.averaging.budget import Term, coverage_factor, dof_of, total, weights

u_values = st.floats(min_value=0.0, max_value=10.0, allow_subnormal=False).filter(lambda u: u == 0.0 or u > 1e-6)
correlations = st.floats(min_value=-1.0, max_value=1.0)
terms = st.builds(
    Term,
    name=st.just("term"),
    u_m3_s=u_values,
    dof=st.one_of(st.floats(min_value=1.0, max_value=1e4), st.just(math.inf)),
    scope=st.sampled_from(["reading", "visit", "hood"]),
)


@given(u_values, u_values, correlations)
def test_weights_are_shares(u_vane: float, u_taps: float, r: float) -> None:
    vane, taps = weights(u_vane, u_taps, r * u_vane * u_taps)
    assert 0 <= vane <= 1
    assert 0 <= taps <= 1
    assert vane + taps == pytest.approx(1, abs=1e-15)


@given(u_values, u_values, correlations)
def test_no_combination_is_worse_than_the_better_channel(u_vane: float, u_taps: float, r: float) -> None:
    covariance = r * u_vane * u_taps
    vane, taps = weights(u_vane, u_taps, covariance)
    variance = (vane * u_vane) ** 2 + (taps * u_taps) ** 2 + 2 * vane * taps * covariance
    assert variance <= min(u_vane, u_taps) ** 2 * (1 + 1e-9) + 1e-15 * max(u_vane, u_taps) ** 2


@given(u_values, u_values, correlations, st.floats(min_value=0.0, max_value=1.0))
def test_no_other_shares_are_better(u_vane: float, u_taps: float, r: float, other: float) -> None:
    covariance = r * u_vane * u_taps

    def variance(vane: float) -> float:
        return (vane * u_vane) ** 2 + ((1 - vane) * u_taps) ** 2 + 2 * vane * (1 - vane) * covariance

    best = variance(weights(u_vane, u_taps, covariance)[0])
    assert best <= variance(other) + 1e-12 * max(u_vane, u_taps) ** 2


@given(u_values, u_values, correlations)
def test_the_channels_may_change_places(u_vane: float, u_taps: float, r: float) -> None:
    covariance = r * u_vane * u_taps
    forth, back = weights(u_vane, u_taps, covariance), weights(u_taps, u_vane, covariance)
    assert forth == pytest.approx(back[::-1], abs=1e-9)


@given(st.lists(terms, max_size=6), st.floats(min_value=-1.0, max_value=1.0))
def test_total_is_finite_and_not_negative(some: list[Term], part: float) -> None:
    most = max((t.u_m3_s for t in some), default=0.0)
    found = total(tuple(some), part * most**2)
    assert math.isfinite(found.u_m3_s)
    assert found.u_m3_s >= 0
    assert math.isfinite(found.expanded_m3_s)
    assert found.expanded_m3_s >= 1.959 * found.u_m3_s
    assert found.dof > 0


@given(st.lists(terms, min_size=1, max_size=6))
def test_total_of_independent_terms_is_at_least_each_and_at_most_their_sum(some: list[Term]) -> None:
    found = total(tuple(some)).u_m3_s
    assert max(t.u_m3_s for t in some) <= found * (1 + 1e-12)
    assert found <= sum(t.u_m3_s for t in some) * (1 + 1e-12)


@given(st.lists(terms, min_size=1, max_size=6))
def test_degrees_of_freedom_lie_between_the_fewest_and_all(some: list[Term]) -> None:
    """Welch-Satterthwaite's known bounds, JCGM 100:2008 G.4.1 (memory): min <= dof <= sum."""
    found = total(tuple(some))
    if found.u_m3_s > 0:
        counted = [t.dof for t in some if t.u_m3_s > 0]
        assert min(counted) * (1 - 1e-9) <= found.dof <= sum(counted) * (1 + 1e-9)


@given(st.floats(min_value=1.0, max_value=1e5))
def test_dof_of_undoes_the_coverage_factor(dof: float) -> None:
    assert dof_of(coverage_factor(dof)) == pytest.approx(dof, rel=1e-4)
