"""Rate tables against published formulas, tables and worked examples; all check values typed in from the source named.

`seen`: read there, or quoted by a page that was read; `memory`: from memory, to be checked before anyone relies on it.
"""

from __future__ import annotations

import pytest

from hoodtrace.dwelling.rate_needs import Need, needs_of
from hoodtrace.dwelling.rate_table import RateTable, read_table
from hoodtrace.dwelling.rates import rates
from rate_plans import FLAT_ROOMS, FLAT_TERMINALS, RoomWords, flat, plan_of

L_S = 3.6  # m3/h
CFM = 0.3048**3 * 60.0  # m3/h: the international foot
SHIPPED = ("ashrae_62_2", "ashrae_62_2_ip", "by_people", "din_1946_6", "en_16798_1", "england_ad_f_2021")


def one_room(kind: str) -> dict[str, RoomWords]:
    return {"X": (kind, 10.0, 0)}


def dwelling_need(name: str, area_m2: float, bedrooms: int, people: int = 0, category: str | None = None) -> Need:
    table = read_table(name)
    plan = plan_of({}, (), area_m2=area_m2, bedrooms=bedrooms, people=people)
    whole = needs_of(plan, table, table.chosen(category)).whole
    assert whole is not None
    return whole


def room_need(name: str, kind: str, category: str | None = None) -> Need:
    table = read_table(name)
    plan = plan_of(one_room(kind), (), area_m2=80.0, bedrooms=2, people=3, volume_m3=200.0)
    need = needs_of(plan, table, table.chosen(category)).room("X", "extract")
    assert need is not None
    return need


# ---- ASHRAE 62.2


@pytest.mark.parametrize(("area_m2", "bedrooms", "flow_l_s"), [(100.0, 2, 25.5), (223.0, 3, 47.45)])
def test_ashrae_si(area_m2: float, bedrooms: int, flow_l_s: float) -> None:
    # 0.15 A + 3.5 (bedrooms + 1) L/s (seen, several pages); the numbers are the formula by hand.
    assert dwelling_need("ashrae_62_2", area_m2, bedrooms).flow_m3h == pytest.approx(flow_l_s * L_S, rel=1e-12)


def test_ashrae_ip() -> None:
    # A published example: 2400 ft2, 3 bedrooms, 72 + 30 = 102 cfm (seen).
    need = dwelling_need("ashrae_62_2_ip", 2400.0 * 0.3048**2, 3)
    assert need.flow_m3h == pytest.approx(102.0 * CFM, rel=1e-12)
    assert need.flow_m3h / L_S == pytest.approx(48.1386, abs=5e-5)


@pytest.mark.parametrize(
    ("table", "kind", "category", "flow_m3h"),
    [
        # Answers to frequent questions of a calculator's site (seen): SI and cfm.
        ("ashrae_62_2", "bathroom", "continuous", 10.0 * L_S),
        ("ashrae_62_2", "bathroom", "demand, hood over the cooker", 25.0 * L_S),
        ("ashrae_62_2", "kitchen", "demand, hood over the cooker", 50.0 * L_S),
        ("ashrae_62_2", "kitchen", "demand, other kitchen exhaust", 150.0 * L_S),
        ("ashrae_62_2_ip", "bathroom", "continuous", 20.0 * CFM),
        ("ashrae_62_2_ip", "kitchen", "demand, hood over the cooker", 100.0 * CFM),
        ("ashrae_62_2_ip", "kitchen", "demand, other kitchen exhaust", 300.0 * CFM),
        # 5 air changes an hour of 10 m2 at the dwelling's mean height of 200 / 80 = 2.5 m.
        ("ashrae_62_2", "kitchen", "continuous", 5.0 * 25.0),
    ],
)
def test_ashrae_rooms(table: str, kind: str, category: str, flow_m3h: float) -> None:
    assert room_need(table, kind, category).flow_m3h == pytest.approx(flow_m3h, rel=1e-12)


