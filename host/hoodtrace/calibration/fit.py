"""The hood's constants from calibration points: k of the vane, c of the taps, each with a second term where earned.

Contract: y = ln(reference flow) is fitted over the hood's signal, errors in both axes. A point's own errors give the
weights; what the points scatter beyond them (placements, which nobody stated) is found from chi2 and added; points that
agree better than was stated bring the stated variance down to 0.7 of it and no further (five points agree by luck now
and then). Own part: n - p degrees of freedom, as type A, for it was the residuals that decided. Shared part: by the
sensitivity of each parameter to each `Common`. Together by Welch-Satterthwaite.

The second term (the vane's `d_offset`, the taps' `exponent`) is looked for with 5 points or more over 2:1 in flow,
unless all but one lie at one flow. It is earned when a t-test gives p < 0.3. One that is not earned is set to "none",
but what the points leave open of it stays in the uncertainty: dropping it for good would take an undetected one for a
proven zero, and the band would be too narrow. So the band holds whichever law is chosen (last table of
tests/bench/figures_calibration.py).

References: JCGM 100:2008 (GUM) 4.2 (type A), 5.1.2 and 5.2.2 (propagation), G.4.1 (Welch-Satterthwaite), H.3 (line).
Test and limit are an own choice, tried on simulated calibrations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hoodtrace.calibration.fit_checks import Columns, checked
from hoodtrace.calibration.fit_result import Fit, TapsFit, VaneFit, effective_dof
from hoodtrace.calibration.line import Law, LawFit, fit_law, hidden_scatter
from hoodtrace.calibration.points import Point
from hoodtrace.errors import MeasurementError
from hoodtrace.units import m3h

FloatArray = NDArray[np.float64]
AnyFit = TypeVar("AnyFit", bound=Fit)

N_SECOND = 5
SPAN_SECOND = 2.0
SPREAD_LEAST = 1.10
P_EARNED = 0.3
LEAST_SCALE = 0.7
P_LACK = 0.05
OPEN_OFFSET_M_S, OPEN_EXPONENT = 0.03, 0.03
"""Standard uncertainty of a second parameter (d_offset, and twice the exponent less 1) where the points are too few or
too near to each other to look for it: as large as hoods of this kind have them (own choice)."""
LEAST_U = 1e-5
"""Relative: no flow is better known, and far smaller ones would stop the search."""


def _over_zero(speed_m_s: FloatArray) -> FloatArray:
    """Keep the search where a logarithm is: it may step over the edge on its way."""
    return np.maximum(speed_m_s, 1e-6)


# The vane: x = speed, y = ln(flow / area) = ln k + ln(x + d). The taps: x = ln speed, y = ln c + 2 n x. beta is
# (ln k, d) and (ln c, 2 n - 1); the law with one parameter has a second of 0.
VANE_ONE = Law(
    lambda x, beta: beta[0] + np.log(x), lambda x, beta: np.ones((len(x), 1)), lambda x, beta: 1.0 / x
)  # fmt: skip
VANE_TWO = Law(
    lambda x, beta: beta[0] + np.log(_over_zero(x + beta[1])),
    lambda x, beta: np.column_stack((np.ones_like(x), 1.0 / _over_zero(x + beta[1]))),
    lambda x, beta: 1.0 / _over_zero(x + beta[1]),
)
TAPS_ONE = Law(lambda x, beta: beta[0] + x, lambda x, beta: np.ones((len(x), 1)), lambda x, beta: np.ones_like(x))
TAPS_TWO = Law(
    lambda x, beta: beta[0] + (1.0 + beta[1]) * x,
    lambda x, beta: np.column_stack((np.ones_like(x), x)),
    lambda x, beta: np.full_like(x, 1.0 + beta[1]),
)


def fit_vane(points: Sequence[Point], area_m2: float, second_term: bool | None = None) -> VaneFit:
    """Fit flow = k * area * (speed + d_offset) to the points that have a signal of the vane.

    Parameters
    ----------
    points : sequence of Point
        At least 3 with a signal, one direction.
    area_m2 : float
        Area of the hood's bore, m2, > 0.
    second_term : bool, optional
        None: where it is earned. True: wanted (refused where the points cannot give it). False: none, and none
        thought possible.

    Returns
    -------
    VaneFit

    Raises
    ------
    MeasurementError
        See `fit_checks.checked`; a second term wanted from points that are too few or all at one flow.
    """
    columns = checked(points, "vane", area_m2)
    x, u_x = columns.signal_m_s, columns.u_signal_m_s
    return _fit(VaneFit, columns, area_m2, x, u_x, VANE_ONE, VANE_TWO, second_term, OPEN_OFFSET_M_S)


def fit_taps(points: Sequence[Point], area_m2: float, second_term: bool | None = None) -> TapsFit:
    """Fit flow = c * area * (speed / 1 m/s)^(2 exponent) * 1 m/s to the points that have a signal of the taps.

    Parameters, errors: as `fit_vane`. The exponent is 0.5 where it is not earned.

    Returns
    -------
    TapsFit
    """
    columns = checked(points, "taps", area_m2)
    x, u_x = np.log(columns.signal_m_s), columns.u_signal_m_s / columns.signal_m_s
    return _fit(TapsFit, columns, area_m2, x, u_x, TAPS_ONE, TAPS_TWO, second_term, OPEN_EXPONENT)


def _fit(
    kind: type[AnyFit],
    columns: Columns,
    area_m2: float,
    x: FloatArray,
    u_x: FloatArray,
    one: Law,
    two: Law,
    second_term: bool | None,
    u_open: float,
) -> AnyFit:
    """Scatter from the wide law where a second term is possible, then the law that is earned."""
    flow = columns.flow_m3_s
    lowest, highest = float(flow.min()), float(flow.max())
    n = len(flow)
    ordered = np.sort(flow)
    # Nor may the second term hang on one point alone: the others must lie at more than one flow.
    spread = min(ordered[-1] / ordered[1], ordered[-2] / ordered[0])
    possible = n >= N_SECOND and highest >= SPAN_SECOND * lowest and bool(spread >= SPREAD_LEAST)
    if second_term and not possible:
        _refuse_second(n, lowest, highest)
    y = np.log(flow / area_m2)
    start = np.array([float(np.mean(y - one.value(x, np.zeros(1)))), 0.0])

    def fitted(law: Law, p: int, scatter: float, keep: FloatArray | None = None) -> LawFit:
        at = np.ones(n, dtype=bool) if keep is None else keep
        u_y = np.maximum(np.hypot(columns.u_flow_rel, scatter)[at], LEAST_U)
        try:
            return fit_law(law, x[at], y[at], u_x[at], u_y, start[:p], columns.shared[at])
        except (ArithmeticError, ValueError, np.linalg.LinAlgError) as fault:
            raise MeasurementError(
                f"the {columns.channel}'s points cannot be fitted ({fault}): look at the points with the lowest flows, "
                "for a number typed in wrongly, and for an uncertainty that is far too small"
            ) from fault

    tested = possible and second_term is not False
    law, p = (two, 2) if tested else (one, 1)
    scatter, wide = hidden_scatter(lambda s: fitted(law, p, s))
    scale = 1.0 if scatter > 0.0 else max(wide.chi2 / wide.dof, LEAST_SCALE)
    p_second = _p_second(wide, scale, columns) if tested else math.nan
    earned = tested and (bool(second_term) or p_second < P_EARNED)
    law, p = (two, 2) if earned else (one, 1)
    chosen = wide if earned or not tested else fitted(one, 1, scatter)
    beta = np.zeros(2)
    beta[:p] = chosen.beta
    gain = np.zeros((2, n))
    gain[: len(wide.gain)] = wide.gain
    jacobian = two.by_beta(x, beta)
    stated = chosen if scatter == 0.0 else fitted(law, p, 0.0)
    p_lack = _p_chi2(stated)
    changes = []
    for i in range(n):
        keep = np.arange(n) != i
        left = np.zeros(2)
        left[:p] = fitted(law, p, scatter, keep).beta
        # By how much the flow that the fit gives changes, where it changes most.
        change = two.value(x, left) - two.value(x, beta)
        changes.append(float(change[np.argmax(np.abs(change))]))
    most = int(np.argmax(np.abs(changes)))
    return kind(
        area_m2=area_m2,
        numbers=columns.numbers,
        signals_m_s=tuple(columns.signal_m_s.tolist()),
        flows_m3_s=tuple(flow.tolist()),
        beta=beta,
        gain=gain,
        jacobian=jacobian,
        u_own_rel=np.sqrt(scale * wide.variance),
        u_reference_rel=columns.u_flow_rel,
        common=columns.common,
        shared=columns.shared,
        dof_own=wide.dof,
        tested=tested,
        earned=earned,
        u_open=0.0 if tested or second_term is False else u_open,
        p_second=p_second,
        scatter_rel=scatter,
        scale=scale,
        chi2_stated=stated.chi2,
        p_lack=p_lack,
        lack_of_fit=_lack_of_fit(stated, p_lack, scatter, flow, chosen.residuals, second_term),
        residuals_rel=tuple(chosen.residuals.tolist()),
        leave_one_out_rel=tuple(changes),
        most_change_rel=changes[most],
        most_change_number=columns.numbers[most],
        lowest_m3_s=lowest,
        highest_m3_s=highest,
    )


def _p_chi2(fit: LawFit) -> float:
    """Probability of a chi2 this large where the stated uncertainties are right."""
    from scipy.stats import chi2

    return float(chi2.sf(fit.chi2, fit.dof))


def _p_second(fit: LawFit, scale: float, columns: Columns) -> float:
    """Probability of a second term this far from 0 where there is none: two-sided, Student's t."""
    from scipy.stats import t

    own = scale * float(fit.covariance_own[1, 1])
    shared = (fit.by_shared[1] ** 2).tolist()
    u, dof = effective_dof([(own, float(fit.dof)), *zip(shared, (c.dof for c in columns.common), strict=True)])
    return float(2.0 * t.sf(abs(fit.beta[1]) / u, dof))


