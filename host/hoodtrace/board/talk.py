"""A conversation with the board: a command, its reply, and the messages that come with it.

`ask` waits for the reply to its own command by SEQ and, where asked to, for the last message of a list; a command that
gets no reply is sent again. `listen` hands over whatever comes and, while `streaming`, keeps the board's lease. Asking
alone does not: a board that logs goes on logging.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from hoodtrace.board.link import Board, Link, open_board
from hoodtrace.errors import LinkError, LinkReason
from hoodtrace.wire.decoder import Decoded, Decoder

READ_S = 0.05
KEEP_S = 0.8  # the board wants to hear from us once a second
KEEP_BOARD_US = 250_000  # a board on a fast clock runs at most 0.5 s of its time ahead of what it last heard
SILENT_S = 3.0  # a living board answers each `keep`
MOST_MESSAGES = 2000
ANSWER_S = 3.0
AGAIN_S = 1.2  # more than a cycle of the slowest board
BACK_S = 20.0  # a board starts in a few seconds; finding its USB port again takes as long
SOON_S = 30.0
UNKNOWN = "unknown command"
RESTART = "restart"
BUSY = "busy"


@dataclass(frozen=True, slots=True)
class Answer:
    """A board's answer: whether it did it, why not, and the messages (JSON objects) that came after the reply."""

    ok: bool
    why: str
    messages: tuple[dict[str, Any], ...] = ()

    @property
    def unknown(self) -> bool:
        """Whether the board does not know the command at all, as an older firmware does not."""
        return not self.ok and self.why == UNKNOWN


