"""The plan of a visit, visit.toml: site, systems, rooms, terminals with design flows, and the rule of judging them.

`read_plan` gives a frozen `Plan` or raises `VisitError` that names every key at fault by its path (rows count from 1):
first the keys one by one, then how they fit together. `plan_toml` writes what `read_plan` reads back as the same plan,
or refuses. All flows are in m3/h, as in the file. Nothing is filled in: what is missing is None or the default below.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

from hoodtrace.dwelling.plan_fit import N_NAMED, listed, misfits, terminal_misfits
from hoodtrace.errors import UsageError, VisitError

Direction = Literal["supply", "extract"]
YesNo = Literal["yes", "no", "unknown"]
SystemKind = Literal["heat-recovery", "extract", "supply", "natural"]
Fan = Literal["unknown", "fixed-speed", "constant-flow"]
Valves = Literal["as found", "open"]
RoomKind = Literal["living", "bedroom", "kitchen", "bathroom", "wc", "utility", "hall", "storage", "other"]
Limit = Literal["around", "at least", "at most"]
Cover = Literal["hood", "parts", "traverse", "none"]
ApplianceKind = Literal["open-flued", "room-sealed", "fireplace", "unknown"]

TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Letters that turn the writing round for others; right-to-left words need none of them."""
_LARGEST_BYTES = 2_000_000  # 500 terminals with all their notes take a quarter of it


@dataclass(frozen=True, slots=True)
class Site:
    """The dwelling. Volume and n50 (leakage at 50 Pa, 1/h) let the tool estimate the pressure in it."""

    name: str
    floor_area_m2: float | None = None
    bedrooms: int | None = None
    people: int | None = None
    volume_m3: float | None = None
    n50_per_h: float | None = None
    open_flued_appliance: YesNo = "unknown"
    note: str = ""


@dataclass(frozen=True, slots=True)
class System:
    """One ventilation system. `unit_...` is what the unit itself says, with its standard uncertainty `u_...` [m3/h].

    `access` says who may touch the unit; `stack_height_m` is of a natural system: from its terminals to where its ducts
    end.
    """

    name: str
    kind: SystemKind
    fan: Fan = "unknown"
    valves: Valves = "as found"
    unit_supply_m3h: float | None = None
    u_unit_supply_m3h: float | None = None
    unit_extract_m3h: float | None = None
    u_unit_extract_m3h: float | None = None
    access: str = ""
    stack_height_m: float | None = None


@dataclass(frozen=True, slots=True)
class Room:
    """A room as the published rates want to know it."""

    name: str
    kind: RoomKind
    floor_area_m2: float | None = None
    people: int | None = None


@dataclass(frozen=True, slots=True)
class Terminal:
    """One terminal. `design_m3h` is for the first fan setting (None: not set yet), `design_by_setting` for the others.

    `cover` says how it can be measured: the hood covers it, several placements on a long grille, a hand traverse, or
    not at all (`why_not`). `design_from` is the row of the rate table that the flow came from, or "by hand".
    """

    id: str
    room: str
    system: str
    direction: Direction
    design_m3h: float | None = None
    branch: str = ""
    limit: Limit = "around"
    design_by_setting: Mapping[str, float] = field(default_factory=dict)
    height_m: float | None = None
    cover: Cover = "hood"
    why_not: str = ""
    free_area_cm2: float | None = None
    damp: bool = False
    design_from: str = ""
    note: str = ""

    def design(self, setting: str) -> float | None:
        """Return the design flow at a fan setting [m3/h]; None where there is none yet.

        Examples
        --------
        >>> kitchen = Terminal("E1", "Kitchen", "unit", "extract", 40.0, design_by_setting={"boost": 60.0})
        >>> kitchen.design("boost"), kitchen.design("normal")
        (60.0, 40.0)
        """
        return self.design_by_setting.get(setting, self.design_m3h)


@dataclass(frozen=True, slots=True)
class Rule:
    """How terminals are judged: tolerance, supply against extract, accepted risk of a wrong "within"."""

    tolerance_rel: float = 0.10
    balance_rel: float = 0.10
    risk: float = 0.05


