"""From a visit to the sides that balancing sees: each system's supply and extract, with what was read there, in order.

A side has the terminals that have a design flow at the setting in force, and the readings of that setting. What the
hood takes away is its own law at the side's mean flow. A reading's own part is what other readings with the same hood
do not share; of a meter whose parts nobody stated, `OWN_PART` of its uncertainty is taken for its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from hoodtrace.balancing.case import FanKind, FlowRead, Side, Stop, Wanted
from hoodtrace.dwelling.questions import flue_not_excluded
from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.targets import is_damp
from hoodtrace.dwelling.window import OTHER_WAY
from hoodtrace.physics.air import assumed_air
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.resistance import known_stack_pa, law_of
from hoodtrace.units import m3_s

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Limit, System, Terminal
    from hoodtrace.dwelling.state import Entry, Placement
    from hoodtrace.dwelling.visit import Visit

Direction = Literal["supply", "extract"]
DIRECTIONS: tuple[Direction, ...] = ("supply", "extract")
OWN_PART, COMMON_PART = 0.6, 0.8
"""Of the uncertainty of a meter that was typed in: what is new in each reading, and what all share (own choice: 3 % and
4 % of 5 %)."""
LEAST_OWN_REL = 0.005
LEAST_STACK_PA = 0.2
"""A stack under this is not what drives the air (own choice)."""


@dataclass(frozen=True, slots=True)
class NamedSide:
    """A side, its system and direction; `left_out` are terminals of it that can't be balanced, each with the reason."""

    system: str
    direction: Direction
    side: Side
    left_out: tuple[tuple[str, str], ...]


def sides_of(visit: Visit, hood: Hood, closing: bool = False) -> list[NamedSide]:
    """Return the sides of a visit that have anything to balance.

    Parameters
    ----------
    visit : Visit
    hood : Hood
        The visit's own.
    closing : bool
        Every terminal is to be read once more at the end.
    """
    out = []
    for system in visit.plan.systems:
        for direction in DIRECTIONS:
            here = [
                t for t in visit.state.terminals(visit.plan) if t.system == system.name and t.direction == direction
            ]
            left_out = tuple((t.id, why) for t in here if (why := _why_not(visit, t)))
            wanted = [t for t in here if t.id not in dict(left_out)]
            if wanted:
                out.append(NamedSide(system.name, direction, _side(visit, hood, system, wanted, closing), left_out))
    return out


def _why_not(visit: Visit, terminal: Terminal) -> str:
    design = terminal.design(visit.state.setting)
    if design is None:
        return "no design flow"
    if design == 0.0:
        return "design flow zero"
    newest = visit.state.at(terminal.id, visit.state.setting)[-1:]
    if newest and OTHER_WAY in newest[0].entry.get("flags", ()):
        return OTHER_WAY
    return visit.state.why_left_out(terminal)


def _side(visit: Visit, hood: Hood, system: System, wanted: list[Terminal], closing: bool) -> Side:
    state, rule = visit.state, visit.plan.rule
    names = [terminal.id for terminal in wanted]
    direction = wanted[0].direction
    placements = _in_order([p for p in state.placements if p.terminal in names and p.setting == state.setting])
    terminals = tuple(Wanted(t.id, float(t.design(state.setting) or 0.0), _limit(visit, t), t.branch) for t in wanted)
    mean_m3h = math.fsum(t.design_m3h for t in terminals) / len(terminals)
    limits = _fan_limits(state.of_house, system.name, direction)
    n_sides = 2 if system.kind == "heat-recovery" else 1
    return Side(
        terminals,
        tuple(
            _read(visit, p, system.name, direction, turned, stop)
            for p, turned, stop in zip(
                placements, _turned(placements), _stops(placements, state.withdrawn), strict=True
            )
        ),
        _fan_kind(system),
        system.valves,
        *_hood_law(hood, direction, mean_m3h),
        tolerance_rel=rule.tolerance_rel,
        risk=rule.risk / n_sides,
        fan_ratio=fan_ratio(state.of_house, system.name, direction),
        epoch=_n_events(state.of_house, system.name),
        fan_least=limits[0],
        fan_most=limits[1],
        closing=closing,
        drive_pa=_stack_pa(visit, hood, system),
        can_restrict=not flue_not_excluded(visit.plan, visit.state),
    )


def _stack_pa(visit: Visit, hood: Hood, system: System) -> float | None:
    """Return the stack [Pa] of a natural system with the temperatures noted last; None where none is known."""
    weather, air = visit.state.weather, assumed_air(hood.altitude_m)
    pa = known_stack_pa(system.stack_height_m, weather.get("outdoor_c"), weather.get("indoor_c"), air.pressure_pa)
    return pa if pa is not None and pa > LEAST_STACK_PA else None


