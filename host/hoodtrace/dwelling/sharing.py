"""Who gets how much of the air that a rate table asks for: the rule of rates.py, in whole m3/h.

Minimums first, a room's terminals alike; then what the total leaves, by weights. A group of terminals is one
heat-recovery system, or, where there is none, the whole dwelling; inside it supply equals extract. Flows that were set
by hand stand, the others take up the rest. All totals are whole numbers, so the sums are kept to the last m3/h.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from hoodtrace.dwelling.rate_needs import unknown_kind
from hoodtrace.dwelling.shares import shared, whole_at_least
from hoodtrace.errors import UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Room, Terminal
    from hoodtrace.dwelling.rate_needs import Needs
    from hoodtrace.dwelling.rate_table import RateTable

DIRECTIONS = ("supply", "extract")


class Sharing:
    """The rule for one plan, table and set of flows by hand.

    Parameters
    ----------
    plan : Plan
    table : RateTable
    needs : Needs
        Of this plan by this table.
    by : {"people", "area", "equal"}
        What the rest of the supply is shared by.
    pins : mapping of str to int
        Flows by hand [m3/h].

    Raises
    ------
    UsageError
        Flows by hand leave a wet room under its minimum.
    """

    def __init__(self, plan: Plan, table: RateTable, needs: Needs, by: str, pins: Mapping[str, int]) -> None:
        self.plan, self.table, self.needs, self.by, self.pins = plan, table, needs, by, pins
        self.rooms: dict[str, Room] = {room.name: room for room in plan.rooms}
        self.balanced = [system.name for system in plan.systems if system.kind == "heat-recovery"]
        self.main = [t for t in plan.terminals if not self.balanced or t.system in self.balanced]
        self.beside = [t for t in plan.terminals if self.balanced and t.system not in self.balanced]
        self.minimum = self._minimums()

    def rule(self, direction: str) -> str:
        """Return what the rest is shared by on a side: "minimum", "people", "area" or "equal"."""
        return self.table.rest_extract if direction == "extract" else self.by

    def missing(self) -> list[str]:
        """Return what the plan lacks for the sharing."""
        lacking = []
        for direction in DIRECTIONS:
            rule = self.rule(direction)
            rooms = list(dict.fromkeys(t.room for t in self._free(self.main, direction)))
            if direction == "supply" or rule in ("area", "people"):
                lacking += [unknown_kind(name) for name in rooms if name not in self.rooms]
            if rule not in ("area", "people") or len(rooms) < 2:
                continue
            key = "floor_area_m2" if rule == "area" else "people"
            takes_part = [self.rooms[name] for name in rooms if name in self.rooms]
            if direction == "supply":
                takes_part = [room for room in takes_part if room.kind in self.table.habitable]
            lacking += [f'{key} of room "{room.name}"' for room in takes_part if getattr(room, key) is None]
        return lacking

    def flows(self) -> tuple[dict[str, int], list[str]]:
        """Return the flow of each terminal, m3/h, 0 where no row reaches it; and what makes that impossible."""
        found = {t.id: self.pins.get(t.id, self.minimum[t.id]) for t in self.plan.terminals}
        faults: list[str] = []
        for system in self.balanced:
            for direction in DIRECTIONS:
                if not any(t.system == system and t.direction == direction for t in self.main):
                    faults.append(f'heat-recovery system "{system}" has no {direction} terminal in the plan')
        if faults:
            return found, faults
        for group, total in self._groups():
            for direction in DIRECTIONS:
                faults += self._share(group, direction, total, found)
        return found, faults

    def total(self) -> int:
        """Return the larger of the dwelling's need and the rooms' minimums on either side, m3/h."""
        whole = self.needs.whole
        floors = [self._floor(self.main, direction) for direction in DIRECTIONS]
        return max(0 if whole is None else whole_at_least(whole.flow_m3h), *floors)

    def governed_by(self) -> str:
        """Return what `total` comes from, for people."""
        whole = self.needs.whole
        total = self.total()
        if whole is not None and whole_at_least(whole.flow_m3h) >= total:
            return whole.words
        side = next(d for d in ("extract", "supply") if self._floor(self.main, d) == total)
        hand = " and flows by hand" if any(t.id in self.pins for t in self.main if t.direction == side) else ""
        return f"the rooms' {side} minimums{hand} together, {total} m3/h"

    def rooms_m3h(self, direction: str) -> float:
        """Return the sum of the minimums of all rooms of the plan on one side, m3/h, not rounded."""
        return sum(self.needs.minimum_m3h(room.name, direction) for room in self.plan.rooms)

    def _groups(self) -> list[tuple[list[Terminal], int]]:
        total = self.total()
        if len(self.balanced) < 2:
            return [(self.main, self._agreed(self.main, total))]
        groups = [[t for t in self.main if t.system == name] for name in self.balanced]
        floors = [self._floor(group, "extract") for group in groups]
        weights = [sum(self._weights(group, "extract").values()) for group in groups]
        rest = max(0, total - sum(floors))
        parts = shared(rest, weights if sum(weights) > 0.0 else [1.0] * len(groups))
        return [
            (group, self._agreed(group, max(floor + part, self._floor(group, "supply"))))
            for group, floor, part in zip(groups, floors, parts, strict=True)
        ]

    def _agreed(self, group: Sequence[Terminal], total: int) -> int:
        """Return the total that a group can have on both sides where flows by hand fix one of them."""
        fixed = [d for d in DIRECTIONS if any(t.direction == d for t in group) and not self._free(group, d)]
        if not fixed:
            return total
        return max(self._floor(group, direction) for direction in DIRECTIONS)

    def _share(self, group: Sequence[Terminal], direction: str, total: int, found: dict[str, int]) -> list[str]:
        free = self._free(group, direction)
        rest = total - self._floor(group, direction)
        if not free or rest <= 0:
            return []
        weights = self._weights(group, direction)
        if not any(weights.values()):
            names = ", ".join(f'"{name}"' for name in weights)
            rule = self.rule(direction)
            return [f"{rest} m3/h of {direction} can't be shared by {rule}: none of the rooms {names} counts there"]
        for name, part in zip(weights, shared(rest, list(weights.values())), strict=True):
            mine = [t for t in free if t.room == name]
            flow = part + sum(self.minimum[t.id] for t in mine)
            found |= zip((t.id for t in mine), shared(flow, [1.0] * len(mine)), strict=True)
        return []

    def _weights(self, group: Iterable[Terminal], direction: str) -> dict[str, float]:
        """Return the weight of each room with a free terminal here; a room of several groups counts in parts."""
        everywhere = [t.room for t in self._free(self.main, direction)]
        here = [t.room for t in self._free(group, direction)]
        single = len(set(everywhere)) < 2
        return {
            name: self._weight(name, direction, single) * here.count(name) / everywhere.count(name)
            for name in dict.fromkeys(here)
        }

    def _weight(self, name: str, direction: str, single: bool) -> float:
        rule = self.rule(direction)
        room = self.rooms.get(name)
        if direction == "supply" and (room is None or room.kind not in self.table.habitable):
            return 0.0
        if rule == "minimum":
            need = self.needs.room(name, direction)
            return 0.0 if need is None else need.flow_m3h
        if rule == "equal" or single or room is None:
            return 1.0
        value = room.floor_area_m2 if rule == "area" else room.people
        return 0.0 if value is None else float(value)

    def _free(self, group: Iterable[Terminal], direction: str) -> list[Terminal]:
        return [t for t in group if t.direction == direction and t.id not in self.pins]

    def _floor(self, group: Iterable[Terminal], direction: str) -> int:
        return sum(self.pins.get(t.id, self.minimum[t.id]) for t in group if t.direction == direction)

    def _minimums(self) -> dict[str, int]:
        """Return each terminal's part of its room's minimum; beside flows by hand the free ones carry what is left."""
        found = {t.id: 0 for t in self.plan.terminals}
        for name, direction in dict.fromkeys((t.room, t.direction) for t in self.plan.terminals):
            here = [t for t in self.plan.terminals if (t.room, t.direction) == (name, direction)]
            minimum_m3h = self.needs.minimum_m3h(name, direction)
            pinned = sum(self.pins.get(t.id, 0) for t in here)
            free = [t for t in here if t.id not in self.pins]
            left = max(0, whole_at_least(minimum_m3h - pinned))
            if free:
                found |= zip((t.id for t in free), shared(left, [1.0] * len(free)), strict=True)
            elif left and direction == "extract":
                need = self.needs.room(name, direction)
                row = "its row" if need is None else need.words
                raise UsageError(
                    f'{", ".join(t.id for t in here)}: {pinned} m3/h by hand are under what room "{name}" must have '
                    f"by {row}. A wet room is not set below its minimum: give more, "
                    "or take another table or category."
                )
        return found
