"""References for a calibration: what is shared, what is new in each point, what is refused and in which words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.calibration.orifice import Plate, dp_at_pa, orifice_flow, orifice_span
from hoodtrace.calibration.points import ReferenceFlow
from hoodtrace.calibration.references import (
    KINDS,
    TIMED_ONLY,
    Calibration,
    Gear,
    Meter,
    calibration_of,
    known_flow,
    second_meter,
    span,
)
from hoodtrace.calibration.timed_volume import Bag, timed_volume
from hoodtrace.calibration.traverse import TraversePipe, best_rule, positions_mm, traverse
from hoodtrace.errors import MeasurementError, OutOfRange, UsageError
from hoodtrace.physics.air import Air

AIR = Air(20.0, 50.0, 101325.0, 0.5, 5.0, 100.0, assumed=False)
BAG = Bag("bag", 0.120, 0.01)
PLATE = Plate(50.0, 100.0, "corner", 0.05, 0.2, 0.005, 0.02, 0.03, 125.0)
PIPE = TraversePipe(100.0, 0.2, 2.0, Calibration(0.015, 20.0), 0.03, n_points=6)
METER = Meter("anemometer", Calibration(0.02, 30.0), 1e-4, 20.0 / 3600.0, 200.0 / 3600.0)
ROW = (2.363, 2.903, 3.285, 3.285, 2.903, 2.363)


def shared(flow: ReferenceFlow) -> dict[str, float]:
    return {each.name: each.u_rel for each in flow.common}


# ---- timed volume


def test_fillings_average_and_the_volume_does_not() -> None:
    one, four = (timed_volume(BAG, [12.0] * n, 20.0, 20.0) for n in (1, 4))
    assert one.u_own_m3_s / one.flow_m3_s == pytest.approx(0.2 / 12.0)
    assert four.u_own_m3_s == pytest.approx(one.u_own_m3_s / 2.0)
    assert shared(four) == shared(one)
    assert shared(one)["volume of bag (120 l)"] == 0.01
    # Two thermometers of 0.5 K at 293.15 K.
    assert shared(one)["temperatures of bag and hood"] == pytest.approx(math.hypot(0.5, 0.5) / 293.15)


def test_scatter_counts_from_three_fillings() -> None:
    times = [11.0, 12.0, 13.0]  # mean 12 s, standard deviation 1 s, on paper
    found = timed_volume(BAG, times, 20.0, 20.0)
    assert found.u_own_m3_s / found.flow_m3_s == pytest.approx(1.0 / math.sqrt(3.0) / 12.0)
    # Welch-Satterthwaite: variance 1 / 3, of which 0.96 / 3 with 2 degrees of freedom.
    assert found.dof_own == pytest.approx(2.0 / 0.96**2)
    two = timed_volume(BAG, [11.0, 13.0], 20.0, 20.0)
    assert two.u_own_m3_s / two.flow_m3_s == pytest.approx(0.2 / math.sqrt(2.0) / 12.0)
    assert two.dof_own == math.inf
    calm = timed_volume(BAG, [12.0, 12.0, 12.01], 20.0, 20.0)  # less than was stated: the statement stays
    assert calm.terms["timing"] == pytest.approx(0.2 / math.sqrt(3.0) / 12.0, rel=1e-3)
    assert calm.dof_own == math.inf


def coverage(true_s: float, n_fillings: int) -> float:
    from scipy.stats import t

    rng = np.random.default_rng(20240611)
    inside = 0
    for times in 24.0 + true_s * rng.standard_normal((2000, n_fillings)):
        found = timed_volume(BAG, times.tolist(), 20.0, 20.0)
        half = float(t.ppf(0.975, found.dof_own)) * found.u_own_m3_s
        inside += abs(found.flow_m3_s - 0.005) <= half
    return inside / 2000


@pytest.mark.parametrize("n_fillings", [1, 3, 4, 6])
def test_own_interval_holds_the_truth(n_fillings: int) -> None:
    # The statement of 0.2 s is right: 95 % less three standard errors of the count (0.5 %); adding only an excess can
    # only widen, by up to 2 points.
    assert 0.935 <= coverage(0.2, n_fillings) <= 0.985


@pytest.mark.parametrize("n_fillings", [3, 4, 6])
def test_scatter_mends_a_statement_that_is_too_small(n_fillings: int) -> None:
    # 0.5 s where 0.2 s was stated: two fillings hold the truth in erf(1.96 * 0.4 / sqrt 2) = 57 %, on paper.
    assert coverage(0.5, 2) == pytest.approx(math.erf(1.96 * 0.4 / math.sqrt(2.0)), abs=0.035)
    assert coverage(0.5, n_fillings) > 0.85


def test_short_and_long_fillings_warn() -> None:
    assert timed_volume(BAG, [5.0], 20.0, 20.0).warnings == ()
    (warning,) = timed_volume(BAG, [4.9], 20.0, 20.0).warnings
    assert "4.9 s" in warning
    assert "under 5 s" in warning
    (warning,) = timed_volume(BAG, [400.0], 20.0, 20.0).warnings
    assert "smaller bag" in warning


# ---- what looks like another unit, or says nothing

Call = Callable[[], ReferenceFlow]
REFUSED: list[tuple[Call, type[Exception], str]] = [
    (lambda: timed_volume(replace(BAG, volume_m3=120.0), [8.64], 20.0, 20.0), UsageError, "Were litres meant"),
    (lambda: timed_volume(replace(BAG, volume_m3=0.00012), [8.64], 20.0, 20.0), UsageError, "litres were asked"),
    (lambda: timed_volume(replace(BAG, volume_m3=-0.12), [8.64], 20.0, 20.0), UsageError, "-0.12 m3 cannot be"),
    (lambda: timed_volume(replace(BAG, volume_m3=0.0), [8.64], 20.0, 20.0), UsageError, "0 m3 cannot be"),
    (lambda: timed_volume(replace(BAG, volume_m3=math.nan), [8.64], 20.0, 20.0), UsageError, "nan m3 cannot be"),
    (lambda: timed_volume(replace(BAG, u_volume_rel=0.0), [8.64], 20.0, 20.0), UsageError, "no uncertainty"),
    (lambda: timed_volume(replace(BAG, u_volume_rel=1.0), [8.64], 20.0, 20.0), UsageError, "1 % is 0.01"),
    (lambda: timed_volume(replace(BAG, u_time_s=0.0), [8.64], 20.0, 20.0), UsageError, "uncertainty of the timing"),
    (lambda: timed_volume(BAG, [0.144], 20.0, 20.0), UsageError, "0.144 min is 8.64 s"),
    (lambda: timed_volume(BAG, [8640.0], 20.0, 20.0), UsageError, "8640 ms is 8.64 s"),
    (lambda: timed_volume(BAG, [-8.64], 20.0, 20.0), UsageError, "-8.64 s cannot be"),
    (lambda: timed_volume(BAG, [8.64, 8.7, 18.0], 20.0, 20.0), MeasurementError, "did not hold"),
    (lambda: timed_volume(BAG, [], 20.0, 20.0), MeasurementError, "not filled once"),
    (lambda: timed_volume(BAG, [8.64], 293.15, 20.0), UsageError, "293.15 K is 20.0 C"),
    (lambda: timed_volume(BAG, [8.64], 20.0, 68.0), UsageError, "68 F is 20.0 C"),
    (lambda: orifice_flow(replace(PLATE, bore_mm=0.05), 20.0, AIR), UsageError, "0.05 m is 50 mm"),
    (lambda: orifice_flow(replace(PLATE, pipe_mm=0.1), 20.0, AIR), UsageError, "0.1 m is 100 mm"),
    (lambda: orifice_flow(replace(PLATE, bore_mm=4.0), 20.0, AIR), UsageError, "4 cm is 40 mm"),
    (lambda: orifice_flow(replace(PLATE, bore_mm=120.0), 20.0, AIR), UsageError, "swapped"),
    (lambda: orifice_flow(replace(PLATE, taps="vena"), 20.0, AIR), UsageError, "corner, D and D/2, flange"),
    (lambda: orifice_flow(PLATE, 0.02, AIR), UsageError, "0.02 kPa is 20 Pa"),
    (lambda: orifice_flow(PLATE, -20.0, AIR), UsageError, "swap the tubes"),
    (lambda: orifice_flow(replace(PLATE, u_bore_mm=0.0), 20.0, AIR), UsageError, "plate's bore: no uncertainty"),
    (lambda: orifice_flow(replace(PLATE, u_pipe_mm=0.0), 20.0, AIR), UsageError, "pipe's bore: no uncertainty"),
    (lambda: orifice_flow(replace(PLATE, u_zero_pa=0.0), 20.0, AIR), UsageError, "zero at 20 Pa: no uncertainty"),
    (lambda: orifice_flow(replace(PLATE, u_scale_rel=0.0), 20.0, AIR), UsageError, "scale: no uncertainty"),
    (lambda: orifice_flow(PLATE, 20.0, AIR, u_dp_pa=0.0), UsageError, "differential pressure of 20 Pa: no unc"),
    (lambda: traverse(PIPE, [[500.0] * 6], AIR), UsageError, "500 ft/min is 2.54 m/s"),
    (lambda: traverse(PIPE, [[2.0, -1.0, 2.0, 2.0, 2.0, 2.0]], AIR), UsageError, "-1 m/s cannot be"),
    (lambda: traverse(PIPE, [[2.0] * 5], AIR), UsageError, "4, 6, 8, 10"),
    (lambda: traverse(PIPE, [[2.0] * 6, [2.0] * 8], AIR), UsageError, "6, 8 readings"),
    (lambda: traverse(PIPE, [], AIR), UsageError, "one to three"),
    (lambda: traverse(replace(PIPE, bore_mm=0.1), [ROW], AIR), UsageError, "0.1 m is 100 mm"),
    (lambda: traverse(replace(PIPE, calibration=Calibration(0.0)), [ROW], AIR), UsageError, "probe: no uncertainty"),
    (lambda: traverse(replace(PIPE, u_bore_mm=0.0), [ROW], AIR), UsageError, "the pipe's bore: no uncertainty (0.0)"),
    (lambda: traverse(replace(PIPE, u_reading_m_s=0.0), [ROW], AIR), UsageError, "reading of the probe: no unc"),
    (lambda: known_flow(45.0, 1.0), UsageError, "45 m3/h is 0.0125 m3/s"),
    (lambda: known_flow(3.5e-6, 1e-7), UsageError, "3.5e-06 m3/s is 0.0126 m3/h"),
    (lambda: known_flow(0.0125, 0.0), UsageError, "known flow: no uncertainty"),
    (lambda: known_flow(0.0125, math.nan), UsageError, "known flow: no uncertainty"),
    (lambda: second_meter(METER, -0.01, 1.2, 1.2), UsageError, "-0.01 m3/s cannot be"),
    (lambda: second_meter(METER, 0.01, 1200.0, 1.2), UsageError, "g/m3"),
    (lambda: second_meter(replace(METER, u_reading_m3_s=0.0), 0.01, 1.2, 1.2), UsageError, "reading of anemo"),
    (lambda: second_meter(replace(METER, calibration=Calibration(0.0)), 0.01, 1.2, 1.2), UsageError, "no uncertainty"),
]


@pytest.mark.parametrize(("call", "error", "words"), REFUSED, ids=[words for _, _, words in REFUSED])
def test_refused_in_words_of_its_own(call: Call, error: type[Exception], words: str) -> None:
    with pytest.raises(error) as caught:
        call()
    assert type(caught.value) is error
    assert words in str(caught.value)
    assert ".." not in str(caught.value)
    assert "?." not in str(caught.value)


def test_a_coverage_factor_that_cannot_be() -> None:
    with pytest.raises(UsageError, match=r"coverage factor 0\.5:"):
        calibration_of(0.02, 0.5)


# ---- orifice plate


def test_what_a_plates_points_share() -> None:
    low, high = orifice_flow(PLATE, 20.0, AIR), orifice_flow(PLATE, 80.0, AIR, u_dp_pa=0.06, dof_dp=7.0)
    # Four times the pressure: the zero counts a quarter; what does not depend on pressure stays.
    zero = "zero of the plate's manometer"
    assert shared(low)[zero] == pytest.approx(0.5 * 0.02 / 20.0)
    assert shared(high)[zero] == pytest.approx(shared(low)[zero] / 4.0)
    # beta^4 = 1/16: 2 / (1 - 1/16) = 32/15 for d, 2/15 for D (ISO 5167-1:2003, 8.2; memory), on paper.
    for found in (low, high):
        assert shared(found)["bore of plate 50 mm in 100 mm, corner"] == pytest.approx(32.0 / 15.0 * 0.001)
        assert shared(found)["pipe of 100 mm"] == pytest.approx(2.0 / 15.0 * 0.002)
        assert shared(found)["scale of the plate's manometer"] == 0.0025
        assert shared(found)["C of plate 50 mm in 100 mm, corner"] == pytest.approx(0.0025)
    assert shared(low)["expansibility"] == pytest.approx(0.5 * 0.035 * 20.0 / (1.4 * 101325.0))
    assert low.u_own_m3_s / low.flow_m3_s == pytest.approx(0.5 * 0.03 / 20.0)
    assert high.u_own_m3_s / high.flow_m3_s == pytest.approx(0.5 * 0.06 / 80.0)
    assert (low.dof_own, high.dof_own) == (math.inf, 7.0)
    assert low.u_rel == pytest.approx(math.hypot(*low.terms.values()))


@pytest.mark.parametrize("field", ["bore_mm", "pipe_mm"])
def test_sensitivities_are_those_of_the_flow_itself(field: str) -> None:
    # The standard's factors leave out that C moves with beta: within 12 % of a full difference for d, which is what
    # counts; D's own factor is small and moves with C by about as much as itself.
    step = 1e-3
    up, down = (
        orifice_flow(replace(PLATE, **{field: getattr(PLATE, field) * (1 + s)}), 20.0, AIR) for s in (step, -step)
    )
    slope = (up.flow_m3_s / down.flow_m3_s - 1.0) / (2.0 * step)
    stated = {"bore_mm": 32.0 / 15.0, "pipe_mm": -2.0 / 15.0}[field]
    assert slope == pytest.approx(stated, abs=0.15)


def test_air_of_another_temperature_at_the_hood() -> None:
    warm = Air(30.0, 50.0, 101325.0, 0.5, 5.0, 100.0, assumed=False)
    same, other = orifice_flow(PLATE, 20.0, AIR), orifice_flow(PLATE, 20.0, AIR, hood_air=warm)
    assert other.flow_m3_s / same.flow_m3_s == pytest.approx(AIR.density_kg_m3 / warm.density_kg_m3)
    name = "air density at the plate"
    assert shared(other)[name] > 1.5 * shared(same)[name]  # a second thermometer, with twice the weight


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (replace(PLATE, bore_mm=12.0), "bore d 12 mm is under 12.5 mm"),
        (replace(PLATE, bore_mm=30.0, pipe_mm=49.0), "pipe D 49 mm is outside 50 to 1000 mm"),
        (replace(PLATE, bore_mm=76.0), "beta d/D 0.76 is outside 0.1 to 0.75"),
        (replace(PLATE, bore_mm=12.0, pipe_mm=130.0), "beta d/D 0.09231 is outside"),
    ],
)
def test_plates_outside_the_standard(one: Plate, words: str) -> None:
    for call in (lambda: orifice_flow(one, 20.0, AIR), lambda: orifice_span(one, AIR)):
        with pytest.raises(MeasurementError) as caught:
            call()
        assert words in str(caught.value)


@pytest.mark.parametrize(
    ("one", "re_d"),
    [
        (PLATE, 5000.0),
        (replace(PLATE, bore_mm=70.0), 7840.0),  # 16000 * 0.49
        (replace(PLATE, bore_mm=70.0, taps="D and D/2"), 7840.0),
        (replace(PLATE, bore_mm=70.0, taps="flange"), 8330.0),  # 170000 * 0.49 * 0.1
        (replace(PLATE, bore_mm=50.0, taps="flange"), 5000.0),  # 170000 * 0.25 * 0.1 = 4250 is less
    ],
)
def test_too_little_air_for_the_standard(one: Plate, re_d: float) -> None:
    found = orifice_span(one, AIR)
    edge = found.dp_lowest_pa
    assert orifice_flow(one, edge, AIR).flow_m3_s == pytest.approx(found.lowest_m3_s, rel=1e-6)
    with pytest.raises(OutOfRange, match=f"is under {re_d:.0f}") as caught:
        orifice_flow(one, 0.98 * edge, AIR)
    estimate = caught.value.estimate_m3_s
    assert estimate is not None
    assert 0.97 < estimate / found.lowest_m3_s < 1.0


def test_too_much_pressure_for_the_standard() -> None:
    with pytest.raises(OutOfRange, match="dp/p1"):
        orifice_flow(PLATE, 25000.0, AIR)
    with pytest.raises(OutOfRange, match="larger bore"):
        dp_at_pa(PLATE, 5.0, AIR)


def test_a_span_that_is_empty() -> None:
    with pytest.raises(OutOfRange, match="wider range"):
        orifice_span(replace(PLATE, dp_highest_pa=5.0), AIR)


def test_the_manometers_range_ends_a_plates_span() -> None:
    found = orifice_span(PLATE, AIR, (0.006, 0.01, 0.05))
    assert found.dp_highest_pa == pytest.approx(125.0, rel=1e-6)
    # Flow goes nearly with the root of pressure.
    assert found.highest_m3_s / found.lowest_m3_s == pytest.approx(
        math.sqrt(found.dp_highest_pa / found.dp_lowest_pa), rel=0.05
    )
    assert 0.0 < found.lost_lowest_pa < found.dp_lowest_pa
    assert [each.valid for each in found.table.at] == [True, True, False]
    assert found.table.at[0].u_rel > found.table.at[1].u_rel  # zero and noise count more
    assert found.table.at[2].u_rel == math.inf
    (warning,) = orifice_flow(PLATE, 130.0, AIR).warnings
    assert "above the manometer's range" in warning


# ---- traverse


def test_what_a_traverses_points_share() -> None:
    found = traverse(PIPE, [ROW, ROW], AIR)
    terms = shared(found)
    assert terms["calibration of the probe"] == 0.015
    assert next(each.dof for each in found.common if each.name == "calibration of the probe") == 20.0
    assert terms["pipe of 100 mm"] == pytest.approx(2.0 * 0.2 / 100.0)
    assert "asymmetry of the profile" not in terms  # the two rows are alike
    mean = sum(ROW) / 6.0
    assert found.terms["noise of the readings"] == pytest.approx(0.03 / math.sqrt(12.0) / mean)
    # On paper: 2 mm stem over half of 100 mm in the mean is 100 of 7854 mm2, as a half-width.
    assert terms["blockage by the probe"] == pytest.approx(100.0 / (math.pi / 4.0 * 100.0**2) / math.sqrt(3.0))


@pytest.mark.parametrize("laminar", [False, True])
def test_misplaced_probe_by_simulation(laminar: bool) -> None:
    def speeds(y_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        y_rel = np.minimum(y_mm, 100.0 - y_mm) / 100.0
        return 0.5 * 4.0 * y_rel * (1.0 - y_rel) if laminar else 3.0 * (2.0 * y_rel) ** 0.2

    rng = np.random.default_rng(7)
    places = np.array(positions_mm(100.0, 6))
    flows = np.mean(speeds(places + 0.5 * rng.standard_normal((20_000, 6))), axis=1)
    spread = float(np.std(flows) / np.mean(flows))
    found = traverse(PIPE, [speeds(places).tolist()], AIR)
    assert found.terms["places of the probe"] == pytest.approx(spread, rel=0.05)


def test_traverse_in_other_air_than_the_hoods() -> None:
    here, there = traverse(PIPE, [ROW], AIR), traverse(PIPE, [ROW], AIR, hood_density_kg_m3=1.1)
    assert there.flow_m3_s / here.flow_m3_s == pytest.approx(AIR.density_kg_m3 / 1.1)


def test_noise_of_a_reading_ends_a_traverses_span() -> None:
    low = PIPE.limits_m3_s(AIR)[0]
    assert low == pytest.approx(60.0 / 3600.0)
    # Ten times 0.5 m/s in 78.54 cm2, on paper.
    noisy = replace(PIPE, u_reading_m_s=0.5)
    assert noisy.limits_m3_s(AIR)[0] == pytest.approx(5.0 * math.pi / 4.0 * 0.01)
    assert PIPE.u_rel_at(0.99 * low, AIR) == math.inf
    assert PIPE.u_rel_at(1.01 * low, AIR) < 0.1


def test_diameters_that_differ() -> None:
    slow, fast = ([f * v for v in ROW] for f in (0.97, 1.03))
    found = traverse(PIPE, [slow, fast], AIR)
    asymmetry = next(each for each in found.common if each.name == "asymmetry of the profile")
    # On paper: standard deviation of 0.97 and 1.03 is 0.03 sqrt(2), of their mean 0.03; the readings' noise taken off.
    noise = found.terms["noise of the readings"]
    assert asymmetry.u_rel == pytest.approx(math.sqrt(0.03**2 - noise**2))
    assert asymmetry.dof == 1
    assert "one diameter" in " ".join(traverse(PIPE, [ROW], AIR).warnings)


def test_probe_nearer_to_the_wall_than_itself() -> None:
    with pytest.raises(MeasurementError, match=r"8 mm cannot be held 3\.2 mm.*4 points"):
        positions_mm(100.0, 6, probe_mm=8.0)
    with pytest.raises(MeasurementError, match="cannot be held"):
        traverse(replace(PIPE, probe_mm=8.0), [ROW], AIR)
    assert positions_mm(100.0, 4, probe_mm=8.0)[0] == pytest.approx(4.3)


def test_thick_probe_warns() -> None:
    assert traverse(PIPE, [ROW, ROW], AIR).warnings == ()
    (warning,) = traverse(replace(PIPE, probe_mm=2.1), [ROW, ROW], AIR).warnings
    assert "reads high" in warning


def test_laminar_flow_prefers_eight_points() -> None:
    slow = [[0.3 * v / 2.85 for v in ROW]] * 2  # Re_D about 2000
    pipe = replace(PIPE, u_reading_m_s=0.01)
    found = traverse(pipe, slow, AIR)
    assert any("take 8 points" in each for each in found.warnings)
    assert any(TIMED_ONLY in each for each in found.warnings)
    # 2.48 % as a half-width, against 0.48 % where it is turbulent (exact integrals).
    assert found.terms["traverse rule of 6 points"] == pytest.approx(0.024773 / math.sqrt(3.0), rel=1e-3)
    fast = traverse(pipe, [ROW, ROW], AIR).terms["traverse rule of 6 points"]
    assert fast == pytest.approx(0.004775 / math.sqrt(3.0), rel=1e-3)
    assert best_rule(2000.0) == 8


# ---- second meter and known flow


def test_second_meter_in_other_air() -> None:
    found = second_meter(METER, 0.02, density_kg_m3=1.2, hood_density_kg_m3=1.14, u_density_ratio_rel=0.003)
    assert found.flow_m3_s == pytest.approx(0.02 * 1.2 / 1.14)
    assert shared(found) == {"calibration of anemometer": 0.02, "air density at anemometer": 0.003}
    assert found.common[0].dof == 30.0
    assert found.u_own_m3_s / found.flow_m3_s == pytest.approx(1e-4 / 0.02)
    assert found.warnings == ()
    (warning,) = second_meter(METER, 0.06, 1.2, 1.2).warnings
    assert "outside the calibration" in warning


def test_known_flow_shares_its_source_or_nothing() -> None:
    alone, named = known_flow(0.0125, 0.00025, 9.0), known_flow(0.0125, 0.00025, 9.0, source="a fan's own meter")
    assert (alone.u_own_m3_s, alone.common, alone.dof_own) == (pytest.approx(0.00025), (), 9.0)
    assert named.u_own_m3_s == 0.0
    assert shared(named) == {"flow known from a fan's own meter": pytest.approx(0.02)}
    assert named.common[0].dof == 9.0
    assert isinstance(named, ReferenceFlow)


def test_only_a_timed_volume_is_a_standard_below_16() -> None:
    slow = 15.9 / 3600.0
    assert any(TIMED_ONLY in each for each in known_flow(slow, 0.02 * slow).warnings)
    assert known_flow(16.1 / 3600.0, 1e-4).warnings == ()
    assert timed_volume(BAG, [0.12 / slow], 20.0, 20.0).warnings == ()
    # A plate in a narrow pipe is the one exception that ISO 5167-2 allows.
    narrow = replace(PLATE, bore_mm=25.0, pipe_mm=50.0)
    dp_pa = dp_at_pa(narrow, slow, AIR)
    assert orifice_flow(narrow, dp_pa, AIR).warnings == ()


# ---- for the screen


@pytest.mark.parametrize("gear", [BAG, PLATE, PIPE, METER], ids=lambda gear: gear.kind)
def test_every_kind_has_a_span(gear: Gear) -> None:
    found = span(gear, AIR)
    assert found.kind is KINDS[gear.kind]
    assert 0.0 < found.lowest_m3_s < found.highest_m3_s
    assert any(each.valid for each in found.at)
    for each in found.at:
        assert each.valid == (found.lowest_m3_s <= each.flow_m3_s <= found.highest_m3_s)
        assert bool(each.remark) or each.valid
        if each.valid:
            assert 0.0 < each.u_rel < 0.1


def test_span_of_a_bag_says_timed_volume_only() -> None:
    found = span(BAG, AIR, (12.0 / 3600.0, 20.0 / 3600.0, 100.0 / 3600.0))
    assert [each.remark for each in found.at] == [TIMED_ONLY, "", "above 86.4 m3/h"]  # 0.12 m3 / 5 s


@pytest.mark.parametrize(
    ("gear", "flow_m3_s", "measured"),
    [
        (BAG, 0.01, lambda: timed_volume(BAG, [12.0], 20.0, 20.0)),
        (METER, 0.02, lambda: second_meter(METER, 0.02, 1.2, 1.2)),
        (PLATE, 0.01, lambda: orifice_flow(PLATE, dp_at_pa(PLATE, 0.01, AIR), AIR)),
    ],
    ids=["bag", "meter", "plate"],
)
def test_what_is_promised_is_what_comes(gear: Gear, flow_m3_s: float, measured: Call) -> None:
    found = measured()
    assert found.flow_m3_s == pytest.approx(flow_m3_s, rel=1e-6)
    assert span(gear, AIR, (flow_m3_s,)).at[0].u_rel == pytest.approx(found.u_rel, rel=1e-6)
