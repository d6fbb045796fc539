"""The next climb of a whole visit: the sides of all systems together, what the house forbids, and what has to be said.

Each side gives its own step; one of them is chosen: first the valve that somebody stands at, then terminals that were
never read, in walking order, then what the sides ask for, in the order of the plan. A step that the house forbids is
not given but named. Keys and values only; the journal is not touched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hoodtrace.balancing import proportional
from hoodtrace.balancing.adviser import Advice, advise
from hoodtrace.balancing.case import FlowRead, Way, n_climbs
from hoodtrace.balancing.house import AgainstUnit, Change, House, against_unit, cautions, worsens
from hoodtrace.balancing.house_pressure import Pressures, pressures
from hoodtrace.balancing.house_sums import Balance, Read, SideSum, balance, imbalance, side_sum
from hoodtrace.balancing.natural_sides import NaturalSide, natural_sides
from hoodtrace.balancing.sides import DIRECTIONS, Direction, NamedSide, sides_of
from hoodtrace.balancing.standing import K_95, Standing
from hoodtrace.balancing.step import Step
from hoodtrace.dwelling.decided import NotNow
from hoodtrace.dwelling.questions import flue_not_excluded
from hoodtrace.dwelling.result import Result, result
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.targets import allowed_m3h, is_damp
from hoodtrace.dwelling.window import OTHER_WAY

if TYPE_CHECKING:
    from hoodtrace.dwelling.visit import Visit
    from hoodtrace.physics.hood import Hood

MOST_REFUSED = 20
WITHIN = ("all within", "all within as read")


@dataclass(frozen=True, slots=True)
class SideNow:
    """A side, what is advised there, and the sum of its readings."""

    named: NamedSide
    advice: Advice
    sum: SideSum


@dataclass(frozen=True, slots=True)
class Next:
    """The step to take; `system` and `side` say where; `refused` is the key of why none is left, else empty."""

    step: Step
    system: str = ""
    side: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Whole:
    """What `hoodtrace balance` says.

    `done`: all sides have ended with every terminal within; where what is left can't be set, `next` is "done" and this
    is not.
    `balances` by system, `against_units` by system and side, `refusals` are steps that the house forbids, each with its
    key and terminal. `natural` is what sides without a fan have to be told.
    """

    next: Next
    sides: tuple[SideNow, ...]
    done: bool
    climbs_so_far: int
    climbs_expected: int
    balances: tuple[tuple[str, Balance], ...]
    against_units: tuple[tuple[str, AgainstUnit], ...]
    pressures: Pressures
    refusals: tuple[tuple[str, str], ...]
    cautions: tuple[Say, ...]
    natural: tuple[NaturalSide, ...] = ()


def whole(visit: Visit, hood: Hood, closing: bool = False, by_proportion: bool = False) -> Whole:
    """Return where the balancing of a visit stands and what comes next.

    Parameters
    ----------
    visit : Visit
    hood : Hood
        The visit's own.
    closing : bool
        Every terminal is to be read once more at the end.
    by_proportion : bool
        Steps of the textbook's proportional procedure; predictions and verdicts stay those of the model.

    Raises
    ------
    UsageError
        A side can't be balanced.
    """
    sides = tuple(_side_now(visit, named) for named in sides_of(visit, hood, closing))
    scale = ("hood",) if _one_scale(hood) else ()
    balances = _balances(visit, hood, sides, scale)
    house = _house(visit, sides, dict(balances))
    steps: dict[int, Step] = {}
    refusals: list[tuple[str, str]] = []
    forbidden: list[str] = []
    open_: list[SideNow] = []
    for one in sides:
        step, key, refused = _step_of(visit, one, by_proportion, house)
        refusals += refused
        steps[id(one)] = step
        if key:
            forbidden.append(key)
        elif step.do != "done":
            open_.append(one)
    chosen = _chosen(visit, open_, steps)
    ends = [step for step in steps.values() if step.do == "done"] if not forbidden else []
    over = [step for step in ends if step.why not in WITHIN]
    if any(why == OTHER_WAY for one in sides for _, why in one.named.left_out):
        over.append(Step("done", "nothing brings all within"))
    if chosen is not None:
        named = chosen.named
        following = Next(steps[id(chosen)], named.system, named.direction)
    elif not sides:
        following = Next(Step("done", "nothing to balance"))
    elif len(ends) == len(sides):
        following = Next((over or ends)[0])
    else:
        following = Next(Step("done", "forbidden", refusals[0][1]), refused=refusals[0][0])
    found = _pressures(visit, hood, sides, scale)
    readings = _in_order(visit, sides)
    return Whole(
        following,
        sides,
        bool(sides) and len(ends) == len(sides) and not over,
        n_climbs(readings),
        sum(one.advice.climbs_expected for one in sides) if open_ else 0,
        balances,
        _against_units(visit, sides),
        found,
        tuple(refusals),
        cautions(house.flue_excluded, found, house.balance, bool(visit.plan.other_fans)),
        natural_sides(visit, hood, (one.named for one in sides)),
    )


def _side_now(visit: Visit, named: NamedSide) -> SideNow:
    indoor_c = _number(visit.state.weather.get("indoor_c")) if named.direction == "extract" else None
    advice, reads = advise(named.side), []
    for stands in advice.standings:
        here = visit.state.at(stands.id, visit.state.setting)
        if here:
            newest = here[-1].entry
            by = str(newest.get("meter") or newest.get("by") or "hood")
            measured_c = newest.get("air_c")
            temp = (indoor_c, 1.0) if measured_c is None else (float(measured_c), float(newest["u_air_c"]))
            reads.append(Read(stands.id, _as_now(result(here), stands), by, False, *temp))
    unread = [*named.side.unread]
    unread += [name for name, why in named.left_out if why != "design flow zero"]
    return SideNow(named, advice, side_sum(named.direction, reads, unread))


def _as_now(read: Result, stands: Standing) -> Result:
    """Return a terminal's result carried over to its flow now with no hood on.

    The fan or other valves may have changed it since. What all readings with the hood share keeps its size relative to
    the flow; the terminal's own part is what `stands` has of it, which all readings of the side went into.
    """
    part = stands.now_m3h / read.flow_m3h
    shared = [(name, u * part, dof, scope) for name, u, dof, scope in read.terms if scope == "hood"]
    own = [term for term in read.terms if term[3] != "hood"]
    own_m3h = math.sqrt(math.fsum(u**2 for _, u, _, _ in own))
    now_m3h = math.sqrt(max(stands.u_now_m3h**2 - math.fsum(u**2 for _, u, _, _ in shared), 0.0))
    if own_m3h * part <= now_m3h:
        terms = [(name, u * part, dof, scope) for name, u, dof, scope in own]
        terms.append(("carried over", math.sqrt(now_m3h**2 - (own_m3h * part) ** 2), None, "reading"))
    else:
        # The others tell more of this terminal than its own readings do.
        terms = [(name, u * now_m3h / own_m3h, None, scope) for name, u, _, scope in own]
    u = math.sqrt(math.fsum(u**2 for _, u, _, _ in (*shared, *terms)))
    return replace(
        read,
        flow_m3h=stands.now_m3h,
        u_flow_m3h=u,
        dof=None,
        expanded_m3h=K_95 * u,
        u_own_m3h=now_m3h,
        terms=tuple(term for term in (*shared, *terms) if term[1] > 0.0),
    )


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _one_scale(hood: Hood) -> bool:
    """Whether the hood has one scale for both directions."""
    own = [table.extract for table in (hood.vane, hood.taps) if table is not None]
    return not any(own)


def _of_system(sides: tuple[SideNow, ...], system: str) -> dict[str, SideNow]:
    return {one.named.direction: one for one in sides if one.named.system == system}


def _balances(
    visit: Visit, hood: Hood, sides: tuple[SideNow, ...], scale: tuple[str, ...]
) -> tuple[tuple[str, Balance], ...]:
    found = []
    for system in visit.plan.systems:
        both = _of_system(sides, system.name)
        if system.kind == "heat-recovery" and len(both) == 2 and all(one.sum.reads for one in both.values()):
            supply, extract = both["supply"].sum, both["extract"].sum
            judged = balance(supply, extract, visit.plan.rule, one_scale=scale, r_k_c=hood.r_k_c)
            found.append((system.name, judged))
    return tuple(found)


def _against_units(visit: Visit, sides: tuple[SideNow, ...]) -> tuple[tuple[str, AgainstUnit], ...]:
    found = []
    for one in sides:
        system = visit.plan.system(one.named.system)
        if one.named.direction == "supply":
            figure, u = system.unit_supply_m3h, system.u_unit_supply_m3h
        else:
            figure, u = system.unit_extract_m3h, system.u_unit_extract_m3h
        # The figure is of the fan as it was at the beginning.
        if figure is not None and one.sum.reads and one.named.side.fan_ratio == 1.0:
            found.append((system.name, against_unit(one.sum, figure, u, visit.plan.rule)))
    return tuple(found)


def _pressures(visit: Visit, hood: Hood, sides: tuple[SideNow, ...], scale: tuple[str, ...]) -> Pressures:
    """Return the dwelling's pressure from all systems that have fans."""
    kinds = {system.name: system.kind for system in visit.plan.systems}
    driven = [one for one in sides if kinds[one.named.system] != "natural"]
    if not driven or not any(one.sum.reads for one in driven):
        return Pressures((), ("readings" if driven or not sides else "fans",), ())
    sums = {}
    for direction in DIRECTIONS:
        mine = [one.sum for one in driven if one.named.direction == direction]
        reads = [read for each in mine for read in each.reads]
        sums[direction] = side_sum(direction, reads, [name for each in mine for name in each.unread])
    gap = imbalance(sums["supply"], sums["extract"], one_scale=scale, r_k_c=hood.r_k_c)
    weather = visit.state.weather
    indoor_c, outdoor_c = _number(weather.get("indoor_c")), _number(weather.get("outdoor_c"))
    return pressures(gap, visit.plan.site, visit.plan.other_fans, indoor_c, outdoor_c)


