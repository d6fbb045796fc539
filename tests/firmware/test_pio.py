"""The vane's PIO program, run word by word: bounce, spikes, the limits of its filter, the time of its interrupt."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from firmware.pio import Machine, vane_module

VANE = vane_module()
# Assembled from firmware_mpy/vane_pio.py by MicroPython's own ports/rp2/modules/rp2.py (commit 00a184453e, seen).
WORDS = [0xA02B, 0xE05F, 0x00C1, 0x0082, 0x0045, 0x4038, 0x8000, 0xC010, 0xE05F, 0x00CB, 0x0008, 0x0089]
WRAP_TARGET, WRAP = 1, 11
SEEDS = [1, 2, 3]

Times = NDArray[np.float64]


def machine(filter_us: int = 250, drained: bool = True) -> Machine:
    """The state machine as PioVane sets it up."""
    freq_hz = VANE.FILTER_CYCLES * 1_000_000 // filter_us
    program = VANE.count_lows
    return Machine(list(program.words), program.wrap_target, program.wrap, freq_hz, drained)


def count(state: Machine) -> int:
    """Edges by the word that came last."""
    return state.interrupts[-1][1] ^ 0xFFFFFF if state.interrupts else 0


def square(rate_hz: float, seconds: float, low: float = 0.5, start_s: float = 0.0101) -> Times:
    """Changes of a clean square wave, falling first; `low` is the share of the period that it is low."""
    falls = np.arange(start_s, seconds - 1.0 / rate_hz, 1.0 / rate_hz)
    return np.column_stack([falls, falls + low / rate_hz]).ravel()


def with_bounce(changes_s: Times, longest_s: float, rng: np.random.Generator) -> Times:
    """After each change the contact opens and closes again an even number of times within `longest_s`."""
    out: list[float] = []
    for at_s in changes_s:
        out += [float(at_s), *np.sort(at_s + rng.uniform(0.0, longest_s, 2 * rng.integers(1, 9))).tolist()]
    return np.array(out)


def with_spikes(changes_s: Times, n: int, longest_s: float, apart_s: float, rng: np.random.Generator) -> Times:
    """Spikes to the other level, none so near to a change or to another that they could make a longer one."""
    spikes: list[float] = []
    taken = changes_s
    while len(spikes) < n:
        start_s, width_s = rng.uniform(0.02, changes_s[-1]), rng.uniform(2e-6, longest_s)
        if np.abs(taken - start_s).min() > apart_s:
            spikes.append(start_s)
            taken = np.append(taken, [start_s, start_s + width_s])
    return np.sort(taken)


def test_words_are_those_that_micropythons_own_assembler_makes() -> None:
    assert list(VANE.count_lows.words) == WORDS
    assert (VANE.count_lows.wrap_target, VANE.count_lows.wrap) == (WRAP_TARGET, WRAP)


@pytest.mark.parametrize("filter_us", [50, 250, 1000])
@pytest.mark.parametrize("rate_hz", [3.0, 97.0, 400.0])
def test_clean_edges_are_counted_and_dated(rate_hz: float, filter_us: int) -> None:
    changes_s = square(rate_hz, 2.0)
    state = machine(filter_us)
    state.run(changes_s, 2.0)
    falls_s = changes_s[::2]
    assert count(state) == len(falls_s) == len(state.interrupts)
    assert [word ^ 0xFFFFFF for _, word in state.interrupts] == list(range(1, len(falls_s) + 1))
    # What PioVane takes away from the interrupt's time is right within the two cycles between looks.
    late_s = np.array([at_s for at_s, _ in state.interrupts]) - falls_s
    lag_s = VANE.LAG_CYCLES / state.freq_hz
    assert np.abs(late_s - lag_s).max() <= 2.0 / state.freq_hz + 1e-9
    assert lag_s == pytest.approx(filter_us * 1e-6, rel=0.12)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("rate_hz", "bounce_us"), [(500.0, 150.0), (1000.0, 150.0), (20.0, 240.0), (150.0, 240.0)])
def test_bounce(rate_hz: float, bounce_us: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    clean_s = square(rate_hz, 2.0)
    changes_s = with_bounce(clean_s, bounce_us * 1e-6, rng)
    state = machine()
    state.run(changes_s, 2.0)
    falls_s = clean_s[::2]
    assert len(changes_s) // 2 > 3 * len(falls_s)  # what a counter without a filter would see
    assert count(state) == len(falls_s)
    # An edge is dated at most as late as its contact bounced.
    late_s = np.array([at_s for at_s, _ in state.interrupts]) - falls_s - VANE.LAG_CYCLES / state.freq_hz
    assert late_s.min() >= -2.0 / state.freq_hz - 1e-9
    assert late_s.max() <= bounce_us * 1e-6 + 2.0 / state.freq_hz + 1e-9


@pytest.mark.parametrize("seed", SEEDS)
def test_spikes_on_a_slow_vane(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clean_s = square(20.0, 3.0)
    changes_s = with_spikes(clean_s, 500, 200e-6, 600e-6, rng)
    state = machine()
    state.run(changes_s, 3.0)
    assert len(changes_s) // 2 == len(clean_s) // 2 + 500
    assert count(state) == len(clean_s) // 2


@pytest.mark.parametrize("filter_us", [50, 250, 1000])
@pytest.mark.parametrize("level", ["low", "high"])
def test_limits_of_the_filter(filter_us: int, level: str) -> None:
    """A level shorter than the filter never counts; one longer by the time between two looks always does.

    Looks are two cycles apart while it waits for a low, three while it waits for a high.
    """
    one_s = 1.0 / machine(filter_us).freq_hz
    looks = 2 if level == "low" else 3
    for phase, (cycles, passes) in itertools.product(
        np.linspace(0.0, 3.0, 13), [(VANE.FILTER_CYCLES - 0.02, False), (VANE.FILTER_CYCLES + looks + 0.02, True)]
    ):
        long_s = 10 * VANE.FILTER_CYCLES * one_s
        starts_s = long_s + (phase + np.arange(20) * 20.31 * VANE.FILTER_CYCLES) * one_s
        state = machine(filter_us)
        if level == "low":
            changes_s = np.column_stack([starts_s, starts_s + cycles * one_s]).ravel()
            expected = len(starts_s) if passes else 0
        else:  # low all the time, but for short highs
            changes_s = np.concatenate([[long_s / 2], np.column_stack([starts_s, starts_s + cycles * one_s]).ravel()])
            expected = 1 + (len(starts_s) if passes else 0)
        state.run(changes_s, float(changes_s[-1]) + long_s)
        assert count(state) == expected, (phase, cycles)


@pytest.mark.parametrize("filter_us", [100, 250])
def test_above_the_limit_it_counts_too_few_and_never_too_many(filter_us: int) -> None:
    limit_hz = 1e6 / (2.0 * filter_us)
    for share, all_counted in ((0.9, True), (1.1, False), (1.7, False), (3.1, False)):
        changes_s = square(share * limit_hz, 1.0)
        state = machine(filter_us)
        state.run(changes_s, 1.0)
        assert (count(state) == len(changes_s) // 2) is all_counted
        assert count(state) <= len(changes_s) // 2
    assert count(state) == 0  # far above nothing at all, as the page on wiring says


@pytest.mark.parametrize("seed", SEEDS)
def test_whatever_comes_it_never_counts_more_lows_than_last(seed: int) -> None:
    rng = np.random.default_rng(seed)
    changes_s = np.cumsum(rng.exponential(200e-6, 4000))
    state = machine()
    state.run(changes_s, float(changes_s[-1]))
    lows_s = np.diff(changes_s)[::2]
    assert 0 < count(state) <= (lows_s >= VANE.FILTER_CYCLES / state.freq_hz).sum()


def test_a_fifo_that_nobody_empties_keeps_the_oldest_and_the_count_goes_on() -> None:
    changes_s = square(200.0, 1.0)
    state = machine(drained=False)
    state.run(changes_s, 1.0)
    n = len(changes_s) // 2
    assert [word ^ 0xFFFFFF for word in state.fifo] == [1, 2, 3, 4]
    assert (~state.x & 0xFFFFFFFF) == n
    state.fifo.clear()  # interrupts are on again: the next edge brings the whole count
    state.run(np.array([0.01]), 0.02)
    assert state.fifo == [(n + 1) ^ 0xFFFFFF]


def test_count_is_modulo_2_to_the_24() -> None:
    state = machine()
    state.run(np.array([]), 0.001)
    state.x = 0xFFFFFFFF - 0xFFFFFE
    state.run(square(100.0, 0.06), 0.06)
    assert [word ^ 0xFFFFFF for _, word in state.interrupts] == [0xFFFFFF, 0, 1, 2]
