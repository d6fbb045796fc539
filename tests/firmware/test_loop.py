"""The loop under the real MicroPython when a write takes long, and when it comes back short."""

from pathlib import Path

import pytest

from firmware.bench_host import command, run_on_board, small_world


@pytest.mark.usefixtures("micropython")
def test_late_cycles_and_short_writes(tmp_path: Path) -> None:
    world = small_world(tmp_path, 30)
    (world / "keep.txt").write_bytes(command(1, "keep"))
    assert run_on_board("loop.py", world).splitlines()[-1] == "all right"
