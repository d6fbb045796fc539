"""No integer of the firmware leaves what a 32-bit board holds without allocating."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path
from zlib import crc32

from firmware.bench_host import ON_BOARD, command, small_world
from hoodtrace.board.firmware_files import fake_folder, firmware_folder


def watched_run(folder: Path, board_s: int, *arguments: str) -> tuple[int, str, int]:
    """Exit code, standard error and good lines of a run of that many board seconds with all commands said."""
    faults = [
        [4_000_000, "dp_crc", 50_000],
        [6_000_000, "dp_nack", 500_000],
        [8_000_000, "i2c_stuck", 5],
        [board_s * 500_000, "restart", 200_000],
    ]
    button = [[9_000_000, 1], [9_200_000, 0], [10_000_000, 1], [11_500_000, 0]]
    world = small_world(folder, board_s + 50, 12_000.0, faults=faults, button=button)
    environment = os.environ | {
        "HOODTRACE_WORLD": str(world), "HOODTRACE_CLOCK": "fast", "HOODTRACE_BOOT_SEED": "1",
        "HOODTRACE_RUNTIME": "watched", "HOODTRACE_FIRMWARE": str(firmware_folder()),
        "HOODTRACE_FAKE": str(fake_folder()), "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip
    words = ["keep", "hello", "zero", "resend 0000000 0000040", "rate 100", "resend 0fffff0 0000040", "cue low"]
    words += ["cue turn-more", "identity", "settings", "logs", "write"]
    with subprocess.Popen(
        [sys.executable, str(ON_BOARD / "thirty_bits.py"), *arguments],
        env=environment, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0,
    ) as board:  # fmt: skip
        assert board.stdin is not None
        assert board.stdout is not None
        assert board.stderr is not None
        board.stdin.write(b"".join(command(seq, word) for seq, word in enumerate(words)))
        rest, n_good, said_us, t_us = b"", 0, 0, 0
        restarted = False
        while not (restarted and t_us > board_s * 0.4e6):
            # A board that restarted says nothing until it hears `keep`, and on the fast clock waits for it.
            while not select.select([board.stdout], [], [], 0.2)[0]:
                board.stdin.write(command(n_good, "keep"))
            block = os.read(board.stdout.fileno(), 65536)
            if not block:
                break
            *lines, rest = (rest + block).split(b"\n")
            for line in lines:
                if b"%08x" % crc32(line[:-9]) == line[-8:]:
                    n_good += 1
                    before, t_us = t_us, int(line[10:24], 16)
                    restarted |= t_us < before - 1_000_000
                    if not 0 <= t_us - said_us < 250_000:
                        said_us = t_us
                        board.stdin.write(command(n_good & 0xFFFFFFF, "keep"))
        if not arguments:
            # Alone for half a minute, until the log has blocks on flash; noise lets time pass.
            end = time.monotonic() + 60
            while not (folder / "log" / "0001.log").is_file() or (folder / "log" / "0001.log").stat().st_size < 8192:
                assert time.monotonic() < end, "no log"
                board.stdin.write(b"\n")
                time.sleep(0.005)
            for words, last in (("logs", b'"kind":"logs"'), ("fetch 1 0", b'"fetched"')):
                board.stdin.write(command(1, words))
                rest = b""
                while last not in rest:
                    assert select.select([board.stdout], [], [], 30)[0], f"no answer to {words}: {rest!r}"
                    rest += os.read(board.stdout.fileno(), 65536)
        board.stdin.close()
        told = board.stderr.read().decode()
        return board.wait(), told, n_good


def test_every_result_fits(tmp_path: Path) -> None:
    code, told, n_good = watched_run(tmp_path / "world", 60)
    assert code == 0, told
    found = re.search(r"checked (\d+)", told)
    assert found, told
    assert int(found[1]) > 1_000_000
    assert n_good > 30 * 100 + 24 * 50  # 30 s at 100 Hz, then, after the restart, 24 s at 50 Hz


def test_control_a_32_bit_crc_is_caught(tmp_path: Path) -> None:
    code, told, _ = watched_run(tmp_path / "world", 5, "control")
    assert code == 3
    assert "beyond 30 bits at core:" in told
