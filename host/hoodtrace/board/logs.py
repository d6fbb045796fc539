"""The logs that a board wrote to its flash while nobody listened, fetched into traces, one a boot.

A block counts as fetched when the board said how many lines it has, so many came, and each had its CRC; else it is
asked for again. A trace is written beside its place, flushed to the disk and renamed when it is whole, so that a name
`log-BOOT.trace` is never half a log, and never replaces another. Only `forget` removes a log from the board; the caller
sends it once the trace is on the disk. Nothing says `keep`: a board that logs goes on logging.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hoodtrace import __version__
from hoodtrace.board.talk import BUSY, Talk, older
from hoodtrace.errors import LinkError, LinkReason, TraceError
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.lines import SEQ_MODULUS, line, sample_body
from hoodtrace.wire.trace import ClosedTrace, TraceWriter, closed_trace

MOST_NUMBER, MOST_BLOCKS, MOST_LINES = 9999, 16, 1000
"""Of what the firmware writes: numbers of files, blocks of a file, lines of a block (and what came between)."""
TRIES = 5
ANSWER_S = 3.0
QUIET_S = 1.0  # after what may be the end of a block that lost lines
STREAMING = "streaming"
STREAMING_S = 5.0  # the board's lease ends 3 s after the last `keep`
WAIT_S = 0.4
SOON_LINES, SOON_US = 1 << 16, 600_000_000  # a block of 185 lines takes a few seconds, three minutes at 1 Hz
_SOFTWARE = f"hoodtrace {__version__}"
_FROM: dict[str, Any] = {"from": "flash log"}  # a word that Python keeps for itself
_HEX = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True)
class LogFile:
    """A file of the board's log: its number, the boot that wrote it (8 hex digits, empty: unknown), its blocks."""

    number: int
    boot: str
    n_blocks: int


@dataclass(frozen=True, slots=True)
class Now:
    """The board's boot id, its clock in microseconds, and the time of day, all at one moment."""

    boot: str
    t_us: int
    utc: datetime


@dataclass(frozen=True, slots=True)
class LogTrace:
    """A boot's log as a trace on the disk.

    `n_lines` of the board, from `first_us` to `last_us` microseconds since its boot; `was_there` says that an earlier
    fetch had written them all already.
    """

    boot: str
    trace: ClosedTrace
    n_lines: int
    first_us: int
    last_us: int
    was_there: bool


@dataclass(frozen=True, slots=True)
class BootLog:
    """What a boot's files gave: the trace (None where no line was good), files fetched whole, damaged blocks.

    `damaged` holds pairs of file number and block.
    """

    trace: LogTrace | None
    whole: tuple[int, ...]
    damaged: tuple[tuple[int, int], ...]


def ask_now(talk: Talk) -> Now:
    """Ask the board for its boot id and its clock.

    Raises
    ------
    LinkError
        The board is gone or does not answer.
    """
    answer = talk.ask("hello", last="hello")
    if not answer.ok:
        raise LinkError(LinkReason.NOT_OURS, f"{talk.port}: the board refuses to say who it is ({answer.why})")
    hello = answer.messages[-1]
    return Now(str(hello.get("boot", "")), talk.t_us, datetime.now(UTC))


def list_logs(talk: Talk) -> tuple[LogFile, ...]:
    """Ask for the files of the log, by number. The board first puts on flash what it still has in memory.

    Raises
    ------
    LinkError
        OTHER_FIRMWARE: the firmware is older and keeps no log; SILENT: the list came with a hole each time; or the
        board is gone.
    """
    for _ in range(TRIES):
        answer = talk.ask("logs", last="logs")
        if answer.unknown:
            raise older(talk, "logs")
        found = {file.number: file for file in map(_log_file, answer.messages) if file is not None}
        if answer.ok and answer.messages[-1].get("count") == len(found):
            return tuple(found[number] for number in sorted(found))
    raise LinkError(
        LinkReason.SILENT, f"{talk.port}: the list of logs came incomplete {TRIES} times: check the cable, try again"
    )


def by_boot(files: tuple[LogFile, ...]) -> dict[str, list[LogFile]]:
    """Return the files of each boot, boots and files in the order of their numbers.

    Examples
    --------
    >>> files = (LogFile(1, "0000000a", 16), LogFile(2, "0000000a", 3), LogFile(4, "0000000b", 1))
    >>> [(boot, [file.number for file in files]) for boot, files in by_boot(files).items()]
    [('0000000a', [1, 2]), ('0000000b', [4])]
    """
    boots: dict[str, list[LogFile]] = {}
    for file in files:
        boots.setdefault(file.boot, []).append(file)
    return boots


def fetch_block(talk: Talk, number: int, block: int) -> bytes | None:
    """Return a block's lines byte for byte as the board made them; None where the board finds it damaged.

    Raises
    ------
    LinkError
        SILENT: no answer, or no complete one, in 5 tries; BUSY: the board keeps streaming; or the board is gone.
    """
    end_s = time.monotonic() + STREAMING_S
    n_tries = 0
    while n_tries < TRIES:
        found = _asked_once(talk, number, block)
        if isinstance(found, bytes):
            return found
        if found is None:
            n_tries += 1
        elif not found.startswith((STREAMING, BUSY)):
            return None
        elif time.monotonic() > end_s:
            text = f"{talk.port}: the board gives no log out: {found}. End what records from it, then try again"
            raise LinkError(LinkReason.BUSY, text)
        else:
            time.sleep(WAIT_S)
    text = f"{talk.port}: block {block} of log {number} did not come whole in {TRIES} tries: check the cable, try again"
    raise LinkError(LinkReason.SILENT, text)


