"""What the hood's advice says and when: each limit from both sides, the numbers worked out on paper.

Limits are those of the project's page on building a hood, or own choices that it states; check values are arithmetic.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import replace

import pytest

from hoodtrace.calibration import hood_advice
from hoodtrace.calibration.hood_advice import Advice, Tubes
from hoodtrace.calibration.hood_expect import (
    COMMON_BORES_MM,
    Design,
    bore_row,
    choose_bore,
    design_of,
    expect,
    front_pa,
)
from hoodtrace.physics.air import assumed_air
from hoodtrace.physics.hood import Hood, parse_hood

HOOD = """
name = "pipe hood 1"
[pipe]
bore_mm = 104.0
length_mm = 200.0
[vane]
offset_m_s = 0.14
gain_m_s_per_hz = 0.047
start_m_s = 0.25
k = 0.93
u_k_rel = 0.02
[taps]
count = 4
c = 0.71
u_c_rel = 0.025
zero_pa = 0.0
u_zero_pa = 0.02
reference_pressure_pa = 96600
"""
DESIGN = Design(0.1, 0.2, assumed_air(None), start_m_s=0.25, gain_m_s_per_hz=0.047)


def hood(more: str = "") -> Hood:
    return parse_hood(HOOD + more, "hood.toml")


def said(advice: Advice | None) -> Advice:
    """The advice, with what each must have: number, limit, reason, source."""
    assert advice is not None
    assert math.isfinite(advice.value)
    assert math.isfinite(advice.limit)
    assert advice.text
    assert advice.reason
    assert advice.source
    return advice


@pytest.mark.parametrize(("length_m", "warns"), [(0.2, False), (0.25, False), (0.251, True), (0.4, True)])
def test_a_pipe_longer_than_25_cm(length_m: float, warns: bool) -> None:
    found = hood_advice.long_pipe(length_m)
    assert (found is not None) == warns
    if warns:
        assert said(found).value == pytest.approx(1000.0 * length_m)
        assert said(found).source == "common practice, no source"
        assert "k can hardly be found" in said(found).reason


@pytest.mark.parametrize(
    ("blade_mm", "word"),
    [(98.0, None), (97.0, None), (99.0, None), (99.4, "hair"), (100.0, "does not turn"), (101.0, "does not turn"),
     (94.0, "12% of the bore")],
)  # fmt: skip
def test_blade_against_bore(blade_mm: float, word: str | None) -> None:
    """A gap of 0.5 to 2 mm is about the 1 mm of practice; 1 - (94 / 100)^2 = 11.6 %."""
    found = hood_advice.blade_fit(0.1, blade_mm / 1000.0)
    if word is None:
        assert found is None
    else:
        assert word in said(found).text
        assert said(found).value == pytest.approx((100.0 - blade_mm) / 2.0)


@pytest.mark.parametrize(
    ("speed_m_s", "words"), [(0.24, "the vane stands"), (0.26, "may stand"), (0.324, "may stand"), (0.326, None)]
)
def test_start_speed_against_the_lowest_flow(speed_m_s: float, words: str | None) -> None:
    """1.3 times 0.25 m/s is 0.325 m/s."""
    low = expect(DESIGN, speed_m_s * DESIGN.area_m2)
    found = hood_advice.slow_for_vane(low, 0.25)
    if words is None:
        assert found is None
    else:
        assert words in said(found).text
        assert said(found).value == pytest.approx(speed_m_s)


def test_a_vane_under_its_start_speed_makes_no_edges() -> None:
    assert expect(DESIGN, 0.24 * DESIGN.area_m2).edge_hz == 0.0
    # (0.5 m/s - 0.14) / 0.047
    moving = expect(replace(DESIGN, offset_m_s=0.14), 0.5 * DESIGN.area_m2)
    assert moving.edge_hz == pytest.approx(0.36 / 0.047)


def test_k_divides_the_speed_at_the_vane() -> None:
    found = expect(design_of(hood(), "supply"), 45.0 / 3600.0)
    speed = 45.0 / 3600.0 / (math.pi / 4.0 * 0.104**2)
    assert found.vane_m_s == pytest.approx(speed / 0.93)
    assert found.edge_hz == pytest.approx((speed / 0.93 - 0.14) / 0.047)


def test_taps_of_a_planned_hood_go_with_one_over_c_squared() -> None:
    """dp = density / 2 (q / (c A))^2: half the factor, four times the pressure."""
    one, half = (expect(replace(DESIGN, c=c), 0.01).taps_pa for c in (1.0, 0.5))
    assert one is not None
    assert half == pytest.approx(4.0 * one)


def test_each_direction_has_its_own_constants() -> None:
    both = hood("[vane.extract]\nk = 0.8\n[taps.extract]\nc = 0.5\n")
    supply, extract = (expect(design_of(both, way), 0.01) for way in ("supply", "extract"))
    assert extract.vane_m_s / supply.vane_m_s == pytest.approx(0.93 / 0.8)
    assert supply.taps_pa is not None
    assert extract.taps_pa == pytest.approx(supply.taps_pa * (0.71 / 0.5) ** 2)


def test_back_pressure_by_the_taps_and_their_share() -> None:
    """dp = density / 2 (q / (c A))^2; in front of the terminal 1.3 times that; two u of c are 4 u of the pressure."""
    design = design_of(hood("[resistance]\ntaps_share = 1.3\n"), "supply")
    found = expect(design, 0.01)
    taps = 0.5 * design.air.density_kg_m3 * (0.01 / (0.71 * math.pi / 4.0 * 0.104**2)) ** 2
    assert found.taps_pa == pytest.approx(taps)
    assert found.front_pa == pytest.approx(1.3 * taps)
    assert found.front_high_pa / found.front_pa == pytest.approx(1.0 + 2.0 * 2.0 * 0.025)


def test_a_hood_without_taps_has_an_estimate_only() -> None:
    bare = parse_hood(HOOD.partition("[taps]")[0], "hood.toml")
    found = expect(design_of(bare, "supply"), 0.01)
    assert (found.taps_pa, found.chip_pa, found.u_zero_rel, found.taps_step_rel) == (None, None, None, None)
    assert 0.0 < found.front_low_pa < found.front_pa < found.front_high_pa


@pytest.mark.parametrize(("flows_m3h", "topics"), [((20.0, 96.0), []), ((19.5, 50.0), [19.5]), ((30.0, 96.1), [96.1]),
                                                   ((5.0, 200.0), [5.0, 200.0])])  # fmt: skip
def test_flows_outside_the_calibration(flows_m3h: tuple[float, float], topics: list[float]) -> None:
    """Calibrated 20 to 80: nothing below, 20 % above."""
    found = hood_advice.outside_range([f / 3600.0 for f in flows_m3h], [20.0, 80.0], "vane")
    assert [said(each).value for each in found] == pytest.approx(topics)


@pytest.mark.parametrize(("chip_pa", "warns"), [(59.0, False), (60.0, True)])
def test_gusts_beyond_the_chip(chip_pa: float, warns: bool) -> None:
    """15 % of turbulence: gusts of 1.45 times the flow, 2.1025 times the pressure; 125 / 2.1025 = 59.45 Pa."""
    high = replace(expect(replace(DESIGN, c=1.0), 0.01), chip_pa=chip_pa)
    found = hood_advice.chip_range(high, 125.0, 0.15)
    assert (found is not None) == warns
    if warns:
        assert said(found).value == pytest.approx(60.0 * 2.1025)


@pytest.mark.parametrize(("dp_pa", "warns"), [(0.19, True), (0.21, False)])
def test_taps_too_weak_for_the_lowest_flow(dp_pa: float, warns: bool) -> None:
    """0.5 x 0.02 / dp is 5 % at 0.2 Pa."""
    speed = math.sqrt(2.0 * dp_pa / DESIGN.air.density_kg_m3)
    low = expect(replace(DESIGN, c=1.0), speed * DESIGN.area_m2)
    found = hood_advice.weak_taps(low, 0.02)
    assert (found is not None) == warns
    if warns:
        assert said(found).value == pytest.approx(0.01 / 0.19)


@pytest.mark.parametrize(
    ("index", "straightener", "words"),
    [(0.15, None, None), (0.2, None, "4.0% high"), (0.2, False, "Put a straightener"), (0.2, True, "does not suffice")],
)
def test_turbulence(index: float, straightener: bool | None, words: str | None) -> None:
    found = hood_advice.turbulence(index, straightener)
    if words is None:
        assert found is None
    else:
        assert words in said(found).text
        assert "4.0%" in said(found).text


def test_equal_tubes_are_no_trouble() -> None:
    tubes = Tubes((0.5, 0.5, 0.5, 0.5), 0.004)
    assert tubes.u_reading_rel(0.3) == 0.0
    assert hood_advice.unequal_tubes(tubes, 0.3) is None
    assert hood_advice.tube_loss(tubes, 20.0) is None


def test_unequal_tubes_and_a_scatter_of_the_taps() -> None:
    """Weights 2/7 2/7 2/7 1/7: sqrt(3 (1/28)^2 + (3/28)^2) = sqrt(12) / 28 of the scatter, half of it in the flow."""
    tubes = Tubes((0.5, 0.5, 0.5, 1.0), 0.004)
    assert tubes.u_reading_rel(0.1) == pytest.approx(0.1 * math.sqrt(12.0) / 28.0)
    assert said(hood_advice.unequal_tubes(tubes, 0.1)).value == pytest.approx(0.05 * math.sqrt(12.0) / 28.0)
    assert hood_advice.unequal_tubes(tubes, 0.05) is None


def test_narrow_tubes() -> None:
    assert said(hood_advice.tube_loss(Tubes((1.0,), 0.002), 20.0)).value > hood_advice.MOST_TUBE_LOSS_REL


def test_back_pressure_against_share_and_limit() -> None:
    high = expect(DESIGN, 60.0 / 3600.0, branch_pa=30.0)
    assert high.front_share == pytest.approx(high.front_pa / 30.0)
    assert said(hood_advice.back_pressure(high, 0.02, None)).value == pytest.approx(high.front_pa / 30.0)
    assert hood_advice.back_pressure(high, 0.5, None) is None
    assert said(hood_advice.back_pressure(high, 0.5, 0.2)).limit == 0.2
    assert hood_advice.back_pressure(high, 0.02, 50.0) is None
    too_much = said(hood_advice.back_pressure(expect(DESIGN, 60.0 / 3600.0, branch_pa=1.0), 0.02, None))
    assert "can't be" in too_much.text


@pytest.mark.parametrize(("low_m3h", "warns"), [(8.0, True), (10.0, False), (15.0, False)])
def test_flows_that_may_be_in_litres_a_second(low_m3h: float, warns: bool) -> None:
    """8 L/s are 28.8 m3/h."""
    found = hood_advice.odd_flows([low_m3h / 3600.0, 0.02])
    assert (found is not None) == warns
    if warns:
        assert "28.8" in said(found).text


def test_a_bore_that_may_be_in_centimetres() -> None:
    assert hood_advice.odd_bore(0.04) is None
    assert "104" in said(hood_advice.odd_bore(0.0104)).text


def test_a_calibration_past_its_date() -> None:
    due = datetime.date(2030, 3, 1)
    assert hood_advice.overdue(due, due) is None
    assert said(hood_advice.overdue(due, datetime.date(2030, 3, 11))).value == 10.0


def test_what_a_hood_file_leaves_out() -> None:
    keys = [key for key, _ in hood_advice.missing(hood())]
    assert keys == [
        "directions", "placement", "calibration", "vane.range_m3h", "taps.range_m3h", "vane.response_length_m",
        "resistance", "altitude_m",
    ]  # fmt: skip
    whole = parse_hood(
        'directions = ["supply"]\naltitude_m = 100.0\n'
        + HOOD.replace("u_k_rel = 0.02", "u_k_rel = 0.02\nresponse_length_m = 0.4\nrange_m3h = [10.0, 90.0]")
        + "range_m3h = [10.0, 90.0]\n[placement]\nu_rel = 0.01\n[resistance]\n[calibration]\ndate = 2030-01-01\n"
        'due = 2031-01-01\nmethod = "timed bag"\nmade_by = "the user"\n',
        "hood.toml",
    )
    assert hood_advice.missing(whole) == []
    assert "taps" in [key for key, _ in hood_advice.missing(parse_hood(HOOD.partition("[taps]")[0], "hood.toml"))]


def test_straightener_is_left_out_where_there_is_none() -> None:
    assert hood_advice.no_straightener(DESIGN) is None
    without = replace(DESIGN, straightener=False)
    assert said(hood_advice.no_straightener(without)).value == 0.0
    assert front_pa(without, 0.01) < front_pa(DESIGN, 0.01)


def test_a_bore_for_both_is_the_next_pipe_size() -> None:
    """The vane wants at least 0.325 m/s at 40 m3/h: sqrt(4 / pi 40 / 3600 / 0.325) = 208.6 mm at most."""
    chosen = choose_bore(DESIGN, [40.0 / 3600.0, 60.0 / 3600.0], 1.0)
    assert chosen.most_m == pytest.approx(0.2086, abs=5e-5)
    assert chosen.advised_mm is not None
    smaller = [mm for mm in COMMON_BORES_MM if mm < chosen.advised_mm]
    flow = 60.0 / 3600.0
    assert front_pa(replace(DESIGN, bore_m=chosen.advised_mm / 1000.0), flow) <= 1.0
    assert front_pa(replace(DESIGN, bore_m=smaller[-1] / 1000.0), flow) > 1.0
    assert chosen.sure_mm is not None
    assert front_pa(replace(DESIGN, bore_m=chosen.sure_mm / 1000.0), flow, "high") <= 1.0


def test_a_bore_for_both_that_cannot_be_had() -> None:
    flows = [15.0 / 3600.0, 60.0 / 3600.0]
    chosen = choose_bore(DESIGN, flows, 0.2)
    assert chosen.most_m is not None
    assert chosen.least_m > chosen.most_m
    assert (chosen.advised_mm, chosen.sure_mm) == (None, None)
    row = bore_row(DESIGN, chosen, flows)
    assert row["vane_at_least_m_s"] == pytest.approx(flows[0] / (math.pi / 4.0 * chosen.least_m**2))
    assert row["front_at_most_pa"] == pytest.approx(front_pa(replace(DESIGN, bore_m=chosen.most_m), flows[1]))


def test_a_bore_that_no_shop_has() -> None:
    """Between two sizes: the pressure needs just more than 110 mm, the vane takes just less than 125 mm."""
    flow = 60.0 / 3600.0
    limit_pa = front_pa(replace(DESIGN, bore_m=0.112), flow)
    low = 0.325 * math.pi / 4.0 * 0.124**2
    chosen = choose_bore(DESIGN, [low, flow], limit_pa)
    assert chosen.least_m == pytest.approx(0.112, rel=1e-6)
    assert chosen.most_m == pytest.approx(0.124)
    assert chosen.advised_mm is None
