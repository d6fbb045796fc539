"""What is shown: the one sentence for each moment, rows with the numbers of the journal, cautions where they matter."""

from __future__ import annotations

from pathlib import Path

import pytest

from hoodtrace.dwelling.begin import follow_up, make_folder
from hoodtrace.dwelling.plan import copied, read_plan
from hoodtrace.dwelling.screen import Live
from hoodtrace.dwelling.show import screen
from hoodtrace.dwelling.visit import Visit
from hoodtrace.errors import UsageError
from unit.test_visit import PLAN, UTC, answer, answer_all, made, reading


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    begun = made(tmp_path / "v")
    begun.decide({"do": "begin"}, UTC)
    return begun


@pytest.mark.parametrize(
    ("state", "key"),
    [
        ("free", "do.go"),
        ("carried", "do.go"),
        ("seated", "do.hold"),
        ("settling", "do.hold"),
        ("gust", "do.hold"),
        ("steady", "do.hold"),
        ("turning", "do.hold"),
        ("done", "do.lift"),
        ("lifted", "do.go"),
        ("again", "do.again"),
        ("no board", "do.no_board"),
        ("by hand", "do.by_hand"),
    ],
)
def test_the_sentence_follows_the_hood(visit: Visit, state: str, key: str) -> None:
    answer_all(visit)
    say = screen(visit, Live(state=state)).sentence
    assert say.key == key
    assert (say.values["terminal"], say.values["room"]) == ("S1", "Living room")


def test_with_the_hood_on_the_hold_has_the_word_whatever_comes_after_it(visit: Visit) -> None:
    shown = screen(visit, Live(state="done", terminal="S1"))
    assert shown.mode == "question"
    assert (shown.sentence.key, shown.sentence.values["terminal"]) == ("do.lift", "S1")
    visit.decide({"do": "alarm"}, UTC)
    assert screen(visit, Live(state="done", terminal="S1")).sentence.key == "do.stopped"


def test_questions_come_with_the_cautions_that_belong_to_them(visit: Visit) -> None:
    shown = screen(visit, Live())
    assert (shown.mode, shown.sentence.key) == ("question", "question.open_flue")
    assert "caution.flue_stop" in [say.key for say in shown.cautions]
    answer(visit, "yes")
    assert "caution.flue_no_closing" in [say.key for say in screen(visit, Live()).cautions]
    answer(visit)
    assert {"caution.ladder", "caution.cable", "caution.isolate", "caution.dust", "caution.asbestos"} <= {
        say.key for say in screen(visit, Live()).cautions
    }


def test_an_open_flue_and_a_height_bring_their_caution_at_the_terminal(tmp_path: Path) -> None:
    visit = made(tmp_path / "v", PLAN.replace('direction = "supply"\n', 'direction = "supply"\nheight_m = 2.8\n', 1))
    visit.decide({"do": "begin"}, UTC)
    answer(visit, "unknown")
    answer_all(visit)
    assert {say.key for say in screen(visit, Live()).cautions} == {"caution.ladder_second", "caution.flue_stop"}
    reading(visit)
    reading(visit)
    assert [say.key for say in screen(visit, Live()).cautions] == ["caution.flue_stop"]


def test_rows_and_the_confirming_sentence_have_the_numbers_of_the_journal(visit: Visit) -> None:
    answer_all(visit)
    reading(visit, 41.0)
    shown = screen(visit, Live(state="free"))
    row = shown.rows[0]
    assert (row.flow_m3h, row.expanded_m3h, row.n_placements, row.state) == (41.0, 2.0, 1, "now")
    assert shown.last is not None
    assert (shown.last.key, shown.last.values["result_m3h"]) == ("last.reading", 41.0)
    assert shown.sentence.key == "do.go_again"
    reading(visit, 42.0)
    shown = screen(visit, Live())
    assert shown.rows[0].flow_m3h == pytest.approx(41.5)
    assert shown.last is not None
    assert shown.last.key == "last.pooled"
    assert shown.rows[3].state == "left out"
    assert shown.rows[3].why == "behind a wardrobe"
    assert shown.following is not None
    assert shown.following.id == "E1"


