"""`hoodtrace report`: the record of a visit as a PDF and one page, for the customer and for whoever checks it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

UNITS = {"m3/h": "m3h", "L/s": "ls", "cfm": "cfm"}


def report(
    visit: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")],
    language: Annotated[str | None, typer.Option(help="en, de...; without it that of your system.")] = None,
    unit: Annotated[Literal["m3/h", "L/s", "cfm"], typer.Option(help="Unit that flows are shown in.")] = "m3/h",
    no_names: Annotated[
        bool,
        typer.Option(
            "--no-names",
            help="Leave out the customer, the site's name, notes and reasons; ids, rooms and settings stay.",
        ),
    ] = False,
) -> None:
    """Write report.pdf and report.html into the visit's folder: what was measured, how sure, what to do."""
    import gc

    gc.disable()  # as in `readings`
    from hoodtrace.cli.printable import printable
    from hoodtrace.reporting.report import write
    from hoodtrace.reporting.report_words import Options
    from hoodtrace.reporting.texts import Words, languages

    words = Words(language)
    if words.missing and language is not None:
        typer.echo(f"There is no language {printable(language)}: {', '.join(languages())}. English is taken.", err=True)
    for path in write(visit, Options(words.language, UNITS[unit], not no_names)):
        typer.echo(printable(path))
