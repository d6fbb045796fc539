"""A visit: decisions are on the disk before they count, fit where it stands, and come back after any end."""

from __future__ import annotations

import json
import multiprocessing
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.dwelling.journal import JOURNAL, append, entries
from hoodtrace.dwelling.visit import NotNow, Visit
from hoodtrace.errors import UsageError, VisitError

UTC = "2030-01-01T09:00:00+00:00"
PLAN = """
[site]
name = "Alder Row 7"
open_flued_appliance = "no"
[[system]]
name = "unit"
kind = "heat-recovery"
[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 40.0
[[terminal]]
id = "S2"
room = "Study"
system = "unit"
direction = "supply"
design_m3h = 20.0
[[terminal]]
id = "E1"
room = "Bathroom"
system = "unit"
direction = "extract"
design_m3h = 50.0
damp = true
[[terminal]]
id = "E2"
room = "Loft"
system = "unit"
direction = "extract"
cover = "none"
why_not = "behind a wardrobe"
"""


def made(folder: Path, plan: str = PLAN) -> Visit:
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan, encoding="utf-8")
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    return Visit(folder)


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    begun = made(tmp_path / "v")
    begun.decide({"do": "begin"}, UTC)
    return begun


def answer(visit: Visit, value: object = None) -> None:
    """Answer what is asked now: with `value`, else with the first choice."""
    question = visit.step().question
    assert question is not None
    usual: dict[str, object] = {"choice": question.options[:1] and question.options[0], "text": "a word"}
    if question.kind == "valve":
        usual["valve"] = {"position": "gap 6 mm", "locked": "locked"}
    value = usual.get(question.kind) if value is None else value
    visit.decide({"do": "answer", "question": question.id, "value": value}, UTC)


def answer_all(visit: Visit) -> list[str]:
    asked = []
    while (question := visit.step().question) is not None:
        asked.append(question.id)
        answer(visit)
    return asked


def reading(visit: Visit, flow_m3h: float = 41.0, hold: int | None = None, **more: Any) -> dict[str, Any]:
    """A reading of the hood for the terminal that is measured now, as the guide makes it."""
    fields = {
        "terminal": visit.step(past_doubt=True).terminal,
        "trace": "traces/01.trace",
        "hold": len(visit.state.placements) + len(visit.state.withdrawn) + 1 if hold is None else hold,
        "plateau": 1,
        "direction": visit.terminal(visit.step(past_doubt=True).terminal).direction,
        "flow_m3h": flow_m3h,
        "u_flow_m3h": 1.0,
        "dof": 40.0,
        "expanded_m3h": 2.0,
        "u_random_m3h": 0.3,
        "expanded_random_m3h": 0.6,
        "terms": [["fluctuation of the air", 0.3, 20.0, "reading"], ["k-factor", 0.95, None, "hood"]],
        **more,
    }
    return visit.decide({"do": "reading", "reading": fields}, UTC)


def measured(visit: Visit) -> tuple[str, int, str]:
    step = visit.step()
    return step.terminal, step.placement, step.stage


def test_the_questions_come_once_then_the_terminals_in_walking_order_then_the_leaving(visit: Visit) -> None:
    asked = answer_all(visit)
    assert asked[0] == "open_flue"
    assert {"ladder", "filters", "windows", "inner_doors", "valves", "other_fans", "controls", "zero"} <= set(asked)
    assert {"outdoor_c", "wind", "indoor_c", "fan_setting"} <= set(asked)
    assert measured(visit) == ("S1", 1, "round")
    reading(visit)
    assert measured(visit) == ("S1", 2, "round")  # the repeat placement, at the first terminal only
    reading(visit)
    for terminal in ("S2", "E1"):
        assert measured(visit) == (terminal, 1, "round")
        reading(visit)
    assert measured(visit) == ("S1", 1, "last")
    reading(visit)
    assert answer_all(visit) == ["valve:S1", "valve:S2", "valve:E1", "controls_back", "covers_back", "filters_back"]
    assert visit.step().kind == "finish"
    visit.decide({"do": "finish"}, UTC)
    assert visit.step().kind == "finished"
    with pytest.raises(NotNow, match="finished"):
        visit.decide({"do": "go", "terminal": "S1"}, UTC)