def _house(visit: Visit, sides: tuple[SideNow, ...], balances: dict[str, Balance]) -> House:
    damp = {
        t.id: float(t.design(visit.state.setting) or 0.0)
        for t in visit.state.terminals(visit.plan)
        if is_damp(visit.plan, t)
    }
    now = {
        stands.id: stands.now_m3h
        for one in sides
        for stands in one.advice.standings
        if stands.id in one.named.side.read
    }
    side_m3h: dict[Direction, float] = {
        direction: math.fsum(one.sum.flow_m3h for one in sides if one.named.direction == direction)
        for direction in DIRECTIONS
    }
    # Sums that lack a terminal say nothing of which side is more.
    worst = next((one for one in balances.values() if not one.unread), None)
    excluded = not flue_not_excluded(visit.plan, visit.state)
    return House(excluded, now, damp, worst, side_m3h)


def _step_of(visit: Visit, one: SideNow, by_proportion: bool, house: House) -> tuple[Step, str, list[tuple[str, str]]]:
    """Return a side's step, the key of why it has none (else empty), and the steps refused on the way, with terminals.

    The adviser is asked again without what was refused. The textbook's procedure knows no other way: there the side is
    read to its end.
    """
    refused: list[tuple[str, str]] = []
    side = one.named.side
    step = proportional.next_step(side) if by_proportion else one.advice.step
    for _ in range(MOST_REFUSED):
        found, key = _allowed(visit, one, step, house)
        if not key:
            # What else could be done was forbidden: that is why this is the end.
            ended = found.do == "done" and found.why not in WITHIN and refused
            return found, refused[0][0] if ended else "", refused
        refused.append((key, step.terminal))
        way = _way(visit, one, step)
        if by_proportion or (step.terminal, way) in side.barred:
            break
        side = replace(side, barred=side.barred | {(step.terminal, way)} | _forbidden(one, house))
        step = advise(side).step
    if side.unread:
        return Step("measure", "not read yet", side.unread[0]), "", refused
    return step, key, refused


