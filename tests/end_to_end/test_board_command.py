"""`hoodtrace board` as people and programs run it: the real firmware, a scripted newer board, and an older one."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from answering_board import AnsweringBoard, OlderBoard
from firmware.bench_host import small_world
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.cli.setting_words import meaning
from scripted_board import wait_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()", "board", "--port"]


def ran(port: object, *words: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run([*COMMAND, str(port), *words], capture_output=True, text=True, timeout=120, check=False)
    assert "Traceback" not in done.stderr
    return done


def said(port: object, *words: str) -> dict[str, object]:
    done = ran(port, *words, "--format", "json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def plain(text: str) -> str:
    """Return a table's words without its line breaks and columns."""
    return " ".join(text.split())


# ---- the real firmware in a simulated house


@pytest.fixture
def world(tmp_path: Path) -> Path:
    """Five minutes: 0.04 Pa at 240 counts/Pa, the chip at 20.5 C, air at 21 C and 987 hPa, a vane that is spun up and
    slowed by friction (frequency falls as a straight line), over and over, and presses of the button."""
    down = [
        (t, t + d) for start in range(5, 290, 10) for t, d in ((start, 0.2), (start + 1.5, 1.5), (start + 4.5, 0.15))
    ]
    down += [(start + 4.9, start + 5.05) for start in range(5, 290, 10)]
    button = sorted([[round(t * 1e6), level] for a, b in down for t, level in ((a, 1), (b, 0))])
    folder = small_world(tmp_path / "world", 300.0, dp_counts=10.0, button=button)
    t_s = np.arange(0.0, 16.0, 1e-4)
    frequency_hz = np.where(t_s < 2.0, 30.0 * np.minimum(t_s / 0.5, 1.0), np.maximum(0.0, 30.0 - 4.0 * (t_s - 2.0)))
    turned = np.cumsum(frequency_hz) * 1e-4
    once_us = np.interp(np.arange(1, int(turned[-1])), turned, t_s) * 1e6
    starts_us = np.arange(10, 280, 16)[:, None] * 1e6
    np.round(starts_us + once_us).astype("<i8").ravel().tofile(folder / "edges.i64")
    return folder


@pytest.fixture
def board(world: Path) -> Iterator[VirtualBoard]:
    with VirtualBoard(world, "fast", "pty", boot_seed=3) as virtual:
        yield virtual
        assert virtual.log() == ""


def test_the_screen_of_a_healthy_board(board: VirtualBoard) -> None:
    done = ran(board.port)
    assert done.returncode == 0, done.stderr
    shown = plain(done.stdout)
    assert shown.startswith("no faults")
    for words in ("virtual board", "this program ships build", ": same", "power came on", "50 a second", "found"):
        assert words in shown
    found = said(board.port)
    assert found["build_same"] is True
    assert found["faults"] == []
    state = found["state"]
    assert isinstance(state, dict)
    # What stands on the screen for seconds: lines over the rate of the settings.
    assert found["ring_s"] == state["ring_lines"] / 50
    assert f"{state['ring_lines']} lines, {state['ring_lines'] / 50:.0f} s" in shown


def test_each_setting_says_what_it_is_and_may_be(board: VirtualBoard) -> None:
    settings = said(board.port, "--settings")["settings"]
    shown = ran(board.port, "--settings").stdout
    for setting in settings:  # type: ignore[attr-defined]
        assert setting["rule"]
        assert meaning(setting["name"])
        assert f"{meaning(setting['name'])}; {setting['rule']}" in shown
    assert max(len(line) for line in shown.splitlines()) <= 160


def test_settings_there_and_back(board: VirtualBoard) -> None:
    listed = {each["name"]: each["value"] for each in said(board.port, "--settings")["settings"]}  # type: ignore[attr-defined]
    assert (listed["rate_hz"], listed["edges_per_rev"]) == (50, 4)
    done = ran(board.port, "--set", "rate_hz=100", "--set", "edges_per_rev=4", "--set", "counting=pin")
    assert done.returncode == 0, done.stderr
    assert "rate_hz: 50 -> 100" in done.stdout
    assert "counting: best -> pin" in done.stdout
    assert "edges_per_rev: 4, as before" in done.stdout
    shown = plain(ran(board.port).stdout)
    assert "100 a second" in shown
    assert "edges during a flash write are lost" in shown