def test_a_visit_that_is_opened_again_at_any_moment_stands_where_it_was(visit: Visit) -> None:
    while visit.step().kind in ("question", "measure"):
        again = Visit(visit.folder)
        assert again.step() == visit.step()
        assert again.state == visit.state
        answer(visit) if visit.step().kind == "question" else reading(visit)


def test_a_line_is_on_the_disk_before_decide_returns(visit: Visit) -> None:
    fields = visit.decide({"do": "answer", "question": "open_flue", "value": "no"}, UTC)
    assert {k: v for k, v in entries(visit.folder)[-1].items() if k not in ("prev", "crc")} == fields


def test_the_same_answer_twice_is_taken_once(visit: Visit) -> None:
    other = Visit(visit.folder)
    visit.decide({"do": "answer", "question": "open_flue", "value": "no"}, UTC)
    with pytest.raises(NotNow):
        other.decide({"do": "answer", "question": "open_flue", "value": "yes"}, UTC)
    assert other.state.answers == {"open_flue": "no"}


def test_a_decision_made_on_an_old_view_is_refused(visit: Visit) -> None:
    answer_all(visit)
    seen = visit.state.n_decisions
    visit.decide({"do": "trace opened", "trace": "traces/01.trace"}, UTC)  # nobody decided that
    visit.decide({"do": "skip", "version": seen}, UTC)
    with pytest.raises(NotNow, match="meanwhile"):
        Visit(visit.folder).decide({"do": "skip", "version": seen}, UTC)
    assert len(visit.state.skipped) == 1


def test_one_hold_is_never_given_twice(visit: Visit) -> None:
    answer_all(visit)
    reading(visit, hold=1)
    with pytest.raises(NotNow, match="already"):
        reading(visit, hold=1)


def test_a_skipped_terminal_comes_again_and_then_its_reason_is_asked(visit: Visit) -> None:
    answer_all(visit)
    visit.decide({"do": "skip"}, UTC)
    order = []
    while visit.step().kind == "measure" and visit.step().terminal != "S1":
        order.append(visit.step().terminal)
        reading(visit)
    assert order == ["S2", "S2", "E1"]
    assert measured(visit)[0] == "S1"
    visit.decide({"do": "skip"}, UTC)
    question = visit.step().question
    assert question is not None
    assert question.id == "why_not:S1"
    answer(visit, "a cupboard stands in front")
    assert visit.state.left_out == {"S1": "a cupboard stands in front"}
    visit.decide({"do": "go", "terminal": "S1"}, UTC)
    assert measured(visit)[0] == "S1"


def test_repeat_takes_the_newest_reading_back_and_measures_there_again(visit: Visit) -> None:
    answer_all(visit)
    reading(visit, 41.0)
    reading(visit, 42.0)
    assert measured(visit)[0] == "S2"
    visit.decide({"do": "repeat"}, UTC)
    assert measured(visit) == ("S1", 2, "round")
    reading(visit, 43.0, hold=9)
    assert [p.flow_m3h for p in visit.state.at("S1", "normal")] == [41.0, 43.0]
    assert [p.flow_m3h for p in visit.state.withdrawn] == [42.0]


def test_a_doubtful_reading_waits_for_an_answer_or_for_the_next_hold(visit: Visit) -> None:
    answer_all(visit)

    def doubtful(hold: int) -> None:
        fields = {"terminal": "S1", "trace": "t", "hold": hold, "flow_m3h": 40.0, "u_flow_m3h": 1.0}
        fields |= {"direction": "extract"}
        visit.decide({"do": "reading", "reading": fields, "doubt": "direction"}, UTC)

    doubtful(1)
    assert visit.step().question is not None
    assert visit.state.placements == []
    # The hands go on meanwhile, to what comes after it; nothing but an answer ends the doubt.
    assert (visit.step(past_doubt=True).terminal, visit.step(past_doubt=True).placement) == ("S1", 2)
    reading(visit, 41.0, hold=2)
    visit.decide({"do": "enter", "terminal": "S2", "flow_m3h": 20.0}, UTC)
    visit.decide({"do": "leave out", "terminal": "S2", "why": "a word"}, UTC)
    assert visit.state.doubt is not None
    answer(visit, "keep")
    assert visit.state.doubt is None
    kept = visit.state.placements[-1]
    assert (kept.terminal, kept.flow_m3h, kept.entry["kept_though"]) == ("S1", 40.0, "direction")


