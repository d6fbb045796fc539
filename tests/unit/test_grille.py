"""Grilles in parts and by point speeds; values worked out on paper, places from the published table."""

from __future__ import annotations

import math

import pytest

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import Placement, entered, pooled
from hoodtrace.dwelling.grille import SIDES, GrilleFlow, Part, parts, places_mm, traverse
from hoodtrace.errors import UsageError

KNOWN = math.inf


def part(flow: float, share: float, *, air: float = 0.0, k_rel: float = 0.02) -> Part:
    terms = (Term("air", air, 30.0, "reading"), Term("k-factor", k_rel * flow, KNOWN, "hood"))
    return Part(Placement(flow, air, 30.0, terms), share)


def named(found: GrilleFlow) -> dict[str, Term]:
    return {term.name: term for term in found.terms}


def test_parts_that_cover_all_add_up() -> None:
    """By hand: 10 + 20 + 10; air sqrt(3) * 0.3, the k-factor 2 % of the whole, edges 7 % of the whole."""
    found = parts([part(10.0, 0.25, air=0.3), part(20.0, 0.5, air=0.3), part(10.0, 0.25, air=0.3)])
    assert found.flow_m3_s == pytest.approx(40.0, rel=1e-12)
    got = named(found)
    assert set(got) == {"air", "k-factor", "edges of the hood"}
    assert got["air"].u_m3_s == pytest.approx(0.3 * math.sqrt(3.0), rel=1e-12)
    assert got["k-factor"].u_m3_s == pytest.approx(0.8, rel=1e-12)
    assert got["edges of the hood"].u_m3_s == pytest.approx(2.8, rel=1e-12)
    assert found.u_flow_m3_s == pytest.approx(math.sqrt(0.27 + 0.64 + 7.84), rel=1e-12)


def test_the_part_not_covered_flows_like_the_mean_and_is_less_sure() -> None:
    """By hand: 8 and 12 on 0.4 each: 20 / 0.8 = 25; flow over share 20 and 30, s = 7.071; 0.2 s sqrt(1.5)."""
    found = parts([part(8.0, 0.4), part(12.0, 0.4)], u_edges_rel=0.0)
    assert found.flow_m3_s == pytest.approx(25.0, rel=1e-12)
    rest = named(found)["part not covered"]
    assert rest.u_m3_s == pytest.approx(0.2 * math.sqrt(50.0) * math.sqrt(1.5), rel=1e-9)
    assert rest.dof == 1.0
    assert named(found)["k-factor"].u_m3_s == pytest.approx(0.5, rel=1e-12)


def test_less_covered_is_less_sure() -> None:
    much = parts([part(9.0, 0.45), part(11.0, 0.45)])
    little = parts([part(5.0, 0.25), part(6.0, 0.25)])
    assert little.u_flow_m3_s / little.flow_m3_s > much.u_flow_m3_s / much.flow_m3_s


def test_shares_that_add_up_to_one_but_for_rounding_cover_all() -> None:
    """49 times 1/49 is under 1 in binary."""
    found = parts([part(0.5 + i / 98.0, 1.0 / 49.0) for i in range(49)])
    assert "part not covered" not in named(found)


def test_one_part_that_covers_all_keeps_its_flow() -> None:
    assert parts([part(40.0, 1.0)]).flow_m3_s == 40.0


def test_speeds_over_the_free_area() -> None:
    """By hand: mean 2 m/s over 200 cm2; s = 0.4 sqrt(10 / 4) m/s, over sqrt(5) 0.28284; area 5 %, method 10 %."""
    found = traverse([1.2, 1.6, 2.0, 2.4, 2.8], 200.0, 0.06)
    assert found.flow_m3_s == pytest.approx(0.04, rel=1e-12)
    got = named(found)
    assert got["scatter of the points"].u_m3_s == pytest.approx(0.02 * 0.4 * math.sqrt(2.5) / math.sqrt(5.0), rel=1e-12)
    assert got["scatter of the points"].dof == 4.0
    assert got["meter"].u_m3_s == pytest.approx(0.0012, rel=1e-12)
    assert got["free area"].u_m3_s == pytest.approx(0.002, rel=1e-12)
    assert got["method"].u_m3_s == pytest.approx(0.004, rel=1e-12)
    assert found.u_flow_m3_s == pytest.approx(math.sqrt(0.00565685**2 + 0.0012**2 + 0.002**2 + 0.004**2), rel=1e-6)


