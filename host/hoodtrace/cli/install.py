"""`hoodtrace install`: put this program's firmware on the board and see that it runs.

Standard output gets a line a step. A board that can't take it, or a link that breaks, is 3; files on the board that no
install put there are 2, and nothing is changed. Stopped with Ctrl-C it can be run again, as after a pulled plug.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def install(
    port: Annotated[str | None, typer.Option(help="Device; without it the board is looked for.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would be copied and removed; the board restarts.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Also replace files of the same names that no install put there.")
    ] = False,
) -> None:
    """Put this program's firmware on the board, and check what is there by hash."""
    from hoodtrace.board import install as work

    try:
        work.install(port, dry_run, replace, lambda text: print(text, file=sys.stdout, flush=True))
    except KeyboardInterrupt:
        print("stopped: the board may be half done; run `hoodtrace install` again", file=sys.stderr)
        raise