def test_a_doubtful_reading_that_is_taken_back_brings_its_terminal_back(visit: Visit) -> None:
    answer_all(visit)
    fields = {"terminal": "S1", "trace": "t", "hold": 1, "flow_m3h": 40.0, "u_flow_m3h": 1.0, "direction": "extract"}
    visit.decide({"do": "reading", "reading": fields, "doubt": "direction"}, UTC)
    answer(visit, "again")
    assert visit.state.placements == []
    assert measured(visit) == ("S1", 1, "round")


def held(visit: Visit, hold: int, **more: Any) -> str:
    """Call a hold enough, as the guide does, for what is measured now."""
    step = visit.step(past_doubt=True)
    said = {"terminal": step.terminal, "setting": visit.state.setting, "stage": step.stage, "target": None}
    place = {"trace": "t", "boot": 1, "start_us": 1000 * hold, "ended": "precision"}
    visit.decide({"do": "held", "key": f"t 1 {hold}", **said, **place, **more}, UTC)
    return f"t 1 {hold}"


def final(visit: Visit, key: str, flow_m3h: float, hold: int) -> None:
    """The reading of a hold that was called enough before."""
    fields = {"trace": "t", "hold": hold, "direction": "supply", "flow_m3h": flow_m3h, "u_flow_m3h": 1.0}
    visit.decide({"do": "reading", "reading": fields, "key": key}, UTC)


class TestAHoldThatIsEnoughBelongsToItsTerminal:
    @pytest.mark.parametrize(
        "meanwhile",
        [
            {"do": "go", "terminal": "E1"},
            {"do": "skip"},
            {"do": "enter", "terminal": "S2", "flow_m3h": 21.0},
            {"do": "leave out", "terminal": "S2", "why": "a word"},
            {"do": "target", "terminal": "S1", "target_m3h": 30.0},
            {"do": "event", "what": "window"},
            {"do": "finish", "early": True},
            {"do": "alarm"},
        ],
    )
    def test_whatever_is_decided_meanwhile(self, visit: Visit, meanwhile: dict[str, Any]) -> None:
        answer_all(visit)
        key = held(visit, 1)
        visit.decide(meanwhile, UTC)
        final(Visit(visit.folder), key, 40.0, 1)
        again = Visit(visit.folder)
        assert [(p.terminal, p.flow_m3h, p.epoch) for p in again.state.placements if p.entry.get("key")] == [
            ("S1", 40.0, (0, 0))
        ]
        assert not again.state.placements[-1].entry.get("after_turn")

    def test_what_comes_next_does_not_wait_for_it(self, visit: Visit) -> None:
        answer_all(visit)
        first = held(visit, 1)
        assert measured(visit) == ("S1", 2, "round")
        second = held(visit, 2)
        assert measured(visit) == ("S2", 1, "round")
        final(visit, second, 41.0, 2)
        final(visit, first, 40.0, 1)
        assert [p.flow_m3h for p in visit.state.at("S1", "normal")] == [41.0, 40.0]
        with pytest.raises(NotNow):
            final(visit, first, 40.0, 1)

    def test_one_that_gives_no_reading_brings_its_terminal_and_its_target_back(self, visit: Visit) -> None:
        answer_all(visit)
        visit.decide({"do": "target", "terminal": "S2", "target_m3h": 18.0}, UTC)
        key = held(visit, 1, target=[18.0, 17.0, 19.0])
        assert visit.state.target is None
        visit.decide({"do": "lost", "key": key, "why": "not steady"}, UTC)
        assert measured(visit)[0] == "S2"
        assert visit.state.target is not None
        assert visit.state.target.target_m3h == 18.0


