"""The budget of a reading, line by line: what each is, what would make it smaller, its share of the variance.

A line's uncertainty is its contribution to that of the flow: u of the input times its sensitivity and, for what only
one channel has, times that channel's weight. The shares are of the variance and sum to 1. k and c may be correlated:
their covariance is a line of its own, whose share is negative where it makes the whole smaller.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.reading import Averaged
from hoodtrace.units import m3h

K, C = "k-factor", "taps' coefficient"
COVARIANCE = "covariance of k and c"


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the budget.

    `u_m3h` is the contribution to the standard uncertainty of the flow, `u_rel` that over the flow; both None for the
    covariance, which is no uncertainty. `share` is of the variance. `dof`: degrees of freedom, None where taken as
    known (infinite), and for the covariance.
    """

    name: str
    kind: Literal["term", "covariance"]
    scope: str
    u_m3h: float | None
    u_rel: float | None
    share: float
    dof: float | None
    what: str


def lines(averaged: Averaged, r_k_c: float) -> tuple[Line, ...]:
    """Return the budget of a reading, largest share first, the covariance last.

    Parameters
    ----------
    averaged : Averaged
        The reading; without terms there are no lines.
    r_k_c : float
        Correlation of the errors of k and c, from the hood file.

    References
    ----------
    JCGM 100:2008, 5.2.2, equation (16): the variance is the sum of squares of the contributions and of twice the
    products of two with their correlation.
    """
    by_name = {term.name: term for term in averaged.terms}
    covariance = 0.0
    if r_k_c and K in by_name and C in by_name:
        covariance = 2.0 * r_k_c * by_name[K].u_m3_s * by_name[C].u_m3_s
    variance = math.fsum(term.u_m3_s**2 for term in averaged.terms) + covariance
    if not variance > 0.0:
        return ()
    found = [_line(term, averaged, variance) for term in averaged.terms]
    found.sort(key=lambda line: -line.share)
    if covariance:
        way = "larger; references of different kinds make it smaller" if covariance > 0.0 else "smaller"
        what = (
            f"k and c come in part from the same reference, so their errors go together (correlation {r_k_c:g}): this "
            f"makes the whole {way}."
        )
        found.append(Line(COVARIANCE, "covariance", "hood", None, None, covariance / variance, None, what))
    return tuple(found)


def by_scope(averaged: Averaged, r_k_c: float) -> dict[str, float]:
    """Return the standard uncertainty, m3/h, of what is new in each reading, shared by a visit, shared by the hood."""
    variances = dict.fromkeys(("reading", "visit", "hood"), 0.0)
    for line in lines(averaged, r_k_c):
        variances[line.scope] = variances.get(line.scope, 0.0) + line.share * averaged.total.u_m3_s**2
    return {scope: m3h(math.sqrt(max(variance, 0.0))) for scope, variance in variances.items()}


def missing(averaged: Averaged) -> tuple[str, ...]:
    """Return in sentences what is not in the budget although it may matter."""
    out = []
    if "placement not tested" in averaged.flags:
        out.append("How much a new placement of the hood changes was never tested, so it is not in the budget.")
    if "outside the calibration" in averaged.flags:
        out.append("The flow lies outside the calibrated range; how far k or c change there is not in the budget.")
    if "direction not calibrated" in averaged.flags:
        out.append("The hood was not calibrated for this direction; what that changes is not in the budget.")
    if "direction unknown" in averaged.flags:
        out.append("The direction is not known, so the plain constants are taken; their error is not in the budget.")
    if "zero doubtful" in averaged.flags:
        out.append("An older zero is used: it may have moved by more than the budget's line for it says.")
    return tuple(out)


def _line(term: Term, averaged: Averaged, variance: float) -> Line:
    flow = averaged.flow_m3_s
    u_rel = term.u_m3_s / flow if math.isfinite(flow) and flow > 0.0 else None
    dof = term.dof if term.dof < math.inf else None
    what = _WHAT.get(term.name, "A part of the budget that this program has no words for.")
    return Line(term.name, "term", term.scope, m3h(term.u_m3_s), u_rel, term.u_m3_s**2 / variance, dof, what)


_WHAT = {
    "fluctuation of the air": "What the air's own unsteadiness leaves in the mean of this record, with the degrees of "
    "freedom that its own 95 % interval asks for: four times the time about halves it.",
    K: "How well the calibration knows k (and the vane's offset), the same for all readings with this hood: more "
    "points or a better reference make it smaller.",
    "vane response": "In unsteady air a vane reads too much; this is what is not known of by how much: a response "
    "length in the hood file or steadier air make it smaller.",
    "counting": "What edges that are not evenly spaced leave in the vane's mean, an estimate of 0.1 % of it: nothing "
    "to be gained here.",
    C: "How well the calibration knows c (and the exponent), the same for all readings with this hood: more points or "
    "a better reference make it smaller.",
    "zero": "How far the pressure chip's zero may be from the one that was found (u_zero_pa of the hood file), shared "
    "by what was read with it: more flow makes it smaller, or a smaller u_zero_pa where zero checks bear that out.",
    "temperature and humidity": "What is not known of the air's density by temperature and humidity: an air sensor, "
    "or a better one, makes it smaller.",
    "pressure": "What is not known of the barometric pressure, which density and a flow-through chip go by: a "
    "barometer on the board makes it smaller.",
    "fluctuation in the log": "Means of the flash log hide the air's fast part, and flow goes with the root of "
    "pressure: reading at the full rate takes it away.",
    "channels apart": "Vane and taps disagree and one of them is used: the gap is taken as the half-width of a "
    "rectangular distribution; find the cause and read again.",
    "placement": "How much a reading differs when the hood is put on anew, from the hood file: a better seal, or the "
    "mean of several placements, makes it smaller.",
}
