"""A bus that hangs comes free again, at boot and later, and never stops the loop.

The times are those of the I2C specification (UM10204 3.1.16, bus clear: at most nine pulses, then STOP; seen quoted)
and of the task: at most once a second, no longer than 1 ms.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from firmware.bench_host import BoardLine, Host, run_on_board, small_world
from hoodtrace.board.virtual import VirtualBoard

GRID_US = 20_000
I2C_TIMEOUT_US = 5_000  # settings.I2C_TIMEOUT_US


class Run:
    """What on_board/bus_run.py said."""

    def __init__(self, folder: Path, seconds: int, faults: list[list[object]], *how: str) -> None:
        world = small_world(folder, seconds + 2.0, faults=faults)
        text = run_on_board("bus_run.py", world, str(seconds * 1_000_000 // GRID_US), *how)
        lines = [line.split(" ") for line in text.splitlines()]
        self.boot = lines[0][1:]
        self.rows = [tuple(int(part) for part in line[1:]) for line in lines if line[0] == "row"]
        end = [int(part) for part in lines[-1][1:]]
        self.n_recoveries, self.n_pulses, self.n_stops, self.longest_us, self.now_us = end


@pytest.mark.usefixtures("micropython")
def test_nothing_is_done_to_a_bus_that_is_well(tmp_path: Path) -> None:
    run = Run(tmp_path, 5, [])
    assert run.boot == ["0", "0", "0", "True"]
    assert (run.n_recoveries, run.n_pulses, run.n_stops) == (0, 0, 0)
    assert [row[1] for row in run.rows] == [3, 0]  # starting, then good for ever


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize("pulses", [1, 3, 8, 9])
def test_stuck_at_boot(tmp_path: Path, pulses: int) -> None:
    run = Run(tmp_path, 3, [[0, "i2c_stuck", pulses]])
    # One pulse more belongs to the STOP.
    assert run.boot == ["1", str(pulses + 1), "1", "True"]
    assert run.rows[-1][1] == 0
    assert run.rows[-1][0] <= 10  # the chip starts as it does on a bus that is well


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize("pulses", [1, 3, 8, 9])
def test_stuck_while_it_measures(tmp_path: Path, pulses: int) -> None:
    run = Run(tmp_path, 10, [[5_000_000, "i2c_stuck", pulses]], "locked")
    assert run.n_recoveries == 1
    assert (run.n_pulses, run.n_stops) == (pulses + 1, 1)
    bad, good = run.rows[-2:]
    assert bad[1:] == (3, 1)
    assert abs(bad[0] * GRID_US - 5_000_000) <= GRID_US
    assert good[1:] == (0, 1)
    assert good[0] - bad[0] == 1  # one sample is lost, not more
    # The transfer that failed costs its time-out; all the rest of the recovery is within 1 ms.
    assert I2C_TIMEOUT_US < run.longest_us <= I2C_TIMEOUT_US + 1_000
    assert run.now_us >= 10_000_000


@pytest.mark.usefixtures("micropython")
def test_two_in_one_second(tmp_path: Path) -> None:
    # The second waits until the first try is a second old, and is then freed without anybody asking.
    run = Run(tmp_path, 10, [[5_000_000, "i2c_stuck", 4], [5_400_000, "i2c_stuck", 4]])
    assert run.n_recoveries == 2
    assert run.rows[-1][1] == 0
    assert 6_000_000 <= run.rows[-1][0] * GRID_US <= 8_000_000


@pytest.mark.usefixtures("micropython")
def test_a_line_that_no_pulses_free(tmp_path: Path) -> None:
    # 20 s down: tried again and again, not oftener than once a second, and in no cycle longer than the grid.
    run = Run(tmp_path, 40, [[5_000_000, "i2c_stuck", 20_000_000]])
    assert 8 <= run.n_recoveries <= 20
    assert run.n_pulses == run.n_recoveries * 10
    assert run.longest_us < GRID_US
    assert run.rows[-1][1] == 0
    assert 25_000_000 <= run.rows[-1][0] * GRID_US <= 28_000_000


@pytest.mark.usefixtures("micropython")
def test_a_chip_that_is_silent_is_no_stuck_bus(tmp_path: Path) -> None:
    run = Run(tmp_path, 20, [[5_000_000, "dp_nack", 5_000_000], [12_000_000, "dp_crc", 1_000_000]])
    assert (run.n_recoveries, run.n_pulses, run.n_stops) == (0, 0, 0)
    assert run.rows[-1][1] == 0


def bad_times_us(samples: list[BoardLine]) -> list[int]:
    """When lines say that the pressure is not valid."""
    return [sample.t_us for sample in samples if sample.fields[4] & 1]


def test_the_whole_board_goes_on(tmp_path: Path, runs_micropython: bool) -> None:
    # A chip that hangs, again before the first try is a second old, and a line that is down for 4 s.
    faults = [[5_000_000, "i2c_stuck", 5], [5_400_000, "i2c_stuck", 9], [20_000_000, "i2c_stuck", 4_000_000]]
    world = small_world(tmp_path, 60, dp_counts=777.0, faults=faults)
    with VirtualBoard(world, "fast", "pipe", boot_seed=5, micropython=runs_micropython) as virtual:
        host = Host(virtual)
        host.listen(30.0)
        host.say("identity")
        host.listen(31.0)
    samples = host.samples()
    assert not host.noise
    # Samples go on, none is missing or off the grid, and edges count as ever.
    steps = [b.t_us - a.t_us for a, b in itertools.pairwise(samples)]
    assert abs(samples[-1].t_us - samples[0].t_us - GRID_US * len(steps)) < 500
    assert max(steps) < 2 * GRID_US
    assert {sample.fields[4] for sample in samples} == {0, 3}  # nothing late either
    edges = [sample.fields[0] for sample in samples if sample.t_us > 200_000]  # the first edge comes at 100 ms
    assert all(0 < b - a <= 4 for a, b in itertools.pairwise(edges))  # one each 10.007 ms
    # Data come back: after the first two within the second that a try must wait and the chip's own start, about 1.2 s.
    bad_us = bad_times_us(samples)
    assert abs(bad_us[0] - 5_000_000) <= GRID_US
    first_two = [t_us for t_us in bad_us if t_us < 15_000_000]
    assert first_two[-1] < 8_000_000
    third = [t_us for t_us in bad_us if t_us > 15_000_000]
    assert abs(third[0] - 20_000_000) <= GRID_US
    assert 23_900_000 < third[-1] < 27_000_000
    assert {sample.fields[2] for sample in samples} == {777}  # the last good value stands meanwhile
    state = host.messages("state")[-1].body
    recoveries = state["bus_recoveries"]
    assert isinstance(recoveries, int)
    assert 2 + 2 <= recoveries <= 2 + 4 + 1
    faults_said = [line.body["state"] for line in host.messages("fault") if line.body["sensor"] == "dp"]
    assert faults_said[-2:] == ["lost", "found"]
