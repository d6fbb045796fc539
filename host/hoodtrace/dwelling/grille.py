"""Terminals that the hood can't cover: a long grille in parts, or point speeds over its free area.

`parts` takes hood placements that each cover a stated share of the grille; `traverse` takes speeds by hand from any
anemometer at the places of `places_mm`. Both say the larger uncertainty that comes with it, term by term. Errors of
scope "terminal" (edges, free area, method) are the same in every repeat at this grille and in no other. Reads no file,
prints nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodtrace.averaging.budget import Term, Total, total
from hoodtrace.averaging.pooled import PAIR, Placement, mean_terms
from hoodtrace.calibration.references import checked
from hoodtrace.errors import UsageError

U_EDGES_REL = 0.07
"""Air lost or drawn in at the hood's open edges, and moved to the part beside it (common practice, no source)."""
U_FACTOR_REL = 0.10
"""From the mean of point speeds and the free area to the flow (common practice, no source; EN 16211 states 5 to 10 %
for its methods, from memory, low confidence)."""
U_AREA_REL = 0.05
"""Free area between the bars, measured with a rule (common practice, no source)."""
FEWEST_POINTS = 5
WHOLE = 1.0 + 1e-9
SIDES = {
    5: (0.074, 0.288, 0.500, 0.712, 0.926),
    6: (0.061, 0.235, 0.437, 0.563, 0.765, 0.939),
    7: (0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947),
}
"""Points a side -> place over the side. Log-Tchebycheff rule for a rectangle, ISO 3966 and ASHRAE (seen in secondary
publications)."""


@dataclass(frozen=True, slots=True)
class Part:
    """A hood placement on a grille and the `share` of the grille's free area under it, over 0, up to 1."""

    placement: Placement
    share: float


@dataclass(frozen=True, slots=True)
class GrilleFlow:
    """Flow through a whole grille, m3/s, with its standard uncertainty, degrees of freedom and budget."""

    flow_m3_s: float
    u_flow_m3_s: float
    dof: float
    terms: tuple[Term, ...]
    total: Total


def parts(pieces: Sequence[Part], u_edges_rel: float = U_EDGES_REL, r_k_c: float = 0.0) -> GrilleFlow:
    """Return the flow of a grille from hood placements on parts of it that do not overlap.

    Parameters
    ----------
    pieces : sequence of Part
        At least one; at least two where a part of the grille is not covered. Shares add up to at most 1.
    u_edges_rel : float
        Relative standard uncertainty of the method: leakage at edges, disturbance of the part beside. 0 to 0.5.
    r_k_c : float
        Correlation of the errors of k and c in the hood file, -1 to 1.

    Raises
    ------
    UsageError
        No part, a share out of range, shares over 1, placements of different meters, or one part for a grille that it
        does not cover.

    Notes
    -----
    Flow = sum of flows / sum of shares: the part not covered is taken to flow like the mean of the others. How far it
    may be from that is known from the parts only: the standard deviation of flow over share, as for one more part,
    times the share not covered, n - 1 degrees of freedom.

    References
    ----------
    Prediction of one more value from n: s sqrt(1 + 1/n) (textbook). Model: own derivation.

    Examples
    --------
    Two halves of 36 m3/h in all, each known to 0.0001 m3/s:

    >>> half = Placement(0.005, 0.0001, math.inf, (Term("air", 0.0001, math.inf, "reading"),))
    >>> whole = parts([Part(half, 0.5), Part(half, 0.5)])
    >>> round(whole.flow_m3_s, 6), [(term.name, round(term.u_m3_s, 6)) for term in whole.terms]
    (0.01, [('air', 0.000141), ('edges of the hood', 0.0007)])
    """
    checked("the uncertainty of the edges", u_edges_rel, "", 0.0, 0.5)
    share = _share(pieces)
    n = len(pieces)
    flow = math.fsum(piece.placement.flow_m3_s for piece in pieces) / share
    terms = [
        replace(mean, u_m3_s=mean.u_m3_s * n / share) for mean in mean_terms([piece.placement for piece in pieces])
    ]
    left = max(0.0, 1.0 - share)
    if left > 1e-9:
        each = [piece.placement.flow_m3_s / piece.share for piece in pieces]
        middle = math.fsum(each) / n
        scatter = math.sqrt(math.fsum((x - middle) ** 2 for x in each) / (n - 1))
        terms.append(Term("part not covered", left * scatter * math.sqrt(1.0 + 1.0 / n), n - 1.0, "reading"))
    terms.append(Term("edges of the hood", u_edges_rel * flow, math.inf, "terminal"))
    return _grille_flow(flow, terms, r_k_c)


