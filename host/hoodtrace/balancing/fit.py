"""All readings so far put into one estimate of the network, with its covariance.

`posed` turns a side into unknowns, priors and moments; `fitted` finds the most probable unknowns by Gauss-Newton with
weights as of Student's t, so that one wild reading pulls little. The common part of the meter's error is in all flows
alike and cancels here: conductances are in units of what the meter shows.

Priors (mean and standard deviation of the logarithm): fan slope 1.5, 0.8 (constant flow 200, 0.7; none 0.2, 1); level
0, 0.6 in common and 0.45 each; manifold 40 Pa, 0.5, half of it where all valves were open (none 4 Pa, 0.8); branch
share 0.35, 0.9; a fan setting its ratio, 0.15 ln ratio in common and 0.04 sqrt |ln ratio| as a walk; an epoch the one
before, 0.1; a turned valve what was read there, 0.7. Own choice from simulated dwellings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from hoodtrace.balancing.case import FanKind, Side
from hoodtrace.balancing.network import Layout, Moments, log_flows

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
T = TypeVar("T")

U_MODEL_REL = 0.007
"""What the model itself may be off by at a reading taken with all as it is now."""
U_FAN_FAR_REL, U_FAR_REL = 0.05, 0.25
"""And these parts of what has changed at its valve since (logarithm of the flow): by the fan, by the other valves."""
U_MODEL_MOST_REL = 0.06
U_MODEL_NATURAL_REL = 0.08
"""The same where stack and wind drive the air, which change from reading to reading."""
U_DRIVE = 0.4
"""Of the logarithm of the pressure at the manifold where a stack is known: wind comes on top of it (own choice)."""
STUDENT_DOF = 6.0
U_FAN_GAIN, U_FAN_WALK = 0.15, 0.04
"""A fan setting: what all are off by in proportion to ln ratio, and what grows with the root of each change (ln)."""
U_EPOCH = 0.1
"""What an event in the house may change (ln), on top of those before it."""
Prior = Mapping[FanKind, tuple[float, float]]
FAN_SLOPE: Prior = {
    "fixed-speed": (1.5, 0.8),
    "constant-flow": (200.0, 0.7),
    "none": (0.2, 1.0),
}
MANIFOLD_PA: Prior = {
    "fixed-speed": (40.0, 0.5),
    "constant-flow": (40.0, 0.5),
    "none": (4.0, 0.8),
}
OPEN_MANIFOLD = 0.5
"""What valves that are all open leave of the pressure at the manifold."""
FANS_BEFORE: Mapping[FanKind, float] = {"fixed-speed": 0.7, "constant-flow": 0.3}
"""How likely each kind is where the plan does not say."""


@dataclass(frozen=True, slots=True)
class Posed:
    """A side as unknowns: priors, what was read (logarithms and own variances), and how things stand now.

    `open_at` (n_terminals,) is the position in which a valve is known to be open, -1 where it is not known; `shut_at`
    likewise; `newest` the newest reading of each terminal, -1 where there is none.
    """

    layout: Layout
    mean: Floats
    precision: Floats
    at: Moments
    log_read: Floats
    u_read: Floats
    position_now: Ints
    open_at: Ints
    shut_at: Ints
    newest: Ints
    fan_now: int
    epoch_now: int


@dataclass(frozen=True, slots=True)
class Fitted:
    """The most probable unknowns (n,), their covariance (n, n), residuals over their sd and Student weights (n_read,).

    `u_model` (n_read,) is what the model may be off by at each reading (relative).
    `fan` is the kind that it holds for, `log_evidence` how well that kind explains the readings.
    """

    theta: Floats
    cov: Floats
    z: Floats
    weight: Floats
    u_model: Floats
    fan: FanKind
    log_evidence: float


def posed(side: Side, fan: FanKind) -> Posed:
    """Return the unknowns of a side whose fan is of one kind (not "unknown")."""
    names = {terminal.id: k for k, terminal in enumerate(side.terminals)}
    n = len(names)
    group, n_branches = groups(side)
    position, positions = np.arange(n), n
    open_at = np.arange(n) if side.valves == "open" else np.full(n, -1)
    fans, epochs = [1.0], [0]
    shut_at, newest = np.full(n, -1), np.full(n, -1)
    where: list[Ints] = []
    turned: list[float] = []
    which: list[tuple[int, int, int]] = []
    for number, reading in enumerate(side.readings):
        k = names[reading.terminal]
        if reading.after_turn:
            position = position.copy()
            if reading.at_stop == "open" and open_at[k] >= 0:
                position[k] = open_at[k]
            else:
                position[k] = positions
                positions += 1
                turned.append(np.log(reading.flow_m3h))
        if reading.at_stop == "open":
            open_at[k] = position[k]
        if reading.at_stop == "shut":
            shut_at[k] = position[k]
        newest[k] = number
        where.append(position)
        which.append((k, _place(fans, reading.fan_ratio), _place(epochs, reading.epoch)))
    fan_now, epoch_now = _place(fans, side.fan_ratio), _place(epochs, side.epoch)
    layout = Layout(group, n_branches, len(fans), len(epochs), positions)
    mean, cov = np.zeros(layout.size), np.zeros((layout.size, layout.size))

    def prior(start: int, middle: Floats | float, sd: Floats | float, count: int) -> None:
        mean[start : start + count] = middle
        cov[range(start, start + count), range(start, start + count)] = np.square(sd)

    slope, (manifold_pa, u_manifold) = FAN_SLOPE[fan], _manifold(side, fan)
    prior(0, np.log(slope[0]), slope[1], 1)
    prior(1, np.log(manifold_pa), np.hypot(u_manifold, side.u_hood_rel), 1)
    prior(2, np.log(0.35), 0.9, n_branches)
    log_ratio = np.log(np.array(fans))
    prior(layout.fan0, log_ratio, 1e-4, len(fans))
    size, of_fans = abs(log_ratio), slice(layout.fan0, layout.epoch0)
    apart = abs(log_ratio[:, None] - log_ratio)
    cov[of_fans, of_fans] += U_FAN_GAIN**2 * np.outer(log_ratio, log_ratio)
    cov[of_fans, of_fans] += U_FAN_WALK**2 * 0.5 * (size[:, None] + size - apart)
    prior(layout.epoch0, 0.0, 1e-5, len(epochs))
    since, of_epochs = np.arange(len(epochs)), slice(layout.epoch0, layout.valve0)
    cov[of_epochs, of_epochs] += U_EPOCH**2 * np.minimum(since[:, None], since)
    design = np.array([terminal.design_m3h for terminal in side.terminals])
    prior(layout.valve0, np.log(design), 0.45, n)
    cov[layout.valve0 : layout.valve0 + n, layout.valve0 : layout.valve0 + n] += 0.6**2
    prior(layout.valve0 + n, np.array(turned), 0.7, len(turned))

    terminal, by_fan, by_epoch = np.array(which, dtype=np.int64).reshape(-1, 3).T
    hood = side.hood_pa_m3h2 * np.array([reading.hood_times for reading in side.readings], dtype=np.float64)
    at = Moments(terminal, np.array(where, dtype=np.int64).reshape(-1, n), by_fan, by_epoch, hood)
    log_read = np.log(np.array([reading.flow_m3h for reading in side.readings]))
    u_read = np.array([reading.u_own_rel for reading in side.readings])
    precision = np.asarray(np.linalg.inv(cov), dtype=np.float64)
    return Posed(layout, mean, precision, at, log_read, u_read, position, open_at, shut_at, newest, fan_now, epoch_now)


def _manifold(side: Side, fan: FanKind) -> tuple[float, float]:
    """Return the pressure [Pa] to be expected at the manifold, and the standard deviation of its logarithm."""
    if side.drive_pa is not None:
        return side.drive_pa, U_DRIVE
    pa, u = MANIFOLD_PA[fan]
    return pa * (OPEN_MANIFOLD if side.valves == "open" and fan != "none" else 1.0), u


def u_model_rel(fan: FanKind) -> float:
    """Return what the model may be off by at the next reading (relative)."""
    return U_MODEL_NATURAL_REL if fan == "none" else U_MODEL_REL


def groups(side: Side) -> tuple[Ints, int]:
    """Return each terminal's group, branches of two or more first, and how many those are."""
    of = [terminal.branch for terminal in side.terminals]
    shared = [name for name in dict.fromkeys(of) if name and of.count(name) > 1]
    alone = iter(range(len(shared), len(shared) + len(of)))
    return np.array([shared.index(name) if name in shared else next(alone) for name in of]), len(shared)


