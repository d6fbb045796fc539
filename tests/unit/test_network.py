"""The network of one side: flows, their derivatives, the least-throttled plan, and the fit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoodtrace.balancing.case import FlowRead, Side, Wanted
from hoodtrace.balancing.fit import fits, fitted, posed
from hoodtrace.balancing.network import Layout, Moments, log_flows
from hoodtrace.balancing.plan_ahead import least_throttled


def _alone(n: int, n_positions: int) -> Layout:
    return Layout(np.arange(n), 0, 1, 1, n_positions)


def _flows(c: list[float], b: float, fan: float = 1.0, hood: float = 0.0, p0_pa: float = 60.0) -> np.ndarray:
    """All flows with conductances `c`, those of the beginning being the example's; the hood on the first."""
    n = len(c)
    begin = np.array([48.0, 36.0, 30.0, 22.0])[:n]
    theta = np.log(np.concatenate([[b, p0_pa, fan, 1.0], begin, c]))
    on = np.where(np.arange(n) == 0, hood, 0.0)
    zero = np.zeros(n, dtype=np.int64)
    at = Moments(np.arange(n), np.tile(np.arange(n, 2 * n), (n, 1)), zero, zero, on)
    return np.exp(log_flows(theta, _alone(n, 2 * n), at)[0])


def test_fan_and_valves_by_hand() -> None:
    # P = 2.5 / (1 + 1.5 (126.4 / 136)^2), worked out on paper: 1.08900.
    pressure = 2.5 / (1.0 + 1.5 * (126.4 / 136.0) ** 2)
    assert _flows([48.0, 26.4, 30.0, 22.0], 1.5) == pytest.approx(np.array([48, 26.4, 30, 22]) * math.sqrt(pressure))


def test_constant_flow_fan_keeps_its_total() -> None:
    assert _flows([20.0, 20.0, 10.0, 5.0], 1e9).sum() == pytest.approx(48 + 36 + 30 + 22, rel=1e-6)


def test_hood_takes_what_two_resistances_in_series_take() -> None:
    # 1 / c^2 + K / P0 in series, fan with no slope: the other terminals do not notice.
    flows = _flows([48.0, 36.0, 30.0, 22.0], 1e-12, hood=1.2e-3)
    assert flows[0] == pytest.approx((48.0**-2 + 1.2e-3 / 60.0) ** -0.5)
    assert flows[1:] == pytest.approx([36.0, 30.0, 22.0])


def test_hood_drives_air_to_the_others() -> None:
    stiff = 1e9
    theta = np.log(np.array([stiff, 60.0, 1.0, 1.0, 48.0, 36.0]))
    zero = np.zeros(1, dtype=np.int64)
    at = Moments(np.array([0]), np.array([[0, 1]]), zero, zero, np.array([1.2e-3]))
    hooded = float(np.exp(log_flows(theta, _alone(2, 2), at)[0][0]))
    c = (48.0**-2 + 1.2e-3 / 60.0) ** -0.5
    assert hooded == pytest.approx(84.0 * c / (c + 36.0))


def test_shared_branch_by_hand() -> None:
    # Two of 30 behind a branch, one of 40: rho 0.5 takes a factor sqrt(1 / 1.5) off the branch at the beginning.
    layout = Layout(np.array([0, 0, 1]), 1, 1, 1, 3)
    theta = np.log(np.array([1.5, 60.0, 0.5, 1.0, 1.0, 30.0, 30.0, 40.0]))
    zero = np.zeros(3, dtype=np.int64)
    at = Moments(np.arange(3), np.tile(np.arange(3), (3, 1)), zero, zero, np.zeros(3))
    assert np.exp(log_flows(theta, layout, at)[0]) == pytest.approx([30 / math.sqrt(1.5), 30 / math.sqrt(1.5), 40.0])


def test_derivatives_are_those_of_the_flows() -> None:
    rng = np.random.default_rng(1)
    side = _side([48.0, 36.0, 30.0, 22.0], branch="up")
    side = Side(
        side.terminals,
        (
            *side.readings,
            FlowRead("T1", 27.5, after_turn=True),
            FlowRead("T0", 39.0, after_turn=True, fan_ratio=1.1, epoch=1),
            FlowRead("T2", 29.7, fan_ratio=1.1, epoch=1),
        ),
        hood_pa_m3h2=1.2e-3,
    )
    case = posed(side, "fixed-speed")
    theta = case.mean + 0.2 * rng.standard_normal(case.layout.size)
    _, slope = log_flows(theta, case.layout, case.at)
    step = 1e-6
    each = [
        (
            log_flows(theta + step * one, case.layout, case.at)[0]
            - log_flows(theta - step * one, case.layout, case.at)[0]
        )
        / (2 * step)
        for one in np.eye(case.layout.size)
    ]
    assert slope == pytest.approx(np.array(each).T, abs=1e-8)


