"""`hoodtrace review` as a user types it: exit codes, what stands on which stream, changes across processes.

Contract: on a small visit of the second generator. Where it matters the installed command runs in a process of its own
(`process`); the rest goes through the same entry point, `main`, with the same words, in this one.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.cli.app import main
from hoodtrace.dwelling.journal import JOURNAL, entries
from reviewed_visit import made

COMMAND = Path(sys.executable).with_name("hoodtrace.exe" if sys.platform == "win32" else "hoodtrace")
WINDOW_KEYS = {
    "id", "trace", "hold", "plateau", "x_shift_s", "hold_start_s", "hold_end_s", "start_s", "end_s", "used_s", "cuts",
    "terminal", "state", "given", "by", "direction", "flow_m3h", "u_flow_m3h", "expanded_m3h", "estimate_m3h", "flags",
    "why", "verdict", "notes", "automatic", "editable",
}  # fmt: skip


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    return made(tmp_path / "v", "01", "02")


def run(*words: object, code: int = 0) -> tuple[str, str]:
    """What the command says on both streams, and that it ends as it should."""
    said, errors, ended = io.StringIO(), io.StringIO(), 0
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(said), redirect_stderr(errors):
        patch.setattr(sys, "argv", ["hoodtrace", *map(str, words)])
        try:
            main()
        except SystemExit as end:
            ended = int(end.code or 0)
    assert ended == code, (said.getvalue(), errors.getvalue())
    return said.getvalue(), errors.getvalue()


def process(*words: object, code: int = 0) -> tuple[str, str]:
    """As `run`, in a process of its own."""
    done = subprocess.run(
        [COMMAND, *map(str, words)], capture_output=True, text=True, timeout=120, check=False, stdin=subprocess.DEVNULL
    )
    assert done.returncode == code, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done.stdout, done.stderr


def listed(visit: Path) -> dict[str, Any]:
    def refuse(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    found = json.loads(run("review", visit, "--list", "--format", "json")[0], parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def window(visit: Path, name: str) -> dict[str, Any]:
    return next(w for w in listed(visit)["windows"] if w["id"] == name)


def test_list_as_json_is_whole(visit: Path) -> None:
    found = listed(visit)
    assert {"version", "site", "problems", "terminals", "windows", "undo", "redo"} <= found.keys()
    assert (found["site"], found["problems"], found["undo"]) == ("Alder Row 7", [], None)
    for each in found["windows"]:
        assert each.keys() >= WINDOW_KEYS


def test_several_changes_at_once_are_said_and_stand_in_the_order_that_they_were_given(visit: Path) -> None:
    said, errors = process(
        "review", visit, "--set", "01:3.1 cut=112..114", "--set", "01:3.1 edges=108..121", "--set",
        "2.2 reject=the door was open", "--set", "01:2.1 give=S1", "--set", "2.2 note=see photo", "--set",
        "01 new=89..95", "--format", "json",
    )  # fmt: skip
    changes = json.loads(said)["changes"]
    assert errors == ""
    assert [each["after"][0]["id"] for each in changes] == [
        "01:3.1",
        "01:3.1",
        "01:2.2",
        "01:2.1",
        "01:2.2",
        "01:9001.1",
    ]
    kinds = [entry["change"]["do"] for entry in entries(visit) if entry["kind"] == "review"]
    assert kinds == ["cut", "edges", "reject", "give", "note", "new"]
    now = {w["id"]: w for w in listed(visit)["windows"]}
    assert (now["01:3.1"]["start_s"], now["01:3.1"]["end_s"]) == (108.0, 121.0)
    assert now["01:3.1"]["cuts"] == [{"start_s": 112.0, "end_s": 114.0, "why": "by hand"}]
    assert (now["01:2.2"]["state"], now["01:2.2"]["why"]) == ("rejected", "the door was open")
    assert (now["01:2.1"]["terminal"], now["01:2.2"]["notes"]) == ("S1", ["see photo"])
    assert changes[-1]["version"] == listed(visit)["version"]


def test_with_a_bad_one_in_the_middle_those_before_are_made_and_that_is_said(visit: Path) -> None:
    said, errors = process(
        "review", visit, "--set", "01:3.1 cut=112..114", "--set", "01:9.9 restore", "--set", "2.2 reject=door", code=2
    )
    assert said == ""
    assert "--set '01:9.9 restore': there is no window '01:9.9'" in errors
    assert "Changes before it (1) were made" in errors
    assert errors.count("--set") == 1
    assert [entry["change"]["do"] for entry in entries(visit) if entry["kind"] == "review"] == ["cut"]


def test_with_a_bad_one_at_the_start_nothing_is_said_to_be_made(visit: Path) -> None:
    before = (visit / JOURNAL).read_bytes()
    _, errors = run("review", visit, "--set", "01:9.9 restore", "--set", "2.2 reject=door", code=2)
    assert "were made" not in errors
    assert (visit / JOURNAL).read_bytes() == before


def test_undo_and_redo_go_on_in_other_processes(visit: Path) -> None:
    was = window(visit, "01:3.1")
    process("review", visit, "--set", "01:3.1 cut=112..114", "--set", "2.2 reject=door")
    now = window(visit, "01:3.1")
    assert now["flow_m3h"] != was["flow_m3h"]
    run("review", visit, "--undo")
    said, _ = process("review", visit, "--undo", "--format", "json")
    (undone,) = json.loads(said)["changes"]
    assert (undone["before"], undone["after"]) == ([now], [was])
    assert (listed(visit)["undo"], listed(visit)["redo"]) == (None, {"do": "cut", "ids": ["01:3.1"]})
    run("review", visit, "--redo")
    assert window(visit, "01:3.1") == now
    run("review", visit, "--set", "01:3.1 note=enough")
    _, errors = process("review", visit, "--redo", code=2)
    assert "nothing is left to redo" in errors


def test_a_change_is_told_before_and_after_and_list_tells_how_to_take_it_back(visit: Path) -> None:
    said, _ = run("review", visit, "--set", "01:3.1 cut=112..114", "--list")
    now = window(visit, "01:3.1")
    flows = [f"{one['flow_m3h']:.1f} ± {one['expanded_m3h']:.1f} m3/h" for one in (now["automatic"], now)]
    told = " ".join(said.split())
    assert f"{flows[0]}, for E1, {now['automatic']['verdict']} -> 107.8 to 121.6 s, {flows[1]}, for E1" in told
    assert "--undo takes back: cut of 01:3.1" in said
    assert f"chosen by hand (automatic: 107.8 to 121.6 s, {flows[0]}" in told
    assert "by hand cut out at 112 s" in told


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--set", "3.1"], "give 'ID CHANGE'"),
        (["--set", ""], "give 'ID CHANGE'"),
        (["--set", "01:3.1 edges"], "give 'ID CHANGE'"),
        (["--set", "01:3.1 restore=yes"], "give 'ID CHANGE'"),
        (["--set", "01:3.1 paint=red"], "give 'ID CHANGE'"),
        (["--set", "01:3.1 edges=40..12.5"], "give START..END in seconds"),
        (["--set", "01:3.1 edges=nan..40"], "give START..END in seconds"),
        (["--set", "01:3.1 split=noon"], "give a time in seconds"),
        (["--set", "01:3.1 split=inf"], "is no number from 0"),
        (["--set", "01:3.1 give=X9"], "no terminal 'X9': the plan has S1, S2, E1, E2"),
        (["--set", "01:3.1 reject="], "the reason: give some words"),
        (["--set", "3.1 restore"], "say 01:3.1 or 02:3.1"),
        (["--set", "01:3.1 edges=100..200"], "goes beyond the samples of boot 1"),
        (["--set", "01:3.1 edges=75..121"], "would overlap 01:2.2"),
        (["--set", "09 new=1..5"], "there is no trace '09' to choose from: 01, 02"),
        (["--undo"], "nothing is left to undo"),
        (["--undo", "--redo"], "exclude each other"),
        (["--picture", "a.svg"], "--picture belongs to --why"),
        (["--why", "01:9.9"], "there is no window '01:9.9'"),
        (["--list", "--format", "csv"], "csv"),
    ],
)
def test_what_does_not_fit_ends_with_2_a_reason_and_an_untouched_journal(
    visit: Path, words: list[str], text: str
) -> None:
    before = (visit / JOURNAL).read_bytes()
    said, errors = run("review", visit, *words, code=2)
    assert said == ""
    assert text in " ".join(errors.replace("│", " ").split())
    assert (visit / JOURNAL).read_bytes() == before


def test_none_takes_a_window_from_its_terminal(visit: Path) -> None:
    run("review", visit, "--set", "01:3.1 give=none")
    assert window(visit, "01:3.1")["terminal"] is None


def test_where_there_is_no_visit_it_says_so(tmp_path: Path) -> None:
    _, errors = run("review", tmp_path, "--list", code=2)
    assert "there is no visit" in errors


def test_a_trace_that_is_gone_is_noted_and_ends_a_change_of_it_with_4(visit: Path) -> None:
    (visit / "traces" / "01.trace").unlink()
    said, errors = process("review", visit, "--list")
    assert "01.trace: is not there" in errors
    assert "02:2.1" in said
    _, errors = process("review", visit, "--set", "02:3.1 give=E2", "--set", "01:3.1 reject=door", code=4)
    assert "01.trace: is not there" in errors
    assert "--set '01:3.1 reject=door' was not made. Changes before it (1) were made" in errors
    assert window(visit, "02:3.1")["terminal"] == "E2"


def test_a_damaged_journal_is_noted_and_the_rest_is_listed(visit: Path) -> None:
    path = visit / JOURNAL
    lines = path.read_bytes().split(b"\n")
    lines[3] = lines[3].replace(b'"utc"', b'"utd"', 1)
    path.write_bytes(b"\n".join(lines))
    said, errors = run("review", visit, "--list")
    assert f"note: {JOURNAL}: line 4 is damaged" in errors
    assert "01:1.1" in said


def test_a_file_name_with_control_letters_can_not_paint_the_terminal(visit: Path) -> None:
    (visit / "traces" / "02.trace").rename(visit / "traces" / "a\x1b[31mb.trace")
    said, errors = run("review", visit, "--list")
    assert "\x1b" not in said + errors
    assert "a?[31mb:2.1" in said
