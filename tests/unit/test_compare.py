"""Comparing visits: only like with like, in order of date, every difference said; the picture; the command."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.image import imread
from pypdf import PdfReader

from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.cli.compare import compare as command
from hoodtrace.dwelling.compare import Comparison, Row, compare
from hoodtrace.dwelling.compare_rows import COLUMNS, comparison_json, comparison_rows
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.visit import Visit
from hoodtrace.errors import HoodError, UsageError, VisitError
from hoodtrace.reporting.compare_picture import KINDS, comparison_picture, comparison_svg, shown_visits
from visits_over_time import ROOMS, by_hand, of_hood, visit_of

DATES = [f"203{i}-01-01T09:00:00+00:00" for i in range(4)]


def row(found: Comparison, terminal: str, **more: Any) -> Row:
    same = [r for r in found.rows if r.terminal == terminal and all(getattr(r, k) == v for k, v in more.items())]
    assert len(same) == 1, same
    return same[0]


@pytest.fixture
def three(tmp_path: Path) -> list[Visit]:
    """In no order of date: S1 hardly moves, E1 does, S2 is read in two of them."""
    first = [of_hood("S1", 41.0), of_hood("S2", 23.0), of_hood("E1", 44.0)]
    second = [of_hood("S1", 41.5), of_hood("E1", 50.0)]
    third = [
        of_hood("S1", 40.5, reviewed=7),
        of_hood("S2", 20.0),
        of_hood("E1", 50.5),
        by_hand("E1", 60.0, 3.0, hood_on=False),
    ]
    visits = [visit_of(tmp_path / n, utc, r) for n, utc, r in zip("abc", DATES, (first, second, third), strict=False)]
    return [visits[2], visits[0], visits[1]]


def test_visits_come_in_order_of_date_and_changes_go_to_the_one_before_and_the_first(three: list[Visit]) -> None:
    found = compare(three)
    assert [head.utc for head in found.visits] == DATES[:3]
    cells = row(found, "S1").cells
    assert cells[0].before is None
    assert cells[1].before == cells[1].first
    assert cells[2].before is not None
    assert cells[2].first is not None
    assert (cells[2].before.visit, cells[2].first.visit) == (1, 0)
    assert cells[2].before.change.rel == pytest.approx(40.5 / 41.5 - 1)
    assert cells[2].first.change.rel == pytest.approx(40.5 / 41.0 - 1)
    assert [cell.reviewed for cell in cells] == [False, False, True]
    assert not cells[1].before.change.is_real
    moved = row(found, "E1", hood_on=True).cells[1].before
    assert moved is not None
    assert moved.change.is_real


def test_a_visit_in_which_a_terminal_was_not_read_is_passed_over(three: list[Visit]) -> None:
    cells = row(compare(three), "S2").cells
    assert [cell.presence for cell in cells] == ["read", "not read", "read"]
    assert cells[2].before is not None
    assert cells[2].before.visit == 0


def test_hood_on_and_off_are_kept_apart(three: list[Visit]) -> None:
    found = compare(three)
    on, off = row(found, "E1", hood_on=True), row(found, "E1", hood_on=False)
    assert on.cells[2].result is not None
    assert off.cells[2].result is not None
    assert (on.cells[2].result.flow_m3h, off.cells[2].result.flow_m3h) == (50.5, 60.0)
    assert off.cells[2].before is None
    assert [(s.flow_m3h, s.hood_on, s.missing) for s in found.sums if s.visit == 2 and s.direction == "extract"] == [
        (50.5, True, ()),
        (60.0, False, ()),
    ]


def test_settings_are_kept_apart_and_have_their_own_design(tmp_path: Path) -> None:
    readings = [of_hood("S1", 41.0), of_hood("S1", 62.0, setting="boost")]
    visits = [
        visit_of(tmp_path / n, utc, readings, settings=("normal", "boost")) for n, utc in zip("ab", DATES, strict=False)
    ]
    found = compare(visits)
    flows = {r.setting: r.cells[1].result.flow_m3h for r in found.rows if r.cells[1].result is not None}
    assert flows == {"normal": 41.0, "boost": 62.0}
    assert [r.setting for r in found.rows if r.terminal == "S1"] == ["normal", "boost"]


def test_only_the_newest_epoch_counts(tmp_path: Path) -> None:
    turned = [of_hood("S1", 30.0), of_hood("S1", 40.0, after_turn=True), of_hood("S1", 40.6)]
    visits = [visit_of(tmp_path / n, utc, turned) for n, utc in zip("ab", DATES, strict=False)]
    cell = row(compare(visits), "S1").cells[0]
    assert cell.result is not None
    assert (cell.result.n, cell.result.flow_m3h) == (2, pytest.approx(40.3))


def test_the_same_id_in_another_room_or_direction_is_said_and_not_compared(tmp_path: Path) -> None:
    old = ROOMS | {"S1": ("LIVING  room", "supply", 40.0)}
    new = ROOMS | {"S2": ("Bedroom", "supply", 20.0), "E1": ("Bathroom", "supply", 50.0)}
    readings = [of_hood("S1", 41.0), of_hood("S2", 23.0), of_hood("E1", 44.0)]
    visits = [
        visit_of(tmp_path / "a", DATES[0], readings, old),
        visit_of(tmp_path / "b", DATES[1], readings, new),
    ]
    found = compare(visits)
    assert row(found, "S1").cells[1].before is not None  # case and blanks are no other room
    for name in ("S2", "E1"):
        apart = [r for r in found.rows if r.terminal == name]
        assert len(apart) == 2
        assert all(cell.before is None for r in apart for cell in r.cells)
        assert sum(name in note and "not compared" in note for note in found.notes) == 1
    assert {(s.visit, s.direction): s.n for s in found.sums} == {
        (0, "supply"): 2, (0, "extract"): 1, (1, "supply"): 3,
    }  # fmt: skip


def test_a_terminal_of_one_plan_only_and_one_never_read_are_there(tmp_path: Path) -> None:
    more = ROOMS | {"E3": ("WC", "extract", 15.0)}
    visits = [
        visit_of(tmp_path / "a", DATES[0], [of_hood("S1", 41.0)]),
        visit_of(tmp_path / "b", DATES[1], [of_hood("S1", 41.0), of_hood("E3", 15.0)], more),
    ]
    found = compare(visits)
    assert [cell.presence for cell in row(found, "E3").cells] == ["not in the plan", "read"]
    assert [cell.presence for cell in row(found, "S2").cells] == ["not read", "not read"]
    assert any(note.startswith("E3") for note in found.notes)
    assert next(s for s in found.sums if s.visit == 0).missing == ("S2",)


def test_another_hood_or_site_is_said(tmp_path: Path) -> None:
    visits = [
        visit_of(tmp_path / "a", DATES[0], [of_hood("S1", 41.0)]),
        visit_of(tmp_path / "b", DATES[1], [of_hood("S1", 43.0)], hood=demo_hood_toml() + "\n", site="Elm Row 2"),
    ]
    found = compare(visits)
    assert any("hood file" in note for note in found.notes)
    assert any("Elm Row 2" in note for note in found.notes)
    since = row(found, "S1").cells[1].before
    assert since is not None
    assert not since.same_hood


def test_readings_by_hand_and_mixed_share_nothing(tmp_path: Path) -> None:
    """Independent relative errors of 5 %: the ratio 1.1 has 1.1 x 5 % x root 2, times 1.959964 (paper)."""
    visits = [
        visit_of(tmp_path / n, utc, [by_hand("S1", q, 0.05 * q)])
        for n, utc, q in zip("ab", DATES, (40.0, 44.0), strict=False)
    ]
    since = row(compare(visits), "S1").cells[1].before
    assert since is not None
    assert since.change.expanded_rel == pytest.approx(1.959964 * 1.1 * 0.05 * 2**0.5, rel=1e-6)
    mixed = visit_of(tmp_path / "c", DATES[2], [of_hood("S1", 44.0), by_hand("S1", 44.0, 2.0)])
    newest = row(compare([*visits, mixed]), "S1").cells[2]
    assert newest.by == "hood and hand"
    assert newest.before is not None
    assert not newest.before.same_hood


def test_what_is_no_comparison_is_refused(tmp_path: Path) -> None:
    one = visit_of(tmp_path / "a", DATES[0], [of_hood("S1", 41.0)])
    two = visit_of(tmp_path / "b", DATES[1], [of_hood("S1", 41.0)])
    with pytest.raises(UsageError, match="two or more"):
        compare([one])
    with pytest.raises(UsageError, match="twice"):
        compare([one, two, Visit(tmp_path / "b" / ".." / "b")])
    fresh = tmp_path / "c"
    fresh.mkdir()
    for name in ("visit.toml", "hood.toml"):
        (fresh / name).write_bytes((tmp_path / "a" / name).read_bytes())
    with pytest.raises(UsageError, match="not begun"):
        compare([one, Visit(fresh)])
    append(fresh, {"kind": "begun", "utc": "yesterday", "what": "visit"})
    with pytest.raises(VisitError, match="yesterday"):
        compare([one, Visit(fresh)])
    (tmp_path / "b" / "hood.toml").unlink()
    with pytest.raises(HoodError):
        compare([one, two])


def test_json_and_rows_say_the_same(three: list[Visit]) -> None:
    found = compare(three)
    said = json.loads(json.dumps(comparison_json(found), allow_nan=False))
    rows = comparison_rows(found)
    assert all(tuple(r) == COLUMNS for r in rows)
    flat = iter(rows)
    for terminal in said["terminals"]:
        for number, cell in enumerate(terminal["visits"]):
            one = next(flat)
            assert (one["terminal"], one["visit"]) == (terminal["id"], said["visits"][number]["folder"])
            assert (one["flow_m3h"], one["reviewed"]) == (cell["flow_m3h"], cell["reviewed"])
            before = cell["change_to_before"] or {"rel": None, "real": None, "expanded_rel": None}
            assert (one["before_change_rel"], one["before_real"]) == (before["rel"], before["real"])
            assert one["before_expanded_rel"] == before["expanded_rel"]
    assert [one["flow_m3h"] for one in flat] == [s["flow_m3h"] for s in said["sums"]]


@pytest.mark.parametrize("suffix", KINDS)
def test_a_picture_is_the_same_bytes_and_what_its_name_says(three: list[Visit], suffix: str, tmp_path: Path) -> None:
    found = compare(three)
    content = comparison_picture(found, suffix)
    assert content == comparison_picture(compare(three), suffix)
    path = tmp_path / f"x{suffix}"
    path.write_bytes(content)
    if suffix == ".svg":
        assert ElementTree.fromstring(content).tag.endswith("svg")
        assert content == comparison_svg(found)
        assert b"<text" not in content  # outlines: no font of the machine
    elif suffix == ".png":
        pixels = imread(path)
        # Not colour alone: marks of all visits are there in grey too.
        assert len(np.unique((pixels[..., :3].mean(axis=2) * 255).astype(int))) > 20
    else:
        reader = PdfReader(path)
        assert "Living room" in reader.pages[0].extract_text()
        assert not reader.metadata


@pytest.mark.parametrize("room", ["a$\\\\frac{$b", "中 a very long room name, longer than that", "شرفة"])
def test_a_picture_takes_any_name(tmp_path: Path, room: str) -> None:
    rooms = {"S1": (room, "supply", 40.0)}
    names = "a$^$", "b$^$"
    visits = [visit_of(tmp_path / n, DATES[0], [of_hood("S1", 41.0)], rooms) for n in names]
    found = compare(visits)
    assert comparison_svg(found)
    assert shown_visits(found) == [f"2030-01-01 {name}" for name in names]
    with pytest.raises(UsageError, match=r"\.gif"):
        comparison_picture(found, ".gif")


def test_a_picture_of_nothing_read_is_drawn(tmp_path: Path) -> None:
    visits = [visit_of(tmp_path / n, DATES[0], []) for n in "ab"]
    assert comparison_svg(compare(visits))


def test_the_command_prints_and_draws(three: list[Visit], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folders = [visit.folder for visit in three]
    command(folders, picture=tmp_path / "x.svg")
    table = capsys.readouterr().out
    assert "S1 Living room, supply" in table
    assert "40.5*" in table
    assert "not read" in table
    assert (tmp_path / "x.svg").read_bytes() == comparison_svg(compare(three))
    command(folders, output="json")
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(comparison_json(compare(three))))
    command(folders, output="csv")
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [r["flow_m3h"] for r in rows if r["terminal"] == "S1"] == ["41.0", "41.5", "40.5"]
    with pytest.raises(UsageError, match=r"\.txt"):
        command(folders, picture=tmp_path / "x.txt")


def test_rooms_in_the_table_of_comparisons_are_no_formulas(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rooms = {"S1": ("=1+1", "supply", 40.0)}
    visits = [visit_of(tmp_path / n, utc, [of_hood("S1", 41.0)], rooms) for n, utc in zip("ab", DATES, strict=False)]
    command([visit.folder for visit in visits], output="csv")
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert {r["room"] for r in rows if r["what"] == "terminal"} == {"'=1+1"}
