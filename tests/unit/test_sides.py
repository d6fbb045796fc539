"""From the journal of a visit to what balancing reads: what counts, in which order, with which fan and which parts.

Every check value is what was entered, or can be worked out on paper (the hood's law: dp = density / 2 * (q / c A)^2).
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from hoodtrace.balancing.adviser import advise
from hoodtrace.balancing.case import FlowRead
from hoodtrace.balancing.sides import COMMON_PART, LEAST_OWN_REL, OWN_PART, NamedSide, sides_of
from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.dwelling.visit import Visit
from hoodtrace.physics.hood import read_hood
from reviewed_visit import GIVE, REJECT, UTC, made, opened

PLAN = """
[site]
name = "Alder Row 7"
open_flued_appliance = "no"
[[system]]
name = "unit"
kind = "heat-recovery"
[[system]]
name = "loft"
kind = "natural"
[[system]]
name = "garage"
kind = "extract"
fan = "constant-flow"
valves = "open"
[[setting]]
name = "normal"
[[setting]]
name = "boost"
[rule]
tolerance_rel = 0.12
risk = 0.04
[[terminal]]
id = "S1"
room = "Living room"
system = "unit"
direction = "supply"
design_m3h = 40.0
branch = "up"
design_by_setting = {boost = 60.0}
[[terminal]]
id = "S2"
room = "Study"
system = "unit"
direction = "supply"
design_m3h = 20.0
limit = "at least"
[[terminal]]
id = "S3"
room = "Hall"
system = "unit"
direction = "supply"
[[terminal]]
id = "E1"
room = "Bathroom"
system = "unit"
direction = "extract"
design_m3h = 50.0
[[terminal]]
id = "E2"
room = "Store"
system = "unit"
direction = "extract"
design_m3h = 10.0
cover = "none"
why_not = "behind a wardrobe"
[[terminal]]
id = "N1"
room = "Attic"
system = "loft"
direction = "extract"
design_m3h = 30.0
[[terminal]]
id = "G1"
room = "Garage"
system = "garage"
direction = "extract"
design_m3h = 60.0
"""


class House:
    """A visit with one-word decisions."""

    def __init__(self, folder: Path, hood: str = "", plan: str = PLAN) -> None:
        folder.mkdir()
        (folder / "visit.toml").write_text(plan, encoding="utf-8")
        (folder / "hood.toml").write_text(hood or demo_hood_toml(), encoding="utf-8")
        self.visit = Visit(folder)
        self.hood, _ = read_hood(folder / "hood.toml")
        self.visit.decide({"do": "begin"}, UTC)

    def enter(self, terminal: str, flow: float, **more: object) -> None:
        self.visit.decide({"do": "enter", "terminal": terminal, "flow_m3h": flow, **more}, UTC)

    def fan(self, ratio: float, side: str | None = None, system: str = "unit") -> None:
        self.visit.decide({"do": "fan", "system": system, "ratio": ratio, "side": side}, UTC)

    def event(self, what: str, system: str | None = None) -> None:
        self.visit.decide({"do": "event", "what": what, "system": system}, UTC)

    def sides(self) -> dict[tuple[str, str], NamedSide]:
        return {(one.system, one.direction): one for one in sides_of(self.visit, self.hood)}

    def reads(self, system: str = "unit", direction: str = "supply") -> tuple[FlowRead, ...]:
        return self.sides()[system, direction].side.readings


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path / "v")


def test_sides_are_those_of_each_system_with_what_the_plan_says(house: House) -> None:
    found = house.sides()
    assert list(found) == [("unit", "supply"), ("unit", "extract"), ("loft", "extract"), ("garage", "extract")]
    supply = found["unit", "supply"].side
    assert [(t.id, t.design_m3h, t.limit, t.branch) for t in supply.terminals] == [
        ("S1", 40.0, "around", "up"),
        ("S2", 20.0, "at least", ""),
    ]
    assert (supply.fan, supply.valves, supply.tolerance_rel, supply.closing) == ("unknown", "as found", 0.12, False)
    # The risk of a wrong "done" is shared by the sides of a system.
    assert supply.risk == found["unit", "extract"].side.risk == pytest.approx(0.02)
    assert found["loft", "extract"].side.risk == pytest.approx(0.04)
    assert sides_of(house.visit, house.hood, closing=True)[0].side.closing


def test_who_is_not_balanced_is_named_with_the_reason(house: House) -> None:
    assert house.sides()["unit", "supply"].left_out == (("S3", "no design flow"),)
    assert house.sides()["unit", "extract"].left_out == (("E2", "behind a wardrobe"),)
    house.enter("S2", 22.0)
    house.visit.decide({"do": "leave out", "terminal": "S2", "why": "a cupboard"}, UTC)
    left = house.sides()["unit", "supply"]
    assert ("S2", "a cupboard") in left.left_out
    assert [t.id for t in left.side.terminals] == ["S1"]
    assert left.side.readings == ()


def test_a_natural_system_has_no_fan(house: House) -> None:
    found = house.sides()
    assert found["loft", "extract"].side.fan == "none"
    assert (found["garage", "extract"].side.fan, found["garage", "extract"].side.valves) == ("constant-flow", "open")


def test_readings_come_in_the_order_they_were_taken_each_on_its_side(house: House) -> None:
    for terminal, flow in (("S2", 21.0), ("E1", 52.0), ("S1", 44.0), ("N1", 12.0), ("S2", 22.0)):
        house.enter(terminal, flow)
    assert [(r.terminal, r.flow_m3h) for r in house.reads()] == [("S2", 21.0), ("S1", 44.0), ("S2", 22.0)]
    assert [r.flow_m3h for r in house.reads(direction="extract")] == [52.0]
    assert [r.flow_m3h for r in house.reads("loft", "extract")] == [12.0]


def test_a_turn_a_stop_and_a_hood_that_was_off(house: House) -> None:
    house.enter("S1", 44.0)
    house.enter("S1", 50.0, after_turn=True, at_stop="open")
    house.enter("S1", 49.0, hood_off=True)
    house.enter("S1", 5.0, after_turn=True, at_stop="shut")
    found = [(r.after_turn, r.at_stop, r.hood_times) for r in house.reads()]
    assert found == [(False, "", 1.0), (True, "open", 1.0), (False, "", 0.0), (True, "shut", 1.0)]


def test_a_turn_stays_one_when_its_reading_was_a_slip(house: House) -> None:
    """The valve has been turned, whatever was mistyped then."""
    house.enter("S1", 44.0)
    house.enter("S1", 300.0, after_turn=True)
    house.enter("S1", 30.0, instead=True)
    assert [(r.flow_m3h, r.after_turn) for r in house.reads()] == [(44.0, False), (30.0, True)]


def test_a_stop_stays_one_when_its_reading_is_taken_back(house: House) -> None:
    """The valve is where it was turned to; of another position, and of another valve, that says nothing."""
    house.enter("S1", 44.0)
    house.enter("S1", 50.0, after_turn=True, at_stop="open")
    house.visit.decide({"do": "repeat"}, UTC)
    house.enter("S1", 52.0)
    house.visit.decide({"do": "repeat"}, UTC)
    house.enter("S2", 21.0, after_turn=True)
    house.enter("S1", 51.0)
    house.enter("S1", 47.0, after_turn=True)
    found = [(r.terminal, r.flow_m3h, r.after_turn, r.at_stop) for r in house.reads()]
    assert found == [
        ("S1", 44.0, False, ""),
        ("S2", 21.0, True, ""),
        ("S1", 51.0, True, "open"),
        ("S1", 47.0, True, ""),
    ]


def test_a_stop_stays_one_when_its_reading_was_a_slip(house: House) -> None:
    house.enter("S1", 44.0)
    house.enter("S1", 500.0, after_turn=True, at_stop="shut")
    house.enter("S1", 5.0, instead=True)
    assert [(r.flow_m3h, r.at_stop) for r in house.reads()] == [(44.0, ""), (5.0, "shut")]


def test_another_stop_that_is_said_is_the_one(house: House) -> None:
    house.enter("S1", 50.0, after_turn=True, at_stop="shut")
    house.enter("S1", 50.0, instead=True, at_stop="open")
    assert [r.at_stop for r in house.reads()] == ["open"]


def test_a_hold_at_a_stop_that_is_repeated_is_still_at_it(house: House) -> None:
    """The repeated hold has no target any more: the valve is not turned again."""
    house.enter("S1", 44.0)
    house.visit.decide({"do": "target", "terminal": "S1", "target_m3h": 90.0, "until": "open"}, UTC)
    place = {"terminal": "S1", "setting": "normal", "stage": "round", "trace": "t", "boot": 1, "ended": "precision"}
    held = {"do": "held", **place, "start_us": 1000, "key": "t 1 1000"}
    fields = {"trace": "t", "direction": "supply", "u_flow_m3h": 1.0}
    house.visit.decide({**held, "target": [90.0, 0.0, 5000.0], "until": "open"}, UTC)
    first = {"do": "reading", "key": "t 1 1000", "reading": {**fields, "hold": 1, "flow_m3h": 50.0}}
    house.visit.decide(first, UTC)
    house.visit.decide({"do": "repeat"}, UTC)
    house.visit.decide({**held, "start_us": 9000, "key": "t 1 9000", "target": None, "until": None}, UTC)
    again = {"do": "reading", "key": "t 1 9000", "reading": {**fields, "hold": 2, "flow_m3h": 51.0}}
    house.visit.decide(again, UTC)
    found = [(r.flow_m3h, r.after_turn, r.at_stop) for r in house.reads()]
    assert found == [(44.0, False, ""), (51.0, True, "open")]


def test_a_turn_at_another_fan_setting_is_a_turn_here_too(house: House) -> None:
    house.enter("S1", 44.0)
    house.enter("S1", 70.0, setting="boost", after_turn=True)
    house.enter("S1", 30.0)
    assert [(r.flow_m3h, r.after_turn) for r in house.reads()] == [(44.0, False), (30.0, True)]


def test_settings_are_kept_apart_and_each_has_its_design(house: House) -> None:
    house.enter("S1", 44.0)
    house.enter("S1", 66.0, setting="boost")
    assert [r.flow_m3h for r in house.reads()] == [44.0]
    house.visit.decide({"do": "setting", "setting": "boost"}, UTC)
    boost = house.sides()["unit", "supply"].side
    assert [r.flow_m3h for r in boost.readings] == [66.0]
    assert [t.design_m3h for t in boost.terminals] == [60.0, 20.0]


def test_fan_of_a_side_of_both_sides_and_of_another_system(house: House) -> None:
    house.enter("S1", 44.0)
    house.fan(0.9)
    house.enter("S1", 40.0)
    house.fan(0.8, "extract")
    house.enter("S1", 40.0)
    house.fan(0.7, "supply")
    house.fan(0.3, system="garage")
    house.enter("S1", 31.0)
    assert [r.fan_ratio for r in house.reads()] == [1.0, 0.9, 0.9, 0.7]
    found = house.sides()
    assert found["unit", "supply"].side.fan_ratio == 0.7
    assert found["unit", "extract"].side.fan_ratio == 0.8
    assert found["garage", "extract"].side.fan_ratio == 0.3


def test_a_fan_that_was_set_and_stayed_where_it_was_goes_no_further(house: House) -> None:
    def limits(direction: str) -> tuple[float, float]:
        side = house.sides()["unit", direction].side
        return side.fan_least, side.fan_most

    assert limits("supply") == (0.0, math.inf)
    house.fan(1.2, "supply")
    house.fan(1.0, "extract")
    assert limits("supply") == (0.0, math.inf)
    assert limits("extract") == (1.0, 1.0)
    house.fan(1.2, "supply")
    assert limits("supply") == (1.2, 1.2)
    house.fan(1.1, "supply")
    assert limits("supply") == (0.0, math.inf)


def test_events_are_epochs_and_fans_are_not(house: House) -> None:
    house.enter("S1", 44.0)
    house.fan(0.9)
    house.enter("S1", 40.0)
    house.event("window")
    house.enter("S1", 41.0)
    house.event("filter")
    assert [r.epoch for r in house.reads()] == [0, 0, 1]
    assert house.sides()["unit", "supply"].side.epoch == 2


def test_an_event_of_one_system_leaves_the_others_alone(house: House) -> None:
    house.event("filter", "loft")
    found = house.sides()
    assert (found["unit", "supply"].side.epoch, found["loft", "extract"].side.epoch) == (0, 1)


def test_a_meter_whose_parts_nobody_stated_is_split(house: House) -> None:
    house.enter("S1", 40.0, u_m3h=2.0)
    (read,) = house.reads()
    assert read.u_own_rel == pytest.approx(OWN_PART * 0.05)
    assert read.u_common_rel == pytest.approx(COMMON_PART * 0.05)
    # Together they are what was stated.
    assert math.hypot(read.u_own_rel, read.u_common_rel) == pytest.approx(0.05)


def test_a_meter_said_to_be_nearly_perfect_still_has_something_of_its_own(house: House) -> None:
    house.enter("S1", 40.0, u_m3h=0.001)
    assert house.reads()[0].u_own_rel == LEAST_OWN_REL


def test_stated_parts_are_kept_as_they_are(house: House) -> None:
    terms = [["air", 0.6, 20.0, "reading"], ["zero", 0.8, None, "visit"], ["k-factor", 2.4, None, "hood"]]
    house.enter("S1", 40.0, u_m3h=2.6, terms=terms)
    (read,) = house.reads()
    # 0.6 and 0.8 are 1.0 together, of 40; with the hood's 2.4 they are 2.6.
    assert (read.u_own_rel, read.u_common_rel) == pytest.approx((1.0 / 40.0, 2.4 / 40.0))


def test_hood_resistance_is_its_own_law_at_the_mean_design(house: House) -> None:
    supply = house.sides()["unit", "supply"].side
    area_m2 = math.pi / 4.0 * 0.104**2
    # c 0.71; density of 330 m (standard atmosphere, 97.42 kPa) at 20 C, 50 %: 1.153 kg/m3 (tables, from memory).
    assert supply.hood_pa_m3h2 == pytest.approx(1.153 / 2.0 / (0.71 * area_m2 * 3600.0) ** 2, rel=0.005)
    assert supply.u_hood_rel == pytest.approx(2.0 * 0.025, rel=1e-9)
    extract = house.sides()["unit", "extract"].side
    assert extract.hood_pa_m3h2 / supply.hood_pa_m3h2 == pytest.approx((0.71 / 0.69) ** 2, rel=1e-9)


def test_a_hood_without_taps_says_nothing_of_its_resistance_and_one_without_vane_does(tmp_path: Path) -> None:
    vane = re.sub(r"\[taps\].*?(?=\[placement\])", "", demo_hood_toml(), flags=re.DOTALL)
    taps = re.sub(r"\[vane\].*?(?=\[taps\])", "", demo_hood_toml(), flags=re.DOTALL)
    assert House(tmp_path / "vane", vane).sides()["unit", "supply"].side.hood_pa_m3h2 == 0.0
    assert House(tmp_path / "taps", taps).sides()["unit", "supply"].side.hood_pa_m3h2 > 0.0


def test_what_review_rejects_is_gone_and_what_it_gives_is_there(tmp_path: Path) -> None:
    folder = made(tmp_path / "v")
    hood, _ = read_hood(folder / "hood.toml")

    def flows() -> dict[str, list[float]]:
        (supply,) = [one for one in sides_of(Visit(folder), hood) if one.direction == "supply"]
        return {name: [round(r.flow_m3h) for r in supply.side.readings if r.terminal == name] for name in ("S1", "S2")}

    before = flows()
    assert [len(before["S1"]), len(before["S2"])] == [1, 1]
    review = opened(folder)
    review.change(REJECT, UTC)
    assert flows() == {"S1": before["S1"], "S2": []}
    review.change(GIVE, UTC)
    after = flows()
    assert after["S2"] == []
    # The second generator's truth for that plateau is 45 m3/h.
    assert len(after["S1"]) == 2
    assert pytest.approx(after["S1"][1], rel=0.06) == 45.0


def test_what_review_gives_late_stands_where_it_was_taken(tmp_path: Path) -> None:
    """The valve was turned at noon; a hold of the morning is given to its terminal after that."""
    folder = made(tmp_path / "v")
    hood, _ = read_hood(folder / "hood.toml")
    turned = {"do": "enter", "terminal": "S1", "flow_m3h": 31.0, "u_m3h": 1.0, "after_turn": True}
    Visit(folder).decide(turned, "2030-01-01T12:30:00.000+00:00")
    opened(folder).change(GIVE, "2030-01-01T13:00:00.000+00:00")
    (supply,) = [one for one in sides_of(Visit(folder), hood) if one.direction == "supply"]
    found = [(round(r.flow_m3h), r.after_turn) for r in supply.side.readings if r.terminal == "S1"]
    assert [turn for _, turn in found] == [False, False, True]
    assert found[-1] == (31, True)


def test_a_reading_of_the_hood_keeps_the_temperature_that_the_board_measured(tmp_path: Path) -> None:
    """The second generator's air stays at 20 C; a meter that was typed in measures none."""
    visit = opened(made(tmp_path / "v")).visit
    assert {round(p.entry["air_c"]) for p in visit.state.placements} == {20}
    assert all(0.0 < p.entry["u_air_c"] < 2.0 for p in visit.state.placements)


def test_what_a_turn_was_aimed_at_is_kept(house: House) -> None:
    house.enter("S1", 60.0)
    house.enter("S1", 60.5, after_turn=True, aimed_m3h=45.7)
    assert [r.target_m3h for r in house.reads()] == [None, 45.7]
    side = house.sides()["unit", "supply"].side
    assert [(one.kind, one.terminal) for one in advise(side).evidence] == [("stuck valve", "S1")]
