"""However the stream is cut into blocks, and live or replayed, the readings are the same to the last bit.

Contract: a trace of the second generator, then spoiled: lines lost, some of them sent again some seconds later, noise
between lines, a restart with a new boot id. Outcomes are compared by `repr`, which shows every digit of a float.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodtrace.averaging.session import Session
from hoodtrace.physics.hood import Hood as HoodFile
from hoodtrace.physics.hood import parse_hood
from worlds.second import Fluctuation, Hold, Hood, Plateau, hood_toml, make_trace, visit

SEEDS = (1, 2, 3)
PATIENCE_S = 60.0


@cache
def hood() -> HoodFile:
    return parse_hood(hood_toml(Hood()), Path("hood.toml"))


def clean(seed: int) -> bytes:
    rng = np.random.default_rng([30, seed])
    air = Fluctuation("ou", 0.04, 0.4)
    holds = [
        Hold((Plateau(rng.uniform(25, 60), rng.uniform(14, 20), air),), direction)
        for direction in ("supply", "extract")
    ]
    return make_trace(visit(holds, rng), seed)[0]


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """Lose 1 % of the samples, send half of them again 0.4 to 8 s later, and put noise between lines."""
    lines = data.splitlines(keepends=True)
    late: list[tuple[int, bytes]] = []
    out: list[bytes] = []
    for i, text in enumerate(lines):
        while late and late[0][0] <= i:
            out.append(late.pop(0)[1])
        if text.startswith(b"S") and 20 < i < len(lines) - 500 and rng.random() < 0.01:
            if rng.random() < 0.5:
                late = sorted([*late, (i + int(rng.integers(20, 400)), text)])
            continue
        out.append(text)
        if rng.random() < 0.005:
            out.append(rng.bytes(int(rng.integers(1, 30))).replace(b"\n", b"?") + b"\n")
    return b"".join([*out, *(text for _, text in late)])


@cache
def trace(seed: int) -> bytes:
    """Two boots in one file; the second one's notes are left in."""
    rng = np.random.default_rng([31, seed])
    return spoiled(clean(seed), rng) + spoiled(clean(seed + 100), rng)


def outcomes(data: bytes, cuts: list[int], patience_s: float | None) -> tuple[str, tuple[int, ...]]:
    session = Session(hood(), patience_s=patience_s)
    edges = [0, *sorted(cuts), len(data)]
    out = []
    for start, stop in pairwise(edges):
        out += session.feed(data[start:stop])
    out += session.finish()
    counts = (session.n_good, session.n_bad, session.n_samples, session.assembler.n_lost, session.assembler.n_boots)
    return "\n".join(map(repr, out)), counts


@cache
def whole(seed: int, patience_s: float | None) -> tuple[str, tuple[int, ...]]:
    return outcomes(trace(seed), [], patience_s)


def test_the_spoiled_traces_hold_what_they_should() -> None:
    for seed in SEEDS:
        text, (_, n_bad, _, n_lost, n_boots) = whole(seed, None)
        assert n_boots == 2
        assert n_bad > 10
        assert n_lost > 10
        # Two holds before the restart and two after it.
        assert "boot=1" in text
        assert "boot=2" in text
        assert text.count("Outcome(") >= 4
        assert text.count("refusal=None") >= 2


@pytest.mark.parametrize("seed", SEEDS)
def test_live_says_the_same_as_a_replay_of_the_same_bytes(seed: int) -> None:
    assert whole(seed, PATIENCE_S) == whole(seed, None)


@pytest.mark.parametrize("patience_s", [None, PATIENCE_S])
@pytest.mark.parametrize("size", [997, 4096])
def test_even_blocks_change_nothing(patience_s: float | None, size: int) -> None:
    data = trace(SEEDS[0])
    assert outcomes(data, list(range(size, len(data), size)), patience_s) == whole(SEEDS[0], patience_s)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(
    seed=st.sampled_from(SEEDS),
    patience_s=st.sampled_from([None, PATIENCE_S]),
    places=st.lists(st.floats(0, 1), min_size=1, max_size=60),
)
def test_any_cutting_changes_nothing(seed: int, patience_s: float | None, places: list[float]) -> None:
    data = trace(seed)
    cuts = [round(place * len(data)) for place in places]
    assert outcomes(data, cuts, patience_s) == whole(seed, patience_s)
