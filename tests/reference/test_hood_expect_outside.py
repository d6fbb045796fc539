"""What to expect of a hood, against figures from outside: the published worked numbers, `fluids`, CoolProp.

Each check names its source: `seen` (read there), `memory`, or arithmetic that can be done on paper. Two figures of a
table printed with 3 digits are compared to half a unit of the last digit.
"""

from __future__ import annotations

import math
from dataclasses import replace

import fluids
import pytest

from hoodtrace.calibration import hood_expect
from hoodtrace.calibration.hood_advice import Tubes
from hoodtrace.calibration.hood_expect import Design, choose_bore, expect
from hoodtrace.physics.air import assumed_air
from hoodtrace.physics.resistance import HoodLaw

AIR = assumed_air(None)
NU_M2_S = 1.512030e-5  # air of 20 C, 50 %, 101325 Pa: CoolProp's viscosity by CIPM-2007's density


def design(bore_mm: float, **more: object) -> Design:
    return replace(Design(bore_mm / 1000.0, 0.2, AIR, start_m_s=0.25), **more)  # type: ignore[arg-type]


# Reynolds number, mean speed in m/s: worked figures of a table for air of 20 C, 50 % (arithmetic).
TABLE = [
    (10.0, 75.0, 3119, 0.629), (10.0, 100.0, 2339, 0.354), (10.0, 125.0, 1871, 0.226), (10.0, 160.0, 1462, 0.138),
    (30.0, 75.0, 9356, 1.886), (30.0, 100.0, 7017, 1.061), (30.0, 125.0, 5614, 0.679), (75.0, 160.0, 10964, 1.036),
    (150.0, 100.0, 35086, 5.305), (250.0, 75.0, 77970, 15.7), (250.0, 160.0, 36548, 3.45),
]  # fmt: skip


@pytest.mark.parametrize(("flow_m3h", "bore_mm", "re", "speed_m_s"), TABLE)
def test_speed_and_reynolds_number_are_those_of_the_table(
    flow_m3h: float, bore_mm: float, re: int, speed_m_s: float
) -> None:
    found = expect(design(bore_mm), flow_m3h / 3600.0)
    digits = len(str(speed_m_s).partition(".")[2])
    assert found.speed_m_s == pytest.approx(speed_m_s, abs=0.5 * 10.0**-digits)
    # Sutherland's viscosity and that behind the table differ by some 1e-5.
    assert found.reynolds == pytest.approx(re, rel=2e-4, abs=0.5)


@pytest.mark.parametrize(("flow_m3h", "bore_mm"), [(10.0, 75.0), (60.0, 104.0), (250.0, 125.0)])
def test_reynolds_number_is_that_of_fluids(flow_m3h: float, bore_mm: float) -> None:
    bore_m = bore_mm / 1000.0
    speed = flow_m3h / 3600.0 / (math.pi / 4.0 * bore_m**2)
    found = expect(design(bore_mm), flow_m3h / 3600.0)
    assert found.reynolds == pytest.approx(fluids.Reynolds(V=speed, D=bore_m, nu=NU_M2_S), rel=1e-4)


@pytest.mark.parametrize(("temp_c", "mu_pa_s"), [(0.0, 1.71600e-5), (20.0, 1.81332e-5), (35.0, 1.88423e-5)])
def test_viscosity_of_dry_air(temp_c: float, mu_pa_s: float) -> None:
    """Sutherland's formula with other printed constants (dry air): they differ by some 2e-4."""
    assert hood_expect.viscosity_pa_s(temp_c) == pytest.approx(mu_pa_s, rel=1e-3)


def test_viscosity_of_moist_air_by_coolprop() -> None:
    humid = pytest.importorskip("CoolProp.HumidAirProp")
    for temp_c in (0.0, 20.0, 30.0):
        theirs = humid.HAPropsSI("mu", "T", temp_c + 273.15, "P", 101325.0, "R", 0.5)
        assert hood_expect.viscosity_pa_s(temp_c) == pytest.approx(theirs, rel=5e-3)


