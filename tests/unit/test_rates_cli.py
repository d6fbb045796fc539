"""`hoodtrace rates`: what it prints, what it writes and keeps, when it refuses. Called in this process, real files."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from hoodtrace.cli.rates import rates
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.plan import read_plan
from hoodtrace.errors import FileError, HoodtraceError, UsageError, VisitError

APP = typer.Typer(rich_markup_mode=None)
APP.command("rates")(rates)

PLAN = """# the flat under the roof
[site]
name = "Alder Row 7"   # a name of nobody
floor_area_m2 = 75.0
bedrooms = 2
people = 3

[[system]]
name = "unit"
kind = "heat-recovery"

[[setting]]
name = "normal"

[[setting]]
name = "boost"

[[room]]
name = "Living room"
kind = "living"
floor_area_m2 = 24.0
people = 3

[[room]]
name = "Bedroom"
kind = "bedroom"
floor_area_m2 = 14.0
people = 2

[[room]]
name = "Kitchen"
kind = "kitchen"

[[room]]
name = "Bathroom"
kind = "bathroom"

[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 40.0   # of the old owner

# behind the wardrobe
[[terminal]]
id = "S2"
room = "Bedroom"
system = "unit"
direction = "supply"

[[terminal]]
id = "E1"
room = "Kitchen"
system = "unit"
direction = "extract"

[[terminal]]
id = "E2"
room = "Bathroom"
system = "unit"
direction = "extract"
damp = true
"""
OWN = """title = "House rule"
edition = "1"
where = "here"
[[row]]
name = "whole"
kind = "dwelling"
table = "line 1"
unit = "m3/h"
flow = 90.0
seen = "read"
[[row]]
name = "wet"
kind = "room"
table = "line 2"
unit = "m3/h"
rooms = ["kitchen", "bathroom"]
direction = "extract"
flow = 30.0
seen = "remembered"
"""
# By hand: 90 as 3 to 2 people; 30 and 30, and the rest of 30 in halves.
OWN_FLOWS = {"S1": 54.0, "S2": 36.0, "E1": 45.0, "E2": 45.0}


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    folder = tmp_path / "v"
    folder.mkdir()
    (folder / "visit.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "own.toml").write_text(OWN, encoding="utf-8")
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(APP, [str(word) for word in words])


def done(*words: object) -> str:
    result = run(*words)
    assert result.exception is None, result.exception
    assert "safe" not in result.output.lower()
    return result.stdout


def refused(kind: type[HoodtraceError], *words: object) -> str:
    result = run(*words)
    assert isinstance(result.exception, kind), result.exception
    assert result.stdout == ""
    return str(result.exception)


def of_json(*words: object) -> dict[str, Any]:
    return json.loads(done(*words, "--format", "json"), parse_constant=pytest.fail)


def designs(folder: Path, setting: str = "normal") -> dict[str, float | None]:
    return {t.id: t.design(setting) for t in read_plan(folder / "visit.toml").terminals}


def test_without_a_table_the_tables_and_what_they_ask_for() -> None:
    text = done()
    for words in ("din_1946_6", "england_ad_f_2021", "ashrae_62_2", "en_16798_1", "asks of the dwelling: bedrooms"):
        assert words in text
    assert "local codes decide" in " ".join(text.split())


def test_the_rows_of_one_table() -> None:
    text = " ".join(done("--list", "--table", "england_ad_f_2021").split())
    assert '"kitchen, otherwise" (Table 1.1): flow 60.0' in text
    assert "L/s, read secondary" in text


@pytest.mark.parametrize("output", ["json", "csv"])
def test_the_list_for_programs(output: str) -> None:
    text = done("--list", "--format", output)
    if output == "json":
        assert json.loads(text)["din_1946_6"]["asks"]["the dwelling"] == ["floor area", "people"]
    else:
        rows = list(csv.DictReader(io.StringIO(text)))
        assert {row["table"] for row in rows} >= {"din_1946_6", "en_16798_1"}


def test_who_gets_what_from_which_row(visit: Path) -> None:
    text = done(visit, "--table", visit.parent / "own.toml")
    flat = " ".join(text.split())
    assert "S1 Living room unit supply 54 15.0 40" in flat
    assert "supply 90 m3/h (25.0 L/s); extract 90 m3/h (25.0 L/s)" in flat
    assert 'E1: House rule, 1: at least "wet" (line 2) 30.0 m3/h, remembered' in flat
    assert "must be checked against the standard before use; local codes decide" in flat
    assert "Nothing is written" in text
    assert (visit / "visit.toml").read_text(encoding="utf-8") == PLAN


def test_json_and_csv_show_the_same_flows(visit: Path) -> None:
    table = visit.parent / "own.toml"
    found = of_json(visit, "--table", table)
    assert {one["terminal"]: one["design_m3h"] for one in found["terminals"]} == OWN_FLOWS
    assert found["terminals"][0]["design_l_s"] == 15.0
    assert found["totals"]["supply_m3h"] == found["totals"]["extract_m3h"] == 90.0
    assert found["under_fulfilled"] == []
    assert found["written"] is None
    rows = list(csv.DictReader(io.StringIO(done(visit, "--table", table, "--format", "csv"))))
    assert {row["terminal"]: float(row["design_m3h"]) for row in rows} == OWN_FLOWS


def test_under_fulfilled_rows_are_printed(visit: Path) -> None:
    path = visit / "visit.toml"
    path.write_text(PLAN + '\n[[room]]\nname = "Laundry"\nkind = "kitchen"\n', encoding="utf-8")
    text = " ".join(done(visit, "--table", visit.parent / "own.toml").split())
    assert 'not fulfilled: - Laundry extract: "wet" (line 2) 30.0 m3/h, remembered; 0 m3/h, no extract terminal' in text


def test_write_keeps_all_else(visit: Path) -> None:
    found = of_json(visit, "--table", visit.parent / "own.toml", "--write")
    path = visit / "visit.toml"
    assert found["written"] == str(path)
    assert designs(visit) == OWN_FLOWS
    text = path.read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("design_m3h", "design_from"))]
    assert kept == [line for line in PLAN.splitlines() if not line.startswith("design_m3h")]
    assert "design_m3h = 54.0   # of the old owner\ndesign_from = " in text
    assert 'system = "unit"\ndirection = "supply"\ndesign_m3h = 36.0\ndesign_from = ' in text
    # Written again it is the same to the byte.
    done(visit, "--table", visit.parent / "own.toml", "--write")
    assert path.read_text(encoding="utf-8") == text


def test_write_for_another_setting(visit: Path) -> None:
    done(visit, "--table", visit.parent / "own.toml", "--write")
    (visit.parent / "more.toml").write_text(OWN.replace("90.0", "120.0"), encoding="utf-8")
    done(visit, "--table", visit.parent / "more.toml", "--setting", "boost", "--write")
    assert designs(visit) == OWN_FLOWS
    assert designs(visit, "boost") == {"S1": 72.0, "S2": 48.0, "E1": 60.0, "E2": 60.0}


def test_what_would_be_no_plan_is_not_written(visit: Path) -> None:
    # Names of 100 letters each, for two settings: more than a plan's design_from holds.
    names = {"House rule": "T", "line 1": "1", "line 2": "2", '"1"': "3", '"wet"': "4", '"whole"': "5"}
    text = OWN
    for name, letter in names.items():
        text = text.replace(name, f'"{letter * 100}"' if name.startswith('"') else letter * 100)
    (visit.parent / "own.toml").write_text(text, encoding="utf-8")
    done(visit, "--table", visit.parent / "own.toml", "--write")
    before = (visit / "visit.toml").read_bytes()
    words = refused(VisitError, visit, "--table", visit.parent / "own.toml", "--setting", "boost", "--write")
    assert "design_from" in words
    assert (visit / "visit.toml").read_bytes() == before


def test_by_hand_alone(visit: Path) -> None:
    text = done(visit, "--set", "S2=27.5", "--write")
    assert "S2: by hand" in text
    assert designs(visit) == {"S1": 40.0, "S2": 27.5, "E1": None, "E2": None}


def test_by_hand_beside_a_table(visit: Path) -> None:
    found = of_json(visit, "--table", visit.parent / "own.toml", "--set", "E1=50", "--set", "S1=50")
    assert {one["terminal"]: one["design_m3h"] for one in found["terminals"]} == {
        "S1": 50,
        "S2": 40,
        "E1": 50,
        "E2": 40,
    }


def test_after_the_visit_has_begun_the_plan_is_fixed(visit: Path) -> None:
    (visit / "hood.toml").write_text("", encoding="utf-8")
    append(visit, {"kind": "begun", "utc": "2026-01-01T00:00:00Z"})
    words = refused(UsageError, visit, "--table", visit.parent / "own.toml", "--write")
    assert f"hoodtrace visit NEW --from {visit}" in words
    assert (visit / "visit.toml").read_text(encoding="utf-8") == PLAN
    # To look is allowed.
    done(visit, "--table", visit.parent / "own.toml")


def test_what_the_plan_lacks_is_asked_for(visit: Path) -> None:
    path = visit / "visit.toml"
    path.write_text(PLAN.replace("bedrooms = 2\n", ""), encoding="utf-8")
    assert "site.bedrooms" in refused(VisitError, visit, "--table", "england_ad_f_2021", "--write")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--table", "none_such"), "din_1946_6"),
        (("--table", "din_1946_6", "--category", "best"), "nominal"),
        (("--table", "din_1946_6", "--setting", "night"), "boost"),
        (("--set", "S1"), "TERMINAL=FLOW"),
        (("--set", "S1=nan"), "above 0"),
        (("--set", "S1=-4"), "above 0"),
        (("--set", "S1=4", "--set", "S1=5"), "twice"),
        (("--set", "X9=4"), "X9"),
        (("--set", "S1=4", "--by", "area"), "--table"),
        (("--write",), "--table"),
        (("--table", "by_people", "--set", "E1=10"), "Kitchen"),
    ],
)
def test_words_that_are_off(visit: Path, words: tuple[str, ...], said: str) -> None:
    assert said in refused(UsageError, visit, *words)
    assert UsageError.exit_code == 2


def test_a_table_needs_a_visit() -> None:
    assert "VISIT" in refused(UsageError, "--table", "din_1946_6")


def test_a_bad_table_and_a_bad_folder(visit: Path) -> None:
    bad = visit.parent / "bad.toml"
    bad.write_text(OWN.replace("90.0", "nan"), encoding="utf-8")
    assert "row.1.flow" in refused(FileError, visit, "--table", bad)
    assert "visit.toml" in refused(VisitError, visit / "not there", "--table", "din_1946_6")


def test_terminals_that_are_written_in_one_line(visit: Path) -> None:
    path = visit / "visit.toml"
    head = PLAN[: PLAN.index("[[terminal]]")]
    inline = 'terminal = [{id = "S1", room = "Bedroom", system = "unit", direction = "supply"}]\n'
    path.write_text(inline + head, encoding="utf-8")
    done(visit, "--set", "S1=30", "--write")
    assert designs(visit) == {"S1": 30.0}
