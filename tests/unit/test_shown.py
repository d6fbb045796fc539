"""What the page shows of a balancing: rows in walking order, the step with its decision, sentences in each language.

The house is worked out here on paper: valves as resistances in parallel behind a main, the fan's pressure falling with
the square of its flow (the textbook's sum of parallel conductances); no part of the package's network.
"""

from __future__ import annotations

import asyncio
import math
import re
import typing
from pathlib import Path

import pytest

from hoodtrace.balancing import says
from hoodtrace.balancing.evidence import Evidence, EvidenceKind
from hoodtrace.balancing.house import FLUE_LIMIT, LEAK, AgainstUnit
from hoodtrace.balancing.house_pressure import Estimate, Pressures
from hoodtrace.balancing.house_sums import Balance
from hoodtrace.balancing.shown import Shown, n_readings, shown
from hoodtrace.balancing.sides import sides_of
from hoodtrace.balancing.standing import Level
from hoodtrace.balancing.step import Step, Until
from hoodtrace.balancing.whole import Next, whole
from hoodtrace.board.desk import Desk
from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.cli import balance_words
from hoodtrace.dwelling.decided import NotNow
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.state import STOPS
from hoodtrace.dwelling.verdict import Verdict
from hoodtrace.dwelling.visit import Visit
from hoodtrace.pages.balance_watch import BalanceWatch
from hoodtrace.physics.hood import read_hood
from hoodtrace.reporting.texts import Words, languages

UTC = "2030-01-01T09:00:00+00:00"
CODE = Path(says.__file__).parent
DESIGN = {"E1": 50.0, "S1": 40.0, "S2": 30.0, "E2": 40.0, "S3": 25.0}
"""In walking order, which is not that of the sides."""
PART = {"S1": 1.3, "S2": 0.8, "S3": 1.0, "E1": 1.2, "E2": 0.9}
"""Conductance of each valve as found, over that which its design asks for at one common pressure."""


def house(flue: str = "no", more: str = "") -> str:
    text = f'[site]\nname = "Alder Row 7"\nopen_flued_appliance = "{flue}"\n'
    text += '[[system]]\nname = "unit"\nkind = "heat-recovery"\nfan = "fixed-speed"\n'
    for name, design in DESIGN.items():
        direction = "supply" if name.startswith("S") else "extract"
        text += f'[[terminal]]\nid = "{name}"\nroom = "room of {name}"\nsystem = "unit"\n'
        text += f'direction = "{direction}"\ndesign_m3h = {design}\n'
    return text + more


def flows(side: str) -> dict[str, float]:
    """All flows of a side, no hood on: C P^0.5 with P = 1 / (1 + (C / C_0)^2), C_0 so that the design has P = 1/2."""
    c = {name: PART[name] * design for name, design in DESIGN.items() if name.startswith(side)}
    full = sum(design for name, design in DESIGN.items() if name.startswith(side))
    pressure = 2.0 / (1.0 + (sum(c.values()) / full) ** 2)
    return {name: one * math.sqrt(pressure) for name, one in c.items()}


FLOWS = flows("S") | flows("E")


def made(folder: Path, text: str, flue: str = "no") -> Visit:
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(text, encoding="utf-8")
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    visit = Visit(folder)
    visit.decide({"do": "begin"}, UTC)
    while (question := visit.step().question) is not None:
        usual = {"choice": question.options[:1] and question.options[0], "text": "a word"}.get(question.kind)
        usual = flue if question.id == "open_flue" else usual
        visit.decide({"do": "answer", "question": question.id, "value": usual}, UTC)
    return visit


def read(visit: Visit, *names: str, factor: float = 1.0, after_turn: bool = False) -> None:
    for name in names:
        flow = FLOWS[name] * factor
        said = {"do": "enter", "terminal": name, "flow_m3h": flow, "u_m3h": 0.03 * flow, "hood_off": True}
        visit.decide(said | {"after_turn": after_turn}, UTC)


def now(visit: Visit) -> Shown:
    hood, _ = read_hood(visit.folder / "hood.toml")
    return shown(visit, whole(visit, hood))


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    return made(tmp_path / "v", house())