# ---- England, Approved Document F, volume 1, 2021 (two pages that quote it, seen; not the document itself)


@pytest.mark.parametrize(
    ("bedrooms", "flow_l_s"), [(0, 13), (1, 19), (2, 25), (3, 31), (4, 37), (5, 43), (6, 49), (8, 61)]
)
def test_england_by_bedrooms(bedrooms: int, flow_l_s: float) -> None:
    # The list, "for each further bedroom 6 more", and 13 for one habitable room. 20 m2 keep the row by area below.
    assert dwelling_need("england_ad_f_2021", 20.0, bedrooms).flow_m3h == pytest.approx(flow_l_s * L_S)


def test_england_larger_of_two() -> None:
    # 90 m2 and 3 bedrooms: max(0.3 * 90 = 27, 31) L/s; 120 m2 and 3 bedrooms: 36.
    assert dwelling_need("england_ad_f_2021", 90.0, 3).flow_m3h == pytest.approx(31.0 * L_S)
    assert dwelling_need("england_ad_f_2021", 120.0, 3).flow_m3h == pytest.approx(36.0 * L_S)


@pytest.mark.parametrize(
    ("kind", "category", "flow_m3h"),
    [
        ("kitchen", "continuous, high rate", 46.8),
        ("bathroom", "continuous, high rate", 28.8),
        ("utility", "continuous, high rate", 28.8),
        ("wc", "continuous, high rate", 21.6),
        ("kitchen", "intermittent, cooker hood to outside", 108.0),
        ("kitchen", "intermittent", 216.0),
        ("utility", "intermittent", 108.0),
        ("bathroom", "intermittent", 54.0),
        ("wc", "intermittent", 21.6),
    ],
)
def test_england_rooms(kind: str, category: str, flow_m3h: float) -> None:
    assert room_need("england_ad_f_2021", kind, category).flow_m3h == pytest.approx(flow_m3h)


def test_england_high_rate_of_a_house() -> None:
    # 90 m2, 3 bedrooms; kitchen 13, bathroom 8, WC 6, utility 8 = 35 L/s = 126 m3/h are above 31 L/s, so the rooms'
    # minimums govern; rounded up one by one: 47 + 29 + 22 + 29 = 127.
    rooms: dict[str, RoomWords] = {
        "Living": ("living", 30.0, None),
        "Kitchen": ("kitchen", 12.0, None),
        "Bath": ("bathroom", 6.0, None),
        "WC": ("wc", 2.0, None),
        "Utility": ("utility", 5.0, None),
    }
    ids = {"E1": "Kitchen", "E2": "Bath", "E3": "WC", "E4": "Utility"}
    terminals = (("S1", "Living", "supply"), *((i, room, "extract") for i, room in ids.items()))
    found = rates(plan_of(rooms, terminals, area_m2=90.0, bedrooms=3), read_table("england_ad_f_2021"))
    assert [one.design_m3h for one in found.designs] == [127.0, 47.0, 29.0, 22.0, 29.0]
    assert found.room_extract_m3h == pytest.approx(126.0)


# ---- DIN 1946-6


@pytest.mark.parametrize(
    ("area_m2", "flow_m3h"),
    [(30, 53.6), (50, 75.0), (70, 95.6), (90, 115.4), (110, 134.4), (130, 152.6), (150, 170.0)],
)
def test_din_by_area(area_m2: float, flow_m3h: float) -> None:
    # q = -0.001 A2 + 1.15 A + 20 (seen in a planner's worked example), worked out by hand at the areas of its table.
    assert dwelling_need("din_1946_6", float(area_m2), 2).flow_m3h == pytest.approx(flow_m3h, abs=0.05)


