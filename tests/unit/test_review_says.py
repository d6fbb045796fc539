"""What is chosen in review is what results, `readings`, `review --list` and `visit --list` say, in every format.

Contract: visits are those of `reviewed_visit`, of the second generator; what a window must say is what `readings`
finds in the same bytes by the other way.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from hoodtrace.cli.app import app
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.visit import Visit
from hoodtrace.errors import UsageError
from reviewed_visit import (
    CUT,
    GIVE,
    NEW,
    REJECT,
    UTC,
    flows,
    made,
    opened,
    readings,
    row_of,
    run,
    table,
    windows,
)
from worlds.second import Hood, hood_toml


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


class TestResults:
    """What a terminal has in the visit follows what is chosen here."""

    def test_a_cut_changes_the_one_reading_and_only_that(self, folder: Path) -> None:
        review = opened(folder)
        given = {t: flows(review.visit, t) for t in ("S1", "S2", "E1")}
        (after,) = review.change(CUT, UTC)["after"]
        found = result(review.visit.state.at("E1", "normal"))
        assert (found.flow_m3h, found.u_flow_m3h, found.expanded_m3h) == (
            after["flow_m3h"],
            after["u_flow_m3h"],
            after["expanded_m3h"],
        )
        assert [flows(review.visit, t) for t in ("S1", "S2")] == [given["S1"], given["S2"]]
        assert flows(Visit(folder), "E1") == [after["flow_m3h"]]

    def test_a_window_given_to_a_terminal_is_pooled_with_what_it_has(self, folder: Path) -> None:
        review = opened(folder)
        one, two = (windows(review)[name] for name in ("01:1.1", "01:2.1"))
        review.change(GIVE, UTC)
        found = result(review.visit.state.at("S1", "normal"))
        assert found.n == 2
        # Two readings with one hood: between both, and the hood's own part can't shrink below the smaller one's.
        assert two["flow_m3h"] < found.flow_m3h < one["flow_m3h"]
        assert result(Visit(folder).state.at("S1", "normal")) == found
        review.change({**GIVE, "terminal": None}, UTC)
        assert flows(review.visit, "S1") == [one["flow_m3h"]]

    def test_a_rejected_one_counts_no_more_and_its_terminal_waits_for_a_reading(self, folder: Path) -> None:
        review = opened(folder)
        (after,) = review.change(REJECT, UTC)["after"]
        assert (after["given"], after["verdict"]) == (False, None)
        assert flows(Visit(folder), "S2") == []
        (row,) = [r for r in json.loads(run("visit", folder, "--list", "--format", "json")[0])["terminals"]
                  if r["id"] == "S2"]  # fmt: skip
        assert (row["flow_m3h"], row["placements"]) == (None, 0)
        review.change({"do": "restore", "id": "01:2.2"}, UTC)
        assert flows(Visit(folder), "S2") == [after["flow_m3h"]]

    def test_moved_from_one_terminal_to_another_it_leaves_the_first(self, folder: Path) -> None:
        review = opened(folder)
        flow = windows(review)["01:1.1"]["flow_m3h"]
        review.change({**GIVE, "id": "01:1.1", "terminal": "S2"}, UTC)
        assert flows(review.visit, "S1") == []
        assert sorted(flows(review.visit, "S2")) == sorted([flow, windows(review)["01:2.2"]["flow_m3h"]])

    def test_merged_windows_are_one_reading_of_the_terminal_that_one_of_them_had(self, folder: Path) -> None:
        review = opened(folder)
        review.change(GIVE, UTC)
        merge = {"do": "merge", "id": "01:2.1", "with": "01:2.2"}
        if windows(review)["01:2.2"]["terminal"] != windows(review)["01:2.1"]["terminal"]:
            with pytest.raises(UsageError, match="of two terminals"):
                review.change(merge, UTC)
            review.change({"do": "give", "id": "01:2.2", "terminal": None}, UTC)
        (after,) = review.change(merge, UTC)["after"]
        # Two levels of the valve are no steady air: the merged one is refused, so it is nobody's reading.
        assert (after["id"], after["state"]) == ("01:2.1", "refused")
        assert len(flows(review.visit, "S1")) == 1
        assert flows(review.visit, "S2") == []

    def test_both_halves_of_a_split_can_be_given(self, folder: Path) -> None:
        review = opened(folder)
        review.change({"do": "split", "id": "01:3.1", "at_s": 114.6}, UTC)
        review.change({"do": "give", "id": "01:3.2", "terminal": "E2"}, UTC)
        halves = windows(review)
        assert flows(review.visit, "E1") == [f for f in [halves["01:3.1"]["flow_m3h"]] if f is not None]
        assert flows(review.visit, "E2") == [f for f in [halves["01:3.2"]["flow_m3h"]] if f is not None]

    def test_a_new_window_is_a_reading_of_its_terminal_until_it_goes(self, folder: Path) -> None:
        review = opened(folder)
        review.change({"do": "reject", "id": "01:3.1", "why": "half of it"}, UTC)
        (now,) = review.change({"do": "new", "trace": "01", "start_s": 108.0, "end_s": 121.0, "terminal": "E2"}, UTC)[
            "after"
        ]
        assert flows(Visit(folder), "E2") == [now["flow_m3h"]]
        review.change({"do": "automatic", "id": now["id"]}, UTC)
        assert flows(Visit(folder), "E2") == []

    def test_a_reading_belongs_to_the_house_as_it_was_then(self, folder: Path) -> None:
        """A window opened between the first and the second hold: what is given later is of another flow."""
        Visit(folder).decide({"do": "event", "what": "a window"}, "2030-01-01T09:00:45.000+00:00")
        review = opened(folder)
        review.change(GIVE, UTC)
        assert flows(review.visit, "S1") == [windows(review)["01:2.1"]["flow_m3h"]]
        review.undo(UTC)
        review.change({**GIVE, "id": "01:1.1", "terminal": "S2"}, UTC)
        assert {p.epoch for p in review.visit.state.placements if p.terminal == "S2"} == {(0, 0)}


class TestAllSayTheSame:
    def test_readings_review_and_visit_in_every_format(self, folder: Path) -> None:
        review = opened(folder)
        for change in (CUT, REJECT, GIVE, {"do": "note", "id": "01:2.1", "text": "valve was shut"}):
            review.change(change, UTC)
        shown = windows(review)
        listed = {w["id"]: w for w in json.loads(run("review", folder, "--list", "--format", "json")[0])["windows"]}
        assert listed == shown
        found = readings(folder)
        trace, hood = folder / "traces/01.trace", folder / "hood.toml"
        rows = list(csv.DictReader(io.StringIO(run("readings", trace, "--hood", hood, "--format", "csv")[0])))
        flat = {f"01:{row['hold']}.{row['plateau']}": row for row in rows}
        automatic = {(r["hold"], r["plateau"]): r for r in table(folder).readings}
        assert flat.keys() == shown.keys()
        for name, window in shown.items():
            place = window["hold"], window["plateau"]
            row = row_of(found, *place)
            by = window["by"] if window["by"] == "person" else None
            assert (row.get("chosen_by"), flat[name]["chosen_by"] or None) == (by, by)
            if by:
                assert row["automatic"] == automatic[place]
                assert float(flat[name]["automatic_m3h"]) == window["automatic"]["flow_m3h"]
                assert row["notes"] == window["notes"]
            if window["state"] == "rejected":
                assert (row["why"], flat[name]["why"], row["estimate_m3h"]) == (
                    "rejected: smoke",
                    "rejected: smoke",
                    window["flow_m3h"],
                )
                continue
            for key in ("flow_m3h", "expanded_m3h", "start_s", "end_s", "used_s", "u_flow_m3h"):
                assert row[key] == window[key] == float(flat[name][key]), (name, key)
        terminals = {r["id"]: r for r in json.loads(run("visit", folder, "--list", "--format", "json")[0])["terminals"]}
        assert terminals["E1"]["flow_m3h"] == shown["01:3.1"]["flow_m3h"]
        assert (terminals["S1"]["placements"], terminals["S2"]["placements"]) == (2, 0)

    def test_the_tables_for_people_have_the_numbers_and_the_mark(self, folder: Path) -> None:
        review = opened(folder)
        done = review.change(CUT, UTC)
        (after,), (before,) = done["after"], done["before"]
        flow, was = f"{after['flow_m3h']:.1f}", f"{before['flow_m3h']:.1f}"
        for said in (
            run("readings", folder / "traces/01.trace", "--hood", folder / "hood.toml")[0],
            run("review", folder, "--list")[0],
        ):
            (line,) = [text for text in said.splitlines() if "3.1" in text and flow in text]
            assert f"{after['expanded_m3h']:.1f}" in line
            assert "chosen by hand (automatic:" in said
            assert was in said[said.index("chosen by hand") :]
        assert flow in run("visit", folder, "--list")[0]

    def test_a_note_is_said_and_damage_with_the_file_that_has_it(self, folder: Path) -> None:
        said, _ = run("review", folder, "--set", "3.1 note=door open", "--set", "3.1 note=again")
        assert [line.strip() for line in said.splitlines() if "note:" in line] == [
            "note: door open",
            "note: door open; note: again",
        ]
        said, _ = run("review", folder, "--undo")
        assert said.splitlines()[-1].strip() == "note: door open"
        journal = folder / "journal.jsonl"
        journal.write_bytes(journal.read_bytes().replace(b"again", b"agian"))
        _, noted = run("review", folder, "--list")
        assert noted.startswith("note: journal.jsonl: line ")

    @pytest.mark.parametrize("port", ["-1", "65536"])
    def test_a_port_that_no_machine_has_is_a_clear_refusal(self, folder: Path, port: str) -> None:
        done = CliRunner().invoke(app, ["review", str(folder), "--no-browser", "--page-port", port])
        assert done.exit_code == 2
        assert "--page-port" in done.output

    def test_automatic_leaves_the_choices_out_whole(self, folder: Path) -> None:
        plain = readings(folder)
        for change in (CUT, REJECT, GIVE, NEW):
            opened(folder).change(change, UTC)
        assert readings(folder, "--automatic") == plain == table(folder).as_json()
        assert readings(folder) != plain

    def test_choices_in_one_trace_are_none_in_another(self, tmp_path: Path) -> None:
        folder = made(tmp_path / "v", "01", "02")
        opened(folder).change({"do": "reject", "id": "02:2.1", "why": "door"}, UTC)
        assert readings(folder) == table(folder).as_json()
        assert row_of(readings(folder, name="02"), 2, 1)["why"] == "rejected: door"

    def test_notes_alone_are_no_choice(self, folder: Path) -> None:
        plain = readings(folder)
        opened(folder).change({"do": "note", "id": "01:3.1", "text": "n"}, UTC)
        assert readings(folder) == plain

    def test_with_another_hood_file_the_choices_are_left_out_and_that_is_said(
        self, folder: Path, tmp_path: Path
    ) -> None:
        other = tmp_path / "other.toml"
        other.write_text(hood_toml(Hood(k_extract=0.9)), encoding="utf-8")
        opened(folder).change(CUT, UTC)
        said, note = run("readings", folder / "traces/01.trace", "--hood", other, "--format", "json")
        assert "1 windows were chosen in review with another hood file or plan: not shown" in note
        assert all("chosen_by" not in row for row in json.loads(said)["readings"])

    def test_a_copy_of_the_trace_elsewhere_has_no_choices(self, folder: Path, tmp_path: Path) -> None:
        opened(folder).change(CUT, UTC)
        copy = tmp_path / "01.trace"
        copy.write_bytes((folder / "traces/01.trace").read_bytes())
        said, note = run("readings", copy, "--hood", folder / "hood.toml", "--format", "json")
        assert (json.loads(said), note) == (readings(folder, "--automatic"), "")

    def test_a_short_choice_is_no_touch_of_the_hands(self, folder: Path) -> None:
        opened(folder).change({**NEW, "start_s": 90.0, "end_s": 92.0}, UTC)
        said, _ = run("readings", folder / "traces/01.trace", "--hood", folder / "hood.toml")
        assert "chosen by hand (automatic: none was found)" in said

    def test_a_hood_file_that_was_changed_is_named(self, folder: Path) -> None:
        (folder / "hood.toml").write_text(hood_toml(Hood(k_extract=0.9)), encoding="utf-8")
        (problem,) = opened(folder).problems()
        assert problem["where"] == JOURNAL
        assert "line 1 does not follow" in problem["text"]
