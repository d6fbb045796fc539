"""Keeps the board streaming and writes what it says into a trace: first onto the disk, then looked at.

`Recorder.run` goes on until `stop`, the end of its time, or a disk that takes no more; then the trace is closed with
a note. It asks again for lines that never came, waits out a board that is unplugged, silent or talks noise (a `gap`
note says why) and finds it again, and takes a restarted board as it is. The decoder is fed exactly what went into the
file, host notes included, so live results are those of a replay. Memory does not grow with the recording.
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from hoodtrace import __version__
from hoodtrace.board.link import Board, Link, find_board, open_board
from hoodtrace.board.missing import Missing
from hoodtrace.errors import LinkError, LinkReason
from hoodtrace.wire.decoder import Decoded, Decoder, SampleColumns
from hoodtrace.wire.trace import ClosedTrace, TraceWriter

READ_S = 0.05
KEEP_S = 0.8  # the board wants to hear from us once a second
KEEP_BOARD_US = 250_000  # a board on a fast clock runs at most 0.5 s of its time ahead of what it last heard
SILENT_S = 3.0  # without one good line: a living board answers each `keep`
SYNC_S = 1.0
CLOCK_S = 8.0  # then at the next good moment; the trace format wants a note every 10 s
CLOCK_LATEST_S = 9.5
AGAIN_S = 0.3
HELLO_S = 2.0
HELLO_AGAIN_S = 1.0
LAST_LINES_S = 1.0
DECODE_BYTES = 16384
RATE_S = 5.0
LARGE_HOLE = 20
MOST_TO_SAY = 8
CUE = "cue "  # a note says that this command went out
YOUNG_SEQ = 512  # a restarted board this young was restarted under our eyes: its first lines are wanted too


@dataclass(frozen=True, slots=True)
class Status:
    """Where a recording stands.

    `seconds` of wall time since it began; `rate_hz` samples per second of wall time over the last few seconds;
    `n_missing` lines that may still come, `n_lost` that never will; `last` the columns of the newest sample line by
    name; `hello` and `air` the board's latest; `trouble` why there is no board just now, None while there is one.
    """

    port: str
    hello: dict[str, Any]
    trouble: str | None = None
    seconds: float = 0.0
    n_samples: int = 0
    rate_hz: float = 0.0
    n_missing: int = 0
    n_lost: int = 0
    n_bad: int = 0
    n_restarts: int = 0
    n_gaps: int = 0
    n_bytes: int = 0
    last: dict[str, int] | None = None
    air: dict[str, Any] | None = None


def utc_now(t_us: int) -> datetime:
    """Return the time of day now, whatever the board's clock `t_us` says."""
    return datetime.now(UTC)