def _place(known: list[T], one: T) -> int:
    if one not in known:
        known.append(one)
    return known.index(one)


def fitted(case: Posed, fan: FanKind) -> Fitted:
    """Return the most probable unknowns of `case`.

    Fitted twice: a reading taken when much was different counts less, and how different is known from the first fit.
    """
    least = u_model_rel(fan)
    first = _fitted(case, fan, case.mean, np.full(len(case.u_read), 2.0 * least))
    return _fitted(case, fan, first.theta, np.hypot(least, _far(case, first.theta)))


def _far(case: Posed, theta: Floats) -> Floats:
    """Return what the model may be off by because other valves and the fan were different at a reading."""
    at = case.at
    n = len(at.terminal)
    position = np.tile(case.position_now, (n, 1))
    row = np.arange(n)
    position[row, at.terminal] = at.position[row, at.terminal]
    as_now = Moments(at.terminal, position, np.full(n, case.fan_now), np.full(n, case.epoch_now), at.hood_pa_m3h2)
    change = log_flows(theta, case.layout, as_now)[0] - log_flows(theta, case.layout, at)[0]
    factor = theta[case.layout.fan0 + as_now.fan] + theta[case.layout.epoch0 + as_now.epoch]
    by_fan = factor - theta[case.layout.fan0 + at.fan] - theta[case.layout.epoch0 + at.epoch]
    return np.minimum(U_MODEL_MOST_REL, U_FAR_REL * abs(change - by_fan) + U_FAN_FAR_REL * abs(by_fan))


