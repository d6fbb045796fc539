"""Link and recorder against a scripted board on a real pseudo-terminal.

The outside source of every expected byte is what the scripted board sent. Tests wait for conditions, never for times.
"""

from __future__ import annotations

import itertools
import json
import os
import resource
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hoodtrace.board.link import Board, find_board, open_board, open_link
from hoodtrace.board.recorder import SILENT_S, Recorder
from hoodtrace.errors import HoodtraceError, LinkError, LinkReason, TraceError, UsageError
from hoodtrace.wire.decoder import Decoded, Decoder
from hoodtrace.wire.trace import ClosedTrace, TraceWriter
from scripted_board import ScriptedBoard, good_lines, spoken, wait_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

BEGUN = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


class Recording:
    """A recorder at work in a thread of its own."""

    def __init__(self, board: Board, path: Path, patience_s: float | None = None) -> None:
        self.path = path
        self.decoded: list[Decoded] = []
        self.closed: ClosedTrace | None = None
        self.error: HoodtraceError | None = None
        self.recorder = Recorder(
            board,
            TraceWriter(path),
            clock=lambda t_us: BEGUN + timedelta(microseconds=t_us),
            on_decoded=self.decoded.append,
            patience_s=patience_s,
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.closed = self.recorder.run()
        except HoodtraceError as error:
            self.error = error

    def end(self) -> bytes:
        """Stop and return the file."""
        self.recorder.stop()
        self._thread.join(10)
        assert not self._thread.is_alive()
        return self.path.read_bytes()

    def has(self, board: ScriptedBoard, n: int) -> bool:
        """Whether the first `n` lines that the board's present boot made since the recording began are there."""
        return self.recorder.status.n_samples >= n and self.recorder.status.n_missing == 0


@pytest.fixture
def port(tmp_path: Path) -> Path:
    return tmp_path / "board"


@contextmanager
def recording(board: ScriptedBoard, path: Path, patience_s: float | None = None) -> Iterator[Recording]:
    record = Recording(open_board(str(board.port)), path, patience_s)
    try:
        yield record
    finally:
        record.recorder.stop()
        record._thread.join(10)


def notes(data: bytes) -> list[dict[str, object]]:
    return [json.loads(body) for kind, _, _, body, _ in good_lines(data) if kind == "H"]


def lines_of(data: bytes, boot: str = "0000a001", first_boot: str = "0000a001") -> dict[int, bytes]:
    """Return the board's lines in a trace by SEQ, for one boot; boots are told apart by the hellos in it."""
    now, found, unsure = first_boot, {}, {}
    for kind, seq, _, body, line in good_lines(data):
        if kind == "H" and '"gap"' in body:
            now = ""  # not certain before the next hello
        elif kind == "J" and '"hello"' in body:
            now = json.loads(body)["boot"]
            found |= unsure if now == boot else {}
            unsure = {}
        if kind in "SJ" and now == boot:
            found[seq] = line
        elif kind in "SJ" and not now:
            unsure[seq] = line
    return found


def assert_whole(data: bytes, board: ScriptedBoard, boot: str = "0000a001") -> None:
    """Every line from the lowest to the highest SEQ is there, byte for byte as the board made it."""
    found, made = lines_of(data, boot), board.of_boot(boot)
    assert found == {seq: made[seq] for seq in range(min(found), max(found) + 1)}


# ---- recording


def test_a_good_run_is_the_received_bytes_and_notes_between_lines(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 300), "300 samples")
        status, data = record.recorder.status, record.end()
    received = b"".join(line for line in data.splitlines(keepends=True) if not line.startswith(b"H "))
    assert received.removesuffix(b"\n") in bytes(board.sent)
    assert_whole(data, board)
    assert [note["kind"] for note in notes(data)] == ["opened", "clock", "closed"]
    opened, clock, _ = notes(data)
    assert opened["port"] == str(port)
    assert str(opened["software"]).startswith("hoodtrace ")
    last = (0, 0)
    for kind, seq, t_us, body, _ in good_lines(data):
        if kind == "H":
            assert (seq, t_us) == last
        else:
            last = (seq, t_us)
        if body == json.dumps(clock, separators=(",", ":")):
            assert datetime.fromisoformat(str(clock["utc"])) == BEGUN + timedelta(milliseconds=t_us // 1000)
    assert (status.n_lost, status.n_restarts, status.n_gaps, status.trouble) == (0, 0, 0, None)
    assert status.hello["boot"] == "0000a001"
    assert status.last is not None
    assert record.closed is not None
    assert record.closed.n_bytes == len(data)


def test_live_sees_what_a_replay_of_the_file_sees(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    board.noise = lambda seq: b"\x00\xfe\n" if seq % 10 == 0 else b""
    board.drop = lambda seq: seq % 25 == 3
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 200), "200 samples")
        data = record.end()
    replay = Decoder().feed(data)
    live = [place for part in record.decoded for place in part.samples.place.tolist()]
    assert live == replay.samples.place.tolist()
    assert [m for part in record.decoded for m in part.messages] == replay.messages
    assert sum(part.n_bad for part in record.decoded) == replay.n_bad > 0


