"""The sharing of design flows: hand-worked shares, rounding, heat recovery, what is missing, own and bad tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hoodtrace.dwelling.plan import Plan
from hoodtrace.dwelling.rate_table import RateTable, parse_table, read_table
from hoodtrace.dwelling.rates import Rates, by_hand_only, rates
from hoodtrace.dwelling.shares import shared
from hoodtrace.errors import FileError, UsageError, VisitError
from rate_plans import FLAT_ROOMS, FLAT_TERMINALS, flat, plan_of

HEAD = 'title = "House rule"\nedition = "1"\nwhere = "here"\n'
OWN = (
    HEAD
    + """
[[row]]
name = "whole"
kind = "dwelling"
table = "line 1"
unit = "m3/h"
flow = 100.0
seen = "read"

[[row]]
name = "wet"
kind = "room"
table = "line 2"
unit = "m3/h"
rooms = ["kitchen"]
direction = "extract"
flow = 40.0
seen = "remembered"

[[row]]
name = "bath"
kind = "room"
table = "line 3"
unit = "m3/h"
rooms = ["bathroom"]
direction = "extract"
flow = 20.0
seen = "read"
"""
)
SUPPLY_ROW = """
[[row]]
name = "sleep"
kind = "room"
table = "line 4"
unit = "m3/h"
rooms = ["bedroom"]
direction = "supply"
flow = 35.0
seen = "read"
"""


def own(text: str = OWN) -> RateTable:
    return parse_table(text, "own.toml")


def flows(found: Rates) -> dict[str, float | None]:
    return {one.terminal: one.design_m3h for one in found.designs}


def damp(plan: Plan, terminal: str) -> Plan:
    return replace(plan, terminals=tuple(replace(t, damp=t.damp or t.id == terminal) for t in plan.terminals))


# ---- the rule


def test_minimum_first_then_the_rest() -> None:
    # 100 over minimums of 40 and 20: the rest of 40 as 2 to 1 is 26.67 and 13.33. Supply 100 as 3 to 2 to 1 people.
    found = rates(flat(), own())
    assert flows(found) == {"S1": 50.0, "S2": 33.0, "S3": 17.0, "E1": 67.0, "E2": 33.0}
    assert (found.supply_m3h, found.extract_m3h) == (100.0, 100.0)


def test_supply_by_area() -> None:
    # 100 as 24 to 14 to 10 m2: 50, 29.17, 20.83.
    found = rates(flat(), own(), by="area")
    assert [flows(found)[name] for name in ("S1", "S2", "S3")] == [50.0, 29.0, 21.0]


def test_the_rooms_minimums_govern() -> None:
    # 40 + 20 = 60 are above 50: no rest on the extract side, and supply follows to 60.
    found = rates(flat(), own(OWN.replace("flow = 100.0", "flow = 50.0")))
    assert flows(found) == {"S1": 30.0, "S2": 20.0, "S3": 10.0, "E1": 40.0, "E2": 20.0}
    assert "extract minimums" in found.governed_by


def test_minimums_of_supply_govern_both_sides() -> None:
    # Two bedrooms of 70 are above 100 only with the third room's nothing: 140; the rest of 140 - 140 is 0 for Living.
    text = OWN + SUPPLY_ROW.replace("35.0", "70.0")
    found = rates(flat(), own(text), by="equal")
    assert flows(found) == {"S1": None, "S2": 70.0, "S3": 70.0, "E1": 93.0, "E2": 47.0}
    assert any("S1" in note for note in found.notes)


def test_terminals_of_one_room_share_alike() -> None:
    terminals = (*FLAT_TERMINALS, ("E3", "Kitchen", "extract"))
    found = rates(plan_of(FLAT_ROOMS, terminals), own())
    assert flows(found) | {"S1": 0, "S2": 0, "S3": 0} == {"S1": 0, "S2": 0, "S3": 0, "E1": 34.0, "E2": 33.0, "E3": 33.0}


def test_rounding_keeps_the_sum_and_the_minimums() -> None:
    # Minimums of 40.2 and 20.2 become 41 and 21 although 40.2 + 20.2 = 60.4 would round to 60.
    text = OWN.replace("flow = 100.0", "flow = 1.0").replace("40.0", "40.2").replace("flow = 20.0", "flow = 20.2")
    found = rates(flat(), own(text))
    assert (flows(found)["E1"], flows(found)["E2"]) == (41.0, 21.0)
    assert found.supply_m3h == found.extract_m3h == 62.0


def test_largest_remainder_by_hand() -> None:
    # 10 in 6:3:1 over 11: 5.45, 2.73, 0.91 of 10/11 each... worked: 60/10, 30/10, 10/10 are whole; 7 gives 4.2 2.1 0.7.
    assert shared(10, [6.0, 3.0, 1.0]) == [6, 3, 1]
    assert shared(7, [6.0, 3.0, 1.0]) == [4, 2, 1]
    assert shared(0, [0.0, 0.0]) == [0, 0]
    assert shared(5, [0.0, 1.0]) == [0, 5]


def test_the_largest_of_several_rows_counts() -> None:
    text = OWN + SUPPLY_ROW.replace('"sleep"', '"big"').replace('"bedroom"', '"bathroom"').replace(
        '"supply"', '"extract"'
    )
    assert rates(flat(), own(text)).room_extract_m3h == pytest.approx(75.0)


# ---- systems


def test_extract_only() -> None:
    terminals = [(i, room, direction, "fan") for i, room, direction in FLAT_TERMINALS if direction == "extract"]
    found = rates(plan_of(FLAT_ROOMS, terminals, {"fan": "extract"}), own())
    assert flows(found) == {"E1": 67.0, "E2": 33.0}
    assert any("100 m3/h" in note and "way in" in note for note in found.notes)


def test_extract_only_with_a_flue_not_excluded_says_so() -> None:
    terminals = [("E1", "Kitchen", "extract", "fan")]
    said = [
        rates(plan_of(FLAT_ROOMS, terminals, {"fan": "extract"}, flue=flue), own()).notes for flue in ("no", "unknown")
    ]
    assert ["open-flued" in " ".join(notes) for notes in said] == [False, True]


def test_supply_only_leaves_the_extract_rows_unfulfilled() -> None:
    terminals = [(i, room, direction, "fan") for i, room, direction in FLAT_TERMINALS if direction == "supply"]
    found = rates(plan_of(FLAT_ROOMS, terminals, {"fan": "supply"}), own())
    assert found.supply_m3h == 100.0
    assert {(short.need.row, short.given_m3h) for short in found.shorts} == {("wet", 0.0), ("bath", 0.0)}


def test_natural_is_shared_and_named() -> None:
    found = rates(plan_of(FLAT_ROOMS, [("E1", "Bath", "extract", "shaft")], {"shaft": "natural"}), own())
    assert flows(found) == {"E1": 100.0}
    assert any("natural" in note for note in found.notes)


def test_separate_fans_for_supply_and_extract_get_the_same_total() -> None:
    terminals = [(i, room, d, "in" if d == "supply" else "out") for i, room, d in FLAT_TERMINALS]
    found = rates(plan_of(FLAT_ROOMS, terminals, {"in": "supply", "out": "extract"}), own())
    assert found.supply_m3h == found.extract_m3h == 100.0


def test_a_fan_beside_heat_recovery_has_its_minimum_only() -> None:
    terminals = (*FLAT_TERMINALS[:3], ("E1", "Kitchen", "extract", "fan"), FLAT_TERMINALS[4])
    found = rates(plan_of(FLAT_ROOMS, terminals, {"unit": "heat-recovery", "fan": "extract"}), own())
    assert flows(found) == {"S1": 50.0, "S2": 33.0, "S3": 17.0, "E1": 40.0, "E2": 100.0}


def test_two_units_are_equal_each() -> None:
    terminals = (
        ("S1", "Living", "supply", "low"),
        ("E1", "Kitchen", "extract", "low"),
        ("S2", "Bedroom", "supply", "high"),
        ("S3", "Child", "supply", "high"),
        ("E2", "Bath", "extract", "high"),
    )
    found = rates(plan_of(FLAT_ROOMS, terminals, {"low": "heat-recovery", "high": "heat-recovery"}), own())
    assert flows(found) == {"S1": 67.0, "E1": 67.0, "S2": 22.0, "S3": 11.0, "E2": 33.0}


def test_heat_recovery_without_one_side_is_refused() -> None:
    with pytest.raises(VisitError, match='"unit" has no extract terminal'):
        rates(plan_of(FLAT_ROOMS, FLAT_TERMINALS[:3]), own())


def test_a_units_own_supply_minimums_lift_it() -> None:
    # Extract 100 as 2 to 1: 67 for low, 33 for high; but the two bedrooms of high need 35 each, so 70 on both sides.
    terminals = (
        ("S1", "Living", "supply", "low"),
        ("E1", "Kitchen", "extract", "low"),
        ("S2", "Bedroom", "supply", "high"),
        ("S3", "Child", "supply", "high"),
        ("E2", "Bath", "extract", "high"),
    )
    plan = plan_of(FLAT_ROOMS, terminals, {"low": "heat-recovery", "high": "heat-recovery"})
    assert flows(rates(plan, own(OWN + SUPPLY_ROW))) == {"S1": 67.0, "E1": 67.0, "S2": 35.0, "S3": 35.0, "E2": 70.0}


# ---- what stays short, and by hand


def test_a_share_is_no_minimum() -> None:
    # Kitchen and bathroom 40 to 20 as weights only: 100 as 2 to 1. By hand the bathroom may have 5; nothing is short.
    text = OWN.replace('direction = "extract"\n', 'direction = "extract"\nminimum = false\n')
    found = rates(flat(), own(text))
    assert (flows(found)["E1"], flows(found)["E2"], found.room_extract_m3h) == (67.0, 33.0, 0.0)
    assert flows(rates(flat(), own(text), by_hand={"E2": 5.0}))["E1"] == 95.0
    assert rates(plan_of(FLAT_ROOMS, FLAT_TERMINALS[:4]), own(text)).shorts == ()


def test_both_sides_by_hand_and_not_equal() -> None:
    found = rates(flat(), own(), by_hand={"E1": 70.0, "E2": 50.0, "S1": 40.0, "S2": 30.0, "S3": 20.0})
    assert (found.supply_m3h, found.extract_m3h) == (90.0, 120.0)
    assert [(short.need.row, short.given_m3h) for short in found.shorts] == [("whole", 90.0)]
    assert any("30 m3/h" in note and "way in" in note for note in found.notes)


def test_a_wet_room_without_a_terminal_is_listed() -> None:
    found = rates(plan_of(FLAT_ROOMS, FLAT_TERMINALS[:4]), own())
    assert [(short.need.where, short.need.row, short.given_m3h) for short in found.shorts] == [("Bath", "bath", 0.0)]


def test_nothing_is_short_where_all_is_fulfilled() -> None:
    assert rates(flat(), own()).shorts == ()


def test_by_hand_stands_and_the_others_take_the_rest() -> None:
    found = rates(flat(), own(), by_hand={"E2": 45.0, "S1": 40.0})
    # Extract: 45 by hand and 55 for the kitchen; supply: 40 by hand, the rest of 60 as 2 to 1.
    assert flows(found) == {"S1": 40.0, "S2": 40.0, "S3": 20.0, "E1": 55.0, "E2": 45.0}
    assert {one.terminal for one in found.designs if one.design_from == "by hand"} == {"E2", "S1"}


def test_all_of_one_side_by_hand_fixes_both() -> None:
    found = rates(flat(), own(), by_hand={"E1": 50.0, "E2": 30.0})
    assert (found.supply_m3h, found.extract_m3h) == (80.0, 80.0)
    assert [(short.need.row, short.given_m3h) for short in found.shorts] == [("whole", 80.0)]


def test_by_hand_under_a_wet_rooms_minimum_is_refused() -> None:
    with pytest.raises(UsageError, match=r"E1: 39 m3/h .*Kitchen"):
        rates(flat(), own(), by_hand={"E1": 39.0})


@pytest.mark.parametrize(
    ("by_hand", "words"),
    [({"S9": 40.0}, "no terminal 'S9'"), ({"S1": 0.0}, "0.1 to"), ({"S1": 12.5}, "whole"), ({"S1": -3.0}, "0.1 to")],
)
def test_by_hand_words_that_are_off(by_hand: dict[str, float], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        rates(flat(), own(), by_hand=by_hand)


def test_by_hand_with_no_table() -> None:
    found = by_hand_only(flat(), {"S1": 12.5})
    plan = found.filled(flat())
    assert plan.terminal("S1").design_m3h == 12.5
    assert plan.terminal("S1").design_from == "by hand"
    assert plan.terminal("S2").design_m3h is None


def test_a_damp_terminal_that_no_row_reaches_is_named() -> None:
    rooms = {**FLAT_ROOMS, "Cellar": ("storage", 8.0, 0)}
    plan = damp(plan_of(rooms, (*FLAT_TERMINALS, ("E9", "Cellar", "extract"))), "E9")
    found = rates(plan, own())
    assert flows(found)["E9"] is None
    assert any("E9" in note and "damp" in note for note in found.notes)


# ---- into the plan


def test_each_flow_says_where_it_comes_from() -> None:
    kitchen = next(one for one in rates(flat(), own()).designs if one.terminal == "E1")
    for words in (
        "House rule, 1",
        '"wet" (line 2) 40.0 m3/h, remembered',
        'share of "whole" (line 1)',
        "by the rooms' rates",
        "read",
    ):
        assert words in kitchen.design_from


def test_filled_and_filled_again_for_another_setting() -> None:
    plan = replace(flat(), settings=("normal", "boost"))
    normal = rates(plan, own())
    both = rates(normal.filled(plan), own(OWN.replace("100.0", "150.0")), setting="boost")
    filled = both.filled(normal.filled(plan))
    kitchen = filled.terminal("E1")
    assert (kitchen.design("normal"), kitchen.design("boost")) == (67.0, 100.0)
    first, second = kitchen.design_from.split(" | ")
    assert '"whole" (line 1) 100.0' in first
    assert second.startswith("boost: ")
    assert '"whole" (line 1) 150.0' in second
    # Again in the other order: each setting's source is exchanged alone.
    again = rates(filled, own(OWN.replace("100.0", "90.0"))).filled(filled).terminal("E1")
    assert again.design("boost") == 100.0
    assert again.design_from.split(" | ")[1] == second
    assert '"whole" (line 1) 90.0' in again.design_from.split(" | ")[0]


def test_a_third_setting_leaves_the_second_as_it_is() -> None:
    plan = replace(flat(), settings=("normal", "boost", "night"))
    boost = rates(plan, own(OWN.replace("100.0", "150.0")), setting="boost").filled(plan)
    kitchen = rates(boost, own(), setting="night").filled(boost).terminal("E1")
    assert (kitchen.design_m3h, dict(kitchen.design_by_setting)) == (None, {"boost": 100.0, "night": 67.0})
    assert [part.split(": ")[0] for part in kitchen.design_from.split(" | ")] == ["boost", "night"]


def test_a_setting_that_the_plan_has_not() -> None:
    with pytest.raises(UsageError, match="no fan setting 'boost'"):
        rates(flat(), own(), setting="boost")


# ---- what is missing


def test_everything_missing_is_asked_for_by_name() -> None:
    rooms = {"Living": ("living", None, None), "Bedroom": ("bedroom", None, 2)}
    plan = plan_of(rooms, FLAT_TERMINALS[:2] + FLAT_TERMINALS[3:])
    with pytest.raises(VisitError) as caught:
        rates(plan, read_table("din_1946_6"))
    for words in ("site.floor_area_m2", "site.people", 'people of room "Living"', 'kind of room "Kitchen"', '"Bath"'):
        assert words in str(caught.value)
    assert 'room "Bedroom"' not in str(caught.value)
    assert caught.value.key == "site.floor_area_m2"


def test_one_supply_room_needs_neither_people_nor_area() -> None:
    rooms = {"Living": ("living", None, None), "Kitchen": ("kitchen", None, None)}
    found = rates(plan_of(rooms, (FLAT_TERMINALS[0], FLAT_TERMINALS[3])), own())
    assert flows(found) == {"S1": 100.0, "E1": 100.0}


def test_a_room_that_takes_no_part_is_not_asked_for_people() -> None:
    rooms = {**FLAT_ROOMS, "Hall": ("hall", 5.0, None)}
    found = rates(plan_of(rooms, (*FLAT_TERMINALS, ("S4", "Hall", "supply"))), own())
    assert flows(found)["S4"] is None
    assert found.supply_m3h == 100.0


def test_a_kitchens_air_changes_ask_for_area_and_volume() -> None:
    rooms = {**FLAT_ROOMS, "Kitchen": ("kitchen", None, 0)}
    plan = plan_of(rooms, FLAT_TERMINALS, area_m2=75.0, bedrooms=2)
    with pytest.raises(VisitError, match=r'site\.volume_m3, floor_area_m2 of room "Kitchen"'):
        rates(plan, read_table("ashrae_62_2"))


def test_a_side_that_no_rule_reaches_is_refused() -> None:
    rooms = {"Hall": ("hall", 5.0, 0), "Kitchen": ("kitchen", 9.0, 0)}
    with pytest.raises(VisitError, match=r'100 m3/h of supply .*"Hall"'):
        rates(plan_of(rooms, (("S1", "Hall", "supply"), FLAT_TERMINALS[3])), own())


def test_an_unknown_category_lists_the_others() -> None:
    with pytest.raises(UsageError, match=r'"II", "I", "III"'):
        rates(flat(), read_table("en_16798_1"), category="IV")


# ---- tables


def test_a_users_own_file(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    assert read_table(str(path)).title == "House rule"


def test_no_such_table() -> None:
    with pytest.raises(UsageError, match="din_1946_6"):
        read_table("no_such_table")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('edition = "1"\n', "", "key edition is missing"),
        ('title = "House rule"', 'title = ""', "key title"),
        ("flow = 100.0", "flow = nan", "key row.1.flow = nan"),
        ("flow = 100.0", "flow = inf", "key row.1.flow = inf"),
        ("flow = 100.0", 'flow = "100"', "key row.1.flow = '100'"),
        ("flow = 100.0", "flow = 100.0\nper_cat = 2.0", "key row.1.per_cat is unknown"),
        ("flow = 100.0\n", "", "row.1: it has no term"),
        ('rooms = ["kitchen"]', 'rooms = ["cave"]', "key row.2.rooms.1 = 'cave'"),
        ('rooms = ["kitchen"]', "rooms = []", "key row.2.rooms"),
        ('direction = "extract"\nflow = 40.0', 'direction = "out"\nflow = 40.0', "key row.2.direction = 'out'"),
        ('unit = "m3/h"\nflow = 100.0', 'unit = "l/s"\nflow = 100.0', "key row.1.unit = 'l/s'"),
        ('seen = "read"\n\n[[row]]\nname = "wet"', 'seen = "yes"\n\n[[row]]\nname = "wet"', "key row.1.seen = 'yes'"),
        ('kind = "dwelling"', 'kind = "formula"', "key row.1.kind"),
        ('kind = "dwelling"\n', "", "key row.1.kind is missing"),
        ('name = "bath"', 'name = "wet"', "row name 'wet' is there twice"),
        ("flow = 100.0", 'flow = 100.0\ncategories = ["gold"]', "no category 'gold'"),
        ('where = "here"\n', 'where = "here"\nrest_supply = "minimum"\n', "key rest_supply = 'minimum'"),
        ("[[row]]", "[[row", "not a whole TOML file"),
    ],
)
def test_a_bad_table_names_the_key(old: str, new: str, words: str) -> None:
    assert old in OWN
    with pytest.raises(FileError) as caught:
        parse_table(OWN.replace(old, new, 1), "own.toml")
    assert words in str(caught.value)
    assert str(caught.value).startswith("own.toml: ")


def test_all_faulty_keys_at_once() -> None:
    text = OWN.replace("flow = 100.0", "flow = nan").replace("flow = 40.0", "flows = 40.0")
    with pytest.raises(FileError) as caught:
        parse_table(text, "own.toml")
    assert "row.1.flow" in str(caught.value)
    assert "row.2.flows" in str(caught.value)


def test_a_factor_needs_its_own_seen() -> None:
    with pytest.raises(FileError, match=r"category\.1: a factor needs its own seen"):
        parse_table(OWN + '\n[[category]]\nname = "low"\nfactor = 0.7\n', "own.toml")


def test_a_row_that_comes_out_negative_is_refused() -> None:
    text = OWN.replace("flow = 100.0", "flow = 100.0\nper_m2 = -5.0")
    with pytest.raises(VisitError, match=r"-275\.0 m3/h"):
        rates(flat(), own(text))


def test_bedrooms_below_the_rows_first_are_refused() -> None:
    row = '[[row]]\nname = "b"\nkind = "bedrooms"\ntable = "x"\nunit = "L/s"\nseen = "read"\n'
    text = HEAD + row + "from_bedrooms = 1\nflows = [19.0]\nper_further = 6.0\n"
    with pytest.raises(VisitError, match="bedrooms = 0"):
        rates(flat(bedrooms=0), parse_table(text, "own.toml"))