def _fitted(case: Posed, fan: FanKind, theta: Floats, u_model: Floats) -> Fitted:
    var = case.u_read**2 + u_model**2
    weight = np.ones_like(var)
    hessian = case.precision
    for _ in range(30):
        log_q, slope = log_flows(theta, case.layout, case.at)
        left = case.log_read - log_q
        weight = (STUDENT_DOF + 1.0) / (STUDENT_DOF + left**2 / var)
        by = slope.T * (weight / var)
        hessian = case.precision + by @ slope
        step = np.linalg.solve(hessian, by @ left - case.precision @ (theta - case.mean))
        theta = theta + step / max(1.0, float(abs(step).max()))
        if abs(step).max() < 1e-5:
            break
    log_q, _ = log_flows(theta, case.layout, case.at)
    z = (case.log_read - log_q) / np.sqrt(var)
    off = theta - case.mean
    fits = (STUDENT_DOF + 1.0) * np.log1p(z**2 / STUDENT_DOF).sum() + off @ case.precision @ off
    size = np.linalg.slogdet(hessian)[1] - np.linalg.slogdet(case.precision)[1]
    return Fitted(
        theta,
        np.asarray(np.linalg.inv(hessian), dtype=np.float64),
        z,
        weight,
        u_model,
        fan,
        float(-0.5 * (fits + size)),
    )


def fits(side: Side) -> list[tuple[float, Posed, Fitted]]:
    """Return the fit for each kind of fan that it may be, with its probability, the most probable first."""
    kinds: Mapping[FanKind, float] = FANS_BEFORE if side.fan == "unknown" else {side.fan: 1.0}
    found = []
    for kind, before in kinds.items():
        case = posed(side, kind)
        one = fitted(case, kind)
        found.append((one.log_evidence + np.log(before), case, one))
    top = max(score for score, _, _ in found)
    total = sum(np.exp(score - top) for score, _, _ in found)
    found.sort(key=lambda one: -one[0])
    return [(float(np.exp(score - top) / total), case, one) for score, case, one in found]