def test_dropped_lines_are_asked_for_and_come(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 50), "50 samples")
        begin = board.drop_next(0).start
        board.drop = lambda seq: 0 <= seq - begin < 400 and (seq % 7 == 2 or 200 <= seq - begin < 280)
        wait_for(lambda: record.has(board, begin + 450), "the lines after, and none missing")
        data = record.end()
    assert_whole(data, board)
    asked = [words for words in board.commands if words.startswith("resend")]
    first = [int(words.split()[1], 16) for words in asked]
    assert first == sorted(first)
    assert len(first) > 10
    assert record.recorder.status.n_lost == 0


def test_noise_is_kept_and_counted_and_takes_no_line_with_it(port: Path, tmp_path: Path) -> None:
    """What a modem manager types, its echo, a traceback, zeros: all between good lines."""
    noise = (b"AT\r\n", b"AT+XYZ\rATZ\r\r\nOK\r\n", b"\x00" * 70 + b"\n", b"Traceback (most recent call last):\r\n")
    noise += (b"\xff\xfe\n", b"S 0000001 00000000000000 000000 ffffff 0000 0000 00 00000000\n")
    board = ScriptedBoard(port)
    board.noise = lambda seq: noise[seq // 5 % len(noise)] if seq % 5 == 0 else b""
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 300), "300 samples")
        data = record.end()
    assert_whole(data, board)
    assert record.recorder.status.n_lost == 0
    for one in noise:
        assert one in data
    n_bad = sum(bool(stretch.strip(b"\r")) for stretch in data.split(b"\n")) - len(good_lines(data))
    assert record.recorder.status.n_bad == n_bad


def test_what_the_board_no_longer_holds_is_lost_and_the_rest_goes_on(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 50), "50 samples")
        board.refuse_resend = "{0}..{1} not held"
        hole = board.drop_next(10)
        wait_for(lambda: record.recorder.status.n_lost == 10, "ten lost lines")
        wait_for(lambda: record.has(board, 200), "200 samples")
        data = record.end()
    made = board.of_boot("0000a001")
    found = lines_of(data)
    assert set(range(min(found), max(found) + 1)) - set(found) == set(hole)
    assert all(made[seq] == line for seq, line in found.items())


def test_unplugged_in_a_line_and_plugged_in_again(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    path = tmp_path / "a.trace"
    with board.living(), recording(board, path) as record:
        wait_for(lambda: record.has(board, 100), "100 samples")
        board.paused = True
        wait_for(lambda: record.recorder.status.trouble is None, "a quiet moment")
        half = spoken("S", 0xABCDEF, 0, "000000 ffffff 0000 0000 00")[:33]
        board.raw(half)
        wait_for(lambda: path.read_bytes().endswith(half), "half a line in the file")
        board.unplug()
        wait_for(lambda: record.recorder.status.trouble == "unplugged", "the gap")
        board.paused = False
        n = max(board.of_boot("0000a001"))
        wait_for(lambda: max(board.of_boot("0000a001")) > n + 50, "lines made while unplugged")
        board.plug()
        wait_for(lambda: record.recorder.status.trouble is None, "the board again")
        wait_for(lambda: record.has(board, n + 150), "lines after the gap, and those made in it")
        data = record.end()
    assert half + b"\nH " in data
    assert_whole(data, board)
    assert [note["kind"] for note in notes(data)] == ["opened", "clock", "gap", "clock", "closed"]
    assert notes(data)[2]["why"] == "unplugged"
    status = record.recorder.status
    assert (status.n_gaps, status.n_restarts, status.n_lost) == (1, 0, 0)


def test_a_board_that_began_again_under_our_eyes(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 50), "50 samples")
        board.refuse_resend = "not now"
        board.drop_next(10)
        wait_for(lambda: 10 in (record.recorder.status.n_missing, record.recorder.status.n_lost), "a hole")
        board.drop, board.refuse_resend = lambda seq: False, ""
        board.restart("0000b002")
        wait_for(lambda: record.recorder.status.n_restarts == 1, "the restart")
        n = record.recorder.status.n_samples
        wait_for(lambda: record.has(board, n + 150), "150 samples of the second boot")
        data = record.end()
    found = lines_of(data, "0000b002")
    assert min(found) == 0
    assert_whole(data, board, "0000b002")
    assert record.recorder.status.n_lost == 10
    # A clock note dates the new boot.
    at = data.index(b'"0000b002"')
    assert b'"kind":"clock"' in data[at:]


