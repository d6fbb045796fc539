"""Samples a second that the firmware makes under MicroPython, nothing holding it back: poll, read, ring, format, write.

Beside it, in the same MicroPython, a loop that only formats the same line with `%` and binascii.crc32: the ratio says
what of the figure is the machine's. Run: python tests/bench/bench_firmware.py
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from firmware.bench_host import command, small_world
from hoodtrace.board.virtual import VirtualBoard, micropython_version

SECONDS = 1200
FORMAT_ONLY = """
import binascii, utime
start = utime.ticks_us()
for i in range(20000):
    head = "S %07x %014x %06x %06x %04x %04x %02x" % (i, i * 20000, i, 5, 7, 9, 0)
    line = "%s %08x" % (head, binascii.crc32(head.encode()))
print(20000e6 / utime.ticks_diff(utime.ticks_us(), start))
"""


def firmware_rate(world: Path, micropython: bool) -> tuple[float, float]:
    """Samples a second over the whole run by the wall's clock after the start, and by the board's processor time."""
    n_lines = 0
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with VirtualBoard(world, "free", "pipe", boot_seed=1, micropython=micropython) as board:
        board.writer.write(command(1, "keep"))
        fd = board.reader.fileno()
        os.read(fd, 61)
        start = time.perf_counter()
        while n_lines < 50 * (SECONDS - 10):
            n_lines += os.read(fd, 65536).count(b"\nS ")
            time.sleep(0.002)  # a reader that wakes for every line would take the processor away from the board
        wall_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return n_lines / wall_s, n_lines / cpu_s


def format_rate() -> float:
    """Lines a second that `%` and binascii.crc32 alone make."""
    run = "import sys, micropython_run; micropython_run.run_main(['micropython', *sys.argv[1:]])"
    done = subprocess.run(
        [sys.executable, "-P", "-c", run, "-c", FORMAT_ONLY], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        world = small_world(Path(folder), SECONDS)
        micropython_version()  # asked once, so that it is not counted
        runs = [(*firmware_rate(world, True), format_rate()) for _ in range(5)]
        shim = firmware_rate(world, False)
    wall, cpu, beside = (statistics.median(run[i] for run in runs) for i in range(3))
    print(f"whole cycle under MicroPython: {wall:,.0f} samples/s of wall time (wanted: 20,000)")
    print(f"                               {cpu:,.0f} samples/s of the board's processor time, start included")
    print(f"formatting alone, % and binascii: {beside:,.0f} lines/s")
    print(f"ratio whole cycle / formatting alone: {statistics.median(run[0] / run[2] for run in runs):.3f}")
    print(f"whole cycle under the CPython shim: {shim[0]:,.0f} samples/s of wall time")


if __name__ == "__main__":
    main()
