"""The button tells what a finger did, whatever the contact does and however coarse the grid is.

Two judges from outside the module: what was meant, by the times of the presses themselves and the limits of the task
(long from 0.8 s on, double within 0.4 s; no standard known); and a slow reference that sees what the module sees, but
all at once: the whole row of looks.
"""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import numpy as np
import pytest
from numpy.random import Generator

from firmware.bench_host import run_on_board, small_world
from hoodtrace.board.firmware_files import firmware_folder

MODULE = runpy.run_path(str(firmware_folder() / "button.py"))
SHORT, LONG, DOUBLE = 1, 2, 3  # `feed`'s words in the task's order
LONG_US, SECOND_US, BOUNCE_US = 800_000, 400_000, 5_000

Presses = list[tuple[int, int]]  # begin and end (us)
Told = list[tuple[int, int]]  # index of the look, what


def feed(looks: list[tuple[bool, int]]) -> Told:
    button = MODULE["Button"]()
    told = [(i, button.feed(down, elapsed_us)) for i, (down, elapsed_us) in enumerate(looks)]
    return [(i, what) for i, what in told if what]


def look_times_us(rng: Generator, grid_us: int, until_us: int) -> list[int]:
    """A grid with a little jitter and a stall now and then."""
    steps = rng.integers(grid_us - grid_us // 50, grid_us + grid_us // 50 + 1, until_us // grid_us)
    return [int(t) for t in np.cumsum(steps)]


def contact(rng: Generator, presses: Presses, times_us: list[int], bounces: bool) -> list[bool]:
    """What each look sees; within BOUNCE_US of each change anything."""
    seen = []
    for t_us in times_us:
        down = any(begin <= t_us < end for begin, end in presses)
        if bounces and any(0 <= t_us - change < BOUNCE_US for press in presses for change in press):
            down = bool(rng.integers(2))
        seen.append(down)
    return seen


def looks_of(seen: list[bool], times_us: list[int]) -> list[tuple[bool, int]]:
    return [(down, t - before) for down, t, before in zip(seen, times_us, [0, *times_us[:-1]], strict=True)]


def meant(presses: Presses) -> Told:
    """What a row of presses means, by their own times, each with the moment (us) at which that is clear."""
    told, i = [], 0
    while i < len(presses):
        begin, end = presses[i]
        if end - begin >= LONG_US:
            told.append((begin + LONG_US, LONG))
        elif i + 1 < len(presses) and presses[i + 1][0] - end <= SECOND_US:
            told.append((presses[i + 1][0], DOUBLE))
            i += 1  # however long the second one lasts
        else:
            told.append((end + SECOND_US, SHORT))
        i += 1
    return told


def reference(seen: list[bool], times_us: list[int], grid_us: int) -> Told:
    """The rules over the whole row of looks at once."""
    settle_us = 10_000 if grid_us < 50_000 else 0
    # The settled level: the last one that a run of equal looks kept for so long.
    settled, level = [], True
    for i in range(len(seen)):
        first = i
        while first > 0 and seen[first - 1] == seen[i]:
            first -= 1
        if times_us[i] - times_us[first] >= settle_us:
            level = seen[i]
        settled.append(level)
    begins = [i for i in range(1, len(seen)) if settled[i] and not settled[i - 1]]
    ends = [next((j for j in range(i, len(seen)) if not settled[j]), len(seen)) for i in begins]
    told: Told = []
    k = 0
    while k < len(begins):
        begin, end = begins[k], ends[k]
        long = next((i for i in range(begin, end) if times_us[i] - times_us[begin] >= LONG_US), None)
        if long is not None:
            told.append((long, LONG))
        elif end < len(seen):
            if k + 1 < len(begins) and times_us[begins[k + 1]] - times_us[end] <= SECOND_US:
                told.append((begins[k + 1], DOUBLE))
                k += 1
            else:
                over = next((i for i in range(end, len(seen)) if times_us[i] - times_us[end] >= SECOND_US), None)
                if over is not None:
                    told.append((over, SHORT))
        k += 1
    return told


def random_presses(rng: Generator, until_us: int, longest_us: int) -> Presses:
    presses, t_us = [], 300_000
    while True:
        begin = t_us + int(np.exp(rng.uniform(np.log(30_000), np.log(2_000_000))))
        end = begin + int(np.exp(rng.uniform(np.log(30_000), np.log(longest_us))))
        if end > until_us - 1_000_000:
            return presses
        presses.append((begin, end))
        t_us = end


def clear_presses(rng: Generator, grid_us: int, until_us: int) -> Presses:
    """Presses whose meaning does not hang on where the looks fall.

    On a slow grid a length is seen one look too long or too short; on a fast one, where looks must agree, two. A long
    press must last until one more look, the one that finds it long enough.
    """
    look_us = grid_us * 21 // 20
    error_us = (1 if grid_us >= 50_000 else 2) * look_us + BOUNCE_US
    shortest_us = error_us + BOUNCE_US + (0 if grid_us >= 50_000 else 10_000)

    def draw(limit_us: int, longest_us: int, above_us: int) -> int:
        while True:
            us = int(rng.integers(shortest_us, longest_us))
            if not limit_us - error_us <= us <= limit_us + above_us:
                return us

    presses, t_us = [], 500_000
    while True:
        end = t_us + draw(LONG_US, 2_000_000, error_us + look_us)
        if end > until_us - 1_000_000:
            return presses
        presses.append((t_us, end))
        t_us = end + draw(SECOND_US, 1_200_000, error_us)


@pytest.mark.parametrize("grid_us", [10_000, 20_000, 100_000])
def test_what_was_meant_is_told(grid_us: int) -> None:
    rng = np.random.default_rng(grid_us)
    counts = {SHORT: 0, LONG: 0, DOUBLE: 0}
    for _ in range(200):
        presses = clear_presses(rng, grid_us, 30_000_000)
        times_us = look_times_us(rng, grid_us, 30_000_000)
        seen = contact(rng, presses, times_us, bounces=True)
        told = feed(looks_of(seen, times_us))
        wanted = meant(presses)
        assert [what for _, what in told] == [what for _, what in wanted]
        for (i, what), (clear_us, _) in zip(told, wanted, strict=True):
            counts[what] += 1
            # Never before it is clear; after it at most bounce, settling, and three looks.
            assert 0 <= times_us[i] - clear_us <= BOUNCE_US + 10_000 + 3 * grid_us * 51 // 50
    assert min(counts.values()) > 100


@pytest.mark.parametrize("grid_us", [10_000, 20_000, 100_000])
@pytest.mark.parametrize("bounces", [False, True])
def test_same_as_the_slow_reference(grid_us: int, bounces: bool) -> None:
    rng = np.random.default_rng([grid_us, bounces])
    n_told = 0
    for _ in range(150):
        presses = random_presses(rng, 20_000_000, 3_000_000)
        times_us = look_times_us(rng, grid_us, 20_000_000)
        seen = contact(rng, presses, times_us, bounces)
        told = feed(looks_of(seen, times_us))
        assert told == reference(seen, times_us, grid_us)
        n_told += len(told)
    assert n_told > 500


@pytest.mark.parametrize("grid_us", [10_000, 20_000, 100_000])
def test_leaned_on(grid_us: int) -> None:
    rng = np.random.default_rng(3)
    times_us = look_times_us(rng, grid_us, 700_000_000)
    presses = [(1_000_000, 650_000_000), (655_000_000, 655_250_000)]
    told = feed(looks_of(contact(rng, presses, times_us, True), times_us))
    assert [what for _, what in told] == [LONG, SHORT]
    assert 0 <= times_us[told[0][0]] - 1_000_000 - LONG_US <= 2 * grid_us + 20_000


@pytest.mark.parametrize("grid_us", [10_000, 20_000, 100_000])
@pytest.mark.parametrize("held_us", [200_000, 2_000_000])
def test_held_at_boot(grid_us: int, held_us: int) -> None:
    rng = np.random.default_rng(4)
    times_us = look_times_us(rng, grid_us, 20_000_000)
    presses = [(0, held_us), (held_us + 300_000, held_us + 550_000)]
    told = feed(looks_of(contact(rng, presses, times_us, False), times_us))
    assert [what for _, what in told] == [SHORT]  # and its release is no first press of a double one


@pytest.mark.parametrize("grid_us", [10_000])
def test_a_spike_is_no_press(grid_us: int) -> None:
    times_us = list(range(grid_us, 3_000_000, grid_us))
    seen = [i % 17 == 5 for i in range(len(times_us))]
    assert feed(looks_of(seen, times_us)) == []
    held = [i > 50 and i % 17 != 5 for i in range(len(times_us))]  # nor is one in the other direction a release
    assert [what for _, what in feed(looks_of(held, times_us))] == [LONG]


@pytest.mark.usefixtures("micropython")
def test_on_the_board_without_allocation(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    presses = random_presses(rng, 60_000_000, 3_000_000)
    times_us = look_times_us(rng, 20_000, 60_000_000)
    seen = contact(rng, presses, times_us, True)
    looks = looks_of(seen, times_us)
    world = small_world(tmp_path, 5.0)
    (world / "looks.json").write_text(json.dumps([[int(down), us] for down, us in looks]))
    said = run_on_board("button_run.py", world)
    told = [tuple(int(part) for part in row.split()) for row in said.splitlines()]
    assert told == reference(seen, times_us, 20_000)
    assert len(told) > 10