def _limit(visit: Visit, terminal: Terminal) -> Limit:
    """Return what a flow is judged by: in a damp room the design of an extract is its least, so it is aimed above."""
    return "at least" if is_damp(visit.plan, terminal) and terminal.limit == "around" else terminal.limit


def _fan_kind(system: System) -> FanKind:
    return "none" if system.kind == "natural" else system.fan


def _hood_law(hood: Hood, direction: Direction, flow_m3h: float) -> tuple[float, float]:
    """Return K [Pa/(m3/h)^2] of the hood at a flow and its relative standard uncertainty; none without taps."""
    if hood.taps is None:
        return 0.0, 0.0
    law = law_of(hood, direction, assumed_air(hood.altitude_m).density_kg_m3)
    flow_m3_s = m3_s(flow_m3h)
    return law.pa(flow_m3_s) / flow_m3h**2, law.u_rel(flow_m3_s)


def _in_order(placements: list[Placement]) -> list[Placement]:
    """Return readings as they were taken: one that was chosen in review has a late line, but its epoch says when."""
    out: list[Placement] = []
    for p in sorted(placements, key=lambda p: (p.epoch[0], p.line)):
        later = [k for k, one in enumerate(out) if one.terminal == p.terminal and one.epoch > p.epoch]
        out.insert(later[0] if later else len(out), p)
    return out


def _turned(placements: list[Placement]) -> list[bool]:
    """Return which readings are the first of their valve's position.

    The terminal's epoch says so: the line of a turn may have been taken back, or be of another fan setting.
    """
    epochs: dict[str, int] = {}
    out = []
    for p in placements:
        out.append(p.epoch[1] > epochs.get(p.terminal, 0))
        epochs[p.terminal] = p.epoch[1]
    return out


def _stops(placements: list[Placement], withdrawn: list[Placement]) -> list[Stop]:
    """Return the stop that the valve of each reading is at.

    A reading that was taken back says it too, as long as the valve was not turned again: only its flow was wrong.
    """
    gone: dict[tuple[str, int], Stop] = {
        (p.terminal, p.epoch[1]): p.entry["at_stop"] for p in withdrawn if p.entry.get("at_stop")
    }
    return [p.entry.get("at_stop") or gone.get((p.terminal, p.epoch[1]), "") for p in placements]


def _read(visit: Visit, placement: Placement, system: str, direction: Direction, turned: bool, stop: Stop) -> FlowRead:
    """Return one reading as balancing takes it."""
    entry, before = placement.entry, visit.state.of_house[: placement.epoch[0]]
    flow, u = placement.flow_m3h, float(entry["u_flow_m3h"])
    if entry.get("terms"):
        own = result([placement]).u_own_m3h
        common = math.sqrt(max(u**2 - own**2, 0.0))
    else:
        own, common = OWN_PART * u, COMMON_PART * u
    return FlowRead(
        placement.terminal,
        flow,
        max(own / flow, LEAST_OWN_REL),
        common / flow,
        float(bool(entry.get("hood_on", True))),
        turned,
        stop,
        fan_ratio(before, system, direction),
        _n_events(before, system),
        float(entry["aimed_m3h"]) if turned and entry.get("aimed_m3h") else None,
    )


def fan_ratio(of_house: list[Entry], system: str, direction: Direction) -> float:
    """Return what the fan of a side was set to last, of what it was at the beginning.

    Examples
    --------
    >>> set_to = {"kind": "fan", "system": "unit", "side": None, "ratio": 0.9}
    >>> fan_ratio([set_to, {**set_to, "side": "supply", "ratio": 0.8}], "unit", "extract")
    0.9
    """
    return _fan_ratios(of_house, system, direction)[-1]


def _fan_limits(of_house: list[Entry], system: str, direction: Direction) -> tuple[float, float]:
    """Return the lowest and the highest ratio that the fan of a side reaches.

    What is recorded is what was reached: a fan that was set and is where it was before goes no further.
    """
    ratios = _fan_ratios(of_house, system, direction)
    stays = len(ratios) > 1 and ratios[-1] == ratios[-2]
    return (ratios[-1], ratios[-1]) if stays else (0.0, math.inf)


def _fan_ratios(of_house: list[Entry], system: str, direction: Direction) -> list[float]:
    """Return what the fan of a side was set to, the beginning's 1 first."""
    return [1.0] + [
        float(entry["ratio"])
        for entry in of_house
        if entry.get("kind") == "fan" and entry.get("system") == system and entry.get("side") in (None, direction)
    ]


def _n_events(of_house: list[Entry], system: str) -> int:
    """Return how many events touched a system: those of all of the house, and its own."""
    return sum(entry.get("kind") == "event" and entry.get("system") in (None, system) for entry in of_house)
