"""The verdict on one flow against its design: within, outside or undecided, by the plan's accepted risk.

A flow is within where the probability that the true value lies inside the limits is at least 1 - risk, outside where
the probability that it lies beyond one of them is that large, else undecided. "around" allows the plan's tolerance on
both sides; "at least" and "at most" take the design flow itself as the limit.

References: JCGM 106:2012, 7.2 to 7.4 (conformance probability of a normal or scaled and shifted t distribution) and
8.3.2 and 8.3.3 (guarded acceptance and rejection); clauses from memory. Both-sided decision with "undecided" between:
the idea of ISO 14253-1:2017 (seen in a secondary source).
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import TYPE_CHECKING, Literal

from hoodtrace.dwelling.window import OTHER_WAY

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Limit, Rule, Terminal

Verdict = Literal["within", "outside", "undecided"]


def limits_m3h(design_m3h: float, limit: Limit, tolerance_rel: float) -> tuple[float, float]:
    """Return the lowest and the highest flow that is right [m3/h]; infinite where there is no limit.

    Examples
    --------
    >>> limits_m3h(60.0, "around", 0.1), limits_m3h(54.0, "at least", 0.1)
    ((54.0, 66.0), (54.0, inf))
    """
    if limit == "around":
        return design_m3h * (1.0 - tolerance_rel), design_m3h * (1.0 + tolerance_rel)
    return (design_m3h, math.inf) if limit == "at least" else (-math.inf, design_m3h)


def conformance(flow: float, u: float, dof: float | None, low: float, high: float) -> float:
    """Return the probability that the true value lies between `low` and `high`; all in one unit.

    Parameters
    ----------
    flow, u : float
        The estimate and its standard uncertainty, u >= 0.
    dof : float or None
        Degrees of freedom; None: infinite.
    low, high : float
        Limits, infinite where there is none.

    References
    ----------
    JCGM 106:2012, 7.3.3 and 7.4: the three examples below (inputs from memory, results worked out with the normal
    distribution).

    Examples
    --------
    >>> round(conformance(509.7, 8.6, None, 490.0, math.inf), 10)
    0.9890095474
    >>> round(conformance(13.6, 1.8, None, 12.5, 16.3), 10)
    0.6626297865
    >>> round(conformance(-5.47, 0.05, None, -math.inf, -5.40), 10)
    0.9192433408
    """
    from scipy.special import ndtr, stdtr

    if u == 0.0:
        return 1.0 if low <= flow <= high else 0.0

    def below(limit: float) -> float:
        x = (limit - flow) / u
        return float(ndtr(x) if dof is None else stdtr(dof, x))

    return below(high) - below(low)


def verdict(
    flow_m3h: float, u_m3h: float, dof: float | None, design_m3h: float | None, limit: Limit, rule: Rule
) -> Verdict | None:
    """Return the verdict on a flow [m3/h]; None where the plan has no design flow.

    Examples
    --------
    >>> from hoodtrace.dwelling.plan import Rule
    >>> [verdict(flow, 2.5, None, 54.0, "at least", Rule()) for flow in (58.2, 58.0, 49.8)]
    ['within', 'undecided', 'outside']
    >>> verdict(60.0, 240.0, None, 60.0, "around", Rule())
    'undecided'
    """
    if design_m3h is None:
        return None
    return judged(flow_m3h, u_m3h, dof, *limits_m3h(design_m3h, limit, rule.tolerance_rel), rule.risk)


def verdict_on(
    terminal: Terminal,
    setting: str,
    rule: Rule,
    flow_m3h: float,
    u_m3h: float,
    dof: float | None,
    flags: Collection[str],
) -> Verdict | None:
    """Return the verdict on a reading of a terminal at a fan setting [m3/h].

    None where the plan has no design flow for it, or where the air goes against the plan's direction (`flags`).
    """
    if OTHER_WAY in flags:
        return None
    return verdict(flow_m3h, u_m3h, dof, terminal.design(setting), terminal.limit, rule)


def judged(value: float, u: float, dof: float | None, low: float, high: float, risk: float) -> Verdict:
    """Return the verdict on a value between two limits, all in one unit; see `conformance`.

    Examples
    --------
    >>> [judged(value, 1.0, None, 0.0, 10.0, 0.05) for value in (5.0, 9.0, 12.0)]
    ['within', 'undecided', 'outside']
    """
    if conformance(value, u, dof, low, high) >= 1.0 - risk:
        return "within"
    # Beyond one limit, not merely not inside: with a wide interval most lies outside on both sides, which says nothing.
    beyond = conformance(value, u, dof, -math.inf, low), conformance(value, u, dof, high, math.inf)
    return "outside" if max(beyond) >= 1.0 - risk else "undecided"
