"""The proof of a visit: each kind of damage and change is found and named where it is, and nothing else is.

Contract: visits are those of `reviewed_visit` and `proved_visit`, of the second generator; lines are changed by who
knows the CRC. What a reading must be was said by the program that read it, live or from the file, before the change.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import visits_over_time
from hoodtrace.board.hold_cues import MEANT_US, PATIENCE_S
from hoodtrace.dwelling import proof_readings
from hoodtrace.dwelling.journal import JOURNAL, append
from hoodtrace.dwelling.proof import Proof, prove
from hoodtrace.dwelling.visit import Visit
from hoodtrace.errors import VisitError
from proved_visit import UTC, chained, guided, lines_of, put, rewritten
from reviewed_visit import CUT, GIVE, NEW, REJECT, made, opened, trace_bytes
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, hood_toml, make_trace, visit

AIR = Fluctuation("ou", 0.04, 0.4)
Line = dict[str, Any]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


def where(proof: Proof) -> list[str]:
    return [finding.where for finding in proof.findings]


def number_of(folder: Path, kind: str) -> int:
    """The first line of a kind."""
    return next(n for n, line in enumerate(lines_of(folder), 1) if json.loads(line)["kind"] == kind)


def change_line(folder: Path, number: int, change: Callable[[Line], object], chain: bool = True) -> None:
    lines = lines_of(folder)
    fields = json.loads(lines[number - 1])
    change(fields)
    lines[number - 1] = rewritten(fields)
    put(folder, chained(folder, lines) if chain else lines)


def holds(*flows_m3h: float, seed: int) -> bytes:
    """A trace with a hold a flow, and still air behind them for as long as live readings may take."""
    given = [Hold((Plateau(flow, 24.0, AIR),), "supply") for flow in flows_m3h]
    spec = visit(given, np.random.default_rng(seed))
    return make_trace(replace(spec, scenes=(*spec.scenes, Free(75.0, "still"))), seed)[0]


# ---- what is unchanged


def test_an_untouched_visit_has_no_finding_and_all_of_it_was_looked_at(tmp_path: Path) -> None:
    folder = made(tmp_path / "v", "01", "02")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    proof = prove(folder)
    assert proof.findings == ()
    lines = lines_of(folder)
    n_readings = sum(json.loads(line)["kind"] == "reading" for line in lines)
    assert (proof.looked.n_readings, proof.looked.n_lines, proof.looked.n_traces) == (n_readings, len(lines), 2)
    assert n_readings == 4
    assert proof.newest_sha256 == hashlib.sha256(lines[-1]).hexdigest()
    said = {trace.path: (trace.n_bytes, trace.sha256) for trace in proof.traces}
    assert said == {
        f"traces/{name}.trace": (len(trace_bytes(name)), hashlib.sha256(trace_bytes(name)).hexdigest())
        for name in ("01", "02")
    }
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_what_people_changed_in_review_is_made_again_and_what_was_undone_is_not(folder: Path) -> None:
    review = opened(folder)
    for change in (CUT, REJECT, GIVE, NEW):
        review.change(change, UTC)
    proof = prove(folder)
    assert proof.findings == ()
    assert proof.looked.n_windows == 4
    for _ in range(4):
        review.undo(UTC)
    proof = prove(folder)
    assert (proof.findings, proof.looked.n_windows) == ((), 0)
    assert proof.looked.n_readings == 3


def test_a_window_whose_numbers_were_changed_is_named(folder: Path) -> None:
    review = opened(folder)
    review.change(CUT, UTC)
    number = number_of(folder, "review")

    def more(fields: Line) -> None:
        fields["windows"][0]["reading"]["flow_m3h"] += 1.0

    change_line(folder, number, more)
    (finding,) = prove(folder).findings
    assert finding.where.startswith(f"journal.jsonl, line {number}, the window 01:3.1")
    assert "flow_m3h" in finding.what
    review = json.loads(lines_of(folder)[number - 1])["windows"][0]["reading"]["flow_m3h"]
    assert finding.expected == f"flow_m3h {review}"
    assert finding.found == f"flow_m3h {round(review - 1.0, 6)}"


def test_a_window_that_was_moved_by_changing_its_ends_is_named(folder: Path) -> None:
    opened(folder).change(CUT, UTC)
    number = number_of(folder, "review")
    change_line(folder, number, lambda fields: fields["windows"][0].update(start_us=10**15))
    (finding,) = prove(folder).findings
    assert finding.where.startswith(f"journal.jsonl, line {number}, the window 01:3.1")


def test_readings_entered_by_hand_are_counted_and_said(folder: Path) -> None:
    visit = Visit(folder)
    for flow in (33.0, 34.0):
        visit.decide({"do": "enter", "terminal": "E2", "flow_m3h": flow}, UTC)
    proof = prove(folder)
    assert proof.findings == ()
    assert (proof.looked.n_readings, proof.looked.n_by_hand) == (3, 2)
    assert any("2 readings were typed in" in note for note in proof.notes)


def test_a_withdrawn_reading_is_made_again_too(folder: Path) -> None:
    visit = Visit(folder)
    visit.decide({"do": "repeat", "why": "slip"}, UTC)
    proof = prove(folder)
    assert proof.findings == ()
    assert (proof.looked.n_readings, proof.looked.n_withdrawn) == (3, 1)


def test_a_follow_up_visit_is_proved_by_itself(folder: Path, tmp_path: Path) -> None:
    from hoodtrace.dwelling.begin import follow_up, make_folder

    old = Visit(folder)
    make_folder(tmp_path / "next", old.plan, folder / "hood.toml")
    visit = Visit(tmp_path / "next")
    visit.decide({"do": "begin", "follow_up": follow_up(old, folder / "hood.toml")}, UTC)
    proof = prove(tmp_path / "next")
    assert (proof.findings, proof.looked.n_lines) == ((), 1)


def test_a_visit_that_has_not_begun(tmp_path: Path) -> None:
    folder = made(tmp_path / "v", begun=False)
    (folder / "traces" / "01.trace").unlink()
    proof = prove(folder)
    assert (proof.findings, proof.n_lines) == ((), 0)
    root = (folder / "visit.toml").read_bytes() + (folder / "hood.toml").read_bytes()
    assert proof.newest_sha256 == hashlib.sha256(root).hexdigest()
    assert any("has not begun" in note for note in proof.notes)


def test_a_folder_without_a_visit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="no visit"):
        prove(tmp_path)


# ---- what was read live


def test_the_live_programs_constants_are_those_of_the_board() -> None:
    assert (proof_readings.LIVE_PATIENCE_S, proof_readings.MEANT_US) == (PATIENCE_S, MEANT_US)


def late(trace: bytes) -> bytes:
    """A tenth of a second in each hold's middle comes 70 s later, when its reading has been given."""
    lines = trace.splitlines(keepends=True)
    out, waiting = [], []
    for i, line in enumerate(lines):
        if line.startswith(b"S") and i % 500 < 5 and i > 500:
            waiting.append((i + 3500, line))
        else:
            out.append(line)
        while waiting and waiting[0][0] <= i:
            out.append(waiting.pop(0)[1])
    return b"".join([*out, *(line for _, line in waiting)])


