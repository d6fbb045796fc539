"""`hoodtrace install`: put this program's firmware on the board and see that it runs."""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def install(
    port: Annotated[str | None, typer.Option(help="Device; without it the board is looked for.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would be copied and removed; the board restarts.")
    ] = False,
) -> None:
    """Put this program's firmware on the board, and check what is there by hash."""
    from hoodtrace.board import install as work

    work.install(port, dry_run, lambda text: print(text, file=sys.stdout, flush=True))
