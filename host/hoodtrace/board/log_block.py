"""One block of a board's log, byte for byte, over a link that loses lines and from a board that may never end.

A block counts as fetched when the board said how many lines it has, so many came, and each had its CRC; else it is
asked for again. Reply, silence and whole block each have their time.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from hoodtrace.board.talk import BUSY, Talk
from hoodtrace.errors import LinkError, LinkReason
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.lines import SEQ_MODULUS, line, sample_body

MOST_LINES = 1000
"""Of a block and what came between; the firmware writes up to 185."""
LINES_IN_TIME = 300
TRIES = 5
SILENT_S = 3.0
REPLY_S = 10.0  # the reply waits for nothing but lines that are on their way
QUIET_S = 1.0  # after what may be the end of a block that lost lines
STREAMING = "streaming"
STREAMING_S = 5.0  # the board's lease ends 3 s after the last `keep`
WAIT_S = 0.4
SOON_LINES, SOON_US = 1 << 16, 600_000_000  # a block of 185 lines takes a few seconds, three minutes at 1 Hz


def fetch_block(talk: Talk, number: int, block: int) -> bytes | None:
    """Return a block's lines byte for byte as the board made them; None where the board finds it damaged.

    Raises
    ------
    LinkError
        SILENT: no answer, or none that is complete and ends, in 5 tries; BUSY: the board keeps streaming; or the board
        is gone.
    """
    end_s = time.monotonic() + STREAMING_S
    n_tries, lost = 0, ""
    while n_tries < TRIES:
        try:
            return _asked_once(talk, number, block)
        except _Lost as error:
            n_tries, lost, end_s = n_tries + 1, str(error), time.monotonic() + STREAMING_S
            continue
        except _Refused as error:
            found = str(error)
        if not found.startswith((STREAMING, BUSY)):
            return None
        if time.monotonic() > end_s:
            text = f"{talk.port}: the board gives no log out: {found}. End what records from it, then try again"
            raise LinkError(LinkReason.BUSY, text)
        time.sleep(WAIT_S)
    text = f"{talk.port}: block {block} of log {number} did not come whole in {TRIES} tries ({lost} at the last): "
    text += "check the cable, try again; if it stays, unplug the board and plug it in again"
    raise LinkError(LinkReason.SILENT, text)


@dataclass(frozen=True, slots=True)
class _Line:
    raw: bytes
    seq: int
    t_us: int
    body: dict[str, Any]  # of a J line


def _lines(decoded: Decoded) -> Iterator[_Line]:
    """Yield the board's good lines in their order, byte for byte: the grammar has one way to write a line."""
    s = decoded.samples
    found = [(m.place, _Line(line(m.kind, m.seq, m.t_us, m.text), m.seq, m.t_us, m.body)) for m in decoded.messages]
    columns = (c.tolist() for c in (s.place, s.seq, s.t_us, s.edges, s.age_us, s.raw_dp, s.raw_temp, s.flags))
    for place, seq, t_us, *fields in zip(*columns, strict=True):
        found.append((place, _Line(line("S", seq, t_us, sample_body(*fields)), seq, t_us, {})))
    return (each for _, each in sorted(found, key=lambda pair: pair[0]) if each.raw[:1] in b"SJ")


class _Refused(Exception):  # noqa: N818
    """The board does not give the block; the text is its reason."""


class _Lost(Exception):  # noqa: N818
    """Something was lost on the way; the text says what."""


def _asked_once(talk: Talk, number: int, block: int) -> bytes:
    """Return the block's lines, or raise `_Refused` or `_Lost`."""
    to = talk.send(f"fetch {number} {block}")
    reply: _Line | None = None
    lines: list[bytes] = []
    heard_s, wait_s = time.monotonic(), SILENT_S
    end_s = heard_s + REPLY_S
    while (now_s := time.monotonic()) - heard_s < wait_s and now_s < end_s:
        for each in _lines(talk.listen()):
            heard_s, kind = time.monotonic(), each.body.get("kind")
            if reply is None:
                if kind == "reply" and each.body.get("to") == to:
                    if each.body.get("ok") is not True:
                        raise _Refused(each.body.get("why", "no reason given"))
                    reply, end_s = each, heard_s + talk.patience_s(LINES_IN_TIME)
                continue
            # A log may hold `fetched` lines of its own, from an earlier fetch: the real one follows soon on the reply.
            follows = 0 < (each.seq - reply.seq) % SEQ_MODULUS < SOON_LINES and 0 <= each.t_us - reply.t_us < SOON_US
            if kind == "fetched" and follows and (each.body.get("number"), each.body.get("block")) == (number, block):
                if each.body.get("lines") == len(lines):
                    return b"".join(lines)
                wait_s = QUIET_S
            lines.append(each.raw)
            if len(lines) > MOST_LINES:
                raise _Lost(f"over {MOST_LINES} lines and no end")
    if reply is None:
        raise _Lost("no reply")
    raise _Lost(f"{len(lines)} lines" + (", not as many as the board says" if wait_s == QUIET_S else " and no end"))
