"""The air chip's integer formulas against the data sheet: its worked example, and its formulas in double precision."""

from __future__ import annotations

import importlib.util
import itertools
from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest

from hoodtrace.board.firmware_files import firmware_folder

# BMP280 data sheet (BST-BMP280-DS001), section 3.12, worked example; seen in FACTS section 12.
T = (27504, 26435, -1000)
P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
RAW_T, RAW_P = 519_888, 415_148
# Humidity words as chips have them; the sheet gives no example (plausible values, memory).
H = (75, 362, 0, 324, 50, 30)
# Two more chips, drawn within the spread that such chips show (memory), so that one set of words proves not all.
OTHER_T, OTHER_P = (28_120, 26_200, 50), (37_500, -10_500, 3024, 7800, 60, -7, 9900, -10_230, 4285)


@pytest.fixture(scope="module")
def air() -> ModuleType:
    spec = importlib.util.spec_from_file_location("firmware_air", firmware_folder() / "air.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def fine_exact(raw: float, t: tuple[int, ...]) -> float:
    """Data sheet section 8.1, double precision (memory)."""
    return (raw / 16384 - t[0] / 1024) * t[1] + (raw / 131072 - t[0] / 8192) ** 2 * t[2]


def pressure_exact(raw: float, fine: float, p: tuple[int, ...]) -> float:
    """Data sheet section 8.1, double precision (memory); Pa."""
    a = fine / 2 - 64000
    b = (a * a * p[5] / 32768 + a * p[4] * 2) / 4 + p[3] * 65536
    a = (1 + (p[2] * a * a / 524288 + p[1] * a) / 524288 / 32768) * p[0]
    x = (1048576 - raw - b / 4096) * 6250 / a
    return x + (p[8] * x * x / 2147483648 + x * p[7] / 32768 + p[6]) / 16


def humidity_exact(raw: float, fine: float, h: tuple[int, ...]) -> float:
    """BME280 data sheet, double precision (memory); %."""
    v = fine - 76800
    v = (raw - (h[3] * 64 + h[4] / 16384 * v)) * (h[1] / 65536 * (1 + h[5] / 67108864 * v * (1 + h[2] / 67108864 * v)))
    return v * (1 - h[0] * v / 524288)


def test_worked_example(air: ModuleType) -> None:
    # Sheet: t_fine 128422, 25.08 C, 100653.27 Pa (64-bit and double); the 32-bit form loses up to 1/32 of a per mille.
    fine = air.fine_temp(RAW_T, T)
    assert fine == 128_422
    assert air.temp_centi_c(fine) == 2508
    assert air.pressure_pa(RAW_P, fine, P) == pytest.approx(100_653.27, abs=4)


def test_double_formulas_here_give_the_sheets_example() -> None:
    # The sheet: t_fine 128422, 25.08 C; FACTS section 12 has 100653.26677582515 Pa from the sheet's doubles.
    fine = fine_exact(RAW_T, T)
    assert int(fine) == 128_422
    assert round(fine / 5120, 2) == 25.08
    assert pressure_exact(RAW_P, fine, P) == pytest.approx(100_653.26677582515, abs=1e-3)


@pytest.mark.parametrize(("t", "p"), [(T, P), (OTHER_T, OTHER_P)])
def test_integers_follow_the_doubles_over_the_range(air: ModuleType, t: tuple[int, ...], p: tuple[int, ...]) -> None:
    worst_pa = worst_c = 0.0
    n = 0
    for raw_t, raw_p in itertools.product(range(380_000, 640_000, 3_001), range(250_000, 620_000, 7_001)):
        fine = fine_exact(raw_t, t)
        exact_pa = pressure_exact(raw_p, fine, p)
        if not (-10 <= fine / 5120 <= 50 and 60_000 <= exact_pa <= 110_000):
            continue
        n += 1
        got = air.fine_temp(raw_t, t)
        worst_c = max(worst_c, abs(air.temp_centi_c(got) / 100 - fine / 5120))
        worst_pa = max(worst_pa, abs(air.pressure_pa(raw_p, got, p) - exact_pa))
    assert n > 1000
    assert worst_c < 0.02
    assert worst_pa < 10  # 1e-4 of the pressure; the chip's own accuracy is 100 Pa


def test_humidity_follows_the_doubles(air: ModuleType) -> None:
    for raw_t, percent in itertools.product(range(440_000, 600_000, 9_001), np.linspace(1, 99, 30)):
        fine = fine_exact(raw_t, T)
        if not -10 <= fine / 5120 <= 50:
            continue
        raw_h = min(range(15_000, 60_000, 10), key=lambda raw: abs(humidity_exact(raw, fine, H) - percent))
        got = air.humidity_centi_pct(raw_h, air.fine_temp(raw_t, T), H) / 100
        assert got == pytest.approx(humidity_exact(raw_h, fine, H), abs=0.05)
    assert air.humidity_centi_pct(0, 128_422, H) == 0
    assert air.humidity_centi_pct(65_535, 128_422, H) == 10_000


def test_thirty_bits_are_enough_indoors(air: ModuleType) -> None:
    """Between 0 and 50 C and 60 and 110 kPa no intermediate leaves 30 bits: nothing is allocated on a board."""

    class Narrow(int):
        pass

    def checked(name: str) -> Callable[[int, int], int]:
        def result(self: int, other: int) -> int:
            value = getattr(int, name)(int(self), int(other))
            assert -(2**30) <= value < 2**30, value
            return Narrow(value)

        return result

    for name in ("add", "radd", "sub", "rsub", "mul", "rmul", "lshift", "rshift", "floordiv", "mod"):
        setattr(Narrow, f"__{name}__", checked(f"__{name}__"))

    with pytest.raises(AssertionError):  # the check itself
        _ = Narrow(2**29) * 2
    n = 0
    for t, p in ((T, P), (OTHER_T, OTHER_P)):
        for raw_t, raw_p in itertools.product(range(380_000, 640_000, 5_003), range(250_000, 620_000, 9_001)):
            fine = fine_exact(raw_t, t)
            if not (0 <= fine / 5120 <= 50 and 60_000 <= pressure_exact(raw_p, fine, p) <= 110_000):
                continue
            n += 1
            got = air.fine_temp(Narrow(raw_t), [Narrow(word) for word in t])
            air.temp_centi_c(got)
            air.pressure_pa(Narrow(raw_p), got, [Narrow(word) for word in p])
            for raw_h in (15_000, 30_000, 45_000):
                air.humidity_centi_pct(Narrow(raw_h), got, [Narrow(word) for word in H])
    assert n > 1000