class TestAValveIsTurnedToItsStop:
    @pytest.fixture
    def visit(self, visit: Visit) -> Visit:
        answer_all(visit)
        reading(visit, 41.0)
        reading(visit, 41.0)
        return visit

    def test_any_flow_will_do_and_the_line_says_which_stop(self, visit: Visit) -> None:
        line = visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, "until": "open"}, UTC)
        assert (line["kind"], line["target_m3h"], line["until"]) == ("target", 48.0, "open")
        target = Visit(visit.folder).state.target
        assert target is not None
        assert (target.terminal, target.target_m3h, target.until) == ("S1", 48.0, "open")
        assert target.low_m3h < 1.0
        assert target.high_m3h > 1000.0
        assert measured(visit)[0] == "S1"

    def test_a_target_with_a_flow_has_no_such_key(self, visit: Visit) -> None:
        line = visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0}, UTC)
        assert "until" not in line
        assert visit.state.target is not None
        assert visit.state.target.until == ""
        key = held(visit, 1, target=[48.0, 46.0, 50.0], until="")
        assert "until" not in entries(visit.folder)[-1]
        final(visit, key, 48.0, 1)
        assert (visit.state.given[-1].entry["after_turn"], "at_stop" in visit.state.given[-1].entry) == (True, False)

    @pytest.mark.parametrize("stop", ["open", "shut"])
    def test_the_reading_of_its_hold_is_at_that_stop(self, visit: Visit, stop: str) -> None:
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, "until": stop}, UTC)
        key = held(visit, 1, target=[48.0, 0.0, 5000.0], until=stop)
        assert visit.state.target is None
        final(Visit(visit.folder), key, 44.0, 1)
        (found,) = Visit(visit.folder).state.at("S1", "normal")  # of a flow of its own: those before are not pooled
        assert (found.flow_m3h, found.entry["after_turn"], found.entry["at_stop"]) == (44.0, True, stop)

    def test_a_hold_that_gives_no_reading_brings_the_stop_back(self, visit: Visit) -> None:
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, "until": "open"}, UTC)
        target = visit.state.target
        key = held(visit, 1, target=[48.0, 0.0, 5000.0], until="open")
        visit.decide({"do": "lost", "key": key, "why": "not steady"}, UTC)
        assert visit.state.target == target

    def test_a_doubtful_one_that_is_kept_is_at_that_stop_too(self, visit: Visit) -> None:
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, "until": "open"}, UTC)
        key = held(visit, 1, target=[48.0, 0.0, 5000.0], until="open")
        fields = {"trace": "t", "hold": 1, "direction": "extract", "flow_m3h": 44.0, "u_flow_m3h": 1.0}
        visit.decide({"do": "reading", "reading": fields, "key": key, "doubt": "direction"}, UTC)
        answer(visit, "keep")
        last = visit.state.given[-1].entry
        assert (last["after_turn"], last["at_stop"]) == (True, "open")

    def test_no_target_takes_it_away(self, visit: Visit) -> None:
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, "until": "open"}, UTC)
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": None}, UTC)
        assert visit.state.target is None

    @pytest.mark.parametrize(
        "odd", [{"until": "half"}, {"until": "reads"}, {"until": 1}, {"until": "open", "target_m3h": -1.0}]
    )
    def test_other_stops_and_flows_are_refused(self, visit: Visit, odd: dict[str, Any]) -> None:
        n = len(entries(visit.folder))
        with pytest.raises(UsageError):
            visit.decide({"do": "target", "terminal": "S1", "target_m3h": 48.0, **odd}, UTC)
        assert len(entries(visit.folder)) == n

    @pytest.mark.parametrize("flow_m3h", [30.0, 60.0])
    def test_a_damp_room_is_not_shut_whatever_flow_is_expected(self, visit: Visit, flow_m3h: float) -> None:
        asked = {"do": "target", "terminal": "E1", "target_m3h": flow_m3h}
        with pytest.raises(NotNow, match="damp"):
            visit.decide({**asked, "until": "shut"}, UTC)
        visit.decide({**asked, "until": "open"}, UTC)


