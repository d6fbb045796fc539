"""What a page shows of a balancing, as plain records: rooms in walking order, the next step and its decision.

Every word is a key; the numbers are those of `whole`. Pages draw this and nothing else, so that it can be tested
without one. Nothing is decided here: a decision is only made ready.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from hoodtrace.balancing.says import (
    balance_says,
    caution_says,
    evidence_say,
    fan_says,
    level_says,
    pressure_says,
    refused_say,
    rule_say,
    step_say,
    unit_says,
    waited_for,
    why_says,
)
from hoodtrace.balancing.standing import K_95
from hoodtrace.dwelling.screen import Say, Value
from hoodtrace.dwelling.verdict import Verdict, limits_m3h
from hoodtrace.dwelling.window import OTHER_WAY

if TYPE_CHECKING:
    from hoodtrace.balancing.standing import Standing
    from hoodtrace.balancing.whole import SideNow, Whole
    from hoodtrace.dwelling.plan import Terminal
    from hoodtrace.dwelling.visit import Visit

FEWEST = 2
"""Readings from which on there is something to show."""


@dataclass(frozen=True, slots=True)
class Balanced:
    """Where a terminal stands on the line of flow over design.

    `low` and `high` are the 95 % interval of `ratio` without what all readings share; `band` is what is allowed there,
    infinite where there is no limit (lower than the plan's where the fan can't reach the design).
    """

    ratio: float
    low: float
    high: float
    band: tuple[float, float]
    proportion: Verdict
    level: Verdict
    from_: Literal["read", "predicted"]


@dataclass(frozen=True, slots=True)
class Line:
    """A terminal in one sentence; `at` is None where it is not balanced."""

    id: str
    room: str
    direction: str
    sentence: Say
    at: Balanced | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """A finding in sentences, and the system and side that it is of (empty: it names them itself)."""

    system: str
    direction: str
    says: tuple[Say, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """The next step with why it is, the decision that takes it (None: there is none, or `under_way`), all terminals.

    Of a step to the fan the decision lacks what was reached: that is asked, and `ratio` is what is advised.
    """

    step: Say
    why: tuple[Say, ...]
    climbs: Say
    lines: tuple[Line, ...]
    decision: Mapping[str, Any] | None = None
    label: Say | None = None
    ratio: float | None = None
    under_way: bool = False
    refusals: tuple[tuple[str, Say], ...] = ()
    cautions: tuple[Say, ...] = ()
    evidence: tuple[Told, ...] = ()
    house: tuple[tuple[Say, ...], ...] = ()
    rule: Say | None = None


def n_readings(visit: Visit) -> int:
    """Return how many readings there are at the fan setting in force."""
    return sum(placement.setting == visit.state.setting for placement in visit.state.placements)


def shown(visit: Visit, found: Whole) -> Shown:
    """Return what the page shows of `found`, which was worked out for `visit` as it is."""
    terminals = visit.state.terminals(visit.plan)
    step = found.next.step
    decision, label = _decision(found)
    under_way = decision is not None and _under_way(visit, decision)
    climbs: dict[str, Value] = {"n": found.climbs_so_far, "more": found.climbs_expected}
    return Shown(
        step_say(found.next, _place(terminals, step.terminal)),
        why_says(found.next),
        Say("advice.climbs_done" if found.climbs_expected == 0 else "advice.climbs", climbs),
        tuple(_line(terminal, found) for terminal in terminals),
        None if under_way else decision,
        label,
        step.ratio if step.do == "fan" else None,
        under_way,
        tuple((_place(terminals, name), refused_say(key)) for key, name in found.refusals),
        tuple(each for said in found.cautions for each in caution_says(said)),
        tuple(_evidence(found)),
        _house(found),
        rule_say(visit.plan.rule),
    )


def _place(terminals: tuple[Terminal, ...], name: str) -> str:
    room = next((terminal.room for terminal in terminals if terminal.id == name), "")
    return f"{name}, {room}" if room else name


# ---- the step


def _decision(found: Whole) -> tuple[dict[str, Any] | None, Say | None]:
    """Return the decision that takes the step, and the words of its button; `whole` has asked what the visit allows."""
    step = found.next.step
    if step.do == "measure":
        return {"do": "go", "terminal": step.terminal}, Say("advice.go")
    if step.do == "fan":
        return {"do": "fan", "system": found.next.system, "side": found.next.side}, Say("advice.take_fan")
    if step.do == "turn" and step.until == "reads":
        target = {name: getattr(step, name) for name in ("terminal", "target_m3h", "low_m3h", "high_m3h")}
        return {"do": "target", **target}, Say("advice.take_target")
    if step.do == "turn" and step.target_m3h is not None:
        stop = {"terminal": step.terminal, "target_m3h": step.target_m3h, "until": step.until}
        return {"do": "target", **stop}, Say(f"advice.take_{step.until}")
    return None, None


def _under_way(visit: Visit, decision: Mapping[str, Any]) -> bool:
    """Whether the visit is at this step already."""
    target, now = visit.state.target, visit.step()
    if now.kind != "measure" or now.terminal != decision.get("terminal"):
        return False
    if decision["do"] == "go":
        return target is None
    if target is None or target.until != decision.get("until", ""):
        return False
    # What a stop will show may be reckoned anew: it stays the same stop.
    return bool(target.until) or math.isclose(target.target_m3h, decision["target_m3h"], rel_tol=1e-3)


# ---- the terminals


def _line(terminal: Terminal, found: Whole) -> Line:
    for side in found.sides:
        for stands in side.advice.standings:
            if stands.id == terminal.id:
                return _balanced(terminal, stands, side)
        for name, why in side.named.left_out:
            if name == terminal.id:
                return Line(terminal.id, terminal.room, terminal.direction, _not_balanced(why))
    return Line(terminal.id, terminal.room, terminal.direction, Say("advice.row_no_design"))


def _not_balanced(why: str) -> Say:
    if why in ("no design flow", "design flow zero"):
        return Say("advice.row_no_design" if why == "no design flow" else "advice.row_design_zero")
    if why == OTHER_WAY:
        return Say("advice.row_other_way")
    return Say("advice.row_left_out", {"reason": why})


def _balanced(terminal: Terminal, stands: Standing, side: SideNow) -> Line:
    now, design = stands.now_m3h, stands.design_m3h
    spread = math.exp(K_95 * stands.u_own_m3h / now)
    band = _band(terminal, side)
    at = Balanced(
        stands.ratio,
        stands.ratio / spread,
        stands.ratio * spread,
        band,
        stands.proportion,
        stands.level,
        stands.from_,
    )
    values: dict[str, Value] = {"now_m3h": now, "design_m3h": design, "low_m3h": now / spread, "high_m3h": now * spread}
    if terminal.id not in side.named.side.read:
        key = "unread"
    elif stands.proportion == "outside":
        key = "less" if stands.ratio < _middle(band) else "more"
    else:
        key = stands.proportion
    return Line(terminal.id, terminal.room, terminal.direction, Say(f"advice.row_{key}", values), at)


def _band(terminal: Terminal, side: SideNow) -> tuple[float, float]:
    """Return the limits of flow over design; where the design can't be reached, of what can."""
    low, high = limits_m3h(1.0, terminal.limit, side.named.side.tolerance_rel)
    short = [float(one.values["level"]) for one in side.advice.evidence if one.kind == "unreachable"]
    level = short[0] if short else 1.0
    return low * level, high * level


