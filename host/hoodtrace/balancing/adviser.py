"""The next climb: from all readings of a side so far, what to do now and why, with every terminal predicted.

`advise` fits the network, predicts, and gives one step. It scans first, but already turns a valve while scanning where
its final position is likely enough; then it goes where the flow is least likely to end inside the limits. It stops when
the probability that all are inside is at least 1 - risk. The meter's common error is not in that (it cancels between
terminals, and no climb removes it): the level has a verdict of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.case import FanKind, Side, checked, n_climbs
from hoodtrace.balancing.evidence import Evidence, gathered
from hoodtrace.balancing.fit import U_FAN_GAIN, U_FAN_WALK, Fitted, Posed, fits
from hoodtrace.balancing.picture import Picture, all_within, picture
from hoodtrace.balancing.standing import READ_SWING, Level, Standing, level, standings, verdict_of_all
from hoodtrace.balancing.step import Step
from hoodtrace.balancing.turning import LATE, Outlook, others_inside, turn
from hoodtrace.dwelling.verdict import Verdict

Floats = npt.NDArray[np.float64]

STOP_PART = 0.75
"""Part of the accepted risk that the model may use up; the rest is for what it does not know."""
SHIFTS = np.linspace(-0.04, 0.025, 14)
"""Common changes of the fan (ln) beside the plan: what suits the valves as they are, at little more pressure."""
FAN_WORTH = 0.04
"""A change of the fan (ln) that is worth going there."""
FAN_LEAST = 0.015
FAN_GAIN = 0.005
FAN_FURTHEST = math.log(2.0)
"""A fan that would have to change by more is not the cause: valves are shut, or readings wrong."""
TELLS = 0.5
"""What a visit to a valve that cannot be turned the right way is worth, against one that can."""
MOST_ALIKE = 4
"""Readings of one terminal with nothing changed; more of them tell no more (what is left is the hood's resistance)."""
SETTLED = 0.05
"""A terminal known to this (relative) whose valve can do no more is left."""
POLISH = 0.3
"""Climbs a terminal beyond those that the present picture asks for, from simulated dwellings."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next on one side, and where everything stands.

    `p_all` is the probability that all terminals are inside (proportion), `verdict` that of the side; `settles` the
    terminal whose reading would settle an undecided side; `fan` the kind taken, `p_fan` its probability.
    """

    step: Step
    standings: tuple[Standing, ...]
    level: Level
    evidence: tuple[Evidence, ...]
    p_all: float
    verdict: Verdict
    settles: str
    climbs_so_far: int
    climbs_expected: int
    fan: FanKind
    p_fan: float


def advise(side: Side) -> Advice:
    """Return what to do next on `side`.

    Raises
    ------
    UsageError
        The side cannot be balanced, see `case.checked`.
    """
    checked(side)
    p_fan, case, fit = fits(side)[0]
    seen = picture(side, case, fit)
    p_all = all_within(seen.now, seen)
    inside, shift = _inside(side, seen)
    evidence = gathered(side, case, fit, seen)
    stuck = {one.terminal for one in evidence if one.kind == "stuck valve"}
    still = np.array([terminal.id in stuck for terminal in side.terminals])
    up = ~still & (case.open_at != case.position_now)
    down = ~still & (case.shut_at != case.position_now)
    view = Outlook(inside, shift, up, down, p_all, p_all >= 1.0 - STOP_PART * side.risk)
    step, order = _step(side, case, fit, seen, view, evidence)
    stand = standings(side, seen)
    names = [terminal.id for terminal in side.terminals]
    verdict = verdict_of_all(p_all, side.risk)
    settles = names[int(order.argmax())] if verdict == "undecided" else ""
    climbs = n_climbs(side.readings)
    return Advice(
        step,
        stand,
        level(side),
        evidence,
        p_all,
        verdict,
        settles,
        climbs,
        0 if step.do == "done" else _expected(side, case, seen, view),
        fit.fan,
        p_fan,
    )


def _step(
    side: Side, case: Posed, fit: Fitted, seen: Picture, view: Outlook, evidence: tuple[Evidence, ...]
) -> tuple[Step, Floats]:
    """Return the next step, and what a visit to each terminal is worth."""
    names = [terminal.id for terminal in side.terminals]
    last = side.readings[-1] if side.readings else None
    there = last is not None and (last.fan_ratio, last.epoch) == (side.fan_ratio, side.epoch)
    log_fan, p_fan = _best_fan(side, seen)
    order = _worth(seen, view, log_fan, p_fan)
    if last is not None and there:
        here = names.index(last.terminal)
        if not last.after_turn:
            turned = turn(side, case, fit, seen, view, here)
            if turned is not None:
                return turned, order
        if len(names) > 1:
            order[here] = -1.0
    unread = np.flatnonzero(case.newest < 0)
    if len(unread):
        return Step("measure", "not read yet", names[unread[0]]), order
    assert last is not None
    if last.epoch != side.epoch:
        return Step("measure", "the house changed", names[int(seen.u_now.argmin())]), order
    again = [one.terminal for one in evidence if one.kind == "contradicts" and not one.values["read_again"]]
    if again and not (there and again[0] == last.terminal):
        return Step("measure", "contradicts", again[0]), order
    if view.enough:
        left = [k for k in range(len(names)) if not _closed(side, case, seen, k)]
        if side.closing and left:
            return Step("measure", "closing round", names[left[0]]), order
        why = "all within" if seen.log_level >= 0.0 else "below design"
        return Step("done", why, values={"p_all": view.p_all}), order
    to_plan = float(np.log(seen.plan.fan[0])) - seen.log_fan + view.shift
    if there and abs(to_plan) > FAN_WORTH and (fan := _fan(side, to_plan, "to plan")):
        return fan, order
    better = p_fan >= 1.0 - STOP_PART * side.risk or (p_fan > view.p_all + FAN_GAIN and p_fan > LATE)
    if there and abs(log_fan) > FAN_LEAST and better and (fan := _fan(side, log_fan, "level")):
        return fan, order
    if _nothing_left(seen, view):
        return Step("done", "nothing left to turn", values={"p_all": view.p_all}), order
    order[_often_read(case) >= MOST_ALIKE] = -1.0
    if order.max() < 0.0:
        return Step("done", "readings tell no more", values={"p_all": view.p_all}), order
    return Step("measure", "least likely inside", names[int(order.argmax())]), order


def _often_read(case: Posed) -> npt.NDArray[np.int64]:
    """Return how often each terminal was read in its present position, at the fan's present setting."""
    n = len(case.position_now)
    own = case.at.position[np.arange(len(case.at.terminal)), case.at.terminal]
    same = (own == case.position_now[case.at.terminal]) & (case.at.fan == case.fan_now)
    return np.bincount(case.at.terminal[same & (case.at.epoch == case.epoch_now)], minlength=n)


def _inside(side: Side, seen: Picture) -> tuple[Floats, float]:
    """Return how likely each terminal ends inside if its valve stays, and the change of the fan (ln) that suits."""
    found = []
    for one in [0.0] if side.fan == "none" else SHIFTS:
        final = seen.final + one
        p = ((final >= seen.low) & (final <= seen.high)).mean(axis=0)
        found.append((float(np.log(p + 1e-3).sum()), float(one), p))
    _, shift, p = max(found, key=lambda one: one[0])
    return p, shift


def _best_fan(side: Side, seen: Picture) -> tuple[float, float]:
    """Return the change of the fan (ln) that suits the valves as they are best, and the probability of all then."""
    if side.fan == "none":
        return 0.0, 0.0
    middle = float(np.median(seen.log_aim - seen.log_now))
    common = np.random.default_rng(1).standard_normal((len(seen.now), 1))
    found = []
    for one in middle + np.linspace(-0.06, 0.06, 25):
        if side.fan_least <= side.fan_ratio * math.exp(one) <= side.fan_most:
            off = common * math.hypot(U_FAN_GAIN * one, U_FAN_WALK * math.sqrt(abs(one)))
            found.append((all_within(seen.now + one + off, seen), -abs(one - middle), float(one)))
    if not found:
        return 0.0, 0.0
    p, _, one = max(found)
    return one, p


def _fan(side: Side, log_change: float, why: str) -> Step | None:
    """Return the step to the fan, None where it cannot go there."""
    ratio = min(max(side.fan_ratio * math.exp(log_change), side.fan_least), side.fan_most)
    if side.fan == "none" or not 0.005 < abs(math.log(ratio / side.fan_ratio)) <= FAN_FURTHEST:
        return None
    return Step("fan", why, ratio=ratio)


def _worth(seen: Picture, view: Outlook, log_fan: float, p_fan: float) -> Floats:
    """Return what a visit to each terminal is worth: late, the probability of all after it."""
    if max(view.p_all, p_fan) <= LATE:
        return np.asarray(1.0 - view.inside)
    shift = log_fan if p_fan > view.p_all else 0.0
    score = others_inside(seen, shift)
    # A valve that can do no more only tells, it does not set.
    blocked = np.where(seen.log_now + shift < seen.log_aim, ~view.up, ~view.down)
    return np.asarray(np.where(blocked, TELLS * score + (1.0 - TELLS) * max(view.p_all, p_fan), score))


def _nothing_left(seen: Picture, view: Outlook) -> bool:
    """Return whether all that end outside, all others set as planned, are known well and their valves do no more."""
    final = seen.final.mean(axis=0) + view.shift
    low, high = final < seen.low, final > seen.high
    blocked = (low & ~view.up) | (high & ~view.down)
    return bool((low | high).any() and (blocked | ~(low | high)).all() and (seen.u_now[low | high] < SETTLED).all())


def _closed(side: Side, case: Posed, seen: Picture, k: int) -> bool:
    """Return whether a terminal was read after all was set: a plain reading, and nothing changed since."""
    return bool(seen.swing[k] <= READ_SWING and not side.readings[int(case.newest[k])].after_turn)


def _expected(side: Side, case: Posed, seen: Picture, view: Outlook) -> int:
    """Return how many more climbs are to be expected: to read, to set, to make sure."""
    unread = int((case.newest < 0).sum())
    n = len(side.terminals)
    to_set = float((1.0 - view.inside).sum()) if not unread else 0.8 * n
    sure = POLISH * n if view.p_all < LATE else 1.0 - view.p_all
    closing = sum(not _closed(side, case, seen, k) for k in range(n)) if side.closing else 0
    return max(1, math.ceil(unread + max(to_set + sure, closing)))
