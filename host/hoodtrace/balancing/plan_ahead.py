"""Where balancing ends: the least-throttled valves and the slowest fan that give every terminal its flow.

The terminal that needs the highest pressure with its valve open is the index: it stays open. Works on many draws of the
unknowns at once, so that what is not known yet shows in the spread of the plans.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Ahead:
    """A plan for each draw (n,): index terminal, P*, the fan's factor and the valves' conductances (n, n_terminals).

    `level` is the part of the design that every terminal gets: 1, or less where the fan cannot give more.
    """

    index: Ints
    pressure: Floats
    fan: Floats
    c: Floats
    level: Floats


def least_throttled(
    aim_m3h: Floats,
    c_open: Floats,
    b: Floats,
    c_total_begin: Floats,
    r: Floats,
    group: Ints,
    fan_least: float = 0.0,
    fan_most: float = np.inf,
) -> Ahead:
    """Return the plan for `aim_m3h` (n_terminals,).

    Parameters
    ----------
    aim_m3h : (n_terminals,)
        Flows to reach.
    c_open : (n, n_terminals)
        Conductance of each valve when open.
    b, c_total_begin : (n,)
        The fan's slope and the conductance that it refers to.
    r : (n, n_groups)
        Resistance of each group, 0 where there is none.
    group : (n_terminals,)
        Each terminal's group.
    fan_least, fan_most : float
        Limits of the fan's factor.

    References
    ----------
    Own derivation: drop = r (sum of the group's flows)^2, P* = max((q / c_open)^2 + drop); the fan gives P* at
    C* = sum q / sqrt(P*). A fan that cannot reach it gives level = fan_most / fan of the design, in proportion.

    Examples
    --------
    >>> aim, found = np.array([40.0, 30, 30, 25]), np.array([[48.0, 36, 30, 22]])
    >>> one = least_throttled(aim, found, np.array([1.5]), found.sum(axis=1), np.zeros((1, 4)), np.arange(4))
    >>> int(one.index[0]) + 1, one.c[0].round(1).tolist(), round(float(one.pressure[0]), 5), round(float(one.fan[0]), 5)
    (4, [35.2, 26.4, 26.4, 22.0], 1.29132, 1.01163)
    """
    in_group = np.bincount(group, aim_m3h, minlength=r.shape[1])
    drop = (r * in_group**2)[:, group]
    needed = (aim_m3h / c_open) ** 2 + drop
    index = needed.argmax(axis=1)
    pressure = needed.max(axis=1)
    at_total = b * (aim_m3h.sum() / c_total_begin) ** 2
    fan = np.sqrt((pressure + at_total) / (1.0 + b))
    level = np.minimum(1.0, fan_most / fan)
    slow = fan < fan_least
    # A fan that cannot go so slow leaves more pressure, which every valve then takes away.
    pressure = np.where(slow, fan_least**2 * (1.0 + b) - at_total, pressure)
    c = aim_m3h / np.sqrt(pressure[:, None] - drop)
    return Ahead(index, pressure, np.clip(fan, fan_least, fan_most), c, level)
