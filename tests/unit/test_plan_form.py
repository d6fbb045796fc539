"""What the form of a plan does without a browser: the draft on the disk, and from text to a plan and back.

Check values: what the tests put in, and the bounds in DEVELOPERS' file format of visit.toml (numbers of this package).
"""

from __future__ import annotations

import json
import multiprocessing
import socket
import sys
from dataclasses import MISSING, fields, replace
from pathlib import Path

import pytest

from hoodtrace.dwelling import plan as plans
from hoodtrace.dwelling.plan import Plan, Room, Site, System, Terminal
from hoodtrace.dwelling.plan_table import plan_from_grid
from hoodtrace.errors import FileError, UsageError, VisitError
from hoodtrace.pages.plan_apart import TooMuchError, read_apart
from hoodtrace.pages.plan_draft import LISTS, Draft, draft_path, forget_draft
from hoodtrace.pages.plan_form import ask_for_plan
from hoodtrace.pages.plan_rates import people_by_room
from hoodtrace.pages.plan_specs import SPECS
from hoodtrace.pages.plan_typed import NoNumberError, checked, known_part, number, take_terminals
from hoodtrace.reporting.texts import Words, key_of

WORDS = Words("en")
RECORDS = {
    "site": plans.Site,
    "system": plans.System,
    "room": plans.Room,
    "terminal": plans.Terminal,
    "other_fan": plans.OtherFan,
    "appliance": plans.Appliance,
    "rule": plans.Rule,
}
WHOLE = Plan(
    Site("Larch Yard 9", 85.5, 2, 3, 210.0, 0.6, "no", "top floor"),
    (
        System("unit", "heat-recovery", "constant-flow", "open", 120.0, 6.0, 118.5, 6.0, "tenant"),
        System("bath", "extract"),
    ),
    (
        Terminal("S1", "Living", "unit", "supply", 36.036, "left", "at least", {"boost": 60.0}, 2.45),
        Terminal("E1", "Bath", "bath", "extract", limit="at most", cover="none", why_not="behind a board", damp=True),
        Terminal("E2", "Hall", "unit", "extract", cover="parts", free_area_cm2=80.0, note="long grille"),
    ),
    settings=("normal", "boost"),
)


@pytest.fixture
def draft(tmp_path: Path) -> Draft:
    return Draft(tmp_path / "visit.plan-draft.json")


def small(draft: Draft) -> Draft:
    """Fill in the least that makes a plan."""
    draft.put("site.name", "Larch Yard 9")
    draft.put("system.1.name", "unit")
    draft.put("system.1.kind", "extract")
    draft.add("terminal", {"id": "E1", "room": "Bath", "system": "1", "direction": "extract"})
    return draft


def test_a_plan_put_into_the_form_comes_out_as_it_was(draft: Draft) -> None:
    take_terminals(WHOLE, draft)
    assert checked(draft, WORDS) == (WHOLE, {})


def test_where_flows_come_from_stays_by_fan_setting(draft: Draft) -> None:
    sourced = replace(WHOLE.terminals[0], design_from='Table 1: "a" | boost: by hand')
    whole = replace(WHOLE, terminals=(sourced,))
    take_terminals(whole, draft)
    assert checked(draft, WORDS)[0] == whole
    first = draft.lists["setting"][0]["row"]
    draft.put(f"terminal.{draft.lists['terminal'][0]['row']}.design.{first}", "41")
    found = checked(draft, WORDS)[0]
    assert found is not None
    assert (found.terminals[0].design_m3h, found.terminals[0].design_from) == (41.0, "by hand | boost: by hand")


def test_terminals_keep_their_system_when_it_is_renamed(draft: Draft) -> None:
    small(draft).put("system.1.name", "attic unit")
    found = checked(draft, WORDS)[0]
    assert found is not None
    assert found.terminals[0].system == "attic unit"


def test_shares_are_typed_in_percent(draft: Draft) -> None:
    small(draft)
    draft.put("rule.tolerance_rel", "12,5")
    draft.put("hold.precision_rel", "2")
    found = checked(draft, WORDS)[0]
    assert found is not None
    assert (found.rule.tolerance_rel, found.rule.balance_rel, found.precision_rel) == (0.125, 0.10, 0.02)
    draft.put("hold.precision_rel", "30")
    assert checked(draft, WORDS) == (None, {"hold.precision_rel": "Must be at most 20."})


