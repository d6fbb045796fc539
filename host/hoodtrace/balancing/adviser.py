"""The next climb: from all readings of a side so far, what to do now and why, with every terminal predicted.

`advise` fits the network, predicts, and gives one step. It scans first, but already turns a valve while scanning where
its final position is likely enough; then it goes where the flow is least likely to end inside the limits. It stops when
the probability that all are inside is at least 1 - risk. The meter's common error is not in that (it cancels between
terminals, and no climb removes it): the level has a verdict of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.as_found import Found, as_found
from hoodtrace.balancing.case import FanKind, Side, checked, n_climbs
from hoodtrace.balancing.evidence import Evidence, gathered
from hoodtrace.balancing.fit import Fitted, Posed, fits
from hoodtrace.balancing.outlook import LATE, STOP_PART, Outlook, outlook, way_of
from hoodtrace.balancing.picture import Picture, picture
from hoodtrace.balancing.standing import READ_SWING, Level, Standing, level, standings, verdict_of_all
from hoodtrace.balancing.step import Step
from hoodtrace.balancing.turning import turn, turned_here
from hoodtrace.balancing.worth import often_read, read_bare, told, worth, worth_a_climb, worth_again
from hoodtrace.dwelling.verdict import Verdict

Floats = npt.NDArray[np.float64]

FAN_WORTH = 0.04
"""A change of the fan (ln) that is worth going there."""
FAN_LEAST = 0.015
FAN_GAIN = 0.005
"""What a change of the fan must add to the probability of all, for each that came before: no chasing of the noise."""
FANS = 6
"""Changes of the fan after which one must be worth more than the first."""
FAN_FURTHEST = math.log(2.0)
"""A fan is changed by no more at once, and goes faster by more only where a valve is known to be open."""
BARE_TELLS = 0.01
"""What a reading with no hood on must add to the probability that all are inside."""
MOST_BARE = 3
"""Readings of one terminal with no hood on and its valve as it is."""
MOST_ALIKE = 6
"""Readings of one terminal with nothing changed; more of them tell no more (what is left is the hood's resistance)."""
SETTLED = 0.05
"""A terminal known to this (relative) whose valve can do no more is left."""
POLISH = 0.3
"""Climbs a terminal beyond those that the present picture asks for, from simulated dwellings."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next on one side, and where everything stands.

    `p_all` is the probability that all terminals are inside (proportion), `verdict` that of the side; `settles` the
    terminal whose reading would settle an undecided side; `fan` the kind taken, `p_fan` its probability; `found` what
    was there when the visit began.
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
    found: tuple[Found, ...] = ()


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
    evidence = gathered(side, case, fit, seen)
    view = outlook(side, case, seen, evidence)
    step, order = _step(side, case, fit, seen, view, evidence)
    stand = standings(side, seen)
    names = [terminal.id for terminal in side.terminals]
    verdict = verdict_of_all(view.p_done, side.risk)
    settles = names[int(order.argmax())] if verdict == "undecided" else ""
    climbs = n_climbs(side.readings)
    return Advice(
        step,
        stand,
        level(side),
        evidence,
        view.p_done,
        verdict,
        settles,
        climbs,
        0 if step.do == "done" else _expected(side, case, seen, view),
        fit.fan,
        p_fan,
        as_found(side, case, fit),
    )


def _step(
    side: Side, case: Posed, fit: Fitted, seen: Picture, view: Outlook, evidence: tuple[Evidence, ...]
) -> tuple[Step, Floats]:
    """Return the next step, and what a visit to each terminal is worth."""
    names = [terminal.id for terminal in side.terminals]
    last = side.readings[-1] if side.readings else None
    there = last is not None and (last.fan_ratio, last.epoch) == (side.fan_ratio, side.epoch)
    log_fan, p_fan = view.log_fan, view.p_fan
    order = worth(seen, view)
    if last is not None and there:
        here = names.index(last.terminal)
        if not last.after_turn and (view.p_all > LATE or not turned_here(side)):
            turned = turn(side, case, fit, seen, view, here)
            if turned is not None:
                return turned, order
        if worth_again(side, case, seen, view, here) and not _all_barred(side, seen, view):
            return Step("measure", "again here", names[here]), order
        if len(names) > 1:
            order[here] = -1.0
    unread = np.flatnonzero(case.newest < 0)
    if len(unread):
        return Step("measure", "not read yet", names[unread[0]]), order
    assert last is not None
    if last.epoch != side.epoch:
        return Step("measure", "the house changed", names[int(seen.u_now.argmin())]), order
    again = [one.terminal for one in evidence if one.kind == "contradicts" and not one.values["read_again"]]
    if again:
        return Step("measure", "contradicts", again[0]), order
    if view.enough:
        left = [k for k in range(len(names)) if not _closed(side, case, seen, k)]
        if side.closing and left:
            return Step("measure", "closing round", names[left[0]]), order
        return Step("done", _within(seen), values={"p_all": view.p_done}), order
    to_plan = float(np.log(seen.plan.fan[0])) - seen.log_fan + view.shift
    n_fans = _n_fan_changes(side)
    if (
        there
        and view.p_all <= LATE
        and abs(to_plan) > FAN_WORTH * max(1, n_fans / FANS)
        and (fan := _fan(side, case, to_plan, "to plan"))
    ):
        return fan, order
    better = p_fan >= 1.0 - STOP_PART * side.risk or (p_fan > view.p_all + FAN_GAIN * max(1, n_fans) and p_fan > LATE)
    if there and abs(log_fan) > FAN_LEAST and better and (fan := _fan(side, case, log_fan, "level")):
        return fan, order
    if _nothing_left(seen, view) or _all_barred(side, seen, view):
        return Step("done", "nothing left to turn", values={"p_all": view.p_done}), order
    order[often_read(case) >= MOST_ALIKE] = -1.0
    order[~worth_a_climb(seen, view)] = -1.0
    if order.max() < 0.0 and not there:
        return Step("measure", "least likely inside", names[int(view.inside.argmin())]), order
    if order.max() < 0.0:
        if side.can_restrict and side.hood_pa_m3h2 > 0.0:
            bare = told(seen, seen.after_bare)
            bare[(read_bare(case) >= MOST_BARE) | (often_read(case) >= MOST_ALIKE + MOST_BARE)] = 0.0
            if bare.max() >= BARE_TELLS:
                return Step("measure", "no hood", names[int(bare.argmax())]), order
        ends = {"within": _within(seen), "outside": "nothing brings all within", "undecided": "readings tell no more"}
        why = ends[verdict_of_all(view.p_done, side.risk)]
        return Step("done", why, values={"p_all": view.p_done}), order
    return Step("measure", "least likely inside", names[int(order.argmax())]), order


def _within(seen: Picture) -> str:
    return "all within" if seen.log_level >= 0.0 else "below design"


def _fan(side: Side, case: Posed, log_change: float, why: str) -> Step | None:
    """Return the step to the fan, None where it cannot go there or valves that may be shut should be opened first."""
    one_is_open = bool((case.open_at == case.position_now).any())
    if side.fan == "none" or ("", way_of(log_change)) in side.barred or (log_change > FAN_FURTHEST and not one_is_open):
        return None
    at_once = min(max(log_change, -FAN_FURTHEST), FAN_FURTHEST)
    ratio = min(max(side.fan_ratio * math.exp(at_once), side.fan_least), side.fan_most)
    return Step("fan", why, ratio=ratio) if abs(math.log(ratio / side.fan_ratio)) > 0.005 else None


def _nothing_left(seen: Picture, view: Outlook) -> bool:
    """Return whether all that end outside, all others set as planned, are known well and their valves do no more."""
    final = seen.final.mean(axis=0) + view.shift
    outside, blocked = _outside(final, seen, view)
    return blocked and bool((seen.u_now[outside] < SETTLED).all())


def _all_barred(side: Side, seen: Picture, view: Outlook) -> bool:
    """Return whether nothing may be done for any terminal that is outside now, neither at its valve nor by the fan."""
    _, blocked = _outside(seen.log_now, seen, view)
    wanted = float(np.median(seen.log_aim - seen.log_now))
    fan_stays = side.fan == "none" or ("", way_of(wanted)) in side.barred
    return bool(side.barred) and fan_stays and blocked


def _outside(log_flow: Floats, seen: Picture, view: Outlook) -> tuple[npt.NDArray[np.bool_], bool]:
    """Return which flows lie outside, and whether there are any and no valve of theirs can or may set them right."""
    low, high = log_flow < seen.low, log_flow > seen.high
    helped = (low & view.up) | (high & view.down)
    return low | high, bool((low | high).any() and not helped.any())


def _n_fan_changes(side: Side) -> int:
    ratios = [reading.fan_ratio for reading in side.readings]
    return sum(a != b for a, b in pairwise(ratios))


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
