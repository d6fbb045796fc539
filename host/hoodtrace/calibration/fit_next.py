"""Which flow to measure next: the one after which the factor is best known over the flows that are wanted.

Contract: deterministic. Only the errors that are new in each point count: one more point of the same reference does not
take away what its points share. The second term counts as open, also while there are too few points to look for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.calibration.fit_result import Fit
from hoodtrace.errors import MeasurementError
from hoodtrace.units import m3h

FloatArray = NDArray[np.float64]

TIE = 0.02
N_GRID = 25
FAINT = 1e-6
"""Share of the information put on both parameters, so that points at one flow still give an answer."""


@dataclass(frozen=True, slots=True)
class NextFlow:
    """The flow to measure next, m3/s, and one sentence why."""

    flow_m3_s: float
    why: str


def next_flow(fit: Fit, candidates_m3_s: Sequence[float]) -> NextFlow:
    """Pick the flow that tightens the factor most over the range of points and candidates.

    Parameters
    ----------
    fit : Fit
        Of the points so far.
    candidates_m3_s : sequence of float
        Flows that the references allow, m3/s, > 0.

    Returns
    -------
    NextFlow
        Of candidates within 2 % of the best, the one farthest (in ratio) from what was measured; of these the lowest.

    Raises
    ------
    MeasurementError
        No candidate.

    References
    ----------
    Least mean variance of the prediction (V-optimal design): V. V. Fedorov, Theory of optimal experiments, 1972; from
    memory.
    """
    if not candidates_m3_s:
        raise MeasurementError("no flow that a reference allows was given: name at least one to choose from")
    variance = float(np.median(fit.u_own_rel**2))
    information = (fit.jacobian.T / fit.u_own_rel**2) @ fit.jacobian
    information += FAINT * np.diag(np.diag(information))
    ends = (*candidates_m3_s, fit.lowest_m3_s, fit.highest_m3_s)
    grid = np.array([fit.slope(float(flow)) for flow in np.geomspace(min(ends), max(ends), N_GRID)])

    def mean_variance(extra: FloatArray | None) -> float:
        whole = information if extra is None else information + np.outer(extra, extra) / variance
        return float(np.mean(np.einsum("ij,jk,ik->i", grid, np.linalg.inv(whole), grid)))

    flows = sorted(candidates_m3_s)
    after = [mean_variance(fit.slope(flow)) for flow in flows]
    measured = np.log(fit.flows_m3_s)
    near_best = [i for i, v in enumerate(after) if v <= (1.0 + TIE) * min(after)]
    best = max(near_best, key=lambda i: (round(float(np.abs(np.log(flows[i]) - measured).min()), 9), -i))
    now, then = (100.0 * v**0.5 for v in (mean_variance(None), after[best]))
    return NextFlow(
        flows[best],
        f"{m3h(flows[best]):.0f} m3/h: of the flows that the references allow it leaves the factor best known over "
        f"{m3h(min(ends)):.0f} to {m3h(max(ends)):.0f} m3/h (standard uncertainty from the points' own scatter about "
        f"{then:.1f} % after it, {now:.1f} % now)",
    )