def traverse(
    speeds_m_s: Sequence[float],
    free_area_cm2: float,
    u_meter_m_s: float,
    u_area_rel: float = U_AREA_REL,
    factor: float = 1.0,
    u_factor_rel: float = U_FACTOR_REL,
) -> GrilleFlow:
    """Return the flow of a grille from point speeds over its free area.

    Parameters
    ----------
    speeds_m_s : sequence of float
        At least 5 speeds at places spread evenly or by `places_mm`, m/s, 0 to 30, not all 0.
    free_area_cm2 : float
        Open area between the bars, cm2, 5 to 20000.
    u_meter_m_s : float
        Standard uncertainty of the meter at the mean speed, m/s, over 0: the same error at all points.
    u_area_rel : float
        Relative standard uncertainty of the free area, 0 to 0.5.
    factor : float
        Flow over mean speed times free area, 0.3 to 1.5.
    u_factor_rel : float
        Relative standard uncertainty of the factor, that of the method, 0 to 0.5.

    Raises
    ------
    UsageError
        Fewer than 5 points, or a number that looks like another unit.

    References
    ----------
    Flow = factor * mean speed * free area; s / sqrt(n): JCGM 100:2008 (GUM) 4.2.3 (memory). A repeat at the same places
    meets the same profile, so the scatter is of scope "terminal" (own choice).

    Examples
    --------
    >>> found = traverse([1.0, 1.2, 0.8, 1.0, 1.0], 100.0, 0.03)
    >>> round(found.flow_m3_s, 6), round(found.u_flow_m3_s, 6)
    (0.01, 0.001319)
    """
    n = len(speeds_m_s)
    if n < FEWEST_POINTS:
        raise UsageError(f"{n} points on the grille: at least {FEWEST_POINTS} are needed; measure the missing ones")
    for speed in speeds_m_s:
        hint = f"Were feet a minute meant ({speed:g} ft/min is {speed * 0.3048 / 60.0:.3g} m/s)?"
        checked("a speed at the grille", speed, "m/s", 0.0, 30.0, high_hint=hint)
    hints = (
        f"Were m2 meant ({free_area_cm2:g} m2 is {1e4 * free_area_cm2:g} cm2)?",
        f"Were mm2 meant ({free_area_cm2:g} mm2 is {free_area_cm2 / 100.0:g} cm2)?",
    )
    checked("the free area of the grille", free_area_cm2, "cm2", 5.0, 20000.0, *hints)
    checked("the meter's uncertainty", u_meter_m_s, "m/s", 0.001, 5.0)
    checked("the uncertainty of the free area", u_area_rel, "", 0.0, 0.5)
    checked("the factor", factor, "", 0.3, 1.5)
    checked("the uncertainty of the factor", u_factor_rel, "", 0.0, 0.5)
    mean = math.fsum(speeds_m_s) / n
    if mean == 0.0:
        raise UsageError(
            "all speeds at the grille are 0 m/s: the meter shows nothing there; take one that starts lower"
        )
    scale = factor * free_area_cm2 / 1e4
    flow = scale * mean
    s = math.sqrt(math.fsum((speed - mean) ** 2 for speed in speeds_m_s) / (n - 1))
    terms = [
        Term("scatter of the points", scale * s / math.sqrt(n), n - 1.0, "terminal"),
        Term("meter", scale * u_meter_m_s, math.inf, "hood"),
        Term("free area", u_area_rel * flow, math.inf, "terminal"),
        Term("method", u_factor_rel * flow, math.inf, "terminal"),
    ]
    return _grille_flow(flow, terms, 0.0)


def places_mm(width_mm: float, height_mm: float) -> tuple[tuple[float, float], ...]:
    """Return where to hold the probe on a rectangular opening: (from the left, from the bottom) in mm, row by row.

    Parameters
    ----------
    width_mm, height_mm : float
        Sides of the opening, mm, 30 to 5000. A side under 762 mm gets 5 points, up to 914 mm 6, above 7.

    Raises
    ------
    UsageError
        A side that looks like another unit.

    References
    ----------
    Log-Tchebycheff rule, see `SIDES`; points a side by its length: ASHRAE 111, 30 and 36 inches (memory). The rule is
    for a duct's profile; a grille's is another, which is part of the method's uncertainty in `traverse`.

    Examples
    --------
    >>> places = places_mm(400.0, 100.0)
    >>> len(places), [round(x, 1) for x, y in places[:5]], round(places[0][1], 1)
    (25, [29.6, 115.2, 200.0, 284.8, 370.4], 7.4)
    """
    for side, what in ((width_mm, "the grille's width"), (height_mm, "the grille's height")):
        hint = f"Were metres meant ({side:g} m is {1000 * side:g} mm)?"
        checked(what, side, "mm", 30.0, 5000.0, hint)
    across, up = (SIDES[5 if side < 762.0 else 6 if side <= 914.0 else 7] for side in (width_mm, height_mm))
    return tuple((x * width_mm, y * height_mm) for y in up for x in across)


def _share(pieces: Sequence[Part]) -> float:
    """Return the share of the grille that the parts cover, checked."""
    if not pieces:
        raise UsageError("no part of the grille was measured: place the hood on one part after the other")
    for piece in pieces:
        if not 0.0 < piece.share <= WHOLE:
            hint = (
                f" Was percent typed ({piece.share:g} % is {piece.share / 100:g})?" if 1.0 < piece.share <= 100 else ""
            )
            raise UsageError(
                f"a part with a share of {piece.share:g} of the grille: it must be over 0 and up to 1.{hint}"
            )
    share = math.fsum(piece.share for piece in pieces)
    if share > WHOLE:
        raise UsageError(
            f"the parts cover {share:.3f} of the grille: no more than 1 is there; parts must not overlap, measure again"
        )
    kinds = sorted({piece.placement.kind for piece in pieces})
    if len(kinds) > 1:
        raise UsageError(f"parts measured with {' and '.join(kinds)}: one grille's parts need one meter; measure again")
    if len(pieces) == 1 and share < 1.0 - 1e-9:
        raise UsageError(
            f"one part of {share:.2f} of the grille says nothing of the rest: place the hood on at least one more part"
        )
    return share


def _grille_flow(flow_m3_s: float, terms: Sequence[Term], r_k_c: float) -> GrilleFlow:
    kept = tuple(term for term in terms if term.u_m3_s > 0.0)
    whole = total(kept, 0.0, PAIR, r_k_c)
    return GrilleFlow(flow_m3_s, whole.u_m3_s, whole.dof, kept, whole)
