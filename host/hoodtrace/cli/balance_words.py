"""The sentences of `hoodtrace balance`: what to do next and why, what the readings show, what has to be said.

They are those of the page, in English, with signs that every terminal can print.
"""

from __future__ import annotations

import shlex
from collections.abc import Collection
from functools import cache
from typing import TYPE_CHECKING

from hoodtrace.balancing import says
from hoodtrace.balancing.case import Side
from hoodtrace.balancing.house import AgainstUnit
from hoodtrace.balancing.house_sums import Balance
from hoodtrace.dwelling.screen import Say
from hoodtrace.reporting.texts import MINUS, NO_BREAK, Words

if TYPE_CHECKING:
    from hoodtrace.balancing.evidence import Evidence
    from hoodtrace.balancing.house_pressure import Pressures
    from hoodtrace.balancing.natural_sides import NaturalSide
    from hoodtrace.balancing.standing import Level
    from hoodtrace.balancing.whole import Next, SideNow
    from hoodtrace.dwelling.plan import Rule

_SIGNS = str.maketrans({NO_BREAK: " ", MINUS: "-", "³": "3"})
_REFUSED = ("damp", "damp_fan", "flue", "flue_fan", "flue_unread", "flue_unbalance")


def next_words(following: Next) -> str:
    """Return the step in plain sentences."""
    if following.refused and following.step.terminal:
        why = f"{following.step.terminal}: {_joined(*says.why_says(following))}"
        return f"{_joined(says.step_say(following))} {why}"
    return _joined(says.step_say(following), *says.why_says(following))


def by_hand(folder: str, following: Next) -> str:
    """Return the command that records the step once it is done; empty where there is none."""
    step = following.step
    if following.refused or step.do == "done":
        return ""
    folder, system, terminal = map(shlex.quote, (folder, following.system, step.terminal))
    if step.do == "fan":
        return f"hoodtrace fan {folder} {system} {step.ratio:.3f} --side {following.side}"
    turned = f" --at-stop {step.until}" if step.until != "reads" else f" --aimed {step.target_m3h or 0.0:.1f}"
    more = f" --after-turn{turned}" if step.do == "turn" else " --hood-off" if step.why == "no hood" else ""
    return f"hoodtrace enter {folder} {terminal} FLOW{more}"


def side_words(one: SideNow) -> str:
    """Return the verdict on a side as a whole, and what would settle it."""
    if one.named.side.unread:
        return ""
    settles = f" {_joined(Say('evidence.settles', {'terminal': one.advice.settles}))}" if one.advice.settles else ""
    return f"All terminals together, on proportion: {one.advice.verdict}.{settles}"


def rule_words(rule: Rule) -> str:
    """Return by which rule verdicts are given."""
    return _joined(says.rule_say(rule))


def evidence_words(found: Evidence, natural: bool = False) -> str:
    """Return a finding in a sentence; `natural`: on a side without a fan."""
    return _joined(says.evidence_say(found, natural))


def level_words(level: Level) -> str:
    """Return what the hood's common part allows to be said of m3/h; empty where it forbids nothing."""
    return _joined(*says.level_says(level))


def balance_words(system: str, found: Balance, waiting: Collection[str] = ()) -> str:
    """Return how the sides of a system stand, or which readings of those `waiting` that waits for."""
    return _joined(*says.balance_says(system, found, waiting))


def unit_words(system: str, found: AgainstUnit) -> str:
    """Return how a side's sum stands against the unit's own figure."""
    return _joined(*says.unit_says(system, found))


def pressure_words(found: Pressures) -> list[str]:
    """Return the estimates of the dwelling's pressure, or what is missing for one."""
    return [_joined(said) for said in says.pressure_says(found)]


def natural_words(found: NaturalSide) -> list[str]:
    """Return what a side without a fan has to be told."""
    return [_joined(said) for said in found.says]


def caution_words(said: Say) -> str:
    """Return a caution; empty where the pressures above say it already."""
    return _joined(*says.caution_says(said))


def fan_words(side: Side, kind: str, p: float) -> str:
    """Return what kind of fan the readings speak for, where nobody stated it; empty where it was stated."""
    return _joined(*says.fan_says(side, kind, p))


def _joined(*said: Say) -> str:
    """Return sentences one after the other; a first line of its own becomes one of them."""
    lines = [line for one in said for line in _english().say(one).split("\n")]
    return " ".join(line if line[-1] in ".?!" else f"{line}." for line in lines).translate(_SIGNS)


@cache
def _english() -> Words:
    return Words("en")


REFUSED = {f"refused.{name}": _joined(says.refused_say(f"refused.{name}")) for name in _REFUSED}
