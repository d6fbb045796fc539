"""`hoodtrace archive`: all visits below a folder as one Parquet dataset, and questions to it."""

from __future__ import annotations

import os
import sys
from decimal import Decimal
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from typer.core import TyperGroup

from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    from hoodtrace.archive.ask import Answer
    from hoodtrace.archive.gather import Workers

MAKE, ASK = "FOLDER", "ask"
MOST_ROWS = 1000
"""So many rows are shown as a table."""
MANY = 1e6


class _FolderOrAsk(TyperGroup):
    """A group in which anything that is not `ask` is a folder."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in (ASK, "--help"):
            args = [MAKE, *args]
        return super().parse_args(ctx, args)


archive = typer.Typer(
    cls=_FolderOrAsk,
    no_args_is_help=True,
    rich_markup_mode=None,
    subcommand_metavar="FOLDER [OPTIONS] | ask [ARCHIVE] SQL",
    help="All visits below FOLDER as one Parquet dataset (`archive FOLDER --help`), and questions to it (`archive ask "
    "--help`). A folder that is called ask is given as ./ask.",
)


@archive.command(MAKE)
def make(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where visits lie, at any depth.")],
    to: Annotated[
        Path | None, typer.Option(metavar="ARCHIVE", help="Where to; without it FOLDER/hoodtrace-archive.")
    ] = None,
    samples: Annotated[bool, typer.Option("--samples", help="All samples of all traces too.")] = False,
    customers: Annotated[
        bool,
        typer.Option("--customers", help="Customers, site names, folders and what people noted too; else none of it."),
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Read all traces again with this version, changed or not.")
    ] = False,
    jobs: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Processes that read visits; without it one a core.")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Read visits on the workers of dask.distributed there.")
    ] = None,
) -> None:
    """Bring the archive of all visits below FOLDER up to date. What has not changed is not read again."""
    if jobs is not None and scheduler is not None:
        raise UsageError("--jobs is for this machine's processes, --scheduler for others': give one of them")
    # Each process works alone on its visit. Before numpy is there: afterwards it does not look.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    from hoodtrace.archive.found import Options
    from hoodtrace.archive.gather import gather
    from hoodtrace.archive.places import DEFAULT
    from hoodtrace.cli.printable import printable

    where = folder / DEFAULT if to is None else to
    found = gather(folder, where, Options(samples, customers), _workers(jobs, scheduler), again, _Progress())
    for note in found.notes:
        typer.echo(printable(f"note: {note}"), err=True)
    for path, why in found.wrong:
        typer.echo(printable(f"not in it: {path}: {why}"), err=True)
    rows = ", ".join(f"{n} {name}" for name, n in found.rows.items())
    removed = f", {len(found.removed)} that {'is' if len(found.removed) == 1 else 'are'} gone removed"
    typer.echo(printable(f"{where}: {rows}; {found.n_read} visits read{removed if found.removed else ''}"))
    if found.wrong:
        raise FileError(folder, f"{len(found.wrong)} things in it could not be used; the rest is in {where}")


@archive.command(ASK)
def ask(
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[ARCHIVE] SQL", help="The archive (without it the one here), and one SELECT."),
    ] = None,
    ready: Annotated[str | None, typer.Option(metavar="NAME", help="A question that is ready, instead of SQL.")] = None,
    list_: Annotated[bool, typer.Option("--list", help="The ready questions, and all tables with their columns.")] = (
        False
    ),
    output: Annotated[
        Literal["table", "csv", "json"], typer.Option("--format", help="How to print: table, csv or json.")
    ] = "table",
) -> None:
    """Ask an archive: one SELECT over its tables, or a question that is ready. Nothing is written."""
    if list_:
        _print_list(output)
        return
    from hoodtrace.archive.ask import archive_at
    from hoodtrace.archive.ask import ask as asked
    from hoodtrace.archive.ask import ready as ready_one

    words = words or []
    if len(words) > (2 if ready is None else 1) or (not words and ready is None):
        raise UsageError(
            "give an archive, if it is not the one here, and one question in quotes: archive ask ARCHIVE 'SELECT ...'; "
            "or --ready NAME; --list shows both"
        )
    chosen = None if ready is None else ready_one(ready)
    sql = words[-1] if chosen is None else chosen.sql
    place = words[:-1] if chosen is None else words
    answer = asked(archive_at(Path(place[0]) if place else None), sql)
    if output == "json":
        _print_json(answer)
    elif output == "csv":
        _print_csv(answer)
    else:
        _print_table(answer)
        if chosen is not None:
            _say_limits(chosen.says, chosen.limits)


def _workers(jobs: int | None, scheduler: str | None) -> Workers:
    if scheduler is not None:
        from hoodtrace.archive.dask_workers import by_dask

        return by_dask(scheduler)
    from hoodtrace.archive.gather import by_processes

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return by_processes(cores if jobs is None else jobs)


class _Progress:
    """One line on a terminal that says how far it is."""

    def __call__(self, n_read: int, n_all: int) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{n_read} of {n_all} visits read{chr(10) if n_read == n_all else ''}")
            sys.stderr.flush()


# ---- printing


def _print_json(answer: Answer) -> None:
    import json

    rows = [dict(zip(answer.columns, row, strict=True)) for batch in answer.batches for row in batch]
    content = {"columns": list(answer.columns), "rows": rows}
    sys.stdout.write(json.dumps(content, allow_nan=False, ensure_ascii=False) + "\n")


def _print_csv(answer: Answer) -> None:
    import csv

    from hoodtrace.sheet_cells import cell_of, guarded

    writer = csv.writer(sys.stdout, lineterminator="\n")
    # A long answer is never here as a whole. One that fails at once prints nothing, so the first batch comes before the
    # names of the columns.
    first = next(answer.batches, [])
    writer.writerow([guarded(name) for name in answer.columns])
    for batch in chain([first], answer.batches):
        writer.writerows([[cell_of(_text(value)) for value in row] for row in batch])


def _text(value: Any) -> Any:
    """Return a list or an object as JSON, anything else as it is."""
    if isinstance(value, list | dict):
        import json

        return json.dumps(value, allow_nan=False, ensure_ascii=False)
    return value


def _print_table(answer: Answer) -> None:
    from hoodtrace.cli.printable import printable
    from hoodtrace.sheet_cells import cleaned

    rows: list[list[Any]] = []
    for batch in answer.batches:
        rows += batch
        if len(rows) > MOST_ROWS:
            break
    more, rows = len(rows) > MOST_ROWS, rows[:MOST_ROWS]
    heads = [printable(cleaned(name)) for name in answer.columns]
    cells = [[printable(cleaned(_shown(value))) for value in row] for row in rows]
    columns = list(zip(heads, *cells, strict=True))
    widths = [max(len(text) for text in column) for column in columns]
    of_numbers = [any(_is_number(row[i]) for row in rows) for i in range(len(heads))]
    for line in (heads, *cells):
        padded = [
            text.rjust(width) if right else text.ljust(width)
            for text, width, right in zip(line, widths, of_numbers, strict=True)
        ]
        typer.echo("  ".join(padded).rstrip())
    if more:
        typer.echo(f"Only the first {MOST_ROWS} rows are shown: ask for fewer (LIMIT), or take --format csv.", err=True)
    elif not rows:
        typer.echo("No row answers this.", err=True)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(value: Any) -> str:
    """Return a value for people: six digits of a number, or all before the point; no powers of ten.

    Examples
    --------
    >>> [_shown(value) for value in (0.1 + 0.2, 1e-7, 123456789.123, 40.0, -2.5, True, None, 7)]
    ['0.3', '0.0000001', '123456789', '40', '-2.5', 'true', '', '7']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= MANY else format(Decimal(f"{value:.5e}").normalize(), "f")
    return str(_text(value))


