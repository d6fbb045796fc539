"""What each terminal of a side gave when the visit began: valves, fan and house as found, no hood on.

Not the first readings: when a terminal is first read, valves before it may have been turned already, and the hood took
something away. The model that explains all readings says what was there before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.fit import U_FAR_REL, Fitted, Posed
from hoodtrace.balancing.network import Moments, log_flows
from hoodtrace.balancing.picture import U_HOOD_SHARE_REL, U_PREDICTED_REL
from hoodtrace.balancing.standing import common


@dataclass(frozen=True, slots=True)
class Found:
    """A terminal's flow as found, no hood on [m3/h]; `u_flow_m3h` with the meter's common part, `u_own_m3h` without."""

    id: str
    flow_m3h: float
    u_flow_m3h: float
    u_own_m3h: float


def as_found(side: Side, case: Posed, fit: Fitted) -> tuple[Found, ...]:
    """Return the flows as found of those terminals that were read before their valve was turned, in the plan's order.

    References
    ----------
    The model of `network`, uncertainties as in `picture` (own derivation).
    """
    if not side.readings:
        return ()
    n, each = len(side.terminals), np.arange(len(side.terminals))
    begin = np.zeros(n, np.int64)
    at = Moments(each, np.tile(each, (n, 1)), begin, begin, np.zeros(n))
    log_found, slope = log_flows(fit.theta, case.layout, at)
    log_hooded, _ = log_flows(fit.theta, case.layout, replace(at, hood_pa_m3h2=np.full(n, side.hood_pa_m3h2)))
    log_read, _ = log_flows(fit.theta, case.layout, replace(case.at, hood_pa_m3h2=np.zeros(len(side.readings))))
    u_common, out = common(side), []
    for k, terminal in enumerate(side.terminals):
        untouched = np.flatnonzero((case.at.terminal == k) & (case.at.position[:, k] == k))
        if not len(untouched):
            continue
        apart = float(np.abs(log_found[k] - log_read[untouched]).min())
        u_fit = math.sqrt(float(slope[k] @ fit.cov @ slope[k]))
        u_hood = U_HOOD_SHARE_REL * float(log_found[k] - log_hooded[k])
        own_rel = math.hypot(u_fit, U_PREDICTED_REL, U_FAR_REL * apart, u_hood)
        flow = math.exp(log_found[k])
        out.append(Found(terminal.id, flow, math.hypot(own_rel, u_common) * flow, own_rel * flow))
    return tuple(out)