def test_rows_stand_in_walking_order_with_the_numbers_of_the_whole(visit: Visit) -> None:
    read(visit, "S1", "S2", "E1")
    assert n_readings(visit) == 3
    hood, _ = read_hood(visit.folder / "hood.toml")
    found = whole(visit, hood)
    there = {one.id: one for side in found.sides for one in side.advice.standings}
    lines = shown(visit, found).lines
    assert [line.id for line in lines] == list(DESIGN)
    for line in lines:
        at, stands = line.at, there[line.id]
        assert at is not None
        assert at.ratio == stands.now_m3h / DESIGN[line.id]
        half = 1.96 * stands.u_own_m3h / stands.now_m3h
        assert at.low == pytest.approx(at.ratio * math.exp(-half), rel=1e-9)
        assert at.high == pytest.approx(at.ratio * math.exp(half), rel=1e-9)
        assert at.band == (0.9, 1.1)
        assert (at.from_ == "read") == (line.id in ("S1", "S2", "E1"))
    keys = {line.id: line.sentence.key for line in lines}
    assert keys["E2"] == keys["S3"] == "advice.row_unread"
    # By hand: C = 101 of 95, P = 2 / (1 + (101/95)^2) = 0.939, so 1.3 x 0.969 = 1.26 and 0.8 x 0.969 = 0.78 of design.
    assert (FLOWS["S1"] / 40.0, FLOWS["S2"] / 30.0) == pytest.approx((1.26, 0.775), abs=0.005)
    assert (keys["S1"], keys["S2"]) == ("advice.row_more", "advice.row_less")


def test_a_step_to_a_valve_is_a_decision_that_the_visit_takes(visit: Visit) -> None:
    read(visit, *DESIGN)
    for _ in range(30):
        seen = now(visit)
        if seen.step.key == "advice.turn":
            break
        assert seen.decision is not None
        assert seen.decision["do"] == "go", seen.step
        read(visit, str(seen.decision["terminal"]))
    assert seen.decision is not None
    name = seen.decision["terminal"]
    assert seen.step.values["place"] == f"{name}, room of {name}"
    line = visit.decide({**seen.decision, "version": visit.state.n_decisions}, UTC)
    assert (line["kind"], line["terminal"]) == ("target", name)
    assert line["target_m3h"] == seen.step.values["target_m3h"]
    assert (line["low_m3h"], line["high_m3h"]) == (seen.step.values["low_m3h"], seen.step.values["high_m3h"])
    assert line["low_m3h"] < line["target_m3h"] < line["high_m3h"]
    assert visit.step().terminal == name
    after = now(visit)
    assert after.under_way
    assert after.decision is None  # pressed once, there is nothing more to press


def hold_at(visit: Visit, flow_m3h: float) -> None:
    """A hold of the hood at what is measured now, bound to the target as the guide binds it, and its reading."""
    step, target = visit.step(), visit.state.target
    assert target is not None
    place = {"terminal": step.terminal, "setting": visit.state.setting, "stage": step.stage, "until": target.until}
    limits = [target.target_m3h, target.low_m3h, target.high_m3h]
    when = {"trace": "t", "boot": 1, "start_us": 1000, "ended": "precision"}
    visit.decide({"do": "held", "key": "t 1 1000", "target": limits, **place, **when}, UTC)
    fields = {"trace": "t", "hold": 1, "direction": "supply", "flow_m3h": flow_m3h, "u_flow_m3h": 0.03 * flow_m3h}
    visit.decide({"do": "reading", "key": "t 1 1000", "reading": fields}, UTC)


