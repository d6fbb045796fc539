"""What is said of design flows by a rate table: which row each comes from, which rows stay short, what to know."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from hoodtrace.dwelling.rate_needs import DWELLING
from hoodtrace.dwelling.sharing import DIRECTIONS

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Terminal
    from hoodtrace.dwelling.rate_needs import Need
    from hoodtrace.dwelling.sharing import Sharing

BY = {"minimum": "the rooms' rates", "people": "people", "area": "floor area", "equal": "equal parts"}


def design_from(sharing: Sharing, terminal: Terminal, flows: Mapping[str, int], head: str) -> str:
    """Return where a terminal's flow comes from: table, edition, rows, read or remembered; empty with no flow."""
    if not flows[terminal.id]:
        return ""
    words = []
    need = sharing.needs.room(terminal.room, terminal.direction)
    if need is not None and need.minimum:
        words.append(f"at least {need.words}")
    if flows[terminal.id] > sharing.minimum[terminal.id]:
        weight = "" if need is None or need.minimum else f", here {need.words}"
        rule = BY[sharing.rule(terminal.direction)]
        words.append(f"share of {sharing.governed_by()}, by {rule}{weight}")
    return f"{head}: {'; '.join(words)}"


def shorts(sharing: Sharing, flows: Mapping[str, int]) -> list[tuple[Need, float, str]]:
    """Return the rows that the flows do not fulfil: the need, what is given [m3/h], why."""
    sides = [
        sum(flows[t.id] for t in sharing.main if t.direction == direction)
        for direction in DIRECTIONS
        if any(t.direction == direction for t in sharing.main)
    ]
    dwelling = min(sides, default=0)
    found: list[tuple[Need, float, str]] = []
    for need in sharing.needs.every:
        here = [t for t in sharing.plan.terminals if (t.room, t.direction) == (need.where, need.direction)]
        given = dwelling if need.where == DWELLING else sum(flows[t.id] for t in here)
        if not need.minimum or given >= need.flow_m3h - 1e-9:
            continue
        if need.where == DWELLING:
            why = "flows by hand leave less"
        elif not here:
            why = f"no {need.direction} terminal there"
        else:
            why = "its terminals were given less by hand"
        found.append((need, float(given), why))
    return found


def notes_on(sharing: Sharing, flows: Mapping[str, int]) -> list[str]:
    """Return what has to be known of the flows: who is not reached, what the openings must give, an open flue."""
    plan = sharing.plan
    notes = []
    for t in plan.terminals:
        if not flows[t.id]:
            damp = " It is marked damp." if t.damp else ""
            notes.append(f"no row reaches {t.id} ({t.room}): give its flow by hand, --set {t.id}=FLOW.{damp}")
    if sharing.beside:
        ids = ", ".join(t.id for t in sharing.beside)
        notes.append(f"beside a heat-recovery system these carry only the minimums of their rooms: {ids}")
    notes += [
        f'system "{system.name}" is natural: its flows are what the openings are sized for; weather moves them'
        for system in plan.systems
        if system.kind == "natural"
    ]
    supply, extract = (sum(flows[t.id] for t in plan.terminals if t.direction == d) for d in DIRECTIONS)
    if supply != extract:
        way = "in" if extract > supply else "out"
        notes.append(f"{abs(extract - supply)} m3/h have to find their way {way} through openings and leaks")
    if extract > supply and not plan.flue_excluded:
        notes.append(
            "extract is above supply and an open-flued appliance is not excluded: extract can draw its fumes into the "
            "room. Have that looked at by a competent person before these flows are set."
        )
    return notes
