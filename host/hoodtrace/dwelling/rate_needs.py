"""What the rows of a rate table ask of one dwelling and of each of its rooms, m3/h, and what the plan lacks for that.

Nothing is assumed: a key that a row asks for and the plan does not have is named. Of several rows for one room and
direction, and of several for the dwelling, the largest counts; the others stay in the list.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodtrace.dwelling.rate_table import BedroomsRow, DwellingRow, RoomRow, seen_of

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Room
    from hoodtrace.dwelling.rate_table import Category, RateTable

DWELLING = "dwelling"
_NAMED = {
    "floor_area_m2": "site.floor_area_m2",
    "bedrooms": "site.bedrooms",
    "people": "site.people (how many live there)",
    "volume_m3": "site.volume_m3",
}


@dataclass(frozen=True, slots=True)
class Need:
    """What one row asks for at one place: the dwelling (no direction) or a room, m3/h; no `minimum`: a weight only."""

    row: str
    table: str
    where: str
    direction: str
    flow_m3h: float
    seen: str
    minimum: bool = True

    @property
    def words(self) -> str:
        """Row, where it stands, flow and whether it was read, for people.

        Examples
        --------
        >>> Need("by area", "Table 1.3, note", "dwelling", "", 97.2, "remembered").words
        '"by area" (Table 1.3, note) 97.2 m3/h, remembered'
        """
        return f'"{self.row}" ({self.table}) {self.flow_m3h:.1f} m3/h, {self.seen}'


@dataclass(frozen=True, slots=True)
class Needs:
    """All needs, what the plan lacks for them, and what should be known of how they were taken."""

    every: tuple[Need, ...]
    missing: tuple[str, ...]
    faults: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def whole(self) -> Need | None:
        """The largest need of the whole dwelling; None where no row speaks of it."""
        return max((n for n in self.every if n.where == DWELLING), key=lambda n: n.flow_m3h, default=None)

    def room(self, name: str, direction: str) -> Need | None:
        """Return a room's largest need in a direction; None where no row speaks of it."""
        mine = [n for n in self.every if (n.where, n.direction) == (name, direction)]
        return max(mine, key=lambda n: (n.minimum, n.flow_m3h), default=None)

    def minimum_m3h(self, name: str, direction: str) -> float:
        """Return the flow that a room must have in a direction, m3/h; 0 where no row gives a minimum."""
        need = self.room(name, direction)
        return need.flow_m3h if need is not None and need.minimum else 0.0


def needs_of(plan: Plan, table: RateTable, category: Category) -> Needs:
    """Return what the rows of a category ask of a plan's dwelling and rooms.

    Parameters
    ----------
    plan : Plan
    table : RateTable
    category : Category
        One of the table's own (`RateTable.chosen`).

    Returns
    -------
    Needs
        With `missing` or `faults` not empty it is not complete and must not be shared out.
    """
    rows = table.rows(category)
    room_rows = [row for row in rows if isinstance(row, RoomRow)]
    every: list[Need] = []
    missing: dict[str, None] = {}
    faults: list[str] = []
    notes: list[str] = []
    kinds = {room.name: room for room in plan.rooms}
    if room_rows:
        for terminal in plan.terminals:
            if terminal.room not in kinds:
                missing[unknown_kind(terminal.room)] = None
    for row in rows:
        if isinstance(row, RoomRow):
            continue
        given = {what: value for what in row.asks if (value := getattr(plan.site, what)) is not None}
        if lacking := [_NAMED[what] for what in row.asks if what not in given]:
            missing |= dict.fromkeys(lacking)
            continue
        flow_m3h = row.flow_m3h({what: float(value) for what, value in given.items()}) * category.factor
        faults += _faults(row, flow_m3h, given)
        notes += _notes(row, given)
        every.append(Need(row.name, row.table, DWELLING, "", flow_m3h, seen_of(row, category)))
    for room in plan.rooms:
        for row in room_rows:
            if room.kind not in row.rooms:
                continue
            given, lacking = _of_room(row, plan, room)
            if lacking:
                missing |= dict.fromkeys(lacking)
                continue
            flow_m3h = row.flow_m3h(given) * category.factor
            faults += _faults(row, flow_m3h, given)
            seen = seen_of(row, category)
            every.append(Need(row.name, row.table, room.name, row.direction, flow_m3h, seen, row.minimum))
    return Needs(tuple(every), tuple(missing), tuple(faults), tuple(notes))


def unknown_kind(room: str) -> str:
    """Return how the kind of a room is asked for."""
    return f'the kind of room "{room}" ([[room]] name = "{room}", kind = ...)'


def _of_room(row: RoomRow, plan: Plan, room: Room) -> tuple[dict[str, float], list[str]]:
    given: dict[str, float] = {}
    lacking = []
    for what in row.asks:
        if what == "volume_m3":
            site = plan.site
            parts = {
                f'floor_area_m2 of room "{room.name}"': room.floor_area_m2,
                _NAMED["volume_m3"]: site.volume_m3,
                _NAMED["floor_area_m2"]: site.floor_area_m2,
            }
            lacking += [name for name, value in parts.items() if value is None]
            # The height of a room is the dwelling's mean height.
            if room.floor_area_m2 is not None and site.volume_m3 is not None and site.floor_area_m2 is not None:
                given[what] = room.floor_area_m2 * site.volume_m3 / site.floor_area_m2
            continue
        value = getattr(room, what)
        if value is None:
            lacking.append(f'{what} of room "{room.name}"')
        else:
            given[what] = float(value)
    return given, lacking


def _faults(row: DwellingRow | BedroomsRow | RoomRow, flow_m3h: float, given: dict[str, float]) -> list[str]:
    words = ", ".join(f"{what} = {value:g}" for what, value in given.items())
    if math.isnan(flow_m3h):
        return [f'row "{row.name}" does not reach to {words}']
    if flow_m3h < 0.0:
        return [f'row "{row.name}" gives {flow_m3h:.1f} m3/h for {words}']
    return []


def _notes(row: DwellingRow | BedroomsRow, given: dict[str, float]) -> list[str]:
    area_m2 = given.get("floor_area_m2")
    if isinstance(row, DwellingRow) and area_m2 is not None and area_m2 < row.area_from_m2:
        return [f'row "{row.name}": {area_m2:g} m2 count as {row.area_from_m2:g} m2, where the row begins']
    return []