def test_readings_given_live_are_made_again_also_where_lines_came_too_late_for_them(tmp_path: Path) -> None:
    trace = late(holds(40.0, 50.0, 60.0, seed=11) + holds(45.0, 55.0, seed=12))
    guided(tmp_path / "v", trace, hood_toml(Hood()))
    given = [json.loads(line) for line in lines_of(tmp_path / "v") if b'"kind":"reading"' in line]
    table = {(r["hold"], r["plateau"]): r for r in _file_readings(tmp_path / "v")}
    # Not vacuous: what the whole file gives is not what was read live.
    assert any(one["u_flow_m3h"] != table[one["hold"], one["plateau"]]["u_flow_m3h"] for one in given)
    proof = prove(tmp_path / "v")
    assert proof.findings == ()
    assert proof.looked.n_readings == len(given) >= 3


def _file_readings(folder: Path) -> list[Line]:
    from hoodtrace.averaging.table import readings_of

    return readings_of(folder / "traces" / "01.trace", folder / "hood.toml").readings


@pytest.mark.parametrize(
    ("kind", "change", "words"),
    [
        ("reading", {"flow_m3h": 41.0}, "flow_m3h"),
        ("reading", {"u_flow_m3h": 0.1}, "u_flow_m3h"),
        ("reading", {"dof": 9.0}, "dof"),
        ("reading", {"expanded_m3h": 0.1}, "expanded_m3h"),
        ("reading", {"end_s": 1.0}, "end_s"),
        ("reading", {"direction": "extract"}, "direction"),
        ("reading", {"flags": ["short"]}, "flags"),
        ("reading", {"terms": []}, "terms"),
        ("reading", {"flow_m3h": "41"}, "flow_m3h"),
        ("reading", {"hold": 2}, "hold"),
        ("reading", {"hold": 77}, "no such hold"),
        ("reading", {"hold": [1]}, "no such hold"),
        ("reading", {"terminal": "S2"}, "terminal"),
        ("reading", {"key": "traces/01.trace 9 9"}, "did not call enough"),
        ("reading", {"trace": "traces/02.trace"}, "can't be made again"),
        ("reading", {"trace": None}, "can't be made again"),
        ("held", {"start_us": 0}, "another hold"),
        ("held", {"ended": "early"}, "ended"),
        ("held", {"boot": "1"}, "another hold"),
    ],
)
def test_a_changed_reading_is_named_though_the_whole_chain_was_made_good(
    tmp_path: Path, kind: str, change: Line, words: str
) -> None:
    shutil.copytree(_live_visit(tmp_path), tmp_path / "w")
    folder = tmp_path / "w"
    untouched = prove(folder)
    assert untouched.findings == ()
    number = number_of(folder, kind)
    change_line(folder, number, lambda fields: fields.update(change))
    proof = prove(folder)
    reading = number_of(folder, "reading")
    named = [f for f in proof.findings if f"line {reading}" in f.where]
    assert named, proof.findings
    assert any(words in finding.what for finding in named), named
    assert proof.newest_sha256 != untouched.newest_sha256