def test_what_the_board_refuses(board: VirtualBoard) -> None:
    for words, why in (("rate_hz=900", "rate_hz 900"), ("nope=1", "nope 1")):
        done = ran(board.port, "--set", words)
        assert done.returncode == 2
        assert f"refuses `set {why}`: " in done.stderr
        assert done.stdout == ""


def test_restart_changes_the_boot_id(board: VirtualBoard) -> None:
    before = said(board.port)["hello"]["boot"]  # type: ignore[index]
    after = said(board.port, "--restart")["boot"]
    assert after != before
    assert said(board.port)["hello"]["boot"] == after  # type: ignore[index]


def test_a_cue(board: VirtualBoard) -> None:
    assert "playing done" in ran(board.port, "--cue", "done").stdout
    unknown = ran(board.port, "--cue", "tune")
    assert unknown.returncode == 2
    assert "seated" in unknown.stderr


def test_the_whole_self_test_in_a_good_house(board: VirtualBoard) -> None:
    """Nobody breathes in this house, so `direction` alone can't be as expected."""
    done = ran(board.port, "--test", "--format", "json")
    steps = {step["name"]: step for step in json.loads(done.stdout)["steps"]}
    verdicts = {name: step["verdict"] for name, step in steps.items()}
    assert verdicts.pop("direction") == "not as expected", steps
    assert set(verdicts.values()) == {"as expected"}, steps
    assert list(steps) == ["rest", "vane", "tubes", "direction", "air", "button", "cues", "stream"]
    assert done.returncode == 5
    assert "direction" in done.stderr
    assert steps["tubes"]["values"]["zero_pa"] == pytest.approx(10 / 240)
    assert steps["air"]["values"]["temp_c"] == pytest.approx(21.0, abs=0.02)
    assert steps["air"]["values"]["pressure_pa"] == pytest.approx(98_700, abs=10)
    assert steps["stream"]["values"]["n_lost"] == 0


def test_picked_steps_for_people(board: VirtualBoard) -> None:
    done = ran(board.port, "--test", "--only", "stream", "--only", "tubes")
    assert done.returncode == 0, done.stderr
    assert re.search(r"tubes +as expected", done.stdout)
    assert re.search(r"stream +as expected", done.stdout)
    assert "1/2 tubes: Bridge" in done.stderr


def test_missing_sensors_are_not_tested(tmp_path: Path) -> None:
    folder = small_world(tmp_path / "world", 120.0)
    with VirtualBoard(folder, "fast", "pty") as virtual:
        assert ran(virtual.port, "--set", "dp=none", "--set", "air=none").returncode == 0
        shown = plain(ran(virtual.port).stdout)
        assert shown.startswith("no faults")
        assert "pressure chip off by the settings" in shown
        done = ran(
            virtual.port, "--test", "--only", "tubes", "--only", "direction", "--only", "air", "--format", "json"
        )
    steps = json.loads(done.stdout)["steps"]
    assert {step["verdict"] for step in steps} == {"not tested"}
    assert done.returncode == 5
    assert "nothing could be tested" in done.stderr


# ---- scripted boards


def test_faults_come_first_and_say_what_to_do(tmp_path: Path) -> None:
    board = AnsweringBoard(tmp_path / "board")
    board.crash_text = "in cycle: OSError 5"
    board.state |= {"air": "absent", "refused": "pin_led", "logs": 3}
    with board.living():
        done = ran(board.port)
        found = said(board.port)
        cleared = ran(board.port, "--forget-crash")
        after = said(board.port)
    assert done.returncode == 0
    shown = plain(done.stdout)
    assert shown.index("FAULT: the firmware ended by an error: in cycle: OSError 5") < shown.index("board scripted")
    for words in ("--forget-crash", "air sensor does not answer", "--set pin_led=VALUE", "hoodtrace install", "differ"):
        assert words in shown
    assert "3: `hoodtrace fetch` gets them" in shown
    assert len(found["faults"]) == 4  # type: ignore[arg-type]
    assert cleared.returncode == 0
    assert (found["crash"], after["crash"]) == ("in cycle: OSError 5", "")


