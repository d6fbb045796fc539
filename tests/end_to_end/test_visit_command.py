"""`hoodtrace visit` without its page: how a folder comes to be, what is refused and with which exit code.

The demo's visit, made by the real firmware in the simulated house, is the earlier visit here.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.dwelling.begin import follow_up
from hoodtrace.dwelling.journal import entries
from hoodtrace.dwelling.plan import copied, read_plan
from hoodtrace.dwelling.visit import Visit

COMMAND = Path(sys.executable).with_name("hoodtrace")
TABLE = "id;room;system;direction;design_m3h;height_m\nS1;Wohnen;unit;supply;40,5;2,4\nE1;Bad;unit;extract;40,5;2,6\n"


def run(*words: object, code: int = 0) -> str:
    done = subprocess.run(
        [COMMAND, *map(str, words)], capture_output=True, text=True, timeout=120, check=False, stdin=subprocess.DEVNULL
    )
    assert done.returncode == code, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done.stdout if code == 0 else done.stderr


def listed(visit: Path) -> dict[str, dict[str, Any]]:
    return {row["id"]: row for row in json.loads(run("visit", visit, "--list", "--format", "json"))["terminals"]}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("old") / "demo"
    run("demo", folder, "--seed", "3")
    return folder


def test_the_demo_leaves_a_visit_whose_readings_are_those_of_its_trace(demo: Path) -> None:
    said = json.loads(
        run("readings", demo / "traces" / "visit.trace", "--hood", demo / "hood.toml", "--format", "json")
    )
    flows = {(r["hold"], r["plateau"]): (r["flow_m3h"], r["expanded_m3h"]) for r in said["readings"]}
    given = [entry for entry in entries(demo) if entry["kind"] == "reading"]
    assert len(given) >= 9
    for entry in given:
        assert flows[entry["hold"], entry["plateau"]] == (entry["flow_m3h"], entry["expanded_m3h"])
    closed = next(entry for entry in entries(demo) if entry["kind"] == "trace closed")
    assert closed["sha256"] == said["trace"]["sha256"]
    rows = listed(demo)
    assert {rows[e["terminal"]]["flow_m3h"] for e in given} == {e["flow_m3h"] for e in given}


def test_a_plan_from_a_table_and_the_page_to_prepare_it(demo: Path, tmp_path: Path) -> None:
    (tmp_path / "rooms.csv").write_text(TABLE, encoding="utf-8")
    said = run("visit", tmp_path / "v", "--hood", demo / "hood.toml", "--plan", tmp_path / "rooms.csv", "--prepare")
    assert "Second person or pole" in said
    assert (tmp_path / "v" / "prepare.pdf").read_bytes().startswith(b"%PDF")
    plan = read_plan(tmp_path / "v" / "visit.toml")
    assert [(t.id, t.room, t.design_m3h, t.height_m) for t in plan.terminals] == [
        ("S1", "Wohnen", 40.5, 2.4),
        ("E1", "Bad", 40.5, 2.6),
    ]
    assert (tmp_path / "v" / "hood.toml").read_bytes() == (demo / "hood.toml").read_bytes()
    assert not Visit(tmp_path / "v").begun


def test_a_copy_of_an_earlier_visit_has_its_plan_and_none_of_its_readings(demo: Path, tmp_path: Path) -> None:
    run("visit", tmp_path / "v", "--from", demo, "--prepare")
    assert read_plan(tmp_path / "v" / "visit.toml") == copied(read_plan(demo / "visit.toml"))
    assert {row["state"] for row in listed(tmp_path / "v").values()} <= {"open", "now"}


def test_a_follow_up_takes_three_terminals_of_both_sides_with_what_was_read_then(demo: Path, tmp_path: Path) -> None:
    run("visit", tmp_path / "v", "--from", demo, "--prepare")
    known = follow_up(Visit(demo), tmp_path / "v" / "hood.toml")
    assert known["same_hood"]
    rows = listed(demo)
    ids = [one["terminal"] for one in known["references"]]
    assert len(ids) == 3
    assert {rows[i]["direction"] for i in ids} == {"supply", "extract"}
    assert [one["flow_m3h"] for one in known["references"]] == [rows[i]["flow_m3h"] for i in ids]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("--list",), 2, "there is no visit"),
        ((), 2, "needs the hood file"),
        (("--hood", "nothing.toml", "--plan", "nothing.csv"), 4, "nothing.csv"),
        (("--plan", "a.csv", "--from", "b"), 2, "exclude each other"),
        (("--from", "nowhere"), 4, "nowhere"),
        (("--format", "xml"), 2, "--format"),
        (("--follow-up", "nowhere"), 4, "nowhere"),
    ],
)
def test_what_can_not_be_made_says_why_and_leaves_nothing(
    tmp_path: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    assert says in run("visit", tmp_path / "v", *words, code=code)
    assert not (tmp_path / "v").exists()


def test_a_visit_that_is_there_keeps_its_plan(demo: Path, tmp_path: Path) -> None:
    run("visit", tmp_path / "v", "--from", demo, "--prepare")
    before = (tmp_path / "v" / "visit.toml").read_bytes()
    run("visit", tmp_path / "v", "--from", demo, code=2)
    assert (tmp_path / "v" / "visit.toml").read_bytes() == before


def test_a_folder_with_something_else_in_it_is_left_alone(demo: Path, tmp_path: Path) -> None:
    (tmp_path / "v").mkdir()
    (tmp_path / "v" / "photo.jpg").write_bytes(b"x")
    assert "is no visit" in run("visit", tmp_path / "v", "--from", demo, code=2)
    assert [p.name for p in (tmp_path / "v").iterdir()] == ["photo.jpg"]
