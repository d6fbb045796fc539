"""The same terminals over several visits: what each was, what changed, whether the change is real, and the sums.

`compare` takes open visits and gives frozen records in order of date. Only like is compared with like: the same id,
room and direction, the same fan setting, the hood on or off both times; what is not alike is said in `notes`. Flows are
those of `state.at`, so what a person chose in review is in them already. Reads the hood files, writes nothing.

References: JCGM 100:2008 (GUM) 5.1.2 and 5.2.2: errors that two flows share cancel in a change and add up in a sum
(memory). The change is that of the ratio, new flow over old.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Any, Literal

from hoodtrace.dwelling.compare_sums import sum_of
from hoodtrace.dwelling.moved import Change, change
from hoodtrace.dwelling.plan import Terminal
from hoodtrace.dwelling.result import Result, result
from hoodtrace.dwelling.state import Placement
from hoodtrace.dwelling.visit import HOOD, Visit
from hoodtrace.errors import UsageError, VisitError
from hoodtrace.physics.hood import read_hood
from hoodtrace.units import m3h

Presence = Literal["read", "not read", "not in the plan"]


@dataclass(frozen=True, slots=True)
class Head:
    """One of the visits: its folder, site, when it began (ISO 8601), and the hood file it was made with."""

    folder: str
    site: str
    utc: str
    hood: str
    hood_sha256: str


@dataclass(frozen=True, slots=True)
class Since:
    """The change of a flow since the visit with the index `visit`; `same_hood`: the hood's own part has cancelled."""

    visit: int
    change: Change
    same_hood: bool


