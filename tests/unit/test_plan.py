"""The plan: the format's own example reads, each fault in each key is refused with the key's path, and it writes back.

Contract: EXAMPLE is the fixed format's own example of visit.toml (section 4 there); every number in it and every
optional one is spoiled in turn. No check value comes from the package.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.board.scenario import demo_visit_toml
from hoodtrace.dwelling.plan import (
    Appliance,
    Plan,
    Room,
    Site,
    System,
    Terminal,
    copied,
    parse_plan,
    plan_toml,
    read_plan,
    terminal_of,
)
from hoodtrace.errors import UsageError, VisitError

EXAMPLE = """
[site]
name = "Alder Row 7"
floor_area_m2 = 92.0
bedrooms = 3
volume_m3 = 230.0
n50_per_h = 3.0
open_flued_appliance = "unknown"

[[system]]
name = "unit"
kind = "heat-recovery"
fan = "unknown"
valves = "as found"

[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 40.0
branch = "upstairs"
limit = "around"
design_by_setting = {boost = 60.0}

[[setting]]
name = "normal"
[[setting]]
name = "boost"

[rule]
tolerance_rel = 0.10
balance_rel = 0.10
risk = 0.05

[[other_fan]]
name = "cooker hood"
flow_m3h = 350.0
source = "label"
"""
MORE: dict[str, Any] = {
    "site.people": 4,
    "site.note": "key at the neighbour's",
    "system.1.unit_supply_m3h": 180.0,
    "system.1.u_unit_supply_m3h": 9.0,
    "system.1.unit_extract_m3h": 180.0,
    "system.1.u_unit_extract_m3h": 9.0,
    "system.1.access": "owner",
    "terminal.1.height_m": 2.4,
    "terminal.1.free_area_cm2": 120.0,
    "terminal.1.cover": "traverse",
    "terminal.1.damp": True,
    "terminal.1.why_not": "",
    "terminal.1.design_from": "by hand",
    "terminal.1.note": "",
    "hold": {"precision_rel": 0.02, "natural_minutes": 5},
    "room": [{"name": "Living room", "kind": "living", "floor_area_m2": 30, "people": 2}],
    "appliance": [{"name": "stove", "room": "Living room", "kind": "fireplace"}],
}
NUMBERS = [
    "site.floor_area_m2", "site.bedrooms", "site.people", "site.volume_m3", "site.n50_per_h",
    "system.1.unit_supply_m3h", "system.1.u_unit_supply_m3h", "system.1.unit_extract_m3h",
    "system.1.u_unit_extract_m3h", "terminal.1.design_m3h", "terminal.1.design_by_setting.boost",
    "terminal.1.height_m", "terminal.1.free_area_cm2", "rule.tolerance_rel", "rule.balance_rel", "rule.risk",
    "other_fan.1.flow_m3h", "hold.precision_rel", "hold.natural_minutes", "room.1.floor_area_m2", "room.1.people",
]  # fmt: skip
MAY_BE_0 = {"site.bedrooms", "room.1.people", "terminal.1.height_m"}
WORDS = [
    "site.name", "site.open_flued_appliance", "system.1.name", "system.1.kind", "system.1.fan", "system.1.valves",
    "terminal.1.id", "terminal.1.room", "terminal.1.system", "terminal.1.direction", "terminal.1.limit",
    "terminal.1.cover", "setting.1.name", "other_fan.1.name", "room.1.name", "room.1.kind", "appliance.1.name",
    "appliance.1.kind",
]  # fmt: skip
NEEDED = [
    "site", "site.name", "system", "system.1.name", "system.1.kind", "terminal", "terminal.1.id", "terminal.1.room",
    "terminal.1.system", "terminal.1.direction", "setting.1.name", "other_fan.1.name", "other_fan.1.flow_m3h",
    "room.1.name", "room.1.kind", "appliance.1.name",
]  # fmt: skip
TABLES = ["", "site.", "system.1.", "terminal.1.", "setting.1.", "rule.", "other_fan.1.", "hold.", "room.1.",
          "appliance.1."]  # fmt: skip


def spot(content: Any, path: str) -> tuple[Any, Any]:
    *tables, last = path.split(".")
    for name in tables:
        content = content[int(name) - 1] if name.isdigit() else content[name]
    return content, last


def whole() -> dict[str, Any]:
    content = tomllib.loads(EXAMPLE)
    for path, value in MORE.items():
        table, key = spot(content, path)
        table[key] = copy.deepcopy(value)
    return content


def toml(value: Any) -> str:
    """A TOML value, inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, (str, bool)) else repr(value)


def text_of(content: dict[str, Any]) -> str:
    return "".join(f"{key} = {toml(value)}\n" for key, value in content.items())


