"""What a new placement changes: the standard uncertainty of a placement, from readings of one terminal placed anew.

Only readings that somebody says are repeats count: same terminal, same visit, hood lifted between them. What the air
itself does to each reading is known from its record and is taken off; what is left is the placement. Errors that the
repeats share (k-factor, zero, weather) cancel, for only differences inside a group count. Reads no file, prints
nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.errors import UsageError

FEWEST = 4
"""Placements that a check wants in all: with fewer the 95 % factor is over 4 (own choice)."""
N_QUANTILES = 400
LEAK_RISK = 0.01
"""So rarely are placements that are as good as ever called worse (own choice)."""
_FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Repeats:
    """Readings of one terminal in one visit, the hood placed anew for each.

    `flows_m3_s` with the random standard uncertainty `u_random_m3_s` that the air leaves in each, same length.
    """

    name: str
    flows_m3_s: tuple[float, ...]
    u_random_m3_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """The placement's uncertainty, all relative to the flow.

    `u_rel` and `dof` are for the hood file: Student's t of `dof` times `u_rel` holds what a new placement changes with
    95 %. `estimate_rel` is the standard deviation that fits best, 0 where the air explains all, `low_rel` to `high_rel`
    its 95 % interval. `p_air` is how often the air alone would make placements differ by as much.
    """

    u_rel: float
    dof: float
    estimate_rel: float
    low_rel: float
    high_rel: float
    p_air: float
    n_readings: int
    n_groups: int


def found(groups: Sequence[Repeats]) -> Found:
    """Return the placement's uncertainty from all `groups` together.

    Parameters
    ----------
    groups : sequence of Repeats
        At least one, each of at least two readings with flows over 0.

    Raises
    ------
    UsageError
        No group, a group of fewer than two readings, a flow not over 0, or an uncertainty below 0.

    Notes
    -----
    One-way random-effects model: relative deviation = group + placement (variance t) + air (known variance u_i^2). The
    weighted sum of squares Q(t) inside the groups, weights 1 / (t + u_i^2), has the chi-squared distribution with n
    readings - n groups degrees of freedom at the true t. Q(t) = dof gives the estimate, its quantiles the interval,
    both cut at 0. `u_rel` is found from the same distribution: t as it would be at each quantile of chi-squared, a
    new placement drawn from each, and the half-width that holds 95 % of them divided by Student's t. With no air it
    is the pooled standard deviation.

    References
    ----------
    Estimate: R. C. Paule, J. Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377, several groups pooled as any sum of
    squares (NIST/SEMATECH e-Handbook 2.3.3: pooled standard deviations; memory). Interval: W. Viechtbauer, Stat. Med.
    26 (2007) 37 (Q-profile; its numbers are in the tests, seen). `u_rel`: own derivation, the predictive distribution
    of a fiducial argument; its coverage is measured by tests/bench/figures_health.py.

    Examples
    --------
    Three and three placements with still air: the pooled standard deviation, 4 degrees of freedom.

    >>> two = [Repeats("S1", (0.99, 1.0, 1.01), (0.0,) * 3), Repeats("S2", (1.97, 2.0, 2.03), (0.0,) * 3)]
    >>> got = found(two)
    >>> round(got.estimate_rel, 5), got.dof, round(got.u_rel / got.estimate_rel, 2)
    (0.01275, 4.0, 1.0)
    """
    from scipy.stats import chi2, t

    deviations, variances, owners = _relative(groups)
    n_groups = len(groups)
    dof = float(len(deviations) - n_groups)

    def tau2_at(q: _FloatArray) -> _FloatArray:
        return _solved(q, deviations, variances, owners)

    at_0 = float(_q(np.zeros(1), deviations, variances, owners)[0])
    estimate, low, high = np.sqrt(tau2_at(np.array([dof, chi2.ppf(0.975, dof), chi2.ppf(0.025, dof)])))
    chances = (np.arange(N_QUANTILES) + 0.5) / N_QUANTILES
    sigmas = np.sqrt(tau2_at(np.asarray(chi2.ppf(chances, dof))))
    u_rel = _half_width(sigmas) / float(t.ppf(0.975, dof))
    p_air = float(chi2.sf(at_0, dof))
    return Found(u_rel, dof, float(estimate), float(low), float(high), p_air, len(deviations), n_groups)


def pooled(before: tuple[float, float], now: Found) -> tuple[float, float]:
    """Return `u_rel` and `dof` of a hood file's placement `before` and what was found `now`, put together.

    References
    ----------
    Pooled variance, weights by degrees of freedom: JCGM 100:2008 (GUM) H.3.6 and 4.2.4 (memory).

    Examples
    --------
    >>> two = Repeats("S1", (0.99, 1.01), (0.0, 0.0))
    >>> [round(x, 4) for x in pooled((0.02, 3.0), found([two]))]
    [0.0187, 4.0]
    """
    u_rel, dof = before
    whole = dof + now.dof
    return math.sqrt((dof * u_rel**2 + now.dof * now.u_rel**2) / whole), whole


def worse_than(before: tuple[float, float | None], groups: Sequence[Repeats]) -> float:
    """Return how often placements as good as `before` (u_rel, dof or None: known) would differ as much as `groups`.

    Under `LEAK_RISK` they differ by more than they used to, and by more than the air does: a leaking seal, a hood held
    askew, or a frame that no longer fits.

    References
    ----------
    Ratio of two sums of squares, F distribution; the air's part takes no degrees of freedom (own simplification).
    """
    from scipy.stats import chi2, f

    deviations, variances, owners = _relative(groups)
    dof = len(deviations) - len(groups)
    q = float(_q(np.array([before[0] ** 2]), deviations, variances, owners)[0])
    return float(chi2.sf(q, dof) if before[1] is None else f.sf(q / dof, dof, before[1]))


def _relative(groups: Sequence[Repeats]) -> tuple[_FloatArray, _FloatArray, NDArray[np.int64]]:
    """Return relative deviations, their known variances, and the group of each."""
    if not groups:
        raise UsageError("no repeat placements: name at least two readings of one terminal")
    flows, us, owners = [], [], []
    for number, group in enumerate(groups):
        values, u = np.array(group.flows_m3_s, float), np.array(group.u_random_m3_s, float)
        if len(values) < 2 or len(values) != len(u):
            raise UsageError(
                f"{group.name}: {len(values)} reading(s) are no repeat placements: at least two are needed, the hood "
                "lifted between them"
            )
        if not (np.all(values > 0.0) and np.all(u >= 0.0) and np.all(np.isfinite(values + u))):
            raise UsageError(f"{group.name}: flows must be over 0 and their uncertainties 0 or more")
        flows.append(values / values.mean())
        us.append(u / values.mean())
        owners.append(np.full(len(values), number))
    return np.concatenate(flows), np.concatenate(us) ** 2, np.concatenate(owners)


def _q(tau2: _FloatArray, y: _FloatArray, variances: _FloatArray, owners: NDArray[np.int64]) -> _FloatArray:
    """Return Q at each of `tau2`: the weighted squares of the deviations inside the groups."""
    # A variance of nothing at all would divide by 0; nothing that a hood measures is known to 1e-9.
    weights = 1.0 / np.maximum(tau2[:, None] + variances, 1e-18)
    member = (owners[:, None] == np.arange(owners[-1] + 1)).astype(float)
    centres = ((weights * y) @ member) / (weights @ member)
    squares: _FloatArray = (weights * (y - centres[:, owners]) ** 2).sum(axis=1)
    return squares


def _solved(wanted: _FloatArray, y: _FloatArray, variances: _FloatArray, owners: NDArray[np.int64]) -> _FloatArray:
    """Return the variance at which Q is each of `wanted`, 0 where Q never is as large. Q falls as it grows."""
    low = np.zeros(len(wanted))
    # Q(t) <= sum of squares / t.
    high = np.full(len(wanted), 0.0) + float(((y - 1.0) ** 2).sum()) / wanted
    for _ in range(100):
        middle = 0.5 * (low + high)
        above = _q(middle, y, variances, owners) > wanted
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(high < 1e-18, 0.0, 0.5 * (low + high))


def _half_width(sigmas: _FloatArray) -> float:
    """Return the half-width that holds 95 % of normal values, their standard deviation one of `sigmas` each."""
    from scipy.special import ndtr

    some = sigmas[sigmas > 0.0]
    if not len(some):
        return 0.0
    low, high = 0.0, 10.0 * float(some.max())
    for _ in range(60):
        middle = 0.5 * (low + high)
        outside = float(np.sum(2.0 * ndtr(-middle / some))) / len(sigmas)
        low, high = (middle, high) if outside > 0.05 else (low, middle)
    return 0.5 * (low + high)
