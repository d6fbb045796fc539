"""What the three kinds of vane counter say, under the real MicroPython, against the edge times of the world.

A pair is true where edge number EDGES was at TIME - AGE. The stamps of the simulated interrupts are exact, so that a
pair is either true to the microsecond or false; that the PIO's own are as exact as its clock, test_pio.py shows.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from firmware.bench_host import run_on_board, small_world

pytestmark = pytest.mark.usefixtures("micropython")
OLDEST_US = 0xFFFFFF
STEP_US = 5000  # of on_board/counting_run.py
KINDS = ["pio", "counter", "pin"]
COUNTED = ["pio", "counter"]


def rows_of(
    folder: Path, kind: str, edges_us: np.ndarray, *arguments: str, **plan: object
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Columns time, count, age, check of a run of the script on those edges."""
    world = small_world(folder / "world", 5, counting=kind)
    edges_us.astype("<i8").tofile(world / "edges.i64")
    (world / "plan.json").write_text(json.dumps(plan))
    lines = run_on_board("counting_run.py", world, *arguments).split("\n")[:-1]
    t_us, n, age_us, well = np.array([line.split() for line in lines], dtype=np.int64).T
    return t_us, n, age_us, well


def uneven(rng: np.random.Generator, until_us: float, shortest_us: int, longest_us: int) -> np.ndarray:
    """Edge times with gaps drawn between those."""
    return np.cumsum(rng.integers(shortest_us, longest_us, int(until_us / shortest_us)))


@pytest.fixture
def drawn(request: pytest.FixtureRequest) -> tuple[np.ndarray, list[list[int]], int]:
    """Edges, stalls of 50 to 800 ms, number of steps."""
    rng = np.random.default_rng(request.param)
    edges = uneven(rng, 60e6, 2000, 2000 * 10 ** int(rng.integers(1, 3)))
    starts = np.cumsum(rng.integers(1_000_000, 4_000_000, 12))
    stalls = [[int(at), int(rng.integers(50_000, 800_000))] for at in starts]
    return edges, stalls, int(starts[-1] + 2_000_000) // STEP_US


def fresh_rows(t_us: np.ndarray, stalls: list[list[int]]) -> np.ndarray:
    """Which rows are not behind a stall with no edge since; a stall begins with the first row at or behind its time."""
    fresh = np.full(len(t_us), True)
    for at, duration in stalls:
        start = t_us[np.searchsorted(t_us, at)]
        fresh &= (t_us <= start) | (t_us > start + duration + 250_000)
    return fresh


@pytest.mark.parametrize("drawn", range(4), indirect=True)
@pytest.mark.parametrize(
    ("kind", "mode"), [("pio", ""), ("pio", "wrap"), ("counter", ""), ("counter", "wrap"), ("counter", "late")]
)
def test_every_pair_is_true_over_stalls(
    tmp_path: Path, kind: str, mode: str, drawn: tuple[np.ndarray, list[list[int]], int]
) -> None:
    edges, stalls, n_steps = drawn
    first = 0xFFFFFA if mode == "wrap" else 0
    t_us, n, age_us, well = rows_of(tmp_path, kind, edges, "stalls", mode, n_steps=n_steps, stalls=stalls)
    assert well.all()
    assert n.max() < 1 << 24
    seen = age_us < OLDEST_US
    assert seen.sum() > 0.9 * len(seen)
    index = (n[seen] - first) % (1 << 24) - 1
    assert np.array_equal(edges[index], t_us[seen] - age_us[seen])
    fresh = fresh_rows(t_us, stalls) & seen
    assert fresh.sum() > 0.6 * len(fresh)
    assert np.array_equal((n[fresh] - first) % (1 << 24), np.searchsorted(edges, t_us[fresh], "right"))


