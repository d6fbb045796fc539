"""The review of a visit: what stands, what a change does, undo and redo, a restart of the board.

Contract: visits are those of `reviewed_visit`, of the second generator; what a window must say is what `readings`
finds in the same bytes by the other way.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest

import reviewed_visit
from hoodtrace.dwelling.journal import JOURNAL, entries
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.visit import NotNow, Visit
from hoodtrace.errors import UsageError
from reviewed_visit import (
    CUT,
    GIVE,
    LATER,
    NEW,
    REJECT,
    UTC,
    made,
    opened,
    readings,
    row_of,
    table,
    windows,
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


class TestWhatStands:
    def test_windows_are_those_of_readings_each_with_the_terminal_that_it_was_given_to(self, folder: Path) -> None:
        state, found = opened(folder).state(), table(folder)
        shown = {(w["hold"], w["plateau"]): w for w in state["windows"]}
        rows = {(r["hold"], r["plateau"]): r for r in found.readings + found.refused}
        assert shown.keys() == rows.keys()
        for place, row in rows.items():
            window = shown[place]
            for key in ("start_s", "end_s", "flow_m3h", "u_flow_m3h", "expanded_m3h", "direction", "flags"):
                assert window[key] == row.get(key), (place, key)
            assert window["cuts"] == row.get("rejected", [])
            assert (window["by"], window["automatic"], window["editable"]) == ("automatic", None, True)
        given = {place: w["terminal"] for place, w in shown.items() if w["terminal"]}
        assert given == reviewed_visit.GIVEN["01"]
        assert [t["id"] for t in state["terminals"]] == ["S1", "S2", "E1", "E2"]
        assert (state["problems"], state["undo"], state["redo"]) == ([], None, None)
        assert state["loading"] == {"done": True, "share": 1.0}
        json.dumps(state, allow_nan=False)

    def test_before_the_traces_are_read_nothing_is_claimed(self, folder: Path) -> None:
        review = Review(folder)
        assert (review.state()["windows"], review.state()["loading"]) == ([], {"done": False, "share": 0.0})
        with pytest.raises(UsageError, match="no window"):
            review.change(CUT, UTC)

    def test_load_tells_when_there_is_more_to_see(self, tmp_path: Path) -> None:
        review, shares, pieces = Review(made(tmp_path / "v", "01", "02")), [], []

        def told() -> None:
            shares.append(review.loading["share"])
            pieces.append(len(review.state()["axis"]["pieces"]))

        review.load(told)
        assert (shares[0], shares[-1]) == (0.0, 1.0)
        assert (pieces[0], pieces[-1]) == (1, 2)
        assert shares == sorted(shares)

    def test_a_visit_that_has_no_trace_is_an_empty_review(self, tmp_path: Path) -> None:
        folder = made(tmp_path / "v", begun=False)
        (folder / "traces" / "01.trace").unlink()
        state = opened(folder).state()
        assert (state["windows"], state["problems"], state["loading"]["done"]) == ([], [], True)

    def test_a_reading_that_was_taken_back_in_the_visit_is_called_so(self, folder: Path) -> None:
        visit = Visit(folder)
        visit.decide({"do": "repeat"}, UTC)
        assert (windows(opened(folder))["01:3.1"]["state"], windows(opened(folder))["01:3.1"]["terminal"]) == (
            "taken back",
            None,
        )

    def test_two_traces_with_the_same_hold_numbers_need_the_trace_in_the_name(self, tmp_path: Path) -> None:
        review = opened(made(tmp_path / "v", "01", "02"))
        for name in ("2.1", "3.1"):
            with pytest.raises(UsageError, match=rf"say 01:{name} or 02:{name}"):
                review.window(name)
            with pytest.raises(UsageError, match="several windows"):
                review.change({**REJECT, "id": name}, UTC)
        assert review.window("2.2").id == "01:2.2"
        assert review.window("02:3.1").trace == "traces/02.trace"


class TestChanges:
    def test_a_preview_says_what_the_change_will_say_and_writes_nothing(self, folder: Path) -> None:
        review = opened(folder)
        before, state = (folder / JOURNAL).read_bytes(), review.state()
        for change in (CUT, REJECT, GIVE, NEW):
            seen = review.preview(change)
            assert (folder / JOURNAL).read_bytes() == before
            assert review.state() == state
            done = review.change(change, UTC)
            assert (done["before"], done["after"]) == (seen["before"], seen["after"])
            assert done["version"] == seen["version"] + 1
            before, state = (folder / JOURNAL).read_bytes(), review.state()

    def test_whatever_is_done_the_trace_stays_as_it_was(self, folder: Path) -> None:
        trace = folder / "traces" / "01.trace"
        whole, stamp = hashlib.sha256(trace.read_bytes()).hexdigest(), trace.stat().st_mtime_ns
        review = opened(folder)
        for change in (CUT, REJECT, GIVE, NEW, {"do": "merge", "id": "01:1.1", "with": "01:2.1"}):
            review.change(change, UTC)
        review.undo(UTC)
        review.redo(UTC)
        assert hashlib.sha256(trace.read_bytes()).hexdigest() == whole
        assert trace.stat().st_mtime_ns == stamp
        assert sorted(path.name for path in folder.rglob("*")) == sorted(
            [JOURNAL, "hood.toml", "visit.toml", "traces", "01.trace"]
        )

    def test_a_cut_says_the_reading_before_and_after_and_keeps_the_automatic_one_beside_it(self, folder: Path) -> None:
        review = opened(folder)
        row = row_of(readings(folder), 3, 1)
        done = review.change(CUT, UTC)
        (before,), (after,) = done["before"], done["after"]
        assert (before["flow_m3h"], before["cuts"]) == (row["flow_m3h"], [])
        assert after["cuts"] == [{"start_s": 112.0, "end_s": 114.0, "why": "door"}]
        assert after["used_s"] == pytest.approx(row["used_s"] - 2.0, abs=0.05)
        assert (after["by"], after["automatic"]["flow_m3h"]) == ("person", row["flow_m3h"])
        assert after["flow_m3h"] != row["flow_m3h"]
        line = entries(folder)[-1]
        assert (line["kind"], line["change"], line["utc"]) == ("review", CUT, UTC)
        assert [w["id"] for w in line["windows"]] == ["01:3.1"]

    def test_a_refused_change_leaves_no_line(self, folder: Path) -> None:
        review = opened(folder)
        before = (folder / JOURNAL).read_bytes()
        for change in (
            {**CUT, "start_s": 1.0, "end_s": 2.0},
            {**GIVE, "terminal": "X"},
            {**NEW, "start_s": 1e6, "end_s": 1e6 + 5},
            {"do": "new", "trace": "01", "start_s": 125.0, "end_s": 500.0},
            {"do": "edges", "id": "01:3.1", "start_s": 108.0, "end_s": 1000.0},
            {},
        ):
            with pytest.raises(UsageError):
                review.preview(change)
            with pytest.raises(UsageError):
                review.change(change, UTC)
        assert (folder / JOURNAL).read_bytes() == before

    def test_what_was_said_beside_the_change_never_reaches_the_journal(self, folder: Path) -> None:
        review = opened(folder)
        review.change({**CUT, "secret": "x", "at_s": float("nan")}, UTC)
        assert entries(folder)[-1]["change"] == CUT

    def test_a_cut_taken_back_by_the_numbers_that_are_shown_is_gone(self, folder: Path) -> None:
        review = opened(folder)
        (cut,) = windows(review)["01:1.1"]["cuts"]
        (after,) = review.change(
            {"do": "uncut", "id": "01:1.1", "start_s": cut["start_s"], "end_s": cut["end_s"]}, UTC
        )["after"]
        assert after["cuts"] == []

    def test_edges_set_to_the_numbers_that_are_shown_change_nothing(self, folder: Path) -> None:
        review = opened(folder)
        for window in windows(review).values():
            ends = {"start_s": window["start_s"], "end_s": window["end_s"]}
            with pytest.raises(UsageError, match="changes nothing"):
                review.change({"do": "edges", "id": window["id"], **ends}, UTC)

    def test_a_window_given_to_a_terminal_of_the_other_direction_is_flagged_and_the_flag_goes_again(
        self, folder: Path
    ) -> None:
        review = opened(folder)
        flag = "direction is not the plan's"
        (wrong,) = review.change({**GIVE, "terminal": "E2"}, UTC)["after"]
        assert flag in wrong["flags"]
        (right,) = review.change(GIVE, UTC)["after"]
        assert flag not in right["flags"]

    def test_a_new_window_over_moving_air_is_a_refusal_with_its_reason_or_a_reading_but_never_an_error(
        self, folder: Path
    ) -> None:
        review = opened(folder)
        for start_s, end_s in ((0.0, 0.2), (0.2, 8.0), (37.0, 55.0), (89.0, 107.0), (125.0, 129.9)):
            (now,) = review.change({**NEW, "start_s": start_s, "end_s": end_s}, UTC)["after"]
            assert now["why"] or now["flow_m3h"] > 0
            assert now["automatic"] is None
        assert opened(folder).state() == review.state()


class TestUndo:
    def test_undo_and_redo_go_through_all_changes_and_back(self, folder: Path) -> None:
        review = opened(folder)
        shown = [review.state()["windows"]]
        for change in (CUT, REJECT, GIVE, NEW):
            review.change(change, UTC)
            shown.append(review.state()["windows"])
        for i in (3, 2, 1, 0):
            review.undo(UTC)
            assert review.state()["windows"] == shown[i]
        assert review.state()["undo"] is None
        assert review.visit.state.placements == review.visit.state.given
        with pytest.raises(NotNow, match="nothing is left to undo"):
            review.undo(UTC)
        for i in (1, 2, 3, 4):
            review.redo(UTC)
            assert review.state()["windows"] == shown[i]
        with pytest.raises(NotNow, match="nothing is left to redo"):
            review.redo(UTC)

    def test_undo_says_before_and_after_and_what_comes_next(self, folder: Path) -> None:
        review = opened(folder)
        done = review.change(CUT, UTC)
        review.change(REJECT, UTC)
        assert review.state()["undo"] == {"do": "reject", "ids": ["01:2.2"]}
        review.undo(UTC)
        back = review.undo(UTC)
        assert (back["before"], back["after"]) == (done["after"], done["before"])
        assert (review.state()["undo"], review.state()["redo"]) == (None, {"do": "cut", "ids": ["01:3.1"]})

    def test_after_another_change_nothing_can_be_made_again(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        review.undo(UTC)
        review.change(REJECT, UTC)
        assert review.state()["redo"] is None
        with pytest.raises(NotNow, match="redo"):
            review.redo(UTC)
        with pytest.raises(NotNow, match="redo"):
            opened(folder).redo(UTC)

    def test_all_of_it_stands_after_a_restart_at_any_point(self, folder: Path) -> None:
        review = opened(folder)
        steps: list[Callable[[Review], object]] = [
            lambda r: r.change(CUT, UTC),
            lambda r: r.change({"do": "split", "id": "01:3.1", "at_s": 115.0}, UTC),
            lambda r: r.undo(LATER),
            lambda r: r.change({"do": "note", "id": "01:3.1", "text": "n"}, LATER),
            lambda r: r.undo(LATER),
            lambda r: r.redo(LATER),
            lambda r: r.change(NEW, LATER),
        ]
        for step in steps:
            step(review)
            again = opened(folder)
            assert again.state() == review.state()
            assert again.visit.state == review.visit.state
            review = again


class TestARestartOfTheBoard:
    """One trace of two runs of the board: numbers of the second are not the first's, and no window has both."""

    @pytest.fixture
    def review(self, folder: Path) -> Review:
        (folder / "traces" / "03.trace").write_bytes(
            reviewed_visit.trace_bytes("01") + reviewed_visit.trace_bytes("02")
        )
        return opened(folder)

    def test_windows_of_both_runs_are_those_of_readings_and_stand_apart_on_the_axis(self, review: Review) -> None:
        found = table(review.folder, "03")
        shown = {(w["hold"], w["plateau"]): w for w in windows(review).values() if w["trace"] == "03"}
        assert {place: w["flow_m3h"] for place, w in shown.items()} == {
            (r["hold"], r["plateau"]): r.get("flow_m3h") for r in found.readings + found.refused
        }
        pieces = [p for p in review.state()["axis"]["pieces"] if p["trace"] == "03"]
        assert [p["boot"] for p in pieces] == [1, 2]
        for window in shown.values():
            places = [window[key] + window["x_shift_s"] for key in ("start_s", "end_s")]
            assert any(p["x0"] <= places[0] < places[1] <= p["x1"] for p in pieces)

    def test_cuts_and_edges_by_the_shown_numbers_are_exact_there_too(self, review: Review) -> None:
        last = [w for w in windows(review).values() if w["trace"] == "03" and w["flow_m3h"]][-1]
        middle_s = (last["start_s"] + last["end_s"]) / 2
        (now,) = review.change({"do": "cut", "id": last["id"], "start_s": middle_s, "end_s": middle_s + 1.0}, UTC)[
            "after"
        ]
        (cut,) = now["cuts"]
        assert (cut["start_s"], cut["end_s"]) == pytest.approx((middle_s, middle_s + 1.0), abs=2e-6)
        (back,) = review.change({"do": "uncut", "id": last["id"], **{k: cut[k] for k in ("start_s", "end_s")}}, UTC)[
            "after"
        ]
        assert back == last
        ends = {"start_s": last["start_s"], "end_s": last["end_s"]}
        with pytest.raises(UsageError, match="changes nothing"):
            review.change({"do": "edges", "id": last["id"], **ends}, UTC)

    def test_nothing_goes_from_one_run_into_the_other(self, review: Review) -> None:
        first, second = (p for p in review.state()["axis"]["pieces"] if p["trace"] == "03")
        end_s, begin_s = first["x1"] - first["shift_s"], second["x0"] - second["shift_s"]
        with pytest.raises(UsageError, match="beyond the samples of boot 1"):
            review.change({"do": "new", "trace": "03", "start_s": end_s - 2.0, "end_s": begin_s + 3.0}, UTC)
        mine = [w for w in windows(review).values() if w["trace"] == "03"]
        ids = [next(w["id"] for w in group if w["flow_m3h"]) for group in (mine, mine[::-1])]
        with pytest.raises(UsageError, match="one run of the board"):
            review.change({"do": "merge", "id": ids[0], "with": ids[1]}, UTC)
        (new,) = review.change({"do": "new", "trace": "03", "start_s": begin_s + 0.5, "end_s": begin_s + 5.0}, UTC)[
            "after"
        ]
        assert (new["start_s"], new["end_s"]) == pytest.approx((begin_s + 0.5, begin_s + 5.0), abs=2e-6)
