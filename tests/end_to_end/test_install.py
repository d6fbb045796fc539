"""Install over a real MicroPython prompt: mpremote itself, a board that resets, plugs that are pulled."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from firmware.bench_host import small_world
from firmware.repl_board import ReplBoard
from hoodtrace.board.firmware_files import firmware_folder
from hoodtrace.board.virtual import micropython_version

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

PACKAGE = json.loads((firmware_folder() / "package.json").read_text())
FILES = {name: (firmware_folder() / source).read_bytes() for name, source in PACKAGE["urls"]}


@pytest.fixture
def board(tmp_path: Path) -> Iterator[ReplBoard]:
    if micropython_version() is None:
        if os.environ.get("CI") == "true" and sys.platform == "linux":
            pytest.fail("the MicroPython wheel is missing")
        pytest.skip("no MicroPython for this machine")
    folder = tmp_path / "board"
    folder.mkdir()
    with ReplBoard(folder, small_world(tmp_path / "world", 600.0), tmp_path / "port") as board:
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
    again = hoodtrace("install", "--port", board.port)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "our firmware, asked for its prompt" in again.stdout
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
    (board.folder / "log").mkdir(exist_ok=True)
    (board.folder / "log" / "0001.log").write_bytes(b"x" * 4096)
    tried = hoodtrace("install", "--port", board.port, "--dry-run")
    assert tried.returncode == 0, tried.stdout + tried.stderr
    told = [line for line in tried.stdout.splitlines() if line.startswith("would")]
    assert told == ["would copy   air.py", "would remove gone.py"]
    assert "boot.py" in tried.stdout
    assert (board.folder / "gone.py").exists()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert [line for line in done.stdout.splitlines() if line.startswith(("copy", "remove"))] == [
        "remove gone.py", "copy   air.py", "copy   main.py",
    ]  # fmt: skip
    there = on(board)
    assert {name: there[name] for name in FILES} == FILES
    assert set(there) - set(FILES) == {"manifest.json", "mine.py", "boot.py", "settings.json"}
    assert there["settings.json"] == b'{"rate_hz": 25}'
    assert (board.folder / "log" / "0001.log").exists()


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


def test_a_firmware_that_only_crashes_is_replaced(board: ReplBoard) -> None:
    board.unplug()
    (board.folder / "main.py").write_text("import time\nwhile True:\n    time.sleep_ms(100)\n")
    board.plug()
    done = hoodtrace("install", "--port", board.port)
    assert done.returncode == 0, done.stdout + done.stderr
    assert on(board)["main.py"] == FILES["main.py"]


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


def test_mip_installs_it_too(board: ReplBoard) -> None:
    package = str(firmware_folder() / "package.json")
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", board.port, "mip", "install", "--target", ".", package],
        capture_output=True, text=True, check=False, timeout=120, cwd=board.folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert on(board) == FILES
