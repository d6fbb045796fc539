"""Repeat placements of one terminal become one result: what is new in each placement shrinks, what they share does not.

Terms of scope "reading" are independent from placement to placement; all other terms (zero, air, the hood's constants)
are one and the same error in all of them, so their mean stays. Placements that scatter more than their terms say widen
the result. Readings of different meters are pooled meter by meter first, then as independent results. The order of the
placements changes nothing, to the last bit. Reads no file, prints nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodtrace.averaging.budget import Term, Total, total
from hoodtrace.errors import UsageError

HOOD = "hood"
PAIR = ("k-factor", "taps' coefficient")
DISAGREE_RISK = 0.01
"""So rarely are placements that scatter as stated said to disagree (own choice, as for the two channels)."""


@dataclass(frozen=True, slots=True)
class Placement:
    """One reading of a terminal, flow in m3/s.

    `u_random_m3_s` with `dof_random` is what the air leaves in it (one of the `terms`, beside the others). `kind` is
    the meter: placements of one kind share its errors, different kinds share none.
    """

    flow_m3_s: float
    u_random_m3_s: float
    dof_random: float
    terms: tuple[Term, ...]
    kind: str = HOOD


@dataclass(frozen=True, slots=True)
class Pooled:
    """The result of `n` placements: flow in m3/s, its budget and what that adds up to, the air's part alone, flags."""

    flow_m3_s: float
    total: Total
    u_random_m3_s: float
    n: int
    dof_random: float
    terms: tuple[Term, ...]
    flags: tuple[str, ...]


def entered(flow_m3_s: float, u_m3_s: float, meter: str = "meter") -> Placement:
    """Return a reading that was typed in, m3/s with its stated standard uncertainty.

    How much of the stated uncertainty is new in each reading nobody knows: all of it is taken as shared by the readings
    with this `meter`, so repeats do not shrink it.

    Examples
    --------
    >>> two = pooled([entered(0.0100, 0.0005), entered(0.0100, 0.0005)])
    >>> two.total.u_m3_s
    0.0005
    """
    return Placement(flow_m3_s, 0.0, math.inf, (Term(meter, u_m3_s, math.inf, "hood"),), meter)


def pooled(placements: Sequence[Placement], r_k_c: float = 0.0) -> Pooled:
    """Return one result from all `placements` of one terminal; one alone keeps its own numbers.

    Parameters
    ----------
    placements : sequence of Placement
        At least one. Flows in m3/s, over 0; each with a term over 0.
    r_k_c : float
        Correlation of the errors of k and c in the hood file, -1 to 1.

    Raises
    ------
    UsageError
        No placement, a flow that is not over 0, or one without an uncertainty.

    Notes
    -----
    Equal weights inside a kind: the placement's part is the same in all and seldom the smaller one. The air's part is
    an estimate from the same seconds as the flow, and weights made of it would favour the hold that looked calm by
    chance, relative terms the lower flow. With holds of 12 to 120 s the part that shrinks is 4 to 7 % larger than with
    the best weights, 1 to 2 % where placements scatter twice as much as stated; inverse variances would leave 1 to 3 %
    in both (tests/bench/figures_pooled.py). Kinds are independent and are weighed by their inverse variances.

    Scatter: with equal weights the variance that placements show beyond their terms is s^2 - mean(u_i^2), and the
    term "placements apart" brings the mean's own part up to s / sqrt(n), the standard deviation of the mean. It never
    narrows: a few placements that agree by chance prove nothing. It has n - 1 degrees of freedom.

    References
    ----------
    Correlated terms: JCGM 100:2008 (GUM) 5.2.2. s / sqrt(n): GUM 4.2.3 (memory). The variance between placements by the
    method of moments for any weights: R. DerSimonian, R. Kacker, Contemp. Clin. Trials 28 (2007) 105 (memory; equal
    weights are Cochran's, inverse variances DerSimonian's and Laird's of 1986). Widening where scatter is larger than
    stated: R. T. Birge, Phys. Rev. 40 (1932) 207 (memory).

    Examples
    --------
    Two placements that agree: what is new in each shrinks by the root of two, the k-factor stays.

    >>> terms = (Term("placement", 0.3, math.inf, "reading"), Term("k-factor", 0.4, math.inf, "hood"))
    >>> two = pooled([Placement(10.0, 0.0, math.inf, terms)] * 2)
    >>> [(term.name, round(term.u_m3_s, 4)) for term in two.terms]
    [('placement', 0.2121), ('k-factor', 0.4)]
    """
    if not placements:
        raise UsageError("no placement to pool: a terminal without a reading has no flow; read it first")
    kinds: dict[str, list[Placement]] = {}
    for one in sorted(placements, key=_order):
        kinds.setdefault(one.kind, []).append(one)
    results = [_of_one_kind(group, r_k_c) for group in kinds.values()]
    return results[0] if len(results) == 1 else _of_kinds(results, r_k_c)


def mean_terms(group: Sequence[Placement]) -> list[Term]:
    """Return the budget of the mean of placements with one meter, equal weights, their scatter left out.

    Raises
    ------
    UsageError
        A flow that is not over 0, or one without an uncertainty.
    """
    # A name may stand twice in a placement, with errors of their own: the second is another error than the first.
    terms: dict[tuple[str, str, int], list[Term]] = {}
    for one in group:
        _check(one)
        seen: dict[tuple[str, str], int] = {}
        for term in one.terms:
            nth = seen[term.name, term.scope] = seen.get((term.name, term.scope), -1) + 1
            terms.setdefault((term.name, term.scope, nth), []).append(term)
    return [_mean_term(same, len(group)) for same in terms.values()]


