"""`hoodtrace virtual`: serve a virtual board until Ctrl-C."""

from __future__ import annotations

import tempfile
import time
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hoodtrace.errors import LinkError, LinkReason, UsageError

if TYPE_CHECKING:
    from hoodtrace.board.virtual import Transport


class ServedClock(StrEnum):
    """Whose pace the board keeps."""

    REAL = "real"
    FAST = "fast"


def virtual(
    world_folder: Annotated[
        Path | None, typer.Argument(help="Folder with a simulated house; without it the demo's house is drawn.")
    ] = None,
    pty: Annotated[bool, typer.Option("--pty", help="Serve a pseudo-terminal (the default).")] = False,
    socket: Annotated[str | None, typer.Option(metavar="HOST:PORT", help="Serve a TCP socket.")] = None,
    clock: Annotated[
        ServedClock, typer.Option(help="'real' time, or as 'fast' as the host keeps up.")
    ] = ServedClock.REAL,
    seed: Annotated[int | None, typer.Option(help="Draw the same house and air again.")] = None,
    flash: Annotated[
        Path | None, typer.Option(help="File that keeps the board's flash between runs: its settings and logs.")
    ] = None,
) -> None:
    """Serve a virtual board: the real firmware behind a simulated house."""
    from hoodtrace.board.scenario import demo_scenario
    from hoodtrace.board.world import write_world

    if pty and socket:
        raise UsageError("--pty and --socket exclude each other; give one")
    address = ("127.0.0.1", 0)
    if socket:
        host, colon, port = socket.rpartition(":")
        if not colon or not port.isdecimal() or int(port) > 65535:
            raise UsageError(f"--socket {socket!r} is not HOST:PORT; give for example 127.0.0.1:7000")
        address = (host, int(port))
    if world_folder is not None and seed is not None:
        raise UsageError("--seed draws a house, and a folder with one was given; give one of them")
    with tempfile.TemporaryDirectory(prefix="hoodtrace-world-") as drawn:
        if world_folder is None:
            seed = time.time_ns() % 1_000_000 if seed is None else seed
            truth = write_world(demo_scenario(seed), Path(drawn), seed)
            typer.echo(
                f"house: the demo's, seed {seed}; a visit of {truth.duration_s / 60.0:.0f} minutes, then stillness"
            )
        _serve(Path(drawn) if world_folder is None else world_folder, clock, socket is not None, address, flash)


def _serve(world: Path, clock: ServedClock, socket: bool, address: tuple[str, int], flash: Path | None) -> None:
    from hoodtrace.board.virtual import VirtualBoard

    transport: Transport = "socket" if socket else "pty"
    with VirtualBoard(world, clock.value, transport, address=address, flash=flash) as board:
        typer.echo(f"port: {board.port}")
        typer.echo(f"runs: {board.runtime}")
        typer.echo(f"Ctrl-C ends it. In another window, for example: hoodtrace board --port {board.port}")
        try:
            while board.running:
                time.sleep(0.2)
        except KeyboardInterrupt:
            return
        raise LinkError(LinkReason.UNPLUGGED, f"the virtual board ended by itself\n{board.log()}")