def test_din_worked_example() -> None:
    # A planner's example (seen): flat of 75 m2, supply to living room, bedroom and child's room, extract from kitchen
    # and bathroom; 3 people 90 m3/h, kitchen and bathroom 45 + 45 = 90, by area 101; so 101 m3/h.
    found = rates(flat(), read_table("din_1946_6"))
    by_people = next(need for need in found.needs if need.row == "by people")
    assert by_people.flow_m3h == pytest.approx(90.0)
    assert found.room_extract_m3h == pytest.approx(90.0)
    assert (found.supply_m3h, found.extract_m3h) == (101.0, 101.0)


def test_din_ends_of_its_table() -> None:
    # Answers of a calculation program's makers (seen): under 30 m2 the flows of 30 m2; over 210 m2 no row.
    assert dwelling_need("din_1946_6", 22.0, 1).flow_m3h == pytest.approx(53.6, abs=0.05)
    table = read_table("din_1946_6")
    needs = needs_of(plan_of({}, (), area_m2=211.0, people=3), table, table.chosen(None))
    assert any("by area" in fault and "211" in fault for fault in needs.faults)


@pytest.mark.parametrize(
    ("category", "factor"),
    [
        ("reduced", 0.7),
        ("moisture protection, less insulated", 0.4),
        ("moisture protection, well insulated", 0.3),
    ],
)
def test_din_levels(category: str, factor: float) -> None:
    # Factors on the nominal flow of 70 m2, 95.6 (memory).
    need = dwelling_need("din_1946_6", 70.0, 2, category=category)
    assert need.flow_m3h == pytest.approx(95.6 * factor, abs=0.05)
    assert need.seen == "remembered"
    # The kitchen's 45 shrink alike: the table's own reading, which its note says.
    assert room_need("din_1946_6", "kitchen", category).flow_m3h == pytest.approx(45.0 * factor)
    assert "own reading" in read_table("din_1946_6").note


# ---- EN 16798-1, annex B


@pytest.mark.parametrize(
    ("category", "per_m2", "per_person", "kitchen", "bathroom", "wc"),
    [("I", 0.49, 10.0, 28.0, 20.0, 14.0), ("II", 0.42, 7.0, 20.0, 15.0, 10.0), ("III", 0.35, 4.0, 14.0, 10.0, 7.0)],
)
def test_en(category: str, per_m2: float, per_person: float, kitchen: float, bathroom: float, wc: float) -> None:
    # L/s; 10, 7 and 4 per person were read for EN 15251 (seen), the rest is memory: all are marked so.
    by_area = dwelling_need("en_16798_1", 100.0, 2, people=1, category=category)
    by_people = dwelling_need("en_16798_1", 10.0, 2, people=10, category=category)
    rooms = {kind: room_need("en_16798_1", kind, category) for kind in ("kitchen", "bathroom", "wc")}
    assert by_area.flow_m3h == pytest.approx(100.0 * per_m2 * L_S)
    assert by_people.flow_m3h == pytest.approx(10.0 * per_person * L_S)
    assert [need.flow_m3h / L_S for need in rooms.values()] == pytest.approx([kitchen, bathroom, wc])
    assert {need.seen for need in (by_area, by_people, *rooms.values())} == {"remembered"}


# ---- by people


def test_by_people() -> None:
    # 30 m3/h a person, supply equal to extract (seen); kitchen 60 (seen, a handbook's table), bathroom 40 (memory).
    found = rates(plan_of(FLAT_ROOMS, FLAT_TERMINALS, people=4), read_table("by_people"))
    assert (found.supply_m3h, found.extract_m3h) == (120.0, 120.0)
    assert found.room_extract_m3h == pytest.approx(100.0)
    assert [one.minimum_m3h for one in found.designs if one.direction == "extract"] == [60.0, 40.0]


@pytest.mark.parametrize("name", SHIPPED)
def test_what_every_shipped_table_says(name: str) -> None:
    table: RateTable = read_table(name)
    assert table.edition
    assert table.where
    assert all(row.seen in ("read", "read secondary", "remembered") and row.table for row in table.row)
    # None of the documents themselves was at hand: no figure may claim that it was read there.
    assert all(row.seen != "read" for row in table.row)