def _refuse_second(n: int, lowest: float, highest: float) -> None:
    if highest < SPREAD_LEAST * lowest:
        raise MeasurementError(
            f"all points are at one flow ({m3h(lowest):.1f} to {m3h(highest):.1f} m3/h, a spread under 10 %): no "
            "second term can be found from them: add flows that are half or twice as large"
        )
    raise MeasurementError(
        f"{n} points over {m3h(lowest):.1f} to {m3h(highest):.1f} m3/h: a second term needs at least {N_SECOND} points "
        f"over {SPAN_SECOND:g}:1 in flow that do not all but one lie at one flow: add flows"
    )


def _lack_of_fit(
    stated: LawFit, p_lack: float, scatter: float, flow: FloatArray, residuals: FloatArray, second_term: bool | None
) -> str:
    """What chi2 and the order of the signs say."""
    figures = f"chi2 {stated.chi2:.1f} on {stated.dof} degrees of freedom, p = {p_lack:.2g}"
    if p_lack < P_LACK:
        said = f"the points scatter more than was stated ({figures})"
        said += f"; {100 * scatter:.1f} % that nobody stated was found and is in the uncertainty" if scatter else ""
    elif p_lack > 1.0 - P_LACK:
        said = f"the points scatter less than was stated ({figures}): the uncertainties may be too generous"
    else:
        said = f"no lack of fit ({figures})"
    by_flow = np.sign(residuals[np.argsort(flow)])
    if len(flow) >= N_SECOND and sum(a != b for a, b in pairwise(by_flow)) <= 1 and p_lack < P_LACK:
        said += (
            "; the residuals change sign at most once from the lowest flow to the highest: the law's form may be wrong"
        )
    if second_term is None and flow.max() < SPREAD_LEAST * flow.min():
        said += "; all points are at one flow, so nothing tells how the constant goes with flow"
    return said
