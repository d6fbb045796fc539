"""The demo's house: its files are in the formats of hood.toml and visit.toml, its visit is the one that is promised.

The keys allowed are those of the project's fixed formats (seen); the draws are checked against the uncertainties that
the demo's own hood file states, within four standard errors.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from hoodtrace.board.air_motion import Carry, Event, Hold, Rest
from hoodtrace.board.scenario import TERMINALS, demo_hood_toml, demo_scenario, demo_visit_toml
from hoodtrace.board.world import write_world

SEEDS = range(300)


def holds(seed: int) -> list[Hold]:
    return [step for step in demo_scenario(seed).steps if isinstance(step, Hold)]


def test_hood_file_has_the_keys_of_its_format() -> None:
    hood = tomllib.loads(demo_hood_toml())
    vane = {
        "offset_m_s",
        "gain_m_s_per_hz",
        "start_m_s",
        "k",
        "u_k_rel",
        "response_length_m",
        "edges_per_rev",
        "extract",
    }
    taps = {"count", "c", "u_c_rel", "zero_pa", "u_zero_pa", "reference_pressure_pa", "extract"}
    assert set(hood) == {"name", "altitude_m", "pipe", "vane", "taps", "placement"}
    assert set(hood["pipe"]) == {"bore_mm", "length_mm"}
    assert set(hood["vane"]) == vane
    assert set(hood["taps"]) == taps
    assert set(hood["placement"]) == {"u_rel"}


def test_visit_file_is_the_plan_of_the_terminals() -> None:
    visit = tomllib.loads(demo_visit_toml())
    assert set(visit) == {"site", "system", "setting", "rule", "other_fan", "terminal"}
    assert visit["site"]["name"] == "Larkmoor Terrace 4"
    assert [terminal["id"] for terminal in visit["terminal"]] == [terminal.id for terminal in TERMINALS]
    assert {terminal["system"] for terminal in visit["terminal"]} == {system["name"] for system in visit["system"]}
    for written, terminal in zip(visit["terminal"], TERMINALS, strict=True):
        assert set(written) == {"id", "room", "system", "direction", "design_m3h"}
        assert (written["direction"], written["design_m3h"]) == (terminal.direction, terminal.design_m3h)


def test_house_is_the_one_promised() -> None:
    assert [terminal.direction for terminal in TERMINALS] == ["supply"] * 6 + ["extract"] * 6
    assert len({terminal.id for terminal in TERMINALS}) == 12
    assert min(terminal.design_m3h for terminal in TERMINALS) == 15.0
    assert max(terminal.design_m3h for terminal in TERMINALS) == 60.0
    assert min(terminal.true_m3h for terminal in TERMINALS) == 12.0
    assert all(0.7 <= terminal.true_m3h / terminal.design_m3h <= 1.3 for terminal in TERMINALS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_visit_is_the_one_promised(seed: int, tmp_path: Path) -> None:
    truth = write_world(demo_scenario(seed), tmp_path, seed)
    assert 14.5 * 60 < truth.duration_s < 17 * 60
    lengths_s = [hold.lifted_s - hold.seated_s for hold in truth.holds]
    assert sorted(round(length_s, 3) for length_s in lengths_s)[0] == 4.0
    assert sum(length_s < 25 for length_s in lengths_s) == 1
    assert max(lengths_s) <= 45.001
    kinds = [event.kind for hold in truth.holds for event in hold.events]
    assert Counter(kinds) == {"gust": 4, "wobble": 1, "slam": 1, "knock": 1, "turn": 1}
    flows = {hold.terminal: hold.plateaus[0].flow_m3h for hold in truth.holds}
    assert flows == {terminal.id: terminal.true_m3h for terminal in TERMINALS}


def test_every_hold_follows_a_walk_and_still_air() -> None:
    steps = demo_scenario(4).steps
    assert isinstance(steps[0], Rest)
    for before, step in pairwise(steps):
        if isinstance(step, Hold):
            assert isinstance(before, Rest)
            assert 3.0 <= before.seconds <= 6.0
    assert sum(isinstance(step, Carry) for step in steps) == 13


def test_no_drawn_hold_is_too_short_for_its_events() -> None:
    def gone_by(event: Event) -> float:
        return event.at_s + event.seconds

    for seed in SEEDS:
        for hold in holds(seed):
            assert all(gone_by(event) < hold.seconds for event in hold.events)


def test_hoods_scatter_by_the_uncertainties_of_the_file() -> None:
    file = tomllib.loads(demo_hood_toml())
    hoods = [demo_scenario(seed).hood for seed in SEEDS]
    k_rel = np.array([hood.k / file["vane"]["k"] - 1 for hood in hoods])
    c_rel = np.array([hood.c / file["taps"]["c"] - 1 for hood in hoods])
    zero_pa = np.array([hood.zero_pa for hood in hoods])
    for found, u in ((k_rel, 0.02), (c_rel, 0.025), (zero_pa, 0.02)):
        assert found.std() == pytest.approx(u, rel=4 / math.sqrt(2 * len(SEEDS)))
        assert abs(found.mean()) < 4 * u / math.sqrt(len(SEEDS))
    assert abs(np.corrcoef(k_rel, c_rel)[0, 1]) < 4 / math.sqrt(len(SEEDS))
    for hood in hoods:
        assert hood.k_extract == pytest.approx(hood.k * 0.95 / 0.93, rel=1e-12)
        assert hood.c_extract == pytest.approx(hood.c * 0.69 / 0.71, rel=1e-12)


def test_rest_of_the_true_hood_is_the_file() -> None:
    true = asdict(demo_scenario(1).hood)
    file = tomllib.loads(demo_hood_toml())
    told = {**file["pipe"], **file["vane"], **file["taps"]}
    for key in ("bore_mm", "offset_m_s", "gain_m_s_per_hz", "start_m_s", "response_length_m", "reference_pressure_pa"):
        assert true[key] == told[key]