def _allowed(visit: Visit, one: SideNow, step: Step, house: House) -> tuple[Step, str]:
    """Return a step with its limits within what the house allows, and the key of why it is refused, else empty."""
    if step.do not in ("fan", "turn"):
        return step, ""
    way = _way(visit, one, step)
    if step.do == "fan" and step.ratio is not None:
        part = step.ratio / one.named.side.fan_ratio
        all_after = {s.id: s.now_m3h * part for s in one.advice.standings if s.id in house.now_m3h}
        return step, worsens(Change(way, "fan", "", all_after), one.named.direction, house) or ""
    target = step.target_m3h
    if target is None:
        return step, worsens(Change(way, "valve", step.terminal), one.named.direction, house) or ""
    read = _read_m3h(visit, step.terminal, target)
    # The target is as read, what the house is judged by without a hood: the change carries over, not the figure.
    after = {step.terminal: house.now_m3h.get(step.terminal, read) * target / read}
    key = worsens(Change(way, "valve", step.terminal, after), one.named.direction, house)
    if key:
        return step, key
    try:
        least, most = allowed_m3h(visit, step.terminal, target)
    except NotNow as refused:
        return step, refused.say.key
    low, high = step.low_m3h, step.high_m3h
    return replace(step, low_m3h=low and max(low, least), high_m3h=high and min(high, most)), ""


