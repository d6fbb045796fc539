"""`hoodtrace rates`: design flows from published rates or by hand, shown, and written into the plan when asked.

Without a table the tables are listed with what each asks for. Nothing is written without --write, and never after the
visit has begun: its journal builds on the plan as it was.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from hoodtrace.errors import UsageError, VisitError

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan
    from hoodtrace.dwelling.rates import Rates

PLAN = "visit.toml"


def rates(
    visit: Annotated[Path | None, typer.Argument(help="The visit folder; not needed to list the tables.")] = None,
    table: Annotated[str | None, typer.Option(help="A table by its name, or a file of your own.")] = None,
    category: Annotated[str | None, typer.Option(help="Category of the table; its first where missing.")] = None,
    by: Annotated[
        Literal["people", "area", "equal"] | None,
        typer.Option(help="What supply above the minimums is shared by; the table's own rule where missing."),
    ] = None,
    setting: Annotated[str | None, typer.Option(help="Fan setting that the flows are for; the plan's first.")] = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", help="TERMINAL=FLOW in m3/h, by hand; as often as needed.")
    ] = None,
    list_: Annotated[bool, typer.Option("--list", help="List the tables, or the rows of the one named.")] = False,
    write: Annotated[bool, typer.Option("--write", help="Write the flows into the visit's plan.")] = False,
    output: Annotated[
        Literal["table", "json", "csv"], typer.Option("--format", help="How to print: table, json or csv.")
    ] = "table",
) -> None:
    """Design flows from published ventilation rates: who gets how much, from which row. Local codes decide."""
    from hoodtrace.cli import rate_page
    from hoodtrace.dwelling.rate_table import SHIPPED, read_table

    by_hand = _by_hand(set_ or [])
    if list_ or (table is None and not by_hand):
        if write:
            raise UsageError("--write needs flows: name a table with --table, or give flows with --set TERMINAL=FLOW.")
        names = [table] if table is not None else list(SHIPPED)
        rate_page.print_tables({name: read_table(name) for name in names}, table is not None, output)
        return
    if visit is None:
        raise UsageError("name the visit folder: hoodtrace rates VISIT --table NAME. --list shows the tables.")
    path = visit / PLAN
    if write:
        _not_begun(visit)
    plan, text = _plan(path)
    found = _found(plan, table, category, by, setting, by_hand, path)
    if write:
        _write(path, text, plan, found)
    if output == "json":
        row = rate_page.as_row(found) | {"written": str(path) if write else None}
        sys.stdout.write(json.dumps(row, allow_nan=False, ensure_ascii=False) + "\n")
    elif output == "csv":
        sys.stdout.write(rate_page.as_csv(found))
    else:
        rate_page.print_rates(found, None if not write else path)


def _found(
    plan: Plan,
    table: str | None,
    category: str | None,
    by: str | None,
    setting: str | None,
    by_hand: dict[str, float],
    path: Path,
) -> Rates:
    from hoodtrace.dwelling.rate_table import read_table
    from hoodtrace.dwelling.rates import by_hand_only, rates

    if table is None:
        if category is not None or by is not None:
            raise UsageError("--category and --by belong to a table: name it with --table.")
        return by_hand_only(plan, by_hand, setting)
    return rates(plan, read_table(table), category, by, setting, by_hand, path)


def _plan(path: Path) -> tuple[Plan, str]:
    from hoodtrace.dwelling.plan import read_plan

    plan = read_plan(path)
    return plan, path.read_bytes().decode("utf-8-sig")


def _not_begun(visit: Path) -> None:
    from hoodtrace.dwelling.journal import JOURNAL

    if (visit / JOURNAL).exists():
        raise UsageError(
            f"{visit}: this visit has begun ({JOURNAL} is there), so its plan is fixed. Make a new plan from it, "
            f"hoodtrace visit NEW --from {visit}, and write the flows there."
        )


def _write(path: Path, text: str, plan: Plan, found: Rates) -> None:
    from hoodtrace.dwelling.plan_flows import with_flows
    from hoodtrace.wire.whole_file import write_whole

    new = with_flows(text, found.filled(plan), path)
    try:
        write_whole(path, new.encode())
    except OSError as error:
        raise VisitError(path, f"can't be written ({error.strerror}). Make room or give rights to it.") from error


def _by_hand(words: list[str]) -> dict[str, float]:
    """Return the flows that --set gives, m3/h."""
    found: dict[str, float] = {}
    for word in words:
        terminal, _, flow = word.rpartition("=")
        try:
            flow_m3h = float(flow)
        except ValueError:
            terminal, flow_m3h = "", 0.0
        if not terminal or not 0.0 < flow_m3h < 1e5:
            raise UsageError(f"--set {word}: give TERMINAL=FLOW, the flow in m3/h and above 0, such as --set S1=40.")
        if terminal in found:
            raise UsageError(f"--set {word}: {terminal} is given twice.")
        found[terminal] = flow_m3h
    return found
