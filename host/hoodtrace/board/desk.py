"""The desk of a visit: one place where board, visit and pages meet, for any number of pages and threads.

A thread of its own looks for the board, records, and feeds the guide; pages ask for `screen` and make decisions. All of
it goes through one lock. Each start of the program records into a trace of its own; traces that an end without warning
left open are closed, with their length and hash, when the next one begins.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from hoodtrace.board.build import check_build
from hoodtrace.board.given import recover
from hoodtrace.board.guide import Guide
from hoodtrace.board.link import Board, find_board, open_board
from hoodtrace.board.recorder import Recorder
from hoodtrace.board.time_of_day import utc_text
from hoodtrace.dwelling.screen import Live, Say, Screen
from hoodtrace.dwelling.show import screen
from hoodtrace.dwelling.visit import TRACES, NotNow, Visit
from hoodtrace.errors import HoodtraceError, LinkError, UsageError
from hoodtrace.physics.hood import read_hood
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.lines import SUPPLY_LOW
from hoodtrace.wire.trace import TraceWriter, closed_trace

LOOK_AGAIN_S = 2.0
DECODE_BYTES = 3000
"""About a second of lines at 50 a second: the guide looks at a hold about once a second."""


class Desk:
    """The visit in `folder`, with the board behind `port` (None: it is looked for).

    Parameters
    ----------
    folder : Path
    port : str or None
    with_board : bool
        False: readings are entered by hand only.
    any_firmware : bool
        Take a board whose firmware is not this program's.

    Raises
    ------
    VisitError, HoodError
        The folder can't serve.
    """

    def __init__(
        self, folder: Path, port: str | None = None, with_board: bool = True, any_firmware: bool = False
    ) -> None:
        self.visit = Visit(folder)
        self.hood, _ = read_hood(folder / "hood.toml")
        self.lock = threading.RLock()
        self.ended = threading.Event()
        self._port, self._any_firmware = port, any_firmware
        self._guide: Guide | None = None
        self._recorder: Recorder | None = None
        self._trouble = ""
        self._thread = threading.Thread(target=self._work, name="board", daemon=True) if with_board else None

    def start(self) -> None:
        """Begin to look for the board."""
        if self._thread is not None:
            self._thread.start()

    def stop(self) -> None:
        """End the recording and close the trace."""
        self.ended.set()
        if self._recorder is not None:
            self._recorder.stop()
        if self._thread is not None and self._thread.is_alive():
            self._thread.join(10.0)

    def screen(self) -> Screen:
        """Return what is to be shown now."""
        with self.lock:
            self.visit.refresh()
            return screen(self.visit, self.live(), self._guide.why_again if self._guide else "", self._cues())

    def live(self) -> Live:
        """Return what the hood sees now, and how board and link do."""
        with self.lock:
            guide, recorder = self._guide, self._recorder
            if self._thread is None:
                return Live(state="by hand")
            if guide is None or recorder is None:
                return Live(trouble=self._trouble)
            status = recorder.status
            live = guide.shown()
            flags = (status.last or {}).get("flags", 0)
            return replace(
                live,
                state="no board" if status.trouble else live.state,
                rate_hz=status.rate_hz,
                n_lost=status.n_lost,
                n_missing=status.n_missing,
                supply_low=bool(flags & SUPPLY_LOW),
                trouble=status.trouble or "",
            )

    def trail(self) -> list[tuple[float, float, bool]]:
        """Return the flow of the last minutes: time [s], flow [m3/h], whether the hood was pressed on."""
        with self.lock:
            return list(self._guide.trail) if self._guide is not None else []

    def decide(self, decision: Mapping[str, Any]) -> Say | None:
        """Take a decision; return None once it is on the disk, else the sentence that says why it was not taken."""
        with self.lock:
            try:
                self.visit.decide(decision, utc_text())
            except NotNow as refused:
                return refused.say
            except UsageError as error:
                return Say("refused.other", {"why": str(error)})
        return None

    def accept_early(self) -> None:
        """Do what a short press of the board's button does."""
        with self.lock:
            if self._guide is not None:
                self._guide.press("short")

    def repeat(self) -> None:
        """Do what a double press does."""
        with self.lock:
            if self._guide is not None and self._guide.can_repeat:
                self._guide.press("double")
            else:
                self.decide({"do": "repeat"})

    # ---- the board's thread

    def _cues(self) -> tuple[tuple[int, str], ...]:
        return tuple(self._guide.cues) if self._guide is not None else ()

    def _work(self) -> None:
        while not self.ended.is_set():
            try:
                self._record(self._find())
            except (HoodtraceError, OSError, ValueError, RuntimeError) as error:
                with self.lock:
                    self._guide = self._recorder = None
                    self._trouble = str(error)
                self.ended.wait(LOOK_AGAIN_S)

    def _find(self) -> Board:
        stopped = self.ended.is_set
        board = open_board(self._port, stopped=stopped) if self._port else find_board(stopped=stopped)
        try:
            if not self._any_firmware:
                check_build(board.hello, board.link.port)
        except LinkError:
            board.link.close()
            raise
        return board

    def _record(self, board: Board) -> None:
        """Record until the end, or until the disk takes no more."""
        folder = self.visit.folder / TRACES
        try:
            with self.lock:
                self._close_old(folder)
                recover(self.visit, self.hood, utc_text())
                name = f"{TRACES}/{_new_name(folder)}"
                self.visit.decide({"do": "trace opened", "trace": name}, utc_text())
                trace = TraceWriter(self.visit.folder / name)
        except BaseException:
            board.link.close()
            raise
        recorder = Recorder(board, trace, on_decoded=self._take, decode_bytes=DECODE_BYTES)
        with self.lock:
            self._recorder = recorder
            self._guide = Guide(self.visit, self.hood, name, recorder.say, trace.sync, utc_text)
        closed = recorder.run()
        with self.lock:
            self.visit.decide(
                {"do": "trace closed", "trace": name, "bytes": closed.n_bytes, "sha256": closed.sha256}, utc_text()
            )
            self._guide = self._recorder = None

    def _take(self, decoded: Decoded) -> None:
        with self.lock:
            if self._guide is not None and self._recorder is not None:
                self.visit.refresh()
                self._guide.feed(decoded, self._recorder.status)
                if self.ended.is_set():
                    self._recorder.stop()

    def _close_old(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        for name, entry in list(self.visit.state.traces.items()):
            if entry.get("kind") == "trace opened" and (self.visit.folder / name).exists():
                old = closed_trace(self.visit.folder / name)
                self.visit.decide(
                    {"do": "trace closed", "trace": name, "bytes": old.n_bytes, "sha256": old.sha256}, utc_text()
                )


def _new_name(folder: Path) -> str:
    """Return the name of the next trace."""
    numbers = [int(path.stem) for path in folder.glob("*.trace") if path.stem.isdigit()]
    return f"{max(numbers, default=0) + 1:02d}.trace"