def _of_one_kind(group: Sequence[Placement], r_k_c: float) -> Pooled:
    """Return the mean of placements with one meter."""
    n = len(group)
    flows = [one.flow_m3_s for one in group]
    mean = mean_terms(group)
    if n == 1:
        one = group[0]
        whole = total(tuple(mean), 0.0, PAIR, r_k_c)
        return Pooled(one.flow_m3_s, whole, one.u_random_m3_s, 1, one.dof_random, one.terms, ())
    own = [total(tuple(term for term in one.terms if term.scope == "reading")) for one in group]
    mean += _apart("placements apart", flows, [1.0 / n] * n, [each.u_m3_s**2 for each in own])
    # Where nothing is stated as new in each, the whole uncertainty must explain the scatter.
    alone = [each if each.u_m3_s > 0.0 else total(one.terms) for one, each in zip(group, own, strict=True)]
    flags = ("placements disagree",) if _disagree(flows, alone) else ()
    air = total(tuple(Term("air", one.u_random_m3_s / n, one.dof_random, "reading") for one in group))
    whole = total(tuple(mean), 0.0, PAIR, r_k_c)
    return Pooled(math.fsum(flows) / n, whole, air.u_m3_s, n, air.dof, tuple(mean), flags)


def _of_kinds(results: Sequence[Pooled], r_k_c: float) -> Pooled:
    """Return the mean of independent results, weighed by their inverse variances."""
    inverse = [each.total.u_m3_s**-2 for each in results]
    weights = [each / math.fsum(inverse) for each in inverse]
    flows = [each.flow_m3_s for each in results]
    terms = [replace(t, u_m3_s=w * t.u_m3_s) for each, w in zip(results, weights, strict=True) for t in each.terms]
    terms += _apart("meters apart", flows, weights, [each.total.u_m3_s**2 for each in results])
    flags = [flag for each in results for flag in each.flags]
    if _disagree(flows, [each.total for each in results]):
        flags.append("meters disagree")
    air = total(
        tuple(Term("air", w * p.u_random_m3_s, p.dof_random, "reading") for p, w in zip(results, weights, strict=True))
    )
    return Pooled(
        math.fsum(w * flow for w, flow in zip(weights, flows, strict=True)),
        total(tuple(terms), 0.0, PAIR, r_k_c),
        air.u_m3_s,
        sum(each.n for each in results),
        air.dof,
        tuple(terms),
        tuple(dict.fromkeys(flags)),
    )


def _mean_term(same: Sequence[Term], n: int) -> Term:
    """Return what one line of the budget is in the mean of `n`; a placement that lacks it adds nothing."""
    if n == 1:
        return same[0]
    if same[0].scope != "reading":
        return replace(same[0], u_m3_s=math.fsum(t.u_m3_s for t in same) / n, dof=min(t.dof for t in same))
    parts = total(tuple(replace(t, u_m3_s=t.u_m3_s / n) for t in same))
    # The errors of the placements are new in each, but all sizes of them come from one estimate in the hood file.
    dof = min(t.dof for t in same) if same[0].name == "placement" else parts.dof
    return replace(same[0], u_m3_s=parts.u_m3_s, dof=dof)


def _apart(name: str, values: Sequence[float], weights: Sequence[float], variances: Sequence[float]) -> list[Term]:
    """Return the term by which `values` scatter more than their `variances` say; none where they do not."""
    mean = math.fsum(w * x for w, x in zip(weights, values, strict=True))
    seen = math.fsum(w * (x - mean) ** 2 for w, x in zip(weights, values, strict=True))
    stated = math.fsum(w * (1.0 - w) * v for w, v in zip(weights, variances, strict=True))
    squares = math.fsum(w * w for w in weights)
    between = (seen - stated) / (1.0 - squares)
    return [Term(name, math.sqrt(between * squares), len(values) - 1.0, "reading")] if between > 0.0 else []


def _disagree(values: Sequence[float], alone: Sequence[Total]) -> bool:
    """Return whether `values` scatter by more than chance allows; their stated variances have degrees of freedom too.

    References
    ----------
    Cochran's Q; ratio of two sums of squares, F distribution (textbook; for unequal degrees of freedom approximate).
    """
    from scipy.special import chdtrc, fdtrc

    inverse = [each.u_m3_s**-2 for each in alone]
    mean = math.fsum(w * x for w, x in zip(inverse, values, strict=True)) / math.fsum(inverse)
    q = math.fsum(w * (x - mean) ** 2 for w, x in zip(inverse, values, strict=True))
    more = len(values) - 1.0
    dof = min(each.dof for each in alone)
    p = chdtrc(more, q) if dof == math.inf else fdtrc(more, dof, q / more)
    return bool(p < DISAGREE_RISK)


def _order(one: Placement) -> tuple[object, ...]:
    terms = tuple((t.name, t.scope, t.u_m3_s, t.dof) for t in one.terms)
    return one.kind, one.flow_m3_s, one.u_random_m3_s, one.dof_random, terms


def _check(one: Placement) -> None:
    if not (math.isfinite(one.flow_m3_s) and one.flow_m3_s > 0.0):
        raise UsageError(
            f"a placement with a flow of {one.flow_m3_s:g} m3/s: only flows over 0 are pooled; read it again"
        )
    if not all(math.isfinite(t.u_m3_s) and t.u_m3_s >= 0.0 and t.dof > 0.0 for t in one.terms) or not any(
        t.u_m3_s > 0.0 for t in one.terms
    ):
        raise UsageError(
            f"a placement of {one.flow_m3_s:g} m3/s has no uncertainty, or one that is no number of 0 or more: state it"
        )