def _side(flows: list[float], branch: str = "", u: float = 0.03) -> Side:
    design = [40.0, 30.0, 30.0, 25.0]
    terminals = tuple(Wanted(f"T{k}", d, branch=branch if k < 2 else "") for k, d in enumerate(design[: len(flows)]))
    return Side(terminals, tuple(FlowRead(f"T{k}", flow, u) for k, flow in enumerate(flows)), valves="open")


def test_fit_finds_what_exact_readings_say() -> None:
    """Flows of a network with b = 2.5: after one valve was turned and all read again, the fan's slope is known."""
    b, before, after = 2.5, np.array([48.0, 36.0, 30.0, 22.0]), np.array([48.0, 12.0, 30.0, 22.0])
    pressure = (1 + b) / (1 + b * (after.sum() / before.sum()) ** 2)
    side = _side(before.tolist(), u=1e-4)
    turned = [FlowRead(f"T{k}", float(after[k] * math.sqrt(pressure)), 1e-4, after_turn=k == 1) for k in (1, 0, 2, 3)]
    case = posed(Side(side.terminals, (*side.readings, *turned), valves="open"), "fixed-speed")
    fit = fitted(case, "fixed-speed")
    assert np.exp(fit.theta[case.layout.valve0 :]) == pytest.approx([48, 36, 30, 22, 12], rel=0.01)
    assert fit.theta[0] == pytest.approx(math.log(b), abs=2 * math.sqrt(fit.cov[0, 0]))
    assert math.sqrt(fit.cov[0, 0]) < 0.4  # the prior's 0.8 and more no longer


def test_one_wild_reading_pulls_little() -> None:
    side = _side([48.0, 36.0, 30.0, 22.0])
    wild = (*side.readings, FlowRead("T0", 48.0), FlowRead("T0", 48.0), FlowRead("T0", 80.0))
    case = posed(Side(side.terminals, wild, valves="open"), "fixed-speed")
    fit = fitted(case, "fixed-speed")
    mean = (3 * math.log(48.0) + math.log(80.0)) / 4
    assert fit.theta[case.layout.valve0] == pytest.approx(math.log(48.0), abs=0.3 * (mean - math.log(48.0)))
    assert fit.weight[-1] < 0.2


@pytest.mark.parametrize(("kind", "b"), [("fixed-speed", 1.0), ("constant-flow", 1e4)])
def test_kinds_of_fans_are_told_apart(kind: str, b: float) -> None:
    begin = np.array([48.0, 36.0, 30.0, 22.0])
    side, c, readings = _side(begin.tolist()), begin.copy(), []
    for k, to in ((0, 20.0), (1, 14.0), (2, 15.0)):
        c[k] = to
        pressure = (1 + b) / (1 + b * (c.sum() / begin.sum()) ** 2)
        readings += [
            FlowRead(f"T{j}", float(c[j] * math.sqrt(pressure)), 0.02, after_turn=j == k) for j in (k, *range(4))
        ]
    side = Side(side.terminals, (*side.readings, *readings), valves="open")
    p, _, fit = fits(side)[0]
    assert fit.fan == kind
    assert p > 0.9


def test_fan_that_is_too_weak_gives_a_level() -> None:
    aim, found = np.array([40.0, 30, 30, 25]), np.array([[48.0, 36, 30, 22]])
    free = least_throttled(aim, found, np.array([1.5]), found.sum(axis=1), np.zeros((1, 4)), np.arange(4))
    weak = least_throttled(
        aim, found, np.array([1.5]), found.sum(axis=1), np.zeros((1, 4)), np.arange(4), fan_most=0.8 * free.fan[0]
    )
    assert weak.level[0] == pytest.approx(0.8)
    assert weak.c == pytest.approx(free.c)


def test_fan_that_cannot_go_slow_leaves_more_to_the_valves() -> None:
    aim, found, b = np.array([20.0, 15, 15, 12.5]), np.array([[48.0, 36, 30, 22]]), 1.5
    plan = least_throttled(
        aim, found, np.array([b]), found.sum(axis=1), np.zeros((1, 4)), np.arange(4), fan_least=1.0, fan_most=1.0
    )
    # What the valves then get: P from the fan at that conductance, flows as wanted.
    pressure = (1 + b) / (1 + b * (plan.c[0].sum() / found.sum()) ** 2)
    assert plan.c[0] * math.sqrt(pressure) == pytest.approx(aim)


def test_branch_takes_its_drop_from_the_plan() -> None:
    aim = np.array([30.0, 30.0, 40.0])
    r, c_open = np.array([[1e-4, 0.0]]), np.array([[30.0, 32.0, 40.0]])
    plan = least_throttled(aim, c_open, np.array([1.5]), np.array([90.0]), r, np.array([0, 0, 1]))
    drop = 1e-4 * 60.0**2
    assert plan.pressure[0] == pytest.approx(1.0 + drop)
    assert plan.c[0] == pytest.approx([30.0, 30.0, 40.0 / math.sqrt(1.0 + drop)])
