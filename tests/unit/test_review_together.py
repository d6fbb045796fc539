"""The review among others: a second one on the same folder, the visit that goes on, and one that is over.

Contract: visits are those of `reviewed_visit`, of the second generator; what a window must say is what `readings`
finds in the same bytes by the other way.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

import reviewed_visit
from hoodtrace.dwelling.journal import JOURNAL, entries
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.visit import NotNow, Visit
from hoodtrace.errors import TraceError
from reviewed_visit import (
    CUT,
    GIVE,
    LATER,
    REJECT,
    UTC,
    Change,
    flows,
    made,
    opened,
    readings,
    row_of,
    run,
    windows,
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


class TestTwoAtOnce:
    def test_each_sees_what_the_other_did_and_undoes_it_too(self, folder: Path) -> None:
        one, two = opened(folder), opened(folder)
        one.change(CUT, UTC)
        assert two.state() == one.state()
        two.change(REJECT, UTC)
        assert one.version == two.version
        one.undo(UTC)
        one.undo(UTC)
        assert two.state() == one.state()
        assert two.state()["redo"] == {"do": "cut", "ids": ["01:3.1"]}

    @pytest.mark.parametrize("what", ["change", "undo", "redo"])
    def test_a_change_made_on_an_old_view_is_refused_and_leaves_no_line(self, folder: Path, what: str) -> None:
        one, two = opened(folder), opened(folder)
        one.change(CUT, UTC)
        seen = two.version
        two.undo(UTC)
        before = (folder / JOURNAL).read_bytes()
        step = {
            "change": lambda: one.change(REJECT, UTC, version=seen),
            "undo": lambda: one.undo(UTC, version=seen),
            "redo": lambda: one.redo(UTC, version=seen),
        }[what]
        with pytest.raises(NotNow, match="meanwhile"):
            step()
        assert (folder / JOURNAL).read_bytes() == before

    def test_lines_that_nobody_decided_make_no_view_old(self, folder: Path) -> None:
        one, seen = opened(folder), opened(folder).version
        Visit(folder).decide({"do": "trace opened", "trace": "traces/02.trace"}, UTC)
        one.change(CUT, UTC, version=seen)

    def test_undo_takes_back_what_was_looked_at_even_if_somebody_decides_in_that_moment(self, folder: Path) -> None:
        other = opened(folder)

        class Slow(Review):
            def _shown(self, ids: tuple[str, ...]) -> list[dict[str, Any]]:
                if not self.is_late:
                    self.is_late = True
                    other.change(REJECT, UTC)
                return super()._shown(ids)

            is_late = True

        one = Slow(folder)
        one.load()
        one.change(CUT, UTC)
        one.is_late = False
        with pytest.raises(NotNow, match="meanwhile"):
            one.undo(UTC)
        assert [window["state"] for window in windows(one).values()].count("rejected") == 1

    def test_many_at_the_same_moment_write_one_whole_line_each(self, folder: Path) -> None:
        reviews = [opened(folder), opened(folder)]

        def note(who: int) -> None:
            for i in range(5):
                while True:
                    try:
                        reviews[who % 2].change({"do": "note", "id": "01:3.1", "text": f"{who} {i}"}, UTC)
                        break
                    except NotNow:  # somebody was quicker: look again, then decide
                        pass

        with ThreadPoolExecutor(4) as pool:
            list(pool.map(note, range(4)))
        assert len([entry for entry in entries(folder) if entry["kind"] == "review"]) == 20
        assert sorted(windows(opened(folder))["01:3.1"]["notes"]) == sorted(
            f"{w} {i}" for w in range(4) for i in range(5)
        )
        assert reviews[0].state() == reviews[1].state()

    def test_a_visit_that_goes_on_beside_it_has_its_new_readings_and_terminals_in_it(self, folder: Path) -> None:
        review = opened(folder)
        visit = Visit(folder)
        fields = {"id": "X1", "room": "Loft", "system": "unit", "direction": "supply"}
        visit.decide({"do": "add", "fields": fields}, UTC)
        visit.decide({"do": "repeat"}, UTC)
        assert windows(review)["01:3.1"]["state"] == "taken back"
        review.change({**GIVE, "terminal": "X1"}, UTC)
        visit.refresh()
        assert flows(visit, "X1") == [windows(review)["01:2.1"]["flow_m3h"]]

    def test_a_reading_that_the_visit_takes_back_later_counts_in_neither_and_can_be_given_anew(
        self, folder: Path
    ) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        visit = Visit(folder)
        visit.decide({"do": "repeat"}, UTC)
        shown = windows(review)["01:3.1"]
        assert (shown["given"], shown["terminal"], shown["by"]) == (False, None, "person")
        assert shown["state"] == "taken back"
        assert flows(visit, "E1") == []
        assert row_of(readings(folder), 3, 1)["terminal"] is None
        review.change({"do": "give", "id": "01:3.1", "terminal": "E1"}, UTC)
        visit.refresh()
        assert flows(visit, "E1") == [shown["flow_m3h"]] == [windows(review)["01:3.1"]["flow_m3h"]]

    @pytest.mark.parametrize(
        ("decided", "counts"),
        [
            ({"do": "give", "id": "01:3.1", "terminal": "E2"}, {"E1": 0, "E2": 1}),
            ({"do": "reject", "id": "01:3.1", "why": "smoke"}, {"E1": 0, "E2": 0}),
            ({"do": "cut", "id": "01:3.1", "start_s": 112.0, "end_s": 114.0}, {"E1": 1, "E2": 0}),
        ],
    )
    def test_air_that_was_decided_about_before_the_visit_gave_its_reading_counts_once_at_most(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, decided: Change, counts: dict[str, int]
    ) -> None:
        """The hold of E1 is not given yet when a person decides; a cut alone decides nothing."""
        late = made(tmp_path / "late")
        (line,) = [one for one in entries(late) if one["kind"] == "reading" and one["terminal"] == "E1"]
        early = {place: name for place, name in reviewed_visit.GIVEN["01"].items() if name != "E1"}
        monkeypatch.setitem(reviewed_visit.GIVEN, "01", early)
        reviewed_visit._template.cache_clear()
        folder = made(tmp_path / "v", closed=False)
        reviewed_visit._template.cache_clear()
        review = opened(folder)
        review.change(decided, UTC)
        visit = Visit(folder)
        visit.decide({"do": "go", "terminal": "E1"}, UTC)
        asides = ("kind", "utc", "prev", "crc", "stage", "setting", "by", "weather")
        reading = {key: value for key, value in line.items() if key not in asides}
        visit.decide({"do": "reading", "reading": reading}, UTC)
        assert {name: len(flows(visit, name)) for name in counts} == counts
        assert windows(review)["01:3.1"]["given"] == bool(counts["E2"])

    def test_a_trace_that_comes_later_is_told_apart_from_one_that_is_gone(self, folder: Path) -> None:
        """One review has read it and chose in it; the other was opened before and can't, but goes on."""
        early = opened(folder)
        (folder / "traces" / "02.trace").write_bytes(reviewed_visit.trace_bytes("02"))
        late = opened(folder)
        late.change({"do": "reject", "id": "02:3.1", "why": "door"}, UTC)
        shown = windows(early)["02:3.1"]
        assert (shown["state"], shown["editable"], shown["start_s"]) == (
            "rejected",
            False,
            windows(late)["02:3.1"]["start_s"],
        )
        with pytest.raises(TraceError, match=r"02.trace: has not been read yet: open the review again"):
            early.change({"do": "restore", "id": "02:3.1"}, UTC)
        early.change(CUT, UTC)