def test_a_step_to_a_stop_is_a_decision_too_and_its_reading_reaches_the_adviser_as_such(visit: Visit) -> None:
    read(visit, "S1", "S2")
    seen = now(visit)
    assert (seen.step.key, seen.step.values["place"]) == ("advice.turn_open", "S2, room of S2")
    assert seen.decision is not None
    assert (seen.decision["do"], seen.decision["terminal"], seen.decision["until"]) == ("target", "S2", "open")
    assert seen.decision["target_m3h"] > FLOWS["S2"]
    assert seen.label == Say("advice.take_open")
    line = visit.decide({**seen.decision, "version": visit.state.n_decisions}, UTC)
    assert (line["kind"], line["terminal"], line["until"]) == ("target", "S2", "open")
    after = now(visit)
    assert (after.under_way, after.decision) == (True, None)
    # A flow to turn that valve to is another step than its stop.
    visit.decide({"do": "target", "terminal": "S2", "target_m3h": line["target_m3h"]}, UTC)
    assert not now(visit).under_way
    visit.decide(seen.decision, UTC)
    hold_at(visit, 1.1 * FLOWS["S2"])
    hood, _ = read_hood(visit.folder / "hood.toml")
    (reads,) = (one.side.readings for one in sides_of(visit, hood) if one.direction == "supply")
    assert [(one.terminal, one.after_turn, one.at_stop) for one in reads] == [
        ("S1", False, ""),
        ("S2", False, ""),
        ("S2", True, "open"),
    ]
    step = now(visit).step
    assert (step.key, step.values["place"]) != ("advice.turn_open", "S2, room of S2")  # it is known to be open


def test_while_an_open_flue_is_not_excluded_no_decision_closes_supply_or_raises_extract(tmp_path: Path) -> None:
    visit = made(tmp_path / "v", house("unknown"), "unknown")
    read(visit, *DESIGN)
    taken = 0
    for _ in range(12):
        seen = now(visit)
        assert "caution.flue_stop" in [said.key for said in seen.cautions]
        if seen.decision is None:
            break
        if seen.decision["do"] == "target":
            name = str(seen.decision["terminal"])
            read_m3h = visit.state.at(name, visit.state.setting)[-1].flow_m3h
            assert (seen.decision["target_m3h"] >= read_m3h) == name.startswith("S")
            visit.decide(seen.decision, UTC)
            taken += 1
            read(visit, name, factor=seen.decision["target_m3h"] / FLOWS[name], after_turn=True)
        elif seen.decision["do"] == "go":
            read(visit, str(seen.decision["terminal"]))
        else:
            break
    with pytest.raises(NotNow):
        visit.decide({"do": "target", "terminal": "S1", "target_m3h": 0.8 * FLOWS["S1"]}, UTC)
    refused = [said.key for _, said in seen.refusals] + [said.key for said in seen.why]
    assert taken or any("flue" in key for key in refused)


def test_terminals_without_a_flow_to_aim_at_stand_there_with_the_reason(tmp_path: Path) -> None:
    more = '[[terminal]]\nid = "S9"\nroom = "Hall"\nsystem = "unit"\ndirection = "supply"\n'
    visit = made(tmp_path / "v", house(more=more))
    visit.decide({"do": "leave out", "terminal": "S3", "why": "behind a wardrobe"}, UTC)
    read(visit, "S1", "S2")
    lines = {line.id: line for line in now(visit).lines}
    assert (lines["S9"].at, lines["S9"].sentence) == (None, Say("advice.row_no_design"))
    assert lines["S3"].sentence == Say("advice.row_left_out", {"reason": "behind a wardrobe"})


def test_where_the_sides_are_not_read_whole_no_ratio_of_them_is_said(visit: Visit) -> None:
    read(visit, "S1", "S2", "S3", "E1")
    told = [said for told in now(visit).evidence for said in told.says]
    assert Say("evidence.balance_waits", {"system": "unit", "names": "E2"}) in told
    assert not [said for said in told if said.key == "evidence.balance_undecided"]
    read(visit, "E2")
    told = [said for told in now(visit).evidence for said in told.says]
    ratios = [said.values["ratio_rel"] for said in told if "ratio_rel" in said.values]
    supply, extract = (sum(flows(side).values()) for side in "SE")
    assert ratios == [pytest.approx(supply / extract, rel=0.04)]  # 1.7 % by the temperatures, the rest as predicted


def test_each_estimate_of_pressure_stands_for_itself(tmp_path: Path) -> None:
    site = "volume_m3 = 250.0\nn50_per_h = 3.0\n"
    fan = '[[other_fan]]\nname = "dryer"\nflow_m3h = 200.0\nsource = "label"\n'
    text = house(more=fan).replace("[[system]]", f"{site}[[system]]", 1)
    visit = made(tmp_path / "v", text)
    read(visit, *DESIGN)
    *estimates, rest = now(visit).house
    assert [[said.key for said in one] for one in estimates] == [["house.pressure"], ["house.pressure_with"]]
    assert estimates[1][0].values["fans"] == "dryer"
    assert "house.not_in_it" in [said.key for said in rest]


