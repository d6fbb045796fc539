"""`hoodtrace export`: a visit's readings, samples and decisions as CSV and Parquet, with a data dictionary."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from hoodtrace.errors import FileError

FOLDER = "export"
FILES = {"readings": ("readings",), "samples": ("samples",), "all": ("readings", "samples", "journal")}


def export(
    visit: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")],
    what: Annotated[
        Literal["readings", "samples", "all"],
        typer.Option(help="readings; samples of all traces; or all, the decisions too."),
    ] = "readings",
    window: Annotated[
        str | None,
        typer.Option(help="Samples of this only: a window's id, such as 01:3.1, or TRACE:START..END in s."),
    ] = None,
    output: Annotated[
        Literal["csv", "parquet", "both"], typer.Option("--format", help="csv, parquet or both.")
    ] = "both",
    to: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Where to; without it VISIT/export.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over files that export did not make or that were changed.")
    ] = False,
) -> None:
    """Write a visit's data for spreadsheets and programs. The visit itself is not changed."""
    import gc

    gc.disable()  # as in `readings`
    from hoodtrace.cli.printable import printable
    from hoodtrace.dwelling.review import Review
    from hoodtrace.reporting.export import Format, What
    from hoodtrace.reporting.export import export as exported

    files = FILES["samples" if window is not None and what == "readings" else what]
    formats: tuple[Format, ...] = ("csv", "parquet") if output == "both" else (output,)
    folder = visit / FOLDER if to is None else to
    review = Review(visit)
    review.load()
    for name in exported(review, What(files, window or ""), folder, formats, replace):
        typer.echo(printable(folder / name))
    problems = review.unusable()
    for problem in problems:
        typer.echo(printable(f"not in it: {problem['where']}: {problem['text']}"), err=True)
    if problems:
        raise FileError(visit, f"{len(problems)} of its files could not be used in full; the rest is in {folder}")