def fetch_boot(
    talk: Talk, files: list[LogFile], folder: Path, now: Now, on_block: Callable[[], None] = lambda: None
) -> BootLog:
    """Fetch all blocks of one boot's files into ``folder/log-BOOT.trace``.

    Parameters
    ----------
    talk : Talk
    files : list of LogFile
        All of one boot.
    folder : Path
        An existing folder. Where another ``log-BOOT.trace`` is there, the name gets a number; where one there holds all
        these lines, it is left alone and returned.
    now : Now
        Where it is the same boot, a `clock` note ties the board's clock to the time of day.
    on_block : callable
        Called after each block.

    Raises
    ------
    LinkError
        The board is gone; nothing is left in the folder then.
    TraceError
        The disk does not take it.
    """
    boot, damaged = files[0].boot, []
    part = folder / f"log-{boot}.part"
    _remove(part)
    try:
        with TraceWriter(part) as writer:
            writer.note("opened", utc=_utc(now.utc), software=_SOFTWARE, port=talk.port, **_FROM)
            for file in files:
                for block in range(file.n_blocks):
                    lines = fetch_block(talk, file.number, block) if boot else None
                    if lines is None:
                        damaged.append((file.number, block))
                    else:
                        writer.write(lines)
                    on_block()
            if boot == now.boot:
                # The note carries the TIME of the last line; the time of day goes back by as much.
                writer.note("clock", utc=_utc(now.utc - timedelta(microseconds=now.t_us - writer.t_us)))
            writer.note("closed", utc=_utc(datetime.now(UTC)))
        trace = _settled(part, boot)
    finally:
        _remove(part)
    spoiled = {number for number, _ in damaged}
    return BootLog(trace, tuple(f.number for f in files if f.number not in spoiled), tuple(damaged))


def forget(talk: Talk, number: int) -> None:
    """Have the board remove a file of its log; one that is gone already is no error.

    Raises
    ------
    LinkError
        The board is gone or does not answer.
    """
    talk.ask(f"forget {number}")


def _log_file(body: dict[str, Any]) -> LogFile | None:
    number, boot, n_blocks = body.get("number"), body.get("of_boot"), body.get("blocks")
    if body.get("kind") != "log" or type(number) is not int or type(n_blocks) is not int:
        return None
    if not (0 < number <= MOST_NUMBER and 0 <= n_blocks <= MOST_BLOCKS):
        return None  # no board of ours writes such a file; the count then shows that one is missing
    known = isinstance(boot, str) and len(boot) == 8 and _HEX.issuperset(boot)
    return LogFile(number, str(boot) if known else "", n_blocks)


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


def _asked_once(talk: Talk, number: int, block: int) -> bytes | str | None:
    """Return the block's lines, or why the board refuses, or None where something was lost on the way."""
    to = talk.send(f"fetch {number} {block}")
    reply: _Line | None = None
    lines: list[bytes] = []
    heard_s, wait_s = time.monotonic(), ANSWER_S
    while time.monotonic() - heard_s < wait_s:
        for each in _lines(talk.listen()):
            heard_s, kind = time.monotonic(), each.body.get("kind")
            if reply is None:
                if kind == "reply" and each.body.get("to") == to:
                    if each.body.get("ok") is not True:
                        return str(each.body.get("why", "no reason given"))
                    reply = each
                continue
            # A log may hold `fetched` lines of its own, from an earlier fetch: the real one follows soon on the reply.
            follows = 0 < (each.seq - reply.seq) % SEQ_MODULUS < SOON_LINES and 0 <= each.t_us - reply.t_us < SOON_US
            if kind == "fetched" and follows and (each.body.get("number"), each.body.get("block")) == (number, block):
                if each.body.get("lines") == len(lines):
                    return b"".join(lines)
                wait_s = QUIET_S
            lines.append(each.raw)
            if len(lines) > MOST_LINES:
                return None
    return None


def _settled(part: Path, boot: str) -> LogTrace | None:
    """Give the written trace its name, or find the one that holds its lines already; None where it has no lines."""
    lines = _board_lines(part)
    if not lines:
        return None
    times = [int(each[10:24], 16) for each in lines]
    n = 1
    while True:
        path = part.with_name(f"log-{boot}.trace" if n == 1 else f"log-{boot}-{n}.trace")
        was_there = path.is_file() and lines <= _board_lines(path)
        if was_there or not os.path.lexists(path):
            break
        n += 1
    try:
        if was_there:
            _sync(path)
        else:
            part.rename(path)
        _sync(path.parent)
    except OSError as error:
        raise TraceError(path, f"the disk does not take it: {error.strerror}; the log is still on the board") from error
    return LogTrace(boot, closed_trace(path), len(lines), min(times), max(times), was_there)


def _board_lines(path: Path) -> set[bytes]:
    try:
        return {each for each in path.read_bytes().split(b"\n") if each[:2] in (b"S ", b"J ")}
    except OSError as error:
        raise TraceError(path, f"can't be read: {error.strerror}") from error


def _sync(path: Path) -> None:
    """Have the disk itself hold a file, or a folder's names; where folders can't be opened, the system sees to it."""
    try:
        fd = os.open(path, os.O_RDONLY)
    except OSError:
        if path.is_dir():
            return
        raise
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _remove(part: Path) -> None:
    try:
        part.unlink(missing_ok=True)
    except OSError as error:
        raise TraceError(part, f"can't be removed: {error.strerror}; remove it, or name another folder") from error


def _utc(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
