"""Properties of pooled placements over drawn ones: order, bounds, units."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import Placement, entered, pooled

sizes = st.floats(min_value=1e-3, max_value=2.0)
dofs = st.one_of(st.floats(min_value=1.0, max_value=100.0), st.just(math.inf))


@st.composite
def readings(draw: st.DrawFn) -> Placement:
    air, dof = draw(sizes), draw(dofs)
    terms = [
        Term("fluctuation of the air", air, dof, "reading"),
        Term("placement", draw(sizes), draw(dofs), "reading"),
        Term("k-factor", draw(sizes), draw(dofs), "hood"),
    ]
    if draw(st.booleans()):
        terms.append(Term("zero", draw(sizes), math.inf, "visit"))
    return Placement(draw(st.floats(min_value=30.0, max_value=50.0)), air, dof, tuple(terms))


by_hand = st.builds(entered, st.floats(min_value=30.0, max_value=50.0), sizes, st.sampled_from(["vane", "hot wire"]))
some = st.lists(st.one_of(readings(), by_hand), min_size=1, max_size=6)


@given(st.data(), some)
def test_the_order_changes_nothing(data: st.DataObject, placements: list[Placement]) -> None:
    assert pooled(data.draw(st.permutations(placements))) == pooled(placements)


@given(some)
def test_flow_lies_among_the_placements_and_u_is_finite(placements: list[Placement]) -> None:
    got = pooled(placements)
    flows = [p.flow_m3_s for p in placements]
    assert min(flows) * (1 - 1e-12) <= got.flow_m3_s <= max(flows) * (1 + 1e-12)
    assert 0 < got.total.u_m3_s < math.inf
    assert got.total.expanded_m3_s >= 1.959 * got.total.u_m3_s
    assert got.n == len(placements)


@given(st.lists(readings(), min_size=2, max_size=6))
def test_what_is_shared_stays(placements: list[Placement]) -> None:
    """Never better than the mean of the shared errors, however many placements."""
    shared = [t.u_m3_s for p in placements for t in p.terms if t.name == "k-factor"]
    assert pooled(placements).total.u_m3_s >= math.fsum(shared) / len(shared) * (1 - 1e-12)


@given(readings(), st.integers(min_value=2, max_value=6))
def test_repeats_that_agree_are_never_worse_than_one(one: Placement, n: int) -> None:
    got = pooled([one] * n)
    assert got.total.u_m3_s <= pooled([one]).total.u_m3_s * (1 + 1e-12)
    assert not got.flags


@given(st.lists(readings(), min_size=1, max_size=4))
def test_units_do_not_matter(placements: list[Placement]) -> None:
    def scaled(p: Placement) -> Placement:
        terms = tuple(Term(t.name, t.u_m3_s / 3600, t.dof, t.scope) for t in p.terms)
        return Placement(p.flow_m3_s / 3600, p.u_random_m3_s / 3600, p.dof_random, terms)

    big, small = pooled(placements), pooled([scaled(p) for p in placements])
    assert small.flow_m3_s * 3600 == pytest.approx(big.flow_m3_s, rel=1e-9)
    assert small.total.u_m3_s * 3600 == pytest.approx(big.total.u_m3_s, rel=1e-6)
