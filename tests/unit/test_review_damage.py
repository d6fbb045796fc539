"""The review of a visit whose traces or journal are damaged, before it is opened or meanwhile.

Contract: visits are those of `reviewed_visit`, of the second generator; what a window must say is what `readings`
finds in the same bytes by the other way. Damage is done to real files.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

import reviewed_visit
from hoodtrace.dwelling.journal import JOURNAL, TORN, append, entries
from hoodtrace.dwelling.review import Review
from hoodtrace.errors import TraceError, VisitError
from reviewed_visit import (
    CUT,
    GIVE,
    REJECT,
    UTC,
    flows,
    made,
    opened,
    row_of,
    run,
    windows,
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


def delete(path: Path) -> None:
    path.unlink()


def truncate(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def change_a_byte(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"x")


def make_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


DAMAGE = [delete, truncate, empty, change_a_byte, grow, make_a_folder]


class TestTraces:
    @pytest.mark.parametrize("damage", DAMAGE)
    @pytest.mark.parametrize("when", ["before", "while open"])
    def test_one_that_is_damaged_is_named_keeps_its_numbers_takes_no_change_and_the_rest_goes_on(
        self, tmp_path: Path, damage: Callable[[Path], None], when: str
    ) -> None:
        folder = made(tmp_path / "v", "01", "02")
        review = opened(folder)
        review.change(CUT, UTC)
        true = windows(review)
        damage(folder / "traces" / "01.trace")
        if when == "before":
            review = opened(folder)
        (problem,) = review.problems()
        assert problem["where"] == "traces/01.trace"
        assert problem["text"].startswith(f"{folder / 'traces' / '01.trace'}: ")
        shown = windows(review)
        for name in ("01:1.1", "01:2.2", "01:3.1"):
            assert (shown[name]["editable"], shown[name]["terminal"]) == (False, true[name]["terminal"])
            for key in ("flow_m3h", "u_flow_m3h", "expanded_m3h", "start_s", "end_s", "verdict", "by"):
                assert shown[name][key] == true[name][key], (name, key)
        assert shown["01:3.1"]["cuts"] == true["01:3.1"]["cuts"]
        before = (folder / JOURNAL).read_bytes()
        # Once the path, once why.
        with pytest.raises(TraceError, match=r"^(?!.*01\.trace.*01\.trace)"):
            review.change({"do": "cut", "id": "01:3.1", "start_s": 117.0, "end_s": 118.0}, UTC)
        with pytest.raises(TraceError):
            review.preview({"do": "note", "id": "01:1.1", "text": "n"})
        assert (folder / JOURNAL).read_bytes() == before
        review.change({"do": "reject", "id": "02:2.1", "why": "door"}, UTC)
        review.why("02:2.1")
        review.undo(UTC)
        # What was chosen in it before can still be taken back.
        review.undo(UTC)
        assert windows(review)["01:3.1"]["flow_m3h"] == true["01:3.1"]["automatic"]["flow_m3h"]

    @pytest.mark.parametrize("begun", [True, False])
    def test_one_that_the_journal_never_named_is_missed_too(self, tmp_path: Path, begun: bool) -> None:
        folder = made(tmp_path / "v", begun=begun)
        if begun:
            (folder / "traces" / "02.trace").write_bytes(reviewed_visit.trace_bytes("02"))
        name = "02" if begun else "01"
        review = opened(folder)
        review.change({"do": "cut", "id": f"{name}:3.1", "start_s": 70.0 if begun else 112.0,
                       "end_s": 71.0 if begun else 113.0}, UTC)  # fmt: skip
        true = windows(review)[f"{name}:3.1"]
        (folder / "traces" / f"{name}.trace").unlink()
        again = opened(folder)
        assert "is not there" in again.problems()[0]["text"]
        shown = windows(again)[f"{name}:3.1"]
        for key in ("start_s", "end_s", "hold_start_s", "hold_end_s", "cuts", "flow_m3h"):
            assert shown[key] == true[key], key
        with pytest.raises(TraceError, match="is not there"):
            again.why(f"{name}:3.1")
        with pytest.raises(TraceError, match="is not there"):
            again.change({"do": "automatic", "id": f"{name}:3.1"}, UTC)

    def test_put_back_all_is_well_again(self, folder: Path) -> None:
        trace = folder / "traces" / "01.trace"
        review = opened(folder)
        trace.rename(trace.with_suffix(".away"))
        assert review.problems()
        trace.with_suffix(".away").rename(trace)
        assert review.problems() == []
        review.change(CUT, UTC)

    def test_put_back_as_a_copy_all_is_well_again_and_other_bytes_are_not(self, folder: Path) -> None:
        trace = folder / "traces" / "01.trace"
        review, content = opened(folder), trace.read_bytes()
        for wrong, said in ((content[:-1] + b"x", "was changed since"), (content, "")):
            trace.unlink()
            assert "is gone" in review.problems()[0]["text"]
            trace.write_bytes(wrong)
            for _ in range(2):  # the second time nothing is read again
                assert [one["text"].partition(said)[1] for one in review.problems()] == ([said] if said else [])
        review.change(CUT, UTC)

    def test_one_that_still_grows_can_be_reviewed_as_far_as_it_was_read(self, tmp_path: Path) -> None:
        folder = made(tmp_path / "v", closed=False)
        review = opened(folder)
        with (folder / "traces" / "01.trace").open("ab") as file:
            file.write(b"S 0000000 00000000000000 0")
        (said,) = review.problems()
        assert "still being recorded" in said["text"]
        review.change(CUT, UTC)

    def test_readings_says_where_choices_are_of_another_trace(self, folder: Path) -> None:
        opened(folder).change(CUT, UTC)
        change_a_byte(folder / "traces" / "01.trace")
        said, note = run("readings", folder / "traces/01.trace", "--hood", folder / "hood.toml", "--format", "json")
        assert "of another trace than this one" in note
        assert all("chosen_by" not in row for row in json.loads(said)["readings"])


def damaged(folder: Path, number: int) -> None:
    """Change one letter of a line of the journal in place."""
    path = folder / JOURNAL
    lines = path.read_bytes().split(b"\n")
    lines[number - 1] = lines[number - 1].replace(b'"utc"', b'"utd"', 1)
    path.write_bytes(b"\n".join(lines))


class TestTheJournal:
    def line_of(self, folder: Path, kind: str) -> int:
        return next(i for i, entry in enumerate(entries(folder), 1) if entry["kind"] == kind)

    def test_a_damaged_line_found_at_the_start_is_named_and_the_rest_stands(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        review.change(REJECT, UTC)
        number = self.line_of(folder, "review")
        damaged(folder, number)
        again = opened(folder)
        assert [p["text"] for p in again.problems()] == [f"line {number} is damaged: what it said is not known"]
        assert (windows(again)["01:3.1"]["by"], windows(again)["01:2.2"]["state"]) == ("automatic", "rejected")
        again.change(GIVE, UTC)
        assert flows(opened(folder).visit, "S1") == flows(again.visit, "S1")
        assert opened(folder).state() == again.state()
        said, note = run("readings", folder / "traces/01.trace", "--hood", folder / "hood.toml", "--format", "json")
        assert f"line {number} is damaged" in note
        assert row_of(json.loads(said), 2, 2)["why"] == "rejected: smoke"

    def test_a_damaged_line_of_a_reading_takes_that_reading_away_and_says_so(self, folder: Path) -> None:
        damaged(folder, self.line_of(folder, "reading"))
        review = opened(folder)
        assert "is damaged" in review.problems()[0]["text"]
        assert flows(review.visit, "S1") == []
        assert windows(review)["01:1.1"]["terminal"] is None
        assert flows(review.visit, "E1") == [windows(review)["01:3.1"]["flow_m3h"]]

    def test_a_line_damaged_while_it_is_open_is_said_and_what_was_known_stands(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        true = windows(review)
        number = self.line_of(folder, "review")
        damaged(folder, number)
        assert [p["where"] for p in review.problems()] == [JOURNAL]
        assert f"line {number} is damaged" in review.problems()[0]["text"]
        assert windows(review) == true
        review.change(REJECT, UTC)
        assert windows(opened(folder))["01:2.2"]["state"] == "rejected"

    def test_an_undo_of_a_damaged_line_takes_nothing_else_back(self, folder: Path) -> None:
        review = opened(folder)
        for change in (CUT, REJECT):
            review.change(change, UTC)
        review.undo(UTC)
        number = len(entries(folder)) - 1
        damaged(folder, number)
        again = opened(folder)
        assert [p["text"].split(":")[0] for p in again.problems()] == [
            f"line {number} is damaged",
            f"line {number + 1} has a right checksum, but says nothing that this program understands",
        ]
        assert (windows(again)["01:3.1"]["by"], windows(again)["01:2.2"]["state"]) == ("person", "reading")

    def test_a_line_that_says_nothing_is_named_and_stays_named(self, folder: Path) -> None:
        append(folder, {"kind": "review", "utc": UTC, "change": {"do": "cut"}, "windows": [{"id": "01:1.1"}]})
        number = len(entries(folder))
        review = opened(folder)
        text = f"line {number} has a right checksum, but says nothing that this program understands"
        assert [p["text"] for p in review.problems()] == [text]
        other = opened(folder)
        other.change(CUT, UTC)
        assert [p["text"] for p in review.problems()] == [text]
        assert review.state()["windows"] == other.state()["windows"]
        review.undo(UTC)

    def test_a_torn_last_line_is_put_aside_and_said(self, folder: Path) -> None:
        opened(folder).change(CUT, UTC)
        whole = (folder / JOURNAL).read_bytes()
        os.truncate(folder / JOURNAL, len(whole) - 40)
        review = opened(folder)
        assert "cut off by a loss of power" in review.problems()[-1]["text"]
        assert windows(review)["01:3.1"]["by"] == "automatic"
        assert (folder / TORN).read_bytes().rstrip(b"\n") == whole.splitlines()[-1][: len(whole.splitlines()[-1]) - 39]
        review.change(CUT, UTC)
        assert [p["where"] for p in opened(folder).problems()] == []

    def test_gone_while_it_is_open_is_said_and_nothing_is_written_until_it_is_back(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        true, whole = windows(review), (folder / JOURNAL).read_bytes()
        (folder / JOURNAL).unlink()
        assert "is gone" in review.problems()[0]["text"]
        assert windows(review) == true
        for step in (lambda: review.change(REJECT, UTC), lambda: review.undo(UTC)):
            with pytest.raises(VisitError, match="is gone"):
                step()
        assert not (folder / JOURNAL).exists()
        (folder / JOURNAL).write_bytes(whole)
        assert review.problems() == []
        review.change(REJECT, UTC)

    def test_an_older_one_in_its_place_is_said_and_nothing_is_written(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        whole = (folder / JOURNAL).read_bytes()
        short = b"".join(whole.splitlines(keepends=True)[:-1])
        (folder / JOURNAL).write_bytes(short)
        assert "shorter than it was" in review.problems()[0]["text"]
        with pytest.raises(VisitError, match="shorter"):
            review.change(REJECT, UTC)
        assert (folder / JOURNAL).read_bytes() == short
        assert windows(review)["01:3.1"]["by"] == "person"

    def test_cut_off_in_a_line_while_it_is_open_is_said_and_what_was_left_is_kept(self, folder: Path) -> None:
        review = opened(folder)
        review.change(CUT, UTC)
        whole = (folder / JOURNAL).read_bytes()
        os.truncate(folder / JOURNAL, len(whole) - 40)
        assert "shorter than it was" in review.problems()[0]["text"]
        assert windows(review)["01:3.1"]["by"] == "person"
        with pytest.raises(VisitError, match="shorter"):
            review.change(REJECT, UTC)
        assert whole.startswith((folder / JOURNAL).read_bytes() + (folder / TORN).read_bytes().rstrip(b"\n"))

    def test_that_is_no_journal_at_all_is_a_clear_refusal(self, folder: Path) -> None:
        (folder / JOURNAL).write_bytes(b"\x00\xff\r\n\r\n")
        assert opened(folder).problems()[0]["where"] == JOURNAL
        (folder / JOURNAL).unlink()
        (folder / JOURNAL).mkdir()
        with pytest.raises(VisitError, match="is no file"):
            Review(folder)