def test_the_factor_scales_the_flow_and_its_uncertainty() -> None:
    speeds = [1.2, 1.6, 2.0, 2.4, 2.8]
    plain, less = traverse(speeds, 200.0, 0.06), traverse(speeds, 200.0, 0.06, factor=0.8)
    assert less.flow_m3_s == pytest.approx(0.8 * plain.flow_m3_s, rel=1e-12)
    assert less.u_flow_m3_s == pytest.approx(0.8 * plain.u_flow_m3_s, rel=1e-12)


def test_a_still_corner_counts_as_a_point() -> None:
    assert traverse([0.0, 1.0, 1.0, 1.0, 1.0, 2.0], 100.0, 0.03).flow_m3_s == pytest.approx(0.01, rel=1e-12)


def test_repeats_at_the_same_places_do_not_shrink() -> None:
    """Same places, same bars, same meter: a second traverse that agrees adds nothing."""
    found = traverse([1.2, 1.6, 2.0, 2.4, 2.8], 200.0, 0.06)
    again = [Placement(found.flow_m3_s, 0.0, KNOWN, found.terms, "traverse")] * 3
    assert pooled(again).total.u_m3_s == pytest.approx(found.u_flow_m3_s, rel=1e-12)


def test_places_of_the_published_table() -> None:
    """Log-Tchebycheff rule for a rectangle, 5 and 6 points a side, ISO 3966 (seen in secondary publications)."""
    places = places_mm(800.0, 200.0)
    assert len(places) == 30
    across = [49, 188, 350, 450, 612, 751]  # 800 mm times 0.061 0.235 0.437 0.563 0.765 0.939, rounded
    assert [round(x) for x, y in places[:6]] == across
    assert [round(y, 1) for x, y in places[::6]] == [14.8, 57.6, 100.0, 142.4, 185.2]
    assert len(places_mm(1000.0, 1000.0)) == 49


@pytest.mark.parametrize("n", [5, 6, 7])
def test_the_table_is_symmetrical(n: int) -> None:
    """Misprints in published tables show by this."""
    assert len(SIDES[n]) == n
    assert all(a + b == pytest.approx(1.0, abs=1e-12) for a, b in zip(SIDES[n], reversed(SIDES[n]), strict=True))


@pytest.mark.parametrize(
    ("pieces", "words"),
    [
        ([], "no part"),
        ([part(10.0, 0.0), part(10.0, 0.5)], "over 0"),
        ([part(10.0, math.nan)], "over 0"),
        ([part(10.0, 50.0), part(10.0, 50.0)], "percent"),
        ([part(10.0, 0.6), part(10.0, 0.5)], "must not overlap"),
        ([part(10.0, 0.5)], "at least one more part"),
        ([part(10.0, 0.5), Part(entered(10.0, 1.0), 0.5)], "one meter"),
        ([part(-10.0, 0.5), part(10.0, 0.5)], "over 0"),
    ],
)
def test_parts_that_make_no_grille_are_refused(pieces: list[Part], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parts(pieces)


@pytest.mark.parametrize(
    ("speeds", "area", "u", "words"),
    [
        ([1.0] * 4, 100.0, 0.03, "at least 5"),
        ([1.0] * 4 + [-1.0], 100.0, 0.03, "speed at the grille"),
        ([1.0] * 4 + [math.nan], 100.0, 0.03, "speed at the grille"),
        ([200.0] * 5, 100.0, 0.03, "feet a minute"),
        ([0.0] * 5, 100.0, 0.03, "starts lower"),
        ([1.0] * 5, 0.01, 0.03, "m2 meant"),
        ([1.0] * 5, 30000.0, 0.03, "mm2 meant"),
        ([1.0] * 5, 100.0, 0.0, "meter's uncertainty"),
    ],
)
def test_a_traverse_that_can_not_be_meant_is_refused(speeds: list[float], area: float, u: float, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        traverse(speeds, area, u)


def test_sides_in_metres_are_refused() -> None:
    with pytest.raises(UsageError, match="metres"):
        places_mm(0.4, 100.0)
