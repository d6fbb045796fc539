"""Design flows of all terminals from a published rate table: who gets how much, and from which row.

The rule, all of it: each room has its minimum first, shared equally by its terminals. The larger of the dwelling's need
and of the rooms' minimums on either side is the total; what it leaves above the minimums is shared by the table's rule
(extract: by the minimums; supply: to habitable rooms by people or area). Supply equals extract in each heat-recovery
system. Where there is such a system, fans beside it carry the minimums of their rooms and no more. Flows are whole
m3/h and keep these sums; a minimum is rounded up. Nothing is left out silently: what no row reaches is listed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from hoodtrace.dwelling.rate_needs import Need, needs_of
from hoodtrace.dwelling.rate_words import design_from, notes_on, shorts
from hoodtrace.dwelling.sharing import DIRECTIONS, Sharing
from hoodtrace.errors import UsageError, VisitError

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Terminal
    from hoodtrace.dwelling.rate_table import RateTable

BY_HAND = "by hand"
LEAST_M3H, MOST_M3H = 0.1, 1e5
"""What a plan takes as a design flow."""


@dataclass(frozen=True, slots=True)
class Design:
    """The design flow of one terminal [m3/h]; None where no row reaches it. `minimum_m3h` is its part of the room's."""

    terminal: str
    room: str
    system: str
    direction: str
    design_m3h: float | None
    minimum_m3h: float
    was_m3h: float | None
    design_from: str


@dataclass(frozen=True, slots=True)
class Short:
    """A row that the design flows do not fulfil."""

    need: Need
    given_m3h: float
    why: str


@dataclass(frozen=True, slots=True)
class Rates:
    """Design flows of one fan setting from one table and category, m3/h.

    `supply_m3h` and `extract_m3h` are the totals of the terminals; `governed_by` says what the larger total came from.
    """

    title: str
    edition: str
    where: str
    category: str
    setting: str
    by: str
    needs: tuple[Need, ...]
    whole_m3h: float
    room_extract_m3h: float
    room_supply_m3h: float
    governed_by: str
    designs: tuple[Design, ...]
    supply_m3h: float
    extract_m3h: float
    shorts: tuple[Short, ...]
    notes: tuple[str, ...]

    def filled(self, plan: Plan) -> Plan:
        """Return the plan with these design flows in it; a terminal without one stays as it is."""
        mine = {one.terminal: (one.design_m3h, one.design_from) for one in self.designs if one.design_m3h is not None}
        terminals = tuple(
            _with_design(t, *mine[t.id], plan.settings, self.setting) if t.id in mine else t for t in plan.terminals
        )
        return replace(plan, terminals=terminals)


def rates(
    plan: Plan,
    table: RateTable,
    category: str | None = None,
    by: str | None = None,
    setting: str | None = None,
    by_hand: Mapping[str, float] | None = None,
    path: Path | str = "visit.toml",
) -> Rates:
    """Return the design flows of a plan's terminals by a rate table.

    Parameters
    ----------
    plan : Plan
    table : RateTable
    category : str, optional
        Of the table; the first one where missing.
    by : {"people", "area", "equal"}, optional
        What the supply above the rooms' minimums is shared by; the table's own rule where missing.
    setting : str, optional
        The fan setting that the flows are for; the plan's first where missing.
    by_hand : mapping of str to float, optional
        Terminals whose flow stands already, whole m3/h; the others take up the rest.
    path : Path or str
        What messages call the plan.

    Raises
    ------
    VisitError
        The plan lacks what the table asks for; everything missing is named.
    UsageError
        No such category, setting or terminal, or a flow by hand is under a wet room's minimum or not whole.

    References
    ----------
    The sharing is common practice, no source; rounding by the largest remainder, own derivation. Rates: the table's.

    Examples
    --------
    Two people at 30 m3/h are under the kitchen's 60 and the bathroom's 40, so both sides get 100.

    >>> from hoodtrace.dwelling.plan import Plan, Room, Site, System, Terminal
    >>> from hoodtrace.dwelling.rate_table import read_table
    >>> sides = (("Living", "living", "supply"), ("Kitchen", "kitchen", "extract"), ("Bath", "bathroom", "extract"))
    >>> rooms = tuple(Room(name, kind) for name, kind, side in sides)
    >>> terminals = tuple(Terminal(name[0], name, "unit", side) for name, kind, side in sides)
    >>> plan = Plan(Site("flat", people=2), (System("unit", "heat-recovery"),), terminals, rooms)
    >>> [one.design_m3h for one in rates(plan, read_table("by_people")).designs]
    [100.0, 60.0, 40.0]
    """
    chosen = table.chosen(category)
    pins = _whole(plan, by_hand or {})
    at = _setting(plan, setting)
    needs = needs_of(plan, table, chosen)
    sharing = Sharing(plan, table, needs, by or table.rest_supply, pins)
    missing = sorted(dict.fromkeys([*needs.missing, *sharing.missing()]), key=lambda m: not m.startswith("site."))
    if missing or needs.faults:
        raise _refusal(path, table, missing, needs.faults)
    flows, faults = sharing.flows()
    if faults:
        raise _refusal(path, table, (), faults)
    head = f"{table.title}, {table.edition}" + (f", {chosen.name}" if table.category else "")
    sources = {t.id: BY_HAND if t.id in pins else design_from(sharing, t, flows, head) for t in plan.terminals}
    designs = tuple(
        Design(
            terminal=t.id,
            room=t.room,
            system=t.system,
            direction=t.direction,
            design_m3h=float(flows[t.id]) if flows[t.id] else None,
            minimum_m3h=float(sharing.minimum[t.id]),
            was_m3h=t.design(at),
            design_from=sources[t.id],
        )
        for t in plan.terminals
    )
    supply, extract = (float(sum(flows[t.id] for t in plan.terminals if t.direction == d)) for d in DIRECTIONS)
    return Rates(
        title=table.title,
        edition=table.edition,
        where=table.where,
        category=chosen.name,
        setting=at,
        by=sharing.by,
        needs=needs.every,
        whole_m3h=0.0 if needs.whole is None else needs.whole.flow_m3h,
        room_extract_m3h=sharing.rooms_m3h("extract"),
        room_supply_m3h=sharing.rooms_m3h("supply"),
        governed_by=sharing.governed_by(),
        designs=designs,
        supply_m3h=supply,
        extract_m3h=extract,
        shorts=tuple(Short(*one) for one in shorts(sharing, flows)),
        notes=(*needs.notes, *notes_on(sharing, flows)),
    )


