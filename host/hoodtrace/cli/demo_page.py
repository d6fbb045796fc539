"""`hoodtrace demo --page`: the page of a visit, with a virtual board and a person who walks through a simulated house.

The questions before the first reading are answered already; the person holds the hood on each terminal in its turn, in
real time, whatever the page says.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import typer


def lead(folder: Path, seed: int, page_port: int, lan: bool, language: str | None, open_browser: bool) -> None:
    """Serve the page of the visit in `folder` until Ctrl-C."""
    from hoodtrace.board.desk import Desk
    from hoodtrace.board.scenario import page_scenario
    from hoodtrace.board.virtual import VirtualBoard
    from hoodtrace.board.world import write_world
    from hoodtrace.pages.server import serve

    with tempfile.TemporaryDirectory(prefix="hoodtrace-world-") as name:
        truth = write_world(page_scenario(seed), Path(name), seed)
        with VirtualBoard(Path(name), "real", "pty", boot_seed=1) as board:
            typer.echo(f"A simulated house, seed {seed}, {truth.duration_s / 60.0:.0f} minutes in real time.")
            typer.echo(f"The firmware runs under {board.runtime}. Ctrl-C ends it.")
            desk = Desk(folder, board.port)
            desk.start()
            try:
                serve(desk, port=page_port, lan=lan, language=language, open_browser=open_browser)
            finally:
                desk.stop()
    typer.echo(f"Visit: {folder}. Its report: hoodtrace report {folder}. With your own board: hoodtrace visit {folder}")
