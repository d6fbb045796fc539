"""`hoodtrace record` as people run it: a process of its own, a scripted board or the real firmware at the other end."""

from __future__ import annotations

import hashlib
import json
import os
import resource
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from firmware.bench_host import small_world
from hoodtrace.board.link import open_board, open_link
from hoodtrace.board.recorder import Recorder, Status
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.wire.trace import TraceWriter
from scripted_board import ScriptedBoard, good_lines, wait_for
from steady_world import write_steady_world

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()", "record"]

HOOD = """
name = "test hood"
[pipe]
bore_mm = 100.0
length_mm = 200.0
[vane]
offset_m_s = 0.1
gain_m_s_per_hz = 0.02
start_m_s = 0.2
k = 0.9
u_k_rel = 0.02
[taps]
count = 4
c = 0.7
u_c_rel = 0.02
zero_pa = 0.0
u_zero_pa = 0.02
"""


@pytest.fixture
def board(tmp_path: Path) -> Iterator[ScriptedBoard]:
    with ScriptedBoard(tmp_path / "board").living() as living:
        yield living


@contextmanager
def started(*words: str, **how: object) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how)  # type: ignore[call-overload]
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def ran(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=60, check=False)


def n_samples(path: Path) -> int:
    return sum(kind == "S" for kind, *_ in good_lines(path.read_bytes())) if path.exists() else 0


def kinds_of_notes(path: Path) -> list[str]:
    return [json.loads(body)["kind"] for kind, _, _, body, _ in good_lines(path.read_bytes()) if kind == "H"]


def holes(path: Path) -> set[int]:
    seqs = {seq for kind, seq, *_ in good_lines(path.read_bytes()) if kind in "SJ"}
    return set(range(min(seqs), max(seqs))) - seqs


def assert_is_what_the_board_said(path: Path, board: ScriptedBoard) -> None:
    lines = good_lines(path.read_bytes())
    made = board.of_boot("0000a001")
    found = {seq: line for kind, seq, _, _, line in lines if kind in "SJ"}
    assert found == {seq: made[seq] for seq in range(min(found), max(found) + 1)}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_ctrl_c_leaves_a_closed_trace(board: ScriptedBoard, tmp_path: Path, number: signal.Signals) -> None:
    path = tmp_path / "a.trace"
    with started("--port", str(board.port), "--out", str(path)) as process:
        wait_for(lambda: n_samples(path) > 100, "100 samples in the file")
        process.send_signal(number)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "Traceback" not in err
    assert kinds_of_notes(path) == ["opened", "clock", "closed"]
    assert_is_what_the_board_said(path, board)
    data = path.read_bytes()
    assert f"{path}  {len(data)} bytes  sha256 {hashlib.sha256(data).hexdigest()}" in out
    assert f"{n_samples(path)} samples" in out
    assert "no losses" in out


