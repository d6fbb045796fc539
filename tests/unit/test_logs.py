"""Fetching a board's logs from a scripted board: whole or not at all, nothing written over, hostile contents."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hoodtrace.board.link import open_board
from hoodtrace.board.logs import BootLog, LogFile, Now, ask_now, by_boot, fetch_block, fetch_boot, list_logs
from hoodtrace.board.talk import Talk
from hoodtrace.errors import LinkError, LinkReason, TraceError
from logging_board import HeldLog, Lines, LoggingBoard, block_of
from scripted_board import good_lines, spoken

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

OTHER = Now("0000ffff", 0, datetime(2026, 3, 2, 9, 0, tzinfo=UTC))


@pytest.fixture
def board(tmp_path: Path) -> Iterator[LoggingBoard]:
    board = LoggingBoard(tmp_path / "board")
    first = [block_of(i, 60, seq=60 * i, t_us=1_000_000 + 12_000_000 * i) for i in range(3)]
    board.logs[3] = HeldLog("0000000a", first)
    board.logs[7] = HeldLog("0000000b", [block_of(9, 40)])
    board.logs[12] = HeldLog("0000000a", [block_of(10, 5, seq=180, t_us=40_000_000)])
    with board.living():
        yield board


@pytest.fixture
def talk(board: LoggingBoard) -> Iterator[Talk]:
    with Talk(open_board(str(board.port))) as talk:
        yield talk


@pytest.fixture
def out(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


def fetched(talk: Talk, out: Path, boot: str = "0000000a", now: Now = OTHER) -> BootLog:
    return fetch_boot(talk, by_boot(list_logs(talk))[boot], out, now)


def notes(path: Path) -> list[tuple[int, dict[str, object]]]:
    return [(t_us, json.loads(body)) for kind, _, t_us, body, _ in good_lines(path.read_bytes()) if kind == "H"]


def without_notes(path: Path) -> bytes:
    return b"".join(line for line in path.read_bytes().splitlines(keepends=True) if line[:2] != b"H ")


def test_a_boots_files_become_one_trace_byte_for_byte(board: LoggingBoard, talk: Talk, out: Path) -> None:
    assert list_logs(talk) == (LogFile(3, "0000000a", 3), LogFile(7, "0000000b", 1), LogFile(12, "0000000a", 1))
    found = fetched(talk, out)
    assert found.trace is not None
    path = found.trace.trace.path
    assert path == out / "log-0000000a.trace"
    assert without_notes(path) == board.logs[3].whole + board.logs[12].whole
    assert [note["kind"] for _, note in notes(path)] == ["opened", "closed"]
    assert notes(path)[0][1]["from"] == "flash log"
    times = [t_us for kind, _, t_us, _, _ in good_lines(path.read_bytes()) if kind != "H"]
    assert (found.trace.n_lines, found.trace.first_us, found.trace.last_us) == (185, min(times), max(times))
    assert (found.whole, found.damaged, found.trace.was_there) == ((3, 12), (), False)
    assert [p.name for p in out.iterdir()] == ["log-0000000a.trace"]
    assert not any(words.startswith("forget") for words in board.commands)


def test_the_boot_that_still_runs_gets_the_time_of_day(board: LoggingBoard, talk: Talk, out: Path) -> None:
    board.logs[20] = HeldLog(board.boot, [block_of(4, 30, t_us=100)])
    before = datetime.now(UTC)
    asked = ask_now(talk)
    assert asked.boot == board.boot
    assert before <= asked.utc <= datetime.now(UTC)
    assert 0 <= board._t_us - asked.t_us < 3_000_000
    now = Now(board.boot, 1_000_000_000, datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
    found = fetched(talk, out, board.boot, now)
    assert found.trace is not None
    told = [(t_us, note) for t_us, note in notes(found.trace.trace.path) if note["kind"] == "clock"]
    assert len(told) == 1
    t_us, note = told[0]
    assert t_us == found.trace.last_us
    ago = timedelta(microseconds=1_000_000_000 - t_us)
    assert abs(datetime.fromisoformat(str(note["utc"])) - (now.utc - ago)) < timedelta(milliseconds=1)


@pytest.mark.parametrize("fault", ["lost line", "lost first line", "wrong byte", "lost half"])
def test_what_is_lost_on_the_way_is_asked_for_again(board: LoggingBoard, talk: Talk, fault: str) -> None:
    def spoil(number: int, block: int, nth: int, lines: Lines) -> Lines:
        if nth == 3:
            return lines
        if fault == "wrong byte":
            return [*lines[:7], lines[7][:30] + b"?" + lines[7][31:], *lines[8:]]
        return {"lost line": lines[:7] + lines[8:], "lost first line": lines[1:], "lost half": lines[:25]}[fault]

    board.on_the_way = spoil
    assert fetch_block(talk, 3, 1) == b"".join(board.logs[3].blocks[1])
    assert board.n_asked == {(3, 1): 3}


def test_a_line_that_never_comes_leaves_nothing(board: LoggingBoard, talk: Talk, out: Path) -> None:
    board.on_the_way = lambda number, block, nth, lines: lines[1:] if block == 2 else lines
    with pytest.raises(LinkError, match="block 2 of log 3 did not come whole in 5 tries") as caught:
        fetched(talk, out)
    assert caught.value.reason is LinkReason.SILENT
    assert board.n_asked == {(3, 0): 1, (3, 1): 1, (3, 2): 5}
    assert list(out.iterdir()) == []


def test_a_damaged_block_costs_only_itself(board: LoggingBoard, talk: Talk, out: Path) -> None:
    board.logs[3].damaged = {1}
    found = fetched(talk, out)
    assert (found.whole, found.damaged) == ((12,), ((3, 1),))
    assert without_notes(out / "log-0000000a.trace") == board.logs[3].whole + board.logs[12].whole
    board.logs[7].damaged = {0}
    found = fetched(talk, out, "0000000b")
    assert (found.trace, found.whole, found.damaged) == (None, (), ((7, 0),))
    assert [p.name for p in out.iterdir()] == ["log-0000000a.trace"]


def test_lines_in_a_log_that_look_like_answers(board: LoggingBoard, talk: Talk, out: Path) -> None:
    """A board that logs also logs what it answered, to this program's commands or to another's."""
    lines = block_of(5, 20)
    # Of this boot, but older than this conversation; of a boot whose clock was far ahead; of one with far more lines.
    for seq, t_us in ((0, 1), (20, 1 << 50), (1 << 26, 1_000)):
        for to in range(40):
            lines.append(spoken("J", seq + to, t_us, json.dumps({"kind": "reply", "to": to, "ok": to % 2 == 0})))
        for n in range(len(lines), len(lines) + 20):  # each at the place where it would be right
            fields = {"kind": "fetched", "number": 9, "block": 0, "lines": n}
            lines.append(spoken("J", seq + n, t_us, json.dumps(fields)))
        lines.append(spoken("J", seq + 98, t_us, '{"kind":"log","number":1,"of_boot":"0000000a","blocks":3}'))
        lines.append(spoken("J", seq + 99, t_us, '{"kind":"logs","count":1,"free_kib":3}'))
    board.logs = {9: HeldLog("0000000c", [lines, block_of(6, 20, seq=500)])}
    found = fetched(talk, out, "0000000c")
    assert found.trace is not None
    assert without_notes(found.trace.trace.path) == board.logs[9].whole
    assert board.n_asked == {(9, 0): 1, (9, 1): 1}


def test_a_board_that_streams_or_is_busy_is_waited_for(board: LoggingBoard, talk: Talk) -> None:
    busy = "busy with another command: ask again"
    board.refusals = ["streaming: ask again 3 s after the last keep"] * 4 + [busy] * 3
    assert fetch_block(talk, 7, 0) == board.logs[7].whole
    assert sum(words == "fetch 7 0" for words in board.commands) == 8
    board.refusals = ["streaming: ask again 3 s after the last keep"] * 1000
    with pytest.raises(LinkError, match="End what records from it") as caught:
        fetch_block(talk, 7, 0)
    assert caught.value.reason is LinkReason.BUSY


def test_no_trace_is_ever_written_over(board: LoggingBoard, talk: Talk, out: Path) -> None:
    (out / "log-0000000a.trace").write_bytes(b"something else\n")
    (out / "log-0000000a-2.trace").mkdir()
    (out / "log-0000000a.part").write_bytes(b"left by a run that was killed")
    found = fetched(talk, out)
    assert found.trace is not None
    assert found.trace.trace.path == out / "log-0000000a-3.trace"
    assert (out / "log-0000000a.trace").read_bytes() == b"something else\n"
    whole = (out / "log-0000000a-3.trace").read_bytes()
    # The same again, and a part of it: both are there already.
    again = fetched(talk, out)
    assert again.trace is not None
    assert (again.trace.was_there, again.trace.trace) == (True, found.trace.trace)
    del board.logs[12]
    again = fetched(talk, out)
    assert again.trace is not None
    assert (again.trace.was_there, again.trace.trace) == (True, found.trace.trace)
    # One line more: another trace.
    board.logs[13] = HeldLog("0000000a", [block_of(11, 1, seq=400)])
    more = fetched(talk, out)
    assert more.trace is not None
    assert (more.trace.was_there, more.trace.trace.path.name) == (False, "log-0000000a-4.trace")
    assert (out / "log-0000000a-3.trace").read_bytes() == whole
    assert not list(out.glob("*.part"))


def test_a_link_that_breaks_leaves_nothing_half(board: LoggingBoard, talk: Talk, out: Path) -> None:
    board.unplug_in = (3, 2)
    with pytest.raises(LinkError) as caught:
        fetched(talk, out)
    assert caught.value.reason is LinkReason.UNPLUGGED
    assert list(out.iterdir()) == []


@pytest.mark.parametrize("replies", [True, False])
@pytest.mark.parametrize("each", [1, 200])
def test_a_board_that_streams_for_ever_comes_to_an_end(
    board: LoggingBoard, talk: Talk, monkeypatch: pytest.MonkeyPatch, replies: bool, each: int
) -> None:
    """500 lines a second are soon too many; one each 0.4 s are never silence."""
    monkeypatch.setattr("hoodtrace.board.log_block.TRIES", 2)
    monkeypatch.setattr("hoodtrace.board.log_block.REPLY_S", 1.5)
    monkeypatch.setattr("hoodtrace.board.talk.SOON_S", 1.5)
    board.replies_to_fetch, board.streams_each = replies, each
    with pytest.raises(LinkError, match="no reply" if not replies else "no end") as caught:
        fetch_block(talk, 3, 0)
    assert caught.value.reason is LinkReason.SILENT
    assert board.n_asked == {(3, 0): 2}


def test_a_list_that_never_ends(board: LoggingBoard, talk: Talk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hoodtrace.board.talk.SOON_S", 1.0)
    monkeypatch.setattr("hoodtrace.board.talk.MOST_MESSAGES", 500)  # a second more, at the board's 500 lines a second
    board.odd["logs"] = {"kind": "air"}
    board._cycle = lambda: board._made(board.tell("air"), board._seq % 100 == 0)  # type: ignore[method-assign]
    with pytest.raises(LinkError, match="does not end") as caught:
        list_logs(talk)
    assert caught.value.reason is LinkReason.SILENT


@pytest.mark.parametrize(("boot", "blocks"), [("0000000a", []), ("", []), ("", [block_of(1, 5)])])
def test_a_file_that_nobody_read_is_no_whole_one(
    board: LoggingBoard, talk: Talk, out: Path, boot: str, blocks: list[Lines]
) -> None:
    board.logs = {4: HeldLog(boot, blocks), 6: HeldLog(boot, blocks)}
    found = fetched(talk, out, boot)
    assert (found.trace, found.whole, found.spoiled, found.unread) == (None, (), (4, 6), (4, 6))


def test_a_clock_that_no_board_has_gives_no_time_of_day(board: LoggingBoard, talk: Talk, out: Path) -> None:
    """2^56 us are 2283 years: that long ago there is no date."""
    board.logs[20] = HeldLog(board.boot, [block_of(4, 30, t_us=100)])
    found = fetched(talk, out, board.boot, Now(board.boot, (1 << 56) - 1, datetime(2026, 3, 2, tzinfo=UTC)))
    assert found.trace is not None
    assert [note["kind"] for _, note in notes(found.trace.trace.path)] == ["opened", "closed"]


def test_a_list_with_a_hole_is_asked_for_again(board: LoggingBoard, talk: Talk) -> None:
    board.short_lists = 2
    assert [file.number for file in list_logs(talk)] == [3, 7, 12]
    board.short_lists = 100
    with pytest.raises(LinkError, match="incomplete"):
        list_logs(talk)


def test_an_older_firmware(board: LoggingBoard, talk: Talk) -> None:
    board.knows_logs = False
    with pytest.raises(LinkError, match="hoodtrace install") as caught:
        list_logs(talk)
    assert caught.value.reason is LinkReason.OTHER_FIRMWARE


@pytest.mark.parametrize("boot", ["", "../../../x", "0000000A", "00000000a", "log/0001"])
def test_a_boot_id_that_is_none_never_becomes_a_name(board: LoggingBoard, talk: Talk, out: Path, boot: str) -> None:
    board.logs = {4: HeldLog(boot, [block_of(1, 5), block_of(2, 5)])}
    assert list_logs(talk) == (LogFile(4, "", 2),)
    found = fetched(talk, out, "")
    assert (found.trace, found.whole, found.damaged) == (None, (), ((4, 0), (4, 1)))
    assert list(out.iterdir()) == []


@pytest.mark.parametrize("n_blocks", [-1, 17, 10**9, True, 2.0, "3", None])
def test_a_file_that_no_board_writes_is_not_asked_for(
    board: LoggingBoard, talk: Talk, monkeypatch: pytest.MonkeyPatch, n_blocks: object
) -> None:
    tell = board.tell
    monkeypatch.setattr(
        board, "tell", lambda kind, **fields: tell(kind, **(fields | ({"blocks": n_blocks} if kind == "log" else {})))
    )
    with pytest.raises(LinkError, match="incomplete"):
        list_logs(talk)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_takes_nothing(talk: Talk, out: Path) -> None:
    out.chmod(0o500)
    with pytest.raises(TraceError, match="name another"):
        fetched(talk, out)
