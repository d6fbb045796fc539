"""Install over a real MicroPython prompt: mpremote itself, a board that resets, plugs that are pulled."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import serial

from firmware.bench_host import small_world
from firmware.repl_board import ReplBoard
from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.board.prompt import Prompt
from hoodtrace.board.virtual import VirtualBoard, micropython_version
from hoodtrace.errors import LinkError, LinkReason

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

PACKAGE = json.loads((firmware_folder() / "package.json").read_text())
FILES = {name: (firmware_folder() / source).read_bytes() for name, source in PACKAGE["urls"]}


@pytest.fixture
def micropython_there() -> None:
    if micropython_version() is None:
        if os.environ.get("CI") == "true" and sys.platform == "linux":
            pytest.fail("the MicroPython wheel is missing")
        pytest.skip("no MicroPython for this machine")


@pytest.fixture
def board(tmp_path: Path, micropython_there: None) -> Iterator[ReplBoard]:
    folder = tmp_path / "board"
    folder.mkdir()
    with ReplBoard(folder, small_world(tmp_path / "world", 600.0), tmp_path / "port") as board:
        yield board


@contextmanager
def flash_board(tmp_path: Path, cut_after: int | None = None) -> Iterator[ReplBoard]:
    """A board on the littlefs image in `tmp_path`, which stays there."""
    world = small_world(tmp_path / "world", 600.0)
    with ReplBoard(tmp_path, world, tmp_path / "port", tmp_path / "flash.bin", cut_after) as board:
        yield board


def hoodtrace(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from hoodtrace.cli.app import main; main()", *words],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


def on(board: ReplBoard) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in board.folder.iterdir() if path.is_file()}


def test_a_new_board_gets_all_files_and_runs_them(board: ReplBoard) -> None:
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "installed: firmware 0.2.0" in done.stdout
    there = on(board)
    hashes = json.loads(there.pop("manifest.json"))
    assert there == FILES
    assert hashes == {name: hashlib.sha256(data).hexdigest() for name, data in FILES.items()}
    # The second time the firmware answers by itself, goes to its prompt, and nothing is written.
    before = {path: path.stat().st_mtime_ns for path in board.folder.iterdir()}
    n_starts = board.n_starts
    again = hoodtrace("install", "--port", board.port)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "our firmware answers, going to its prompt" in again.stdout
    assert board.n_starts - n_starts == 3  # `maintain`; the soft reset at the prompt; the reset at the end
    assert "up to date, nothing to do" in again.stdout
    assert {path: path.stat().st_mtime_ns for path in board.folder.iterdir()} == before


def test_only_what_differs_is_copied_and_only_what_was_ours_is_removed(board: ReplBoard) -> None:
    assert hoodtrace("install", "--port", board.port).returncode == 0
    old = json.loads((board.folder / "manifest.json").read_text()) | {"gone.py": "0" * 64, "never.py": "1" * 64}
    (board.folder / "manifest.json").write_text(json.dumps(old))
    (board.folder / "gone.py").write_text("# of an earlier version\n")
    (board.folder / "mine.py").write_text("# the user's own\n")
    (board.folder / "boot.py").write_text("# the user's own\n")
    (board.folder / "settings.json").write_text('{"rate_hz": 25}')
    (board.folder / "air.py").write_bytes(FILES["air.py"][:-1])
    (board.folder / "core.py.new").write_bytes(FILES["core.py"][:100])
    (board.folder / "mine.py.new").write_text("# the user's own, too\n")
    (board.folder / "log").mkdir(exist_ok=True)
    (board.folder / "log" / "0001.log").write_bytes(b"x" * 4096)
    tried = hoodtrace("install", "--port", board.port, "--dry-run")
    assert tried.returncode == 0, tried.stdout + tried.stderr
    told = [line for line in tried.stdout.splitlines() if line.startswith("would")]
    assert told == ["would copy   air.py", "would copy   main.py", "would remove gone.py", "would remove core.py.new"]
    assert "boot.py" in tried.stdout
    assert (board.folder / "gone.py").exists()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert [line for line in done.stdout.splitlines() if line.startswith(("copy", "remove"))] == [
        "remove gone.py", "remove core.py.new", "copy   air.py", "copy   main.py",
    ]  # fmt: skip
    there = on(board)
    assert {name: there[name] for name in FILES} == FILES
    assert set(there) - set(FILES) == {"manifest.json", "mine.py", "mine.py.new", "boot.py", "settings.json"}
    assert there["settings.json"] == b'{"rate_hz": 25}'
    assert (board.folder / "log" / "0001.log").exists()


@pytest.mark.slow
def test_a_plug_pulled_at_any_byte_leaves_a_board_that_the_next_install_finishes(board: ReplBoard) -> None:
    board.unplug()
    for cut_after in np.random.default_rng(3).integers(200, 60_000, 4).tolist():
        board.plug(cut_after)
        done = hoodtrace("install", "--port", board.port)
        assert done.returncode == 3, done.stdout + done.stderr
        assert "hoodtrace: " in done.stderr
        assert "Traceback" not in done.stderr
        assert "main.py" not in on(board)  # half a firmware never starts by itself
        board.unplug()
    board.plug()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    there = on(board)
    assert {name: there[name] for name in FILES} == FILES
    assert set(there) - set(FILES) == {"manifest.json"}


@pytest.mark.slow
def test_an_update_that_breaks_off_leaves_the_old_firmware_or_none_that_starts(board: ReplBoard) -> None:
    board.unplug()
    old = {"main.py": b"import app\n", "app.py": b"import core\nimport gone\n", "core.py": b"", "gone.py": b"# once\n"}
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in old.items()}
    started = []
    for cut_after in (2_500, 5_000, 10_000, 40_000):
        for path in board.folder.iterdir():
            path.unlink()
        for name, data in old.items():
            (board.folder / name).write_bytes(data)
        (board.folder / "manifest.json").write_text(json.dumps(hashes))
        board.plug(cut_after)
        assert hoodtrace("install", "--port", board.port).returncode == 3
        board.unplug()
        there = on(board)
        started.append("main.py" in there)
        assert "main.py" not in there or {name: there[name] for name in old} == old
        # Whatever lies there now is known to be an install's, also to a later version that does not have it.
        ours = set(json.loads(there["manifest.json"])) | {"manifest.json"}
        assert {name.removesuffix(".new") for name in there} <= ours
    assert set(started) == {True, False}  # the cuts lay before and after the point of no return
    board.plug()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert {name: data for name, data in on(board).items() if name != "manifest.json"} == FILES


SLOW_TO_RESTART = """
import binascii, os, sys, time, machine

