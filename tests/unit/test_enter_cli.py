"""`enter`, `event`, `fan` and `visit --list`: what they write, say, and refuse, with their exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from hoodtrace.board.scenario import demo_hood_toml, demo_visit_toml
from hoodtrace.dwelling.journal import JOURNAL, entries

COMMAND = Path(sys.executable).with_name("hoodtrace.exe" if sys.platform == "win32" else "hoodtrace")


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    folder = tmp_path / "v"
    folder.mkdir()
    (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    return folder


def run(*words: object, code: int = 0) -> str:
    done = subprocess.run([COMMAND, *map(str, words)], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == code, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done.stdout if code == 0 else done.stderr


def test_an_entered_reading_stands_in_the_list(visit: Path) -> None:
    said = run("enter", visit, "S1", "44.5", "--u-m3h", "1.5", "--after-turn", "--at-stop", "open", "--hood-off")
    assert "44.5 m3/h, u 1.5 m3/h" in said
    line = entries(visit)[-1]
    assert (line["kind"], line["terminal"], line["flow_m3h"], line["u_flow_m3h"]) == ("reading", "S1", 44.5, 1.5)
    assert (line["after_turn"], line["at_stop"], line["hood_on"]) == (True, "open", False)
    rows = {row["id"]: row for row in json.loads(run("visit", visit, "--list", "--format", "json"))["terminals"]}
    assert (rows["S1"]["flow_m3h"], rows["S1"]["state"], rows["S1"]["by"]) == (44.5, "read", "hand")
    # Normal distribution: 1.959964 standard uncertainties, from any table.
    assert rows["S1"]["expanded_m3h"] == pytest.approx(1.959964 * 1.5, rel=1e-6)
    assert "44.5" in run("visit", visit, "--list")


def test_without_an_uncertainty_five_percent_are_taken_and_said(visit: Path) -> None:
    assert "5 % of the flow" in run("enter", visit, "S1", "60")
    assert entries(visit)[-1]["u_flow_m3h"] == 3.0


def test_a_slip_is_replaced_in_one_line_and_only_by_a_right_reading(visit: Path) -> None:
    run("enter", visit, "S1", "400", "--u-m3h", "2")
    assert "slip" in run("enter", visit, "S1", "40", "--u-m3h", "2")
    run("enter", visit, "S1", "0", "--instead", code=2)
    assert len(entries(visit)) == 3
    run("enter", visit, "S1", "41", "--instead")
    assert entries(visit)[-1]["instead_of"] == 3
    rows = {row["id"]: row for row in json.loads(run("visit", visit, "--list", "--format", "json"))["terminals"]}
    assert rows["S1"]["placements"] == 2
    assert "has no reading" in run("enter", visit, "S2", "30", "--instead", code=2)


def test_event_and_fan_are_kept(visit: Path) -> None:
    run("event", visit, "window")
    run("fan", visit, "unit", "0.8", "--side", "supply")
    kept = [{k: e.get(k) for k in ("kind", "what", "system", "ratio", "side")} for e in entries(visit)[1:]]
    assert kept[0] == {"kind": "event", "what": "window", "system": None, "ratio": None, "side": None}
    assert kept[1] == {"kind": "fan", "what": None, "system": "unit", "ratio": 0.8, "side": "supply"}


@pytest.mark.parametrize(
    "words",
    [
        ("enter", "S99", "40"),
        ("enter", "S1", "0"),
        ("enter", "S1", "nan"),
        ("enter", "S1", "40", "--u-m3h", "-1"),
        ("enter", "S1", "40", "--at-stop", "ajar"),
        ("enter", "S1", "40", "--setting", "boost"),
        ("event", ""),
        ("event", "door", "--system", "none"),
        ("fan", "unit", "0"),
        ("fan", "none", "1"),
        ("fan", "unit", "1", "--side", "left"),
    ],
)
def test_what_makes_no_sense_is_2_and_does_not_even_begin_the_visit(visit: Path, words: tuple[str, ...]) -> None:
    command, *rest = words
    run(command, visit, *rest, code=2)
    assert not (visit / JOURNAL).exists() or (visit / JOURNAL).read_bytes() == b""


def test_a_folder_that_is_no_visit_is_4_for_enter_and_2_for_a_list(tmp_path: Path) -> None:
    assert "visit.toml" in run("enter", tmp_path, "S1", "40", code=4)
    assert "there is no visit" in run("visit", tmp_path, "--list", code=2)


def test_a_damaged_journal_is_4_and_names_the_line(visit: Path) -> None:
    run("enter", visit, "S1", "40")
    path = visit / JOURNAL
    path.write_bytes(path.read_bytes().replace(b"40.0", b"41.0"))
    assert "line 2 is damaged" in run("enter", visit, "S1", "42", code=4)