def _live_visit(tmp_path: Path) -> Path:
    folder = tmp_path.parent / "live"
    if not folder.exists():
        guided(folder, holds(40.0, 50.0, seed=21), hood_toml(Hood()))
    return folder


@pytest.mark.parametrize("key", ["flow_m3h", "u_flow_m3h", "terms", "flags", "dof", "direction"])
def test_a_reading_that_lacks_what_every_reading_has_is_named(tmp_path: Path, key: str) -> None:
    folder = made(tmp_path / "v")
    number = number_of(folder, "reading")
    change_line(folder, number, lambda fields: fields.pop(key))
    assert any(f"line {number}" in finding.where for finding in prove(folder).findings)


def test_a_restart_of_the_board_inside_a_trace(tmp_path: Path) -> None:
    trace = holds(40.0, seed=31) + holds(55.0, 65.0, seed=32)
    guided(tmp_path / "v", trace, hood_toml(Hood()))
    proof = prove(tmp_path / "v")
    boots = {o.boot for o in opened(tmp_path / "v").kept(_window(tmp_path / "v")).outcomes}
    assert (proof.findings, boots) == ((), {1, 2})
    assert proof.looked.n_readings == 3


def _window(folder: Path) -> Any:
    return next(iter(opened(folder).windows().values()))


# ---- another version of the program


def test_another_versions_numbers_may_differ_by_their_rounding_and_are_said_beside_this_ones(tmp_path: Path) -> None:
    folder = tmp_path / "v"
    guided(folder, holds(40.0, seed=41), hood_toml(Hood()), software="hoodtrace 0.0.1")
    number = number_of(folder, "reading")
    flow = json.loads(lines_of(folder)[number - 1])["flow_m3h"]
    change_line(folder, number, lambda fields: fields.update(flow_m3h=round(flow + 1e-6, 6)))
    assert prove(folder).findings == ()
    change_line(folder, number, lambda fields: fields.update(flow_m3h=round(flow + 2e-3, 6)))
    (finding,) = prove(folder).findings
    assert finding.expected == f"version 0.0.1 read flow_m3h {round(flow + 2e-3, 6)}"
    assert finding.found.endswith(f"reads flow_m3h {flow}")


