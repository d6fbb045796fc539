"""The second generator's own checks: what it writes is what its spec and its hand formulas say.

Contract: no value here comes from the package; sources stand beside each check value.
"""

from __future__ import annotations

import json
import tomllib
from math import exp, log, pi, sqrt
from pathlib import Path

import numpy as np
import pytest

import worlds.second_motion as motion
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, TrueHood, carrying, hood_toml, make_trace
from worlds.second import one_hold as one_hold_spec
from worlds.second_air import KINDS, moist_density_kg_m3, on_a_circle
from worlds.second_board import edge_times_s, line, sample_lines, vane_speed_m_s
from worlds.second_hood import drawn_errors


def crc32_by_bits(data: bytes) -> int:
    """CRC-32 written out: reflected polynomial edb88320, start and end inverted (memory)."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def samples(trace: bytes) -> np.ndarray:
    """Columns t_us, edges, age_us, dp of the S lines, by plain Python."""
    rows = []
    for text in trace.split(b"\n"):
        if text[:1] == b"S":
            _, _, t_us, edges, age_us, dp, _, _, _ = text.split()
            rows.append((int(t_us, 16), int(edges, 16), int(age_us, 16), (int(dp, 16) ^ 0x8000) - 0x8000))
    return np.array(rows)


def steady(flow_m3h: float = 36.0, direction: str = "supply", **settings: object) -> Spec:
    hold = Hold((Plateau(flow_m3h, 30, Fluctuation("ou", 0.0, 1.0)),), direction)
    return Spec((Free(4, "still"), hold, Free(4, "still")), **{"noise_pa": 0.0, "p_late": 0.0, **settings})  # type: ignore[arg-type]


def test_crc_is_the_published_one() -> None:
    assert crc32_by_bits(b"123456789") == 0xCBF43926  # check value of CRC-32 in the published catalogues (seen)
    made = line("J", 5, 1000, '{"kind":"hello"}')
    head, crc = made.rstrip(b"\n").rsplit(b" ", 1)
    assert head == b'J 0000005 000000000003e8 {"kind":"hello"}'
    assert int(crc, 16) == crc32_by_bits(head)


def test_sample_lines_are_written_digit_by_digit() -> None:
    seq, t_us, edges, age_us = [1, 0xFFFFFFF], [20_000, 1 << 50], [7, 0xABCDEF], [0xFFFFFF, 0]
    columns = (seq, t_us, edges, age_us, [-2, 300], [4000, -1], [8, 0])
    first, second, rest = sample_lines(*(np.array(c) for c in columns)).split(b"\n")
    assert first[:51] == b"S 0000001 00000000004e20 000007 ffffff fffe 0fa0 08"
    assert second[:51] == b"S fffffff 04000000000000 abcdef 000000 012c ffff 00"
    assert len(first) == len(second) == 60
    assert rest == b""
    assert int(first[52:], 16) == crc32_by_bits(first[:51])


def test_every_line_of_a_trace_is_whole_and_counted() -> None:
    trace, truth = make_trace(carrying(25.0), 1)
    seqs, kinds = [], []
    for text in trace.rstrip(b"\n").split(b"\n"):
        assert int(text[-8:], 16) == crc32_by_bits(text[:-9])
        if text[:1] in b"SJ":
            seqs.append(int(text[2:9], 16))
        if text[:1] == b"J":
            kinds.append(json.loads(text[25:-9])["kind"])
    assert np.all(np.diff(seqs) == 1)
    assert kinds == ["hello", "air"] * 4  # 33 s: at 0, 10, 20 and 30 s
    assert truth.n_samples == len(samples(trace)) == 33 * 50


def test_the_same_seed_gives_the_same_bytes_and_another_gives_others() -> None:
    spec = one_hold_spec(60.0, 20.0)
    assert make_trace(spec, 4)[0] == make_trace(spec, 4)[0]
    assert make_trace(spec, 4)[0] != make_trace(spec, 5)[0]


@pytest.mark.parametrize("direction", ["supply", "extract"])
@pytest.mark.parametrize("rate_hz", [50, 100])
def test_pressure_of_a_steady_flow_by_hand(direction: str, rate_hz: int) -> None:
    trace, truth = make_trace(steady(36.0, direction, rate_hz=rate_hz), 2)
    plateau, columns = truth.holds[0].plateaus[0], samples(trace)
    t_s = (columns[:, 0] - columns[0, 0]) / 1e6
    dp = columns[(t_s > plateau.start_s + 3) & (t_s < plateau.end_s), 3]
    # 36 m3/h is 0.01 m3/s; dp = density / 2 (q / (c area))^2, read 101325 / 96600 too high, 240 counts a Pa.
    # Density at 20 C, 50 %, 101325 Pa: 1.19931 kg/m3 by CIPM-2007 (Metrologia 45 (2008) 149, seen in tables).
    by_hand = 1.19931 / 2 * (0.01 / (0.71 * pi / 4 * 0.104**2)) ** 2 * 101325 / 96600 * 240
    assert dp.mean() == pytest.approx((1 if direction == "supply" else -1) * by_hand, rel=1.5e-3)
    assert dp.std() < 1  # nothing but rounding


def test_edges_of_a_steady_flow_by_hand() -> None:
    trace, truth = make_trace(steady(36.0), 3)
    plateau, columns = truth.holds[0].plateaus[0], samples(trace)
    t_s = (columns[:, 0] - columns[0, 0]) / 1e6
    inside = columns[(t_s > plateau.start_s + 4) & (t_s < plateau.end_s)]
    first, last = inside[0], inside[-1]
    between_s = ((last[0] - last[2]) - (first[0] - first[2])) / 1e6
    # flow = k area speed, speed = offset + gain f: the definition of the hood file.
    by_hand = (0.01 / (0.93 * pi / 4 * 0.104**2) - 0.14) / 0.047
    # The marks stand up to 0.3 of an edge out of place, over some 600 edges.
    assert (last[1] - first[1]) / between_s == pytest.approx(by_hand, rel=1e-3)
    ages = inside[:, 2]
    assert ages.max() < 1.6e6 / by_hand
    assert np.all(np.diff(inside[:, 0] - ages) >= -1)


def test_errors_of_the_hood_reach_the_bytes() -> None:
    plain, _ = make_trace(steady(), 6)
    moved, _ = make_trace(steady(errors=TrueHood(0.9, 1.1, 0.05)), 6)
    at = slice(1000, 1500)  # 20 to 30 s, seated
    ratio = (samples(moved)[at, 3].mean() - 0.05 * 240) / samples(plain)[at, 3].mean()
    assert ratio == pytest.approx(1 / 1.1**2, rel=2e-3)
    edges = [samples(trace)[at][[0, -1], 1] for trace in (plain, moved)]
    speeds = [0.14 + 0.047 * (b - a) / 9.98 for a, b in edges]
    assert speeds[1] / speeds[0] == pytest.approx(1 / 0.9, abs=0.02)


def test_missed_and_doubled_edges_change_the_count_by_their_share() -> None:
    def counted(**settings: float) -> int:
        edges = samples(make_trace(steady(150.0, **settings), 8)[0])[:, 1]
        return int(edges[-1] - edges[0]) % (1 << 24)

    whole = counted()
    for got, share in ((counted(p_missed=0.1), -0.1), (counted(p_doubled=0.1), 0.1)):
        assert abs(got / whole - 1 - share) < 5 * sqrt(0.1 * 0.9 / whole)


@pytest.mark.parametrize("kind", KINDS)
def test_integral_of_each_autocorrelation_is_the_correlation_time(kind: str) -> None:
    lag_s = np.linspace(0, 60, 240_001)
    rho = Fluctuation(kind, 0.12, 0.8).autocorrelation(lag_s)
    assert rho[0] == pytest.approx(1)
    assert np.trapezoid(rho, lag_s) == pytest.approx(0.8, rel=1e-4)


def test_ornstein_uhlenbeck_records_have_the_exact_correlation() -> None:
    record = on_a_circle(Fluctuation("ou", 1.0, 0.5), 400_000, 0.02, np.random.default_rng(9))
    # 400,000 samples are 8,000 s, N/g = 8000: the standard error of each correlation is about 1.1 %.
    for lag in (1, 10, 25, 50):
        assert np.mean(record[lag:] * record[:-lag]) == pytest.approx(exp(-lag * 0.02 / 0.5), abs=0.04)


def test_oracle_of_the_mean_is_the_textbook_one_for_ornstein_uhlenbeck() -> None:
    # Var(mean) = 2 tau/T (1 - tau/T (1 - exp(-T/tau))): textbook result (memory).
    tau_s, time_s = 1.3, 20.0
    exact = 2 * tau_s / time_s * (1 - tau_s / time_s * (1 - exp(-time_s / tau_s)))
    assert Fluctuation("ou", 0.1, tau_s).u_mean_rel(time_s) == pytest.approx(0.1 * sqrt(exact), rel=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_means_of_records_scatter_as_the_oracle_says(kind: str) -> None:
    air, rng = Fluctuation(kind, 0.1, 0.5), np.random.default_rng(10)
    records = np.array([air.draw(1000, 0.02, rng) for _ in range(1000)])
    means = records.mean(axis=1) / air.u_mean_rel(20.0)
    assert abs(means.mean()) < 4 / sqrt(1000)
    assert means.std() == pytest.approx(1, abs=4 / sqrt(2000))
    assert records.std() == pytest.approx(0.1, rel=0.02)


def test_karman_records_have_the_minus_five_thirds_spectrum() -> None:
    # S(f) ~ (1 + 70.8 (f L/U)^2)^(-5/6), L/U the integral time: von Karman's longitudinal spectrum (memory).
    lag_s = np.linspace(0, 40, 400_001)
    rho = Fluctuation("karman", 1.0, 1.0).autocorrelation(lag_s)
    power = [np.trapezoid(rho * np.cos(2 * pi * f * lag_s), lag_s) for f in (0.05, 0.5, 2.0)]
    wanted = [(1 + 70.8 * f**2) ** (-5 / 6) for f in (0.05, 0.5, 2.0)]
    assert power == pytest.approx(wanted, rel=2e-3)


def test_vane_over_reads_a_swinging_flow_by_the_classical_amount() -> None:
    # Excess I^2 x^2 / (1 + x^2), x = w L / V, for small I: the classical form of a first-order lag with a distance
    # constant (own derivation by second-order perturbation, as for cup anemometers in Kristensen's work, memory).
    hood, step_s, mean_m_s, rms = Hood(response_length_m=0.5), 0.002, 2.0, 0.1
    t_s = np.arange(200_000) * step_s
    for x in (0.5, 1.0, 3.0):
        air = mean_m_s * (1 + rms * sqrt(2) * np.sin(x * mean_m_s / 0.5 * t_s))
        shown = vane_speed_m_s(air, step_s, hood)[20_000:]
        assert shown.mean() / mean_m_s - 1 == pytest.approx(rms**2 * x**2 / (1 + x**2), rel=0.06)


def test_vane_stands_still_under_its_start_speed() -> None:
    hood = Hood()
    edges_s = edge_times_s(vane_speed_m_s(np.full(2000, 0.24), 0.02, hood), 0.02, hood, 0.3, np.zeros(4))
    assert len(edges_s) == 0
    edges_s = edge_times_s(vane_speed_m_s(np.full(2000, 0.26), 0.02, hood), 0.02, hood, 0.3, np.zeros(4))
    # At rest it takes tau ln(0.26 / 0.12) to pass the speed of the first edge, then trails by 0.12 tau; tau = L / v.
    tau_s = 0.3 / 0.26
    lost_m = (0.26 - 0.14) * tau_s * (log(0.26 / 0.12) + 1)
    assert len(edges_s) == pytest.approx((40 * (0.26 - 0.14) - lost_m) / 0.047, abs=1.5)


def test_carrying_blows_either_way_and_never_over_the_wind_of_walking() -> None:
    rng = np.random.default_rng(11)
    speeds = np.concatenate([motion.carried_speed_m_s(3000, 0.02, rng) for _ in range(20)])
    assert np.abs(speeds).max() <= 1.5
    assert 0.25 < np.mean(speeds > 0) < 0.75
    assert np.quantile(np.abs(speeds), 0.9) > 0.4


@pytest.mark.parametrize("shape", ["cosine", "exponential"])
def test_gusts_are_nothing_outside_their_time(shape: str) -> None:
    t_s = np.linspace(-5, 10, 15_001)
    change = motion.gust(t_s, 0.5, 1.5, shape)
    length_s = 1.5 if shape == "cosine" else 3.0
    assert np.all(change[(t_s < 0) | (t_s > length_s)] == 0)
    assert change.max() == pytest.approx(0.5, rel=1e-3)


def test_truth_tells_turns_and_gusts_in_order_inside_the_hold() -> None:
    air = Fluctuation("ou", 0.03, 0.5)
    hold = Hold((Plateau(60, 20, air), Plateau(40, 20, air)), n_gusts=2, turn_s=1.0)
    _, truth = make_trace(Spec((Free(5, "hang"), hold, Free(3, "hang"))), 12)
    (found,) = truth.holds
    first, second = found.plateaus
    assert found.seated_s == pytest.approx(5 + hold.press_s)
    assert found.lifted_s - found.seated_s == pytest.approx(41)
    assert second.start_s - first.end_s == pytest.approx(1.0)
    assert [e.start_s for e in found.events] == sorted(e.start_s for e in found.events)
    assert sum(e.kind == "gust" for e in found.events) == 2
    assert all(found.seated_s < e.start_s < e.end_s < found.lifted_s for e in found.events)


def test_hood_file_says_what_the_hood_is() -> None:
    said = tomllib.loads(hood_toml(Hood(response_given=False, k_extract=0.9, r_k_c=0.3)))
    assert said["pipe"] == {"bore_mm": 104.0, "length_mm": 200.0}
    assert said["vane"]["extract"] == {"k": 0.9}
    assert "response_length_m" not in said["vane"]
    assert said["r_k_c"] == 0.3
    assert "vane" not in tomllib.loads(hood_toml(Hood(has_vane=False)))


def test_errors_are_drawn_from_the_stated_uncertainties() -> None:
    rng, hood = np.random.default_rng(13), Hood(r_k_c=0.5)
    drawn = np.array(
        [(e.k_factor, e.c_factor, e.zero_shift_pa) for e in (drawn_errors(hood, rng) for _ in range(4000))]
    )
    assert drawn.std(axis=0) == pytest.approx([0.02, 0.025, 0.02], rel=0.05)
    assert np.corrcoef(drawn[:, 0], drawn[:, 1])[0, 1] == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "pressure_pa", "density"),
    [(20, 50, 101325, 1.1993144), (0, 50, 101325, 1.2915780), (20, 40, 80000, 0.9467765)],
)
def test_density_is_near_that_of_the_metrologists(
    temp_c: float, rh_pct: float, pressure_pa: float, density: float
) -> None:
    # CIPM-2007, Metrologia 45 (2008) 149, values as worked with its formula; an ideal mixture is 0.06 % lower at most.
    assert moist_density_kg_m3(temp_c, rh_pct, pressure_pa) == pytest.approx(density, rel=7e-4)


def test_the_generator_shares_no_code_with_the_package() -> None:
    for path in Path(motion.__file__).parent.glob("second*.py"):
        for text in path.read_text(encoding="utf-8").splitlines():
            assert not text.strip().startswith(("import hoodtrace", "from hoodtrace")), path.name
