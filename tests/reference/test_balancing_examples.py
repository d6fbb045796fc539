"""Worked examples of balancing from outside the program.

- The example of a side with four terminals (b 1.5): a prototype's worked numbers, written down before this program.
- The proportional method on three branches behind a main: worked out from the textbook's rule (K in series and in
  parallel, K_i = K_index (required_index / required_i)^2) apart from this program, full precision.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hoodtrace.balancing import proportional
from hoodtrace.balancing.case import FlowRead, Side, Wanted
from hoodtrace.balancing.network import Layout, Moments, log_flows
from hoodtrace.balancing.plan_ahead import least_throttled

DESIGN, FOUND = np.array([40.0, 30.0, 30.0, 25.0]), np.array([48.0, 36.0, 30.0, 22.0])


def _flows(c: np.ndarray, fan: float = 1.0) -> np.ndarray:
    theta = np.log(np.concatenate([[1.5, 60.0, fan, 1.0], FOUND, c]))
    zero = np.zeros(4, dtype=np.int64)
    at = Moments(np.arange(4), np.tile(np.arange(4, 8), (4, 1)), zero, zero, np.zeros(4))
    return np.exp(log_flows(theta, Layout(np.arange(4), 0, 1, 1, 8), at)[0])


def test_worked_example_of_a_plan() -> None:
    plan = least_throttled(DESIGN, FOUND[None], np.array([1.5]), np.array([136.0]), np.zeros((1, 4)), np.arange(4))
    assert plan.index[0] == 3
    assert plan.c[0] == pytest.approx([35.2, 26.4, 26.4, 22.0])
    assert plan.pressure[0] == pytest.approx(1.29132, abs=5e-6)
    assert plan.fan[0] == pytest.approx(1.01163, abs=5e-6)


def test_worked_example_of_the_targets() -> None:
    """Valve 2, then 1, then 3 are turned until they show these, the others as they are then; the fan at last."""
    c = FOUND.copy()
    for terminal, to, reads in ((1, 26.4, 27.550), (0, 35.2, 38.904), (2, 26.4, 29.655)):
        c[terminal] = to
        assert _flows(c)[terminal] == pytest.approx(reads, abs=5e-4)
    # The example prints 0.98848, its own last target (29.655 / 30) and fan (1 / 1.01163) say 0.98850.
    assert _flows(c) / DESIGN == pytest.approx(0.98848, abs=3e-5)
    assert _flows(c, 1.01163) / DESIGN == pytest.approx(1.0, abs=1e-5)


OPEN = {"A": 0.010, "B": 0.0125, "C": 0.016}
REQUIRED = {"A": 30.0, "B": 45.0, "C": 25.0}


class _Branches:
    """Three branches behind a main and a fan of constant pressure, all quadratic."""

    def __init__(self) -> None:
        self.k = dict(OPEN)
        self.fan = 1.0

    def read(self) -> dict[str, float]:
        at_once = sum(k**-0.5 for k in self.k.values())
        total = math.sqrt(80.0 * self.fan**2 / (0.0006 + at_once**-2))
        return {name: total * k**-0.5 / at_once for name, k in self.k.items()}

    def turn(self, name: str, target: float) -> float:
        """Turn a valve until the flow is the target (bisection on ln K)."""
        low, high = math.log(OPEN[name]), math.log(1e3)
        for _ in range(200):
            self.k[name] = math.exp((low + high) / 2)
            low, high = ((low + high) / 2, high) if self.read()[name] > target else (low, (low + high) / 2)
        return self.read()[name]


def test_textbook_procedure_gives_the_worked_numbers() -> None:
    world = _Branches()
    side = Side(
        tuple(Wanted(name, flow) for name, flow in REQUIRED.items()),
        fan="fixed-speed",
        valves="open",
        tolerance_rel=1e-4,
    )
    first, steps = {}, []
    while (step := proportional.next_step(side)).do != "done":
        steps.append(step)
        if step.do == "fan":
            assert step.ratio is not None
            world.fan = step.ratio
            side = replace(side, fan_ratio=step.ratio)
            continue
        if step.do == "turn":
            assert step.target_m3h is not None
            flow = world.turn(step.terminal, step.target_m3h)
        else:
            flow = world.read()[step.terminal]
        first.setdefault(step.terminal, flow)
        reading = FlowRead(step.terminal, flow, after_turn=step.do == "turn", fan_ratio=side.fan_ratio)
        side = replace(side, readings=(*side.readings, reading))
    assert step.why == "all within as read"
    assert [first[name] for name in "ABC"] == pytest.approx([74.7290969651, 66.8397362845, 59.0785384743])
    assert [first[name] / REQUIRED[name] for name in "ABC"] == pytest.approx([2.490970, 1.485327, 2.363142], abs=5e-7)
    assert steps[3].values["index"] == "B"
    assert [world.k[name] for name in "ABC"] == pytest.approx([0.028125, 0.0125, 0.0405], rel=5e-4)
    assert list(world.read().values()) == pytest.approx([30.0, 45.0, 25.0], rel=0.02)
    # At the fan's first setting the common ratio is the worked one, and the worked fan factor gives what is required.
    world.fan = 1.0
    assert [world.read()[name] / REQUIRED[name] for name in "ABC"] == pytest.approx([1.598402396] * 3, rel=5e-4)
    world.fan = 0.6256246878
    assert list(world.read().values()) == pytest.approx([30.0, 45.0, 25.0], rel=5e-4)