def test_after_a_change_in_the_house_a_reference_is_read_first(visit: Visit) -> None:
    answer_all(visit)
    reading(visit)
    reading(visit)
    visit.decide({"do": "event", "what": "window"}, UTC)
    assert measured(visit) == ("S1", 1, "check")
    reading(visit)
    assert measured(visit)[0] == "S2"


def test_readings_before_and_after_a_turn_are_not_pooled(visit: Visit) -> None:
    answer_all(visit)
    reading(visit, 41.0)
    reading(visit, 42.0)
    visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0}, UTC)
    assert measured(visit)[0] == "S1"
    reading(visit, 35.5, after_turn=True)
    assert [p.flow_m3h for p in visit.state.at("S1", "normal")] == [35.5]
    assert visit.state.target is None


def test_fan_settings_are_gone_through_with_their_own_terminals(tmp_path: Path) -> None:
    plan = PLAN.replace("damp = true", "damp = true\ndesign_by_setting = {boost = 70.0}", 1)
    plan += '[[setting]]\nname = "normal"\n[[setting]]\nname = "boost"\n'
    visit = made(tmp_path / "v", plan)
    visit.decide({"do": "begin"}, UTC)
    answer_all(visit)
    while visit.step().kind == "measure" and visit.step().stage == "round":
        reading(visit)
    question = visit.step().question
    assert question is not None
    assert question.id == "set:boost"
    answer(visit)
    assert measured(visit) == ("E1", 1, "round")
    reading(visit, 71.0)
    assert [p.flow_m3h for p in visit.state.at("E1", "boost")] == [71.0]


class TestOpenFlue:
    @pytest.fixture
    def visit(self, visit: Visit) -> Visit:
        answer(visit, "unknown")
        asked = answer_all(visit)
        assert asked[0] == "flue_read"
        reading(visit, 41.0)
        reading(visit, 41.0)
        reading(visit, 20.0)
        reading(visit, 50.0)
        return visit

    def test_no_supply_is_closed(self, visit: Visit) -> None:
        with pytest.raises(NotNow, match="open-flued"):
            visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0}, UTC)
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 45.0}, UTC)

    def test_no_extract_is_raised(self, visit: Visit) -> None:
        with pytest.raises(NotNow, match="open-flued"):
            visit.decide({"do": "target", "terminal": "E1", "target_m3h": 51.0}, UTC)

    def test_the_limits_of_a_target_are_as_tight(self, visit: Visit) -> None:
        with pytest.raises(UsageError, match="lowest"):
            visit.decide({"do": "target", "terminal": "S1", "target_m3h": 42.0, "low_m3h": 30.0}, UTC)
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 42.0}, UTC)
        assert visit.state.target is not None
        assert visit.state.target.low_m3h == 41.0  # what it gives now

    @pytest.mark.parametrize("flow_m3h", [10.0, 60.0])
    def test_no_valve_goes_to_the_stop_that_is_forbidden_whatever_flow_is_expected(
        self, visit: Visit, flow_m3h: float
    ) -> None:
        for terminal, stop in (("S1", "shut"), ("E1", "open")):
            with pytest.raises(NotNow, match="open-flued"):
                visit.decide({"do": "target", "terminal": terminal, "target_m3h": flow_m3h, "until": stop}, UTC)
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": flow_m3h, "until": "open"}, UTC)

    def test_a_wrong_answer_can_be_corrected(self, visit: Visit) -> None:
        visit.decide({"do": "correct", "question": "open_flue", "value": "no"}, UTC)
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0}, UTC)
        visit.decide({"do": "correct", "question": "open_flue", "value": "yes"}, UTC)
        with pytest.raises(NotNow, match="open-flued"):
            visit.decide({"do": "target", "terminal": "S1", "target_m3h": 35.0}, UTC)

    def test_a_plan_that_knows_of_one_is_not_overruled(self, tmp_path: Path) -> None:
        known = made(tmp_path / "known", PLAN.replace('open_flued_appliance = "no"', 'open_flued_appliance = "yes"'))
        known.decide({"do": "begin"}, UTC)
        answer(known, "no")
        assert answer_all(known)[0] == "flue_read"


