"""Flows as found: what a terminal gave before anybody turned a valve, from readings taken while others were turned."""

from __future__ import annotations

import numpy as np
import pytest

from hoodtrace.balancing.adviser import advise
from hoodtrace.balancing.case import FlowRead, Side, Wanted

WANTED = (Wanted("S1", 40.0), Wanted("S2", 40.0), Wanted("S3", 40.0))


def flows(conductances: np.ndarray, fan_pa: float = 60.0, main: float = 0.002) -> np.ndarray:
    """Flows [m3/h] of terminals in parallel behind a main, by bisection on the pressure between (own derivation)."""
    low, high = 0.0, fan_pa
    for _ in range(80):
        middle = 0.5 * (low + high)
        total = float((conductances * np.sqrt(middle)).sum())
        low, high = (middle, high) if middle + main * total**2 < fan_pa else (low, middle)
    return conductances * np.sqrt(low)


def test_readings_of_untouched_valves_are_what_was_found() -> None:
    readings = tuple(FlowRead(name, flow, 0.02, 0.03) for name, flow in (("S1", 30.0), ("S2", 50.0), ("S3", 41.0)))
    found = advise(Side(WANTED, readings, hood_pa_m3h2=0.0)).found
    assert [one.id for one in found] == ["S1", "S2", "S3"]
    for one, read in zip(found, readings, strict=True):
        assert one.flow_m3h == pytest.approx(read.flow_m3h, rel=0.01)
        assert one.u_flow_m3h**2 == pytest.approx(one.u_own_m3h**2 + (0.03 * one.flow_m3h) ** 2)


def test_a_terminal_first_read_after_another_was_turned_had_less_before() -> None:
    """S1 is throttled by half before S3 is read: S3 shows more than it had, and as found says what it had."""
    c = np.array([6.0, 6.0, 6.0])
    begun = flows(c)
    after = flows(np.array([2.0, 6.0, 6.0]))
    assert after[2] > 1.05 * begun[2]
    readings = (
        FlowRead("S1", begun[0], 0.01, 0.0),
        FlowRead("S2", begun[1], 0.01, 0.0),
        FlowRead("S1", after[0], 0.01, 0.0, after_turn=True),
        FlowRead("S2", after[1], 0.01, 0.0),
        FlowRead("S3", after[2], 0.01, 0.0),
    )
    found = {one.id: one for one in advise(Side(WANTED, readings, hood_pa_m3h2=0.0)).found}
    assert abs(found["S3"].flow_m3h - begun[2]) < abs(after[2] - begun[2]) / 2.0
    assert abs(found["S3"].flow_m3h - begun[2]) < 1.96 * found["S3"].u_own_m3h


def test_a_valve_turned_before_its_first_reading_says_nothing_of_before() -> None:
    readings = (FlowRead("S1", 30.0, 0.02), FlowRead("S2", 40.0, 0.02, after_turn=True), FlowRead("S3", 41.0, 0.02))
    assert [one.id for one in advise(Side(WANTED, readings)).found] == ["S1", "S3"]


def test_without_readings_nothing_is_said() -> None:
    assert advise(Side(WANTED)).found == ()


def test_what_the_hood_took_is_put_back() -> None:
    readings = tuple(FlowRead(w.id, 40.0, 0.02) for w in WANTED)
    with_hood = advise(Side(WANTED, readings, hood_pa_m3h2=0.002)).found
    without = advise(Side(WANTED, readings, hood_pa_m3h2=0.0)).found
    for a, b in zip(with_hood, without, strict=True):
        assert a.flow_m3h > b.flow_m3h
