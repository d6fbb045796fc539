"""What the readings so far say about a side: flows now, where balancing ends, and how sure that is, as draws.

Draws come from a fixed seed, so the same side gives the same picture to the last digit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.case import USUAL_OWN_REL, Side
from hoodtrace.balancing.fit import U_FAN_FAR_REL, U_FAR_REL, Fitted, Posed, u_model_rel
from hoodtrace.balancing.network import Moments, log_flows
from hoodtrace.balancing.plan_ahead import Ahead, least_throttled
from hoodtrace.dwelling.verdict import limits_m3h

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

N_DRAWS = 1000
SEED = 20
U_PREDICTED_REL = 0.004
"""What the model may be off by at a terminal as it is now, beside what the readings leave open."""
U_HOOD_SHARE_REL = 0.1
"""And of what the hood takes away there: ducts that nobody knows of leave a terminal less pressure than the others."""
OPENS_FURTHER = 0.5
"""Spread of ln(c_open / c) of a valve as found."""
LEVEL_SAID = 0.97
"""A design that can be reached to this part counts as reached."""
AIM_INSIDE = 0.75
"""One-sided limits are aimed at with this part of the tolerance to spare."""


@dataclass(frozen=True, slots=True)
class Picture:
    """Logarithms throughout; per terminal (n,), draws (N_DRAWS, n).

    `log_now`, `u_now` : flow now with no hood on, and its standard uncertainty without the meter's common part.
    `now` : draws of it. `final` : draws of the flow that a terminal ends with if its valve stays as it is, all others
    and the fan are set as planned. `c_now` : draws of ln conductance as it is. `ahead` : the plan of each draw, `plan`
    the most probable one. `log_fan` : the fan's factor now. `low`, `high` : limits of ln(flow), `plan_low`, `plan_high`
    those between which a valve is set (above a least not more than is aimed at as spare). `log_aim` : what is
    aimed at; all of them lie lower by `log_level` where the fan cannot give the design. `swing` : ln change of the flow
    since it was last read, infinite where it never was in this position. `after`, `after_bare` (n, n) : what `u_now` of
    each terminal (column) would be after one more reading at a terminal (row), with the hood on and with none.
    `u_hood` : uncertainty of what the hood takes away there.
    """

    log_now: Floats
    u_now: Floats
    now: Floats
    final: Floats
    c_now: Floats
    ahead: Ahead
    plan: Ahead
    log_fan: float
    low: Floats
    high: Floats
    plan_low: Floats
    plan_high: Floats
    log_aim: Floats
    swing: Floats
    log_level: float
    after: Floats
    after_bare: Floats
    u_hood: Floats


def picture(side: Side, case: Posed, fit: Fitted) -> Picture:
    """Return what `fit` says about `side`."""
    layout = case.layout
    n = len(side.terminals)
    rng = np.random.default_rng(SEED)
    half = rng.standard_normal((N_DRAWS // 2, layout.size))
    off = np.concatenate([half, -half]) @ np.linalg.cholesky(fit.cov).T
    theta = fit.theta + off
    log_fan = float(fit.theta[layout.fan0 + case.fan_now] + fit.theta[layout.epoch0 + case.epoch_now])
    limits = _limits(side)
    aim = limits.aim

    each = np.arange(n)
    still = np.full(n, case.fan_now), np.full(n, case.epoch_now), np.zeros(n)
    at = Moments(each, np.tile(case.position_now, (n, 1)), *still)
    log_now, slope = log_flows(fit.theta, layout, at)
    swing, by_fan = _swing(case, fit, log_now, log_fan)
    log_hooded, slope_hooded = log_flows(fit.theta, layout, replace(at, hood_pa_m3h2=np.full(n, side.hood_pa_m3h2)))
    by_hood, by_slope = log_now - log_hooded, slope - slope_hooded
    u_hood = np.hypot(np.sqrt(np.einsum("ij,jk,ik->i", by_slope, fit.cov, by_slope)), U_HOOD_SHARE_REL * by_hood)
    far = np.where(np.isfinite(swing), U_FAR_REL * abs(swing - by_fan) + U_FAN_FAR_REL * abs(by_fan), 0.0)
    u_model = np.sqrt(U_PREDICTED_REL**2 + far**2 + (U_HOOD_SHARE_REL * by_hood) ** 2)
    u_now = np.sqrt(np.einsum("ij,jk,ik->i", slope, fit.cov, slope) + u_model**2)
    own_half = rng.standard_normal((N_DRAWS // 2, n))
    own = np.concatenate([own_half, -own_half])
    now = log_now + off @ slope.T + own * u_model

    c = theta[:, layout.valve0 :]
    c_now = c[:, case.position_now]
    further = abs(rng.standard_normal((N_DRAWS, n))) * OPENS_FURTHER
    c_open = np.where(case.open_at >= 0, c[:, case.open_at], c_now + further)
    ahead = _ahead(side, case, log_fan, theta, np.exp(aim), c_open)
    best = fit.theta[None, layout.valve0 :]
    c_open = np.where(case.open_at >= 0, best[:, case.open_at], best[:, case.position_now] + 0.67 * OPENS_FURTHER)
    plan = _ahead(side, case, log_fan, fit.theta[None], np.exp(aim), c_open)

    log_level = float(np.log(plan.level[0])) if plan.level[0] < LEVEL_SAID else 0.0

    planned = np.tile(layout.n_positions + each, (n, 1))
    planned[each, each] = case.position_now
    at = Moments(each, planned, *still)
    more = replace(layout, n_positions=layout.n_positions + n)
    log_final, _ = log_flows(np.append(fit.theta, np.log(plan.c[0])), more, at)
    shift = log_final - log_now + np.log(plan.fan[0]) - log_fan
    to_fan = np.log(plan.fan[0]) - log_fan
    final = now + shift + own[::-1] * (U_FAR_REL * abs(shift - to_fan) + U_FAN_FAR_REL * abs(to_fan))
    limits = limits.lower_by(log_level)
    u_own = case.u_read.mean() if len(case.u_read) else USUAL_OWN_REL
    after, after_bare = (
        _after(u_now, slope, one, fit.cov, u_own, u_model_rel(fit.fan)) for one in (slope_hooded, slope)
    )
    return Picture(
        log_now,
        u_now,
        now,
        final,
        c_now,
        ahead,
        plan,
        log_fan,
        limits.low,
        limits.high,
        limits.plan_low,
        limits.plan_high,
        limits.aim,
        abs(swing),
        log_level,
        after,
        after_bare,
        u_hood,
    )


def _after(u_now: Floats, slope: Floats, slope_read: Floats, cov: Floats, u_own: float, u_model: float) -> Floats:
    """Return the uncertainty of each flow (columns) after one more reading at each terminal (rows), to first order."""
    var_read = np.einsum("ij,jk,ik->i", slope_read, cov, slope_read) + u_own**2 + u_model**2
    gain = (slope_read @ cov @ slope.T) ** 2 / var_read[:, None]
    return np.asarray(np.sqrt(np.maximum(u_now**2 - gain, 0.0)))


def _swing(case: Posed, fit: Fitted, log_now: Floats, log_fan: float) -> tuple[Floats, Floats]:
    """Return by how much (ln) each flow has changed since it was last read, in all and by the fan alone."""
    # What the hood took then is no change of the terminal: like is compared with like.
    log_then, _ = log_flows(fit.theta, case.layout, replace(case.at, hood_pa_m3h2=np.zeros(len(case.log_read))))
    swing, by_fan = np.full(len(log_now), np.inf), np.zeros(len(log_now))
    fan_then = fit.theta[case.layout.fan0 + case.at.fan] + fit.theta[case.layout.epoch0 + case.at.epoch]
    for k, newest in enumerate(case.newest):
        if newest >= 0 and case.at.position[newest, k] == case.position_now[k]:
            swing[k] = log_now[k] - log_then[newest]
            by_fan[k] = log_fan - fan_then[newest]
    return swing, by_fan


@dataclass(frozen=True, slots=True)
class _Limits:
    """As in `Picture`; `must` (n,): a least that is a least whatever the fan can give."""

    low: Floats
    high: Floats
    plan_low: Floats
    plan_high: Floats
    aim: Floats
    must: npt.NDArray[np.bool_]

    def lower_by(self, log_level: float) -> _Limits:
        """Return them for a fan that gives less than the design; a least stays."""
        by = np.where(self.must, 0.0, log_level)
        return _Limits(self.low + by, self.high + by, self.plan_low + by, self.plan_high + by, self.aim + by, self.must)


def _limits(side: Side) -> _Limits:
    found = []
    for terminal in side.terminals:
        design = terminal.design_m3h
        bottom, top = limits_m3h(design, terminal.limit, side.tolerance_rel)
        spare = {"around": 0.0, "at least": 1.0, "at most": -1.0}[terminal.limit] * AIM_INSIDE * side.tolerance_rel
        # Beyond a least as much as a valve is aimed above it: what is more is taken from the others, and from the fan.
        aside = design * (1.0 + 2.0 * spare)
        plan = (min(aside, design), max(aside, design)) if spare else (bottom, top)
        found.append((max(bottom, 1e-9), top, max(plan[0], 1e-9), plan[1], design * (1.0 + spare)))
    low, high, plan_low, plan_high, aim = np.log(np.array(found).T)
    return _Limits(low, high, plan_low, plan_high, aim, np.array([t.limit == "at least" for t in side.terminals]))


def _ahead(side: Side, case: Posed, log_fan: float, theta: Floats, aim_m3h: Floats, c_open: Floats) -> Ahead:
    layout = case.layout
    n = len(aim_m3h)
    member = np.zeros((n, layout.n_groups))
    member[np.arange(n), layout.group] = 1.0
    rho = np.zeros((len(theta), layout.n_groups))
    rho[:, : layout.n_branches] = np.exp(theta[:, 2 : layout.fan0])
    in_group = np.exp(theta[:, layout.valve0 : layout.valve0 + n]) @ member
    total = (in_group / np.sqrt(1.0 + rho)).sum(axis=1)
    factor = float(np.exp(log_fan))
    per_ratio = factor / side.fan_ratio
    least, most = (factor, factor) if side.fan == "none" else (side.fan_least * per_ratio, side.fan_most * per_ratio)
    return least_throttled(
        aim_m3h, np.exp(c_open), np.exp(theta[:, 0]), total, rho / in_group**2, layout.group, least, most
    )


def all_within(log_flow: Floats, low: Floats, high: Floats) -> float:
    """Return the part of draws in which every terminal lies between its limits."""
    return float(((log_flow >= low) & (log_flow <= high)).all(axis=1).mean())
