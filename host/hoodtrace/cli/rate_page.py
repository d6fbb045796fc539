"""How design flows and rate tables are printed: text for people, one JSON object, CSV. m3/h, with L/s beside."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from hoodtrace.cli.printable import printable, say
from hoodtrace.units import L_S_PER_M3_S, m3_s

if TYPE_CHECKING:
    from hoodtrace.dwelling.rate_needs import Need
    from hoodtrace.dwelling.rate_table import RateTable
    from hoodtrace.dwelling.rates import Rates

CHECK = (
    "Figures marked remembered must be checked against the standard before use; local codes decide. Read secondary: "
    "another source quotes the figure."
)
_ASKED = {
    "floor_area_m2": "floor area",
    "bedrooms": "bedrooms",
    "people": "people",
    "volume_m3": "volume",
}


def as_row(found: Rates) -> dict[str, Any]:
    """Return the object that `--format json` prints."""
    head = {"title": found.title, "edition": found.edition, "where": found.where, "category": found.category}
    return {
        "table": head if found.title else None,
        "setting": found.setting,
        "supply_shared_by": found.by or None,
        "needs": [asdict(need) | {"flow_l_s": _l_s(need.flow_m3h)} for need in found.needs],
        "totals": {
            "whole_dwelling_m3h": found.whole_m3h,
            "rooms_extract_m3h": found.room_extract_m3h,
            "rooms_supply_m3h": found.room_supply_m3h,
            "supply_m3h": found.supply_m3h,
            "extract_m3h": found.extract_m3h,
            "governed_by": found.governed_by,
        },
        "terminals": _terminals(found),
        "under_fulfilled": [
            asdict(short.need) | {"given_m3h": short.given_m3h, "why": short.why} for short in found.shorts
        ],
        "notes": [*found.notes, CHECK],
    }


def as_csv(found: Rates) -> str:
    """Return the terminals as CSV, one a line."""
    rows = _terminals(found)
    return _csv(list(rows[0]) if rows else [], rows)


def print_rates(found: Rates, written: Path | None) -> None:
    """Print who gets what from which row, the totals, the rows that stay short, and what to know."""
    if found.title:
        typer.echo(printable(f"{found.title}, {found.edition} ({found.where}); category: {found.category}"))
        typer.echo(f"fan setting: {printable(found.setting)}; supply above the minimums shared by: {found.by}\n")
        typer.echo("asked for:")
        for need in found.needs:
            words = need.words if need.minimum else f"{need.words}, a share only"
            say(f"{_place(need)}: {words} ({_l_s(need.flow_m3h):.1f} L/s)", "      ", "  - ")
        say(f"the total comes from: {found.governed_by}")
        typer.echo("")
    _print_designs(found)
    both = (("supply", found.supply_m3h), ("extract", found.extract_m3h))
    typer.echo("; ".join(f"{side} {flow:g} m3/h ({_l_s(flow):.1f} L/s)" for side, flow in both) + "\n")
    typer.echo("from:")
    for design in found.designs:
        if design.design_from:
            say(f"{design.terminal}: {design.design_from}", "      ", "  - ")
    if found.shorts:
        typer.echo("\nnot fulfilled:")
        for short in found.shorts:
            say(f"{_place(short.need)}: {short.need.words}; {short.given_m3h:g} m3/h, {short.why}", "      ", "  - ")
    typer.echo("")
    for note in (*found.notes, CHECK):
        say(note, "  ", "- ")
    if written is not None:
        say(f"written: {written}")
    elif any(design.design_m3h is not None for design in found.designs):
        typer.echo("Nothing is written; --write puts these flows into the plan.")


def print_tables(tables: Mapping[str, RateTable], rows: bool, output: str) -> None:
    """Print tables with what each asks for, and with `rows` their rows."""
    if output == "json":
        found = {name: table.model_dump() | {"asks": _asks(table)} for name, table in tables.items()}
        sys.stdout.write(json.dumps(found, allow_nan=False, ensure_ascii=False) + "\n")
        return
    if output == "csv":
        flat = [
            {"table": name, "title": t.title, "edition": t.edition, "where": t.where, "row": row.name, "kind": row.kind}
            | {"categories": "; ".join(row.categories), "source": row.table, "unit": row.unit, "seen": row.seen}
            | {"figures": json.dumps(_figures(row))}
            for name, t in tables.items()
            for row in t.row
        ]
        sys.stdout.write(_csv(list(flat[0]), flat))
        return
    for name, table in tables.items():
        typer.echo(printable(f"{name}: {table.title}, {table.edition} ({table.where})"))
        if table.category:
            say("categories: " + ", ".join(f'"{category.name}"' for category in table.category), "    ", "  ")
        for what, words in _asks(table).items():
            say(f"asks of {what}: {', '.join(words) or 'nothing'}", "    ", "  ")
        if rows:
            say(table.note, "    ", "  ")
            for row in table.row:
                figures = ", ".join(f"{key} {value}" for key, value in _figures(row).items())
                say(f'"{row.name}" ({row.table}): {figures}; {row.unit}, {row.seen}', "      ", "  - ")
    say(CHECK)
    if not rows:
        typer.echo("hoodtrace rates --list --table NAME shows the rows; hoodtrace rates VISIT --table NAME uses them.")


def _print_designs(found: Rates) -> None:
    columns = ("terminal", "room", "system", "direction", "m3/h", "L/s", "was m3/h")
    lines: list[tuple[str, ...]] = [columns]
    for one in found.designs:
        flow = ("-", "-") if one.design_m3h is None else (f"{one.design_m3h:g}", f"{_l_s(one.design_m3h):.1f}")
        was = "-" if one.was_m3h is None else f"{one.was_m3h:g}"
        lines.append((one.terminal, one.room, one.system, one.direction, *flow, was))
    lines = [tuple(printable(cell) for cell in line) for line in lines]
    widths = [max(len(line[i]) for line in lines) for i in range(len(columns))]
    for line in lines:
        cells = [
            cell.ljust(w) if i < 4 else cell.rjust(w) for i, (cell, w) in enumerate(zip(line, widths, strict=True))
        ]
        typer.echo("  ".join(cells).rstrip())


def _terminals(found: Rates) -> list[dict[str, Any]]:
    rows = []
    for one in found.designs:
        row = asdict(one)
        flow_m3h = row["design_m3h"]
        rows.append(row | {"design_l_s": None if flow_m3h is None else _l_s(flow_m3h)})
    return rows


def _place(need: Need) -> str:
    return f"{need.where} {need.direction}".strip()


def _asks(table: RateTable) -> dict[str, list[str]]:
    """Return what a table asks of the dwelling, of each room, and of rooms that share the rest."""
    dwelling: dict[str, None] = {}
    room: dict[str, None] = {}
    for row in table.row:
        of_room = row.kind == "room"
        asked = [
            "floor area (with the site's and its volume)" if of_room and w == "volume_m3" else _ASKED[w]
            for w in row.asks
        ]
        (room if of_room else dwelling).update(dict.fromkeys(asked))
    kinds = ["kind"] if any(row.kind == "room" for row in table.row) else []
    by = {"people": "people in each", "area": "floor area of each", "equal": "their kinds"}[table.rest_supply]
    return {"the dwelling": list(dwelling), "its rooms": [*kinds, *room], "rooms with supply": [f"{by} (see --by)"]}


def _figures(row: Any) -> dict[str, Any]:
    kept = ("name", "table", "unit", "seen", "categories", "kind")
    values = row.model_dump(exclude_defaults=True)
    return {key: value for key, value in values.items() if key not in kept}


def _csv(columns: list[str], rows: list[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _l_s(flow_m3h: float) -> float:
    return round(m3_s(flow_m3h) * L_S_PER_M3_S, 3)