@dataclass(frozen=True, slots=True)
class Cell:
    """A terminal in one visit; `result` is None where it was not read.

    `by` is what it was read with, `reviewed` whether a person's choice is in it. `before` is the change since the
    newest earlier visit in which it was read, `first` since the first.
    """

    presence: Presence
    design_m3h: float | None = None
    result: Result | None = None
    by: str = ""
    reviewed: bool = False
    before: Since | None = None
    first: Since | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """A terminal at one fan setting, with the hood on or off, over all visits: `cells` has one a visit."""

    terminal: str
    room: str
    direction: str
    setting: str
    hood_on: bool
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Sum:
    """The sum of what was read in one visit, one direction, one setting [m3/h]; `missing` are terminals not in it."""

    visit: int
    direction: str
    setting: str
    hood_on: bool
    flow_m3h: float
    u_flow_m3h: float
    dof: float | None
    expanded_m3h: float
    n: int
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Visits in order of date, rows in walking order of the newest plan, sums, and what was not alike."""

    visits: tuple[Head, ...]
    rows: tuple[Row, ...]
    sums: tuple[Sum, ...]
    notes: tuple[str, ...]


_Key = tuple[str, str, str, str, bool]  # id, room, direction, setting, hood on


def compare(visits: Sequence[Visit]) -> Comparison:
    """Compare the terminals of visits.

    Parameters
    ----------
    visits : sequence of Visit
        At least two, each begun, in any order.

    Returns
    -------
    Comparison
        Its visits are in order of the time they began.

    Raises
    ------
    UsageError
        Fewer than two visits, one twice, or one that has not begun.
    VisitError
        A visit does not say when it began.
    HoodError
        A hood file can't serve.
    """
    if len(visits) < 2:
        raise UsageError("one visit is nothing to compare: name two or more")
    folders = [visit.folder.resolve() for visit in visits]
    if len(set(folders)) < len(folders):
        raise UsageError("a visit is named twice: name each once")
    visits = sorted(visits, key=_began)
    heads = tuple(_head(visit) for visit in visits)
    found = [dict(_readings(visit)) for visit in visits]
    rows = tuple(_row(key, visits, heads, found) for key in _keys(visits, found))
    sums = tuple(s for number, visit in enumerate(visits) for s in _sums(number, visit, rows))
    return Comparison(heads, rows, sums, tuple(_notes(visits, heads, rows)))


def alike(name: str) -> str:
    """Return a room's name without what is no difference: case, blanks, the way a letter is composed.

    Examples
    --------
    >>> alike("Living  room ") == alike("living room")
    True
    """
    return " ".join(unicodedata.normalize("NFC", name).casefold().split())


def _began(visit: Visit) -> datetime:
    if visit.state.begun is None:
        raise UsageError(f"{visit.folder}: the visit has not begun, so it has nothing to compare. Leave it out")
    utc = str(visit.state.begun.get("utc"))
    try:
        when = datetime.fromisoformat(utc)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise VisitError(visit.folder, f"its journal does not say when the visit began ({utc!r})", "1")
    return when


def _head(visit: Visit) -> Head:
    hood, sha256 = read_hood(visit.folder / HOOD)
    return Head(str(visit.folder), visit.plan.site.name, str((visit.state.begun or {})["utc"]), hood.name, sha256)


def _readings(visit: Visit) -> Iterator[tuple[_Key, list[Placement]]]:
    """Yield what counts for each terminal, settings and hood on or off apart."""
    settings = dict.fromkeys([*visit.plan.settings, *(p.setting for p in visit.state.placements)])
    for terminal in visit.state.terminals(visit.plan):
        for setting in settings:
            here = [p for p in visit.state.placements if p.terminal == terminal.id and p.setting == setting]
            now = visit.state.at(terminal.id, setting) if here else []
            for on in (True, False):
                alike_now = [p for p in now if bool(p.entry.get("hood_on", True)) == on]
                if alike_now:
                    yield (*_of(terminal), setting, on), alike_now


def _of(terminal: Terminal) -> tuple[str, str, str]:
    return terminal.id, alike(terminal.room), terminal.direction


def _keys(visits: Sequence[Visit], found: Sequence[dict[_Key, list[Placement]]]) -> list[_Key]:
    """Return all rows: of the newest plan in its order, then what only older ones have; each read or not."""
    keys: dict[_Key, None] = {}
    for visit in reversed(visits):
        for terminal in visit.state.terminals(visit.plan):
            mine = dict.fromkeys(key for one in found for key in one if key[:3] == _of(terminal))
            order = {setting: place for place, setting in enumerate(visit.plan.settings)}
            never: list[_Key] = [(*_of(terminal), visit.plan.settings[0], True)]
            ordered = sorted(mine, key=lambda key: (order.get(key[3], len(order)), key[3], not key[4]))
            if not any(key[:3] == _of(terminal) for key in keys):
                keys |= dict.fromkeys(ordered or never)
    return list(keys)


def _row(
    key: _Key, visits: Sequence[Visit], heads: Sequence[Head], found: Sequence[dict[_Key, list[Placement]]]
) -> Row:
    cells: list[Cell] = []
    room = ""
    for number, visit in enumerate(visits):
        terminal = next((t for t in visit.state.terminals(visit.plan) if _of(t) == key[:3]), None)
        if terminal is None:
            cells.append(Cell("not in the plan"))
            continue
        room = terminal.room
        placements = found[number].get(key)
        if not placements:
            cells.append(Cell("not read", terminal.design(key[3])))
            continue
        reviewed = any(p.entry.get("reviewed") for p in placements)
        cell = Cell("read", terminal.design(key[3]), result(placements), _by(placements), bool(reviewed))
        earlier = [index for index, one in enumerate(cells) if one.result is not None]
        if earlier:
            first, before = (_since(index, cells[index], cell, heads, number) for index in (earlier[0], earlier[-1]))
            cell = replace(cell, before=before, first=first)
        cells.append(cell)
    return Row(key[0], room, key[2], key[3], key[4], tuple(cells))


def _by(placements: Sequence[Placement]) -> str:
    """Return what the readings were taken with; several meters are named together, so that nothing cancels."""
    return " and ".join(dict.fromkeys(str(p.entry.get("meter") or p.entry.get("by")) for p in placements))


def _since(index: int, old: Cell, new: Cell, heads: Sequence[Head], number: int) -> Since:
    same_hood = heads[index].hood_sha256 == heads[number].hood_sha256 and old.by == new.by == "hood"
    return Since(index, change(_fields(old), _fields(new), same_hood), same_hood)


def _fields(cell: Cell) -> dict[str, Any]:
    found = cell.result
    assert found is not None
    return {
        "by": cell.by,
        "flow_m3h": found.flow_m3h,
        "u_flow_m3h": found.u_flow_m3h,
        "dof": found.dof,
        "terms": [list(term) for term in found.terms],
    }


def _sums(number: int, visit: Visit, rows: Sequence[Row]) -> Iterator[Sum]:
    """Yield the sums of one visit."""
    of = {(row.direction, row.setting, row.hood_on): None for row in rows if row.cells[number].result is not None}
    for direction, setting, on in of:
        read = {}
        for row in rows:
            found = row.cells[number].result
            if found is not None and (row.direction, row.setting, row.hood_on) == (direction, setting, on):
                read[row.terminal] = found, row.cells[number].by
        r_k_c = next((float(p.entry["r_k_c"]) for p in visit.state.placements if p.entry.get("r_k_c")), 0.0)
        whole = sum_of(list(read.values()), r_k_c)
        there = [t.id for t in visit.state.terminals(visit.plan) if t.direction == direction]
        yield Sum(
            number,
            direction,
            setting,
            on,
            math.fsum(found.flow_m3h for found, _ in read.values()),
            m3h(whole.u_m3_s),
            None if whole.dof == math.inf else whole.dof,
            m3h(whole.expanded_m3_s),
            len(read),
            tuple(name for name in there if name not in read),
        )


def _notes(visits: Sequence[Visit], heads: Sequence[Head], rows: Sequence[Row]) -> Iterator[str]:
    if len({alike(head.site) for head in heads}) > 1:
        yield "the visits are of differently named sites: " + ", ".join(f"{h.folder}: {h.site}" for h in heads)
    changed = [f"{new.folder} ({new.hood})" for old, new in pairwise(heads) if old.hood_sha256 != new.hood_sha256]
    if changed:
        yield f"another hood file than the visit before: {', '.join(changed)}; its own part does not cancel there"
    named: dict[str, dict[tuple[str, str], str]] = {}
    for visit in visits:
        for terminal in visit.state.terminals(visit.plan):
            what = f"{terminal.direction} in {terminal.room} ({visit.folder})"
            named.setdefault(terminal.id, {}).setdefault(_of(terminal)[1:], what)
    for name, places in named.items():
        if len(places) > 1:
            yield f"{name} is not the same terminal everywhere and is not compared: {'; '.join(places.values())}"
    for row in rows:
        if row.terminal in named and len(named[row.terminal]) == 1:
            without = [heads[i].folder for i, cell in enumerate(row.cells) if cell.presence == "not in the plan"]
            if without:
                yield f"{row.terminal} ({row.room}) is not in the plan of {', '.join(dict.fromkeys(without))}"