@pytest.mark.parametrize("text", ["85 m2", "1.000,5", "1e3", "nan", "inf", "--1", ".", "1 000"])
def test_what_is_no_plain_number_is_refused(text: str) -> None:
    with pytest.raises(NoNumberError, match="fault_number"):
        number(text)


def test_a_comma_that_may_part_thousands_is_refused_and_a_point_is_a_decimal_point() -> None:
    with pytest.raises(NoNumberError, match="fault_comma"):
        number("1,250")
    assert (number("1.250"), number("1250"), number("12,5")) == (1.25, 1250.0, 12.5)


def test_each_fault_stands_under_its_own_field(draft: Draft) -> None:
    small(draft)
    boost = draft.add("setting", {"name": "boost"})
    draft.put("site.people", "2,5")
    draft.put("terminal.3.height_m", "high")
    draft.put(f"terminal.3.design.{boost}", "0,05")
    fan = draft.add("other_fan", {"name": "cooker: hood"})
    plan, faults = checked(draft, WORDS)
    assert plan is None
    assert set(faults) == {
        "site.people",
        "terminal.3.height_m",
        f"terminal.3.design.{boost}",
        f"other_fan.{fan}.flow_m3h",
    }
    assert faults[f"terminal.3.design.{boost}"] == "Must be at least 0.1."
    assert faults[f"other_fan.{fan}.flow_m3h"] == "Fill this in."


def test_what_does_not_fit_together_is_said_at_the_later_field(draft: Draft) -> None:
    small(draft)
    draft.add("terminal", {"id": "e1", "room": "Bath", "system": "1", "direction": "supply", "cover": "none"})
    _, faults = checked(draft, WORDS)
    assert set(faults) == {"terminal.4.id", "terminal.4.direction", "terminal.4.why_not"}
    assert faults["terminal.4.why_not"] == "Fill this in."


def test_an_empty_form_asks_for_terminals_and_names(draft: Draft) -> None:
    _, faults = checked(draft, WORDS)
    assert faults["terminal"] == "Add a terminal."
    assert {"site.name", "system.1.name", "system.1.kind"} < set(faults)


def test_a_table_builds_on_what_is_right_so_far(draft: Draft) -> None:
    small(draft)
    draft.put("site.floor_area_m2", "85 m2")
    draft.add("system", {"name": "hall"})
    known = known_part(draft, WORDS, "table")
    assert [system.name for system in known.systems] == ["unit"]
    assert (known.site.name, known.site.floor_area_m2) == ("Larch Yard 9", None)
    draft.put("site.name", "")
    assert known_part(draft, WORDS, "table").site.name == "table"


def test_a_draft_is_taken_up_again_as_it_was_typed(draft: Draft) -> None:
    hostile = 'a\u2028"\ud800<b>'  # a lone surrogate too: what a browser may send
    draft.put("site.name", hostile)
    draft.save()
    again = Draft(draft.path)
    assert (again.earlier, again.get("site.name"), again.lists) == (True, hostile, draft.lists)
    assert not draft.path.with_name(draft.path.name + ".part").exists()


def test_rows_come_go_move_and_come_back(draft: Draft) -> None:
    small(draft)
    second = draft.add("terminal", {"id": draft.free_id("extract"), "direction": "extract"})
    between = draft.add("terminal", {"id": draft.free_id("supply")}, after="3")
    assert [row["id"] for row in draft.lists["terminal"]] == ["E1", "S1", "E2"]
    draft.move("terminal", second, -1)
    draft.move("terminal", "3", -1)  # the first one stays where it is
    assert [row["id"] for row in draft.lists["terminal"]] == ["E1", "E2", "S1"]
    draft.remember()
    draft.remove("terminal", between)
    assert not draft.put(f"terminal.{between}.room", "Bath")
    draft.put("terminal.3.room", "Cellar")
    draft.back()
    assert draft.get("terminal.3.room") == "Bath"
    assert [row["id"] for row in draft.lists["terminal"]] == ["E1", "E2", "S1"]


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        "{}",
        '{"site": 1}',
        json.dumps({name: {} for name in ("site", "rule", "hold")} | {name: [] for name in LISTS}),
        json.dumps(
            {name: {} for name in ("site", "rule", "hold")} | {name: [{"row": "1"}] for name in LISTS},
        ),
    ],
)
def test_what_is_no_draft_is_refused_and_left_alone(tmp_path: Path, content: str) -> None:
    path = draft_path(tmp_path / "visit")
    path.write_text(content)
    with pytest.raises(FileError, match="is no draft of a plan"):
        Draft(path)
    assert path.read_text() == content