def changed(path: str, value: Any) -> str:
    content = whole()
    table, key = spot(content, path)
    table[key] = value
    return text_of(content)


def refused(text: str) -> VisitError:
    with pytest.raises(VisitError) as caught:
        parse_plan(text, "there/visit.toml")
    assert str(caught.value).startswith("there/visit.toml: ")
    assert caught.value.exit_code == 4
    return caught.value


def test_the_formats_example_is_read_as_it_says() -> None:
    plan = parse_plan(EXAMPLE, "visit.toml")
    assert plan.site == Site("Alder Row 7", 92.0, 3, None, 230.0, 3.0, "unknown")
    assert plan.systems == (System("unit", "heat-recovery", "unknown", "as found"),)
    (terminal,) = plan.terminals
    assert terminal == Terminal("S1", "Living room", "unit", "supply", 40.0, "upstairs", "around", {"boost": 60.0})
    assert (terminal.design("normal"), terminal.design("boost")) == (40.0, 60.0)
    assert plan.settings == ("normal", "boost")
    assert (plan.rule.tolerance_rel, plan.rule.balance_rel, plan.rule.risk) == (0.10, 0.10, 0.05)
    assert (plan.other_fans[0].name, plan.other_fans[0].flow_m3h, plan.other_fans[0].source) == (
        "cooker hood",
        350.0,
        "label",
    )
    assert (plan.precision_rel, plan.natural_minutes) == (0.03, 3.0)


def test_a_plan_with_every_key_is_read() -> None:
    plan = parse_plan(text_of(whole()), "visit.toml")
    assert plan.rooms == (Room("Living room", "living", 30.0, 2),)
    assert plan.appliances == (Appliance("stove", "Living room", "fireplace"),)
    assert (plan.precision_rel, plan.natural_minutes) == (0.02, 5.0)
    assert plan.terminals[0].damp
    assert plan.systems[0].u_unit_extract_m3h == 9.0


def test_the_demos_plan_reads_and_writes_back(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    plan = read_plan(tmp_path / "visit.toml")
    assert [t.id for t in plan.terminals] == [f"{side}{i}" for side in "SE" for i in range(1, 7)]
    (tmp_path / "visit.toml").write_text(plan_toml(plan), encoding="utf-8")
    assert read_plan(tmp_path / "visit.toml") == plan


@pytest.mark.parametrize("path", NUMBERS)
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), -1.0, 1e300, "40", True, [1.0], 10**400])
def test_a_number_that_can_not_be_is_refused_with_its_path(path: str, value: object) -> None:
    error = refused(changed(path, value))
    assert path in str(error)
    assert error.key is not None
    assert error.key.startswith(path)


@pytest.mark.parametrize("path", [path for path in NUMBERS if path not in MAY_BE_0])
def test_zero_is_refused(path: str) -> None:
    assert refused(changed(path, 0)).key == path


@pytest.mark.parametrize("path", sorted(MAY_BE_0))
def test_zero_is_taken_where_there_can_be_none(path: str) -> None:
    parse_plan(changed(path, 0), "visit.toml")


@pytest.mark.parametrize("path", WORDS)
@pytest.mark.parametrize("value", ["", " ", "\u200b", " x", "x\ny", "x\u2028y", "x\x07", "x" * 121, 1, {}])
def test_words_that_can_not_be_are_refused_with_their_path(path: str, value: object) -> None:
    error = refused(changed(path, value))
    assert error.key == path
    assert path in str(error)


@pytest.mark.parametrize("path", ["site.note", "terminal.1.note", "terminal.1.branch", "system.1.access"])
def test_a_line_break_in_a_note_is_refused_with_what_to_do(path: str) -> None:
    error = refused(changed(path, "two\nlines"))
    assert "U+000A" in str(error)
    assert "one line" in str(error)
    assert "\n" not in str(error)


@pytest.mark.parametrize("path", NEEDED)
def test_a_missing_key_is_named(path: str) -> None:
    content = whole()
    table, key = spot(content, path)
    del table[key]
    assert f"key {path} is missing" in str(refused(text_of(content)))


@pytest.mark.parametrize("table", TABLES)
def test_an_unknown_key_is_named(table: str) -> None:
    assert f"key {table}colour is unknown" in str(refused(changed(f"{table}colour", "red")))


def test_every_fault_is_in_one_message() -> None:
    content = whole()
    for path in NUMBERS[:12]:
        table, key = spot(content, path)
        table[key] = -1.0
    words = str(refused(text_of(content)))
    assert all(f"key {path} = -1.0" in words for path in NUMBERS[:12] if path not in MAY_BE_0)