def test_a_damp_room_is_not_throttled_below_its_flow(visit: Visit) -> None:
    answer_all(visit)
    with pytest.raises(NotNow, match="damp"):
        visit.decide({"do": "target", "terminal": "E1", "target_m3h": 49.0}, UTC)
    visit.decide({"do": "target", "terminal": "E1", "target_m3h": 51.0}, UTC)
    assert visit.state.target is not None
    assert visit.state.target.low_m3h == 50.0


def test_a_damp_room_that_gets_too_little_may_be_opened_in_steps(visit: Visit) -> None:
    answer_all(visit)
    visit.decide({"do": "enter", "terminal": "E1", "flow_m3h": 30.0}, UTC)
    visit.decide({"do": "target", "terminal": "E1", "target_m3h": 40.0}, UTC)
    with pytest.raises(NotNow, match="damp"):
        visit.decide({"do": "target", "terminal": "E1", "target_m3h": 29.0}, UTC)


def test_an_alarm_stops_everything_until_it_is_over(visit: Visit) -> None:
    visit.decide({"do": "alarm"}, UTC)
    assert Visit(visit.folder).step().kind == "stopped"
    with pytest.raises(NotNow, match="alarm"):
        visit.decide({"do": "enter", "terminal": "S1", "flow_m3h": 30.0}, UTC)
    visit.decide({"do": "alarm", "over": True}, UTC)
    assert visit.step().kind == "question"


@pytest.mark.parametrize(
    "decision",
    [
        {},
        {"do": "nothing"},
        {"do": "enter", "terminal": "S9", "flow_m3h": 30.0},
        {"do": "enter", "terminal": "S1", "flow_m3h": 0.0},
        {"do": "enter", "terminal": "S1", "flow_m3h": float("nan")},
        {"do": "enter", "terminal": "S1", "flow_m3h": True},
        {"do": "enter", "terminal": "S1", "flow_m3h": 30.0, "u_m3h": -1.0},
        {"do": "enter", "terminal": "S1", "flow_m3h": 30.0, "at_stop": "ajar"},
        {"do": "enter", "terminal": "S1", "flow_m3h": 30.0, "setting": "boost"},
        {"do": "leave out", "terminal": "S1", "why": "  "},
        {"do": "leave out", "terminal": "S1", "why": "x" * 501},
        {"do": "event", "what": "a\x00b"},
        {"do": "event", "what": "door", "system": "other"},
        {"do": "fan", "system": "unit", "ratio": 0.0},
        {"do": "fan", "system": "other", "ratio": 1.0},
        {"do": "fan", "system": "unit", "ratio": 1.0, "side": "left"},
        {"do": "target", "terminal": "S1", "target_m3h": -3.0},
        {"do": "answer", "question": "open_flue", "value": "maybe"},
        {"do": "add", "fields": {"id": "S1", "room": "x", "system": "unit", "direction": "supply"}},
        {"do": "add", "fields": {"id": "S7", "room": "x", "system": "unit"}},
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(visit: Visit, decision: dict[str, Any]) -> None:
    before = (visit.folder / JOURNAL).read_bytes()
    with pytest.raises(UsageError):
        visit.decide(decision, UTC)
    assert (visit.folder / JOURNAL).read_bytes() == before


def test_an_entered_reading_without_uncertainty_takes_five_percent_and_one_at_least(visit: Visit) -> None:
    for flow, u in ((60.0, 3.0), (10.0, 1.0)):
        fields = visit.decide({"do": "enter", "terminal": "S2", "flow_m3h": flow}, UTC)
        assert (fields["u_flow_m3h"], fields["u_stated"]) == (u, False)


def test_a_terminal_found_on_the_spot_is_measured_too(visit: Visit) -> None:
    answer_all(visit)
    fields = {"id": "S3", "room": "Box room", "system": "unit", "direction": "supply"}
    visit.decide({"do": "add", "fields": fields}, UTC)
    assert [t.id for t in Visit(visit.folder).state.terminals(visit.plan)] == ["S1", "S2", "E1", "E2", "S3"]


def test_a_torn_last_line_is_taken_away_and_told(visit: Visit) -> None:
    answer(visit, "no")
    path = visit.folder / JOURNAL
    whole = path.read_bytes()
    for cut in (2, 20, len(whole.splitlines()[-1])):
        path.write_bytes(whole[:-cut])
        again = Visit(visit.folder)
        assert again.torn
        assert again.step().question == Visit(visit.folder).step().question
        assert path.read_bytes() == b"".join(whole.splitlines(keepends=True)[:-1])
        assert (visit.folder / "journal.torn").read_bytes().endswith(again.torn + b"\n")


def test_a_last_line_that_lacks_only_its_line_feed_is_kept(visit: Visit) -> None:
    answer(visit, "no")
    path = visit.folder / JOURNAL
    whole = path.read_bytes()
    path.write_bytes(whole[:-1])
    assert Visit(visit.folder).state.answers == {"open_flue": "no"}
    assert path.read_bytes() == whole


def test_other_line_ends_are_refused_and_nothing_is_taken_away(visit: Visit) -> None:
    answer(visit, "no")
    path = visit.folder / JOURNAL
    spoiled = path.read_bytes().replace(b"\n", b"\r")
    path.write_bytes(spoiled)
    with pytest.raises(VisitError, match="line ends"):
        Visit(visit.folder)
    assert path.read_bytes() == spoiled


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "reading"},
        {"kind": "reading", "terminal": "S1", "flow_m3h": "x", "u_flow_m3h": 1.0},
        {"kind": "reading", "terminal": "S1", "flow_m3h": -4.0, "u_flow_m3h": 1.0},
        {"kind": "reading", "terminal": "S1", "flow_m3h": 10**400, "u_flow_m3h": 1.0},
        {"kind": "answer"},
        {"kind": "doubt"},
        {"kind": "target", "target_m3h": 3.0},
        {"kind": "target", "terminal": "S1", "target_m3h": 3.0, "low_m3h": 0.0, "high_m3h": 9.0, "until": "half"},
        {"kind": "held"},
        {"kind": ["reading"]},
        {"kind": "terminal added", "fields": {}},
    ],
)
def test_a_line_with_a_right_checksum_and_odd_content_is_named(visit: Visit, fields: dict[str, Any]) -> None:
    append(visit.folder, {"utc": UTC, **fields})
    with pytest.raises(VisitError, match="line 2"):
        Visit(visit.folder)