class Recorder:
    """Record `board` into `trace`.

    Parameters
    ----------
    board : Board
        From `open_board` or `find_board`; the recorder closes its link.
    trace : TraceWriter
        The recorder closes it.
    clock : callable
        Gives the time of day (with zone) for the host notes from the board's TIME (us) at that moment; a simulated
        house puts its own time in here.
    on_decoded : callable, optional
        Called with each decoded block, after it was written; may call `stop`.
    on_status : callable, optional
        Called with the status about four times a second.
    patience_s : float, optional
        How long to wait for a board that is gone; None waits until `stop`.
    decode_bytes : int
        At the latest when so many bytes are there, they are decoded; a board on a fast clock sends seconds at a time.

    Attributes
    ----------
    status : Status
        Where the recording stands.
    """

    def __init__(
        self,
        board: Board,
        trace: TraceWriter,
        *,
        clock: Callable[[int], datetime] = utc_now,
        on_decoded: Callable[[Decoded], None] | None = None,
        on_status: Callable[[Status], None] | None = None,
        patience_s: float | None = None,
        decode_bytes: int = DECODE_BYTES,
    ) -> None:
        self.status = Status(board.link.port, board.hello)
        self._first, self._link = board.received, board.link
        self._connected: Link | None = board.link
        self._trace, self._clock = trace, clock
        self._on_decoded, self._on_status = on_decoded, on_status
        self._patience_s = math.inf if patience_s is None else patience_s
        self._decoder, self._undecoded, self._decode_bytes = Decoder(), bytearray(), decode_bytes
        self._missing, self._boot = Missing(), str(board.hello.get("boot", ""))
        if trace.boot == self._boot:
            # The same board, still running: what it said while nobody recorded may be in its memory.
            self._missing.new_boot(trace.seq + 1)
        self._stopping = self._in_doubt = False
        self._begun_s = self._now_s = time.monotonic()
        self._kept_s = self._kept_us = 0.0
        self._good_s = self._lost_s = self._tried_s = self._hello_s = self._decoded_s = self._synced_s = 0.0
        self._told_s = self._clock_s = self._clock_us = 0.0
        self._newest_us = 0
        self._counts: deque[tuple[float, int]] = deque()
        self._to_say: deque[str] = deque(maxlen=MOST_TO_SAY)

    def say(self, words: str) -> None:
        """Send the command `words` soon; may be called from a callback or another thread.

        Nothing is repeated: a cue that comes late would be wrong. With no board there, it is forgotten.
        """
        self._to_say.append(words)

    def stop(self) -> None:
        """End the recording soon; may be called from a signal handler, a callback or another thread."""
        self._stopping = True

    def run(self, seconds: float | None = None) -> ClosedTrace:
        """Record until `stop`, or for `seconds` of wall time; return the closed trace.

        Raises
        ------
        TraceError
            The disk takes no more; what is in the file stays.
        LinkError
            The board stayed away longer than the patience; the trace is closed all the same.
        """
        self._begun_s = self._now_s = self._good_s = time.monotonic()
        gone: LinkError | None = None
        try:
            self._stream(self._trace.note("opened", utc=self._utc(), software=_SOFTWARE, port=self.status.port))
            self._stream(self._trace.write(self._first))
            self._first = b""
            end_s: float | None = None
            while True:
                self._now_s = now_s = time.monotonic()
                if self._stopping or (seconds is not None and now_s - self._begun_s >= seconds):
                    end_s = now_s + LAST_LINES_S if end_s is None else end_s
                    # A little longer for lines that were asked for, and for the rest of the line that is coming.
                    whole = not self._missing.n_missing and self._trace.between_lines
                    if whole or now_s >= end_s or self._connected is None:
                        break
                try:
                    self._listen_and_talk()
                except LinkError as error:
                    self._lose(error.reason.value)
                if self._connected is None and now_s - self._lost_s > self._patience_s:
                    gone = LinkError(LinkReason.UNPLUGGED, self._gone_text())
                    break
                self._keep_house()
            self._decode()
            self._stream(self._trace.note("closed", cut_line=True, utc=self._utc()))
            self._decode()
        finally:
            self._link.close()
            closed = self._trace.close()
            self._tell()
        if gone is not None:
            raise gone
        return closed

    def _listen_and_talk(self) -> None:
        link = self._connected
        if link is None:
            self._look_for_board()
            return
        block = link.read(READ_S)
        self._now_s = time.monotonic()
        if block:
            self._receive(block)
        board_us, wall_s = abs(self._trace.t_us - self._kept_us), self._now_s - self._kept_s
        if wall_s >= KEEP_S or (board_us >= KEEP_BOARD_US and board_us > 2e6 * wall_s):
            self._kept_s, self._kept_us = self._now_s, self._trace.t_us
            link.send("keep")
        while self._to_say:
            words = self._to_say.popleft()
            link.send(words)
            if words.startswith(CUE):
                self._stream(self._trace.note("cue", cue=words.removeprefix(CUE)))
        if self._in_doubt and self._now_s - self._hello_s >= HELLO_AGAIN_S:
            self._in_doubt, self._hello_s = False, self._now_s
            link.send("hello")
        # Small blocks are put together before they are decoded, but not while lines are being asked for.
        waits = not self._missing.n_missing and self._now_s - self._decoded_s < READ_S
        if not block or len(self._undecoded) >= self._decode_bytes or not waits:
            self._decode()
            asked = self._missing.due(self._now_s)
            if asked is not None:
                self._missing.asked(link.send(resend(*asked)))
        if self._now_s - self._good_s >= SILENT_S:
            self._lose(LinkReason.SILENT.value if not block else "only noise")

    def _receive(self, block: bytes) -> None:
        before = self._trace.seq, self._trace.t_us
        self._stream(self._trace.write(block))
        if (self._trace.seq, self._trace.t_us) == before:
            return
        self._good_s = self._now_s
        t_us = self._trace.t_us
        if t_us < self._newest_us:
            return  # a line sent again: its TIME is not now
        self._newest_us = t_us
        since_s = max(self._now_s - self._clock_s, (t_us - self._clock_us) / 1e6)
        if since_s >= CLOCK_LATEST_S or (since_s >= CLOCK_S and self._trace.between_lines):
            self._clock_s, self._clock_us = self._now_s, t_us
            self._stream(self._trace.note("clock", utc=self._utc(), port=self.status.port))

    def _stream(self, data: bytes) -> None:
        """Take bytes that are in the file."""
        self._undecoded += data

    def _decode(self) -> None:
        self._decoded_s = self._now_s
        if not self._undecoded:
            return
        decoded = self._decoder.feed(bytes(self._undecoded))
        self._undecoded.clear()
        said = [m for m in decoded.messages if m.kind == "J"]
        samples, start = decoded.samples, 0
        n_new, now = 0, self.status
        for message in said:
            body = message.body
            if body.get("kind") == "hello":
                if str(body.get("boot", "")) != self._boot:
                    stop = int(np.searchsorted(samples.place, message.place))
                    n_new += self._came(samples, start, stop, [m.seq for m in said if m.place < message.place])
                    said = [m for m in said if m.place >= message.place]
                    start = stop
                    self._restarted(body, message.seq)
                now = replace(now, hello=body, n_restarts=self.status.n_restarts)
            elif body.get("kind") == "air":
                now = replace(now, air=body)
            elif body.get("kind") == "reply" and body.get("ok") is False and isinstance(body.get("to"), int):
                self._missing.refused(body["to"], str(body.get("why", "")), self._now_s)
        n_new += self._came(samples, start, len(samples), [m.seq for m in said])
        last = now.last
        if len(samples):
            last = {name: int(getattr(samples, name)[-1]) for name in SampleColumns.__slots__ if name != "place"}
        n_samples, n_bad = now.n_samples + n_new, now.n_bad + decoded.n_bad
        n_missing, n_lost = self._missing.n_missing, self._missing.n_lost
        self.status = replace(now, n_samples=n_samples, n_bad=n_bad, last=last, n_missing=n_missing, n_lost=n_lost)
        if self._on_decoded is not None:
            self._on_decoded(decoded)

    def _came(self, samples: SampleColumns, start: int, stop: int, said: list[int]) -> int:
        """Book the lines of one boot; return how many samples among them were new."""
        seq = np.concatenate([samples.seq[start:stop], said]).astype(np.int64)
        before = self._missing.n_missing
        is_new = self._missing.take(seq, self._now_s)
        # A line that was there already, or a large hole: lines sent twice or lost, or the board began again and its
        # hello did not come through.
        if not is_new.all() or self._missing.n_missing - before >= LARGE_HOLE:
            self._in_doubt = True
        return int(is_new[: stop - start].sum())

    def _restarted(self, hello: dict[str, Any], seq: int) -> None:
        self._boot = str(hello.get("boot", ""))
        self._missing.new_boot(0 if seq < YOUNG_SEQ else None)
        self._newest_us = 0
        self._clock_s = self._clock_us = 0.0
        self.status = replace(self.status, n_restarts=self.status.n_restarts + 1)

    def _lose(self, why: str) -> None:
        """The board is gone: say so in the trace, then look for it."""
        self._link.close()
        self._connected, self._lost_s = None, self._now_s
        self._to_say.clear()
        self._missing.link_lost()
        self._stream(self._trace.note("gap", cut_line=True, why=why))
        self.status = replace(self.status, trouble=why, n_gaps=self.status.n_gaps + 1)
        self._decode()

    def _look_for_board(self) -> None:
        if self._now_s - self._tried_s < AGAIN_S:
            time.sleep(READ_S)
            return
        self._to_say.clear()
        port, next_seq = self.status.port, self._link.next_seq
        try:
            board = open_board(port, HELLO_S, next_seq, self._hurry)
        except LinkError as error:
            self._tried_s = time.monotonic()
            if error.reason is not LinkReason.NO_PORT or "://" in port:
                return
            # A board that is plugged in again often gets another name.
            try:
                board = find_board(None, HELLO_S, next_seq, self._hurry)
            except LinkError:
                return
            if board.hello.get("board") != self.status.hello.get("board"):
                board.link.close()
                return
        self._link = self._connected = board.link
        self._now_s = self._good_s = time.monotonic()
        self._kept_s = self._clock_s = self._clock_us = 0.0
        self.status = replace(self.status, port=board.link.port, trouble=None)
        self._receive(board.received)
        self._good_s = self._now_s

    def _hurry(self) -> bool:
        return self._stopping

    def _keep_house(self) -> None:
        if self._now_s - self._synced_s >= SYNC_S:
            self._synced_s = self._now_s
            self._trace.sync()
        if self._now_s - self._told_s >= 0.25:
            self._tell()

    def _tell(self) -> None:
        self._told_s = self._now_s
        self._counts.append((self._now_s, self.status.n_samples))
        while len(self._counts) > 2 and self._counts[1][0] < self._now_s - RATE_S:
            self._counts.popleft()
        (from_s, n_from), (to_s, n_to) = self._counts[0], self._counts[-1]
        self.status = replace(
            self.status,
            seconds=self._now_s - self._begun_s,
            rate_hz=(n_to - n_from) / (to_s - from_s) if to_s > from_s else 0.0,
            n_missing=self._missing.n_missing,
            n_lost=self._missing.n_lost,
            n_bytes=self._trace.n_bytes,
        )
        if self._on_status is not None:
            self._on_status(self.status)

    def _utc(self) -> str:
        return self._clock(self._trace.t_us).astimezone(UTC).isoformat(timespec="milliseconds")

    def _gone_text(self) -> str:
        return (
            f"{self.status.port}: no board for {self._now_s - self._lost_s:.0f} s ({self.status.trouble}); the trace "
            f"{self._trace.path} is closed and good up to there. Plug the board in and record on into the same file"
        )


def resend(first: int, last: int) -> str:
    """Return the command that asks for the lines FIRST to LAST again.

    Examples
    --------
    >>> resend(16, 17)
    'resend 0000010 0000011'
    """
    return f"resend {first:07x} {last:07x}"


_SOFTWARE = f"hoodtrace {__version__}"
