"""Where every terminal stands: its flow now, and two verdicts, on proportion and on level.

Proportion compares what the meter would show with the limits: the error that all its readings share cancels, and valves
can do something about the rest. Level is the flow in m3/h against the design, with that common error in it: no climb
makes it smaller, only a better calibration.

References: verdicts as in `dwelling.verdict` (JCGM 106:2012, 8.3.3, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.fit import U_MODEL_NATURAL_REL
from hoodtrace.balancing.picture import Picture
from hoodtrace.dwelling.verdict import Verdict, conformance, judged, limits_m3h

K_95 = 1.96
"""Half of the 95 % interval of a normal distribution, in standard uncertainties."""
READ_SWING = 0.02
"""A flow that has changed by less than this (ln) since it was read in this position counts as read."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A terminal now, no hood on [m3/h]; `u_now_m3h` with the meter's common part, `u_own_m3h` without.

    `p_inside` is the probability that its proportion is right, `from_` whether the flow was read or is predicted.
    """

    id: str
    design_m3h: float
    now_m3h: float
    u_now_m3h: float
    u_own_m3h: float
    ratio: float
    p_inside: float
    proportion: Verdict
    level: Verdict
    from_: Literal["read", "predicted"]


@dataclass(frozen=True, slots=True)
class Level:
    """Whether the meter's common error alone forbids `within`, and the common uncertainty that would be needed."""

    u_common_rel: float
    forbids: bool
    needed_rel: float


def standings(side: Side, seen: Picture) -> tuple[Standing, ...]:
    """Return where each terminal stands, in the order of the plan."""
    u_common = common(side)
    # What drives a natural system is another in a minute: that is in its flow now, and no reading takes it away.
    weather = U_MODEL_NATURAL_REL if side.fan == "none" else 0.0
    own_meter = {reading.terminal: reading.u_common_rel for reading in side.readings}
    found = []
    for k, terminal in enumerate(side.terminals):
        now, own = math.exp(seen.log_now[k]), float(seen.u_now[k])
        inside = conformance(float(seen.log_now[k]), own, None, float(seen.low[k]), float(seen.high[k]))
        low, high = limits_m3h(terminal.design_m3h, terminal.limit, side.tolerance_rel)
        u = math.hypot(own, own_meter.get(terminal.id, u_common), weather) * now
        found.append(
            Standing(
                terminal.id,
                terminal.design_m3h,
                now,
                u,
                own * now,
                now / terminal.design_m3h,
                inside,
                judged(float(seen.log_now[k]), own, None, float(seen.low[k]), float(seen.high[k]), side.risk),
                judged(now, u, None, low, high, side.risk),
                "read" if seen.swing[k] <= READ_SWING else "predicted",
            )
        )
    return tuple(found)


def common(side: Side) -> float:
    """Return the common relative uncertainty of the readings, the largest where they differ; 0 without readings."""
    return max((reading.u_common_rel for reading in side.readings), default=0.0)


def level(side: Side) -> Level:
    """Return what the meter's common error alone allows to be said about m3/h.

    Examples
    --------
    Ten per cent at 5 % risk need 10 / 1.96 = 5.1 %:

    >>> from hoodtrace.balancing.case import FlowRead, Wanted
    >>> side = Side((Wanted("S1", 40.0),), (FlowRead("S1", 40.0, u_common_rel=0.06),))
    >>> said = level(side)
    >>> said.forbids, round(said.needed_rel, 4)
    (True, 0.051)
    """
    from scipy.special import ndtri

    needed = side.tolerance_rel / float(ndtri(1.0 - side.risk / 2.0))
    u_common = common(side)
    # One-sided limits can be met with any uncertainty by going far enough: only "around" is forbidden.
    around = any(terminal.limit == "around" for terminal in side.terminals)
    return Level(u_common, around and u_common > needed, needed)


def verdict_of_all(p_all: float, risk: float) -> Verdict:
    """Return the verdict on the side as a whole from the probability that all are inside."""
    return "within" if p_all >= 1.0 - risk else "outside" if p_all <= risk else "undecided"
