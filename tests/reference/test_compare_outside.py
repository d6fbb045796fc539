"""Changes between visits and sums over terminals against a public library for uncertain numbers (GTC).

The library propagates by itself what is common: the same k-factor in two readings is one uncertain number there. It
follows JCGM 100:2008 (GUM) 5.1.2 and 5.2.2 for u and G.4.1 for the degrees of freedom (its documentation, memory).
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from GTC import set_correlation, ureal
from scipy import stats

from hoodtrace.dwelling.compare import compare
from hoodtrace.dwelling.compare_sums import sum_of
from hoodtrace.dwelling.result import Result
from hoodtrace.units import m3h
from visits_over_time import AIR_M3H, DOF_AIR, K_REL, ZERO_M3H, by_hand, of_hood, visit_of

OLD, NEW = "2030-01-01T09:00:00+00:00", "2030-07-01T09:00:00+00:00"


def uncertain(flow: float, k: Any, zero: Any = None) -> Any:
    """A reading as the journal of `of_hood` states it: flow times k, plus zero, plus the air's part."""
    zero = ureal(0.0, ZERO_M3H) if zero is None else zero
    return flow * k + zero + ureal(0.0, AIR_M3H, DOF_AIR)


@pytest.mark.parametrize("flows", [(41.0, 43.5), (41.0, 20.0), (25.0, 60.0)])
@pytest.mark.parametrize("same_hood", [True, False])
def test_the_change_of_a_terminal(tmp_path: Path, flows: tuple[float, float], same_hood: bool) -> None:
    first = visit_of(tmp_path / "a", OLD, [of_hood("S1", flows[0])])
    hood = None if same_hood else (tmp_path / "a/hood.toml").read_text(encoding="utf-8") + "\n# calibrated anew\n"
    second = visit_of(tmp_path / "b", NEW, [of_hood("S1", flows[1])], hood=hood)
    k = ureal(1.0, K_REL)
    oracle = uncertain(flows[1], k if same_hood else ureal(1.0, K_REL)) / uncertain(flows[0], k) - 1.0
    row = next(row for row in compare([second, first]).rows if row.terminal == "S1")
    since = row.cells[1].before
    assert since is not None
    assert since.same_hood is same_hood
    assert since.change.rel == pytest.approx(oracle.x, rel=1e-12)
    half = float(stats.t.ppf(0.975, oracle.df)) * oracle.u
    assert since.change.expanded_rel == pytest.approx(half, rel=1e-6)
    assert since.change.is_real is (abs(oracle.x) > half)


def test_the_change_of_pooled_readings(tmp_path: Path) -> None:
    """Two placements a visit: what is new in each shrinks, the zero of each visit stays, the k-factor cancels."""
    flows = [(40.0, 40.1), (43.0, 42.9)]
    visits = [
        visit_of(tmp_path / f"v{i}", utc, [of_hood("S1", q, hold=n) for n, q in enumerate(pair)])
        for i, (utc, pair) in enumerate(zip((OLD, NEW), flows, strict=True))
    ]
    k = ureal(1.0, K_REL)
    means = []
    for pair in flows:
        zero = ureal(0.0, ZERO_M3H)
        means.append(sum(uncertain(q, k, zero) for q in pair) / 2)
    oracle = means[1] / means[0] - 1.0
    cell = next(row for row in compare(visits).rows if row.terminal == "S1").cells[1]
    assert cell.result is not None
    assert cell.before is not None
    assert cell.result.u_flow_m3h == pytest.approx(means[1].u, rel=1e-9)
    half = float(stats.t.ppf(0.975, oracle.df)) * oracle.u
    assert cell.before.change.expanded_rel == pytest.approx(half, rel=1e-6)


def test_sums_of_a_visit(tmp_path: Path) -> None:
    """Hood readings share k-factor and zero; those of another meter share that meter's whole error, and no other."""
    rooms = {f"S{i}": (f"Room {i}", "supply", 30.0) for i in range(1, 6)}
    hood, hand = {"S1": 41.0, "S2": 23.0, "S3": 31.0}, {"S4": (28.0, 1.2), "S5": (17.0, 0.9)}
    readings = [of_hood(name, q) for name, q in hood.items()] + [by_hand(n, q, u) for n, (q, u) in hand.items()]
    found = compare([visit_of(tmp_path / v, utc, readings, rooms) for v, utc in (("a", OLD), ("b", NEW))])
    k, zero, meter = ureal(1.0, K_REL), ureal(0.0, ZERO_M3H), ureal(0.0, 1.0)
    oracle = sum(uncertain(q, k, zero) for q in hood.values()) + sum(q + u * meter for q, u in hand.values())
    one = found.sums[0]
    assert (one.direction, one.n, one.missing) == ("supply", 5, ())
    assert one.flow_m3h == pytest.approx(oracle.x, rel=1e-12)
    assert one.u_flow_m3h == pytest.approx(oracle.u, rel=1e-9)
    assert one.dof == pytest.approx(oracle.df, rel=1e-6)
    assert one.expanded_m3h == pytest.approx(float(stats.t.ppf(0.975, oracle.df)) * oracle.u, rel=1e-6)


@pytest.mark.parametrize("r", [0.6, -0.4])
def test_a_sum_with_correlated_constants(r: float) -> None:
    """Vane and taps in each reading, their constants from one reference: the library is told the correlation."""
    k, c = ureal(0.0, 0.02, independent=False), ureal(0.0, 0.025, independent=False)
    set_correlation(r, k, c)
    parts = [(40.0, 0.7), (25.0, 0.4), (31.0, 0.5)]  # flow, weight of the vane
    oracle: Any = 0.0
    results = []
    for flow, share in parts:
        oracle = oracle + flow * (1.0 + share * k + (1.0 - share) * c) + ureal(0.0, 0.3)
        terms = (
            ("fluctuation of the air", 0.3, None, "reading"),
            ("k-factor", 0.02 * share * flow, None, "hood"),
            ("taps' coefficient", 0.025 * (1.0 - share) * flow, None, "hood"),
        )
        results.append((Result(flow, 0.0, None, 0.0, 0.3, 1, terms), "hood"))
    got = sum_of(results, r)
    assert m3h(got.u_m3_s) == pytest.approx(oracle.u, rel=1e-9)
    assert got.dof == math.inf
