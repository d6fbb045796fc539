"""The loop allocates nothing: proved with the heap locked, under the real MicroPython."""

import re
from pathlib import Path

import pytest

from firmware.bench_host import command, run_on_board, small_world

# Everything a host may say, damage included, more than once.
WORDS = ["keep", "hello", "zero", "resend 0000000 0000030", "rate 50", "cue seated", "cue low", "rate x", "resend 1 2"]


@pytest.fixture
def world(tmp_path: Path) -> Path:
    folder = small_world(tmp_path / "world", 30, button=[[5_000_000, 1], [6_000_000, 0]])
    lines = b"".join(command(seq, word) for seq, word in enumerate(2 * WORDS))
    (folder / "commands.txt").write_bytes(lines + b"noise\r\n" + lines[:30] + b"\n" + command(99, "keep") * 3)
    return folder


@pytest.mark.usefixtures("micropython")
def test_nine_hundred_whole_cycles_with_the_heap_locked(world: Path) -> None:
    numbers = dict(re.findall(r"(\w+) (\d+)", run_on_board("heap.py", world)))
    assert int(numbers["writes"]) == 900
    # Samples, a reply to each of 19 commands, air and status each 5 s of 18 s, the button down and up.
    assert int(numbers["seq"]) >= 900 + 19 + 3 + 3 + 2
    assert int(numbers["edges"]) > 1700  # interrupts came all through
    assert int(numbers["bad"]) == 2
    assert int(numbers["wraps"]) == 1  # the ticks wrapped on the way
    assert int(numbers["grown"]) == 0


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize(
    "absent", [{"dp_address": None}, {"air": []}, {"dp_address": None, "air": []}], ids=["dp", "air", "both"]
)
def test_with_sensors_that_are_not_there(world: Path, absent: dict[str, object]) -> None:
    small_world(world, 30, **absent)
    numbers = dict(re.findall(r"(\w+) (\d+)", run_on_board("heap.py", world)))
    assert (int(numbers["writes"]), int(numbers["grown"])) == (900, 0)


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize("absent", [{}, {"dp_address": None, "air": []}], ids=["none", "both"])
def test_a_lease_that_ends_and_a_log_that_rests(world: Path, absent: dict[str, object]) -> None:
    small_world(world, 40, 0.0, **absent)
    (world / "edges.i64").write_bytes(b"")
    numbers = dict(re.findall(r"(\w+) (\d+)", run_on_board("heap.py", world, "alone")))
    assert 0 < int(numbers["writes"]) < 500  # the lease ended
    assert int(numbers["seq"]) > 10 * 50  # all in memory for 10 s, then a rest
    assert int(numbers["grown"]) == 0


@pytest.mark.usefixtures("micropython")
def test_control_an_allocation_is_caught(world: Path) -> None:
    with pytest.raises(AssertionError, match="MemoryError"):
        run_on_board("heap.py", world, "control")
