"""`hoodtrace forget`: take what a visit has of its customer away, from its reports too."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from hoodtrace.errors import FileError, HoodtraceError, UsageError

STAYS = (
    "What stays: the site's name and notes in the plan, and what was typed into the journal, for the chain holds them. "
    "Copies elsewhere (a report that was sent, an export, an archive made with --customers, a backup) are not touched."
)


def forget(
    visit: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Remove customer.toml and the photos it names, and make the reports anew without names."""
    from hoodtrace.cli import ask
    from hoodtrace.cli.printable import printable, say
    from hoodtrace.cli.verify import REPORTS
    from hoodtrace.dwelling.customer import forget as forgotten
    from hoodtrace.dwelling.customer import of_customer

    if not (visit / "visit.toml").exists():
        raise UsageError(f"{visit}: there is no visit")
    going, reports = of_customer(visit), [visit / name for name in REPORTS if (visit / name).exists()]
    if not going and not reports:
        say(f"{visit}: has nothing of a customer: no customer.toml, no report.")
        return
    if not yes and sys.stdin.isatty():
        for path in going:
            typer.echo(printable(f"to be removed: {path}"))
        for path in reports:
            typer.echo(printable(f"to be made anew without names: {path}"))
        if not ask.yes("This can't be taken back. Go on?", default=False):
            typer.echo("Nothing was removed.")
            return
    for path in forgotten(visit):
        typer.echo(printable(f"removed: {path}"))
    if reports:
        for path in _made_anew(visit, reports):
            typer.echo(printable(f"made anew without names: {path}"))
    say(STAYS)


def _made_anew(visit: Path, reports: list[Path]) -> list[Path]:
    """Return the reports that were made anew; FileError, which names those that still show names, where that fails."""
    from hoodtrace.reporting.report import remake_without_names

    try:
        return remake_without_names(visit)
    except HoodtraceError as error:
        names = ", ".join(path.name for path in reports)
        text = f"the customer's files are gone, but {names} may still show names, for it can't be made anew ({error})"
        raise FileError(visit, f"{text}. Delete {names}, or mend that and run `hoodtrace forget` again") from error
