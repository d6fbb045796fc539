"""The house about a balancing: the unit's own figure, what must not be made worse, what must be said; keys and values.

While an open flue is not excluded no supply is closed, no extract raised (by valve or fan), and the sides are not
taken apart; an extract of a damp room never goes under its rate. `worsens` gives the key of the refusal. `cautions`
gives what is said with an estimate of pressure; published limits stand there to compare with, never as a verdict that
all is well. Sentences belong to the texts. Pure: no file, no clock, no printing.

References: published limits are listed in `LIMITS` with their sources; the rest is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from hoodtrace.averaging.budget import Term, coverage_factor, total
from hoodtrace.balancing.house_pressure import Estimate, Pressures
from hoodtrace.balancing.house_sums import Balance, SideSum
from hoodtrace.dwelling.plan import Direction, Rule
from hoodtrace.dwelling.questions import FLUE
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.verdict import verdict
from hoodtrace.errors import UsageError

LEAK: Final = "leak, unmeasured terminal or wrong display"
U_UNIT_REL = 0.05
"""Standard uncertainty of a unit's own figure where none is stated (own choice; `AgainstUnit.u_assumed` says so)."""
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Published:
    """A published limit: value in `unit`, what it is for, where it is from, whether that was seen or is from memory."""

    key: str
    value: float
    unit: str
    source: str
    known: Literal["seen", "memory"]


FLUE_LIMIT = Published(
    "open-flued appliance",
    4.0,
    "Pa",
    "0.04 mbar: instructions of several cooker hoods and of a ventilation unit; behind it EN 60335-2-31 (memory)",
    "seen",
)
LIMITS = (
    FLUE_LIMIT,
    Published(
        "room-sealed solid-fuel appliance, certified",
        8.0,
        "Pa",
        "page of a chimney sweep: 5 minutes' record inside against outside, appliance on, extract at its most",
        "seen",
    ),
    Published(
        "extract in a kitchen with an open-flued gas appliance",
        72.0,
        "m3/h",
        "England, Approved Document F (older edition, 1.8): 20 L/s and a spillage test to BS 5440-1",
        "seen",
    ),
)
"""Limits to compare with; there are others, and the appliance's own instructions come first."""


@dataclass(frozen=True, slots=True)
class AgainstUnit:
    """The sum of one side against the unit's own figure, with the evidence.

    `gap_m3h` is sum minus unit. `causes` are those that fit the gap's sign, empty unless the verdict is `LEAK`.
    """

    direction: Direction
    sum_m3h: float
    unit_m3h: float
    gap_m3h: float
    u_gap_m3h: float
    expanded_gap_m3h: float
    verdict: Literal["agrees", "undecided", "leak, unmeasured terminal or wrong display"]
    causes: tuple[str, ...]
    unread: tuple[str, ...]
    u_assumed: bool


