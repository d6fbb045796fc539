"""What a balancing has to say, as keys of sentences with their values: the step and why, what the readings show.

One place for the command line and the page; the texts hold the sentences in every language. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.house import U_UNIT_REL
from hoodtrace.balancing.house_pressure import U_N50_REL
from hoodtrace.dwelling.screen import Say, Value

if TYPE_CHECKING:
    from hoodtrace.balancing.evidence import Evidence
    from hoodtrace.balancing.house import AgainstUnit
    from hoodtrace.balancing.house_pressure import Pressures
    from hoodtrace.balancing.house_sums import Balance
    from hoodtrace.balancing.standing import Level
    from hoodtrace.balancing.whole import Next, Whole
    from hoodtrace.dwelling.plan import Rule

OTHER_WAYS = {"again here": "again", "no hood": "bare"}
"""Readings that are taken in another way than as usual, by why they are."""
PRESSURES_SAY_IT = ("house.pressure", "house.no_estimate", "house.not_in_it")
"""Cautions that `pressure_says` says with more."""


def step_say(following: Next, place: str = "") -> Say:
    """Return the step; `place` is the terminal as it is to be named (empty: by its id)."""
    step = following.step
    if following.refused:
        return Say("advice.refused")
    values: dict[str, Value] = {"place": place or step.terminal}
    if step.do == "measure" and step.why in OTHER_WAYS:
        return Say(f"advice.measure_{OTHER_WAYS[step.why]}", values)
    if step.do == "fan" and step.ratio is not None:
        values = {"system": following.system, "direction": following.side, "ratio": step.ratio}
    elif step.do == "turn" and step.until != "reads":
        return Say(f"advice.turn_{step.until}", values)
    elif step.target_m3h is not None and step.low_m3h is not None and step.high_m3h is not None:
        values |= {"target_m3h": step.target_m3h, "low_m3h": step.low_m3h, "high_m3h": step.high_m3h}
    return Say(f"advice.{step.do}", values)


def why_says(following: Next) -> tuple[Say, ...]:
    """Return why this is the step; what to do about an open flue where that forbids one."""
    if not following.refused:
        return (Say(f"advice.why_{_key(following.step.why)}"),)
    last = (Say("advice.refused_last"),) if "flue" in following.refused else ()
    return refused_say(following.refused), *last


def rule_say(rule: Rule) -> Say:
    """Return by which rule verdicts are given (JCGM 106:2012: a guard band as wide as the accepted risk asks for)."""
    return Say("advice.rule", {"tolerance_rel": rule.tolerance_rel, "risk_rel": rule.risk})


def refused_say(key: str) -> Say:
    """Return why a step is forbidden; `key` as `house.worsens` gives it."""
    return Say(f"advice.refused_{key.removeprefix('refused.')}")


def evidence_say(found: Evidence, natural: bool = False) -> Say:
    """Return a finding; `natural`: on a side without a fan."""
    values: dict[str, Value] = {"terminal": found.terminal, **found.values}
    key = _key(found.kind)
    if found.kind == "at its stop":
        key = f"{key}_{found.values['stop']}"
    elif found.kind == "unreachable":
        values |= {"level_rel": found.values["level"], "needed_ratio": found.values["ratio_needed"]}
        key = f"{key}_natural" if natural else key
    return Say(f"evidence.{key}", values)


def level_says(level: Level) -> tuple[Say, ...]:
    """Return what the part that all readings share allows to be said of m3/h; nothing where it forbids nothing."""
    if not level.forbids:
        return ()
    return (Say("evidence.level", {"u_common_rel": level.u_common_rel, "needed_rel": level.needed_rel}),)


def fan_says(side: Side, kind: str, p: float) -> tuple[Say, ...]:
    """Return what kind of fan the readings speak for, nothing where it was stated; or that it is taken not to move."""
    if side.fan != "none" and side.fan_least == side.fan_most:
        return (Say("evidence.fan_stays"),)
    if side.fan != "unknown" or kind not in ("fixed-speed", "constant-flow") or not side.readings:
        return ()
    return (Say(f"evidence.fan_{kind}", {"p_rel": p}),)


def waited_for(found: Whole) -> frozenset[str]:
    """Return the terminals that are still to be read."""
    return frozenset(name for one in found.sides for name in one.named.side.unread)


def balance_says(system: str, found: Balance, waiting: Collection[str] = ()) -> tuple[Say, ...]:
    """Return how the sides of a system stand to each other; nothing of it while any of `waiting` is missing in it."""
    if waits_for := [name for name in found.unread if name in waiting]:
        return (Say("evidence.balance_waits", {"system": system, "names": ", ".join(waits_for)}),)
    values: dict[str, Value] = {
        "system": system,
        "ratio_rel": found.ratio,
        "expanded_rel": found.expanded_ratio,
        "volume_rel": found.volume_ratio,
    }
    return Say(f"evidence.balance_{found.verdict}", values), *_without(found.unread)


def unit_says(system: str, found: AgainstUnit) -> tuple[Say, ...]:
    """Return how a side's sum stands against the unit's own figure."""
    key = found.verdict if found.verdict in ("agrees", "undecided") else "leak"
    values: dict[str, Value] = {
        "system": system,
        "direction": found.direction,
        "sum_m3h": found.sum_m3h,
        "unit_m3h": found.unit_m3h,
    }
    assumed = (Say("evidence.unit_assumed", {"u_rel": U_UNIT_REL}),) if found.u_assumed else ()
    return Say(f"evidence.unit_{key}", values), *_without(found.unread), *assumed


def pressure_says(found: Pressures) -> tuple[Say, ...]:
    """Return the estimates of the dwelling's pressure, or what is missing for one."""
    if not found.estimates:
        missing = [name for name in found.missing if not name.startswith("terminal ")]
        unread = [name.removeprefix("terminal ") for name in found.missing if name.startswith("terminal ")]
        names = (Say("house.missing_terminals", {"names": ", ".join(unread)}),) if unread else ()
        return Say("house.no_estimate"), *(Say(f"house.missing_{name}") for name in missing), *names
    said = []
    for one in found.estimates:
        values: dict[str, Value] = {"fans": ", ".join(one.fans)}
        values |= {"pa": one.pa, "low_pa": one.low_pa, "high_pa": one.high_pa}
        said.append(Say("house.pressure_with" if one.fans else "house.pressure", values))
    assumed = (Say(f"house.assumed_{_key(name)}", {"u_rel": U_N50_REL}) for name in found.assumed)
    return *said, Say("house.not_in_it"), *assumed


def caution_says(said: Say) -> tuple[Say, ...]:
    """Return a caution of `whole`; nothing where `pressure_says` says it already."""
    if said.key in PRESSURES_SAY_IT:
        return ()
    if said.key in ("house.limit_reached", "house.limit_in_range") and said.values["fans"]:
        return (Say(f"{said.key}_with", said.values),)
    return (said,)


def _without(unread: tuple[str, ...]) -> tuple[Say, ...]:
    return (Say("evidence.without", {"names": ", ".join(unread)}),) if unread else ()


def _key(name: str) -> str:
    return name.replace(" ", "_")