def test_five_hundred_terminals_are_read_and_one_more_is_not() -> None:
    content = whole()
    (one,) = content["terminal"]
    content["terminal"] = [{**one, "id": f"T{i}"} for i in range(500)]
    assert len(parse_plan(text_of(content), "visit.toml").terminals) == 500
    content["terminal"].append({**one, "id": "T500"})
    assert refused(text_of(content)).key == "terminal"


def test_five_hundred_faults_are_counted_not_listed() -> None:
    content = whole()
    (one,) = content["terminal"]
    content["terminal"] = [{**one, "id": f"T{i}", "design_m3h": -1.0} for i in range(500)]
    words = str(refused(text_of(content)))
    assert "and 480 more" in words
    assert len(words) < 4000


SECOND = {"id": "E1", "room": "Bath", "system": "unit", "direction": "extract"}


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (lambda c: c["terminal"].append({**SECOND, "id": "S1"}), "terminal.2.id"),
        (lambda c: c["terminal"].append({**SECOND, "id": "s1"}), "terminal.2.id"),
        (lambda c: c["system"].append({"name": "unit", "kind": "extract"}), "system.2.name"),
        (lambda c: c["setting"].append({"name": "Boost"}), "setting.3.name"),
        (lambda c: c["room"].append({"name": "living room", "kind": "other"}), "room.2.name"),
        (lambda c: c["terminal"].append({**SECOND, "system": "fan"}), "terminal.2.system"),
        (lambda c: c["system"][0].update(name="Unit"), "terminal.1.system"),
        (lambda c: c["terminal"][0].update(design_by_setting={"normal": 20.0}), "terminal.1.design_by_setting.normal"),
        (lambda c: c["terminal"][0].update(cover="none"), "terminal.1.why_not"),
        (lambda c: c["system"][0].pop("unit_supply_m3h"), "system.1.u_unit_supply_m3h"),
        (lambda c: c["system"].append({"name": "n", "kind": "natural", "fan": "fixed-speed"}), "system.2.fan"),
        (
            lambda c: c["system"].append({"name": "e", "kind": "extract", "unit_supply_m3h": 20}),
            "system.2.unit_supply_m3h",
        ),
        (lambda c: c["system"][0].update(stack_height_m=5.0), "system.1.stack_height_m"),
    ],
)
def test_keys_that_do_not_fit_together_are_named(change: Callable[[dict[str, Any]], object], key: str) -> None:
    content = whole()
    change(content)
    error = refused(text_of(content))
    assert error.key == key
    assert f"key {key} " in str(error)


def test_a_natural_system_may_say_how_high_its_stack_is() -> None:
    def of(height: object) -> str:
        content = whole()
        content["system"].append({"name": "shaft", "kind": "natural", "stack_height_m": height})
        return text_of(content)

    found = parse_plan(of(6), "visit.toml")
    assert (found.systems[0].stack_height_m, found.systems[1].stack_height_m) == (None, 6.0)
    assert parse_plan(plan_toml(found), "visit.toml") == found
    for height in (0.0, -5.0, 100.5, "5", True):
        assert refused(of(height)).key == "system.2.stack_height_m"


@pytest.mark.parametrize(("kind", "fits"), [("extract", "extract"), ("supply", "supply")])
def test_a_one_sided_system_has_terminals_of_its_side_only(kind: str, fits: str) -> None:
    for direction in ("supply", "extract"):
        content = whole()
        content["system"].append({"name": "fan", "kind": kind})
        content["terminal"].append({**SECOND, "system": "fan", "direction": direction})
        if direction == fits:
            assert len(parse_plan(text_of(content), "visit.toml").terminals) == 2
        else:
            assert refused(text_of(content)).key == "terminal.2.direction"


@pytest.mark.parametrize("kind", ["heat-recovery", "natural"])
def test_a_two_sided_system_has_both(kind: str) -> None:
    content = whole()
    content["system"].append({"name": "other", "kind": kind})
    content["terminal"] += [{**SECOND, "id": d, "system": "other", "direction": d} for d in ("supply", "extract")]
    assert len(parse_plan(text_of(content), "visit.toml").terminals) == 3


