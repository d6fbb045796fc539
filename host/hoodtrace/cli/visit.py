"""`hoodtrace visit`: make a visit's folder, lead through the house on a page, or tell where a visit stands."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hoodtrace.cli.enter import open_visit
from hoodtrace.errors import UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan
    from hoodtrace.dwelling.visit import Visit

PAGE_PORT = 8137


def visit(
    folder: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit; a new one is made.")],
    hood: Annotated[Path | None, typer.Option(help="Hood file for a new visit; a copy goes into the folder.")] = None,
    plan: Annotated[
        Path | None, typer.Option(help="Plan for a new visit: visit.toml, or terminals in a .csv or .xlsx file.")
    ] = None,
    old: Annotated[
        Path | None, typer.Option("--from", help="Copy plan (and hood file, without --hood) of an earlier visit.")
    ] = None,
    follow_up: Annotated[
        Path | None, typer.Option(help="As --from, and read three terminals of that visit first: what has moved?")
    ] = None,
    prepare: Annotated[
        bool, typer.Option("--prepare", help="Only make the one-page list to prepare the visit (prepare.pdf).")
    ] = False,
    list_: Annotated[bool, typer.Option("--list", help="Only tell where the visit stands.")] = False,
    format_: Annotated[str, typer.Option("--format", help="With --list: table or json.")] = "table",
    port: Annotated[str | None, typer.Option(help="Of the board; without it the board is looked for.")] = None,
    no_board: Annotated[bool, typer.Option("--no-board", help="Readings are entered by hand.")] = False,
    page_port: Annotated[int, typer.Option(help="Where the page is served.")] = PAGE_PORT,
    lan: Annotated[bool, typer.Option("--lan", help="Serve the local network too, for a phone: code and QR.")] = False,
    language: Annotated[str | None, typer.Option(help="en, de...; without it that of your system.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the page's address, open nothing.")] = False,
    any_firmware: Annotated[
        bool, typer.Option("--any-firmware", help="Take a board with other firmware than this program's.")
    ] = False,
) -> None:
    """Lead through a house, terminal by terminal, both hands on the hood."""
    if format_ not in ("table", "json"):
        raise UsageError(f"--format {format_!r}: give table or json")
    if sum(source is not None for source in (plan, old, follow_up)) > 1:
        raise UsageError("--plan, --from and --follow-up exclude each other; give one")
    known = None
    if follow_up is not None:
        from hoodtrace.dwelling.begin import follow_up as known_of

        known = known_of(open_visit(follow_up), hood or follow_up / "hood.toml")
    if not (folder / "visit.toml").exists():
        if list_:
            raise UsageError(f"{folder}: there is no visit. Make one: `hoodtrace visit {folder} --hood HOOD.toml`")
        _make(folder, hood, plan, old or follow_up, language, page_port, no_browser)
    elif plan is not None or old is not None or hood is not None:
        raise UsageError(f"{folder}: is a visit already; its plan and hood file stay. Leave --plan, --from, --hood out")
    opened = open_visit(folder)
    if prepare:
        _prepare(opened)
    elif list_:
        _list(opened, format_)
    else:
        if follow_up is not None and opened.begun:
            raise UsageError(f"{folder}: the visit has begun; --follow-up is for a new one")
        _begin(opened, known)
        _serve(opened.folder, port, not no_board, any_firmware, page_port, lan, language, not no_browser)


def _make(
    folder: Path,
    hood: Path | None,
    plan: Path | None,
    old: Path | None,
    language: str | None,
    page_port: int,
    no_browser: bool,
) -> None:
    """Make the folder: with a plan from a file or an earlier visit, else from a form on a page."""
    from hoodtrace.dwelling.begin import make_folder
    from hoodtrace.dwelling.plan import copied, read_plan

    if hood is None and old is not None:
        hood = old / "hood.toml"
    if hood is None:
        raise UsageError("a new visit needs the hood file: --hood HOOD.toml")
    if plan is not None:
        make_folder(folder, _plan_of(plan), hood)
    elif old is not None:
        make_folder(folder, copied(read_plan(old / "visit.toml")), hood)
    else:
        from hoodtrace.pages.plan_draft import forget_draft
        from hoodtrace.pages.plan_form import ask_for_plan

        asked = ask_for_plan(folder, page_port, language, not no_browser)
        if asked is None:
            raise UsageError(f"{folder}: no plan was made. Give one with --plan, or fill in the form")
        make_folder(folder, asked, hood)
        forget_draft(folder)
    typer.echo(f"{folder}: plan, hood file, traces/ and, once it begins, the journal")


def _plan_of(path: Path) -> Plan:
    from hoodtrace.dwelling.plan import read_plan

    if path.suffix.lower() == ".toml":
        return read_plan(path)
    from hoodtrace.dwelling.plan_table import plan_from_table

    found = plan_from_table(path)
    for note in found.notes:
        typer.echo(note)
    return found.plan


def _begin(opened: Visit, known: dict[str, Any] | None) -> None:
    import hoodtrace
    from hoodtrace.board.time_of_day import utc_text

    if opened.begun:
        return
    fields: dict[str, Any] = {"do": "begin", "software": f"hoodtrace {hoodtrace.__version__}"}
    if known is not None:
        fields["follow_up"] = known
    opened.decide(fields, utc_text())


def _prepare(opened: Visit) -> None:
    from hoodtrace.dwelling.prepare import as_lines, preparation
    from hoodtrace.reporting.prepare_page import prepare_pdf
    from hoodtrace.wire.whole_file import write_whole

    path = opened.folder / "prepare.pdf"
    write_whole(path, prepare_pdf(opened.plan, datetime.now().astimezone().date()))
    for line in as_lines(preparation(opened.plan)):
        typer.echo(line)
    typer.echo(str(path))


def _list(opened: Visit, format_: str) -> None:
    """Tell where the visit stands: the rows of the page."""
    from hoodtrace.dwelling.screen import Live
    from hoodtrace.dwelling.show import screen

    shown = screen(opened, Live(state="by hand"))
    rows = [
        {
            "id": row.id,
            "room": row.room,
            "direction": row.direction,
            "design_m3h": row.design_m3h,
            "state": row.state,
            "flow_m3h": row.flow_m3h,
            "expanded_m3h": row.expanded_m3h,
            "placements": row.n_placements,
            "by": row.by,
            "why": row.why,
        }
        for row in shown.rows
    ]
    if format_ == "json":
        typer.echo(json.dumps({"lines": shown.version, "mode": shown.mode, "terminals": rows}, ensure_ascii=False))
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for name in ("terminal", "room", "", "design m3/h", "reading m3/h", "±95 %", "times", "state"):
        right = "m3/h" in name or name in ("±95 %", "times")
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    for row in shown.rows:
        cells = (_cell(row.design_m3h), _cell(row.flow_m3h), _cell(row.expanded_m3h), str(row.n_placements or ""))
        table.add_row(escape(row.id), escape(row.room), row.direction, *cells, escape(_state(row.state, row.why)))
    console = Console(highlight=False)
    console.print(table)
    console.print(escape(f"{opened.plan.site.name}: {shown.n_done} of {shown.n_all} terminals"))
    if opened.begun:
        from hoodtrace.reporting.texts import Words

        words = Words("en")
        console.print(escape(f"Next: {words.say(shown.sentence)}"))


def _cell(number: float | None) -> str:
    return "" if number is None else f"{number:.1f}"


def _state(state: str, why: str) -> str:
    return f"{state}: {why}" if why else state


def _serve(
    folder: Path,
    port: str | None,
    with_board: bool,
    any_firmware: bool,
    page_port: int,
    lan: bool,
    language: str | None,
    open_browser: bool,
) -> None:
    from hoodtrace.board.desk import Desk
    from hoodtrace.pages.server import serve

    desk = Desk(folder, port, with_board, any_firmware)
    desk.start()
    try:
        serve(desk, port=page_port, lan=lan, language=language, open_browser=open_browser)
    finally:
        desk.stop()
    typer.echo(f"The visit stands in {folder}: go on any time with `hoodtrace visit {folder}`")
    typer.echo(f"What came of it: `hoodtrace report {folder}`")
