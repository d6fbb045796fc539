"""From the outcome of a hold to what the journal keeps of it: live, and after an end of the program from the traces."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hoodtrace.averaging.session import Outcome
from hoodtrace.averaging.table import Table, readings_of
from hoodtrace.board.hold_cues import MEANT_US
from hoodtrace.dwelling.visit import HOOD, Visit
from hoodtrace.dwelling.window import reading_fields
from hoodtrace.errors import HoodtraceError
from hoodtrace.physics.hood import Hood


def chosen_of(plateaus: list[Outcome], turned: bool) -> Outcome | None:
    """Return the plateau of a hold that counts: the newest that is a reading, for that is what ended the hold.

    After a turned valve it must be the last one: those before are of another flow.
    """
    good = [p for p in (plateaus[-1:] if turned else plateaus) if p.averaged.refusal is None]
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
        chosen = chosen_of(found, held.get("target") is not None)
        if table is None or chosen is None:
            visit.decide({"do": "lost", "key": key, "why": "too short"}, utc)
            continue
        row = next(r for r in table.readings if (r["hold"], r["plateau"]) == (chosen.hold, chosen.plateau))
        fields = {"trace": name, **reading_fields(row, chosen, hood)}
        visit.decide({"do": "reading", "reading": fields, "key": key, "doubt": doubt_of(visit, key, fields)}, utc)