@dataclass(frozen=True, slots=True)
class OtherFan:
    """A fan that is no part of the systems, such as a cooker hood; its flow [m3/h] and where that is from."""

    name: str
    flow_m3h: float
    source: str = ""


@dataclass(frozen=True, slots=True)
class Appliance:
    """An appliance that burns something."""

    name: str
    room: str = ""
    kind: ApplianceKind = "unknown"


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan of a visit. Terminals stand in walking order; the first setting is what `design_m3h` is for.

    `precision_rel` is the random part's half-width at which a hold ends; `natural_minutes` a hold on a natural system.
    """

    site: Site
    systems: tuple[System, ...]
    terminals: tuple[Terminal, ...]
    rooms: tuple[Room, ...] = ()
    settings: tuple[str, ...] = ("normal",)
    rule: Rule = Rule()
    other_fans: tuple[OtherFan, ...] = ()
    appliances: tuple[Appliance, ...] = ()
    precision_rel: float = 0.03
    natural_minutes: float = 3.0

    def terminal(self, name: str) -> Terminal:
        """Return the terminal with the id `name`.

        Raises
        ------
        UsageError
            There is none.
        """
        for each in self.terminals:
            if each.id == name:
                return each
        raise UsageError(f"there is no terminal {name!r}: the plan has {listed([t.id for t in self.terminals])}")

    def system(self, name: str) -> System:
        """Return the system called `name`.

        Raises
        ------
        UsageError
            There is none.
        """
        for each in self.systems:
            if each.name == name:
                return each
        raise UsageError(f"there is no system {name!r}: the plan has {listed([s.name for s in self.systems])}")

    @property
    def flue_excluded(self) -> bool:
        """Whether no open flue is there: the site says "no" and no appliance is anything but room-sealed."""
        return self.site.open_flued_appliance == "no" and all(a.kind == "room-sealed" for a in self.appliances)


def read_plan(path: Path) -> Plan:
    """Return the plan in the file `path`.

    Raises
    ------
    VisitError
        The file can't be read, is not UTF-8 text, or is at fault (see `parse_plan`).
    """
    try:
        if path.exists() and not path.is_file():
            raise VisitError(path, "the plan can't be read (it is no file). Give the folder of a visit.")
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise VisitError(path, f"the plan can't be read ({error.strerror}). Give the folder of a visit.") from error
    if len(content) > _LARGEST_BYTES:
        raise VisitError(path, f"has more than {_LARGEST_BYTES} bytes. Is it a plan?")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise VisitError(path, f"is not a text file in UTF-8 (byte {error.start}). Save it as UTF-8.") from error
    return parse_plan(text, path)


def parse_plan(text: str, path: Path | str) -> Plan:
    """Return the plan that the TOML `text` describes; `path` is what messages call it.

    Raises
    ------
    VisitError
        The text is not TOML, a key is missing, unknown or out of bounds, or keys do not fit together; up to `N_NAMED`
        keys at fault are named, `key` is the first.
    """
    from hoodtrace.dwelling.plan_keys import PLAN, faults_in

    try:
        content: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        comma = next((row for row in text.splitlines() if re.search(r"=\s*-?\d+,\d+\s*(#.*)?$", row)), None)
        hint = "" if comma is None else f" `{comma.strip()}` has a decimal comma; TOML wants a point."
        raise VisitError(path, f"is not a whole TOML file ({error}).{hint} Mend or copy it again.") from error
    keys, faults = faults_in(PLAN, content)
    if keys is None:
        raise _refused(path, faults)
    plan = plan_of(keys)
    faults = list(misfits(plan))
    if faults:
        raise _refused(path, faults)
    return plan


def plan_of(keys: Mapping[str, Any]) -> Plan:
    """Return the plan that the keys of a visit.toml say; each is right by itself (see `plan_keys`)."""
    hold = keys.get("hold", {})
    return Plan(
        site=Site(**keys["site"]),
        systems=tuple(System(**each) for each in keys["system"]),
        terminals=tuple(Terminal(**each) for each in keys["terminal"]),
        rooms=tuple(Room(**each) for each in keys.get("room", [])),
        settings=_settings(keys),
        rule=Rule(**keys.get("rule", {})),
        other_fans=tuple(OtherFan(**each) for each in keys.get("other_fan", [])),
        appliances=tuple(Appliance(**each) for each in keys.get("appliance", [])),
        **hold,
    )


def _settings(keys: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the fan settings: those listed, then those that only a terminal's design flow names."""
    listed_here = [each["name"] for each in keys.get("setting", [{"name": "normal"}])]
    named = [name for each in keys["terminal"] for name in each.get("design_by_setting", {})]
    return (*listed_here, *(name for name in dict.fromkeys(named) if name not in listed_here))


