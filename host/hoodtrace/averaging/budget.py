"""The budget of a reading: which errors there are, which are shared, and what they add up to.

The two channels are combined by the best linear unbiased weights for their own covariance. What they share does not
count for the weights: the air's own fluctuation adds the same to both (it is in the common series, and never averaged
down because there are two channels). Errors of k and c may be correlated (they can come from one reference).

References: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2 (propagation), G.4.1 (Welch-Satterthwaite); A. C. Aitken, Proc. R. Soc.
Edinburgh 55 (1935) 42 (weights; from memory). GTC is the oracle in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hoodtrace.averaging.mean import CONFIDENCE

MOST_DOF = 1e6


@dataclass(frozen=True, slots=True)
class Term:
    """One line of the budget: standard uncertainty of the flow in m3/s, degrees of freedom (inf: known), its scope.

    `scope` is "reading" (new in each), "terminal" (the same in each at this terminal), "visit" (shared by what uses the
    same zero and air) or "hood" (shared by all readings with this hood).
    """

    name: str
    u_m3_s: float
    dof: float
    scope: str


@dataclass(frozen=True, slots=True)
class Total:
    """What a budget adds up to: standard uncertainty, effective degrees of freedom, 95 % half-width."""

    u_m3_s: float
    dof: float
    expanded_m3_s: float


def weights(u_vane: float, u_taps: float, covariance: float) -> tuple[float, float]:
    """Return the weights of vane and taps that give the least variance, both in 0 to 1, sum 1.

    Parameters
    ----------
    u_vane, u_taps : float
        Standard uncertainties of the channels' own errors, same unit, >= 0.
    covariance : float
        Covariance of these errors. Where it is so large that one weight would be negative, the better channel stands
        alone: to weigh against a channel would trust the stated correlation more than anyone knows it.

    Examples
    --------
    >>> vane, taps = weights(1.0, 2.0, 0.0)
    >>> round(vane, 12), round(taps, 12)
    (0.8, 0.2)
    >>> weights(1.0, 2.0, 1.8)
    (1.0, 0.0)
    """
    spread = u_vane**2 + u_taps**2 - 2.0 * covariance
    if spread <= 0.0:
        return (0.5, 0.5) if u_vane == u_taps else ((1.0, 0.0) if u_vane < u_taps else (0.0, 1.0))
    vane = min(1.0, max(0.0, (u_taps**2 - covariance) / spread))
    return vane, 1.0 - vane


def total(terms: tuple[Term, ...], covariances: float = 0.0, pair: tuple[str, str] = ("", ""), r: float = 0.0) -> Total:
    """Add up independent `terms`; `covariances` is the sum of 2 c_i c_j u(i, j) of those that are not (m6/s2).

    `pair` names two terms whose errors have the correlation `r`: their covariance is added here, and it is as uncertain
    as they are.

    References
    ----------
    JCGM 100:2008, G.4.1 (Welch-Satterthwaite), which is for independent terms. Own extension for the pair: from two
    independent terms with r = 0 to one term of their sum with r = 1, in proportion to r^2.

    Examples
    --------
    >>> both = (Term("k", 1.0, 5.0, "hood"), Term("c", 2.0, 5.0, "hood"))
    >>> t = total(both, 0.0, ("k", "c"), 1.0)
    >>> t.u_m3_s, round(t.dof, 6)
    (3.0, 5.0)
    >>> t = total((Term("air", 3.0, 10.0, "reading"), Term("k", 4.0, math.inf, "hood")))
    >>> t.u_m3_s, round(t.dof, 2)
    (5.0, 77.16)
    """
    two = [term for term in terms if term.name in pair and r != 0.0]
    both = len(two) == len(pair)
    covariance = 2.0 * r * two[0].u_m3_s * two[1].u_m3_s if both else 0.0
    variance = math.fsum(term.u_m3_s**2 for term in terms) + covariances + covariance
    u = math.sqrt(max(variance, 0.0))
    if u == 0.0:
        return Total(0.0, math.inf, 0.0)
    loose = math.fsum(term.u_m3_s**4 / term.dof for term in terms if term.dof < math.inf)
    if both and covariance > 0.0:
        # As if the shared part of both were one term: (u1 + u2)^4 with r = 1, nothing with r = 0.
        u1, u2 = (term.u_m3_s for term in two)
        dof = 1.0 / (0.5 / two[0].dof + 0.5 / two[1].dof) if max(two[0].dof, two[1].dof) < math.inf else math.inf
        loose += r**2 * ((u1 + u2) ** 4 - u1**4 - u2**4) / dof
    dof = u**4 / loose if loose > 0.0 else math.inf
    return Total(u, dof, coverage_factor(dof) * u)


def coverage_factor(dof: float) -> float:
    """Student's t for 95 % and `dof` degrees of freedom (inf: normal).

    Examples
    --------
    >>> round(coverage_factor(10.0), 3), round(coverage_factor(math.inf), 3)
    (2.228, 1.96)
    """
    from scipy.special import stdtrit  # a fifth of a second that a first picture need not wait for

    return float(stdtrit(dof, 0.5 + CONFIDENCE / 2.0))


def dof_of(factor: float) -> float:
    """Degrees of freedom whose coverage factor is `factor`; inf for what a normal distribution would give.

    Examples
    --------
    >>> round(dof_of(coverage_factor(7.0)), 6)
    7.0
    """
    if factor <= coverage_factor(MOST_DOF):
        return math.inf
    low, high = 0.0, 1.0
    # In 1/dof the factor is nearly straight: halving pins it to nine digits in 32 steps.
    for _ in range(32):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if coverage_factor(1.0 / middle) < factor else (low, middle)
    return 2.0 / (low + high)