def _middle(band: tuple[float, float]) -> float:
    low, high = band
    return high if low == -math.inf else low if high == math.inf else (low + high) / 2.0


# ---- what the readings show


def _evidence(found: Whole) -> list[Told]:
    told: list[Told] = []
    for one in found.sides:
        side, advice = one.named.side, one.advice
        said = [evidence_say(each, side.fan == "none") for each in advice.evidence]
        if advice.settles and not one.named.side.unread:
            said.append(Say("evidence.settles", {"terminal": advice.settles}))
        said += level_says(advice.level)
        said += fan_says(side, advice.fan, advice.p_fan)
        told += [Told(one.named.system, one.named.direction, (each,)) for each in said]
    told += [Told(one.system, one.direction, (each,)) for one in found.natural for each in one.says]
    waiting = waited_for(found)
    for system, judged in found.balances:
        told.append(Told("", "", balance_says(system, judged, waiting)))
    for system, against in found.against_units:
        if not waiting.intersection(against.unread):
            told.append(Told("", "", unit_says(system, against)))
    return told


def _house(found: Whole) -> tuple[tuple[Say, ...], ...]:
    """Return what is said of the dwelling's pressure: each estimate for itself, then all that belongs to them."""
    said = pressure_says(found.pressures)
    n = len(found.pressures.estimates)
    return *((one,) for one in said[:n]), said[n:]
