"""A control chart over visits: two components of variance, a level from the first visits, an EWMA that watches it.

Values are of any quantity of which each visit gives several (here the logarithm of the vane-to-taps ratio). The rule:
the first `N_BASELINE` visits without an alarm are the baseline; each visit in it is judged alone against those before,
later ones by the exponentially weighted moving average of the visit means. A limit is `LIMIT` standard deviations, the
uncertainty of the baseline's own level included. Reads no file, prints nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

WEIGHT, LIMIT = 0.4, 3.054
"""Of the newest visit in the average, and standard deviations to the limit: a pair for one false alarm in 500 visits
with a known level (J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990) 1; memory)."""
N_BASELINE = 8
"""Visits that make the level: its own uncertainty is then a third of a visit's (own choice)."""
WITHIN_REL, BETWEEN_REL = 0.01, 0.005
"""What a sound hood is expected to keep to, and what counts until there are visits enough: repeatability of a reading,
and standard deviation from visit to visit."""
PRIOR_DOF, PRIOR_DOF_BETWEEN = 7.0, 4.0
"""The expectation counts as much as one visit of eight readings, and as five visits (own choice)."""
IRREGULAR_RISK = 0.001
BACK = 2.0
"""After a jump out, a visit within so many standard deviations of the level is back: the average begins anew."""


@dataclass(frozen=True, slots=True)
class Components:
    """Standard deviations: `within` a visit, `between` visits (0 where none shows), and their degrees of freedom."""

    within: float
    dof_within: int
    between: float
    dof_between: int


@dataclass(frozen=True, slots=True)
class Mark:
    """One visit on the chart.

    `mean` of its `n` values with standard uncertainty `u_mean` (both components); `average` is what the rule looks at,
    alarm where it is not from `low` to `high`; `centre` the level that it is compared with, None for the first visit;
    `in_baseline` whether the visit helps to make the level; `irregular` where its values scatter more than usual.
    """

    n: int
    mean: float
    u_mean: float
    average: float
    centre: float | None
    low: float
    high: float
    in_baseline: bool
    alarm: bool
    irregular: bool


def components(visits: Sequence[Sequence[float]]) -> Components:
    """Return the two components of variance of `visits`, at least one value in all.

    References
    ----------
    One-way analysis of variance with random effects, the between component from the two mean squares, cut at 0:
    ISO 5725-2 (repeatability and between-laboratory variance; memory), NIST/SEMATECH e-Handbook 2.3 (memory). The mean
    squares of the NIST StRD data set SiRstv are in the tests.

    Examples
    --------
    >>> got = components([[1.0, 3.0], [5.0, 7.0]])
    >>> round(got.within**2, 9), round(got.between**2, 9)
    (2.0, 7.0)
    """
    groups = [np.asarray(values, float) for values in visits if len(values)]
    n = np.array([len(values) for values in groups])
    total = int(n.sum())
    means = np.array([values.mean() for values in groups])
    grand = float((n * means).sum()) / total
    dof_within, dof_between = total - len(groups), len(groups) - 1
    squares = math.fsum(float(((v - m) ** 2).sum()) for v, m in zip(groups, means, strict=True))
    ms_within = squares / dof_within if dof_within else 0.0
    if not dof_between:
        return Components(math.sqrt(ms_within), dof_within, 0.0, 0)
    ms_between = float((n * (means - grand) ** 2).sum()) / dof_between
    n_0 = (total - float((n**2).sum()) / total) / dof_between
    between2 = max(0.0, (ms_between - ms_within) / n_0)
    return Components(math.sqrt(ms_within), dof_within, math.sqrt(between2), dof_between)


def expected(found: Components) -> tuple[float, float]:
    """Return the standard deviations within and between visits that the chart reckons with.

    Both are pooled with the expectation. Between visits it is never less than that: few visits would often make it
    far too small, and the level would alarm at nothing.
    """
    squares = PRIOR_DOF * WITHIN_REL**2 + found.dof_within * found.within**2
    between2 = PRIOR_DOF_BETWEEN * BETWEEN_REL**2 + found.dof_between * found.between**2
    between2 /= PRIOR_DOF_BETWEEN + found.dof_between
    return math.sqrt(squares / (PRIOR_DOF + found.dof_within)), max(BETWEEN_REL, math.sqrt(between2))


