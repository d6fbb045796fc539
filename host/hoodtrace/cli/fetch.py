"""`hoodtrace fetch`: get the logs that the board wrote while nobody listened, as traces, and make room on the board.

Standard output gets a line a trace: path, lines, time span, SHA-256. A log is removed from the board only when its
trace is on the disk, and not with `--keep`. Nothing to fetch is no error (0); a link that breaks is 3, and a second run
goes on; damaged blocks are told, the rest is fetched, and the end is 4.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from hoodtrace.board.logs import LogTrace

TELL_S = 2.0


def fetch(
    port: Annotated[
        str | None, typer.Option(help="Device or URL (socket://host:port); without it the board is looked for.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the traces; it is made if it is not there.")] = Path("."),
    keep: Annotated[bool, typer.Option("--keep", help="Leave the logs on the board.")] = False,
    forget_damaged: Annotated[
        bool,
        typer.Option("--forget-damaged", help="Remove damaged logs too, once all that is good in them is here."),
    ] = False,
) -> None:
    """Fetch the logs that the board wrote while nobody listened."""
    from hoodtrace.board.link import find_board, open_board
    from hoodtrace.board.logs import ask_now, by_boot, fetch_boot, forget, list_logs
    from hoodtrace.board.talk import Talk
    from hoodtrace.errors import FileError, LinkError, UsageError
    from hoodtrace.wire.lines import SEQ_MODULUS

    if keep and forget_damaged:
        raise UsageError("--keep and --forget-damaged exclude each other: give one at a time")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(out, f"can't be made a folder: {error.strerror}; name another with --out") from error
    # A log holds replies to commands of earlier runs. Numbers of their own keep this run's replies apart.
    first = time.time_ns() // 1_000_000 % SEQ_MODULUS
    board = open_board(port, next_seq=first) if port is not None else find_board(next_seq=first)
    with Talk(board) as talk:
        try:
            files, now = list_logs(talk), ask_now(talk)
            if not files:
                print(f"nothing to fetch: the board on {talk.port} holds no log", file=sys.stderr)
                return
            tell = _progress(sum(file.n_blocks for file in files))
            damaged: list[str] = []
            for group in by_boot(files).values():
                found = fetch_boot(talk, group, out, now, tell)
                if found.trace is not None:
                    print(_words(found.trace), flush=True)
                damaged += [f"block {b} of log {n}" for n, b in found.damaged if n not in found.unread]
                damaged += [f"log {n} (the board names no boot or no block in it)" for n in found.unread]
                for number in [] if keep else [*found.whole, *(found.spoiled if forget_damaged else ())]:
                    forget(talk, number)
        except LinkError as error:
            raise LinkError(
                error.reason,
                f"{error}. Traces printed above are whole; every other log is still on the board: plug it in and run "
                "`hoodtrace fetch` again",
            ) from error
    if damaged:
        todo = (
            "they are removed from the board now"
            if forget_damaged
            else "these logs stay on the board; to remove them, run `hoodtrace fetch --forget-damaged`"
        )
        raise FileError(
            f"flash of the board on {talk.port}",
            f"damaged: {', '.join(damaged)}. All other blocks were fetched; {todo}",
        )


def _progress(n_blocks: int) -> Callable[[], None]:
    """Return what counts blocks, and says so on standard error every few seconds."""
    n, told, told_s = 0, False, time.monotonic()

    def count() -> None:
        nonlocal n, told, told_s
        n += 1
        if time.monotonic() - told_s >= TELL_S or (told and n == n_blocks):
            told, told_s = True, time.monotonic()
            print(f"{n} of {n_blocks} blocks", file=sys.stderr, flush=True)

    return count


def _words(found: LogTrace) -> str:
    seconds = round((found.last_us - found.first_us) * 1e-6)
    span = f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    there = "; was there already" if found.was_there else ""
    return f"{found.trace.path}  {found.n_lines} lines  {span}  sha256 {found.trace.sha256}{there}"
