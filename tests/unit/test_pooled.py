"""Repeat placements of one terminal: what shrinks, what stays, what widens; values worked out on paper."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hoodtrace.averaging.budget import Term, total
from hoodtrace.averaging.pooled import Placement, entered, pooled
from hoodtrace.errors import UsageError

KNOWN = math.inf


def reading(flow: float, *, air: float = 0.3, place: float = 0.4, k: float = 1.2, zero: float = 0.5) -> Placement:
    """A reading of `flow`; any unit."""
    terms = (
        Term("fluctuation of the air", air, 20.0, "reading"),
        Term("k-factor", k, 12.0, "hood"),
        Term("zero", zero, KNOWN, "visit"),
        Term("placement", place, 5.0, "reading"),
    )
    return Placement(flow, air, 20.0, tuple(t for t in terms if t.u_m3_s > 0.0))


def u_of(terms: tuple[Term, ...], name: str) -> float:
    return math.hypot(*(t.u_m3_s for t in terms if t.name == name))


def test_one_placement_keeps_its_own_numbers() -> None:
    pair = (*reading(40.0).terms, Term("taps' coefficient", 0.7, 9.0, "hood"))
    one = replace(reading(40.0), terms=pair)
    got = pooled([one], r_k_c=0.4)
    # The reading's own total, made the way averaging makes it: equal to the last bit.
    assert got.total == total(pair, 0.0, ("k-factor", "taps' coefficient"), 0.4)
    assert (got.flow_m3_s, got.u_random_m3_s, got.dof_random, got.n) == (40.0, 0.3, 20.0, 1)
    assert (got.terms, got.flags) == (pair, ())


def test_four_alike_halve_what_is_new_and_keep_what_is_shared() -> None:
    got = pooled([reading(40.0)] * 4)
    assert got.flow_m3_s == 40.0
    assert u_of(got.terms, "fluctuation of the air") == pytest.approx(0.15, rel=1e-12)
    assert u_of(got.terms, "placement") == pytest.approx(0.2, rel=1e-12)
    assert u_of(got.terms, "k-factor") == pytest.approx(1.2, rel=1e-12)
    assert u_of(got.terms, "zero") == pytest.approx(0.5, rel=1e-12)
    assert got.total.u_m3_s == pytest.approx(math.sqrt(1.2**2 + 0.5**2 + 0.15**2 + 0.2**2), rel=1e-12)
    assert got.u_random_m3_s == pytest.approx(0.15, rel=1e-12)
    assert (got.n, got.flags) == (4, ())


def test_degrees_of_freedom_of_the_air_add_up_and_those_of_the_placement_do_not() -> None:
    """Four independent estimates of equal size have four times the degrees of freedom (Welch-Satterthwaite); the
    placement's one estimate in the hood file stays one."""
    got = {t.name: t.dof for t in pooled([reading(40.0)] * 4).terms}
    assert got["fluctuation of the air"] == pytest.approx(80.0, rel=1e-12)
    assert got["placement"] == 5.0
    assert got["k-factor"] == 12.0


def test_scatter_beyond_the_stated_brings_the_mean_to_s_over_root_n() -> None:
    """By hand: 38, 40, 42: s = 2, s / sqrt(3) = 1.1547 is all of what is new in each."""
    got = pooled([reading(q) for q in (38.0, 40.0, 42.0)])
    new = math.hypot(*(t.u_m3_s for t in got.terms if t.scope == "reading"))
    assert new == pytest.approx(2.0 / math.sqrt(3.0), rel=1e-12)
    apart = next(t for t in got.terms if t.name == "placements apart")
    assert (apart.dof, apart.scope) == (2.0, "reading")
    assert apart.u_m3_s**2 == pytest.approx((4.0 - 0.25) / 3.0, rel=1e-12)


def test_agreement_by_chance_does_not_narrow() -> None:
    got = pooled([reading(40.0), reading(40.1)])
    assert "placements apart" not in {t.name for t in got.terms}
    assert u_of(got.terms, "placement") == pytest.approx(0.4 / math.sqrt(2.0), rel=1e-12)


def test_disagreement_is_said_from_one_in_a_hundred() -> None:
    """Textbook: 1 % of chi-squared with one degree of freedom is 6.635 = 2.576^2."""
    known = Term("placement", 0.5, KNOWN, "reading")
    limit = 2.5758 * 0.5 * math.sqrt(2.0)
    for factor, flags in ((0.99, ()), (1.01, ("placements disagree",))):
        pair = [Placement(q, 0.0, KNOWN, (known,)) for q in (40.0, 40.0 + factor * limit)]
        assert pooled(pair).flags == flags


