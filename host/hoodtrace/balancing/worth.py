"""What a visit is worth: to turn the valve there, or to be told more by a reading.

A reading is worth by how much more likely all would be inside after it if it brought no news: it makes their flows
better known, and cannot do more than the picture leaves open. What readings with the hood on leave open is what the
hood takes away; only one with no hood on tells that.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.fit import Posed
from hoodtrace.balancing.outlook import LATE, Outlook
from hoodtrace.balancing.picture import Picture
from hoodtrace.dwelling.verdict import conformance

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LATE_GAIN = 0.005
"""What a turn must add to the probability that all are inside."""
TELLS = 0.5
"""What a visit to a valve that cannot be turned the right way is worth, against one that can."""
AT_ONCE = 2
"""Readings in a row at one valve that stays as it is, the hood put on anew: no climb, and each tells something new."""
AGAIN_PART = 0.15
"""A terminal known better than this part of the tolerance is not read again on the spot."""
WORTH_AGAIN = 0.9
"""A reading that leaves more of a terminal's uncertainty tells nothing new there."""
TELLS_LEAST = 0.003
"""A reading that adds less to the probability that all are inside is not worth a climb."""


def worth(seen: Picture, view: Outlook) -> Floats:
    """Return what a visit to each terminal is worth: late, the probability of all after it."""
    best = max(view.p_all, view.p_fan)
    if best <= LATE:
        return np.asarray(1.0 - view.inside)
    # A valve that can do no more only tells, it does not set.
    blocked = np.where(seen.log_now + view.then < seen.log_aim, ~view.up, ~view.down)
    return np.asarray(np.where(blocked, TELLS * view.others + (1.0 - TELLS) * best, view.others))


def worth_a_climb(seen: Picture, view: Outlook) -> Bools:
    """Return which terminals are worth going to: to turn, or to be told more; early all are."""
    best = max(view.p_all, view.p_fan)
    if best <= LATE:
        return np.ones(len(seen.log_now), dtype=bool)
    up = seen.log_now + view.then < seen.log_aim
    turns = (view.others >= best + LATE_GAIN) & np.where(up, view.up, view.down)
    return np.asarray(turns | (told(seen, seen.after) >= TELLS_LEAST))


def worth_again(side: Side, case: Posed, seen: Picture, view: Outlook, here: int) -> bool:
    """Return whether to read once more where somebody stands: seated anew it tells something, and costs no climb."""
    if view.enough or (case.newest < 0).any():
        return False
    unsure = seen.u_now[here] > AGAIN_PART * side.tolerance_rel
    return bool(unsure and _in_a_row(side, case) < AT_ONCE and seen.after[here, here] < WORTH_AGAIN * seen.u_now[here])


def told(seen: Picture, after: Floats) -> Floats:
    """Return by how much more likely all are inside after one more reading at each terminal if it brings no news."""
    inside = np.array([_all_inside(seen, u) for u in after])
    return inside - _all_inside(seen, seen.u_now)


def _all_inside(seen: Picture, u: Floats) -> float:
    ends = zip(seen.log_now.tolist(), u.tolist(), seen.low.tolist(), seen.high.tolist(), strict=True)
    return math.prod(conformance(log_now, one, None, low, high) for log_now, one, low, high in ends)


def _in_a_row(side: Side, case: Posed) -> int:
    """Return how many readings were taken in a row just now with the same valve position."""
    n = 0
    for k in range(len(side.readings) - 1, -1, -1):
        same = (case.at.terminal[k] == case.at.terminal[-1]) and (case.at.fan[k] == case.at.fan[-1])
        if not same or (case.at.position[k] != case.at.position[-1]).any():
            break
        n += 1
    return n


def often_read(case: Posed) -> Ints:
    """Return how often each terminal was read in its present position, at the fan's present setting."""
    return _counted(case, (case.at.fan == case.fan_now) & (case.at.epoch == case.epoch_now))


def read_bare(case: Posed) -> Ints:
    """Return how often each terminal was read with no hood on in its present position."""
    return _counted(case, case.at.hood_pa_m3h2 == 0.0)


def _counted(case: Posed, which: Bools) -> Ints:
    """Return how many of those readings each terminal has in its present position."""
    own = case.at.position[np.arange(len(case.at.terminal)), case.at.terminal]
    as_now = own == case.position_now[case.at.terminal]
    return np.bincount(case.at.terminal[as_now & which], minlength=len(case.position_now))
