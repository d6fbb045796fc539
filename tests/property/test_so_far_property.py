"""However often and whenever a session is asked how far a hold is, what comes out of it stays the same to the last bit.

Contract: traces of the second generator, two boots in one, with lines lost and noise between; outcomes are compared by
`repr`, which shows every digit of a float, with those of a session that nobody asked.
"""

from __future__ import annotations

import pickle
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodtrace.averaging.session import Session, SoFar
from hoodtrace.physics.hood import Hood as HoodFile
from hoodtrace.physics.hood import parse_hood
from worlds.second import Fluctuation, Hold, Hood, Plateau, hood_toml, make_trace, visit

SEEDS = (1, 2)


@cache
def hood() -> HoodFile:
    return parse_hood(hood_toml(Hood()), Path("hood.toml"))


@cache
def trace(seed: int) -> bytes:
    """Two boots; in each a hold with a turned valve and one with a gust; one line in a hundred lost, some spoiled."""
    rng = np.random.default_rng([50, seed])
    out = []
    for boot in (0, 1):
        air = Fluctuation("ou", 0.04, 0.4)
        holds = [
            Hold((Plateau(50.0, 12.0, air), Plateau(35.0, 12.0, air))),
            Hold((Plateau(30.0, 15.0, air),), "extract", n_gusts=1),
        ]
        for text in make_trace(visit(holds, rng), 10 * seed + boot)[0].splitlines(keepends=True):
            if text.startswith(b"S ") and rng.random() < 0.01:
                continue
            out.append(text if rng.random() > 0.002 else text[:-12] + b"\n")
    return b"".join(out)


def outcomes(
    data: bytes, places: list[int], patience_s: float | None, look: bool, n_looks: int = 1
) -> tuple[str, list[SoFar]]:
    session = Session(hood(), patience_s=patience_s)
    out, seen, start = [], [], 0
    for stop in [*sorted(places), len(data)]:
        out += session.feed(data[start:stop])
        start = stop
        if look:
            first = session.so_far()
            seen.append(first)
            assert all(repr(session.so_far()) == repr(first) for _ in range(n_looks - 1))
    out += session.finish()
    return "\n".join(map(repr, out)), seen


@pytest.mark.parametrize("seed", SEEDS)
def test_the_traces_hold_what_they_should_and_looks_see_it(seed: int) -> None:
    data = trace(seed)
    text, seen = outcomes(data, list(range(0, len(data), 61 * 50)), 60.0, look=True)
    assert text.count("refusal=None") >= 4
    assert {"free", "carried", "settling", "turning", "steady"} <= {look.state for look in seen}
    assert {look.boot for look in seen if look.averaged is not None} == {1, 2}


@pytest.mark.parametrize("patience_s", [None, 60.0])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_look_each_second_changes_nothing(seed: int, patience_s: float | None) -> None:
    data = trace(seed)
    asked, _ = outcomes(data, list(range(0, len(data), 61 * 50)), patience_s, look=True)
    unasked, _ = outcomes(data, [], patience_s, look=False)
    assert asked == unasked


@pytest.mark.parametrize("seed", SEEDS)
def test_a_look_leaves_nothing_behind(seed: int) -> None:
    data, session = trace(seed), Session(hood(), patience_s=60.0)
    n_held = 0
    for start in range(0, len(data), 61 * 50):
        session.feed(data[start : start + 61 * 50])
        # All but the samples, which are only added to; what is worked out from them is kept there at the first need.
        before = pickle.dumps({name: kept for name, kept in vars(session).items() if name != "_trail"})
        n_held += session.so_far().averaged is not None
        after = pickle.dumps({name: kept for name, kept in vars(session).items() if name != "_trail"})
        assert after == before
    assert n_held > 20


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    seed=st.sampled_from(SEEDS),
    patience_s=st.sampled_from([None, 60.0]),
    places=st.lists(st.floats(0, 1), min_size=1, max_size=40),
)
def test_looks_at_any_moment_change_nothing(seed: int, patience_s: float | None, places: list[float]) -> None:
    data = trace(seed)
    cuts = [round(place * len(data)) for place in places]
    asked, _ = outcomes(data, cuts, patience_s, look=True, n_looks=2)
    unasked, _ = outcomes(data, [], None, look=False)
    assert asked == unasked