@pytest.mark.parametrize("n", [50, 900])
def test_a_restart_whose_hello_was_lost(port: Path, tmp_path: Path, n: int) -> None:
    """The second boot's lines begin below the first one's SEQ, or, heard only after a while, above it."""
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, n), "samples of the first boot")
        board.drop = lambda seq: seq == 0
        board.restart("0000b002")
        wait_for(lambda: record.recorder.status.n_restarts == 1, "the restart, by asking")
        n = record.recorder.status.n_samples
        wait_for(lambda: record.has(board, n + 100), "100 samples of the second boot")
        data = record.end()
    assert_whole(data, board, "0000b002")


def test_replugged_board_that_lost_power(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 100), "100 samples")
        board.unplug()
        wait_for(lambda: record.recorder.status.trouble is not None, "the gap")
        board.restart("0000c003")
        board.plug()
        wait_for(lambda: record.recorder.status.n_restarts == 1, "the second boot")
        n = record.recorder.status.n_samples
        wait_for(lambda: record.has(board, n + 50), "samples of the second boot")
        data = record.end()
    assert_whole(data, board)
    assert_whole(data, board, "0000c003")


@pytest.mark.parametrize(("noisy", "why"), [(False, "silent"), (True, "only noise")])
def test_a_board_that_falls_silent_and_speaks_again(port: Path, tmp_path: Path, noisy: bool, why: str) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 60), "60 samples")
        board.paused = True

        def gap() -> bool:
            if noisy:
                board.raw(b"garbage\n")
            return record.recorder.status.trouble == why

        wait_for(gap, "the gap", limit_s=SILENT_S + 15.0)
        board.paused = False
        wait_for(lambda: record.recorder.status.trouble is None, "the board again")
        n = record.recorder.status.n_samples
        wait_for(lambda: record.has(board, n + 60), "samples again")
        data = record.end()
    assert [note["why"] for note in notes(data) if note["kind"] == "gap"] == [why]
    assert_whole(data, board)


def test_patience_ends_with_a_link_error_and_a_closed_trace(port: Path, tmp_path: Path) -> None:
    board = ScriptedBoard(port)
    with board.living(), recording(board, tmp_path / "a.trace", patience_s=0.5) as record:
        wait_for(lambda: record.has(board, 60), "60 samples")
        board.unplug()
        wait_for(lambda: record.error is not None, "the end of the patience")
    assert isinstance(record.error, LinkError)
    assert "is closed and good up to there" in str(record.error)
    assert notes(record.path.read_bytes())[-1]["kind"] == "closed"


def test_a_fast_board_is_never_held_up(port: Path, tmp_path: Path) -> None:
    """20 minutes of board time; held up until the next second's `keep` each half second, that would take 20 minutes."""
    board = ScriptedBoard(port, rate_hz=50, fast=True)
    with board.living(), recording(board, tmp_path / "a.trace") as record:
        wait_for(lambda: record.has(board, 20 * 60 * 50), "20 minutes of samples", limit_s=60.0)
        data = record.end()
    assert_whole(data, board)
    # A clock note at least every 10 s of the board's time.
    dated = [t_us for kind, _, t_us, body, _ in good_lines(data) if kind == "H" and '"clock"' in body]
    assert max(b - a for a, b in itertools.pairwise(dated)) <= 10_000_000


def test_over_a_socket(tmp_path: Path) -> None:
    board = ScriptedBoard(None)
    number = board.serve()
    with board.living():
        record = Recording(open_board(f"socket://127.0.0.1:{number}"), tmp_path / "a.trace")
        wait_for(lambda: record.has(board, 100), "100 samples")
        assert_whole(record.end(), board)


def test_a_full_disk_ends_the_recording_and_keeps_what_is_there(port: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    board = ScriptedBoard(port)
    with board.living():
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_007, hard))
        try:
            with recording(board, path) as record:
                wait_for(lambda: record.error is not None, "the disk is full")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert isinstance(record.error, TraceError)
    assert "recording ended" in str(record.error)
    data = path.read_bytes()
    assert len(data) == 10_007
    received = b"".join(line for line in data.splitlines(keepends=True) if not line.startswith(b"H "))
    assert received in bytes(board.sent)
    assert len(lines_of(data)) > 100


