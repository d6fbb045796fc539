"""What to know before driving to a visit: the plan as one list of words and numbers.

Systems and who may touch the unit, terminals in walking order with height and way of measuring, flues and other fans,
what is still to be asked, what to take along, and about how many climbs it will take. Nothing is judged here; what the
plan does not say is listed as not known.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hoodtrace.dwelling.plan import Plan, System, Terminal

REACH_M = 2.5
"""Terminals higher than this need a second person or a pole (common practice, no source)."""
SIMULATED = ((4, 8, 12), (8, 18, 25), (12, 27, 34), (16, 38, 49))
"""Terminals of a dwelling; median and 90th percentile of the climbs of measuring and setting it, in 300 simulated
dwellings a size (own simulations: heat-recovery unit, half of the terminals supply, fixed-speed fans, stop at 10 %)."""
LADDER = (
    "Stand on a platform with both feet level; never on a leaning ladder, never on stairs.",
    f"Above {REACH_M} m: a second person, or the hood on a pole.",
    "The cable pulls free of the hood and lies where it trips nobody.",
    "The unit is isolated from the mains before a cover comes off.",
    "Gloves and mask for dust and mould.",
    "Suspected asbestos is not touched.",
)
"""Cautions of every visit (common practice, no source)."""
FLUE = (
    "An open flue is not excluded: ask for it first, and have a carbon monoxide alarm running.",
    "No supply is closed, no extract raised, no restriction test; no step may leave extract above supply.",
    "All fans count, cooker hood and dryer too; wind and warmth add several Pa to any estimate. Whether fumes spill is "
    "tested by a qualified person.",
    "Alarm, smoke, or condensation at the draught diverter: stop, open the windows, leave, call.",
)
"""Cautions while an open-flued appliance is not excluded (common practice, no source)."""
PRESSURE = (
    "Under pressure a dwelling draws in soil gas, over pressure it drives moisture into its walls: leave it balanced."
)


@dataclass(frozen=True, slots=True)
class Stop:
    """One terminal on the way; all words but `above_reach`."""

    id: str
    room: str
    direction: str
    system: str
    design: str
    height: str
    measure: str
    above_reach: bool


@dataclass(frozen=True, slots=True)
class Climbs:
    """Visits to a terminal: to measure all, at the very least to set all, and the simulated median and 90th percentile.

    `beyond` says that a system is larger or smaller than those that were simulated.
    """

    n_measure: int
    n_least: int
    n_median: int
    n_nine_of_ten: int
    beyond: bool


@dataclass(frozen=True, slots=True)
class Preparation:
    """The list, part by part, as words; `climbs` is None where no terminal can be measured."""

    site: str
    about: str
    systems: tuple[str, ...]
    stops: tuple[Stop, ...]
    second_person: tuple[str, ...]
    flues: tuple[str, ...]
    ask: tuple[str, ...]
    kit: tuple[str, ...]
    climbs: Climbs | None
    climb_words: tuple[str, ...]
    cautions: tuple[str, ...]
    flue_cautions: tuple[str, ...]


def preparation(plan: Plan) -> Preparation:
    """Return what to know before the visit."""
    measured = [t for t in plan.terminals if t.cover != "none"]
    climbs = expected_climbs(plan) if measured else None
    return Preparation(
        site=plan.site.name,
        about=_about(plan),
        systems=tuple(_system(plan, each) for each in plan.systems),
        stops=tuple(_stop(plan, each) for each in plan.terminals),
        second_person=_second_person(measured),
        flues=_flues(plan),
        ask=tuple(_ask(plan, measured)),
        kit=_kit(plan, measured),
        climbs=climbs,
        climb_words=_climb_words(plan, climbs),
        cautions=(*LADDER, PRESSURE),
        flue_cautions=() if plan.flue_excluded else FLUE,
    )


def as_lines(prepared: Preparation) -> list[str]:
    """Return the list as lines of plain text, parts under headings."""
    lines = [f"Preparing the visit: {prepared.site}", *([prepared.about] if prepared.about else [])]
    stops = [
        f"{n}. {s.id}, {s.room}: {s.direction}, {s.system}; {s.design}; {s.height}; {s.measure}"
        for n, s in enumerate(prepared.stops, 1)
    ]
    for heading, part in (
        ("Systems", prepared.systems),
        ("Terminals, in walking order", stops),
        ("Second person or pole", prepared.second_person),
        ("Flues and other fans", prepared.flues),
        ("To ask beforehand", prepared.ask),
        ("Climbs to expect", prepared.climb_words),
        ("To take along", prepared.kit),
        ("Cautions", (*prepared.flue_cautions, *prepared.cautions)),
    ):
        if part:
            lines += ["", heading, *(f"  {line}" for line in part)]
    return lines


def expected_climbs(plan: Plan) -> Climbs:
    """Return how many climbs to expect: each setting is measured, the systems that have a fan are set once each.

    Between the simulated sizes the climbs go straight; under the smallest they are the least that is possible, over the
    largest they go on as between the last two.
    """
    n_measure = n_least = n_median = n_nine = 0
    beyond = False
    for system in plan.systems:
        n = sum(1 for t in plan.terminals if t.system == system.name and t.cover != "none")
        n_measure += n * len(plan.settings)
        if not n:
            continue
        more = n * (len(plan.settings) - 1)
        if system.kind == "natural":
            least = median = nine = n
        else:
            least = 2 * n - 1
            median, nine = (max(least, math.ceil(_between(n, i))) for i in (1, 2))
            beyond |= not SIMULATED[0][0] <= n <= SIMULATED[-1][0]
        n_least, n_median, n_nine = n_least + least + more, n_median + median + more, n_nine + nine + more
    return Climbs(n_measure, n_least, n_median, n_nine, beyond)


def _between(n: int, which: int) -> float:
    """Return the simulated climbs of n terminals, straight between sizes; 0 under the smallest size."""
    if n < SIMULATED[0][0]:
        return 0.0
    pairs = list(itertools.pairwise(SIMULATED))
    low, high = next((pair for pair in pairs if n <= pair[1][0]), pairs[-1])
    return low[which] + (high[which] - low[which]) * (n - low[0]) / (high[0] - low[0])


def _about(plan: Plan) -> str:
    site = plan.site
    parts = [
        f"{site.floor_area_m2:g} m²" if site.floor_area_m2 is not None else "",
        _count(site.bedrooms, "bedroom") if site.bedrooms is not None else "",
        _count(site.people, "person", "people") if site.people is not None else "",
        f"{site.volume_m3:g} m³" if site.volume_m3 is not None else "",
        f"n50 {site.n50_per_h:g} /h" if site.n50_per_h is not None else "",
        f"fan settings: {', '.join(plan.settings)}" if len(plan.settings) > 1 else "",
        site.note,
    ]
    return ", ".join(part for part in parts if part)


_KIND = {
    "heat-recovery": "heat recovery, supply and extract",
    "extract": "extract only",
    "supply": "supply only",
    "natural": "natural, no fan",
}
_FAN = {"unknown": "fan not known", "fixed-speed": "fan at fixed speed", "constant-flow": "fan holds its flow"}


def _system(plan: Plan, system: System) -> str:
    n = sum(1 for t in plan.terminals if t.system == system.name)
    fan = "" if system.kind == "natural" else f", {_FAN[system.fan]}"
    words = f"{system.name}: {_KIND[system.kind]}{fan}, {_count(n, 'terminal')}"
    for side, flow in (("supply", system.unit_supply_m3h), ("extract", system.unit_extract_m3h)):
        words += f", unit says {side} {flow:g} m³/h" if flow is not None else ""
    if system.kind == "natural":
        words += "" if system.stack_height_m is None else f", stack of {system.stack_height_m:g} m"
        return f"{words}. Holds of {plan.natural_minutes:g} minutes; note wind and temperatures for each."
    return f"{words}. Who may touch the unit: {system.access or 'not known'}"


def _stop(plan: Plan, terminal: Terminal) -> Stop:
    flows = [terminal.design(setting) for setting in plan.settings]
    said = [f"{flow:.4g}" if flow is not None else "?" for flow in flows]
    limit = "" if terminal.limit == "around" else f"{terminal.limit} "
    design = "no design flow yet"
    if any(flow is not None for flow in flows):
        design = f"{limit}{' / '.join(said if len(set(flows)) > 1 else said[:1])} m³/h"
    height = f"{terminal.height_m:g} m" if terminal.height_m is not None else "height not known"
    above = terminal.cover != "none" and terminal.height_m is not None and terminal.height_m > REACH_M
    return Stop(
        terminal.id, terminal.room, terminal.direction, terminal.system, design, height, _way(plan, terminal), above
    )


def _way(plan: Plan, terminal: Terminal) -> str:
    area = (
        f"free area {terminal.free_area_cm2:g} cm²" if terminal.free_area_cm2 is not None else "measure its free area"
    )
    words = {
        "hood": "hood",
        "parts": "long grille: several placements of the hood side by side",
        "traverse": f"hand traverse of the grille, {area}",
        "none": f"left out: {terminal.why_not}",
    }[terminal.cover]
    if terminal.cover != "none" and plan.system(terminal.system).kind == "natural":
        words += f", held {plan.natural_minutes:g} minutes"
    if terminal.damp:
        words += "; damp room: never throttled below its required rate"
    return words + (f"; {terminal.note}" if terminal.note else "")


def _second_person(measured: Sequence[Terminal]) -> tuple[str, ...]:
    high = [f"{t.id} ({t.height_m:g} m)" for t in measured if t.height_m is not None and t.height_m > REACH_M]
    unknown = [t.id for t in measured if t.height_m is None]
    words = [f"Above {REACH_M} m: {', '.join(high)}."] if high else []
    if len(unknown) < len(measured) and not high:
        words.append(f"No known height is above {REACH_M} m.")
    if unknown:
        words.append(f"Height not known: {_names(unknown, len(measured))}.")
    return tuple(words)


def _flues(plan: Plan) -> tuple[str, ...]:
    said = {"yes": "there is one", "no": "none, says the plan", "unknown": "not known"}[plan.site.open_flued_appliance]
    words = [f"Open-flued appliance: {said}"]
    for each in plan.appliances:
        kind = "kind not known" if each.kind == "unknown" else each.kind
        words.append(f"{each.name}{f' ({each.room})' if each.room else ''}: {kind}")
    for fan in plan.other_fans:
        words.append(f"{fan.name}: {fan.flow_m3h:g} m³/h{f' ({fan.source})' if fan.source else ''}, off or on?")
    return tuple(words)


def _ask(plan: Plan, measured: Sequence[Terminal]) -> list[str]:
    ask = []
    if plan.site.open_flued_appliance == "unknown" or any(a.kind == "unknown" for a in plan.appliances):
        ask.append("Is there an appliance that takes its air from the room (stove, boiler, water heater, fireplace)?")
    for system in plan.systems:
        if system.kind != "natural" and not system.access:
            ask.append(f"Who may touch the unit of {system.name}, and is it within reach?")
        if system.kind == "natural" and system.stack_height_m is None:
            ask.append(f"How high is the stack of {system.name}, from its terminals to where its ducts end?")
        if system.kind != "natural" and system.fan == "unknown":
            ask.append(f"Does the fan of {system.name} hold its speed or its flow?")
    checks: list[tuple[str, Callable[[Terminal], bool]]] = [
        ("No design flow yet", lambda t: any(t.design(setting) is None for setting in plan.settings)),
        ("How high", lambda t: t.height_m is None),
        ("How large is the free area", lambda t: t.cover == "traverse" and t.free_area_cm2 is None),
    ]
    for words, lacks in checks:
        ids = [t.id for t in measured if lacks(t)]
        if ids:
            ask.append(f"{words}: {_names(ids, len(measured))}")
    ask.append("Filters clean or new ones there? Can windows stay shut and automatic controls be held still?")
    return ask


def _kit(plan: Plan, measured: Sequence[Terminal]) -> tuple[str, ...]:
    heights = [t.height_m for t in measured if t.height_m is not None]
    covers = {t.cover for t in measured}
    kinds = {s.kind for s in plan.systems}
    reach = f", for terminals at {min(max(heights), REACH_M):g} m" if heights else ""
    high = bool(heights) and max(heights) > REACH_M
    natural = "natural" in kinds
    items = [
        "hood with board and its cable, hood file",
        "laptop and phone, charged; power bank",
        f"platform{reach}",
        "pole for the hood, or a second person" if high else "",
        "rule for height and valve gap, marker",
        "rule and tape for long grilles" if covers & {"parts", "traverse"} else "",
        "anemometer to hold by hand" if "traverse" in covers else "",
        "screwdrivers, torch",
        "new filters" if kinds - {"natural"} else "",
        f"thermometer for indoors and outdoors{', wind meter' if natural else ''}",
        "gloves, mask",
        "carbon monoxide alarm" if not plan.flue_excluded else "",
    ]
    return tuple(item for item in items if item)


def _climb_words(plan: Plan, climbs: Climbs | None) -> tuple[str, ...]:
    if climbs is None:
        return ("No terminal can be measured.",)
    words = [f"To measure: {_count(climbs.n_measure, 'climb')}."]
    if len(plan.settings) > 1:
        words[0] = f"To measure at {len(plan.settings)} fan settings: {_count(climbs.n_measure, 'climb')}."
    if all(system.kind == "natural" for system in plan.systems):
        return tuple(words)
    sizes = [str(size) for size, _, _ in SIMULATED]
    medians = [str(median) for _, median, _ in SIMULATED]
    words.append(
        f"To measure and set, an estimate: about {climbs.n_median}, in one house of ten more than "
        f"{climbs.n_nine_of_ten}, hardly under {climbs.n_least}; more where all are read again at the end."
    )
    words.append(
        f"From own simulations of 300 houses a size: {_listed(sizes)} terminals took {_listed(medians)} climbs in the "
        f"median, straight lines between."
    )
    if climbs.beyond:
        words.append(f"Systems under {sizes[0]} or over {sizes[-1]} terminals were not simulated: less certain here.")
    return tuple(words)


def _listed(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _names(ids: Sequence[str], n_all: int) -> str:
    return f"all {n_all} terminals" if len(ids) == n_all and n_all > 3 else ", ".join(ids)


def _count(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"