def test_what_a_board_says_cannot_steer_the_terminal(tmp_path: Path) -> None:
    evil = "\x1b[31m[bold]x[/]\x07"
    board = AnsweringBoard(tmp_path / "port")
    board.crash_text = evil
    board.state["counting"] = evil
    board.settings["dp"] = (evil, "sdp")
    with board.living():
        for words in ((), ("--settings",)):
            done = ran(board.port, *words)
            assert done.returncode == 0, done.stderr
            assert "\x1b" not in done.stdout + done.stderr
            assert "\x07" not in done.stdout + done.stderr
            assert "?[31m[bold]x[/]?" in done.stdout


def test_an_older_firmware(tmp_path: Path) -> None:
    with OlderBoard(tmp_path / "board").living() as board:
        done = ran(board.port)
        found = said(board.port)
        refused = [ran(board.port, *words) for words in (["--settings"], ["--set", "rate_hz=50"], ["--restart"])]
        tested = ran(board.port, "--test", "--only", "cues", "--only", "stream", "--format", "json")
    assert done.returncode == 0
    assert "older" in done.stdout
    assert "0000a001" in done.stdout
    assert (found["identity"], found["state"], found["build_same"]) == (None, None, None)
    for each in refused:
        assert each.returncode == 3
        assert "hoodtrace install" in each.stderr
    verdicts = {step["name"]: step["verdict"] for step in json.loads(tested.stdout)["steps"]}
    assert verdicts == {"cues": "not tested", "stream": "as expected"}
    assert tested.returncode == 0


def test_no_board_and_wrong_words(tmp_path: Path) -> None:
    done = ran(tmp_path / "none", "--format", "json")
    assert done.returncode == 3
    assert done.stdout == ""
    for words in (["--only", "air"], ["--test", "--restart"], ["--set", "x"], ["--set", "a=b c"], ["--cue", "tune"]):
        done = ran(tmp_path / "none", *words)
        assert done.returncode == 2, words
        assert done.stderr.startswith("hoodtrace: ")


def test_a_board_that_goes_away_in_the_test(tmp_path: Path) -> None:
    board = AnsweringBoard(tmp_path / "board", rate_hz=50)
    with board.living():
        process = _started(board, "--test", "--only", "stream", "--only", "air", "--format", "json")
        wait_for(lambda: "keep" in board.commands, "the test's stream")
        board.unplug()
        out, err = process.communicate(timeout=30)
    assert process.returncode == 3, err
    assert "the link broke" in err
    assert {step["verdict"] for step in json.loads(out)["steps"]} == {"not tested"}


def test_ctrl_c_ends_the_test_with_its_table(tmp_path: Path) -> None:
    board = AnsweringBoard(tmp_path / "board", rate_hz=50)
    with board.living():
        process = _started(board, "--test", "--only", "stream")
        wait_for(lambda: "keep" in board.commands, "the test's stream")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "Traceback" not in err
    assert "ended by Ctrl-C" in plain(out)


def test_on_a_terminal_enter_begins_and_s_skips(tmp_path: Path) -> None:
    board = AnsweringBoard(tmp_path / "board", rate_hz=50)
    screen, far_end = os.openpty()
    seen = b""

    def shown(words: bytes) -> bool:
        nonlocal seen
        if select.select([screen], [], [], 0.05)[0]:
            seen += os.read(screen, 4096)
        return words in seen

    with board.living():
        process = subprocess.Popen(
            [*COMMAND, str(board.port), "--test", "--only", "vane", "--only", "air"],
            stdin=far_end,
            stdout=subprocess.PIPE,
            stderr=far_end,
            env=os.environ | {"TERM": "xterm", "COLUMNS": "120"},
        )
        try:
            wait_for(lambda: shown(b"1/2 vane") and shown(b"s and Enter skips"), "the first step")
            os.write(screen, b"s\n")
            wait_for(lambda: shown(b"not tested: skipped") and seen.count(b"s and Enter skips") == 2, "the second step")
            os.write(screen, b"\n")
            wait_for(lambda: shown(b"waiting for its values") or shown(b"hPa"), "the live line")
            out, _ = process.communicate(timeout=30)
        finally:
            process.kill()
            os.close(screen)
            os.close(far_end)
    # The scripted board says 21.5 C and 1000 hPa; its own chip says 0x125c / 200 = 23.5 C.
    assert process.returncode == 0, seen
    assert re.search(r"air +as expected +1000.0 hPa, 21.5 C", out.decode())


def _started(board: AnsweringBoard, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, str(board.port), *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
