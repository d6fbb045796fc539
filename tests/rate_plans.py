"""Plans for the tests of rates: a few words of a house, nothing of what the package works out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from hoodtrace.dwelling.plan import Plan, Room, Rule, Site, System, Terminal

RoomWords = tuple[Any, float | None, int | None]
"""Kind, floor area in m2, people."""
TerminalWords = tuple[str, str, Any] | tuple[str, str, Any, str]
"""Id, room, direction and the system, which is "unit" where it is missing."""

UNIT = {"unit": "heat-recovery"}
FLAT_ROOMS: dict[str, RoomWords] = {
    "Living": ("living", 24.0, 3),
    "Bedroom": ("bedroom", 14.0, 2),
    "Child": ("bedroom", 10.0, 1),
    "Kitchen": ("kitchen", 9.0, 0),
    "Bath": ("bathroom", 6.0, 0),
}
FLAT_TERMINALS: tuple[TerminalWords, ...] = (
    ("S1", "Living", "supply"),
    ("S2", "Bedroom", "supply"),
    ("S3", "Child", "supply"),
    ("E1", "Kitchen", "extract"),
    ("E2", "Bath", "extract"),
)


def plan_of(
    rooms: Mapping[str, RoomWords],
    terminals: Sequence[TerminalWords],
    systems: Mapping[str, Any] = UNIT,
    settings: tuple[str, ...] = ("normal",),
    flue: Any = "no",
    area_m2: float | None = None,
    bedrooms: int | None = None,
    people: int | None = None,
    volume_m3: float | None = None,
) -> Plan:
    site = Site(
        name="house",
        floor_area_m2=area_m2,
        bedrooms=bedrooms,
        people=people,
        volume_m3=volume_m3,
        n50_per_h=None,
        open_flued_appliance=flue,
    )
    return Plan(
        site=site,
        systems=tuple(System(name=name, kind=kind) for name, kind in systems.items()),
        terminals=tuple(
            Terminal(id=words[0], room=words[1], direction=words[2], system=words[3] if len(words) > 3 else "unit")
            for words in terminals
        ),
        rooms=tuple(Room(name=n, kind=k, floor_area_m2=a, people=p) for n, (k, a, p) in rooms.items()),
        settings=settings,
        rule=Rule(),
        other_fans=(),
        appliances=(),
    )


def flat(area_m2: float | None = 75.0, bedrooms: int | None = 2, people: int | None = 3) -> Plan:
    """Return a flat with supply to living room and two bedrooms, extract from kitchen and bathroom."""
    return plan_of(FLAT_ROOMS, FLAT_TERMINALS, area_m2=area_m2, bedrooms=bedrooms, people=people)
