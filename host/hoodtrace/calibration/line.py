"""A law fitted to points with errors in both axes, some of them shared by several points.

Contract: `fit_law` gives parameters, their sensitivity to each point's error and chi2; it decides nothing. The library
odrpack finds the parameters (weighted orthogonal distances); errors that points share are extra parameters with their
own observation "0 with standard uncertainty 1", which is the same as a full covariance of y. `hidden_scatter` finds
the scatter of y that nobody stated. No quantity has a unit here; for a hood y is ln(flow), so scatter is relative.

References: P. T. Boggs, J. E. Rogers, Contemporary Mathematics 112 (1990) 186 (orthogonal distances; from memory);
R. C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377 (scatter from chi2 = degrees of freedom; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Function = Callable[[FloatArray, FloatArray], FloatArray]

TOLERANCE = 1e-13
CONVERGED = (1, 2, 3)
FATAL = 10000


@dataclass(frozen=True, slots=True)
class Law:
    """What is fitted: y = value(x, beta), with its derivatives by beta, shape (n, p), and by x, shape (n,)."""

    value: Function
    by_beta: Function
    by_x: Function


@dataclass(frozen=True, slots=True)
class LawFit:
    """Result of `fit_law` for n points, p parameters, m shared errors.

    `beta` (p,); `jacobian` (n, p) at the adjusted points; `variance` (n,) own variance of each point, both axes, in
    terms of y; `shared` (n, m) as given; `gain` (p, n) change of beta by an error of y; `chi2` on `dof` = n - p;
    `residuals` (n,) of y at the x as given, shared errors not taken out.
    """

    beta: FloatArray
    jacobian: FloatArray
    variance: FloatArray
    shared: FloatArray
    gain: FloatArray
    chi2: float
    dof: int
    residuals: FloatArray

    @property
    def covariance_own(self) -> FloatArray:
        """Covariance of beta (p, p) from the points' own errors as stated."""
        result: FloatArray = (self.gain * self.variance) @ self.gain.T
        return result

    @property
    def by_shared(self) -> FloatArray:
        """Change of beta (p, m) by one standard uncertainty of each shared error."""
        result: FloatArray = self.gain @ self.shared
        return result


STRAIGHT = Law(
    value=lambda x, beta: beta[0] + beta[1] * x,
    by_beta=lambda x, beta: np.column_stack((np.ones_like(x), x)),
    by_x=lambda x, beta: np.full_like(x, beta[1]),
)
"""y = beta0 + beta1 x."""


def fit_law(
    law: Law,
    x: FloatArray,
    y: FloatArray,
    u_x: FloatArray,
    u_y: FloatArray,
    start: FloatArray,
    shared: FloatArray | None = None,
) -> LawFit:
    """Fit `law` to points with errors in both axes.

    Parameters
    ----------
    law : Law
        What is fitted.
    x, y : array (n,)
        The points; no NaN.
    u_x, u_y : array (n,)
        Standard uncertainties of the errors that are new in each point; u_x >= 0 (all 0: x exact), u_y > 0. Where only
        their ratios are known, scale the covariance by chi2 / dof.
    start : array (p,)
        Where the search begins, p <= n.
    shared : array (n, m), optional
        Each column an error that points share: its standard uncertainty at each point, with sign.

    Returns
    -------
    LawFit

    Raises
    ------
    ArithmeticError
        The search did not end, or the points do not determine the parameters.

    References
    ----------
    See the head of the file. The covariance is that of the linearised law at the adjusted points (the convention of
    D. York et al., Am. J. Phys. 72 (2004) 367; from memory).

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0])
    >>> fit = fit_law(STRAIGHT, x, 1.0 + 2.0 * x, 0.0 * x, np.full(3, 0.1), np.array([0.0, 1.0]))
    >>> [float(b) for b in fit.beta.round(9)]
    [1.0, 2.0]
    """
    from odrpack import odr_fit

    n, p = len(x), len(start)
    columns = np.zeros((n, 0)) if shared is None else shared
    m = columns.shape[1]

    def value(x_all: FloatArray, b: FloatArray) -> FloatArray:
        return np.concatenate((law.value(x_all[:n], b[:p]) + columns @ b[p:], b[p:]))

    def by_beta(x_all: FloatArray, b: FloatArray) -> FloatArray:
        top = np.hstack((law.by_beta(x_all[:n], b[:p]), columns))
        return np.vstack((top, np.eye(m, p + m, k=p))).T

    def by_x(x_all: FloatArray, b: FloatArray) -> FloatArray:
        return np.concatenate((law.by_x(x_all[:n], b[:p]), np.zeros(m)))

    exact = u_x == 0.0
    found = odr_fit(
        value,
        np.concatenate((x, np.zeros(m))),
        np.concatenate((y, np.zeros(m))),
        np.concatenate((start, np.zeros(m))),
        weight_x=np.concatenate((np.where(exact, 1.0, u_x) ** -2.0, np.ones(m))),
        weight_y=np.concatenate((u_y**-2.0, np.ones(m))),
        fix_x=np.concatenate((exact, np.ones(m, dtype=bool))),
        task="OLS" if exact.all() else "explicit-ODR",
        jac_beta=by_beta,
        jac_x=by_x,
        partol=TOLERANCE,
        sstol=TOLERANCE,
        maxit=2000,
    )
    beta = np.asarray(found.beta[:p], dtype=np.float64)
    # The last digit says how the search ended (1 to 3: converged). Higher ones can hold doubts of the library's own
    # check of derivatives, which cannot judge a parameter that starts at 0; the derivatives have a test of their own.
    if found.info >= FATAL or found.info % 10 not in CONVERGED or not np.isfinite(beta).all():
        raise ArithmeticError(f"the fit did not end: {found.stopreason}")
    at = x + np.asarray(found.delta[:n], dtype=np.float64)
    jacobian = law.by_beta(at, beta)
    variance = u_y**2 + (law.by_x(at, beta) * u_x) ** 2
    whole = np.diag(variance) + columns @ columns.T
    weighted = np.linalg.solve(whole, jacobian)
    information = jacobian.T @ weighted
    if np.linalg.cond(information) > 1e15:
        raise ArithmeticError("the points do not determine the parameters")
    gain = np.linalg.solve(information, weighted.T)
    return LawFit(beta, jacobian, variance, columns, gain, float(found.sum_square), n - p, y - law.value(x, beta))


def hidden_scatter(fit_with: Callable[[float], LawFit]) -> tuple[float, LawFit]:
    """Scatter of y that nobody stated: the one that brings chi2 down to its degrees of freedom, 0 where it is not over.

    Parameters
    ----------
    fit_with : function
        Gives the fit with that scatter (standard deviation, unit of y) added to each point's own uncertainty.

    Returns
    -------
    tuple of float and LawFit
        The scatter, and the fit with it.
    """
    from scipy.optimize import brentq

    stated = fit_with(0.0)
    if stated.chi2 <= stated.dof:
        return 0.0, stated
    # With this scatter alone even the residuals as they are would give less than the degrees of freedom.
    high = 2.0 * math.sqrt(float(stated.residuals @ stated.residuals) / stated.dof)
    scatter = float(brentq(lambda s: fit_with(s).chi2 - stated.dof, 0.0, high, xtol=1e-7, rtol=1e-6))
    return scatter, fit_with(scatter)