class Talk:
    """The conversation with `board`, whose link it takes over; use it in a ``with`` block, or `close` it.

    Attributes
    ----------
    hello : dict
        What the board said of itself when it was opened.
    streaming : bool
        Set it to have `listen` keep the lease.
    t_us : int
        TIME of the newest line, microseconds since the board's boot.
    """

    def __init__(self, board: Board) -> None:
        self.hello = board.hello
        self.streaming = False
        self.t_us = 0
        self._link: Link = board.link
        self._decoder = Decoder()
        self._decoder.feed(board.received)
        self._kept_s = self._good_s = 0.0
        self._kept_us = 0

    @property
    def port(self) -> str:
        """The port that was opened."""
        return self._link.port

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, *reason: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the port; the board's lease runs out by itself."""
        self._link.close()

    def patience_s(self, n_lines: int) -> float:
        """Return the seconds within which the board has sent `n_lines`: it sends one a cycle, 1 to 1000 a second."""
        rate_hz = self.hello.get("rate_hz")
        known = isinstance(rate_hz, int | float) and 1 <= rate_hz <= 1000
        return SOON_S + n_lines / (rate_hz if known and rate_hz else 1.0)

    def send(self, words: str) -> int:
        """Send a command and wait for nothing; return its SEQ, which the reply names.

        Raises
        ------
        LinkError
            UNPLUGGED.
        """
        return self._link.send(words)

    def listen(self) -> Decoded:
        """Return what came within the next moment (up to 0.05 s), maybe nothing.

        Raises
        ------
        LinkError
            UNPLUGGED; SILENT: `streaming`, and no good line for 3 s.
        """
        now_s = time.monotonic()
        if self.streaming:
            board_us, wall_s = abs(self.t_us - self._kept_us), now_s - self._kept_s
            if wall_s >= KEEP_S or (board_us >= KEEP_BOARD_US and board_us > 2e6 * wall_s):
                self._kept_s, self._kept_us = now_s, self.t_us
                self._link.send("keep")
        decoded = self._decoder.feed(self._link.read(READ_S))
        times = [m.t_us for m in decoded.messages if m.kind == "J"] + decoded.samples.t_us[-1:].tolist()
        if times:
            self.t_us, self._good_s = max(times), time.monotonic()
        elif self.streaming and self._good_s and now_s - self._good_s > SILENT_S:
            raise self._silent(f"no good line for {SILENT_S:g} s")
        return decoded

    def ask(self, words: str, last: str | None = None, silent_s: float = ANSWER_S) -> Answer:
        """Send a command and return the board's answer.

        Parameters
        ----------
        words : str
            The command.
        last : str, optional
            Kind of the message that ends the answer where the board says yes; None: the reply is all.
        silent_s : float
            How long the board may say nothing once it has said yes, s.

        Raises
        ------
        LinkError
            UNPLUGGED; SILENT: no answer for 3 s, or one that does not end.
        """
        seqs: set[int] = set()
        messages: list[dict[str, Any]] = []
        heard_s = sent_s = time.monotonic()
        said_yes = False
        end_s = sent_s + self.patience_s(MOST_MESSAGES)
        while (now_s := time.monotonic()) - heard_s < (silent_s if said_yes else ANSWER_S):
            if not seqs or (not said_yes and now_s - sent_s > AGAIN_S):
                sent_s = now_s
                seqs.add(self.send(words))
            for body in self._said():
                kind = body.get("kind")
                if words == RESTART and kind == "hello" and self._is_another(body):
                    return Answer(True, "")  # the reply was lost, and the board is back already
                to = body.get("to")
                if kind == "reply" and type(to) is int and to in seqs:
                    why = str(body.get("why", "no reason given"))
                    if body.get("ok") is not True and why.startswith(BUSY):
                        continue  # with an earlier question, maybe of another program: asked again in a moment
                    if body.get("ok") is not True:
                        return Answer(False, why)
                    if last is None:
                        return Answer(True, "")
                    messages, said_yes, heard_s = [], True, now_s
                elif said_yes:
                    messages.append(body)
                    heard_s = now_s
                    if len(messages) > MOST_MESSAGES or now_s > end_s:
                        raise self._silent(f"the answer to `{words}` does not end")
                    if kind == last:
                        return Answer(True, "", tuple(messages))
        raise self._silent(f"no answer to `{words}` for {ANSWER_S:g} s")

    def restarted(self) -> Talk:
        """Restart the board and return the conversation with it once it is back under a new boot id.

        Raises
        ------
        LinkError
            OTHER_FIRMWARE: the firmware is older and has no such command; else the reason why it did not come back.
        """
        done = "was restarted"
        try:
            answer = self.ask(RESTART)
        except LinkError as error:
            if error.reason not in (LinkReason.UNPLUGGED, LinkReason.SILENT):
                raise
            # Over USB the port can be gone before the reply is here; and a reply can be lost. The boot id will tell.
            answer, done = Answer(True, ""), "was told to restart, gave no reply"
        if not answer.ok:
            raise (
                older(self, "restart")
                if answer.unknown
                else LinkError(
                    LinkReason.NOT_OURS, f"{self.port}: the board does not restart: {answer.why}. Unplug it, plug it in"
                )
            )
        seq = self._link.next_seq
        self.close()
        why = "it still says the same boot id"
        end_s = time.monotonic() + BACK_S
        while time.monotonic() < end_s:
            time.sleep(0.2)
            try:
                board = open_board(self.port, wait_s=2.0, next_seq=seq)
            except LinkError as error:
                why = str(error)
                continue
            if self._is_another(board.hello):
                return Talk(board)
            seq = board.link.next_seq
            board.link.close()
        raise LinkError(
            LinkReason.SILENT,
            f"{self.port}: the board {done} and did not come back within {BACK_S:g} s ({why}): "
            "unplug it and plug it in again",
        )

    def _is_another(self, hello: dict[str, Any]) -> bool:
        return str(hello.get("boot", "")) != str(self.hello.get("boot", ""))

    def _said(self) -> Iterator[dict[str, Any]]:
        return (m.body for m in self.listen().messages if m.kind == "J")

    def _silent(self, what: str) -> LinkError:
        return LinkError(LinkReason.SILENT, f"{self.port}: {what}: unplug the board and plug it in again")


def older(talk: Talk, what: str) -> LinkError:
    """Return the error for a firmware that does not know `what`."""
    return LinkError(
        LinkReason.OTHER_FIRMWARE,
        f"{talk.port}: the board's firmware ({talk.hello.get('firmware', 'unknown')}) is older than this program and "
        f"does not know `{what}`: run `hoodtrace install`, then try again",
    )
