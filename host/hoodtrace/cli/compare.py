"""`hoodtrace compare`: the same terminals over several visits, as a table, JSON, CSV, and a picture."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.compare import Cell, Comparison, Since

PLUS_MINUS, MINUS = "\N{PLUS-MINUS SIGN}", "\N{MINUS SIGN}"
WIDTHS = (6, 6, 6, 17, 17)
"""Of design, flow, half-width and the two changes."""


def compare(
    visits: Annotated[list[Path], typer.Argument(metavar="VISIT VISIT...", help="Folders of visits, in any order.")],
    output: Annotated[
        Literal["table", "json", "csv"], typer.Option("--format", help="How to print: table, json or csv.")
    ] = "table",
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw it too, into FILE.svg, .png or .pdf; replaces it.")
    ] = None,
) -> None:
    """Compare the terminals of several visits: what changed, and whether that is more than the hood can err."""
    from hoodtrace.cli.enter import open_visit
    from hoodtrace.dwelling.compare import compare as compared

    if picture is not None and picture.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise UsageError(f"--picture {picture}: the name must end in .svg, .png or .pdf")
    found = compared([open_visit(folder) for folder in visits])
    if picture is not None:
        _draw(found, picture)
    if output == "json":
        from hoodtrace.dwelling.compare_rows import comparison_json

        sys.stdout.write(json.dumps(comparison_json(found), allow_nan=False, ensure_ascii=False) + "\n")
    elif output == "csv":
        from hoodtrace.dwelling.compare_rows import COLUMNS, comparison_rows
        from hoodtrace.sheet_cells import csv_text

        sys.stdout.write(csv_text(COLUMNS, comparison_rows(found)))
    else:
        _print(found)
        if picture is not None:
            typer.echo(str(picture))


def _draw(found: Comparison, picture: Path) -> None:
    from hoodtrace.reporting.compare_picture import comparison_picture
    from hoodtrace.wire.whole_file import write_whole

    content = comparison_picture(found, picture.suffix)
    try:
        write_whole(picture, content)
    except OSError as error:
        raise FileError(picture, f"can't be written ({error.strerror}). Make room or name another file") from error


def _print(found: Comparison) -> None:
    from hoodtrace.cli.printable import printable, say

    names = [f"{head.utc[:10]} {Path(head.folder).name}" for head in found.visits]
    widest = max(len(name) for name in names)
    settings = len({row.setting for row in found.rows}) > 1
    titles = (f"{'':{widest}}", "design", "m3/h", f"{PLUS_MINUS} 95 %", "since before, %", "since first, %", "")
    typer.echo(
        "  ".join(f"{title:>{width}}" for title, width in zip(titles, (widest, *WIDTHS, 0), strict=True)).rstrip()
    )
    for row in found.rows:
        extra = f"{', ' + row.setting if settings else ''}{'' if row.hood_on else ', hood off'}"
        typer.echo(printable(f"{row.terminal} {row.room}, {row.direction}{extra}"))
        for cell, name in zip(row.cells, names, strict=True):
            *numbers, words = _shown(cell)
            columns = [f"{text:>{width}}" for text, width in zip(numbers, WIDTHS, strict=True)]
            typer.echo(printable("  ".join([f"{name:{widest}}", *columns, words])).rstrip())
    for s in found.sums:
        state = f"{', ' + s.setting if settings else ''}{'' if s.hood_on else ', hood off'}"
        without = f", without {', '.join(s.missing)}" if s.missing else ""
        n = f"{s.n} terminal{'' if s.n == 1 else 's'}"
        flow = f"{s.flow_m3h:.1f} {PLUS_MINUS} {s.expanded_m3h:.1f} m3/h"
        say(f"{names[s.visit]}: {s.direction} {flow} in all ({n}{without}{state})", "  ", "")
    for note in found.notes:
        say(note, "  ", "- ")
    chance = "with no change at all, one terminal in twenty is called so by chance"
    say(f"real: larger than the change's own 95 % half-width ({chance}); *: a person chose it in review", "  ", "")
    say("Design and flows in m3/h.")


def _shown(cell: Cell) -> list[str]:
    """Return design, flow, half-width, both changes, and what is to be said."""
    design = "" if cell.design_m3h is None else f"{cell.design_m3h:g}"
    if cell.result is None:
        return [design, "", "", "", "", cell.presence]
    words = [] if cell.by == "hood" else [cell.by]
    flow = f"{cell.result.flow_m3h:.1f}{'*' if cell.reviewed else ''}"
    changes = [_change(cell.before), _change(cell.first)]
    return [design, flow, f"{cell.result.expanded_m3h:.1f}", *changes, ", ".join([*words, *cell.result.flags])]


def _change(since: Since | None) -> str:
    if since is None:
        return ""
    rel, half = 100.0 * since.change.rel, 100.0 * since.change.expanded_rel
    return f"{rel:+.1f} {PLUS_MINUS} {half:.1f}{' real' if since.change.is_real else ''}".replace("-", MINUS)
