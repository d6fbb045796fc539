"""The textbook procedure as a state machine: what it asks for, in order."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hoodtrace.balancing.case import FlowRead, Side, Wanted
from hoodtrace.balancing.proportional import next_step
from hoodtrace.balancing.step import Step
from hoodtrace.errors import UsageError


def _side(valves: str = "open", n: int = 3) -> Side:
    return Side(tuple(Wanted(f"T{k}", 30.0) for k in range(n)), fan="fixed-speed", valves=valves)  # type: ignore[arg-type]


def _after(side: Side, *readings: tuple[str, float, bool]) -> Side:
    more = tuple(FlowRead(name, flow, after_turn=turned, fan_ratio=side.fan_ratio) for name, flow, turned in readings)
    return replace(side, readings=(*side.readings, *more))


def _what(step: Step) -> tuple[str, str]:
    return step.do, step.terminal


def test_valves_as_found_are_opened_first() -> None:
    side = _side("as found")
    for name in ("T0", "T1", "T2"):
        step = next_step(side)
        assert (*_what(step), step.until) == ("turn", name, "open")
        side = _after(side, (name, 40.0, True))
    assert _what(next_step(side)) == ("measure", "T0")


def test_next_lowest_first_each_to_the_index_then_the_index_again() -> None:
    side = _after(_side(), ("T0", 60.0, False), ("T1", 30.0, False), ("T2", 45.0, False))
    step = next_step(side)
    assert _what(step) == ("turn", "T2")
    assert step.target_m3h == pytest.approx(30.0)
    side = _after(side, ("T2", 30.0, True))
    assert _what(next_step(side)) == ("measure", "T1")
    side = _after(side, ("T1", 33.0, False))
    step = next_step(side)
    assert _what(step) == ("turn", "T0")
    assert step.target_m3h == pytest.approx(33.0)
    side = _after(side, ("T0", 33.0, True), ("T1", 36.0, False))
    step = next_step(side)
    assert step.do == "fan"
    assert step.ratio == pytest.approx(30.0 / 36.0)
    side = replace(side, fan_ratio=30.0 / 36.0)
    assert _what(next_step(side)) == ("measure", "T0")
    side = _after(side, ("T0", 30.0, False), ("T1", 30.5, False), ("T2", 29.5, False))
    assert _what(next_step(side)) == ("done", "")


def test_who_is_outside_is_set_again() -> None:
    side = _after(_side(n=2), ("T0", 60.0, False), ("T1", 30.0, False), ("T0", 30.0, True), ("T1", 30.0, False))
    side = _after(side, ("T0", 40.0, False), ("T1", 30.0, False))
    assert _what(next_step(side)) == ("turn", "T0")


def test_a_reading_that_was_not_asked_for_changes_nothing() -> None:
    side = _after(_side(), ("T2", 30.0, False))
    assert _what(next_step(side)) == ("measure", "T0")


def test_natural_system_has_no_fan_to_set() -> None:
    side = replace(_side(n=2), fan="none")
    side = _after(side, ("T0", 60.0, False), ("T1", 45.0, False), ("T0", 45.0, True), ("T1", 46.0, False))
    assert _what(next_step(side)) == ("measure", "T0")


def test_one_terminal_is_read_and_the_fan_set() -> None:
    side = _after(_side(n=1), ("T0", 40.0, False))
    step = next_step(side)
    assert step.do == "fan"
    assert step.ratio == pytest.approx(0.75)


def test_design_of_zero_is_refused() -> None:
    with pytest.raises(UsageError, match=r"T9.*0 m3/h"):
        next_step(Side((Wanted("T9", 0.0),)))
