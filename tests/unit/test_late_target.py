"""A target that is asked for while the hood is on: which air counts for which reading, without a board.

The bytes are the second generator's, fed to the guide a second at a time; what people decide comes at a time of the
trace. Every check value is that generator's truth, or what was decided.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hoodtrace.averaging.table import readings_of
from hoodtrace.board.given import chosen_of, recover
from hoodtrace.board.guide import Guide
from hoodtrace.board.recorder import Status
from hoodtrace.dwelling.journal import entries
from hoodtrace.dwelling.visit import Visit
from hoodtrace.physics.hood import read_hood
from hoodtrace.wire.decoder import Decoder
from reviewed_visit import PLAN, UTC
from worlds.second import Fluctuation, Free, Hold, Plateau, hood_toml, make_trace
from worlds.second import visit as scenes
from worlds.second_hood import Hood

BLOCK = 3000
"""Bytes of about a second, as the desk gives them."""
SEED = 20300107
CALM, ROUGH = Fluctuation("ou", 0.05, 0.4), Fluctuation("ou", 0.15, 0.4)
"""A hold in calm air is enough after some 10 s; in rough air it takes its minute."""
TO_45: Mapping[str, Any] = {"do": "target", "terminal": "S1", "target_m3h": 45.0, "low_m3h": 41.0, "high_m3h": 49.0}
FULLY_OPEN: Mapping[str, Any] = {"do": "target", "terminal": "S1", "target_m3h": 90.0, "until": "open"}
TURNED_WITH_THE_HOOD_ON = Hold((Plateau(60.0, 40.0, ROUGH), Plateau(45.0, 40.0, CALM)))
AT_45 = Hold((Plateau(45.0, 40.0, CALM),))
Asked = tuple[float, Mapping[str, Any] | str]


class Led:
    """A visit that is led through one trace of `holds`, the first at S1."""

    def __init__(self, folder: Path, *holds: Hold) -> None:
        (folder / "traces").mkdir(parents=True)
        (folder / "visit.toml").write_text(PLAN, encoding="utf-8")
        (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
        self.folder, self.name = folder, "traces/01.trace"
        spec = scenes(list(holds), np.random.default_rng(SEED))
        # Still air at the end, until the readings are sure.
        self._bytes, truth = make_trace(replace(spec, scenes=(*spec.scenes, Free(75.0, "still"))), SEED)
        self.holds = truth.holds
        (folder / self.name).write_bytes(self._bytes)
        visit = Visit(folder)
        visit.decide({"do": "begin"}, UTC)
        while (question := visit.step().question) is not None:
            value = {"number": 10.0, "choice": question.options[:1] and question.options[0]}.get(question.kind)
            visit.decide({"do": "answer", "question": question.id, "value": value}, UTC)
        visit.decide({"do": "trace opened", "trace": self.name}, UTC)
        self.hood, _ = read_hood(folder / "hood.toml")
        self.turns: list[tuple[float, str]] = []
        self.whys: list[str] = []

    def lead(self, *asked: Asked, until_s: float = np.inf) -> None:
        """Feed the trace up to `until_s`; what is asked comes at its time: a decision, or a press of the button."""
        visit = Visit(self.folder)
        guide = Guide(visit, self.hood, self.name, lambda word: None, lambda: None, lambda: UTC)
        decoder, status, left, first_s = Decoder(), Status("none", {"dp_counts_per_pa": 240}), list(asked), -1.0
        for at in range(0, len(self._bytes), BLOCK):
            decoded = decoder.feed(self._bytes[at : at + BLOCK])
            guide.feed(decoded, status)
            shown = guide.shown()
            first_s = float(decoded.samples.t_us[0]) * 1e-6 if first_s < 0.0 else first_s
            if shown.turn:
                self.turns.append((shown.t_s - first_s, shown.turn))
            if guide.why_again not in ("", *self.whys[-1:]):
                self.whys.append(guide.why_again)
            while left and shown.t_s - first_s >= left[0][0]:
                what = left.pop(0)[1]
                if isinstance(what, str):
                    guide.press(what)
                else:
                    visit.decide(what, UTC)
            if shown.t_s - first_s >= until_s:
                break
        assert not left

    def given(self) -> list[tuple[str, bool, float]]:
        """Terminal of each reading, whether its valve had been turned, and its start since the first sample."""
        return [(p.terminal, p.entry["after_turn"], p.entry["start_s"]) for p in Visit(self.folder).state.given]

    def flows(self) -> list[float]:
        return [p.flow_m3h for p in Visit(self.folder).state.given]

    def target_m3h(self) -> float | None:
        target = Visit(self.folder).state.target
        return None if target is None else target.target_m3h


def start_of(true: object) -> object:
    """Where a reading of a true plateau begins: within the seconds that settling takes."""
    return pytest.approx(float(true.start_s) + 1.5, abs=2.0)  # type: ignore[attr-defined]


def test_a_flow_asked_for_with_the_hood_on_is_what_that_hold_turns_to(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", TURNED_WITH_THE_HOOD_ON)
    before, after = led.holds[0].plateaus
    asked_s = before.start_s + 8.0
    led.lead((asked_s, TO_45))
    assert led.given() == [("S1", True, start_of(after))]
    assert led.flows() == pytest.approx([45.0], rel=0.05)
    assert Visit(tmp_path / "v").state.given[0].epoch == (0, 1)
    assert (led.target_m3h(), led.whys) == (None, [])
    words = {word for t_s, word in led.turns if t_s < after.start_s - 2.0}
    assert words == {"far less"}
    assert led.turns[0][0] > asked_s


def test_it_is_so_after_an_end_of_the_program_too(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", TURNED_WITH_THE_HOOD_ON)
    before, after = led.holds[0].plateaus
    led.lead((before.start_s + 8.0, TO_45), until_s=after.start_s + 25.0)
    assert led.given() == []
    recover(Visit(tmp_path / "v"), led.hood, UTC)
    assert led.given() == [("S1", True, start_of(after))]


def test_a_reading_that_was_enough_before_the_turn_is_of_the_valve_as_it_was(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 25.0, CALM), Plateau(45.0, 25.0, CALM))), AT_45)
    first, second = led.holds
    led.lead((first.seated_s + 19.0, TO_45))
    assert led.given() == [("S1", False, start_of(first.plateaus[0])), ("S1", True, start_of(second.plateaus[0]))]
    assert led.flows() == pytest.approx([60.0, 45.0], rel=0.05)
    # The hood comes off first: nothing leads a turn that this hold can't read any more.
    assert [t_s for t_s, _ in led.turns if t_s < second.seated_s] == []
    assert "there" in {word for _, word in led.turns}


@pytest.mark.parametrize("asked", [FULLY_OPEN, TO_45])
def test_a_hold_that_was_enough_stays_so_whatever_is_asked_for_then(tmp_path: Path, asked: Mapping[str, Any]) -> None:
    led = Led(tmp_path / "v", AT_45)
    (only,) = led.holds
    led.lead((0.0, TO_45), (only.lifted_s - 2.0, asked))
    assert led.given() == [("S1", True, start_of(only.plateaus[0]))]
    assert led.whys == []
    assert max(t_s for t_s, _ in led.turns) < only.lifted_s - 2.0
    assert led.target_m3h() == asked["target_m3h"]


def test_that_one_too_after_an_end_of_the_program(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 25.0, CALM), Plateau(45.0, 25.0, CALM))))
    first = led.holds[0]
    led.lead((first.seated_s + 19.0, TO_45), until_s=first.lifted_s)
    assert led.given() == []
    recover(Visit(tmp_path / "v"), led.hood, UTC)
    assert led.given() == [("S1", False, start_of(first.plateaus[0]))]
    assert led.target_m3h() == 45.0  # it is still to be turned


def test_a_turn_that_does_not_show_is_read_with_the_hood_pressed_on_anew(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(45.0, 60.0, CALM),)), AT_45)
    first, second = led.holds
    led.lead((first.seated_s + 7.0, TO_45))
    assert led.given() == [("S1", True, start_of(second.plateaus[0]))]
    assert led.whys == ["turn unseen"]
    # It says so as soon as the hold would have been enough, and leads no further.
    assert max(t_s for t_s, _ in led.turns if t_s < second.seated_s) < first.seated_s + 25.0


@pytest.mark.parametrize("lifted", [False, True])
def test_no_press_makes_the_air_before_the_turn_count_for_it(tmp_path: Path, lifted: bool) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 25.0, ROUGH),)), AT_45)
    first, second = led.holds
    led.lead((first.seated_s + 12.0, TO_45), (first.lifted_s + 3.0 if lifted else first.seated_s + 12.1, "short"))
    assert led.given() == [("S1", True, start_of(second.plateaus[0]))]
    assert led.whys == ["turn unseen"]


def test_a_hood_lifted_without_a_turn_is_told_that_none_showed(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 25.0, ROUGH),)))
    led.lead((led.holds[0].seated_s + 12.0, TO_45))
    assert (led.given(), led.whys, led.target_m3h()) == ([], ["turn unseen"], 45.0)


def test_another_flow_asked_for_in_the_middle_is_the_one_that_counts(tmp_path: Path) -> None:
    """The plateau is of a turned valve already: it need not be turned again to be read."""
    led = Led(tmp_path / "v", TURNED_WITH_THE_HOOD_ON)
    before, after = led.holds[0].plateaus
    to_44 = {**TO_45, "target_m3h": 44.0}
    led.lead((before.start_s + 8.0, TO_45), (after.start_s + 4.0, to_44))
    assert led.given() == [("S1", True, start_of(after))]
    (held,) = [entry for entry in entries(tmp_path / "v") if entry["kind"] == "held"]
    assert held["target"] == [44.0, 41.0, 49.0]
    # Of the valve as it was is what came before the first of them, as the guide saw it within some 2 s.
    assert (held["from_us"] - held["start_us"]) * 1e-6 == pytest.approx(8.0, abs=2.5)
    assert led.target_m3h() is None


@pytest.mark.parametrize("first_asked", [(), (TO_45,)])
def test_a_stop_asked_for_with_the_hood_on_is_turned_to_with_the_hood_off(
    tmp_path: Path, first_asked: tuple[Mapping[str, Any], ...]
) -> None:
    led = Led(tmp_path / "v", TURNED_WITH_THE_HOOD_ON, AT_45)
    first, second = led.holds
    led.lead(*((first.seated_s + 8.0, one) for one in first_asked), (first.seated_s + 20.0, FULLY_OPEN))
    assert led.whys == ["turn first"]
    assert led.given() == [("S1", True, start_of(second.plateaus[0]))]
    assert Visit(tmp_path / "v").state.given[0].entry["at_stop"] == "open"


def test_a_target_elsewhere_leads_no_hand_here(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 75.0, ROUGH),)))
    led.lead((led.holds[0].seated_s + 8.0, {**TO_45, "terminal": "S2"}))
    assert led.turns == []
    assert led.given() == [("S1", False, start_of(led.holds[0].plateaus[0]))]
    assert led.target_m3h() == 45.0


def test_which_plateau_counts_when_a_turn_was_asked_for_or_came_after(tmp_path: Path) -> None:
    led = Led(tmp_path / "v", Hold((Plateau(60.0, 25.0, CALM), Plateau(45.0, 25.0, CALM))))
    one, two = readings_of(tmp_path / "v" / led.name, tmp_path / "v" / "hood.toml").outcomes
    target, between_us = [45.0, 41.0, 49.0], (one.stop_us + two.start_us) // 2
    assert chosen_of([one, two], {"target": target}) is two
    assert chosen_of([one, two], {"target": target, "from_us": between_us, "ended_us": two.stop_us}) is two
    assert chosen_of([one, two], {"target": target, "from_us": two.start_us + 1}) is None
    assert chosen_of([one, two], {"target": None}) is two
    assert chosen_of([one, two], {"target": None, "ended_us": between_us}) is one
    assert chosen_of([one], {"target": target, "from_us": between_us}) is None
