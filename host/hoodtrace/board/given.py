"""From the outcome of a hold to what the journal keeps of it: live, and after an end of the program from the traces."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from hoodtrace.averaging.session import Outcome
from hoodtrace.averaging.table import Table, readings_of
from hoodtrace.board.hold_cues import MEANT_US
from hoodtrace.dwelling.visit import HOOD, Visit
from hoodtrace.dwelling.window import reading_fields
from hoodtrace.errors import HoodtraceError
from hoodtrace.physics.hood import Hood


def chosen_of(plateaus: list[Outcome], held: Mapping[str, Any]) -> Outcome | None:
    """Return the plateau of a hold that counts: the newest that is a reading, for that is what ended the hold.

    One that began after `ended_us` is of what was done to the valve then. After a turned valve it must be the last one:
    those before are of another flow, and so is one that began before `from_us`, when the turn was asked for.

    Parameters
    ----------
    plateaus : list of Outcome
        All of the hold.
    held : mapping of str to Any
        The journal's line of the hold: its `target`, and `from_us` and `ended_us` (us since boot) where it has them.
    """
    from_us, ended_us = held.get("from_us", 0), held.get("ended_us", math.inf)
    mine = plateaus[-1:] if held.get("target") is not None else [p for p in plateaus if p.start_us < ended_us]
    good = [p for p in mine if p.averaged.refusal is None and p.start_us >= from_us]
    return good[-1] if good else None


def doubt_of(visit: Visit, key: str, fields: Mapping[str, Any]) -> str:
    """Return why a reading is to be asked about; empty where its direction is the plan's."""
    wanted = visit.terminal(visit.state.held[key]["terminal"]).direction
    return "direction" if fields["direction"] not in (wanted, "unknown") else ""


def recover(visit: Visit, hood: Hood, utc: str) -> None:
    """Give holds that were called enough before the program ended their readings, from the traces as they lie there.

    Raises
    ------
    VisitError
        The journal can't be written.
    """
    tables: dict[str, Table | None] = {}
    for key, held in list(visit.state.held.items()):
        name = str(held["trace"])
        if name not in tables:
            try:
                tables[name] = readings_of(visit.folder / name, visit.folder / HOOD)
            except HoodtraceError:
                tables[name] = None
        table = tables[name]
        found = [
            o
            for o in (table.outcomes if table is not None else [])
            if o.boot == held["boot"] and abs(o.hold_start_us - int(held["start_us"])) < MEANT_US
        ]
        chosen = chosen_of(found, held)
        if table is None or chosen is None:
            visit.decide({"do": "lost", "key": key, "why": "too short"}, utc)
            continue
        row = next(r for r in table.readings if (r["hold"], r["plateau"]) == (chosen.hold, chosen.plateau))
        fields = {"trace": name, **reading_fields(row, chosen, hood)}
        visit.decide({"do": "reading", "reading": fields, "key": key, "doubt": doubt_of(visit, key, fields)}, utc)
