"""`hoodtrace fetch` as people run it: a scripted board with faults, then the real firmware's log and its readings."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from hoodtrace.board.link import open_board
from hoodtrace.board.logs import ask_now
from hoodtrace.board.scenario import demo_hood_toml, true_hood
from hoodtrace.board.talk import Talk
from hoodtrace.board.virtual import VirtualBoard, micropython_version
from hoodtrace.board.world import Carry, Hold, Rest, Scenario, write_world
from logging_board import HeldLog, LoggingBoard, block_of
from scripted_board import good_lines

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]


def ran(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[LoggingBoard]:
    board = LoggingBoard(tmp_path / "board")
    board.logs[3] = HeldLog("0000000a", [block_of(i, 60, 60 * i, 1_000_000 + 12_000_000 * i) for i in range(3)])
    board.logs[7] = HeldLog("0000000b", [block_of(9, 40)])
    board.logs[12] = HeldLog("0000000a", [block_of(10, 5, 180, 40_000_000)])
    with board.living():
        yield board


def forgotten(board: LoggingBoard) -> list[str]:
    return [words for words in board.commands if words.startswith("forget")]


def test_traces_first_then_room_on_the_board(board: LoggingBoard, tmp_path: Path) -> None:
    out = tmp_path / "new" / "logs"
    there: dict[int, list[str]] = {}
    board.before_forget = lambda number: there.update({number: sorted(path.name for path in out.iterdir())})
    kept = ran("fetch", "--port", board.port, "--out", out, "--keep")
    assert kept.returncode == 0, kept.stderr
    assert sorted(board.logs) == [3, 7, 12]
    assert forgotten(board) == []
    a, b = out / "log-0000000a.trace", out / "log-0000000b.trace"
    for path, line, n_lines in zip((a, b), kept.stdout.splitlines(), (185, 40), strict=True):
        assert line.startswith(f"{path}  {n_lines} lines  0:00:")
        assert line.endswith(f"sha256 {hashlib.sha256(path.read_bytes()).hexdigest()}")
    done = ran("fetch", "--port", board.port, "--out", out)
    assert done.returncode == 0, done.stderr
    assert [line + "; was there already" for line in kept.stdout.splitlines()] == done.stdout.splitlines()
    assert board.logs == {}
    assert list(there) == [3, 12, 7]
    assert all(names == [a.name, b.name] for names in there.values())
    empty = ran("fetch", "--port", board.port, "--out", out)
    assert (empty.returncode, empty.stdout) == (0, "")
    assert "nothing to fetch" in empty.stderr
    assert "keep" not in board.commands


def test_a_cable_pulled_in_the_middle(board: LoggingBoard, tmp_path: Path) -> None:
    out = tmp_path / "out"
    held = dict(board.logs)
    there: dict[int, list[str]] = {}
    board.before_forget = lambda number: there.update({number: [path.name for path in out.iterdir()]})
    board.unplug_in = (7, 0)
    broken = ran("fetch", "--port", board.port, "--out", out)
    assert broken.returncode == 3
    assert "Traceback" not in broken.stderr
    assert "run `hoodtrace fetch` again" in broken.stderr
    # The boot that was whole is kept, and only its files are gone from the board.
    assert [path.name for path in out.iterdir()] == ["log-0000000a.trace"]
    assert sorted(board.logs) == [7]
    assert there == {3: ["log-0000000a.trace"], 12: ["log-0000000a.trace"]}
    board.plug()
    done = ran("fetch", "--port", board.port, "--out", out)
    assert done.returncode == 0, done.stderr
    assert board.logs == {}
    for boot, whole in (("a", held[3].whole + held[12].whole), ("b", held[7].whole)):
        data = (out / f"log-0000000{boot}.trace").read_bytes()
        assert b"".join(line for line in data.splitlines(keepends=True) if line[:2] != b"H ") == whole


def test_a_damaged_block_is_told_and_stays(board: LoggingBoard, tmp_path: Path) -> None:
    board.logs[3].damaged = {1}
    done = ran("fetch", "--port", board.port, "--out", tmp_path / "out")
    assert done.returncode == 4
    assert "block 1 of log 3" in done.stderr
    assert "--forget-damaged" in done.stderr
    assert [line.split("  ")[1] for line in done.stdout.splitlines()] == ["125 lines", "40 lines"]
    assert sorted(board.logs) == [3]
    rid = ran("fetch", "--port", board.port, "--out", tmp_path / "out", "--forget-damaged")
    assert rid.returncode == 4
    assert "removed" in rid.stderr
    assert rid.stdout.endswith("was there already\n")
    assert board.logs == {}


def test_logs_that_nobody_can_read_stay(board: LoggingBoard, tmp_path: Path) -> None:
    """One with no block in it, one of an unknown boot, and one whose block the board refuses for a line too long."""
    board.logs = {
        2: HeldLog("0000000c", []),
        3: HeldLog("", []),
        4: HeldLog("", [block_of(1, 5)]),
        7: HeldLog("0000000b", [block_of(8, 30), block_of(9, 40, 30), block_of(10, 20, 70)], damaged={1}),
        9: HeldLog("0000000d", [block_of(11, 10)]),
    }
    done = ran("fetch", "--port", board.port, "--out", tmp_path / "out")
    assert done.returncode == 4, done.stderr
    for words in ("log 2 (", "log 3 (", "log 4 (", "block 1 of log 7", "--forget-damaged"):
        assert words in done.stderr
    assert [line.split("  ")[1] for line in done.stdout.splitlines()] == ["50 lines", "10 lines"]
    assert sorted(board.logs) == [2, 3, 4, 7]
    rid = ran("fetch", "--port", board.port, "--out", tmp_path / "out", "--forget-damaged")
    assert (rid.returncode, board.logs) == (4, {})


def test_words_and_folders_that_are_off(board: LoggingBoard, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for words, code, said in (
        (("--port", board.port, "--out", tmp_path / "file"), 4, "name another with --out"),
        (("--port", board.port, "--keep", "--forget-damaged"), 2, "exclude each other"),
        (("--port", tmp_path / "none", "--out", tmp_path), 3, "no such port"),
    ):
        done = ran("fetch", *words)
        assert (done.returncode, done.stdout) == (code, ""), done.stderr
        assert said in " ".join(done.stderr.split())
        assert "Traceback" not in done.stderr
    assert sorted(board.logs) == [3, 7, 12]


# ---- the real firmware


@pytest.fixture(params=["MicroPython", "CPython shim"])
def runs_micropython(request: pytest.FixtureRequest) -> bool:
    if request.param == "MicroPython" and micropython_version() is None:
        pytest.skip("no MicroPython for this machine")
    return bool(request.param == "MicroPython")


def wait_until(board: VirtualBoard, board_s: float) -> str:
    """Leave the board alone until its clock says so; its boot id."""
    end = time.monotonic() + 60
    while True:
        time.sleep(0.3)  # each question is a line in the log too
        with Talk(open_board(board.port)) as talk:
            now = ask_now(talk)
        if now.t_us >= board_s * 1e6:
            return now.boot
        assert time.monotonic() < end


def test_the_board_alone_then_its_readings(tmp_path: Path, runs_micropython: bool) -> None:
    """Nobody listens while three terminals are held; the readings of the fetched log hold the truth of the world."""
    world, hood, out = tmp_path / "world", tmp_path / "hood.toml", tmp_path / "out"
    hood.write_text(demo_hood_toml())
    flows = (("S1", "supply", 45.0), ("E1", "extract", 60.0), ("S2", "supply", 25.0))
    steps: list[Rest | Carry | Hold] = [Rest(20.0)]
    for terminal, direction, flow_m3h in flows:
        steps += [Carry(12.0), Rest(8.0), Hold(terminal, direction, flow_m3h, 60.0)]  # type: ignore[arg-type]
    steps += [Carry(8.0), Rest(15.0)]
    true = true_hood(tomllib.loads(demo_hood_toml()), np.random.default_rng(11))
    world.mkdir()
    truth = write_world(Scenario(true, tuple(steps)), world, 11)
    with VirtualBoard(world, "free", "pty", boot_seed=2, micropython=runs_micropython) as board:
        wait_until(board, truth.duration_s + 90)  # a minute of stillness ends the log
        done = ran("fetch", "--port", board.port, "--out", out)
        assert done.returncode == 0, done.stderr
        empty = ran("fetch", "--port", board.port, "--out", out)
        assert "nothing to fetch" in empty.stderr
    trace = next(out.iterdir())
    found = json.loads(ran("readings", trace, "--hood", hood, "--format", "json").stdout)
    assert (found["trace"]["lost_samples"], found["trace"]["bad_lines"], found["trace"]["boots"]) == (0, 0, 1)
    assert len(found["readings"]) == len(truth.holds) == 3
    for reading, held in zip(found["readings"], truth.holds, strict=True):
        assert "from log" in reading["flags"]
        assert reading["direction"] == held.direction
        # Three standard deviations where the interval is of 95 %: one of three would miss it one time in seven.
        assert abs(reading["flow_m3h"] - held.plateaus[0].flow_m3h) < 1.5 * reading["expanded_m3h"]
        assert reading["expanded_m3h"] < 0.15 * reading["flow_m3h"]


def test_power_lost_twice_then_fetched(tmp_path: Path, runs_micropython: bool) -> None:
    """What was on flash when power went is there after the next start, each boot in a trace of its own."""
    world, out = tmp_path / "world", tmp_path / "out"
    world.mkdir()
    hold = Hold("S1", "supply", 40.0, 400.0)
    write_world(Scenario(true_hood(tomllib.loads(demo_hood_toml()), np.random.default_rng(3)), (hold,)), world, 3)
    boots = []
    for seed in (1, 2, 3):
        with VirtualBoard(
            world, "free", "pty", boot_seed=seed, micropython=runs_micropython, flash=tmp_path / "flash"
        ) as board:
            boots.append(wait_until(board, 200.0))
            if seed == 3:
                done = ran("fetch", "--port", board.port, "--out", out)
    assert done.returncode == 0, done.stderr
    assert [line.split("  ")[0] for line in done.stdout.splitlines()] == [str(out / f"log-{b}.trace") for b in boots]
    for boot in boots:
        lines = good_lines((out / f"log-{boot}.trace").read_bytes())
        seqs = [seq for kind, seq, *_ in lines if kind in "SJ"]
        assert seqs == list(range(len(seqs)))
        assert lines[-2][2] > 150e6  # at most the block that was not full went with the power
        notes = [json.loads(body)["kind"] for kind, _, _, body, _ in lines if kind == "H"]
        assert notes == ["opened", *(["clock"] if boot == boots[-1] else []), "closed"]