def test_two_placements_share_the_hoods_part_and_not_the_airs(visit: Visit) -> None:
    answer_all(visit)
    terms = [["fluctuation of the air", 0.8, None, "reading"], ["k-factor", 0.6, None, "hood"]]
    for flow in (41.0, 41.2):
        reading(visit, flow, terms=terms, u_flow_m3h=1.0, u_random_m3h=0.8, expanded_m3h=1.96)
    row = screen(visit, Live()).rows[0]
    # GUM 5.2.2: sqrt(0.8^2 / 2 + 0.6^2), and 1.959964 of the normal distribution.
    assert row.expanded_m3h == pytest.approx(1.959964 * (0.8**2 / 2 + 0.6**2) ** 0.5, rel=1e-6)


def test_a_target_is_guided_in_words(visit: Visit) -> None:
    answer_all(visit)
    visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0}, UTC)
    assert screen(visit, Live(state="carried")).sentence.key == "do.go_turn"
    shown = screen(visit, Live(state="steady", turn="near less"))
    assert (shown.mode, shown.sentence.key, shown.target_m3h) == ("turn", "turn.near_less", (35.0, 33.25, 36.75))


@pytest.mark.parametrize("stop", ["open", "shut"])
def test_a_stop_is_said_in_words_and_no_flow_is_aimed_at(visit: Visit, stop: str) -> None:
    answer_all(visit)
    visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0, "until": stop}, UTC)
    said = {
        "do.go": [Live(state="free"), Live(state="carried")],
        "do.hold": [Live(state="seated"), Live(state="turning", terminal="S1"), Live(state="steady", terminal="S1")],
        "do.by_hand": [Live(state="by hand")],
    }
    for key, lives in said.items():
        for live in lives:
            shown = screen(visit, live)
            assert (shown.mode, shown.sentence.key, shown.target_m3h) == ("turn", f"{key}_{stop}", None)
            assert not [name for name in shown.sentence.values if name.endswith("_m3h")]
    assert screen(visit, Live(state="done", terminal="S1")).sentence.key == "do.lift"
    # The hood is still on another one: that is held as always.
    assert screen(visit, Live(state="steady", terminal="S2")).sentence.key == "do.hold"


def test_an_alarm_is_the_only_thing_shown(visit: Visit) -> None:
    visit.decide({"do": "alarm"}, UTC)
    shown = screen(visit, Live())
    assert (shown.mode, shown.sentence.key) == ("stopped", "do.stopped")


class TestFollowUp:
    @pytest.fixture
    def old(self, visit: Visit) -> Visit:
        answer_all(visit)
        for flow in (40.0, 40.0, 20.0, 50.0):
            reading(visit, flow)
        return visit

    def begun(self, old: Visit, folder: Path) -> Visit:
        make_folder(folder, copied(read_plan(old.folder / "visit.toml")), old.folder / "hood.toml")
        new = Visit(folder)
        new.decide({"do": "begin", "follow_up": follow_up(old, folder / "hood.toml")}, UTC)
        answer_all(new)
        return new

    def test_reads_references_of_both_sides_first_and_says_what_moved(self, old: Visit, tmp_path: Path) -> None:
        new = self.begun(old, tmp_path / "new")
        found = {}
        while (step := new.step()).stage == "reference":
            reading(new, {"S1": 44.0, "S2": 20.1, "E1": 50.2}[step.terminal])
            last = screen(new, Live()).last
            assert last is not None
            found[step.terminal] = last.key
        assert found == {"S1": "last.moved", "S2": "last.same", "E1": "last.same"}
        assert (new.step().terminal, new.step().stage) == ("S1", "round")

    def test_another_hood_brings_its_own_part_into_the_comparison(self, old: Visit, tmp_path: Path) -> None:
        # The k-factor of 0.95 in 40 m3/h, twice: 1.96 * sqrt(2) * 0.95 = 2.63, over the 2 of this change.
        (tmp_path / "other").mkdir()
        text = (old.folder / "hood.toml").read_text().replace("demo pipe hood", "another hood")
        (tmp_path / "other" / "hood.toml").write_text(text)
        folder = tmp_path / "new"
        make_folder(folder, old.plan, tmp_path / "other" / "hood.toml")
        new = Visit(folder)
        new.decide({"do": "begin", "follow_up": follow_up(old, folder / "hood.toml")}, UTC)
        answer_all(new)
        assert new.step().terminal == "S1"
        reading(new, 42.0)
        last = screen(new, Live()).last
        assert last is not None
        assert last.key == "last.same"

    def test_without_a_reading_there_is_nothing_to_follow_up(self, visit: Visit, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="no reading"):
            follow_up(visit, visit.folder / "hood.toml")
