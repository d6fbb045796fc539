"""A browser, and a visit that is served by the real command with the virtual board; skipped where no Chromium is."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from browser.served import CHROMIUM, FLAGS, UTC, Browsers, Served
from hoodtrace.board.air_motion import Carry, Hold, Rest, Step
from hoodtrace.board.scenario import ROOM, TERMINALS, demo_hood_toml, demo_visit_toml, true_hood
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.board.world import Scenario, write_world
from hoodtrace.dwelling.visit import Visit


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A browser. Not for the whole session: as long as it is there no other test of this process can use asyncio."""
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("no chromium on this machine")
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def browsers(chromium: Any) -> Iterator[Browsers]:
    made = Browsers(chromium)
    yield made
    for context in made.contexts:
        context.close()


@pytest.fixture
def visit(tmp_path: Path) -> Visit:
    """A visit of the demo's house that has begun."""
    folder = tmp_path / "visit"
    (folder / "traces").mkdir(parents=True)
    (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    begun = Visit(folder)
    begun.decide({"do": "begin"}, UTC)
    return begun


@pytest.fixture
def serving(visit: Visit) -> Iterator[Callable[..., Served]]:
    made: list[Served] = []

    def serve(*options: str) -> Served:
        made.append(Served(visit.folder, *options))
        return made[-1]

    yield serve
    for served in made:
        served.stop()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[VirtualBoard]:
    """Two holds at the first terminal, one at the second; unplugged: its fast clock stands until it is heard."""
    rng = np.random.default_rng(5)
    steps: list[Step] = [Rest(14.0)]
    for terminal in (TERMINALS[0], TERMINALS[0], TERMINALS[1]):
        steps += [
            Carry(8.0),
            Rest(4.0),
            Hold(
                terminal=terminal.id,
                direction=terminal.direction,
                flow_m3h=terminal.true_m3h,
                seconds=45.0,
                turbulence_rel=0.04,
                taus_s=(0.3, 1.0),
                weights=(0.7, 0.3),
                events=(),
                press_s=0.3,
                lift_s=0.3,
                air_temp_c=18.0,
                placement_rel=0.003,
            ),
            Rest(8.0),
        ]
    steps += [Carry(8.0), Rest(60.0)]
    world = tmp_path / "world"
    write_world(Scenario(true_hood(tomllib.loads(demo_hood_toml()), rng), tuple(steps), ROOM), world, 5)
    with VirtualBoard(world, "fast", "pty", boot_seed=7) as made:
        made.unplug()
        yield made
