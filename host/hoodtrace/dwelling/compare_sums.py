"""The uncertainty of a sum of terminals: what all share adds up as it is, what is new in each by its squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from hoodtrace.averaging.budget import Term, Total, total
from hoodtrace.averaging.pooled import PAIR
from hoodtrace.dwelling.result import Result
from hoodtrace.units import m3_s


def sum_of(read: Sequence[tuple[Result, str]], r_k_c: float = 0.0) -> Total:
    """Return the uncertainty of the sum of terminals' results of one visit; each comes with what it was read with.

    Terms of scope "hood" and "visit" are one and the same error in all of them and add up as they are; those of scope
    "reading" and "terminal" are independent. Which readings share a zero is not kept, so all are taken to: that is the
    most it can be.

    References
    ----------
    JCGM 100:2008 (GUM) 5.2.2 with correlation 1 (memory).

    Examples
    --------
    >>> from hoodtrace.units import m3h
    >>> one = Result(30.0, 0.5, None, 1.0, 0.3, 1, (("air", 0.3, None, "reading"), ("k-factor", 0.4, None, "hood")))
    >>> round(m3h(sum_of([(one, "hood"), (one, "hood")]).u_m3_s) ** 2, 3)  # 2 x 0.3^2 + (0.4 + 0.4)^2
    0.82
    """
    shared: dict[tuple[str, str, int], Term] = {}
    terms: list[Term] = []
    for found, by in read:
        seen: dict[tuple[str, str], int] = {}
        for name, u_m3h, dof, scope in found.terms or ((by, found.u_flow_m3h, found.dof, "hood"),):
            term = Term(name, m3_s(u_m3h), math.inf if dof is None else dof, scope)
            if scope not in ("hood", "visit"):
                terms.append(term)
                continue
            nth = seen[name, scope] = seen.get((name, scope), -1) + 1
            old = shared.get((name, scope, nth))
            if old is not None:
                term = replace(term, u_m3_s=old.u_m3_s + term.u_m3_s, dof=min(old.dof, term.dof))
            shared[name, scope, nth] = term
    return total((*terms, *shared.values()), 0.0, PAIR, r_k_c)
