"""Whether the valve that somebody stands at is turned now, and until the hood reads what.

The reading just taken is in the fit; the model supplies the ratio from it to the target, with the hood on, the other
valves and the fan as they are.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import takewhile

import numpy as np

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.fit import Fitted, Posed, u_model_rel
from hoodtrace.balancing.network import Moments, log_flows
from hoodtrace.balancing.outlook import LATE, Outlook
from hoodtrace.balancing.picture import U_PREDICTED_REL, Picture
from hoodtrace.balancing.step import Step, Until
from hoodtrace.balancing.worth import LATE_GAIN
from hoodtrace.dwelling.verdict import conformance

GAIN = 0.02
"""A valve is turned where that makes it more likely to end inside (logarithm of the probability)."""
SCAN_GAIN = 0.05
"""The same, as a probability, while others are not read yet."""
AGAIN_GAIN = 0.1
"""What a second turn in one climb must add to the probability that all are inside."""
INDEX = 0.3
"""A valve that is the index with this probability is opened to see."""
OPENED = 0.8
"""Above what a valve shows now (ln), for one that is to be opened to its stop."""
LIMIT_PART = 1.0 / 3.0
"""Limits of a target, as part of the tolerance."""


def turn(side: Side, case: Posed, fit: Fitted, seen: Picture, view: Outlook, here: int) -> Step | None:
    """Return the turn of the valve at `here`, None where it should stay as it is."""
    if (case.newest < 0).any():
        return _while_scanning(side, case, fit, seen, view, here)
    if view.enough:
        return None
    hood = float(seen.u_hood[here]) if side.readings[-1].hood_times else 0.0
    u = math.hypot(side.readings[-1].u_own_rel, U_PREDICTED_REL, u_model_rel(fit.fan), hood)
    aim = float(seen.log_aim[here])
    hit = conformance(aim, u, None, float(seen.plan_low[here]), float(seen.plan_high[here]))
    c_now = float(fit.theta[case.layout.valve0 + case.position_now[here]])
    if view.p_all > LATE:
        goal = c_now + aim - float(view.then[here]) - float(seen.log_now[here])
        # Each turn throws away what readings have told about the valve: no chasing of the noise.
        n_turns = sum(one.after_turn and one.terminal == side.terminals[here].id for one in side.readings)
        gain = AGAIN_GAIN if turned_here(side) else LATE_GAIN * max(1, n_turns)
        better = hit * view.others[here] >= max(view.p_all, view.p_fan) + gain
    else:
        goal = float(np.log(seen.plan.c[0, here])) - view.shift
        better = math.log(hit) >= math.log(view.inside[here] + 1e-3) + GAIN
    if not better or not (view.up[here] if goal > c_now else view.down[here]):
        return None
    if (
        view.up[here]
        and case.open_at[here] < 0
        and seen.plan.index[0] == here
        and goal > c_now - 0.5 * side.tolerance_rel
    ):
        return _turned(side, case, fit, here, c_now + OPENED, "open", "index")
    return _turned(side, case, fit, here, goal, "reads", "to plan")


def _while_scanning(side: Side, case: Posed, fit: Fitted, seen: Picture, view: Outlook, here: int) -> Step | None:
    """Return the turn that is likely enough to be final already."""
    goal = np.log(seen.ahead.c[:, here])
    reach = side.tolerance_rel
    stays = (abs(seen.c_now[:, here] - goal) <= reach).mean()
    tries = np.quantile(goal, np.linspace(0.05, 0.95, 31))
    u = math.hypot(side.readings[-1].u_own_rel, U_PREDICTED_REL, u_model_rel(fit.fan))
    noise = np.random.default_rng(2).standard_normal(len(goal)) * u
    hits = [float((abs(one + noise - goal) <= reach).mean()) for one in tries]
    best = int(np.argmax(hits))
    c_now = float(seen.c_now[:, here].mean())
    if hits[best] < stays + SCAN_GAIN or (seen.ahead.index == here).mean() > INDEX:
        if case.open_at[here] < 0 and view.up[here]:
            return _turned(side, case, fit, here, c_now + OPENED, "open", "open to see")
        return None
    if not (view.up[here] if tries[best] > c_now else view.down[here]):
        return None
    return _turned(side, case, fit, here, float(tries[best]), "reads", "already")


def turned_here(side: Side) -> bool:
    """Return whether the valve that somebody stands at was turned in this climb."""
    climb = takewhile(lambda one: one.stand == side.readings[-1].stand, reversed(side.readings))
    return any(reading.after_turn for reading in climb)


def _turned(side: Side, case: Posed, fit: Fitted, here: int, log_c: float, until: Until, why: str) -> Step:
    moved = case.position_now.copy()
    moved[here] = case.layout.n_positions
    hood = side.hood_pa_m3h2 if side.readings[-1].hood_times else 0.0
    at = Moments(
        np.array([here]), moved[None, :], np.array([case.fan_now]), np.array([case.epoch_now]), np.array([hood])
    )
    more = replace(case.layout, n_positions=case.layout.n_positions + 1)
    log_q, _ = log_flows(np.append(fit.theta, log_c), more, at)
    target = float(np.exp(log_q[0]))
    part = LIMIT_PART * side.tolerance_rel
    name = side.terminals[here].id
    return Step("turn", why, name, target, target * (1.0 - part), target * (1.0 + part), until)