def test_the_same_versions_numbers_are_the_same_to_the_last_digit(tmp_path: Path) -> None:
    folder = made(tmp_path / "v")
    number = number_of(folder, "reading")
    flow = json.loads(lines_of(folder)[number - 1])["flow_m3h"]
    change_line(folder, number, lambda fields: fields.update(flow_m3h=round(flow + 1e-6, 6)))
    assert len(prove(folder).findings) == 1


# ---- traces


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 1000)


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"x\n")


def change_a_byte(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def change_and_grow(path: Path) -> None:
    change_a_byte(path)
    grow(path)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def make_it_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (Path.unlink, "is missing"),
        (cut, "was cut: 1000 bytes are missing"),
        (grow, "only grew"),
        (change_a_byte, "was changed since"),
        (change_and_grow, "was changed, and has 2 bytes more"),
        (empty, "was cut"),
        (make_it_a_folder, "can't be read"),
    ],
)
def test_a_damaged_trace_is_told_by_its_damage(folder: Path, damage: Callable[[Path], None], words: str) -> None:
    damage(folder / "traces" / "01.trace")
    proof = prove(folder)
    mine = [finding for finding in proof.findings if finding.where == "traces/01.trace"]
    assert any(words in finding.what for finding in mine), mine
    # Bytes behind the end change no reading.
    assert damage is not grow or len(proof.findings) == 1


def test_a_trace_that_was_never_closed_is_said_and_its_readings_are_made_again(tmp_path: Path) -> None:
    proof = prove(made(tmp_path / "v", closed=False))
    (finding,) = proof.findings
    assert (finding.where, "never closed" in finding.what) == ("traces/01.trace", True)
    assert proof.looked.n_readings == 3


def test_a_trace_that_the_journal_does_not_name_is_said(folder: Path) -> None:
    (folder / "traces" / "other.trace").write_bytes(trace_bytes("02"))
    (finding,) = prove(folder).findings
    assert (finding.where, "does not name" in finding.what) == ("traces/other.trace", True)


def test_a_recording_that_never_began_is_no_difference(folder: Path) -> None:
    Visit(folder).decide({"do": "trace opened", "trace": "traces/02.trace"}, UTC)
    proof = prove(folder)
    assert proof.findings == ()
    assert any("traces/02.trace" in note for note in proof.notes)