def test_the_draft_stands_beside_the_folder_and_is_removed_when_told(tmp_path: Path) -> None:
    draft = Draft(draft_path(tmp_path / "new" / "visit"))
    draft.save()
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["visit.plan-draft.json"]
    forget_draft(tmp_path / "new" / "visit")
    forget_draft(tmp_path / "new" / "visit")
    assert list((tmp_path / "new").iterdir()) == []


def test_a_draft_that_the_disk_does_not_take_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="can't be kept"):
        Draft(tmp_path / "file" / "visit.plan-draft.json").save()


def test_a_taken_port_is_said(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(UsageError, match="--page-port"):
        ask_for_plan(tmp_path / "visit", taken.getsockname()[1], "en", False)


def test_the_form_has_every_key_of_a_plan_with_its_default() -> None:
    apart = {"design_m3h", "design_by_setting", "design_from"}  # these are the field "design"
    for name, record in RECORDS.items():
        keys = {each.name for each in fields(record)} - apart  # type: ignore[arg-type]
        assert {spec.key for spec in SPECS[name]} - {"design"} == keys
        for spec in SPECS[name]:
            if spec.kind == "choice":
                default = next(each.default for each in fields(record) if each.name == spec.key)  # type: ignore[arg-type]
                assert spec.chosen == ("" if default is MISSING else default)


def test_every_field_and_choice_has_its_words() -> None:
    for name, specs in SPECS.items():
        for spec in specs:
            assert WORDS(f"form.{name}_{spec.key}")
            for choice in spec.choices:
                assert WORDS(f"form.{spec.key}_{key_of(choice)}")
    for name in LISTS:
        assert WORDS(f"form.{name}_title") != WORDS(f"form.{name}_one")
        assert WORDS(f"form.{name}_words")


def test_an_uploaded_table_is_named_as_the_person_names_it() -> None:
    base = Plan(Site("x"), (), ())
    name = "../../terminals.csv"
    grid = read_apart(name, b"id,room,system,direction\nS1,Bath,unit,up\n")
    with pytest.raises(VisitError, match=r"^\.\./\.\./terminals\.csv: row 2, column D \(direction\)"):
        plan_from_grid(name, grid, base)
    with pytest.raises(VisitError, match=r"^\.\./\.\./terminals\.csv: has no row of headings"):
        read_apart(name, b"nothing")
    found = plan_from_grid("a.csv", read_apart("a.csv", b"id,room,system,direction\nE1,Bath,unit,extract\n"), base)
    assert found.plan.terminals == (Terminal("E1", "Bath", "unit", "extract"),)


def test_a_file_that_takes_too_long_is_given_up_and_its_process_ended() -> None:
    with pytest.raises(TooMuchError):
        read_apart("a.csv", b"id,room,system,direction\nE1,Bath,unit,extract\n", limit_s=0.0)
    assert multiprocessing.active_children() == []


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process may not take a limit of memory")
def test_a_file_that_takes_too_much_memory_is_given_up_and_its_process_ended() -> None:
    content = b"id,room,system,direction\n" + b"S1,a,u,supply\n" * 300_000
    with pytest.raises(VisitError, match="more than 1000 rows"):
        read_apart("a.csv", content)
    with pytest.raises(TooMuchError):
        read_apart("a.csv", content, most_bytes=1_000_000)
    assert multiprocessing.active_children() == []


def test_people_are_put_into_bedrooms_only_where_rooms_do_not_say() -> None:
    rooms = (Room("Living", "living"), Room("A", "bedroom"), Room("B", "bedroom"), Room("C", "bedroom"))

    def put(people: int | None, **said: int) -> list[int]:
        mine = tuple(replace(room, people=said.get(room.name)) for room in rooms)
        return people_by_room(Plan(Site("x", people=people), (), (), mine))

    # Two in the first, one in each other (the rule that the form states); worked out by hand.
    assert [put(n) for n in (1, 2, 3, 4, 5)] == [[0, 1, 0, 0], [0, 2, 0, 0], [0, 2, 1, 0], [0, 2, 1, 1], [0, 2, 2, 1]]
    assert (put(4, A=1), put(4, B=2)) == ([0, 1, 2, 1], [0, 2, 2, 0])
    assert (put(None), put(2, A=3), put(3, A=1, B=1, C=1)) == ([], [], [])