# Velocity pressure in Pa of the same table (arithmetic): the pressure between taps with c = 1.
@pytest.mark.parametrize(
    ("flow_m3h", "bore_mm", "pa", "unit"),
    [(10.0, 75.0, 0.24, 0.01), (30.0, 75.0, 2.13, 0.01), (75.0, 100.0, 4.22, 0.01), (150.0, 125.0, 6.9, 0.1),
     (250.0, 100.0, 46.9, 0.1)],
)  # fmt: skip
def test_taps_of_factor_one_read_the_velocity_pressure(flow_m3h: float, bore_mm: float, pa: float, unit: float) -> None:
    found = expect(design(bore_mm, c=1.0), flow_m3h / 3600.0)
    assert found.taps_pa == pytest.approx(pa, abs=0.5 * unit)


def test_a_zero_error_of_a_tenth_at_five_pascals_is_one_percent() -> None:
    """Worked figure: u(q)/q = 0.5 u(dp)/dp (arithmetic)."""
    law = HoodLaw(scale_m3_s=1.0, exponent=0.5, share=1.0, density_kg_m3=10.0)
    found = expect(design(100.0, law=law, u_zero_pa=0.1), 1.0)
    assert found.taps_pa == pytest.approx(5.0)
    assert found.u_zero_rel == pytest.approx(0.01)


def test_one_count_of_the_chip() -> None:
    """240 counts a pascal over 125 Pa (data sheet, seen): 0.00417 Pa, so 0.5 x 0.00417 / 5 of the flow at 5 Pa."""
    law = HoodLaw(scale_m3_s=1.0, exponent=0.5, share=1.0, density_kg_m3=10.0)
    found = expect(design(100.0, law=law), 1.0)
    assert found.taps_step_rel == pytest.approx(0.5 / 240.0 / 5.0)


def test_the_chip_reads_high_at_sea_level() -> None:
    """Calibrated at 966 hPa: the true pressure is 0.9533678757 of the reading at 1013.25 hPa (data sheet, seen)."""
    found = expect(design(100.0, c=0.7, reference_pressure_pa=96600.0), 0.01)
    assert found.taps_pa is not None
    assert found.chip_pa == pytest.approx(found.taps_pa / 0.9533678757, rel=1e-9)


# Flow lost where the hood takes so much of the branch's pressure, percent (worked figures, arithmetic).
LOST = [(0.01, 0.5013), (0.02, 1.0051), (0.05, 2.5321), (0.10, 5.1317), (0.20, 10.5573), (0.50, 29.2893)]


@pytest.mark.parametrize(("share", "lost_pct"), LOST)
def test_flow_lost(share: float, lost_pct: float) -> None:
    law = HoodLaw(scale_m3_s=1.0, exponent=0.5, share=1.0, density_kg_m3=2.0)
    found = expect(design(100.0, law=law), 1.0, branch_pa=1.0 / share)
    assert found.front_share == pytest.approx(share)
    assert found.lost_rel == pytest.approx(lost_pct / 100.0, abs=0.5e-6)


def test_a_pascal_on_the_stack_of_a_house_takes_an_eighth() -> None:
    """1 Pa on the 4.32 Pa of 5 m and 0 / 20 C: 12.3 % of the flow (worked figure, arithmetic)."""
    law = HoodLaw(scale_m3_s=1.0, exponent=0.5, share=1.0, density_kg_m3=2.0)
    found = expect(design(100.0, law=law), 1.0, branch_pa=4.323)
    assert found.lost_rel == pytest.approx(0.123, abs=0.0005)


def test_loss_coefficients_hold_those_of_handbooks() -> None:
    """Entry and exit of a pipe as `fluids` quotes the handbooks (seen): 0.5 or 0.57 sharp, 1 at the exit."""
    assert hood_expect.ENTRY.usual == fluids.entrance_sharp(method="Swamee") == fluids.entrance_sharp(method="Idelchik")
    assert hood_expect.ENTRY.low <= fluids.entrance_rounded(0.1, 0.012) <= hood_expect.ENTRY.usual
    for book in ("Rennels", "Miller", "Idelchik", "Harris", "Crane"):
        free_edge = fluids.entrance_distance(0.1, 0.0002, l=0.06, method=book)
        assert hood_expect.ENTRY.usual < free_edge <= hood_expect.ENTRY.high
    assert hood_expect.EXIT.usual == fluids.exit_normal()