def test_a_trace_outside_the_folder_is_never_read(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.trace").write_bytes(trace_bytes("02"))
    for name in ("traces/../../secret.trace", "../secret.trace", str(tmp_path / "secret.trace"), "traces/..", "traces"):
        append(folder, {"kind": "trace opened", "utc": UTC, "trace": name})
    proof = prove(folder)
    assert len(proof.findings) == 5
    assert all("none in the folder" in finding.what for finding in proof.findings)
    assert [trace.path for trace in proof.traces] == ["traces/01.trace"]


def test_a_reading_without_its_trace_file_is_named(tmp_path: Path) -> None:
    reading = visits_over_time.of_hood("S1", 41.0, hold=1, plateau=1)
    visits_over_time.visit_of(tmp_path / "v", UTC, [reading])
    assert where(prove(tmp_path / "v")) == ["journal.jsonl, line 2, the reading of S1"]


# ---- plan, hood file, journal


@pytest.mark.parametrize("name", ["visit.toml", "hood.toml"])
def test_a_remark_more_in_plan_or_hood_file_is_told(folder: Path, name: str) -> None:
    with (folder / name).open("a", encoding="utf-8") as file:
        file.write("# more\n")
    assert where(prove(folder)) == ["visit.toml or hood.toml"]


@pytest.mark.parametrize("name", ["visit.toml", "hood.toml"])
@pytest.mark.parametrize("damage", [Path.unlink, empty, make_it_a_folder])
def test_a_plan_or_hood_file_that_cant_serve_is_named(folder: Path, name: str, damage: Callable[[Path], None]) -> None:
    damage(folder / name)
    proof = prove(folder)
    assert name in where(proof)
    assert proof.looked.n_readings == (0 if name == "hood.toml" else 3)


def test_a_changed_line_is_told_by_the_next_one(folder: Path) -> None:
    number = number_of(folder, "answer")
    change_line(folder, number, lambda fields: fields.update(value="other"), chain=False)
    (finding,) = prove(folder).findings
    assert finding.where == f"journal.jsonl, lines {number} and {number + 1}"
    assert f"line {number} was changed" in finding.what
    assert f"lines {number + 1} to {len(lines_of(folder))}" in finding.what


def test_first_lines_that_are_missing_are_no_fault_of_the_plan(folder: Path) -> None:
    put(folder, lines_of(folder)[2:])
    (finding,) = prove(folder).findings
    assert (finding.where, "missing" in finding.what) == ("journal.jsonl, line 1", True)


def test_a_damaged_line_is_named_once(folder: Path) -> None:
    lines = lines_of(folder)
    lines[2] = lines[2].replace(b"answer", b"anshwer")
    put(folder, lines)
    proof = prove(folder)
    assert where(proof) == ["journal.jsonl, line 3"]
    assert proof.looked.n_readings == 3


def test_lines_that_changed_places_are_named(folder: Path) -> None:
    lines = lines_of(folder)
    lines[3], lines[4] = lines[4], lines[3]
    put(folder, lines)
    assert where(prove(folder)) == [f"journal.jsonl, lines {n} and {n + 1}" for n in (3, 4, 5)]


def test_a_doubled_line_is_named(folder: Path) -> None:
    lines = lines_of(folder)
    put(folder, [*lines[:4], lines[3], *lines[4:]])
    (finding,) = prove(folder).findings
    assert (finding.where, "after line 3" in finding.what) == ("journal.jsonl, lines 4 and 5", True)


def test_a_last_line_without_its_end_is_said_and_left_alone(folder: Path) -> None:
    content = (folder / JOURNAL).read_bytes()
    (folder / JOURNAL).write_bytes(content + b'{"kind":"ans')
    proof = prove(folder)
    n = len(content.splitlines())
    assert where(proof) == [f"journal.jsonl, line {n + 1}"]
    assert (folder / JOURNAL).read_bytes() == content + b'{"kind":"ans'
    assert proof.n_lines == n


def test_a_line_that_makes_no_sense_is_named(folder: Path) -> None:
    append(folder, {"kind": "review undone", "utc": UTC, "line": 3})
    append(folder, {"kind": "of a later version", "utc": UTC})
    n = len(lines_of(folder))
    assert where(prove(folder)) == [f"journal.jsonl, line {n - 1}"]


def test_a_journal_that_cant_be_read_is_named(folder: Path) -> None:
    make_it_a_folder(folder / JOURNAL)
    assert JOURNAL in where(prove(folder))


def test_only_the_first_lines_count_where_that_is_asked(tmp_path: Path) -> None:
    folder = made(tmp_path / "v", "01", "02")
    lines = lines_of(folder)
    n = next(i for i, line in enumerate(lines, 1) if b"trace closed" in line)
    proof = prove(folder, n)
    assert proof.findings == ()
    assert (proof.n_lines, proof.looked.n_readings) == (n, 3)
    assert proof.newest_sha256 == hashlib.sha256(lines[n - 1]).hexdigest()
    (finding,) = prove(folder, len(lines) + 3).findings
    assert (finding.expected, finding.found) == (f"{len(lines) + 3} lines", f"{len(lines)} lines")
    # Those behind must still follow.
    change_line(folder, n + 2, lambda fields: fields.update(utc=UTC), chain=False)
    assert where(prove(folder, n)) == [f"journal.jsonl, lines {n + 2} and {n + 3}"]