def test_a_changed_plan_is_noticed(visit: Visit) -> None:
    (visit.folder / "visit.toml").write_text(PLAN.replace("40.0", "41.0"), encoding="utf-8")
    with pytest.raises(VisitError, match="does not follow"):
        Visit(visit.folder)


def _enter_many(folder: Path, terminal: str, n: int) -> None:
    visit = Visit(folder)
    for i in range(n):
        visit.decide({"do": "enter", "terminal": terminal, "flow_m3h": 10.0 + i}, UTC)


def test_programs_that_write_at_once_lose_nothing_and_break_nothing(visit: Visit) -> None:
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_enter_many, args=(visit.folder, t, 12)) for t in ("S1", "S2", "E1")]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    visit.refresh()
    flows = sorted((p.terminal, p.flow_m3h) for p in visit.state.placements)
    assert flows == sorted((t, 10.0 + i) for t in ("S1", "S2", "E1") for i in range(12))
    assert [json.loads(line)["kind"] for line in (visit.folder / JOURNAL).read_bytes().splitlines()].count("begun") == 1


def test_a_decision_may_begin_the_visit_only_if_it_is_right(tmp_path: Path) -> None:
    visit = made(tmp_path / "v")
    with pytest.raises(NotNow):
        visit.decide({"do": "event", "what": "door"}, UTC)
    with pytest.raises(UsageError):
        visit.decide({"do": "enter", "terminal": "S9", "flow_m3h": 1.0}, UTC, begins=True)
    assert not Visit(visit.folder).begun
    visit.decide({"do": "enter", "terminal": "S1", "flow_m3h": 30.0}, UTC, begins=True)
    assert [e["kind"] for e in entries(visit.folder)] == ["begun", "reading"]
