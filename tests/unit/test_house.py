"""The house about a balancing: what is within, what the unit says, what must not be made worse, what must be said.

Numbers can be worked out on paper; quantiles of the normal distribution from any printed table (memory). What an open
flue and a damp room forbid: common practice, the rules stand in the tests' words.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest

from hoodtrace.balancing.house import LEAK, U_UNIT_REL, Change, House, against_unit, cautions, worsens
from hoodtrace.balancing.house_pressure import NOT_IN_IT, Estimate, Pressures, natural, pressures
from hoodtrace.balancing.house_sums import Balance, Imbalance, Read, SideSum, balance, imbalance, side_sum
from hoodtrace.dwelling.plan import Direction, OtherFan, Rule, Site
from hoodtrace.dwelling.result import Result
from hoodtrace.errors import UsageError

RULE = Rule()
HOUSE = Site("a house", volume_m3=250.0, n50_per_h=3.0)
Term = tuple[str, float, float | None, str]


def read(name: str, flow: float, *terms: Term, by: str = "hood", **more: Any) -> Read:
    u = math.hypot(*(term[1] for term in terms))
    return Read(name, Result(flow, u, None, 1.96 * u, u, 1, terms), by, temp_c=20.0, u_temp_c=0.0, **more)


def own(u: float) -> Term:
    return ("fluctuation of the air", u, None, "reading")


def scale(u: float) -> Term:
    return ("k-factor", u, None, "hood")


def zero(u: float) -> Term:
    return ("zero", u, None, "visit")


def two(supply: list[Read], extract: list[Read], **more: Any) -> Balance:
    return balance(side_sum("supply", supply), side_sum("extract", extract), RULE, **more)


# What 15 % of relative humidity are worth in the density at 20 C: 0.378 psat / p, psat 2339 Pa (steam table, memory).
HUMID_REL = 0.15 * 0.378 * 2339.0 / 101325.0


def test_common_scale_cancels_however_large_and_own_parts_add_by_squares() -> None:
    wide = two([read("S1", 100.0, own(2.0), scale(20.0))], [read("E1", 100.0, own(1.5), scale(20.0))])
    slim = two([read("S1", 100.0, own(2.0))], [read("E1", 100.0, own(1.5))])
    assert wide.u_ratio == pytest.approx(slim.u_ratio, rel=1e-12)
    assert wide.u_ratio == pytest.approx(math.hypot(0.025, math.sqrt(2.0) * HUMID_REL), rel=1e-2)
    assert wide.verdict == "within"


def test_a_scale_error_leaves_its_part_of_the_imbalance_in_the_difference() -> None:
    supply = side_sum("supply", [read("S1", 120.0, scale(0.05 * 120.0))])
    extract = side_sum("extract", [read("E1", 100.0, scale(0.05 * 100.0))])
    found = imbalance(supply, extract)
    humid = math.hypot(120.0, 100.0) * HUMID_REL
    assert found.mass_kg_h / 1.1993 == pytest.approx(20.0, rel=1e-4)
    assert found.u_mass_kg_h / 1.1993 == pytest.approx(math.hypot(0.05 * 20.0, humid), rel=1e-2)


def test_a_zero_raises_one_side_and_lowers_the_other() -> None:
    """Three terminals a side share it: 3 x 1 m3/h on each side, opposed, is 6 of 100."""
    supply, extract = ([read(f"{s}{k}", 100.0 / 3.0, zero(1.0)) for k in range(3)] for s in "SE")
    assert two(supply, extract).u_ratio == pytest.approx(math.hypot(0.06, math.sqrt(2.0) * HUMID_REL), rel=1e-3)
    air: Term = ("temperature and humidity", 1.0, None, "visit")
    supply, extract = ([read(f"{s}{k}", 100.0 / 3.0, air) for k in range(3)] for s in "SE")
    assert two(supply, extract).u_ratio == pytest.approx(math.sqrt(2.0) * HUMID_REL, rel=2e-2)


def test_a_meter_typed_in_does_not_cancel_unless_it_is_said_to() -> None:
    """5 % on both sides, nobody calibrated it both ways: 7.1 % of the ratio; said to be one scale: nothing is left."""
    supply, extract = (read(name, 100.0, ("vane", 5.0, None, "hood"), by="vane") for name in ("S1", "E1"))
    assert two([supply], [extract]).u_ratio == pytest.approx(0.05 * math.sqrt(2.0), rel=2e-3)
    assert two([supply], [extract]).verdict == "undecided"
    assert two([supply], [extract], one_scale=("vane",)).verdict == "within"
    bare = Read("S1", Result(100.0, 5.0, None, 9.8, 5.0, 1, ()), "vane", temp_c=20.0, u_temp_c=0.0)
    assert two([bare], [extract]).u_ratio == pytest.approx(0.05 * math.sqrt(2.0), rel=2e-3)


def test_verdict_and_the_uncertainty_that_would_do() -> None:
    """Ratio 1.05: up to 1.10 are 0.05, and 5 % risk of the normal distribution is 1.6449 of u (table, memory)."""
    found = two([read("S1", 105.0, own(4.0))], [read("E1", 100.0, own(1.0))])
    assert found.verdict == "undecided"
    assert found.u_needed == pytest.approx(0.05 / 1.644854, rel=1e-4)
    assert not found.common_forbids
    assert found.settle == "S1"  # 0.04 / sqrt 2 = 0.028 and 0.0105: 0.0302 < 0.0304
    again = two([read("S1", 105.0, own(4.0 / math.sqrt(2.0)))], [read("E1", 100.0, own(1.0))])
    assert again.verdict == "within"
    # 0.043 / sqrt 2 and 0.0105 are 0.0322: one more placement would not do.
    assert two([read("S1", 105.0, own(4.3))], [read("E1", 100.0, own(1.0))]).settle == ""
    zeros = two([read("S1", 105.0, own(0.1), zero(2.0))], [read("E1", 100.0, own(0.1), zero(2.0))])
    assert zeros.common_forbids
    assert zeros.settle == ""
    far = two([read("S1", 130.0, own(1.0))], [read("E1", 100.0, own(1.0))])
    assert (far.verdict, far.u_needed, far.settle) == ("outside", 0.0, "")
    supply, extract = (
        side_sum(s, [read(n, q, own(0.5))]) for s, n, q in (("supply", "S1", 105.0), ("extract", "E1", 100.0))
    )
    assert [balance(supply, extract, Rule(balance_rel=rel)).verdict for rel in (0.1, 0.02)] == ["within", "outside"]
    few = two([read("S1", 130.0, own(1.0))], [read("E1", 160.0, own(1.0))])
    assert (few.verdict, few.ratio < 0.9) == ("outside", True)


def test_what_is_not_read_leaves_it_undecided() -> None:
    supply = side_sum("supply", [read("S1", 100.0, own(0.5))], unread=["S2"])
    extract = side_sum("extract", [read("E1", 100.0, own(0.5))])
    found = balance(supply, extract, RULE)
    assert (found.verdict, found.unread, found.settle) == ("undecided", ("S2",), "")
    wide = side_sum(
        "supply", [read("S1", 105.0, own(4.0))], unread=["S2"]
    )  # without S2 another reading would settle it
    assert balance(wide, side_sum("extract", [read("E1", 100.0, own(1.0))]), RULE).settle == ""
    assert imbalance(supply, extract).unread == ("S2",)


def test_sums_say_what_they_rest_on() -> None:
    one = Read("S1", Result(50.0, 1.0, None, 2.0, 1.0, 1, (own(1.0),)), hood_on=False)
    found = side_sum("supply", [one, read("S2", 50.0, own(1.0))])
    assert (found.air_assumed, found.hood_on) == (("S1",), ("S2",))
    none = side_sum("supply", [])
    extract = side_sum("extract", [read("E1", 100.0, own(2.0))])
    gap = imbalance(none, extract)
    assert gap.mass_kg_h == -extract.mass_kg_h
    assert gap.u_mass_kg_h == pytest.approx(extract.u_mass_kg_h, rel=1e-9)
    with pytest.raises(UsageError, match="read its terminals first"):
        balance(none, extract, RULE)
    with pytest.raises(UsageError, match="S1 stands twice"):
        side_sum("supply", [one, one])
    with pytest.raises(UsageError, match="extract against supply"):
        balance(extract, found, RULE)


def unit(flow: float, u: float, of: float, u_of: float | None, unread: tuple[str, ...] = ()) -> Any:
    side: SideSum = side_sum("extract", [read("E1", flow, own(u))], unread=unread)
    return against_unit(side, of, u_of, RULE)


def test_the_unit_s_own_figure() -> None:
    agrees = unit(148.0, 2.0, 150.0, 3.0)
    assert (agrees.verdict, agrees.causes) == ("agrees", ())
    assert (agrees.gap_m3h, agrees.u_gap_m3h) == (-2.0, pytest.approx(math.hypot(2.0, 3.0)))
    short = unit(110.0, 2.0, 150.0, 3.0)
    assert short.verdict == LEAK == "leak, unmeasured terminal or wrong display"
    assert short.causes == ("leak", "unmeasured terminal", "wrong display")
    over = unit(190.0, 2.0, 150.0, 3.0)
    assert over.verdict == LEAK
    assert "leak" not in over.causes  # a leak of the ducts leaves less at the terminals, never more
    assert unit(137.0, 6.0, 150.0, 6.0).verdict == "undecided"
    assert unit(148.0, 0.1, 150.0, 20.0).verdict == "undecided"
    side = side_sum("extract", [read("E1", 140.0, own(0.5))])
    assert [against_unit(side, 150.0, 0.5, Rule(balance_rel=rel)).verdict for rel in (0.1, 0.02)] == ["agrees", LEAK]
    missing = unit(148.0, 2.0, 150.0, 3.0, ("E2",))
    assert (missing.verdict, missing.unread) == ("undecided", ("E2",))
    bare = unit(148.0, 2.0, 150.0, None)
    assert bare.u_assumed
    assert bare.u_gap_m3h == pytest.approx(math.hypot(2.0, U_UNIT_REL * 150.0))
    for of, u_of in ((0.0, 1.0), (math.nan, 1.0), (150.0, -1.0)):
        with pytest.raises(UsageError, match="cannot be compared"):
            unit(148.0, 2.0, of, u_of)


def test_pressure_is_not_estimated_without_what_it_needs() -> None:
    gap = Imbalance(-100.0, 5.0, None, ())
    assert pressures(gap, Site("a house", volume_m3=250.0)).missing == ("n50_per_h",)
    found = pressures(Imbalance(-100.0, 5.0, None, ("E2",)), HOUSE)
    assert (found.estimates, found.missing) == ((), ("terminal E2",))
    assert [one.key for one in cautions(True, found)] == ["house.no_estimate", "house.not_in_it"]
    with pytest.raises(UsageError, match="other fan dryer"):
        pressures(gap, HOUSE, [OtherFan("dryer", math.nan)])


def test_other_fans_one_by_one_and_all_together() -> None:
    fans = [OtherFan("cooker hood", 300.0), OtherFan("dryer", 120.0)]
    found = pressures(Imbalance(10.0, 5.0, 30.0, ()), HOUSE, fans, 21.0, -5.0)
    assert [one.fans for one in found.estimates] == [
        (), ("cooker hood",), ("dryer",), ("cooker hood", "dryer")
    ]  # fmt: skip
    measured, hood, dryer, both = found.estimates
    assert measured.pa > 0.0 > dryer.pa > hood.pa > both.pa
    for one in found.estimates:
        assert one.low_pa < one.pa < one.high_pa
    assert found.not_in_it == NOT_IN_IT
    assert {"stack", "wind"} <= set(found.not_in_it)
    assert "indoor_c" not in found.assumed
    assert found == pressures(Imbalance(10.0, 5.0, 30.0, ()), HOUSE, fans, 21.0, -5.0)
    # Air that comes in at -5 C takes less room than the same mass at 21 C: 294.15 / 268.15 (on paper).
    warm = pressures(Imbalance(-100.0, 5.0, None, ()), HOUSE, (), 21.0, 21.0).estimates[0]
    cold = pressures(Imbalance(-100.0, 5.0, None, ()), HOUSE, (), 21.0, -5.0).estimates[0]
    assert warm.leak_m3h / cold.leak_m3h == pytest.approx(294.15 / 268.15, rel=6e-3)
    for more, less in ((warm.low_pa, cold.low_pa), (warm.high_pa, cold.high_pa)):
        assert 1.0 / 0.76 < math.log(more / less) / math.log(294.15 / 268.15) < 1.0 / 0.54


def test_natural_readings_are_of_their_minutes() -> None:
    for outdoor_c in (0.0, 25.0):
        said = natural(4.0, outdoor_c, 20.0, 0.1, "gusty")
        assert said[0].key == "house.natural_minutes"
        assert said[0].values == {"wind": "gusty"}
    assert said[-1].key == "house.natural_no_stack"
    assert said[-1].values["stack_pa"] < 0.0  # type: ignore[operator]
    with pytest.raises(UsageError, match="makes no stack"):
        natural(0.0, 0.0, 20.0, 0.1)


SIDES: tuple[Direction, ...] = ("supply", "extract")


@pytest.mark.parametrize(("side", "way", "by"), [*itertools.product(SIDES, ("up", "down"), ("valve", "fan"))])
def test_an_open_flue_forbids_closing_supply_and_raising_extract(side: Direction, way: Any, by: Any) -> None:
    now = {"S1": 40.0, "E1": 50.0}
    name = "S1" if side == "supply" else "E1"
    change = Change(way, by, name if by == "valve" else "")
    bad = (side, way) in (("supply", "down"), ("extract", "up"))
    key = {"valve": "refused.flue", "fan": "refused.flue_fan"}[by]
    assert worsens(change, side, House(False, now)) == (key if bad else None)
    assert worsens(change, side, House(True, now)) is None


def test_an_open_flue_forbids_what_the_whole_side_would_do_and_a_valve_of_unknown_flow() -> None:
    house = House(False, {"S1": 40.0, "S2": 30.0, "E1": 50.0})
    # One is opened, but the side's sum falls.
    assert worsens(Change("up", "valve", "S1", {"S1": 45.0, "S2": 20.0}), "supply", house) == "refused.flue"
    assert worsens(Change("up", "valve", "S1", {"S1": 45.0, "S2": 28.0}), "supply", house) is None
    more = House(False, {"E1": 50.0, "E2": 40.0})
    assert worsens(Change("down", "valve", "E1", {"E1": 48.0, "E2": 44.0}), "extract", more) == "refused.flue"
    assert worsens(Change("down", "valve", "E1", {"E1": 48.0, "E2": 41.0}), "extract", more) is None
    assert worsens(Change("up", "valve", "S9"), "supply", house) == "refused.flue_unread"


def test_an_open_flue_forbids_taking_the_sides_apart() -> None:
    even = two([read("S1", 100.0, own(1.0))], [read("E1", 100.0, own(1.0))])
    apart = two([read("S1", 115.0, own(1.0))], [read("E1", 100.0, own(1.0))])
    sides: dict[Direction, float] = {"supply": 100.0, "extract": 100.0}
    house = House(False, {"S1": 100.0, "E1": 100.0}, balance=even, side_m3h=sides)
    assert worsens(Change("up", "valve", "S1", {"S1": 108.0}), "supply", house) is None
    assert worsens(Change("up", "valve", "S1", {"S1": 112.0}), "supply", house) == "refused.flue_unbalance"
    # 100 / 92 is 1.087, 100 / 90 is 1.111.
    assert worsens(Change("down", "fan", "", {"E1": 92.0}), "extract", house) is None
    assert worsens(Change("down", "fan", "", {"E1": 90.0}), "extract", house) == "refused.flue_unbalance"
    beyond = House(False, {"S1": 115.0, "E1": 100.0}, balance=apart)
    assert worsens(Change("up", "fan"), "supply", beyond) == "refused.flue_unbalance"
    excluded = House(True, {"S1": 115.0, "E1": 100.0}, balance=apart)
    assert worsens(Change("up", "fan"), "supply", excluded) is None


def test_damp_rooms_never_under_their_rate() -> None:
    house = House(True, {"E1": 50.0, "E2": 40.0, "E3": 30.0}, {"E1": 45.0, "E3": 36.0})

    def said(*change: Any) -> str | None:
        return worsens(Change(*change), "extract", house)

    assert said("down", "valve", "E1", {"E1": 45.0}) is None
    assert said("down", "valve", "E1", {"E1": 44.9}) == "refused.damp"
    assert said("down", "valve", "E1") == "refused.damp"  # to where, nobody says
    # E3 is short already: it may rise, not fall; another valve that takes air from E1 is judged by what E1 keeps.
    assert said("up", "valve", "E3", {"E3": 33.0}) is None
    assert said("down", "valve", "E3", {"E3": 29.0}) == "refused.damp"
    assert said("up", "valve", "E2", {"E2": 60.0, "E1": 44.0}) == "refused.damp"
    assert said("down", "valve", "E2", {"E2": 20.0}) is None
    assert said("down", "fan") == "refused.damp_fan"
    assert said("down", "fan", "", {"E1": 46.0, "E3": 30.0}) is None
    assert said("down", "fan", "", {"E1": 46.0, "E3": 29.0}) == "refused.damp_fan"
    assert worsens(Change("down", "valve", "S1", {"S1": 1.0}), "supply", house) is None


def test_cautions_while_a_flue_is_not_excluded() -> None:
    near = Estimate(("cooker hood",), -200.0, -3.0, -5.0, -2.0)
    beyond = Estimate((), -300.0, -6.0, -9.0, -4.5)
    faint = Estimate((), -20.0, -0.2, -0.4, -0.1)
    keys = [one.key for one in cautions(False, Pressures((near, beyond), (), ()), fans_listed=False)]
    for key in (
        "caution.flue_stop", "house.co_alarm", "house.spillage_test", "house.limit", "house.limit_in_range",
        "house.limit_reached", "caution.flue_no_closing", "house.fans_not_listed", "house.not_in_it",
    ):  # fmt: skip
        assert keys.count(key) == 1
    limit = next(one for one in cautions(False, Pressures((faint,), (), ())) if one.key == "house.limit")
    assert limit.values["limit_pa"] == 4.0
    assert limit.values["source"]
    # An estimate far from the limit takes no caution away: the same are said without any estimate.
    small = {one.key for one in cautions(False, Pressures((faint,), (), ()))}
    without = {one.key for one in cautions(False, Pressures((), ("n50_per_h",), ()))}
    assert without - small == {"house.no_estimate"}
    assert small - without == {"house.pressure", "house.under_pressure"}
    assert not any("flue" in one.key or "limit" in one.key for one in cautions(True, Pressures((beyond,), (), ())))


def test_under_and_over_pressure_are_named() -> None:
    over = Pressures((Estimate((), 50.0, 1.0, 0.5, 2.0),), (), ())
    keys = [one.key for one in cautions(True, over)]
    assert "house.over_pressure" in keys
    assert "house.under_pressure" not in keys
    none = Pressures((), ("n50_per_h",), ())
    low = two([read("S1", 80.0, own(1.0))], [read("E1", 100.0, own(1.0))])
    assert "house.under_pressure" in [one.key for one in cautions(True, none, low)]
