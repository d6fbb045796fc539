"""What a chosen window gives: flags, one placement once, the flow that it is of, and a hood file that was changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.dwelling.plan import read_plan
from hoodtrace.dwelling.reckoned import BEYOND, CHOSEN, _epoch
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.state import State, fold
from hoodtrace.dwelling.window import OTHER_WAY
from hoodtrace.errors import UsageError, VisitError
from reviewed_visit import UTC, flows, made, opened, windows
from worlds.second import Hood, hood_toml


@pytest.fixture
def review(tmp_path: Path) -> Review:
    return opened(made(tmp_path / "v"))


def edges(review: Review, name: str, start_by_s: float, end_by_s: float) -> dict[str, object]:
    """The window with its edges moved by so much."""
    w = windows(review)[name]
    change = {"do": "edges", "id": name, "start_s": w["start_s"] + start_by_s, "end_s": w["end_s"] + end_by_s}
    (after,) = review.change(change, UTC)["after"]
    return after


def test_a_stretch_that_a_person_chose_is_flagged_and_the_automatic_one_is_not(review: Review) -> None:
    assert CHOSEN not in windows(review)["01:3.1"]["flags"]
    inside = edges(review, "01:3.1", 1.0, -1.0)
    assert CHOSEN in inside["flags"]
    assert BEYOND not in inside["flags"]
    back = edges(review, "01:3.1", -1.0, 1.0)
    assert (back["by"], CHOSEN in back["flags"]) == ("automatic", False)


def test_air_outside_what_was_found_is_flagged(review: Review) -> None:
    beyond = edges(review, "01:3.1", 0.0, 0.4)
    assert {CHOSEN, BEYOND} <= set(beyond["flags"])
    (new,) = review.change({"do": "new", "trace": "01", "start_s": 90.0, "end_s": 95.0}, UTC)["after"]
    assert {CHOSEN, BEYOND} <= set(new["flags"])


def test_a_terminal_that_is_given_or_a_rejection_is_no_chosen_stretch(review: Review) -> None:
    (given,) = review.change({"do": "give", "id": "01:3.1", "terminal": "E2"}, UTC)["after"]
    assert (given["by"], CHOSEN in given["flags"]) == ("person", False)


def test_air_that_goes_the_other_way_has_no_verdict(review: Review) -> None:
    (given,) = review.change({"do": "give", "id": "01:3.1", "terminal": "S2"}, UTC)["after"]
    assert OTHER_WAY in given["flags"]
    assert given["verdict"] is None
    assert windows(review)["01:1.1"]["verdict"] is not None


def test_one_placement_counts_once_for_a_terminal(review: Review) -> None:
    """Both windows are readings of one hold; the second is that of S2."""
    give = {"do": "give", "id": "01:2.1", "terminal": "S2"}
    with pytest.raises(UsageError, match=r"01:2.1 and 01:2.2 are of one placement"):
        review.change(give, UTC)
    assert len(flows(review.visit, "S2")) == 1
    review.change({"do": "reject", "id": "01:2.2", "why": "leak"}, UTC)
    review.change(give, UTC)
    with pytest.raises(UsageError, match="one placement"):
        review.change({"do": "restore", "id": "01:2.2"}, UTC)
    review.change({"do": "give", "id": "01:2.1", "terminal": "S1"}, UTC)
    review.change({"do": "restore", "id": "01:2.2"}, UTC)
    assert len(flows(review.visit, "S1")) == 2


def test_the_zero_does_not_hang_on_what_was_dragged_before(review: Review, tmp_path: Path) -> None:
    there = edges(review, "01:3.1", -8.0, 0.0)
    assert there["hold_start_s"] < windows(opened(made(tmp_path / "w")))["01:3.1"]["hold_start_s"]
    again = edges(review, "01:3.1", 9.0, 0.0)
    direct = edges(opened(made(tmp_path / "x")), "01:3.1", 1.0, 0.0)
    same = ("start_s", "end_s", "hold_start_s", "hold_end_s", "flow_m3h", "expanded_m3h")
    assert {key: again[key] for key in same} == {key: direct[key] for key in same}


def test_edges_that_share_nothing_with_the_window_are_refused(review: Review) -> None:
    with pytest.raises(UsageError, match="share nothing"):
        review.change({"do": "edges", "id": "01:3.1", "start_s": 5.0, "end_s": 9.0}, UTC)


def test_with_another_hood_file_nothing_is_changed(tmp_path: Path) -> None:
    folder = made(tmp_path / "v")
    (folder / "hood.toml").write_text(hood_toml(Hood(k=0.5)), encoding="utf-8")
    with pytest.raises(VisitError, match="not the one that the visit began with"):
        opened(folder).change({"do": "note", "id": "01:3.1", "text": "n"}, UTC)


def test_no_journal_and_a_growing_trace_are_said(tmp_path: Path) -> None:
    folder = made(tmp_path / "v", begun=False, closed=False)
    review = opened(folder)
    (none,) = review.problems()
    assert "nothing says which terminal" in none["text"]
    with (folder / "traces" / "01.trace").open("ab") as trace:
        trace.write(b"more\n")
    assert any("still being recorded" in each["text"] for each in review.problems())


def test_a_turn_is_written_after_the_reading_that_it_is_about(tmp_path: Path) -> None:
    """The window of the air before a turn is of the flow before, that of the air after it of the new one."""
    review = opened(made(tmp_path / "v"))
    state, plan = State(), read_plan(review.folder / "visit.toml")
    window = replace(review.windows()["01:3.1"], terminal="S1", trace="traces/01.trace")
    kept: KeptTrace = review.kept(window)
    for start_s, turned in ((50.0, False), (80.0, True)):
        fields = {"kind": "reading", "terminal": "S1", "flow_m3h": 40.0, "u_flow_m3h": 1.0, "after_turn": turned}
        place = {"trace": window.trace, "start_s": start_s, "end_s": start_s + 15.0}
        # The line comes long after the air: what is now is behind the turn.
        fold(state, plan, {**fields, **place, "utc": "2020-01-01T00:00:00+00:00", "setting": "normal"})
    found = [_epoch(window, start_s, kept, state) for start_s in (40.0, 60.0, 79.5, 81.0, 120.0)]
    assert found == [(0, 0), (0, 0), (0, 1), (0, 1), (0, 1)]