@dataclass(frozen=True, slots=True)
class House:
    """What a change is judged by.

    `now_m3h` are the flows of terminals as they are now, as far as they are known; `damp_least_m3h` the required rate
    of each extract terminal of a damp room; `balance` the sides against each other, None where it is not known;
    `side_m3h` the sum of each side, which says how much a change of one terminal matters to the balance.
    """

    flue_excluded: bool
    now_m3h: Mapping[str, float] = field(default_factory=dict)
    damp_least_m3h: Mapping[str, float] = field(default_factory=dict)
    balance: Balance | None = None
    side_m3h: Mapping[Direction, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """A valve turned or a fan set so that the flow goes up or down.

    `after_m3h` are flows of that side's terminals after it: the target of the turned one, or all as predicted.
    """

    way: Literal["up", "down"]
    by: Literal["valve", "fan"]
    terminal: str = ""
    after_m3h: Mapping[str, float] = field(default_factory=dict)


def against_unit(side: SideSum, unit_m3h: float, u_unit_m3h: float | None, rule: Rule) -> AgainstUnit:
    """Return the sum of a side against what the unit itself says, both by volume.

    Parameters
    ----------
    side : SideSum
    unit_m3h : float
        The unit's own figure, m3/h, above 0.
    u_unit_m3h : float or None
        Its standard uncertainty, m3/h; None: `U_UNIT_REL` of it, and `u_assumed` says so.
    rule : Rule
        They agree where their ratio is within 1 +- `balance_rel` at `risk`.

    Raises
    ------
    UsageError
        A figure that is not above 0, or an uncertainty below 0.

    Notes
    -----
    A leak of the ducts leaves less at the terminals than at the unit on both sides, so more at the terminals can only
    be a wrong display or wrong readings. Which temperature a display's volume is of, nobody knows: up to about 2 % of a
    gap can come from that. Readings under the hood are low by its back pressure; give flows without it where known.

    Examples
    --------
    >>> from hoodtrace.balancing.house_sums import Read, side_sum
    >>> from hoodtrace.dwelling.result import Result
    >>> read = Read("S1", Result(100.0, 2.0, None, 3.9, 2.0, 1, ()))
    >>> found = against_unit(side_sum("supply", [read], unread=["S2"]), 150.0, 5.0, Rule())
    >>> found.verdict, found.gap_m3h, round(found.u_gap_m3h, 2), found.unread
    ('leak, unmeasured terminal or wrong display', -50.0, 5.39, ('S2',))
    """
    if not 0.0 < unit_m3h < math.inf or (u_unit_m3h is not None and not 0.0 <= u_unit_m3h < math.inf):
        raise UsageError(f"the unit's figure of {unit_m3h:g} m3/h with u {u_unit_m3h} m3/h cannot be compared: mend it")
    u_unit = U_UNIT_REL * unit_m3h if u_unit_m3h is None else u_unit_m3h
    dof = math.inf if side.dof is None else side.dof
    gap = total((Term("sum", side.u_flow_m3h, dof, "visit"), Term("unit", u_unit, math.inf, "visit")))
    ratio = side.flow_m3h / unit_m3h
    u_ratio = math.hypot(side.u_flow_m3h, ratio * u_unit) / unit_m3h
    said = verdict(
        ratio,
        u_ratio,
        None if gap.dof == math.inf else gap.dof,
        1.0,
        "around",
        replace(rule, tolerance_rel=rule.balance_rel),
    )
    outside = said == "outside"
    less = ("leak", "unmeasured terminal", "wrong display")
    return AgainstUnit(
        side.direction,
        side.flow_m3h,
        unit_m3h,
        side.flow_m3h - unit_m3h,
        gap.u_m3_s,
        coverage_factor(gap.dof) * gap.u_m3_s,
        LEAK if outside else ("agrees" if said == "within" and not side.unread else "undecided"),
        (less if ratio < 1.0 else ("wrong display", "wrong readings")) if outside else (),
        side.unread,
        u_unit_m3h is None,
    )


def worsens(change: Change, side: Direction, house: House) -> str | None:
    """Return the key of why `change` on `side` is refused, None where nothing here forbids it.

    None is no statement that the change does no harm, only that none of these rules forbids it. Damp rooms: an extract
    that is under its rate already may rise, and not fall. What comes as `after_m3h` is judged as it is: with the flows
    of all terminals a side effect on a damp room is refused as well.

    Returns
    -------
    str or None
        "refused.damp" (a damp room under its rate by a valve), "refused.damp_fan" (by the fan, or its flow after that
        is not given), and while an open flue is not excluded "refused.flue_unread" (a valve of unknown flow),
        "refused.flue" (supply closed or extract raised by a valve), "refused.flue_fan" (by the fan), or
        "refused.flue_unbalance" (the supply taken further above the extract than the rule allows).

    Examples
    --------
    >>> house = House(flue_excluded=False, now_m3h={"S1": 40.0, "E1": 50.0})
    >>> worsens(Change("down", "valve", "S1"), "supply", house), worsens(Change("up", "valve", "S1"), "supply", house)
    ('refused.flue', None)
    >>> worsens(Change("up", "fan"), "extract", house), worsens(Change("down", "fan"), "extract", house)
    ('refused.flue_fan', None)
    >>> damp = House(flue_excluded=True, now_m3h={"E1": 50.0}, damp_least_m3h={"E1": 45.0})
    >>> worsens(Change("down", "valve", "E1", {"E1": 44.0}), "extract", damp)
    'refused.damp'
    """
    if side == "extract":
        key = _dries_less(change, house)
        if key:
            return key
    if house.flue_excluded:
        return None
    if change.by == "valve" and change.terminal not in house.now_m3h:
        return "refused.flue_unread"
    moved = _moved_m3h(change, house)
    up, down = change.way == "up" or moved > _SAME, change.way == "down" or moved < -_SAME
    if (side == "supply" and down) or (side == "extract" and up):
        return "refused.flue" if change.by == "valve" else "refused.flue_fan"
    return "refused.flue_unbalance" if _unbalances(moved, side, house) else None


def cautions(
    flue_excluded: bool, found: Pressures, balance: Balance | None = None, fans_listed: bool = True
) -> tuple[Say, ...]:
    """Return what must be said of the house's pressure and of open flues, most pressing first.

    Parameters
    ----------
    flue_excluded : bool
        Whether it is certain that there is no appliance with an open flue (`Plan.flue_excluded` and the answers).
    found : Pressures
        As estimated, or what it lacks.
    balance : Balance or None
        Supply against extract.
    fans_listed : bool
        Whether other fans were asked for; where not, all of them count and none is in the estimate.

    Returns
    -------
    tuple of Say
        Keys ``caution.flue_...`` are those of the visit; ``house...`` are new. No key says that all is well: where no
        estimate comes near a limit, nothing is said of it.

    Examples
    --------
    >>> from hoodtrace.balancing.house_pressure import Estimate, Pressures
    >>> found = Pressures((Estimate((), -120.0, -3.0, -5.1, -1.8),), (), ())
    >>> [one.key for one in cautions(False, found)][:4]
    ['caution.flue_stop', 'house.co_alarm', 'house.spillage_test', 'house.limit']
    >>> [one.key for one in cautions(True, found)]
    ['house.pressure', 'house.not_in_it', 'house.under_pressure']
    """
    out: list[Say] = []
    if not flue_excluded:
        out += [Say("caution.flue_stop"), Say("house.co_alarm"), Say("house.spillage_test")]
        limit: dict[str, str | float] = {"limit_pa": FLUE_LIMIT.value, "source": FLUE_LIMIT.source}
        out.append(Say("house.limit", limit))
        for one in found.estimates:
            key = _reached(one)
            out += [Say(key, _values(one) | {"limit_pa": FLUE_LIMIT.value})] if key else []
        out += [Say(f"caution.{name}") for name in FLUE if name != "flue_stop"]
        if not fans_listed:
            out.append(Say("house.fans_not_listed"))
    out += [Say("house.pressure", _values(one)) for one in found.estimates]
    if found.missing:
        out.append(Say("house.no_estimate", {"missing": ", ".join(found.missing)}))
    out.append(Say("house.not_in_it", {"what": ", ".join(found.not_in_it)}))
    if any(one.low_pa < 0.0 for one in found.estimates) or (balance is not None and balance.ratio < 1.0):
        out.append(Say("house.under_pressure"))
    if any(one.high_pa > 0.0 for one in found.estimates) or (balance is not None and balance.ratio > 1.0):
        out.append(Say("house.over_pressure"))
    return tuple(out)


def _reached(one: Estimate) -> str:
    """Return the key of how an estimate of under-pressure stands to the limit; empty where nothing is to be said."""
    if one.pa <= -FLUE_LIMIT.value:
        return "house.limit_reached"
    return "house.limit_in_range" if one.low_pa <= -FLUE_LIMIT.value else ""


def _values(one: Estimate) -> dict[str, str | float]:
    return {"fans": ", ".join(one.fans), "pa": one.pa, "low_pa": one.low_pa, "high_pa": one.high_pa}


def _dries_less(change: Change, house: House) -> str:
    """Return the key of a damp room that would be taken under its rate, or empty."""
    for name, least in house.damp_least_m3h.items():
        now, after = house.now_m3h.get(name), change.after_m3h.get(name)
        if after is not None:
            # Short of its rate already: what it has must stay.
            if after < (least if now is None else min(least, now)) - _SAME:
                return "refused.damp" if change.by == "valve" else "refused.damp_fan"
        elif change.way == "down" and change.by == "fan":
            return "refused.damp_fan"
        elif change.way == "down" and change.terminal == name:
            return "refused.damp"
    return ""


def _moved_m3h(change: Change, house: House) -> float:
    """Return by how much the side's flow changes as far as it is given [m3/h], 0 where nothing is."""
    known = [name for name in change.after_m3h if name in house.now_m3h]
    return math.fsum(change.after_m3h[name] - house.now_m3h[name] for name in known)


def _unbalances(moved_m3h: float, side: Direction, house: House) -> bool:
    """Whether a change that raises supply over extract leaves it further above than the rule allows."""
    if house.balance is None:
        return False
    total_m3h = house.side_m3h.get(side, 0.0)
    part = 1.0 + moved_m3h / total_m3h if total_m3h > 0.0 else 1.0
    after = house.balance.ratio * part if side == "supply" else house.balance.ratio / max(part, _SAME)
    return after > 1.0 + house.balance.tolerance_rel
