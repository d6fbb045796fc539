"""The pressure chip's published answers: barometric factor, rated range, a frame worked by hand, and the flow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hoodtrace.averaging.trail import Trail
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Taps, parse_hood
from hoodtrace.physics.taps import RATED_COUNTS, flow_m3_s, pressure_factor
from hoodtrace.wire.samples import Boot, Samples


def taps(reference_pa: float | None = 96600.0) -> Taps:
    return Taps(count=4, c=0.71, u_c_rel=0.025, zero_pa=0.0, u_zero_pa=0.02, reference_pressure_pa=reference_pa)


def air(pressure_pa: float) -> Air:
    return Air(20.0, 50.0, pressure_pa, 1.0, 5.0, 100.0, assumed=False)


@pytest.mark.parametrize(
    ("pressure_pa", "factor"),
    # A chip calibrated at 966 hPa: true = reading * 966 / barometric pressure in hPa (data sheet, seen; figures worked
    # apart from this package).
    [(101325.0, 0.9533678757), (95000.0, 1.0168421053), (90000.0, 1.0733333333), (96600.0, 1.0)],
)
def test_factor_of_a_through_flow_chip(pressure_pa: float, factor: float) -> None:
    assert pressure_factor(taps(), air(pressure_pa)) == pytest.approx(factor, rel=1e-9)


@pytest.mark.parametrize("pressure_pa", [101325.0, 90000.0])
def test_a_membrane_chip_needs_no_factor(pressure_pa: float) -> None:
    assert pressure_factor(taps(None), air(pressure_pa)) == 1.0


def pascals(raw: list[int], flags: list[int], counts_per_pa: float) -> list[float]:
    """What the trail makes of raw words (as unsigned 16-bit) of the chip."""
    n = len(raw)
    boot = Boot(1, "0000a001", {"dp_counts_per_pa": counts_per_pa})
    hood = parse_hood(
        'name = "h"\n[pipe]\nbore_mm = 104.0\nlength_mm = 200.0\n'
        "[taps]\ncount = 4\nc = 0.71\nu_c_rel = 0.02\nzero_pa = 0.0\nu_zero_pa = 0.02\n",
        "hood.toml",
    )
    at, nothing = np.arange(n, dtype=np.int64), np.zeros(n, np.int64)
    words = np.array(raw, np.uint16).view(np.int16)
    trail = Trail(boot, hood, [])
    trail.append(
        Samples(boot, at, at * 20_000, nothing, nothing, words, np.zeros(n, np.int16), np.array(flags, np.uint8), ())
    )
    return trail.dp_pa.tolist()


def test_a_frame_of_the_chip_worked_by_hand() -> None:
    # Words FF C4 (dp), 00 3C (scale 60) are -1.0 Pa; with 00 F0 (240) -0.25 Pa: the data sheet's two's complement over
    # scale (format seen, worked by hand).
    assert pascals([0xFFC4], [0], 0x003C) == [-1.0]
    assert pascals([0xFFC4], [0], 0x00F0) == [-0.25]


def test_what_is_not_valid_or_beyond_the_range_is_no_number() -> None:
    # 7530 is 30000 counts, the end of the range; 7fff and 8000 are not valid; the last is marked by the board.
    found = pascals([0x7530, 0x7531, 0x7FFF, 0x8000, 0x8AD0, 0x0001], [0, 0, 0, 0, 0, 1], 240)
    assert found[0] == 125.0
    assert found[4] == -125.0
    assert [math.isnan(found[i]) for i in (1, 2, 3, 5)] == [True] * 4


@pytest.mark.parametrize(("counts_per_pa", "rated_pa"), [(60, 500.0), (240, 125.0)])
def test_rated_range_is_that_of_the_data_sheet(counts_per_pa: int, rated_pa: float) -> None:
    # +-500 Pa at 60 counts a pascal, +-125 Pa at 240 (data sheet, seen).
    assert RATED_COUNTS / counts_per_pa == rated_pa


def test_velocity_pressure_of_a_round_duct_by_hand() -> None:
    # 75 m3/h in 125 mm: 1.697653 m/s, 1.729215 Pa at 1.2 kg/m3, by hand from p = rho v^2 / 2; with c = 1 it is undone.
    one = taps().model_copy(update={"c": 1.0})
    area_m2 = math.pi / 4 * 0.125**2
    there, back = flow_m3_s(np.array([1.729215, -1.729215]), area_m2, one, 1.2)
    assert there == pytest.approx(75 / 3600, rel=1e-6)
    assert back == pytest.approx(-75 / 3600, rel=1e-6)
    assert flow_m3_s(np.zeros((2, 3)), area_m2, one, 1.2).tolist() == [[0.0] * 3] * 2