class TestWhereTheVisitStands:
    def test_one_that_was_never_begun_begins_with_the_first_change(self, tmp_path: Path) -> None:
        folder = made(tmp_path / "v", begun=False)
        review = opened(folder)
        with pytest.raises(NotNow):
            review.undo(UTC)
        review.preview(GIVE)
        assert not (folder / JOURNAL).exists()
        review.change(GIVE, UTC, version=0)
        assert [entry["kind"] for entry in entries(folder)] == ["begun", "review"]
        assert flows(Visit(folder), "S1") == [windows(opened(folder))["01:2.1"]["flow_m3h"]]
        review.undo(UTC)

    @pytest.mark.parametrize("last", [{"do": "finish", "early": True}, {"do": "alarm"}])
    def test_one_that_is_over_or_was_stopped_can_be_reviewed(self, folder: Path, last: Change) -> None:
        Visit(folder).decide(last, UTC)
        review = opened(folder)
        review.change(CUT, LATER)
        review.undo(LATER)
        review.redo(LATER)
        assert windows(opened(folder))["01:3.1"]["by"] == "person"
        with pytest.raises(NotNow):
            Visit(folder).decide({"do": "enter", "terminal": "S2", "flow_m3h": 20.0}, LATER)

    def test_what_the_visit_asks_next_is_not_moved_by_a_cut(self, folder: Path) -> None:
        before = Visit(folder).step()
        opened(folder).change(CUT, UTC)
        assert Visit(folder).step() == before

    @pytest.mark.parametrize(
        "text", ["a\nb\tc", "<script>alert(1)</script> [bold]&amp;", "\u05e9\u05dc\u05d5\u05dd =1+1", "\u00e4" * 500]
    )
    def test_reasons_and_notes_in_any_letters_come_out_as_text(self, folder: Path, text: str) -> None:
        review = opened(folder)
        review.change({**REJECT, "why": text}, UTC)
        review.change({"do": "note", "id": "01:3.1", "text": text}, UTC)
        one_line = " ".join(text.split())
        assert (windows(opened(folder))["01:2.2"]["why"], windows(review)["01:3.1"]["notes"]) == (one_line, [one_line])
        assert row_of(readings(folder), 2, 2)["why"] == f"rejected: {one_line}"
        for said in (
            run("review", folder, "--list")[0],
            run("readings", folder / "traces/01.trace", "--hood", folder / "hood.toml")[0],
        ):
            assert "".join(one_line.split()) in "".join(said.split())