@pytest.mark.parametrize("name", ["חדר שינה", "غرفة", "🛁👩‍👧", '"quoted" \\ \'', "<b>#x</b> *a* $y$", "a=b [c]", "中"])
def test_names_of_any_letters_come_back(name: str) -> None:
    content = whole()
    content["terminal"][0].update(id=name, room=name, system=name, design_by_setting={name: 50.0}, note=name)
    content["system"][0]["name"] = content["setting"][1]["name"] = content["site"]["name"] = name
    plan = parse_plan(text_of(content), "visit.toml")
    assert (plan.site.name, plan.terminals[0].id, plan.settings[1]) == (name, name, name)
    assert parse_plan(plan_toml(plan), "visit.toml") == plan


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfes\x00", "not a text file in UTF-8"),
        ("name = 'K\xfcche'".encode("cp1252"), "not a text file in UTF-8"),
        (EXAMPLE[: EXAMPLE.index("upstairs")].encode(), "is not a whole TOML file"),
        (EXAMPLE[: EXAMPLE.index("direction")].encode(), "key terminal.1.direction is missing"),
        (b"", "key site is missing"),
        (b"[site]\nname = 'a'\nfloor_area_m2 = 92,5\n", "TOML wants a point"),
        (b"a = " + b"[" * 5000, "is not a whole TOML file"),
        (b"x = '" + b"a" * 2_100_000 + b"'", "more than 2000000 bytes"),
        (b"site = 0x" + b"f" * 9000, "key site = a number of thousands of digits"),
    ],
)
def test_a_file_that_is_no_plan_is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "visit.toml"
    path.write_bytes(content)
    with pytest.raises(VisitError) as caught:
        read_plan(path)
    assert str(path) in str(caught.value)
    assert words in str(caught.value)


def test_a_file_that_is_missing_or_a_folder_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "visit.toml", tmp_path):
        with pytest.raises(VisitError, match="the plan can't be read"):
            read_plan(path)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "visit.toml").write_bytes(b"\xef\xbb\xbf" + EXAMPLE.encode())
    assert read_plan(tmp_path / "visit.toml").site.name == "Alder Row 7"


@pytest.mark.parametrize(
    ("site", "kinds", "excluded"),
    [
        ("no", [], True),
        ("no", ["room-sealed"], True),
        ("unknown", [], False),
        ("yes", [], False),
        ("unknown", ["room-sealed"], False),
        *(("no", ["room-sealed", kind], False) for kind in ("open-flued", "fireplace", "unknown")),
    ],
)
def test_a_flue_is_excluded_only_by_no_and_nothing_against_it(site: Any, kinds: list[Any], excluded: bool) -> None:
    plan = parse_plan(EXAMPLE, "visit.toml")
    appliances = tuple(Appliance(f"a{i}", kind=kind) for i, kind in enumerate(kinds))
    plan = replace(plan, site=replace(plan.site, open_flued_appliance=site), appliances=appliances)
    assert plan.flue_excluded is excluded


def test_terminals_and_systems_are_found_by_name() -> None:
    plan = parse_plan(demo_visit_toml(), "visit.toml")
    assert plan.terminal("E4").room == "Toilet"
    assert plan.system("unit").kind == "heat-recovery"
    with pytest.raises(UsageError, match=r"no terminal 'X9'.*'S1'"):
        plan.terminal("X9")
    with pytest.raises(UsageError, match=r"no system 'attic'.*'unit'"):
        plan.system("attic")


def spoiled(**change: object) -> Plan:
    plan = parse_plan(EXAMPLE, "visit.toml")
    return replace(plan, terminals=(replace(plan.terminals[0], **change),))  # type: ignore[arg-type]


@pytest.mark.parametrize("plan", [spoiled(design_m3h=float("nan")), spoiled(room="a\nb"), spoiled(system="x"),
                                  spoiled(id="\ud800"), spoiled(design_by_setting={"boost": None})])  # fmt: skip
def test_a_plan_that_could_not_be_read_back_is_not_written(plan: Plan) -> None:
    with pytest.raises(VisitError):
        plan_toml(plan)


def test_a_new_visits_plan_is_the_old_one_with_valves_as_found() -> None:
    old = parse_plan(text_of(whole()).replace('"as found"', '"open"'), "visit.toml")
    new = copied(old)
    assert old.systems[0].valves == "open"
    assert new.systems[0].valves == "as found"
    assert replace(new, systems=old.systems) == old


def test_a_terminal_found_on_the_spot_is_checked_like_one_in_the_plan() -> None:
    assert terminal_of({**SECOND, "height_m": 2.6}) == Terminal("E1", "Bath", "unit", "extract", height_m=2.6)
    for fault in ({"id": ""}, {"height_m": -1.0}, {"colour": "red"}, {"cover": "none"}, {"room": "a\nb"}):
        with pytest.raises(UsageError, match=next(iter(fault)) if fault != {"cover": "none"} else "why_not"):
            terminal_of({**SECOND, **fault})


def test_a_setting_that_only_a_design_flow_names_is_one_too() -> None:
    content = whole()
    listed = [each["name"] for each in content.get("setting", [{"name": "normal"}])]
    content["terminal"][0].update(design_by_setting={"night": 20.0})
    assert parse_plan(text_of(content), "visit.toml").settings == (*listed, "night")