def by_hand_only(plan: Plan, by_hand: Mapping[str, float], setting: str | None = None) -> Rates:
    """Return design flows given by hand, with no table and so no need to fulfil; see `rates`."""
    at = _setting(plan, setting)
    _known(plan, by_hand)
    designs = tuple(
        Design(t.id, t.room, t.system, t.direction, float(by_hand[t.id]), 0.0, t.design(at), BY_HAND)
        for t in plan.terminals
        if t.id in by_hand
    )
    supply, extract = (
        float(sum(by_hand.get(t.id, t.design(at) or 0.0) for t in plan.terminals if t.direction == d))
        for d in DIRECTIONS
    )
    return Rates(
        "", "", "", "", at, "", (), 0.0, 0.0, 0.0, "flows by hand", designs, supply, extract, (), ()
    )  # fmt: skip


def _setting(plan: Plan, setting: str | None) -> str:
    if setting is not None and setting not in plan.settings:
        known = ", ".join(f'"{name}"' for name in plan.settings)
        raise UsageError(f"the plan has no fan setting {setting!r}. It has: {known}.")
    return setting or plan.settings[0]


def _known(plan: Plan, by_hand: Mapping[str, float]) -> None:
    ids = [t.id for t in plan.terminals]
    for name, flow_m3h in by_hand.items():
        if name not in ids:
            raise UsageError(f"the plan has no terminal {name!r}. It has: {', '.join(ids)}.")
        if not LEAST_M3H <= flow_m3h <= MOST_M3H:
            raise UsageError(f"{name}: a design flow is {LEAST_M3H:g} to {MOST_M3H:g} m3/h, not {flow_m3h:g}.")


def _whole(plan: Plan, by_hand: Mapping[str, float]) -> dict[str, int]:
    _known(plan, by_hand)
    for name, flow_m3h in by_hand.items():
        if flow_m3h != round(flow_m3h):
            raise UsageError(
                f"{name}: beside a table a flow by hand is a whole number of m3/h, so that supply and extract come out "
                f"equal; {flow_m3h:g} is not."
            )
    return {name: round(flow_m3h) for name, flow_m3h in by_hand.items()}


def _refusal(path: Path | str, table: RateTable, missing: Sequence[str], faults: Sequence[str]) -> VisitError:
    words = []
    if missing:
        words.append(f"{table.title} asks for what the plan does not say: {', '.join(missing)}. Add that to the plan")
    if faults:
        words.append(f"{table.title} can't be used for this plan: {'; '.join(faults)}. Mend the plan")
    key = missing[0].split(" ")[0] if missing and missing[0].startswith("site.") else None
    ways = "share by something else, take another table, or give the flows by hand"
    return VisitError(path, f"{'; '.join(words)}, {ways}.", key)


def _with_design(t: Terminal, flow_m3h: float, source: str, settings: tuple[str, ...], setting: str) -> Terminal:
    """Return a terminal with its flow for one setting; where the other settings' flows come from stays beside it."""
    sources = _sources(t.design_from, settings) | {setting: source}
    said = " | ".join(
        sources[name] if name == settings[0] else f"{name}: {sources[name]}" for name in settings if name in sources
    )
    if setting == settings[0]:
        return replace(t, design_m3h=flow_m3h, design_from=said)
    return replace(t, design_by_setting={**t.design_by_setting, setting: flow_m3h}, design_from=said)


def _sources(design_from: str, settings: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for part in filter(None, design_from.split(" | ")):
        name = next((s for s in settings[1:] if part.startswith(f"{s}: ")), settings[0])
        found[name] = part.removeprefix(f"{name}: ")
    return found
