"""The vane's PIO program, run word by word: what it counts, what it does not, and when its interrupt comes.

True counts come from how the pin's course was drawn, not from any filter. Courses are in microseconds.
"""

from __future__ import annotations

import importlib.util
import sys
import types
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from firmware.pio import Done, run
from hoodtrace.board.firmware_files import fake_folder, firmware_folder

# From MicroPython's own assembler: ports/rp2/modules/rp2.py of the micropython repository (commit 00a184453e), run on
# count_lows with a stand-in for its C part. Wrap from bits 11-7 and 16-12 of its EXECCTRL, 0xb080.
WORDS = [0xA02B, 0xE05F, 0x00C1, 0x0082, 0x0045, 0x4038, 0x8000, 0xC010, 0xE05F, 0x00CB, 0x0008, 0x0089]
WRAP_TARGET, WRAP = 1, 11

FILTERS_US = (50, 250, 1000)  # lowest, default, highest of the setting
SEEDS = range(4)
SECONDS = 4.0
LAST_US = 5000.0  # quiet at the end, so that the last low is decided


def loaded(path: Path, **stubs: object) -> types.ModuleType:
    """A module of the board under CPython, with these names for what it imports."""
    made = {}
    for name, contents in stubs.items():
        made[name] = types.ModuleType(name)
        vars(made[name]).update(contents if isinstance(contents, dict) else vars(contents))
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with patch.dict(sys.modules, made):
        spec.loader.exec_module(module)
    return module


def pio_vane() -> types.ModuleType:
    """firmware_mpy/vane_pio.py, its program assembled by the fake rp2."""
    rp2 = loaded(fake_folder() / "rp2.py", world={"world": types.SimpleNamespace(counting="pio")})
    ticks = {"ticks_us": None, "ticks_add": None}
    vane = {"MASK_24": 0xFFFFFF, "Pairs": object}
    return loaded(firmware_folder() / "vane_pio.py", rp2=rp2, time=ticks, vane=vane)


VANE = pio_vane()


def freq_hz(filter_us: int) -> int:
    """The machine's clock: 62 cycles from the first look to the last are at least the filter."""
    return 62_000_000 // filter_us


def counted(changes_us: np.ndarray, filter_us: int = 250, seconds: float = SECONDS) -> Done:
    """Run the program on that course; words and interrupts belong together, and each word is the next count."""
    program = VANE.count_lows
    until_us = seconds * 1e6 + LAST_US
    done = run(program.words, program.wrap_target, program.wrap, changes_us, freq_hz(filter_us), until_us)
    assert [word ^ 0xFFFFFF for word in done.words] == list(range(1, len(done.words) + 1))
    assert len(done.interrupts) == len(done.words)
    assert done.x ^ 0xFFFFFFFF == len(done.words)
    return done


def lows(falls_us: np.ndarray, rises_us: np.ndarray) -> np.ndarray:
    """The course with these lows."""
    return np.column_stack([falls_us, rises_us]).ravel()


def square(freq: float, rng: np.random.Generator, seconds: float = SECONDS) -> np.ndarray:
    """Half and half, from a random moment of the first period on."""
    falls = np.arange(0.1e6 / freq + rng.uniform(0, 0.4e6 / freq), seconds * 1e6 - 1e6 / freq, 1e6 / freq)
    return lows(falls, falls + 0.5e6 / freq)


def bounced(changes_us: np.ndarray, bounce_us: float, rng: np.random.Generator) -> np.ndarray:
    """The same with an even number of further changes within bounce_us behind each."""
    course = []
    for at in changes_us:
        n = 2 * rng.integers(1, 7)
        course += [at, *np.sort(at + rng.uniform(0, bounce_us, n))]
    return np.array(course)


def spiked(changes_us: np.ndarray, n: int, longest_us: float, rng: np.random.Generator) -> np.ndarray:
    """The same with n spikes against the level, each shorter than longest_us, clear of changes and of one another."""
    course, taken = list(changes_us), np.sort(np.append(changes_us, [0.0, SECONDS * 1e6]))
    while len(course) < len(changes_us) + 2 * n:
        width = rng.uniform(1.0, longest_us)
        start = rng.uniform(2000.0, SECONDS * 1e6)
        i = np.searchsorted(taken, start)
        if taken[i - 1] + 500.0 < start and start + width + 500.0 < taken[i]:
            course += [start, start + width]
            taken = np.insert(taken, i, [start, start + width])
    return np.sort(np.array(course))