def whys() -> set[str]:
    """Every reason of a step that the advisers name in their source."""
    source = "".join(
        (CODE / f"{name}.py").read_text("utf-8") for name in ("adviser", "turning", "proportional", "whole")
    )
    found = re.findall(r'Step\(\s*"\w+",\s*"([^"]+)"', source) + re.findall(r'"(?:open|reads|shut)", "([^"]+)"', source)
    found += re.findall(r'yield from read\(\w+, "([^"]+)"', source) + re.findall(
        r'_fan\(side, case, \w+, "([^"]+)"', source
    )
    return {one for one in found if one != "forbidden"}


def all_says() -> list[Say]:
    """Whatever can be said, each with the values that it gets."""
    said: list[Say] = []
    named = whys()
    assert {"not read yet", "to plan", "level", "index", "to the index's ratio", "for the record"} <= named
    for why in sorted(named):
        said += says.why_says(Next(Step("measure", why, "S1"), "unit", "supply"))
    for until in typing.get_args(Until):
        said.append(says.step_say(Next(Step("turn", "to plan", "S1", 31.0, 30.0, 32.0, until), "unit", "supply")))
    said += [Say("advice.take_target"), *(Say(f"advice.take_{stop}") for stop in STOPS)]
    said += [says.step_say(Next(Step("turn", "open all", "S1", until="open"), "unit", "supply"), "S1, Hall")]
    said += [says.step_say(Next(Step("measure", "to plan", "S1"))), says.step_say(Next(Step("done", "all within")))]
    said.append(says.step_say(Next(Step("fan", "level", ratio=0.925), "unit", "extract")))
    refusals = set(re.findall(r'"(refused\.\w+)"', (CODE / "house.py").read_text("utf-8")))
    assert len(refusals) >= 5
    for key in sorted(refusals):
        following = Next(Step("done", "forbidden", "S1"), "unit", "supply", refused=key)
        said += [says.step_say(following), *says.why_says(following)]
    values = dict.fromkeys(
        ("before_m3h", "after_m3h", "read_m3h", "expected_m3h", "each_reading_rel", "times", "level", "ratio_needed"),
        0.5,
    )
    for kind in typing.get_args(EvidenceKind):
        for stop in ("open", "shut"):
            for natural in (False, True):
                said.append(says.evidence_say(Evidence(kind, "S1", values | {"stop": stop}), natural))
    said += says.level_says(Level(0.06, True, 0.051))
    for verdict in typing.get_args(Verdict):
        found = Balance(0.98, 0.02, None, 0.04, 0.99, 0.01, 0.02, False, 0.1, verdict, "", ("S2",))
        said += [*says.balance_says("unit", found), *says.balance_says("unit", found, ("S2",))]
    for judged in ("agrees", "undecided", LEAK):
        said += says.unit_says("unit", AgainstUnit("supply", 90.0, 100.0, -10.0, 5.0, 9.8, judged, (), ("S2",), True))  # type: ignore[arg-type]
    source = (CODE / "house_pressure.py").read_text("utf-8")
    assumed = re.findall(r'"([^"]+)"', source[source.index("assumed = [") : source.index("if missing or")])
    assert len(assumed) == 5
    estimates = (Estimate((), -100.0, -2.0, -4.5, -1.0), Estimate(("cooker hood",), -400.0, -9.0, -15.0, -5.0))
    said += says.pressure_says(Pressures(estimates, (), tuple(assumed)))
    said += says.pressure_says(Pressures((), ("volume_m3", "n50_per_h", "readings", "fans", "terminal S2"), ()))
    limit = {"fans": "", "pa": -5.0, "low_pa": -6.0, "high_pa": -4.0, "limit_pa": 4.0, "source": FLUE_LIMIT.source}
    keys = set(re.findall(r'"(house\.\w+)"', (CODE / "house.py").read_text("utf-8")))
    assert {"house.limit_reached", "house.co_alarm", "house.under_pressure"} <= keys
    for key in sorted(keys):
        for fans in ("", "cooker hood"):
            said += says.caution_says(Say(key, limit | {"fans": fans}))
    return said


