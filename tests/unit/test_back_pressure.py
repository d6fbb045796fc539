"""The two-resistance method and what it refuses; truths are made here from q = B (P0 - dp)^n."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hoodtrace.averaging.budget import Term, Total
from hoodtrace.averaging.reading import Averaged
from hoodtrace.calibration.back_pressure import (
    HOLDS,
    Correction,
    Exponent,
    Opening,
    Refusal,
    Shared,
    estimated,
    two_resistances,
)
from hoodtrace.calibration.openings import Prepared, Seen, prepare
from hoodtrace.errors import HoodError, MeasurementError
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Hood, parse_hood
from hoodtrace.physics.resistance import law_of, natural_warning

FREE = 0.02  # m3/s
P0 = 40.0
AIR = Air(20.0, 50.0, 101325.0, 1.0, 5.0, 100.0, assumed=False)
HOOD_TEXT = """name = "h"
[pipe]
bore_mm = 100.0
length_mm = 200.0
[vane]
offset_m_s = 0.1
gain_m_s_per_hz = 0.02
start_m_s = 0.2
k = 0.9
u_k_rel = 0.02
[taps]
count = 4
c = 0.7
u_c_rel = 0.02
zero_pa = 0.0
u_zero_pa = 0.02
[placement]
u_rel = 0.01
"""


def hood(more: str = "") -> Hood:
    return parse_hood(HOOD_TEXT + more, "h.toml")


def opening(dp: float, n: float = 0.5, u: float = 0.002, name: str = "x", u_dp: float = 0.005) -> Opening:
    return Opening(name, FREE * (1 - dp / P0) ** n, u, dp, u_dp)


def correction(found: Correction | Refusal) -> Correction:
    assert isinstance(found, Correction), found
    return found


def refusal(found: object) -> Refusal:
    assert isinstance(found, Refusal), found
    return found


@pytest.mark.parametrize("n", [0.5, 0.575, 0.65])
def test_own_exponent_gives_flow_and_branch_pressure_back(n: float) -> None:
    found = correction(two_resistances([opening(dp, n) for dp in (2.0, 6.0, 10.0)], (), Exponent(n, 0.0)))
    assert found.no_hood_m3_s == pytest.approx(FREE, rel=1e-12)
    assert found.branch_pa == pytest.approx(P0, rel=1e-9)
    assert found.residual_rel == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)


@pytest.mark.parametrize("n", [0.5, 0.65])
def test_interval_covers_the_exponents_that_it_says(n: float) -> None:
    # No other error: what is left is the exponent, and it must be of the order of its term.
    found = correction(two_resistances([opening(dp, n, 1e-6, u_dp=1e-6) for dp in (8.0, 24.0)]))
    error = found.no_hood_m3_s - FREE
    [term] = [t for t in found.terms if t.name == "exponent of the branch"]
    assert abs(error) > 1e-4 * FREE
    assert abs(error) < found.total.expanded_m3_s
    assert term.u_m3_s == pytest.approx(abs(error) / math.sqrt(3.0), rel=0.3)  # the ends of a rectangle


def test_scale_shared_by_all_is_not_amplified() -> None:
    pair = [opening(3.0, u=0.0), opening(9.0, u=0.0)]
    k = Shared("k", tuple(0.03 * o.flow_m3_s for o in pair), (0.0, 0.0), 12.0)
    found = correction(two_resistances(pair, (k,), Exponent(0.5, 0.0)))
    [term] = [t for t in found.terms if t.name == "k"]
    assert term.u_m3_s == pytest.approx(0.03 * found.no_hood_m3_s, rel=1e-5)
    assert term.dof == 12.0


def test_uncertainty_is_what_repeating_shows() -> None:
    rng = np.random.default_rng(5)
    u_zero, u_dp, u, air = 0.05, 0.02, 0.008, 0.004
    dps = (3.0, 9.0, 15.0)
    clean = [replace(opening(dp, u=u, u_dp=u_dp), u_air_rel=air) for dp in dps]
    zero = Shared("zero", (0.0,) * 3, (u_zero,) * 3)
    stated = correction(two_resistances(clean, (zero,), Exponent(0.5, 0.0))).total.u_m3_s
    seen = []
    for _ in range(3000):
        off = rng.normal(0, u_zero)
        drawn = []
        for o in clean:
            a = rng.normal(0, air)
            q = o.flow_m3_s * (1 + a) * (1 + rng.normal(0, u))
            drawn.append(replace(o, flow_m3_s=q, dp_pa=o.dp_pa * (1 + a) ** 2 + off + rng.normal(0, u_dp)))
        found = two_resistances(drawn, (zero,), Exponent(0.5, 0.0))
        seen.append(correction(found).no_hood_m3_s)
    assert np.mean(seen) == pytest.approx(FREE, rel=0.001)
    # The standard deviation of 3000 draws is known within 1.3 %.
    assert np.std(seen) == pytest.approx(stated, rel=0.05)


def test_air_moves_flow_and_pressure_together() -> None:
    # q0^2 = (K2 - K1) / (K2/q1^2 - K1/q2^2): with the resistances fixed, ln q0 moves by K2 (q0/q1)^2 / (K2 - K1) for
    # the first reading and K1 (q0/q2)^2 / (K2 - K1) for the second.
    k1, k2 = 3.0 / FREE**2, 12.0 / FREE**2
    q = [math.sqrt(P0 / (k + P0 / FREE**2)) for k in (k1, k2)]
    pair = [Opening("x", f, 0.0, k * f**2, 0.0, 0.01) for f, k in zip(q, (k1, k2), strict=True)]
    found = correction(two_resistances(pair, (), Exponent(0.5, 0.0)))
    by_first, by_second = (k * (FREE / f) ** 2 / (k2 - k1) for k, f in ((k2, q[0]), (k1, q[1])))
    assert found.total.u_m3_s == pytest.approx(0.01 * FREE * math.hypot(by_first, by_second), rel=1e-4)


def test_few_degrees_of_freedom_widen_the_interval() -> None:
    pair = [opening(3.0, u=0.01), opening(15.0, u=0.01)]
    known = correction(two_resistances(pair)).total
    few = correction(two_resistances([replace(o, dof_flow=4.0) for o in pair])).total
    assert known.dof == math.inf
    assert 3.0 < few.dof < 12.0
    assert few.expanded_m3_s > 1.1 * known.expanded_m3_s
    assert few.u_m3_s == known.u_m3_s


def test_fan_that_holds_the_flow_is_refused() -> None:
    pair = [Opening("1", FREE, 0.003, 2.0, 0.01), Opening("2", FREE * 0.999, 0.003, 10.0, 0.01)]
    found = refusal(two_resistances(pair))
    assert found.kind == "held"
    assert found.words.startswith(HOLDS)
    assert "2.00 to 10.00 Pa" in found.words


def test_flow_that_only_may_be_held_is_given_with_a_flag() -> None:
    pair = [Opening("1", FREE, 0.01, 1.0, 0.01), Opening("2", FREE * 0.99, 0.01, 5.0, 0.01)]
    found = correction(two_resistances(pair))
    assert "the fan may hold this flow" in found.flags


def test_clear_fall_has_no_such_flag() -> None:
    assert correction(two_resistances([opening(2.0), opening(10.0)])).flags == ()


def test_small_change_says_how_far_to_restrict() -> None:
    found = refusal(two_resistances([opening(1.0, u_dp=0.05), opening(1.2, u_dp=0.05)]))
    assert found.kind == "small change"
    assert "until it reads 5.0 Pa" in found.words


def test_flow_that_rises_is_refused() -> None:
    pair = [Opening("1", FREE, 0.003, 2.0, 0.01), Opening("2", FREE * 1.05, 0.003, 10.0, 0.01)]
    assert refusal(two_resistances(pair)).kind == "rose"
    wild = [Opening("1", FREE, 0.003, 2.0, 0.01), Opening("2", FREE * 4.0, 0.003, 2.5, 0.01)]
    assert refusal(two_resistances(wild)).kind == "rose"


def test_an_opening_off_the_line_is_said_and_widens() -> None:
    three = [opening(dp, 0.575) for dp in (2.0, 6.0, 12.0)]
    straight = correction(two_resistances(three))
    three[1] = replace(three[1], flow_m3_s=three[1].flow_m3_s * 1.03)
    bent = correction(two_resistances(three))
    assert straight.p_value == pytest.approx(1.0)
    assert bent.p_value is not None
    assert bent.p_value < 0.001
    assert "openings not on one line" in bent.flags
    assert bent.total.expanded_m3_s > 3.0 * straight.total.expanded_m3_s
    assert bent.residual_rel[1] > 0.015


def test_little_restriction_is_said() -> None:
    assert "restricted little" in correction(two_resistances([opening(3.0), opening(6.0)])).flags


@pytest.mark.parametrize("bad", [{"flow_m3_s": 0.0}, {"dp_pa": -1.0}])
def test_openings_without_air_are_errors(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="over zero"):
        two_resistances([replace(opening(2.0), **bad), opening(8.0)])
    with pytest.raises(ValueError, match="two openings"):
        two_resistances([opening(2.0)])


def test_estimate_that_can_not_be_is_refused() -> None:
    assert refusal(estimated(FREE, 0.01, 50.0, 4.0, 0.1, 4.2, 1.0)).kind == "too much"


def test_estimate_widens_with_the_stated_pressure() -> None:
    sure = correction(estimated(FREE, 0.01, 50.0, 4.0, 0.1, 40.0, 0.0))
    vague = correction(estimated(FREE, 0.01, 50.0, 4.0, 0.1, 40.0, 15.0))
    low, high = (correction(estimated(FREE, 0.01, 50.0, 4.0, 0.1, p, 0.0)).no_hood_m3_s for p in (39.0, 41.0))
    [term] = [t for t in vague.terms if t.name == "stated branch pressure"]
    assert term.u_m3_s == pytest.approx(15.0 * (low - high) / 2.0, rel=0.01)
    assert vague.total.u_m3_s > sure.total.u_m3_s
    assert vague.kind == "estimate"


def test_law_of_the_hood() -> None:
    text = hood("\n[resistance]\ntaps_share = 1.3\nu_taps_share_rel = 0.04\n")
    law = law_of(text, "supply", 1.2)
    speed = FREE / (0.7 * math.pi / 4 * 0.1**2)
    assert law.pa(FREE) == pytest.approx(1.3 * 0.6 * speed**2)
    assert law.u_rel(FREE) == pytest.approx(math.hypot(2 * 0.02, 0.04))
    assert law.pa(2 * FREE) == pytest.approx(4 * law.pa(FREE))


def test_law_with_a_second_term_moves_with_its_exponent() -> None:
    law = replace(law_of(hood(), "supply", 1.2), exponent=0.52, u_exponent=0.01, u_scale_rel=0.0)
    up, down = (replace(law, exponent=0.52 + d).pa(FREE) for d in (1e-5, -1e-5))
    assert law.u_rel(FREE) == pytest.approx(abs(up - down) / 2e-5 * 0.01 / law.pa(FREE), rel=1e-4)


def test_hood_without_taps_has_no_law() -> None:
    bare = parse_hood(HOOD_TEXT.split("[taps]")[0], "h.toml")
    with pytest.raises(HoodError, match="no \\[taps\\]"):
        law_of(bare, "supply", 1.2)


def test_natural_ventilation_is_warned_with_numbers() -> None:
    words = natural_warning(4.32, 1.0)
    assert words is not None
    for part in ("4.32 Pa", "1.00 Pa", "12.3 % of the flow", "0.2 Pa", "wind", "minutes"):
        assert part in words
    assert natural_warning(60.0, 1.0) is None
    assert natural_warning(math.inf, 1.0) is None
    gentle = natural_warning(4.32, 0.1)
    assert gentle is not None
    assert "wider" not in gentle


def averaged(vane_m3_s: float, taps_m3_s: float | None, hold: int = 1) -> Averaged:
    return Averaged(
        vane_m3_s, Total(0.0005, 30.0, 0.001), 0.003 * vane_m3_s, 0.006 * vane_m3_s, 0.05, 0.5, 30.0, "supply",
        vane_m3_s, 0.0004, taps_m3_s, 0.0004, 25.0, (Term("fluctuation of the air", 0.0, 9.0, "reading"),), (), None,
        AIR,
    )  # fmt: skip


def seen(name: str, vane_m3_s: float, taps_m3_s: float | None, times: float | None = 1.0) -> Seen:
    hold, _, _ = name.partition(".")
    return Seen(name, (0, int(hold)), averaged(vane_m3_s, taps_m3_s), times, name != "1.1")


def taps_flow(dp: float, which: Hood) -> float:
    return which.taps.c * which.area_m2 * math.sqrt(2 * dp / AIR.density_kg_m3)  # type: ignore[union-attr]


def test_taps_open_to_the_room_feel_the_pressure() -> None:
    h = hood()
    k1, k2 = 4.0 / FREE**2, 20.0 / FREE**2
    q1, q2 = (math.sqrt(P0 / (k + P0 / FREE**2)) for k in (k1, k2))
    got = prepare([seen("1.1", q1, taps_flow(k1 * q1**2, h)), seen("2.1", q2, taps_flow(k2 * q2**2, h), None)], h)
    assert isinstance(got, Prepared)
    assert got.feels == "room"
    assert got.openings[1].dp_pa == pytest.approx(k2 * q2**2)
    assert got.resistances == pytest.approx((1.0, 5.0))
    assert got.openings[0].u_flow_rel == 0.01
    assert got.openings[0].dof_air == 9.0
    assert "k under the restriction not checked" in got.flags
    found = correction(two_resistances(got.openings, got.shared, Exponent(0.5, 0.0)))
    assert found.no_hood_m3_s == pytest.approx(FREE)


def test_taps_in_the_pipe_need_the_resistance_and_check_k() -> None:
    h = hood("\n[resistance]\ntaps_share = 2.0\n")
    q1, q2 = 0.0190, 0.0160
    assert refusal(prepare([seen("1.1", q1, q1), seen("2.1", q2, q2, None)], h)).kind == "taps feel the flow"
    got = prepare([seen("1.1", q1, q1), seen("2.1", q2, q2, 5.0)], h)
    assert isinstance(got, Prepared)
    assert got.feels == "flow"
    assert got.openings[1].dp_pa / got.openings[0].dp_pa == pytest.approx(5.0 * (q2 / q1) ** 2)
    assert got.openings[0].dp_pa == pytest.approx(law_of(h, "supply", AIR.density_kg_m3).pa(q1))
    assert got.ratio_change is not None
    assert got.ratio_change[0] == pytest.approx(0.0, abs=1e-12)
    moved = refusal(prepare([seen("1.1", q1, q1), seen("2.1", q2 * 1.06, q2, 5.0)], h))
    assert moved.kind == "k changed"
    assert "+6.0 %" in moved.words


def test_same_hold_shares_its_placement() -> None:
    h = hood()
    got = prepare([seen("1.1", 0.019, 0.019), seen("1.2", 0.016, 0.016, 5.0)], h)
    assert isinstance(got, Prepared)
    assert got.openings[0].u_flow_rel == 0.0


def test_channel_that_says_nothing_is_an_error() -> None:
    with pytest.raises(MeasurementError, match=r"reading 2\.1"):
        prepare([seen("1.1", 0.019, 0.019), seen("2.1", 0.016, None, 5.0)], hood())
