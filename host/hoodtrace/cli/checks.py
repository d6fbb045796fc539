"""`hoodtrace zero` and `hoodtrace placement`: the two short guided checks of a hood, as commands."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

Hood = Annotated[Path, typer.Option(help="The hood file; it is asked before anything is written into it.")]
Port = Annotated[str | None, typer.Option(help="Device or URL of the board; without it the board is looked for.")]
Out = Annotated[Path | None, typer.Option(help="The trace to record. Default: the time of day.")]
Write = Annotated[
    bool | None, typer.Option("--write/--no-write", help="Write into the hood file, or do not; else it is asked.")
]
Format = Annotated[Literal["table", "json"], typer.Option("--format", help="How to print: table or json.")]


def zero(
    hood: Hood,
    port: Port = None,
    trace: Annotated[Path | None, typer.Option(help="Look at the last 20 s of this trace instead.")] = None,
    window: Annotated[str | None, typer.Option(help="With --trace: START..END in seconds.")] = None,
    out: Out = None,
    write: Write = None,
    output: Format = "table",
) -> None:
    """Check the pressure chip's zero with its tubes bridged."""
    from hoodtrace.cli.hood_checks import zero_check

    zero_check(hood, port=port, trace=trace, window=window, out=out, write=write, output=output)


def placement(
    hood: Hood,
    port: Port = None,
    trace: Annotated[Path | None, typer.Option(help="Take readings of this trace instead.")] = None,
    holds: Annotated[str | None, typer.Option(help="With --trace: holds of one terminal, such as 1.1,2.1,3.1.")] = None,
    times: Annotated[int, typer.Option(help="How often to press the hood on.")] = 4,
    out: Out = None,
    write: Write = None,
    output: Format = "table",
) -> None:
    """Find how much readings differ from placement to placement on one terminal."""
    from hoodtrace.cli.hood_checks import placement_check

    placement_check(hood, port=port, trace=trace, holds=holds, n=times, out=out, write=write, output=output)