def _say_limits(says: str, limits: str) -> None:
    from hoodtrace.cli.printable import say

    typer.echo("")
    say(says)
    say(f"Limits: {limits}")


def _print_list(output: str) -> None:
    from hoodtrace.archive.ask import ready_questions
    from hoodtrace.archive.columns import ABOUT, ALL, dictionary_rows

    if output == "json":
        import json

        questions = [
            {"name": one.name, "says": one.says, "limits": one.limits, "sql": one.sql}
            for one in ready_questions().values()
        ]
        sys.stdout.write(json.dumps({"ready": questions, "columns": dictionary_rows()}, ensure_ascii=False) + "\n")
        return
    if output == "csv":
        from hoodtrace.sheet_cells import csv_text

        sys.stdout.write(csv_text(("table", "column", "unit", "type", "meaning"), dictionary_rows()))
        return
    from hoodtrace.cli.printable import say

    typer.echo("Ready questions (archive ask --ready NAME):")
    for one in ready_questions().values():
        say(f"{one.name}: {one.says} Limits: {one.limits}", "    ", "  ")
    say('Names of columns that are words of SQL go in double quotes: "by", "use".', "", "\n")
    for name, columns in ALL.items():
        typer.echo(f"\nTable {name}: {ABOUT[name]}")
        width = max(len(column.name) for column in columns)
        for column in columns:
            unit = "" if column.unit in ("none", "1") else f" [{column.unit}]"
            say(f"{column.meaning}{unit}", " " * (width + 4), f"  {column.name:{width}}  ")