def terminal_of(keys: Mapping[str, Any]) -> Terminal:
    """Return the terminal that the keys of a `[[terminal]]` table describe, by themselves (without a plan).

    Raises
    ------
    UsageError
        A key is missing, unknown or out of bounds; each one is named.
    """
    from hoodtrace.dwelling.plan_keys import TERMINAL, faults_in

    known, faults = faults_in(TERMINAL, dict(keys))
    terminal = None if known is None else Terminal(**known)
    if terminal is not None:
        faults = list(terminal_misfits(terminal))
    if terminal is None or faults:
        raise UsageError(f"the terminal can't be taken: {_worded(faults)}")
    return terminal


def copied(plan: Plan) -> Plan:
    """Return the plan of an earlier visit for a new one: all of it. Readings stand in the journal and stay there.

    Valves are as found again, whatever was done to them then.
    """
    return replace(plan, systems=tuple(replace(system, valves="as found") for system in plan.systems))


def plan_toml(plan: Plan) -> str:
    """Return the text of visit.toml; reading it gives the same plan. What has its default is left out.

    Raises
    ------
    VisitError
        The plan could not be read back: a key is out of bounds or does not fit; each one is named.
    """
    blocks = [("[site]", _rows(plan.site))]
    blocks += [("[[system]]", _rows(each)) for each in plan.systems]
    if plan.settings != ("normal",):
        blocks += [("[[setting]]", [f"name = {_value(name)}"]) for name in plan.settings]
    blocks.append(("[rule]", _rows(plan.rule, whole=True)))
    hold = [f"{name} = {_value(getattr(plan, name))}" for name in ("precision_rel", "natural_minutes")]
    blocks.append(("[hold]", hold))
    blocks += [("[[room]]", _rows(each)) for each in plan.rooms]
    blocks += [("[[other_fan]]", _rows(each)) for each in plan.other_fans]
    blocks += [("[[appliance]]", _rows(each)) for each in plan.appliances]
    blocks += [("[[terminal]]", _rows(each)) for each in plan.terminals]
    text = "\n".join("\n".join([head, *rows, ""]) for head, rows in blocks)
    parse_plan(text, "the new visit.toml")
    return text


def _rows(record: Any, whole: bool = False) -> list[str]:
    """Return `key = value` of a record, what has its default left out unless `whole`."""
    rows = []
    for each in fields(record):
        value = getattr(record, each.name)
        usual = each.default if each.default_factory is not dict else {}
        if value is not None and (whole or value != usual):
            rows.append(f"{each.name} = {_value(value)}")
    return rows


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():  # a JSON string is a TOML basic string but for DEL, which no name may hold
            return json.dumps(value, ensure_ascii=False)
        case Mapping():
            return "{" + ", ".join(f"{_value(key)} = {_value(each)}" for key, each in value.items()) + "}"
        case float():
            return float.__repr__(value)
        case _:
            return repr(value)


def _refused(path: Path | str, faults: Sequence[tuple[str, str]]) -> VisitError:
    return VisitError(path, f"{_worded(faults)}. Correct the plan.", faults[0][0])


def _worded(faults: Sequence[tuple[str, str]]) -> str:
    words = "; ".join(f"key {key} {words}" if key else words for key, words in faults[:N_NAMED])
    return words if len(faults) <= N_NAMED else f"{words}; and {len(faults) - N_NAMED} more"