def say(body):
    line = b"J 0000001 00000000000001 " + body
    sys.stdout.buffer.write(line + b" %08x\\n" % binascii.crc32(line))

def run():
    while True:
        words = sys.stdin.buffer.readline().split()
        if len(words) < 5 or words[0] != b"C":
            continue
        if words[3] == b"hello":
            say(b'{"kind": "hello", "protocol": 1, "firmware": "0.1.9", "board": "slow", "boot": "00000001"}')
        if words[3] == b"maintain":
            open("maintain", "w").close()
            say(b'{"kind": "reply", "to": %d, "ok": true}' % int(words[1], 16))
            time.sleep_ms(1500)
            machine.reset()

try:
    os.remove("maintain")
except OSError:
    try:
        run()
    except KeyboardInterrupt:
        open("interrupted", "w").close()
"""


def test_a_board_that_takes_its_time_to_restart_is_not_interrupted_before(board: ReplBoard) -> None:
    """A Ctrl-C before it restarts would leave a running watchdog behind."""
    board.unplug()
    (board.folder / "main.py").write_text(SLOW_TO_RESTART)
    board.plug()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "our firmware answers" in done.stdout
    assert {name: data for name, data in on(board).items() if name != "manifest.json"} == FILES


def test_a_program_of_the_users_is_replaced_only_when_asked_for(board: ReplBoard) -> None:
    board.unplug()
    own = b"import time\nwhile True:\n    time.sleep_ms(100)\n"
    (board.folder / "main.py").write_bytes(own)
    board.plug()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "main.py" in done.stderr
    assert "--replace" in done.stderr
    assert on(board) == {"main.py": own}
    done = hoodtrace("install", "--port", board.port, "--replace")
    assert done.returncode == 0, done.stdout + done.stderr
    assert on(board)["main.py"] == FILES["main.py"]


@pytest.mark.parametrize("text", ["{", "[]", '{"settings.json": "0", "../x.py": "1"}', '{"name": "an app"}'])
def test_a_manifest_that_no_install_wrote_removes_nothing(board: ReplBoard, text: str) -> None:
    (board.folder / "manifest.json").write_text(text)
    (board.folder / "settings.json").write_text("{}")
    (board.folder / "name").write_text("mine")
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "manifest.json" in done.stderr
    assert on(board) == {"manifest.json": text.encode(), "settings.json": b"{}", "name": b"mine"}


def test_a_board_that_is_full_is_told_so_before_anything_changes(tmp_path: Path, micropython_there: None) -> None:
    with flash_board(tmp_path) as board:
        with Prompt(board.port) as prompt:
            prompt.run("f = open('big.bin', 'wb')\nfor _ in range(320):\n f.write(bytes(4096))\nf.close()")
        done = hoodtrace("install", "--port", board.port)
        assert done.returncode == 3, done.stdout + done.stderr
        assert "KiB are free on the board" in done.stderr
        with Prompt(board.port) as prompt:
            assert prompt.sizes() == {"big.bin": 320 * 4096}
            # What MicroPython itself refuses is no broken link.
            with pytest.raises(LinkError, match=r"x\.py: No space left") as caught:
                prompt.write("x.py", bytes(200_000))
            assert caught.value.reason is LinkReason.NOT_OURS


def test_a_port_that_is_taken_or_not_there_is_told_as_everywhere(board: ReplBoard, tmp_path: Path) -> None:
    with serial.serial_for_url(board.port, exclusive=True):
        done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 3
    assert "another program uses it" in done.stderr
    done = hoodtrace("install", "--port", str(tmp_path / "nothing"))
    assert done.returncode == 3
    assert "there is no such port" in done.stderr


def test_a_virtual_board_is_left_alone(tmp_path: Path) -> None:
    with VirtualBoard(small_world(tmp_path / "world"), "real", "pty") as board:
        for words in ((), ("--dry-run",)):
            done = hoodtrace("install", "--port", board.port, *words)
            assert done.returncode == 3
            assert "this is a virtual board" in done.stderr
        assert board.running


def test_record_refuses_a_board_with_other_firmware(board: ReplBoard, tmp_path: Path) -> None:
    assert hoodtrace("install", "--port", board.port).returncode == 0
    board.unplug()
    with (board.folder / "air.py").open("a") as file:
        file.write("# changed by hand\n")
    board.plug()
    words = ("record", "--port", board.port, "--out", str(tmp_path / "a.trace"), "--seconds", "1")
    done = hoodtrace(*words)
    assert done.returncode == 3
    assert "hoodtrace install" in done.stderr
    assert not (tmp_path / "a.trace").exists()
    done = hoodtrace(*words, "--any-firmware")
    assert done.returncode == 0, done.stderr
    done = hoodtrace("install", "--port", board.port)
    assert "copy   air.py" in done.stdout
    assert hoodtrace(*words).returncode == 0


def test_mip_installs_it_too(tmp_path: Path, micropython_there: None) -> None:
    """On a littlefs at the root, as on a board; then an install has nothing to do but to write down what is there."""
    package = str(firmware_folder() / "package.json")
    with flash_board(tmp_path) as board:
        done = subprocess.run(
            [sys.executable, "-m", "mpremote", "connect", board.port, "mip", "install", "--target=/", package],
            capture_output=True, text=True, check=False, timeout=120,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        with Prompt(board.port) as prompt:
            assert prompt.sizes() == {name: len(data) for name, data in FILES.items()}
            assert {name: prompt.sha256(name) for name in FILES} == {
                name: hashlib.sha256(data).digest() for name, data in FILES.items()
            }
            prompt.restart()
        done = hoodtrace("install", "--port", board.port)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "up to date, nothing to do" in done.stdout
        with Prompt(board.port) as prompt:
            assert set(json.loads(prompt.read("manifest.json"))) == set(FILES)


@pytest.mark.slow
def test_power_that_fails_while_flash_is_written_is_no_harm(tmp_path: Path, micropython_there: None) -> None:
    """The plug is pulled while the real littlefs is at work."""
    for cut_after in np.random.default_rng(4).integers(10_000, 40_000, 3).tolist():
        with flash_board(tmp_path, cut_after):
            assert hoodtrace("install", "--port", str(tmp_path / "port")).returncode == 3
    with flash_board(tmp_path) as board:
        done = hoodtrace("install", "--port", board.port)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "installed: firmware" in done.stdout
        with Prompt(board.port) as prompt:
            assert set(prompt.sizes()) - set(FILES) == {"manifest.json"}
