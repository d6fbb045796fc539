"""What people chose in review, put into the readings of a trace: marked, with the automatic reading beside it.

Choices are those of the visit that the trace lies in, made with the visit's own hood file; with another hood file, or
a trace that is not the one that was closed, they are left out, and that is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from hoodtrace.averaging.table import REFUSED_COLUMNS, Row, Table
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.reviewed import standing
from hoodtrace.dwelling.visit import HOOD, PLAN, TRACES, Visit
from hoodtrace.dwelling.window import Window
from hoodtrace.errors import HoodtraceError
from hoodtrace.physics.hood import read_hood


def readings_as_chosen(table: Table, trace: Path) -> tuple[Table, str]:
    """Return a table of a trace with the choices of its visit, and why they are left out, if they are.

    Rows that a person chose have ``chosen_by`` "person" and the automatic row as ``automatic`` (None where there is
    none). A window that was rejected, or merged into another, is among the refused.
    """
    folder = trace.resolve().parent.parent
    is_of_visit = trace.resolve().parent.name == TRACES and (folder / PLAN).exists() and (folder / JOURNAL).exists()
    if not is_of_visit:
        return table, ""
    try:
        visit = Visit(folder, past_damage=True)
        _, hood_sha256 = read_hood(folder / HOOD)
    except HoodtraceError as error:
        return table, f"what was chosen in review can't be shown: {error}"
    path = f"{TRACES}/{trace.name}"
    windows = [window for window in standing(visit.state.given, visit.state.reviewed).values() if window.trace == path]
    chosen = [window for window in windows if window.by == "person"]
    if not chosen:
        return table, ""
    if table.hood["sha256"] != hood_sha256 or not visit.is_rooted:
        return table, f"{len(chosen)} windows were chosen in review with another hood file or plan: not shown"
    closed = visit.state.traces.get(path, {}).get("sha256")
    if closed not in (None, table.trace["sha256"]):
        return table, f"{len(chosen)} windows were chosen in review of another trace than this one: not shown"
    note = "; ".join(text for _, text in visit.wrong)
    readings, refused = _rows(table, chosen)
    return replace(table, readings=readings, refused=refused), f"{folder / JOURNAL}: {note}" if note else ""


def _rows(table: Table, chosen: list[Window]) -> tuple[list[Row], list[Row]]:
    """Return readings and refusals with the chosen windows in the place of the automatic ones."""
    automatic = {(row["hold"], row["plateau"]): row for row in [*table.readings, *table.refused]}
    mine = {(window.hold, window.plateau) for window in chosen}
    readings = [row for row in table.readings if (row["hold"], row["plateau"]) not in mine]
    refused = [row for row in table.refused if (row["hold"], row["plateau"]) not in mine]
    for window in chosen:
        beside = automatic.get((window.hold, window.plateau))
        if window.gone and beside is None:
            continue
        marks: Row = {"chosen_by": "person", "notes": list(window.notes), "automatic": beside}
        if window.is_reading and not window.gone and not window.rejected:
            readings.append({**_plain(window.reading), **marks, "terminal": window.terminal})
        else:
            refused.append({**_refusal(window), **marks})
    return sorted(readings, key=_place), sorted(refused, key=_place)


def _plain(reading: Mapping[str, object]) -> Row:
    """Return a reading without its budget."""
    return {key: value for key, value in reading.items() if key not in ("terms", "r_k_c", "hood_on")}


def _refusal(window: Window) -> Row:
    row = {"estimate_m3h": window.reading.get("flow_m3h"), **window.reading}
    if window.rejected:
        row["why"] = f"rejected: {window.rejected}"
    elif window.gone:
        row["why"] = "merged into another window"
    return {key: row.get(key) for key in REFUSED_COLUMNS}


def _place(row: Row) -> tuple[int, int]:
    return row["hold"], row["plateau"]