def _forbidden(one: SideNow, house: House) -> set[tuple[str, Way]]:
    """Return the ways that valves and fan ("") of a side may not be turned, however little."""
    now_m3h = {name: house.now_m3h[name] for name in one.named.side.read}
    out: set[tuple[str, Way]] = set()
    for way in ("up", "down"):
        changes = [Change(way, "fan", "", now_m3h)]
        changes += [Change(way, "valve", name, {name: flow}) for name, flow in now_m3h.items()]
        out |= {(each.terminal, way) for each in changes if worsens(each, one.named.direction, house)}
    return out


def _way(visit: Visit, one: SideNow, step: Step) -> Way:
    """Return whether a step to a fan or a valve gives more or less."""
    if step.do == "fan":
        return "up" if (step.ratio or 0.0) >= one.named.side.fan_ratio else "down"
    if step.until != "reads" or step.target_m3h is None:
        return "up" if step.until == "open" else "down"
    return "up" if step.target_m3h >= _read_m3h(visit, step.terminal, step.target_m3h) else "down"


def _read_m3h(visit: Visit, terminal: str, otherwise_m3h: float) -> float:
    here = visit.state.at(terminal, visit.state.setting)
    return here[-1].flow_m3h if here else otherwise_m3h


def _chosen(visit: Visit, sides: list[SideNow], steps: dict[int, Step]) -> SideNow | None:
    if not sides:
        return None
    order = [terminal.id for terminal in visit.state.terminals(visit.plan)]
    last = visit.state.placements[-1].terminal if visit.state.placements else ""
    here = [one for one in sides if steps[id(one)].terminal == last and _is_done_there(steps[id(one)])]
    unread = [one for one in sides if steps[id(one)].why == "not read yet"]
    if here:
        return here[0]
    if unread:
        return min(unread, key=lambda one: order.index(steps[id(one)].terminal))
    return sides[0]


def _is_done_there(step: Step) -> bool:
    """Whether somebody who stands at the terminal does the step before going on."""
    return step.do == "turn" or step.why in ("again here", "contradicts", "no hood")


def _in_order(visit: Visit, sides: tuple[SideNow, ...]) -> list[FlowRead]:
    """Return the readings of all sides in the order of the visit: going to the other side and back is two climbs."""
    left = {
        terminal.id: iter([r for r in one.named.side.readings if r.terminal == terminal.id])
        for one in sides
        for terminal in one.named.side.terminals
    }
    here = [p for p in visit.state.placements if p.terminal in left and p.setting == visit.state.setting]
    return [next(left[p.terminal]) for p in sorted(here, key=lambda p: (p.epoch[0], p.line))]