def test_a_killed_recording_is_a_valid_trace_and_can_be_gone_on_with(board: ScriptedBoard, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with started("--port", str(board.port), "--out", str(path)) as process:
        wait_for(lambda: n_samples(path) > 100, "100 samples in the file")
        process.kill()
        process.wait()
    n = n_samples(path)
    assert kinds_of_notes(path) == ["opened", "clock"]
    before = path.read_bytes()
    with started("--port", str(board.port), "--out", str(path)) as process:
        wait_for(lambda: n_samples(path) > n + 100 and not holes(path), "more samples and no hole")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "going on with" in err
    assert path.read_bytes().startswith(before)
    assert_is_what_the_board_said(path, board)  # what was made while nobody listened came from the ring


def test_a_full_disk(board: ScriptedBoard, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"

    def small_disk() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (5001, 5001))

    with started("--port", str(board.port), "--out", str(path), preexec_fn=small_disk) as process:
        _, err = process.communicate(timeout=30)
    assert process.returncode == 4
    assert str(path) in err.replace("\n", "")
    assert "Traceback" not in err
    data = path.read_bytes()
    assert len(data) == 5001
    # Up to the last byte what the board sent, in its order, with whole notes between.
    received = b"".join(line for line in data.splitlines(keepends=True) if not line.startswith(b"H "))
    assert received in bytes(board.sent)
    assert n_samples(path) > 30


def test_flow_is_shown_with_a_hood(board: ScriptedBoard, tmp_path: Path) -> None:
    """The scripted board: an edge each 10 ms (100 Hz), dp 960 to 966 counts at 240 counts/Pa, air 20 C to 21.5 C.

    By hand: vane 0.9 * pi/4 * 0.1^2 * (0.1 + 0.02 * 100) m/s = 0.014844 m3/s = 53.4 m3/h; taps 0.7 * 0.0078540 *
    sqrt(2 * 4.01 Pa / 1.20) = 0.01421 m3/s = 51.2 m3/h (1.18 kg/m3 at 100000 Pa and 21.5 C: 51.6).
    """
    hood = tmp_path / "hood.toml"
    hood.write_text(HOOD)
    done = ran("--port", str(board.port), "--out", str(tmp_path / "a"), "--hood", str(hood), "--seconds", "6")
    assert done.returncode == 0, done.stderr
    shown = done.stderr.splitlines()[-1]
    assert "supply vane 53.4, taps 51." in shown
    assert "samples/s" in shown


@pytest.mark.parametrize(("of_hood", "noted"), [(4, False), (8, True)])
def test_hood_file_and_board_are_compared(tmp_path: Path, of_hood: int, noted: bool) -> None:
    hood = tmp_path / "hood.toml"
    hood.write_text(HOOD.replace("[vane]\n", f"[vane]\nedges_per_rev = {of_hood}\n"))
    with VirtualBoard(small_world(tmp_path / "world"), "real", "pty") as board:
        done = ran("--port", board.port, "--out", str(tmp_path / "a"), "--hood", str(hood), "--seconds", "1")
    assert done.returncode == 0, done.stderr
    assert ("the board's setting edges_per_rev 4" in done.stderr) == noted


@pytest.mark.parametrize(
    ("port", "words"),
    [("127.0.0.1:7123", "a board on the network is socket://127.0.0.1:7123"), ("a file", "it is no serial port"),
     ("socket://127.0.0.1:9", "nobody serves it")],
)  # fmt: skip
def test_a_port_that_is_none_is_told_in_words(tmp_path: Path, port: str, words: str) -> None:
    (tmp_path / "a file").write_text("text")
    done = ran("--port", str(tmp_path / port) if port == "a file" else port, "--out", str(tmp_path / "a"))
    assert done.returncode == 3
    assert words in done.stderr
    assert "Errno" not in done.stderr


def test_faults_of_the_board_are_told_in_words_and_once(board: ScriptedBoard, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with started("--port", str(board.port), "--out", str(path)) as process:
        wait_for(lambda: n_samples(path) > 50, "50 samples")
        said = [("log", "full"), ("crash", "noted"), ("settings", "refused"), ("log", "full"), ("log", "error")]
        said += [("gate\x1b[31m", "ajar"), ("log", "well again")]
        for sensor, state in said:
            with board._lock:
                board._say("fault", sensor=sensor, state=state)
        wait_for(lambda: b"well again" in path.read_bytes(), "the last one")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    told = [line for line in err.splitlines() if line.startswith("FAULT: ")]
    for line, words in zip(told, ("flash is full", "ended by an error", "settings", "refuses", "gate?"), strict=True):
        assert words in line
    assert "the log on the board's flash is well again" in err
    assert "\x1b" not in err


def test_a_terminal_gets_one_live_line(board: ScriptedBoard, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    screen, far_end = os.openpty()
    os.set_blocking(screen, False)
    process = subprocess.Popen(
        [*COMMAND, "--port", str(board.port), "--out", str(path)],
        stdout=subprocess.PIPE,
        stderr=far_end,
        env=os.environ | {"TERM": "xterm", "COLUMNS": "120"},
    )
    seen = b""

    def shown() -> bool:
        nonlocal seen
        if select.select([screen], [], [], 0.05)[0]:
            seen += os.read(screen, 4096)
        return seen.count(b"samples/s") > 3 and n_samples(path) > 50

    try:
        wait_for(shown, "live lines")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.communicate()
        os.close(screen)
        os.close(far_end)


def test_exit_codes(board: ScriptedBoard, tmp_path: Path) -> None:
    port = str(board.port)
    link = open_link(port)
    busy = ran("--port", port, "--out", str(tmp_path / "a.trace"))
    link.close()
    (tmp_path / "bad.toml").write_text(HOOD.replace("k = 0.9", "k = -0.9"))
    cases = [
        (busy, 3, "another program"),
        (ran("--port", str(tmp_path / "none"), "--out", str(tmp_path / "a.trace")), 3, "no such port"),
        (ran("--port", port, "--seconds", "0"), 2, "--seconds"),
        (ran("--port", port, "--seconds", "nan"), 2, "--seconds"),
        (ran("--port", port, "--hood", str(tmp_path / "bad.toml")), 4, "vane.k"),
        (ran("--port", port, "--out", str(tmp_path / "no" / "a.trace")), 4, "can't be opened"),
    ]
    for done, code, words in cases:
        assert done.returncode == code, (words, done.stderr)
        assert words in " ".join(done.stderr.split())
        assert "Traceback" not in done.stderr
        assert done.stdout == ""
    assert not list(tmp_path.glob("*.trace"))


def test_a_board_that_is_gone_when_the_time_is_up(board: ScriptedBoard, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with started("--port", str(board.port), "--out", str(path), "--seconds", "2") as process:
        wait_for(lambda: n_samples(path) > 50, "50 samples")
        board.unplug()
        _, err = process.communicate(timeout=30)
    assert process.returncode == 3
    assert "unplugged" in err
    assert kinds_of_notes(path)[-2:] == ["gap", "closed"]


# ---- the real firmware


@pytest.fixture
def world(tmp_path: Path) -> Path:
    """Two minutes of steady air: 4 Pa on the chip, 60 edges a second."""
    return write_steady_world(tmp_path / "world", 960, 60)


@pytest.mark.parametrize("transport", ["pty", "socket"])
def test_the_real_firmware_on_a_fast_clock(world: Path, tmp_path: Path, transport: str) -> None:
    """Cable pulled in the middle; the fast clock stands while nobody is heard, so nothing may be lost."""
    path = tmp_path / "a.trace"
    heard: list[Status] = []
    with VirtualBoard(world, "fast", transport, boot_seed=7) as virtual:  # type: ignore[arg-type]
        recorder = Recorder(
            open_board(virtual.port, wait_s=20.0), TraceWriter(path), on_status=heard.append, patience_s=20.0
        )
        thread = threading.Thread(target=recorder.run, daemon=True)
        thread.start()

        def t_us() -> int:
            last = recorder.status.last
            return last["t_us"] if last else 0

        wait_for(lambda: t_us() > 30_000_000, "30 s of board time")
        virtual.unplug()
        wait_for(lambda: recorder.status.trouble is not None, "the gap")
        virtual.replug()
        wait_for(lambda: t_us() > 119_000_000, "two minutes of board time")
        recorder.stop()
        thread.join(20)
        assert not thread.is_alive()
        assert virtual.log() == ""
    lines = good_lines(path.read_bytes())
    seqs = {seq for kind, seq, _, _, _ in lines if kind in "SJ"}
    assert seqs == set(range(min(seqs), max(seqs) + 1))
    samples = [(t, body.split()) for kind, _, t, body, _ in lines if kind == "S" and t > 5_000_000]
    assert {body[2] for t, body in samples if t < 119_000_000} == {f"{960:04x}"}
    status = recorder.status
    assert (status.n_gaps, status.n_restarts, status.n_lost, status.n_missing) == (1, 0, 0, 0)
    assert kinds_of_notes(path)[0] == "opened"
    assert kinds_of_notes(path)[-1] == "closed"
    assert heard[-1] == status


def test_the_command_records_the_real_firmware_in_real_time(world: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with VirtualBoard(world, "real", "pty", boot_seed=7) as virtual:
        open_board(virtual.port, wait_s=20.0).link.close()  # the firmware has started
        done = ran("--port", virtual.port, "--out", str(path), "--seconds", "3")
    assert done.returncode == 0, done.stderr
    seqs = sorted({seq for kind, seq, *_ in good_lines(path.read_bytes()) if kind in "SJ"})
    assert seqs == list(range(seqs[0], seqs[-1] + 1))
    assert n_samples(path) > 50
    assert "no losses" in done.stdout
    keeps = sum('"reply"' in body for _, _, _, body, _ in good_lines(path.read_bytes()))
    assert keeps < 10  # in real time a `keep` a second is enough