def test_disagreement_waits_where_little_is_known_of_the_scatter() -> None:
    """Textbook: F(1, 4) at 1 % is 21.20, so the limit is 4.604 of the difference's standard uncertainties."""
    little = Term("placement", 0.5, 4.0, "reading")
    limit = math.sqrt(21.198) * 0.5 * math.sqrt(2.0)
    for factor, flags in ((0.99, ()), (1.01, ("placements disagree",))):
        pair = [Placement(q, 0.0, KNOWN, (little,)) for q in (40.0, 40.0 + factor * limit)]
        assert pooled(pair).flags == flags


def test_long_and_short_holds_weigh_alike() -> None:
    got = pooled([reading(40.0, air=0.1), reading(40.4, air=0.9)])
    assert got.flow_m3_s == pytest.approx(40.2, rel=1e-12)
    assert u_of(got.terms, "fluctuation of the air") == pytest.approx(math.hypot(0.1, 0.9) / 2.0, rel=1e-12)


def test_a_term_that_one_placement_lacks_counts_with_its_share() -> None:
    """The taps said nothing in one of two placements: half of their zero error is in the mean."""
    got = pooled([reading(40.0), reading(40.0, zero=0.0)])
    assert u_of(got.terms, "zero") == pytest.approx(0.25, rel=1e-12)


def test_terms_of_one_name_in_one_placement_are_two_errors() -> None:
    twice = (Term("air pressure", 0.3, KNOWN, "visit"), Term("air pressure", 0.4, KNOWN, "visit"))
    got = pooled([Placement(40.0, 0.0, KNOWN, twice)] * 3)
    assert got.total.u_m3_s == pytest.approx(0.5, rel=1e-12)


def test_repeats_by_hand_do_not_shrink_the_meters_uncertainty() -> None:
    got = pooled([entered(40.0, 2.0), entered(40.0, 2.0), entered(40.0, 2.0)])
    assert got.total.u_m3_s == pytest.approx(2.0, rel=1e-12)
    assert got.flags == ()


def test_repeats_by_hand_disagree_only_beyond_what_they_state() -> None:
    assert pooled([entered(40.0, 2.0), entered(46.0, 2.0)]).flags == ()
    got = pooled([entered(40.0, 2.0), entered(48.0, 2.0)])
    assert got.flags == ("placements disagree",)
    # s / sqrt(2) = 4, beside the meter's own 2.
    assert got.total.u_m3_s == pytest.approx(math.hypot(2.0, 4.0), rel=1e-12)


def test_hood_and_meter_are_independent_and_the_better_one_leads() -> None:
    """Textbook, inverse variances: 40 +- 1 and 42 +- 2 give 40.4 +- 0.894."""
    hood = Placement(40.0, 0.0, KNOWN, (Term("k-factor", 1.0, KNOWN, "hood"),))
    got = pooled([hood, entered(42.0, 2.0)])
    assert got.flow_m3_s == pytest.approx(40.4, rel=1e-12)
    assert got.total.u_m3_s == pytest.approx(math.sqrt(0.8), rel=1e-12)
    assert (got.n, got.flags) == (2, ())


def test_more_readings_by_hand_do_not_outvote_the_hood() -> None:
    hood = Placement(40.0, 0.0, KNOWN, (Term("k-factor", 1.0, KNOWN, "hood"),))
    assert pooled([hood] + [entered(42.0, 2.0)] * 9).flow_m3_s == pytest.approx(40.4, rel=1e-12)


def test_two_meters_are_two_kinds() -> None:
    got = pooled([entered(40.0, 2.0, "vane"), entered(40.0, 2.0, "hot wire")])
    assert got.total.u_m3_s == pytest.approx(2.0 / math.sqrt(2.0), rel=1e-12)


def test_meters_that_contradict_each_other_are_said_and_widen() -> None:
    """Equal u, so equal weights: s / sqrt(2) = 5 is the whole."""
    got = pooled([entered(40.0, 1.0, "vane"), entered(50.0, 1.0, "hot wire")])
    assert got.flags == ("meters disagree",)
    assert got.total.u_m3_s == pytest.approx(5.0, rel=1e-12)


@pytest.mark.parametrize(
    ("placements", "words"),
    [
        ([], "no placement to pool"),
        ([entered(0.0, 1.0)], "over 0"),
        ([reading(40.0), entered(math.nan, 1.0)], "over 0"),
        ([entered(40.0, 0.0)], "no uncertainty"),
        ([entered(40.0, math.nan)], "no uncertainty"),
        ([reading(40.0), Placement(40.0, 0.0, KNOWN, ())], "no uncertainty"),
    ],
)
def test_what_can_not_be_pooled_is_refused(placements: list[Placement], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        pooled(placements)