# ---- opening


@contextmanager
def answering(port: Path, answer: bytes) -> Iterator[str]:
    """Something on a pseudo-terminal that is no board: says `answer` whenever it hears anything."""
    board = ScriptedBoard(port)
    board.plug()
    ending = threading.Event()

    def live() -> None:
        while not ending.is_set():
            try:
                if os.read(board._fds[0], 4096) and answer:
                    os.write(board._fds[0], answer)
            except BlockingIOError:
                ending.wait(0.005)

    thread = threading.Thread(target=live, daemon=True)
    thread.start()
    yield str(port)
    ending.set()
    thread.join(5)
    board.unplug()


def refused(port: str, wait_s: float = 0.7) -> LinkError:
    with pytest.raises(LinkError) as caught:
        open_board(port, wait_s)
    assert port in str(caught.value)
    assert caught.value.exit_code == 3
    return caught.value


@pytest.mark.parametrize(
    ("answer", "reason", "words"),
    [
        (b"", LinkReason.SILENT, "not one byte"),
        (b"\x00\xff\x13\x77 garbage\n", LinkReason.NOT_OURS, "another device"),
        (b"AT\r\r\nOK\r\n", LinkReason.NOT_OURS, "another device"),
        (b"\r\n>>> ", LinkReason.NOT_OURS, "MicroPython prompt"),
        (spoken("S", 1, 1, "000000 ffffff 0000 0000 00"), LinkReason.NOT_OURS, "no hello"),
        (spoken("J", 1, 1, '{"kind": "hello", "protocol": 2}'), LinkReason.OTHER_PROTOCOL, "protocol 2"),
    ],
)
def test_a_port_that_is_not_our_board(port: Path, answer: bytes, reason: LinkReason, words: str) -> None:
    with answering(port, answer) as device:
        error = refused(device)
    assert error.reason is reason
    assert words in str(error)


def test_a_busy_port(port: Path) -> None:
    board = ScriptedBoard(port)
    with board.living():
        link = open_link(str(port))
        assert refused(str(port)).reason is LinkReason.BUSY
        link.close()
        open_board(str(port)).link.close()


def test_no_such_port(tmp_path: Path) -> None:
    assert refused(str(tmp_path / "ttyNONE")).reason is LinkReason.NO_PORT
    assert refused("/dev/null").reason is LinkReason.NO_PORT
    assert refused("socket://127.0.0.1:1").reason is LinkReason.NO_PORT
    with pytest.raises(UsageError, match="nonsense"):
        open_board("nonsense://1")


def test_a_port_that_is_not_allowed(port: Path) -> None:
    """As another user, since nothing is forbidden to root."""
    board = ScriptedBoard(port)
    code = (
        "import grp, os, sys\nfrom hoodtrace.board.link import open_link\nfrom hoodtrace.errors import LinkError\n"
        "if os.geteuid() == 0:\n    os.setgroups([])\n    os.setgid(65534)\n    os.setuid(65534)\n"
        "try:\n    open_link(sys.argv[1])\nexcept LinkError as error:\n    print(error.reason.value, '|', error)\n"
    )
    with board.living():
        device = os.path.realpath(port)
        os.chmod(device, 0)
        done = subprocess.run([sys.executable, "-c", code, device], capture_output=True, text=True, check=True)
        os.chmod(device, stat.S_IRUSR | stat.S_IWUSR)
    assert done.stdout.startswith("not allowed |")
    assert "join the group" in done.stdout


def test_the_board_is_found_among_other_ports(tmp_path: Path) -> None:
    board = ScriptedBoard(tmp_path / "board")
    with answering(tmp_path / "modem", b"OK\r\n") as modem, board.living():
        found = find_board([modem, str(tmp_path / "gone"), str(board.port)], wait_s=1.5)
        assert found.link.port == str(board.port)
        found.link.close()
        with pytest.raises(LinkError) as caught:
            find_board([str(tmp_path / "gone"), modem], wait_s=0.3)
    assert caught.value.reason is LinkReason.NOT_OURS
    assert modem in str(caught.value)
    assert str(tmp_path / "gone") in str(caught.value)
    with pytest.raises(LinkError, match="plug the board in") as caught:
        find_board([])
    assert caught.value.reason is LinkReason.NO_PORT