@pytest.mark.parametrize("language", languages())
def test_whatever_can_be_said_is_said_in_each_language(language: str) -> None:
    words = Words(language)
    for said in all_says():
        text = words.say(said)
        assert text, said
        assert "{" not in text, said


def test_whatever_is_shown_of_a_visit_is_said_in_each_language(visit: Visit) -> None:
    read(visit, *DESIGN)
    for language in languages():
        words, seen = Words(language), now(visit)
        told = [said for each in seen.evidence for said in each.says]
        house = [said for each in seen.house for said in each]
        for said in (seen.step, *seen.why, seen.climbs, *(line.sentence for line in seen.lines), *told, *house):
            assert words.say(said)


def test_the_page_shows_what_a_natural_side_is_told_under_its_name(tmp_path: Path) -> None:
    text = house().replace('"heat-recovery"\nfan = "fixed-speed"', '"natural"\nstack_height_m = 5.0')
    visit = made(tmp_path / "v", text)
    visit.decide({"do": "weather", "outdoor_c": 0.0, "indoor_c": 20.0, "wind": "gusty"}, UTC)
    read(visit, "E1", "E2")
    told = [(one.system, one.direction, said) for one in now(visit).evidence for said in one.says]
    natural = [each for each in told if each[2].key.startswith("house.natural")]
    assert {each[:2] for each in natural} == {("unit", "extract")}  # nothing was read of the supply
    words = Words("de")
    texts = [words.say(said).replace("\N{NO-BREAK SPACE}", " ") for _, _, said in natural]
    assert "Wind wie notiert: Böig." in texts[0]
    # calc: 4.32 Pa of 5 m between 0 and 20 C at sea level, 0.961 of it at the 330 m of the demo's hood (ISA).
    assert "Der Auftrieb gibt etwa 4,2 Pa (5,0 m Höhe, 0,0 °C draußen, 20,0 °C innen" in texts[2]
    hood = words.say(Say("house.natural_hood", {"terminal": "E1", "hood_pa": 0.147, "stack_pa": 4.32, "lost_rel": 0.1}))
    assert "0,15\N{NO-BREAK SPACE}Pa von 4,3\N{NO-BREAK SPACE}Pa" in hood  # hundredths count against 0.2 Pa


def test_the_command_says_the_sentences_of_the_texts_with_signs_for_any_terminal() -> None:
    said = balance_words.next_words(Next(Step("turn", "to plan", "S3", 31.04, 30.0, 32.0), "unit", "supply"))
    assert said == (
        "S3: turn the valve to 31.0 m3/h. Turn it until the hood reads 31.0 m3/h (30.0 m3/h to 32.0 m3/h), hood on. "
        "This brings all terminals to their design with the least throttling."
    )
    assert balance_words.next_words(Next(Step("done", "forbidden", "E1"), refused="refused.flue")) == (
        "Nothing more is advised. E1: An open flue is not excluded: no supply is closed and no extract raised. "
        "Have the appliance looked at by a qualified person first, then correct the answer of the visit."
    )
    german = Words("de").say(Say("advice.ratio", {"ratio": 1.084, "low_ratio": 0.984, "high_ratio": 1.18}))
    assert german == "1,08 des Sollwerts (0,98 bis 1,18)"


async def _looked(watch: BalanceWatch) -> None:
    watch.look()
    while watch.version < 0:
        await asyncio.sleep(0.01)


def test_the_page_works_it_out_beside_its_beat_and_what_goes_wrong_is_a_line(visit: Visit) -> None:
    read(visit, "S1")
    desk = Desk(visit.folder, with_board=False)
    few = BalanceWatch(desk)
    asyncio.run(_looked(few))
    assert (few.shown, few.trouble) == (None, "")
    read(visit, "S2")
    desk.visit.refresh()
    watch = BalanceWatch(desk)
    asyncio.run(_looked(watch))
    assert watch.shown == now(visit)
    assert watch.version == visit.state.n_decisions
    desk.hood = None  # type: ignore[assignment]
    broken = BalanceWatch(desk)
    asyncio.run(_looked(broken))
    assert broken.shown is None
    assert broken.trouble.startswith("AttributeError")
    assert "\n" not in broken.trouble