def averages(values: Sequence[float], start: float, weight: float) -> list[float]:
    """Return the exponentially weighted moving average after each of `values`, beginning with `start`.

    References
    ----------
    S. W. Roberts, Technometrics 1 (1959) 239; NIST/SEMATECH e-Handbook 6.3.2.4, whose example is in the tests (seen).

    Examples
    --------
    >>> [round(a, 3) for a in averages([1.0, 1.0], 0.0, 0.4)]
    [0.4, 0.64]
    """
    found, last = [], start
    for value in values:
        last = weight * value + (1.0 - weight) * last
        found.append(last)
    return found


def spread(sigma: float, weight: float, n: int, u_centre: float = 0.0) -> float:
    """Return the standard deviation of the average after `n` values of `sigma` about a level known to `u_centre`.

    References
    ----------
    First part: as `averages`, exact form with the factor 1 - (1 - weight)^2n. The level's own error is the same in all
    values, so it comes in with its whole weight (own derivation).

    Examples
    --------
    The example of the handbook: s 2.0539, weight 0.3, a long record, three of it:

    >>> round(3 * spread(2.0539, 0.3, 1000), 4)
    2.5884
    """
    own = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * n))
    return math.hypot(sigma * math.sqrt(own), u_centre * (1.0 - (1.0 - weight) ** n))


def chart(visits: Sequence[Sequence[float]]) -> list[Mark]:
    """Return a mark for each of `visits`, in time order, each of at least one value.

    A mark depends on its visit and those before it, so a longer history never changes what was said earlier.
    """
    baseline: list[Sequence[float]] = []
    marks: list[Mark] = []
    last, n_averaged = 0.0, 0
    jumped = False
    for values in visits:
        known = components(baseline) if baseline else Components(0.0, 0, 0.0, 0)
        within, between = expected(known)
        mean, n = float(np.mean(values)), len(values)
        u_mean = math.hypot(between, within / math.sqrt(n))
        if not baseline:
            marks.append(Mark(n, mean, u_mean, mean, None, -math.inf, math.inf, True, False, False))
            baseline.append(values)
            continue
        centre, u_centre = _level(baseline, within, between)
        full = len(baseline) >= N_BASELINE
        alone = (mean - centre) / math.hypot(u_mean, u_centre)
        if jumped and abs(alone) <= BACK:
            n_averaged = 0
        # The average is kept as a deviation from the level, which stands still once the baseline is full.
        last = WEIGHT * (mean - centre) + (1.0 - WEIGHT) * (last if n_averaged else 0.0)
        n_averaged = n_averaged + 1 if full else 0
        average = centre + last if full else mean
        sigma = spread(u_mean, WEIGHT, n_averaged, u_centre) if full else math.hypot(u_mean, u_centre)
        low, high = centre - LIMIT * sigma, centre + LIMIT * sigma
        alarm = not low <= average <= high
        jumped = alarm and (jumped or abs(alone) > LIMIT)
        irregular = _irregular(values, within, known.dof_within)
        in_baseline = not full and not alarm
        if in_baseline:
            baseline.append(values)
        marks.append(Mark(n, mean, u_mean, average, centre, low, high, in_baseline, alarm, irregular))
    return marks


def _level(baseline: Sequence[Sequence[float]], within: float, between: float) -> tuple[float, float]:
    """Return the baseline's level and its standard uncertainty: visit means weighted by their variances."""
    weights = np.array([1.0 / (between**2 + within**2 / len(values)) for values in baseline])
    means = np.array([np.mean(values) for values in baseline])
    return float((weights * means).sum() / weights.sum()), 1.0 / math.sqrt(float(weights.sum()))


def _irregular(values: Sequence[float], within: float, dof_within: int) -> bool:
    """Whether the values of a visit scatter more than usual (F test of variances, NIST e-Handbook 1.3.5.9; memory)."""
    if len(values) < 4:
        return False
    from scipy.stats import f

    ratio = float(np.var(values, ddof=1)) / within**2
    return float(f.sf(ratio, len(values) - 1, PRIOR_DOF + dof_within)) < IRREGULAR_RISK
