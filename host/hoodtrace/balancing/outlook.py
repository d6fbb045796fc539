"""What a step is chosen from: how likely all end inside, which valves can and may move, what the fan does.

Drawn from a picture. Late, when all may be inside already, a valve is looked at together with the change of the fan
that suits the others: neither alone may help.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.case import Side, Way
from hoodtrace.balancing.evidence import Evidence
from hoodtrace.balancing.fit import U_FAN_GAIN, U_FAN_WALK, Posed
from hoodtrace.balancing.picture import Picture, all_within

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STOP_PART = 0.5
"""Part of the accepted risk that the model may use up; the rest is for what it does not know."""
MOST_TURNS = 8
"""A valve that was turned so often is left as it is: it does not do what is asked."""
SHIFTS = np.linspace(-0.04, 0.025, 14)
"""Common changes of the fan (ln) beside the plan: what suits the valves as they are, at little more pressure."""
LATE = 0.2
"""From this probability that all are inside on, all terminals are looked at together."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the choice is made from: how likely each terminal ends inside, with a common change of the fan by `shift`.

    `up`, `down` : valves that can give more, or less, and may. `p_all` : the probability that all are where they are to
    be set, `p_done` that all are inside their limits, `enough` whether that is enough to stop. `log_fan` : the change
    of the fan (ln) that suits the valves as they are, `p_fan` the probability of all then. `others` : for each terminal
    that all others are inside, `then` the change of the fan that suits them.
    """

    inside: Floats
    shift: float
    up: Bools
    down: Bools
    p_all: float
    p_done: float
    enough: bool
    log_fan: float
    p_fan: float
    others: Floats
    then: Floats


def outlook(side: Side, case: Posed, seen: Picture, evidence: tuple[Evidence, ...]) -> Outlook:
    """Return what a step on `side` is chosen from."""
    stuck = {one.terminal for one in evidence if one.kind == "stuck valve"}
    turns = Counter(reading.terminal for reading in side.readings if reading.after_turn)
    still = np.array([one.id in stuck or turns[one.id] >= MOST_TURNS for one in side.terminals])
    p_done = all_within(seen.now, seen.low, seen.high)
    # What has too little where there is a least is not turned down for the others, nor up what has too much.
    short = np.array([one.limit == "at least" for one in side.terminals]) & (seen.log_now < seen.low)
    over = np.array([one.limit == "at most" for one in side.terminals]) & (seen.log_now > seen.high)
    return Outlook(
        *_inside(side, seen),
        ~still & (case.open_at != case.position_now) & ~_barred(side, "up") & ~over,
        ~still & (case.shut_at != case.position_now) & ~_barred(side, "down") & ~short,
        all_within(seen.now, seen.plan_low, seen.plan_high),
        p_done,
        p_done >= 1.0 - STOP_PART * side.risk,
        *_best_fan(side, seen),
        *_with_one_set(side, seen),
    )


def _barred(side: Side, way: Way) -> npt.NDArray[np.bool_]:
    return np.array([(terminal.id, way) in side.barred for terminal in side.terminals])


def _inside(side: Side, seen: Picture) -> tuple[Floats, float]:
    """Return how likely each terminal ends inside if its valve stays, and the change of the fan (ln) that suits."""
    found = []
    for one in [0.0] if side.fan == "none" else SHIFTS:
        final = seen.final + one
        p = ((final >= seen.plan_low) & (final <= seen.plan_high)).mean(axis=0)
        found.append((float(np.log(p + 1e-3).sum()), float(one), p))
    _, shift, p = max(found, key=lambda one: one[0])
    return p, shift


def _best_fan(side: Side, seen: Picture) -> tuple[float, float]:
    """Return the change of the fan (ln) that suits the valves as they are best, and the probability of all then."""
    if side.fan == "none":
        return 0.0, 0.0
    middle = float(np.median(seen.log_aim - seen.log_now))
    found = [
        (all_within(then, seen.plan_low, seen.plan_high), -abs(one - middle), one)
        for one, then in _changed(side, seen, middle)
    ]
    if not found:
        return 0.0, 0.0
    p, _, one = max(found)
    return one, p


def _with_one_set(side: Side, seen: Picture) -> tuple[Floats, Floats]:
    """Return for each terminal the probability that all others are inside, and the fan's change (ln) that suits."""
    found = [(0.0, _others_inside(seen.now, seen))]
    if side.fan != "none":
        found += [(one, _others_inside(then, seen)) for one, then in _changed(side, seen, 0.0)]
    p = np.array([one for _, one in found])
    best = p.argmax(axis=0)
    return p.max(axis=0), np.array([one for one, _ in found])[best]


def _others_inside(log_flow: Floats, seen: Picture) -> Floats:
    """Return for each terminal the probability that all others are inside, from draws of all."""
    wrong = (log_flow < seen.plan_low) | (log_flow > seen.plan_high)
    return np.asarray((wrong.sum(axis=1)[:, None] - wrong == 0).mean(axis=0))


def _changed(side: Side, seen: Picture, middle: float) -> Iterator[tuple[float, Floats]]:
    """Yield changes of the fan (ln) about `middle` that it can do, and draws of all flows then."""
    common = np.random.default_rng(1).standard_normal((len(seen.now), 1))
    for one in (middle + np.linspace(-0.06, 0.06, 25)).tolist():
        if ("", way_of(one)) in side.barred:
            continue
        if side.fan_least <= side.fan_ratio * math.exp(one) <= side.fan_most:
            off = common * math.hypot(U_FAN_GAIN * one, U_FAN_WALK * math.sqrt(abs(one)))
            yield one, seen.now + one + off


def way_of(log_change: float) -> Way:
    """Return which way a change (ln) goes."""
    return "up" if log_change > 0.0 else "down"
