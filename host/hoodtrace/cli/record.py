"""`hoodtrace record`: keep the board streaming and write a trace until Ctrl-C or for a given time.

On a terminal one line shows flow, rate, losses and file size as they are; elsewhere a plain line every few seconds.
At the end standard output gets the trace's path, size and SHA-256. Ends with 3 if the board was gone when the time
was up; Ctrl-C is a clean end (0). With a hood file the board's buzzer says after each hold what became of it.
"""

from __future__ import annotations

import math
import signal
import sys
import time
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hoodtrace.cli.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

    from hoodtrace.board.link import Board
    from hoodtrace.board.live_flow import LiveFlow
    from hoodtrace.board.recorder import Recorder, Status
    from hoodtrace.physics.hood import Hood
    from hoodtrace.wire.decoder import Decoded
    from hoodtrace.wire.trace import TraceWriter

    Shown = tuple[Callable[[Status], None], Callable[[str], None]]

PLAIN_EACH_S = 5.0


def record(
    port: Annotated[
        str | None, typer.Option(help="Device or URL (socket://host:port); without it the board is looked for.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Trace file; an existing trace is continued. Default: the time of day.")
    ] = None,
    hood: Annotated[Path | None, typer.Option(help="Hood file: shows the flow while recording.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Stop after so many seconds.")] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No cues from the board's buzzer after each hold.")] = False,
    any_firmware: Annotated[
        bool, typer.Option("--any-firmware", help="Record also from a board with other firmware than this program's.")
    ] = False,
) -> None:
    """Record what the board says into a trace, until Ctrl-C."""
    from hoodtrace.board.fault_words import FaultWords
    from hoodtrace.board.hold_cues import HoldCues
    from hoodtrace.board.live_flow import LiveFlow
    from hoodtrace.board.recorder import Recorder
    from hoodtrace.errors import LinkError, LinkReason, UsageError
    from hoodtrace.physics.hood import read_hood

    if seconds is not None and not 0.0 < seconds < math.inf:
        raise UsageError(f"--seconds {seconds:g} is no time to record: give a number over 0")
    described = read_hood(hood)[0] if hood is not None else None
    flow = LiveFlow(described) if described is not None else None
    name = out if out is not None else Path(time.strftime("%Y%m%d-%H%M%S.trace"))
    board, trace = opened(port, name, any_firmware)
    words = "going on with" if trace.was_there else "recording to"
    print(f"board on {board.link.port}; {words} {trace.path}; Ctrl-C ends it", file=sys.stderr)
    if described is not None:
        _compare_edges(described, board.hello)
    n_logs = board.hello.get("logs")
    if isinstance(n_logs, int) and n_logs > 0:
        print(f"the board holds {n_logs} log(s) of its own: `hoodtrace fetch` gets them", file=sys.stderr)
    watchers: list[Callable[[Decoded], object]] = [] if flow is None else [flow.feed]

    def watch(decoded: Decoded) -> None:
        for watcher in watchers:
            watcher(decoded)

    with display(flow) as (show, tell):
        faults = FaultWords()
        watchers.append(lambda decoded: [tell(words) for words in faults.feed(decoded)])
        recorder = Recorder(board, trace, on_decoded=watch, on_status=show)
        if described is not None and not quiet:
            watchers.append(HoldCues(described, recorder.say).feed)
        with clean_end(recorder) as asked_to_end:
            closed = recorder.run(seconds)
    status = recorder.status
    print(f"{closed.path}  {closed.n_bytes} bytes  sha256 {closed.sha256}")
    print(f"{status.n_samples} samples in {status.seconds:.1f} s; {_losses(status)}")
    if status.trouble is not None and not asked_to_end:
        raise LinkError(
            LinkReason.UNPLUGGED,
            f"{status.port}: the board was gone ({status.trouble}) when the time was up; the trace is closed and good "
            "up to there. Plug the board in and record on into the same file",
        )


def opened(port: str | None, out: Path, any_firmware: bool = False) -> tuple[Board, TraceWriter]:
    """Open a board (None: look for one) and the trace that it is recorded to; neither stays open where one fails.

    Raises
    ------
    LinkError
        There is no board, or its firmware is not this program's.
    TraceError
        The disk does not take the trace.
    """
    from hoodtrace.board.build import check_build
    from hoodtrace.board.link import find_board, open_board
    from hoodtrace.wire.trace import TraceWriter

    board = open_board(port) if port is not None else find_board()
    try:
        if not any_firmware:
            check_build(board.hello, board.link.port)
        return board, TraceWriter(out)
    except BaseException:
        board.link.close()
        raise


def _compare_edges(hood: Hood, hello: dict[str, Any]) -> None:
    """Say where hood file and board count the vane's pulses differently: one of them is wrong."""
    of_hood = hood.vane.edges_per_rev if hood.vane is not None else None
    of_board = hello.get("edges_per_rev")
    if of_hood is not None and isinstance(of_board, int) and of_board != of_hood:
        print(
            f"NOTE: the hood file says {of_hood} pulses a turn of the vane, the board's setting edges_per_rev "
            f"{of_board}: count the blades or magnets and correct one of them",
            file=sys.stderr,
        )


@contextmanager
def clean_end(recorder: Recorder) -> Iterator[list[int]]:
    """Let Ctrl-C (and a closed terminal) end the recording with its closing note; yields the signals that came."""
    came: list[int] = []

    def end(number: int, frame: FrameType | None) -> None:
        came.append(number)
        recorder.stop()

    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, end) for number in numbers}
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def display(flow: LiveFlow | None) -> AbstractContextManager[Shown]:
    """Return what shows the status, one live line on a terminal, else plain lines; and what tells other things."""
    return _live_line(flow) if sys.stderr.isatty() else _plain_lines(flow)


@contextmanager
def _live_line(flow: LiveFlow | None) -> Iterator[Shown]:
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    with Live(console=Console(stderr=True), auto_refresh=False) as live:
        yield (
            lambda status: live.update(Text(status_line(status, flow)), refresh=True),
            lambda words: live.console.print(Text(printable(words))),
        )


@contextmanager
def _plain_lines(flow: LiveFlow | None) -> Iterator[Shown]:
    told_s, trouble = -PLAIN_EACH_S, None

    def show(status: Status) -> None:
        nonlocal told_s, trouble
        if status.seconds - told_s >= PLAIN_EACH_S or status.trouble != trouble:
            told_s, trouble = status.seconds, status.trouble
            print(status_line(status, flow), file=sys.stderr, flush=True)

    yield show, lambda words: print(printable(words), file=sys.stderr, flush=True)


def status_line(status: Status, flow: LiveFlow | None = None) -> str:
    """Return the status as one line for people; flow in m3/h where a hood file was given."""
    minutes, seconds = divmod(int(status.seconds), 60)
    parts = [f"{minutes:d}:{seconds:02d}"]
    if status.trouble is not None:
        parts.append(f"NO BOARD ({status.trouble}): waiting for it on {status.port}")
    elif flow is not None:
        parts.append(flow.words(status))
    parts += [f"{status.rate_hz:.0f} samples/s", _losses(status), f"{status.n_bytes / 1e6:.2f} MB"]
    return "  ".join(parts)


def _losses(status: Status) -> str:
    counts = [
        (status.n_missing, "missing, asked for again"),
        (status.n_lost, "lost"),
        (status.n_bad, "bad lines"),
        (status.n_restarts, "restarts of the board"),
        (status.n_gaps, "times without board"),
    ]
    return ", ".join(f"{n} {what}" for n, what in counts if n) or "no losses"
