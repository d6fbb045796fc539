"""The logs that a board wrote to its flash while nobody listened, fetched into traces, one a boot.

A trace is written beside its place, flushed to the disk and renamed when it is whole, so that a name
`log-BOOT.trace` is never half a log, and never replaces another. Only `forget` removes a log from the board; the caller
sends it once the trace is on the disk. Nothing says `keep`: a board that logs goes on logging.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hoodtrace import __version__
from hoodtrace.board.log_block import fetch_block
from hoodtrace.board.talk import Talk, older
from hoodtrace.errors import LinkError, LinkReason, TraceError
from hoodtrace.wire.trace import ClosedTrace, TraceWriter, closed_trace

MOST_NUMBER, MOST_BLOCKS = 9999, 16
"""Of what the firmware writes: numbers of files, blocks of a file."""
LISTS = 5
LIST_S = 30.0  # of silence: flash takes what the board still has in memory, up to a second a block
OLDEST_LOG = timedelta(days=3650)
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
    """What a boot's files gave: the trace (None where no line was good), files fetched whole, damaged blocks and files.

    `damaged` holds pairs of file number and block; `unread` files in which the board names no block, or of no boot.
    """

    trace: LogTrace | None
    whole: tuple[int, ...]
    damaged: tuple[tuple[int, int], ...]
    unread: tuple[int, ...] = ()

    @property
    def spoiled(self) -> tuple[int, ...]:
        """Numbers of all files with damage."""
        return tuple(sorted({number for number, _ in self.damaged} | set(self.unread)))


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
    for _ in range(LISTS):
        answer = talk.ask("logs", last="logs", silent_s=LIST_S)
        if answer.unknown:
            raise older(talk, "logs")
        found = {file.number: file for file in map(_log_file, answer.messages) if file is not None}
        if answer.ok and answer.messages[-1].get("count") == len(found):
            return tuple(found[number] for number in sorted(found))
    raise LinkError(
        LinkReason.SILENT, f"{talk.port}: the list of logs came incomplete {LISTS} times: check the cable, try again"
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
    boot, damaged, unread = files[0].boot, [], []
    part = folder / f"log-{boot}.part"
    _remove(part)
    try:
        with TraceWriter(part) as writer:
            writer.note("opened", utc=_utc(now.utc), software=_SOFTWARE, port=talk.port, **_FROM)
            for file in files:
                if file.n_blocks == 0 or not boot:
                    unread.append(file.number)
                for block in range(file.n_blocks):
                    lines = fetch_block(talk, file.number, block) if boot else None
                    if lines is None:
                        damaged.append((file.number, block))
                    else:
                        writer.write(lines)
                    on_block()
            # The note carries the TIME of the last line; the time of day goes back by as much.
            ago = timedelta(microseconds=now.t_us - writer.t_us)
            if boot == now.boot and abs(ago) < OLDEST_LOG:
                writer.note("clock", utc=_utc(now.utc - ago))
            writer.note("closed", utc=_utc(datetime.now(UTC)))
        trace = _settled(part, boot)
    finally:
        _remove(part)
    found = BootLog(trace, (), tuple(damaged), tuple(unread))
    return replace(found, whole=tuple(f.number for f in files if f.number not in found.spoiled))


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
