"""`hoodtrace virtual`: serve a virtual board until Ctrl-C."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from hoodtrace.errors import LinkError, LinkReason, UsageError


class ServedClock(StrEnum):
    """Whose pace the board keeps."""

    REAL = "real"
    FAST = "fast"


def virtual(
    world_folder: Annotated[Path, typer.Argument(help="Folder with a simulated house.")],
    pty: Annotated[bool, typer.Option("--pty", help="Serve a pseudo-terminal (the default).")] = False,
    socket: Annotated[str | None, typer.Option(metavar="HOST:PORT", help="Serve a TCP socket.")] = None,
    clock: Annotated[
        ServedClock, typer.Option(help="'real' time, or as 'fast' as the host keeps up.")
    ] = ServedClock.REAL,
) -> None:
    """Serve a virtual board: the real firmware behind a simulated house."""
    import time

    from hoodtrace.board.virtual import VirtualBoard

    if pty and socket:
        raise UsageError("--pty and --socket exclude each other; give one")
    address = ("127.0.0.1", 0)
    if socket:
        host, colon, port = socket.rpartition(":")
        if not colon or not port.isdecimal() or int(port) > 65535:
            raise UsageError(f"--socket {socket!r} is not HOST:PORT; give for example 127.0.0.1:7000")
        address = (host, int(port))
    transport = "socket" if socket else "pty"
    with VirtualBoard(world_folder, clock.value, transport, address=address) as board:  # type: ignore[arg-type]
        typer.echo(f"port: {board.port}")
        typer.echo(f"runs: {board.runtime}")
        typer.echo("Ctrl-C ends it.")
        try:
            while board.running:
                time.sleep(0.2)
        except KeyboardInterrupt:
            return
        raise LinkError(LinkReason.UNPLUGGED, f"the virtual board ended by itself\n{board.log()}")
