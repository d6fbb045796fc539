"""Pooled placements against a published comparison of nine laboratories, and a public library for uncertain numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import set_correlation, ureal
from scipy import stats

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import Placement, entered, pooled

# R. N. Kacker, Metrologia 41 (2004) 132, Table 1, first row: nine laboratories' results and variances, and the standard
# deviation between them by Cochran (equal weights), 1.1837 (seen, as pinned by the tests of the library statsmodels).
LABORATORIES = (61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90)
VARIANCES = (0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225)
BETWEEN_COCHRAN, BETWEEN_DL = 1.1837, 0.5359


def of_laboratories() -> list[Placement]:
    return [
        Placement(x, 0.0, math.inf, (Term("result", math.sqrt(v), math.inf, "reading"),))
        for x, v in zip(LABORATORIES, VARIANCES, strict=True)
    ]


def test_published_scatter_between_laboratories() -> None:
    got = pooled(of_laboratories())
    apart = next(t for t in got.terms if t.name == "placements apart")
    assert apart.u_m3_s * math.sqrt(9) == pytest.approx(BETWEEN_COCHRAN, abs=6e-5)
    assert got.flow_m3_s == pytest.approx(float(np.mean(LABORATORIES)), rel=1e-12)
    # GUM 4.2.3: the standard deviation of the mean, by a general library.
    assert got.total.u_m3_s == pytest.approx(float(stats.sem(LABORATORIES)), rel=1e-12)
    # Cochran's Q of the same nine by a general library's chi-squared: they do disagree, at far under 1 %.
    w = 1 / np.array(VARIANCES)
    q = float((w * (np.array(LABORATORIES) - np.average(LABORATORIES, weights=w)) ** 2).sum())
    assert stats.chi2.sf(q, 8) < 0.01
    assert got.flags == ("placements disagree",)


def test_published_scatter_between_laboratories_of_different_meters() -> None:
    """Inverse variances, DerSimonian and Laird 1986; Kacker's 0.5359 has three digits in common with statsmodels (its
    test allows 1e-3, seen)."""
    got = pooled([entered(x, math.sqrt(v), f"laboratory {i}") for i, (x, v) in enumerate(zip(LABORATORIES, VARIANCES, strict=True))])  # fmt: skip # noqa: E501
    apart = next(t for t in got.terms if t.name == "meters apart")
    w = 1 / np.array(VARIANCES)
    w /= w.sum()
    assert apart.u_m3_s / math.sqrt(float((w**2).sum())) == pytest.approx(BETWEEN_DL, abs=1e-3)
    assert got.flow_m3_s == pytest.approx(float(np.average(LABORATORIES, weights=1 / np.array(VARIANCES))), rel=1e-12)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_budget_of_a_general_library(n: int) -> None:
    """GTC: one uncertain k-factor and zero shared by all placements, air new in each."""
    flows = [40.0 + 0.1 * i for i in range(n)]
    air = [0.4 + 0.1 * i for i in range(n)]
    dof_air = [10.0 + 5.0 * i for i in range(n)]
    k, zero = ureal(1.0, 0.02, 12.0), ureal(0.0, 0.3)
    seen = [q * k + zero + ureal(0.0, u, d) for q, u, d in zip(flows, air, dof_air, strict=True)]
    oracle = sum(seen) / n
    placements = [
        Placement(
            q,
            u,
            d,
            (
                Term("fluctuation of the air", u, d, "reading"),
                Term("k-factor", 0.02 * q, 12.0, "hood"),
                Term("zero", 0.3, math.inf, "visit"),
            ),
        )
        for q, u, d in zip(flows, air, dof_air, strict=True)
    ]
    got = pooled(placements)
    assert got.flow_m3_s == pytest.approx(oracle.x, rel=1e-12)
    assert got.total.u_m3_s == pytest.approx(oracle.u, rel=1e-12)
    assert got.total.dof == pytest.approx(oracle.df, rel=1e-9)
    assert got.total.expanded_m3_s == pytest.approx(float(stats.t.ppf(0.975, oracle.df)) * oracle.u, rel=1e-9)


def test_correlated_constants_of_a_general_library() -> None:
    """GTC: k and c with correlated errors, shared by three placements with channel weights of their own."""
    k, c = ureal(1.0, 0.02, independent=False), ureal(1.0, 0.025, independent=False)
    set_correlation(0.6, k, c)
    flows, shares = (40.0, 40.2, 39.9), (0.5, 0.7, 1.0)
    oracle = sum(q * (w * k + (1 - w) * c) + ureal(0.0, 0.4) for q, w in zip(flows, shares, strict=True)) / 3
    placements = []
    for q, w in zip(flows, shares, strict=True):
        terms = [
            Term("fluctuation of the air", 0.4, math.inf, "reading"),
            Term("k-factor", w * 0.02 * q, math.inf, "hood"),
        ]
        if w < 1.0:
            terms.append(Term("taps' coefficient", (1 - w) * 0.025 * q, math.inf, "hood"))
        placements.append(Placement(q, 0.4, math.inf, tuple(terms)))
    assert pooled(placements, r_k_c=0.6).total.u_m3_s == pytest.approx(oracle.u, rel=1e-12)


def test_hood_and_meter_of_a_general_library() -> None:
    """GTC: two placements with a shared k-factor, two readings of a meter with an error of its own."""
    k, meter = ureal(1.0, 0.03), ureal(0.0, 2.5)
    hood = sum(40.0 * k + ureal(0.0, 0.5) for _ in range(2)) / 2
    by_hand = sum(41.0 + meter for _ in range(2)) / 2
    w = hood.u**-2 / (hood.u**-2 + by_hand.u**-2)
    oracle = w * hood + (1 - w) * by_hand
    one = Placement(
        40.0, 0.5, math.inf, (Term("air", 0.5, math.inf, "reading"), Term("k-factor", 1.2, math.inf, "hood"))
    )
    got = pooled([one, entered(41.0, 2.5), one, entered(41.0, 2.5)])
    assert got.flow_m3_s == pytest.approx(oracle.x, rel=1e-12)
    assert got.total.u_m3_s == pytest.approx(oracle.u, rel=1e-12)
