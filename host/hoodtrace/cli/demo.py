"""`hoodtrace demo`: a whole visit without hardware, from the firmware to readings beside the truth and the report."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hoodtrace.errors import UsageError

if TYPE_CHECKING:
    from hoodtrace.averaging.table import Row, Table
    from hoodtrace.board.recorder import Status
    from hoodtrace.dwelling.visit import Visit

BEGINS = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
"""The demo's own time of day: a simulated house has no other."""
MARK = "made-by-hoodtrace-demo"
TRACE = "visit.trace"
ANSWERS = {"outdoor_c": 6.0, "indoor_c": 20.8, "wind": "light"}
"""What the demo's tuner answers; to other questions the first choice."""


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to leave the visit.")] = Path("hoodtrace-demo"),
    seed: Annotated[int | None, typer.Option(help="Draw the same house and air again.")] = None,
    page: Annotated[
        bool, typer.Option("--page", help="On the page of a visit, in real time: a first reading within two minutes.")
    ] = False,
    page_port: Annotated[int, typer.Option(help="Where the page is served.")] = 8137,
    lan: Annotated[bool, typer.Option("--lan", help="Serve the local network too, for a phone: code and QR.")] = False,
    language: Annotated[str | None, typer.Option(help="Of the page; without it that of your system.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the page's address, open nothing.")] = False,
) -> None:
    """Visit a simulated house: real firmware, recorder, averaging and report, no hardware."""
    from hoodtrace.averaging.table import readings_of
    from hoodtrace.board.scenario import demo_scenario
    from hoodtrace.board.world import write_world

    begun_s = time.monotonic()
    seed = time.time_ns() % 1_000_000 if seed is None else seed
    visit = _begun(folder, seed)
    if page:
        from hoodtrace.cli.demo_page import lead

        lead(folder, seed, page_port, lan, language, not no_browser)
        return
    with tempfile.TemporaryDirectory(prefix="hoodtrace-world-") as world:
        write_world(demo_scenario(seed), Path(world), seed)
        truth = json.loads((Path(world) / "truth.json").read_text())
        runtime = _record(Path(world), folder / "traces" / TRACE, truth["duration_s"])
    (folder / "traces" / "visit.truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    found = readings_of(folder / "traces" / TRACE, folder / "hood.toml")
    _give(visit, found, truth)
    _print(found, truth, folder)
    typer.echo(f"The firmware ran under {runtime}; seed {seed}; {time.monotonic() - begun_s:.1f} s in all.")
    if not runtime.startswith("MicroPython"):
        typer.echo("MicroPython is not there for this machine: the firmware's files ran under CPython with a shim.")
    from hoodtrace.reporting.report import write
    from hoodtrace.reporting.report_words import Options

    pdf, page_file = write(folder, Options())
    typer.echo(f"Report: {pdf} and {page_file.name}: what a customer and an official would get")
    typer.echo(f"Visit: {folder} (plan, hood file, journal, traces/{TRACE} and the truth beside it)")
    command = "hoodtrace" if shutil.which("hoodtrace") else sys.argv[0]
    typer.echo(f"Next:  {command} readings {folder / 'traces' / TRACE} --hood {folder / 'hood.toml'}")
    typer.echo(f"       {command} balance {folder}")
    typer.echo(f"       {command} verify {folder}")
    typer.echo(f"The same on a page, in real time:  {command} demo --page")
    typer.echo("On a real visit: a platform with both feet level, no reaching, a qualified person where a fire burns.")


def _begun(folder: Path, seed: int) -> Visit:
    """Make the folder, begin the visit, and answer what is asked before the first reading."""
    from hoodtrace.board.scenario import demo_hood_toml, demo_visit_toml
    from hoodtrace.dwelling.visit import Visit

    _clear(folder)
    (folder / "traces").mkdir(parents=True)
    (folder / MARK).write_text(f"seed {seed}\n")
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    visit = Visit(folder)
    visit.decide({"do": "begin", "software": f"demo, seed {seed}"}, BEGINS.isoformat())
    while (question := visit.step().question) is not None:
        said: Any = ANSWERS.get(question.id, question.options[0] if question.options else None)
        visit.decide({"do": "answer", "question": question.id, "value": said}, BEGINS.isoformat())
    return visit


def _give(visit: Visit, found: Table, truth: Row) -> None:
    """Give each terminal the reading of its hold, the last one where the valve was turned meanwhile."""
    from hoodtrace.dwelling.window import reading_fields
    from hoodtrace.physics.hood import read_hood

    trace, (hood, _) = f"traces/{TRACE}", read_hood(visit.folder / "hood.toml")
    origin_s = _first_sample_s(visit.folder / trace)
    visit.decide({"do": "trace opened", "trace": trace}, BEGINS.isoformat())
    given = {(row["hold"], row["plateau"]): row for row in found.readings}
    outcomes = {(outcome.hold, outcome.plateau): outcome for outcome in found.outcomes}
    for hold in truth["holds"]:
        mine = [
            place
            for place, row in given.items()
            if hold["seated_s"] - 2.0 <= row["start_s"] + origin_s and row["end_s"] + origin_s <= hold["lifted_s"] + 2.0
        ]
        if mine:
            place = max(mine)
            fields = reading_fields(given[place], outcomes[place], hood)
            reading = {"terminal": hold["terminal"], "trace": trace, **fields, "after_turn": len(hold["plateaus"]) > 1}
            utc = (BEGINS + timedelta(seconds=given[place]["hold_end_s"])).isoformat()
            visit.decide({"do": "go", "terminal": hold["terminal"]}, utc)
            visit.decide({"do": "reading", "reading": reading}, utc)
    size = (visit.folder / trace).stat().st_size
    closed = {"do": "trace closed", "trace": trace, "bytes": size, "sha256": found.trace["sha256"]}
    visit.decide(closed, (BEGINS + timedelta(seconds=truth["duration_s"])).isoformat())


def _clear(folder: Path) -> None:
    """Make room for the visit: only a folder that demo made is replaced."""
    if not folder.exists():
        return
    if folder.is_dir() and (folder / MARK).is_file():
        shutil.rmtree(folder)
    elif not folder.is_dir() or any(folder.iterdir()):
        raise UsageError(f"{folder}: is there and was not made by demo. Name another folder, or move it away.")


def _record(world: Path, trace: Path, seconds: float) -> str:
    """Record the whole simulated visit through the real firmware; return what ran it."""
    from hoodtrace.board.link import open_board
    from hoodtrace.board.recorder import Recorder
    from hoodtrace.board.virtual import VirtualBoard
    from hoodtrace.wire.trace import TraceWriter

    end_us = round(seconds * 1e6)

    def clock(t_us: int) -> datetime:
        return BEGINS + timedelta(microseconds=t_us)

    with VirtualBoard(world, "fast", "pty", boot_seed=1) as board:

        def enough(status: Status) -> None:
            if status.last is not None and status.last["t_us"] >= end_us:
                recorder.stop()

        recorder = Recorder(open_board(board.port), TraceWriter(trace), clock=clock, on_status=enough, patience_s=10.0)
        recorder.run()
        return board.runtime


def _print(found: Table, truth: Row, folder: Path) -> None:
    """Print each plateau's reading beside the truth."""
    from rich.console import Console
    from rich.table import Table as Grid

    origin_s = _first_sample_s(folder / "traces" / TRACE)
    grid = Grid(show_edge=False, pad_edge=False, header_style="bold")
    for name in ("terminal", "", "reading m3/h", "±95 %", "truth m3/h", "off", "remarks"):
        grid.add_column(name, justify="left" if name in ("terminal", "", "remarks") else "right", overflow="fold")
    n_given = n_inside = 0
    shown: list[Row] = []
    for hold in truth["holds"]:
        for plateau in hold["plateaus"]:
            middle_s = (plateau["start_s"] + plateau["end_s"]) / 2.0 - origin_s
            true_m3h = plateau["flow_m3h"]
            row = _at(found.readings, middle_s)
            refused = None if row is not None else _at(found.refused, middle_s)
            entry = row or refused
            # Two levels of one hold that the averaging did not tell apart have one entry.
            same = ["same stretch as the row above"] if entry is not None and entry in shown else []
            shown += [] if entry is None else [entry]
            if row is not None:
                off = row["flow_m3h"] - true_m3h
                n_given += 1
                n_inside += abs(off) <= row["expanded_m3h"]
                remarks = "; ".join([*same, *row["flags"], *(f"{c['why']} cut out" for c in row["rejected"])])
                numbers = (f"{row['flow_m3h']:.1f}", f"{row['expanded_m3h']:.1f}", f"{true_m3h:.1f}", f"{off:+.1f}")
            else:
                remarks = "not found" if refused is None else "; ".join([f"refused: {refused['why']}", *same])
                estimate = "" if refused is None else f"about {refused['estimate_m3h']:.0f}"
                numbers = (estimate, "", f"{true_m3h:.1f}", "")
            grid.add_row(hold["terminal"], hold["direction"], *numbers, remarks)
    console = Console(highlight=False)
    console.print(grid)
    console.print(f"{n_inside} of {n_given} intervals hold the truth (95 % should, the hood's own errors included).")


def _at(rows: list[dict[str, Any]], at_s: float) -> dict[str, Any] | None:
    return next((row for row in rows if row["start_s"] - 2.0 <= at_s <= row["end_s"] + 2.0), None)


def _first_sample_s(trace: Path) -> float:
    """Return the board's time of the trace's first sample, s: the truth counts from the boot."""
    from hoodtrace.wire.decoder import Decoder

    with trace.open("rb") as file:
        return float(Decoder().feed(file.read(1 << 16)).samples.t_us[0]) * 1e-6