@pytest.mark.parametrize("seed", range(4))
def test_pio_pairs_are_true_even_where_nobody_held_them(tmp_path: Path, seed: int) -> None:
    """Where a stall takes more than one edge, the number of words tells the handler that it came too late."""
    rng = np.random.default_rng(seed)
    edges = uneven(rng, 30e6, 2000, 24_000)  # at least two in 50 ms
    stalls = [[1_000_000 * i, int(rng.integers(50_000, 800_000))] for i in range(1, 20)]
    t_us, n, age_us, _ = rows_of(tmp_path, "pio", edges, "stalls", "unheld", n_steps=4400, stalls=stalls)
    seen = age_us < OLDEST_US
    assert np.array_equal(edges[n[seen] - 1], t_us[seen] - age_us[seen])
    assert n[-1] == np.searchsorted(edges, t_us[-1], "right")


@pytest.mark.parametrize("kind", COUNTED)
def test_the_mean_frequency_of_even_edges_is_exact_over_any_two_reads(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(5)
    edges = np.arange(7_000, 40e6, 10_007).astype(int)
    stalls = [[2_000_000 * i, int(rng.integers(50_000, 800_000))] for i in range(1, 16)]
    t_us, n, age_us, _ = rows_of(tmp_path, kind, edges, "stalls", n_steps=35_000_000 // STEP_US, stalls=stalls)
    edge_us = t_us - age_us
    pairs = np.sort(rng.integers(2, len(n), (5000, 2)), axis=1)
    n_between = n[pairs[:, 1]] - n[pairs[:, 0]]
    assert np.count_nonzero(n_between) > 4900
    assert np.array_equal(edge_us[pairs[:, 1]] - edge_us[pairs[:, 0]], 10_007 * n_between)


@pytest.mark.parametrize("drawn", range(4), indirect=True)
def test_a_pin_loses_the_edges_of_a_stall_and_no_others(
    tmp_path: Path, drawn: tuple[np.ndarray, list[list[int]], int]
) -> None:
    edges, stalls, n_steps = drawn
    t_us, n, age_us, well = rows_of(tmp_path, "pin", edges, "stalls", n_steps=n_steps, stalls=stalls)
    assert well.all()
    seen = age_us < OLDEST_US
    assert np.isin(t_us[seen] - age_us[seen], edges).all()  # each time is that of an edge all the same
    lost = 0
    for at, duration in stalls:
        start = t_us[np.searchsorted(t_us, at)]
        # Of those that come while interrupts are off, one is kept by the pin's latch.
        lost += max(0, np.count_nonzero((edges > start) & (edges <= start + duration)) - 1)
    assert lost > 10
    assert n[-1] == np.searchsorted(edges, t_us[-1], "right") - lost


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(2))
def test_ages_over_twelve_days_of_ticks(tmp_path: Path, kind: str, seed: int) -> None:
    """A rare edge now and then, ticks wrap each 18 minutes: the age is right or says `that old or older`."""
    rng = np.random.default_rng(seed)
    gaps = np.concatenate([10 ** rng.uniform(3.5, 10.3, 1000), rng.uniform(1e6, 30e6, 500)])
    edges = np.cumsum(rng.permutation(gaps)).astype(np.int64)
    # Reads a while after each edge, and each eight minutes: ticks can be compared over nine at most.
    reads = np.concatenate([edges + 10 ** rng.uniform(0, 8, len(edges)), np.arange(0, 12.1 * 86_400e6, 480e6)])
    steps = np.diff(np.sort(reads.astype(np.int64)), prepend=0)
    t_us, n, age_us, well = rows_of(tmp_path, kind, edges, "days", steps_us=steps.tolist())
    assert t_us[-1] > 12 * 86_400e6
    assert well.all()
    n_true = np.searchsorted(edges, t_us, "right")
    assert np.array_equal(n, n_true)
    assert len(np.unique(n_true)) > 400
    age_true = t_us - np.where(n_true > 0, edges[n_true - 1], -(1 << 60))
    assert np.array_equal(age_us, np.minimum(age_true, OLDEST_US))
    assert np.count_nonzero(age_us < OLDEST_US) > 100


@pytest.mark.parametrize("kind", KINDS)
def test_with_no_edge_at_all_the_age_is_the_oldest(tmp_path: Path, kind: str) -> None:
    steps = [20_000] * 100 + [400_000_000] * 20
    _, n, age_us, well = rows_of(tmp_path, kind, np.array([]), "days", steps_us=steps)
    assert not n.any()
    assert (age_us == OLDEST_US).all()
    assert well.all()


@pytest.mark.parametrize("kind", KINDS)
def test_a_first_edge_just_after_ticks_wrapped(tmp_path: Path, kind: str) -> None:
    # Ticks begin 5 s before they wrap: this edge is at ticks 100, and no edge was at 0.
    _, n, age_us, _ = rows_of(tmp_path, kind, np.array([5_000_100]), "days", steps_us=[5_000_000, 1_000_000])
    assert n.tolist() == [0, 1]
    assert age_us.tolist() == [OLDEST_US, 999_900]


@pytest.mark.parametrize("filter_us", [50, 250, 1000])
def test_a_pin_takes_what_follows_an_edge_within_the_filter_for_bounce(tmp_path: Path, filter_us: int) -> None:
    rng = np.random.default_rng(filter_us)
    firsts = np.arange(10_000, 4e6, 5000)
    bounces = rng.uniform(1, filter_us - 1, (5, len(firsts)))
    edges = np.sort(np.concatenate([firsts, *(firsts + bounces), firsts + filter_us + 2]))  # those last ones are edges
    world = small_world(tmp_path / "world", 5, counting="pin")
    edges.astype("<i8").tofile(world / "edges.i64")
    (world / "settings.json").write_text(json.dumps({"filter_us": filter_us}))
    (world / "plan.json").write_text(json.dumps({"steps_us": [5_000_000]}))
    assert run_on_board("counting_run.py", world, "days").split()[1] == str(2 * len(firsts))


@pytest.mark.parametrize("kind", COUNTED)
def test_a_dead_handler_is_noticed_and_set_anew_and_no_edge_is_lost(tmp_path: Path, kind: str) -> None:
    edges = np.arange(50_000, 30e6, 30_011).astype(int)
    t_us, n, age_us, well = rows_of(tmp_path, kind, edges, "dead")
    # It died at 2.5 s. Looks at 3 and 4 s find edges that wait; a look later they still wait.
    assert well.tolist() == [1, 1, 1, 0] + [1] * 16
    assert n[2] == n[3] == np.searchsorted(edges, 2_500_000, "right")
    assert np.array_equal(edges[n - 1], t_us - age_us)
    assert np.array_equal(n[4:], np.searchsorted(edges, t_us[4:], "right"))


@pytest.mark.parametrize(
    ("has", "chosen", "kind", "may_lose"),
    [
        ("pio", {}, "pio", 0),
        ("counter", {}, "counter", 0),
        ("pin", {}, "pin", 1),
        ("pio", {"counting": "pin"}, "pin", 1),
        ("counter", {"counting": "pin"}, "pin", 1),
        ("pio", {"pin_vane": 33}, "pin", 1),  # beyond what a PIO block sees
        ("counter", {"pin_vane": 33}, "counter", 0),
    ],
)
def test_which_kind_a_board_gets(tmp_path: Path, has: str, chosen: dict[str, object], kind: str, may_lose: int) -> None:
    world = small_world(tmp_path / "world", 5, counting=has)
    (world / "settings.json").write_text(json.dumps(chosen))
    (world / "plan.json").write_text("{}")
    assert run_on_board("counting_run.py", world, "kind").split() == [kind, str(may_lose)]


def test_control_without_hold_a_stamp_behind_a_stall_is_late(tmp_path: Path) -> None:
    """What hold and release are for: the same stalls without them give false pairs for a counter."""
    edges = np.arange(7_000, 20e6, 30_011).astype(int)
    stalls = [[1_000_000 * i, 333_333] for i in range(1, 9)]
    plan = {"n_steps": 2400, "stalls": stalls}
    t_us, n, age_us, _ = rows_of(tmp_path, "counter", edges, "stalls", "unheld", **plan)
    false = edges[n[2:] - 1] != t_us[2:] - age_us[2:]
    assert false.sum() >= len(stalls)