def test_the_words_are_those_of_micropython() -> None:
    program = VANE.count_lows
    assert list(program.words) == WORDS
    assert (program.wrap_target, program.wrap) == (WRAP_TARGET, WRAP)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("freq", [20.0, 500.0, 997.0])
def test_clean_edges_are_counted_exactly(freq: float, seed: int) -> None:
    course = square(freq, np.random.default_rng(seed))
    assert len(counted(course).words) == len(course) // 2


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("freq", [500.0, 1000.0])
def test_bounce_of_150_us_on_both_edges(freq: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    clean = square(freq, rng)
    course = bounced(clean, 150.0, rng)
    assert len(course) > 5 * len(clean)  # a plain counter would be lost
    assert len(counted(course).words) == len(clean) // 2


@pytest.mark.parametrize("seed", SEEDS)
def test_spikes_shorter_than_the_filter_at_20_hz(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clean = square(20.0, rng)
    course = spiked(clean, 500, 245.0, rng)
    assert len(counted(course).words) == len(clean) // 2


@pytest.mark.parametrize("filter_us", FILTERS_US)
def test_a_shorter_pulse_never_counts_and_a_longer_one_always(filter_us: int) -> None:
    # One pulse each 10 filters, at 400 phases of the machine's clock.
    rng = np.random.default_rng(filter_us)
    starts = np.arange(10.0, 4000.0, 10.0) * filter_us + rng.uniform(0, filter_us, 399)
    cycle_us = 1e6 / freq_hz(filter_us)
    seconds = 4001 * filter_us / 1e6
    # Sure to count: the filter, the two cycles between looks, and the one in which the change falls.
    for width_us, wanted in ((0.999 * filter_us, 0), (filter_us + 3 * cycle_us, len(starts))):
        assert len(counted(lows(starts, starts + width_us), filter_us, seconds).words) == wanted
        # The same pulse the other way round: a high that is too short does not part one low into two.
        course = np.append(np.sort(np.append(starts, starts + width_us)), seconds * 1e6)
        course = np.insert(course, 0, filter_us)
        assert len(counted(course, filter_us, seconds).words) == wanted + 1
    assert filter_us + 3 * cycle_us < 1.05 * filter_us


@pytest.mark.parametrize("filter_us", FILTERS_US)
def test_up_to_its_highest_frequency_all_and_beyond_it_never_more(filter_us: int) -> None:
    """Half and half, so that low and high both need the filter: no edge counts from 1 / (2 * filter) on.

    A round of the program without waiting takes 1 + 64 cycles for the low, 4 to count, 1 + 64 for the high.
    """
    hz, limit_hz = freq_hz(filter_us), 0.5e6 / filter_us
    surely_all_hz = hz / (1 + 64 + 4 + 1 + 64 + 3)  # and up to three to notice a change
    assert surely_all_hz > 0.9 * limit_hz
    rng = np.random.default_rng(filter_us)
    for freq in [surely_all_hz, *rng.uniform(0, surely_all_hz, 8)]:
        course = square(freq, rng, 1000 / freq)
        assert len(counted(course, filter_us, 1000 / freq).words) == len(course) // 2
    for freq in rng.uniform(surely_all_hz, limit_hz, 8):
        course = square(freq, rng, 1000 / freq)
        assert len(counted(course, filter_us, 1000 / freq).words) <= len(course) // 2
    for freq in limit_hz * np.array([1.001, 1.05, 1.2, 1.7, 2.0, 3.1, 6.3]):
        course = square(freq, rng, 1000 / freq)
        assert len(counted(course, filter_us, 1000 / freq).words) == 0


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("filter_us", FILTERS_US)
def test_the_interrupt_comes_one_known_time_behind_the_edge(filter_us: int, seed: int) -> None:
    """AGE refers to the edge: what PioVane takes off is that time, to one cycle of the machine (4 us)."""
    rng = np.random.default_rng(seed)
    falls = np.cumsum(rng.uniform(3.0, 40.0, 400)) * filter_us
    rises = falls + rng.uniform(1.2, 1.5, 400) * filter_us
    seconds = rises[-1] / 1e6
    hz = freq_hz(filter_us)
    done = counted(lows(falls, rises), filter_us, seconds)
    assert len(done.interrupts) == 400
    # 32 looks, two cycles apart, then five cycles to the interrupt; the first look comes up to two cycles late.
    late_cycles = np.array(done.interrupts) - falls * hz / 1e6
    assert late_cycles.min() >= 62 + 5
    assert late_cycles.max() <= 62 + 5 + 2
    assert late_cycles.mean() == pytest.approx(VANE.LAG_CYCLES, abs=0.1)


def test_bounce_of_both_edges_delays_the_stamp_by_the_bounce_at_most() -> None:
    rng = np.random.default_rng(9)
    clean = square(500.0, rng)
    done = counted(bounced(clean, 150.0, rng))
    hz = freq_hz(250)
    late_us = np.array(done.interrupts) * 1e6 / hz - clean[::2] - VANE.LAG_CYCLES * 1e6 / hz
    assert -1e6 / hz <= late_us.min()
    assert late_us.max() <= 150.0 + 1e6 / hz


@pytest.mark.parametrize("filter_us", [50, 51, 249, 250, 333, 999, 1000])
def test_the_clock_that_the_vane_asks_for(filter_us: int) -> None:
    """Its filter is never shorter than the setting, and the chip can make the clock.

    Lowest system clock / 65536 (RP2040 data sheet, CLKDIV); at 200 MHz, more than either chip's default.
    """
    asked = {}

    class Machine:
        def __init__(self, number: int, program: object, freq: int, jmp_pin: object) -> None:
            asked["freq"] = freq

        def rx_fifo(self) -> int:
            return 0

        def irq(self, handler: object, hard: bool) -> None:
            assert hard

        def active(self, on: int) -> None:
            assert on

    with patch.object(VANE.rp2, "StateMachine", Machine):
        vane = VANE.PioVane(None, filter_us)
    assert asked["freq"] == freq_hz(filter_us)
    assert filter_us <= 62e6 / asked["freq"] < 1.001 * filter_us
    assert 200e6 / 65536 < asked["freq"] < 12e6
    assert vane.lag_us == round(VANE.LAG_CYCLES * 1e6 / asked["freq"])


@pytest.mark.parametrize("seed", SEEDS)
def test_whatever_comes_it_never_counts_more_lows_than_lasted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    course = np.cumsum(rng.exponential(200.0, 8000))
    lasted = np.diff(course)[::2] >= 250.0
    assert 0 < len(counted(course, seconds=course[-1] / 1e6).words) <= lasted.sum()


def test_a_fifo_that_nobody_empties_keeps_the_oldest_and_x_goes_on() -> None:
    """So the first word behind a stall is not the newest: why a handler that finds several takes none."""
    course = square(200.0, np.random.default_rng(0), 1.0)
    done = run(WORDS, WRAP_TARGET, WRAP, course, freq_hz(250), 1e6, drained=False)
    assert [word ^ 0xFFFFFF for word in done.words] == [1, 2, 3, 4]
    assert done.x ^ 0xFFFFFFFF == len(course) // 2


@pytest.mark.parametrize("first", [0xFFFFFE, 0xFFFFFFFE])
def test_the_count_wraps_at_24_bits_and_so_does_x(first: int) -> None:
    course = square(200.0, np.random.default_rng(0), 0.05)
    words = [0xE05F, *WORDS[1:]]  # `set y` for `mov x`: the machine goes on from the X that it had
    done = run(words, WRAP_TARGET, WRAP, course, freq_hz(250), 1e5, x=first ^ 0xFFFFFFFF)
    assert [word ^ 0xFFFFFF for word in done.words][:4] == [0xFFFFFF, 0, 1, 2]
    assert max(done.words) < 1 << 24  # no long integer on the board


def test_cycles_that_are_skipped_change_nothing() -> None:
    rng = np.random.default_rng(2)
    course = spiked(square(20.0, rng), 200, 245.0, rng)
    runs = [run(WORDS, WRAP_TARGET, WRAP, course, freq_hz(250), SECONDS * 1e6, skip=skip) for skip in (True, False)]
    assert runs[0] == runs[1]
    assert len(runs[0].words) == 79


@pytest.mark.parametrize("spoil", [{3: 0x0042}, {9: 0x00CA}, {1: 0xE045}])
def test_control_a_spoilt_program_is_noticed(spoil: dict[int, int]) -> None:
    """Another jump or another count of looks: the same course gives another count."""
    rng = np.random.default_rng(1)
    clean = square(20.0, rng)
    course = spiked(clean, 500, 245.0, rng)
    words = [spoil.get(i, word) for i, word in enumerate(WORDS)]
    done = run(words, WRAP_TARGET, WRAP, course, freq_hz(250), SECONDS * 1e6 + LAST_US)
    assert len(done.words) != len(clean) // 2
