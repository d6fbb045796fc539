"""`hoodtrace readings`: a trace and a hood file in, readings out, as a table for people, JSON or CSV."""

from __future__ import annotations

import gc
import json
import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from hoodtrace.cli.printable import printable
from hoodtrace.errors import MeasurementError, UsageError


def readings(
    trace: Annotated[Path, typer.Argument(help="The trace file.")],
    hood: Annotated[Path, typer.Option(help="The hood file the hood was calibrated with.")],
    output: Annotated[
        Literal["table", "json", "csv"], typer.Option("--format", help="How to print: table, json or csv.")
    ] = "table",
    window: Annotated[
        str | None, typer.Option(help="Average START..END (seconds) as one reading, whatever the hold finder says.")
    ] = None,
    automatic: Annotated[
        bool, typer.Option("--automatic", help="Leave out what a person chose in `review` of the trace's visit.")
    ] = False,
) -> None:
    """Find the holds in a trace and print one reading a plateau, with its uncertainty."""
    # A short process that makes no cycles worth finding: the collector would only walk the growing tables.
    gc.disable()
    from hoodtrace.averaging.table import readings_of

    span = None if window is None else span_of(window)
    found = readings_of(trace, hood, span)
    if span is None and not automatic and trace.resolve().parent.name == "traces":
        from hoodtrace.dwelling.choices import readings_as_chosen

        found, note = readings_as_chosen(found, trace)
        if note:
            sys.stderr.write(f"note: {printable(note)}\n")
    if output == "json":
        sys.stdout.write(json.dumps(found.as_json(), allow_nan=False, ensure_ascii=False) + "\n")
    elif output == "csv":
        sys.stdout.write(found.as_csv())
    else:
        from hoodtrace.cli.words import print_readings

        print_readings(found)
    if span is not None and not found.readings:
        why = found.refused[0]["why"] if found.refused else "no samples in it"
        raise MeasurementError(
            f"{trace}: the window {window} gives no reading ({why}). Choose a longer or steadier stretch."
        )


def span_of(window: str, option: str = "--window") -> tuple[float, float]:
    """Return the start and end in s that `--window A..B` names; UsageError where it names none."""
    from hoodtrace.wire.clock import stretch_s

    span = stretch_s(window)
    if span is None:
        raise UsageError(f"{option} {window}: give START..END in seconds, END after START, such as 12.5..40.")
    return span
