"""The lines of a budget against a public library for uncertain numbers (GTC), and shares worked out on paper."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import component, get_correlation, get_covariance, set_correlation, sqrt, ureal

from hoodtrace.averaging.budget import Term, total
from hoodtrace.averaging.channels import Plane, observe
from hoodtrace.averaging.reading import Averaged, average
from hoodtrace.dwelling.why import both_channels
from hoodtrace.dwelling.why_budget import COVARIANCE, by_scope, lines
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import parse_hood

AREA_M2 = math.pi / 4 * 0.104**2
K, U_K_REL, C, U_C_REL, U_ZERO_PA = 0.93, 0.02, 0.71, 0.025, 0.02
M3H = 3600.0
# The air without any error of its own: what is left are k, c, zero and counting (0.1 %, the package's own estimate).
AIR = Air(20.0, 50.0, 98000.0, 0.0, 0.0, 0.0, assumed=False)


def reading(r_k_c: float, speed_m_s: float, dp_pa: float, placement: str = "") -> Averaged:
    """A reading of air that does not fluctuate, by both channels."""
    hood = parse_hood(
        f'name = "h"\nr_k_c = {r_k_c}\n[pipe]\nbore_mm = 104.0\nlength_mm = 200.0\n[vane]\noffset_m_s = 0.14\n'
        f"gain_m_s_per_hz = 0.047\nstart_m_s = 0.25\nk = {K}\nu_k_rel = {U_K_REL}\n[taps]\ncount = 4\nc = {C}\n"
        f"u_c_rel = {U_C_REL}\nzero_pa = 0.0\nu_zero_pa = {U_ZERO_PA}\n{placement}",
        "hood.toml",
    )
    t_us = np.arange(2001, dtype=np.int64) * 20_000
    n, hz = len(t_us), (speed_m_s - 0.14) / 0.047
    plane = Plane(
        t_us, hz * t_us * 1e-6, np.full(n, dp_pa), np.zeros(n, np.int8), np.zeros(n, np.uint8), np.ones(n, bool),
        np.zeros(n, np.int64), (AIR,),
    )  # fmt: skip
    seen = observe(plane, hood)
    assert seen is not None
    (found,) = average([seen], hood, [False])
    assert found.refusal is None
    return found


@pytest.mark.parametrize("r_k_c", [0.0, 0.6, -0.4])
@pytest.mark.parametrize("dp_pa", [0.5, 3.0, 30.0])
def test_lines_and_channels_against_uncertain_numbers(r_k_c: float, dp_pa: float) -> None:
    k, c = ureal(K, U_K_REL * K, independent=False), ureal(C, U_C_REL * C, independent=False)
    set_correlation(r_k_c, k, c)
    dp, counting = ureal(dp_pa, U_ZERO_PA), ureal(0.0, 0.001)
    by_taps = c * AREA_M2 * sqrt(2 * dp / AIR.density_kg_m3)
    speed_m_s = 1.01 * by_taps.x / (K * AREA_M2)
    by_vane = k * AREA_M2 * speed_m_s * (1 + counting)
    found = reading(r_k_c, speed_m_s, dp_pa)

    # Aitken's weights for two estimates with a covariance (memory).
    both = get_covariance(by_vane, by_taps)
    share = min(1.0, max(0.0, (by_taps.u**2 - both) / (by_vane.u**2 + by_taps.u**2 - 2 * both)))
    flow = share * by_vane + (1 - share) * by_taps
    rows = {line.name: line for line in lines(found, r_k_c)}
    inputs = {"k-factor": k, "taps' coefficient": c, "zero": dp, "counting": counting}
    for name, x in inputs.items():
        wanted = abs(component(flow, x))
        if wanted > 1e-12:
            assert rows[name].u_m3h == pytest.approx(M3H * wanted, rel=1e-3)
            assert rows[name].share == pytest.approx(wanted**2 / flow.u**2, rel=3e-3)
            assert rows[name].u_rel == pytest.approx(wanted / flow.x, rel=1e-3)
    covariance = 2 * get_correlation(k, c) * component(flow, k) * component(flow, c) / flow.u**2
    assert (rows[COVARIANCE].share if COVARIANCE in rows else 0.0) == pytest.approx(covariance, abs=2e-3)
    assert math.fsum(line.share for line in rows.values()) == pytest.approx(1.0, abs=1e-12)

    # How far the channels may be apart: k and c, zero, counting, less what they share, and 1.1 % that hoods repeat to.
    difference = by_vane - by_taps
    channels = both_channels(found)
    assert channels.share_vane == pytest.approx(share, abs=2e-3)
    assert channels.apart_m3h == pytest.approx(M3H * difference.x, rel=1e-3)
    assert channels.u_apart_m3h == pytest.approx(M3H * math.hypot(difference.u, 0.011 * by_vane.x), rel=1e-3)


def test_scopes_add_up_to_the_whole() -> None:
    found = reading(0.6, 2.0, 3.2, "[placement]\nu_rel = 0.02\ndof = 7\n")
    scopes = by_scope(found, 0.6)
    assert math.hypot(*scopes.values()) == pytest.approx(M3H * found.total.u_m3_s, rel=1e-12)
    # Nothing but the placement is new in each reading of such still air: 2 % of the flow.
    assert scopes["reading"] == pytest.approx(0.02 * M3H * found.flow_m3_s, rel=1e-4)
    (placement,) = (line for line in lines(found, 0.6) if line.name == "placement")
    assert (placement.dof, placement.scope) == (7.0, "reading")


@pytest.mark.parametrize(
    ("r", "shares"),
    # By hand with u = 3 and 4: 9 + 16 + 2 r 12 is 25, 37 and 13.
    [(0.0, (16 / 25, 9 / 25)), (0.5, (16 / 37, 9 / 37, 12 / 37)), (-0.5, (16 / 13, 9 / 13, -12 / 13))],
)
def test_shares_on_paper(r: float, shares: tuple[float, ...]) -> None:
    terms = (Term("k-factor", 3.0, math.inf, "hood"), Term("taps' coefficient", 4.0, 5.0, "hood"))
    added = total(terms, 0.0, ("k-factor", "taps' coefficient"), r)
    found = Averaged(
        100.0, added, 0.0, 0.0, 0.0, 1.0, 20.0, "supply", None, None, None, None, 40.0, terms, (), None
    )  # fmt: skip
    rows = lines(found, r)
    assert [line.share for line in rows] == pytest.approx(shares)
    assert [line.u_m3h for line in rows][:2] == pytest.approx([4.0 * M3H, 3.0 * M3H])
    assert [line.dof for line in rows][:2] == [5.0, None]
    assert [line.kind for line in rows][2:] == ["covariance"] * (len(shares) - 2)
    # A covariance has no standard uncertainty.
    assert all(line.u_m3h is None and line.u_rel is None for line in rows[2:])