@pytest.mark.parametrize("re", [1000.0, 5000.0, 2e4, 6e4])
def test_friction_is_that_of_a_smooth_pipe(re: float) -> None:
    """`fluids` for a smooth pipe; Blasius is within 3 % of it from 4000 to 1e5 (memory), 64/Re exact below."""
    pipe = design(100.0)
    speed = re / hood_expect.reynolds(1.0, pipe.bore_m, AIR)
    (wall,) = (loss for loss in hood_expect.losses(pipe, speed) if loss.name == "wall")
    assert wall.usual == pytest.approx(fluids.friction_factor(re) * 0.2 / 0.1, rel=0.03 if re > 4000.0 else 1e-9)


@pytest.mark.parametrize("which", ["low", "usual", "high"])
def test_back_pressure_is_the_coefficients_times_the_head(which: str) -> None:
    pipe = design(100.0)
    speed = 0.02 / pipe.area_m2
    total = sum(getattr(loss, which) for loss in hood_expect.losses(pipe, speed))
    theirs = fluids.core.dP_from_K(total, AIR.density_kg_m3, speed)
    assert hood_expect.front_pa(pipe, 0.02, which) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("limit_pa", [0.2, 0.6, 3.0])
def test_the_bore_found_meets_the_limit(limit_pa: float) -> None:
    """Put back into the head by `fluids` with the coefficients at that bore, the pressure is the limit."""
    pipe = design(100.0)
    chosen = choose_bore(pipe, [0.01, 0.02], limit_pa)
    for bore_m, which in ((chosen.least_m, "usual"), (chosen.least_sure_m, "high")):
        there = replace(pipe, bore_m=bore_m)
        speed = 0.02 / (math.pi / 4.0 * bore_m**2)
        total = sum(getattr(loss, which) for loss in hood_expect.losses(there, speed))
        assert fluids.core.dP_from_K(total, AIR.density_kg_m3, speed) == pytest.approx(limit_pa, rel=1e-6)


def test_weights_and_mean_of_unequal_tubes() -> None:
    """Lengths .5 .5 .5 1 m: weights .2857 (three), .1429; taps of 1 1 1 2 Pa read 1.1429, not 1.25 Pa (arithmetic)."""
    tubes = Tubes((0.5, 0.5, 0.5, 1.0), 0.004)
    assert tubes.weights == pytest.approx((0.2857, 0.2857, 0.2857, 0.1429), abs=0.5e-4)
    reading = sum(w * pa for w, pa in zip(tubes.weights, (1.0, 1.0, 1.0, 2.0), strict=True))
    assert reading == pytest.approx(1.1429, abs=0.5e-4)


# G R of one metre of tube at 0.34 ml/min a pascal, percent (worked figures; the loss is G R / (1 + G R)).
@pytest.mark.parametrize(
    ("bore_mm", "g_r_pct", "unit"), [(2.0, 26.0, 1.0), (3.0, 5.2, 0.1), (4.0, 1.6, 0.1), (6.0, 0.3, 0.1)]
)
def test_pressure_lost_in_a_metre_of_tube(bore_mm: float, g_r_pct: float, unit: float) -> None:
    loss = Tubes((1.0,), bore_mm / 1000.0).loss_rel(n_rings=1)
    assert 100.0 * loss / (1.0 - loss) == pytest.approx(g_r_pct, abs=0.5 * unit)


def test_four_tubes_side_by_side_and_two_rings() -> None:
    """Four equal resistances side by side are a quarter, two rings in a row twice that (paper)."""
    one = Tubes((1.0,), 0.003).loss_rel(n_rings=1)
    ring = Tubes((1.0, 1.0, 1.0, 1.0), 0.003).loss_rel(n_rings=2)
    assert ring / (1.0 - ring) == pytest.approx(0.5 * one / (1.0 - one))
