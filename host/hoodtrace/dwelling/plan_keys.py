"""The keys of visit.toml one by one: which there are, of what type, within what bounds.

Only `plan` uses it, and only when it reads: pydantic takes a while to load. Names may hold any letters of one line but
those that turn the writing round; words that are written from right to left need none. Bounds lie far outside any
dwelling: they catch slips and keep the arithmetic finite.
"""

from __future__ import annotations

import unicodedata
from typing import Annotated, Any, Required

from pydantic import AfterValidator, ConfigDict, Field, StringConstraints, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from hoodtrace.dwelling.plan import (
    TURNING,
    ApplianceKind,
    Cover,
    Direction,
    Fan,
    Limit,
    RoomKind,
    SystemKind,
    Valves,
    YesNo,
)

MOST_TERMINALS = 500
_LONGEST_SHOWN = 80
_STRICT = ConfigDict(extra="forbid", strict=True)


def one_line(words: str) -> str:
    """Return `words` as they are.

    Raises
    ------
    ValueError
        They hold a line break or another control letter, or one that turns the writing round.
    """
    for letter in words:
        if letter in TURNING:
            raise ValueError(f"holds a letter that turns the writing round (U+{ord(letter):04X}); take it out")
        if unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp"):
            raise ValueError(f"holds a line break or control letter (U+{ord(letter):04X}); write it in one line")
    return words


def _name(words: str) -> str:
    if words != words.strip():
        raise ValueError("begins or ends with a space; take it away")
    if all(unicodedata.category(letter) in ("Cf", "Zs") for letter in words):
        raise ValueError("has no letter that can be seen")
    return one_line(words)


Name = Annotated[str, StringConstraints(min_length=1, max_length=120), AfterValidator(_name)]
Words = Annotated[str, StringConstraints(max_length=1000), AfterValidator(one_line)]
FlowM3h = Annotated[float, Field(ge=0.1, le=1e5, allow_inf_nan=False)]
UFlowM3h = Annotated[float, Field(ge=1e-3, le=1e5, allow_inf_nan=False)]
AreaM2 = Annotated[float, Field(ge=0.1, le=1e5, allow_inf_nan=False)]
AreaCm2 = Annotated[float, Field(ge=0.1, le=1e6, allow_inf_nan=False)]
VolumeM3 = Annotated[float, Field(ge=1.0, le=1e6, allow_inf_nan=False)]
PerHour = Annotated[float, Field(ge=0.01, le=100.0, allow_inf_nan=False)]
Height = Annotated[float, Field(ge=0.0, le=30.0, allow_inf_nan=False)]
StackHeight = Annotated[float, Field(ge=0.1, le=100.0, allow_inf_nan=False)]
Relative = Annotated[float, Field(gt=0.0, le=1.0, allow_inf_nan=False)]
Risk = Annotated[float, Field(gt=0.0, le=0.5, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, le=1000)]


class SiteKeys(TypedDict, total=False):
    """`[site]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Required[Name]
    floor_area_m2: AreaM2
    bedrooms: Count
    people: Annotated[int, Field(ge=1, le=1000)]
    volume_m3: VolumeM3
    n50_per_h: PerHour
    open_flued_appliance: YesNo
    note: Words


class SystemKeys(TypedDict, total=False):
    """`[[system]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Required[Name]
    kind: Required[SystemKind]
    fan: Fan
    valves: Valves
    unit_supply_m3h: FlowM3h
    u_unit_supply_m3h: UFlowM3h
    unit_extract_m3h: FlowM3h
    u_unit_extract_m3h: UFlowM3h
    access: Words
    stack_height_m: StackHeight


class RoomKeys(TypedDict, total=False):
    """`[[room]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Required[Name]
    kind: Required[RoomKind]
    floor_area_m2: AreaM2
    people: Count


class TerminalKeys(TypedDict, total=False):
    """`[[terminal]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    id: Required[Name]
    room: Required[Name]
    system: Required[Name]
    direction: Required[Direction]
    design_m3h: FlowM3h
    branch: Words
    limit: Limit
    design_by_setting: Annotated[dict[Name, FlowM3h], Field(max_length=20)]
    height_m: Height
    cover: Cover
    why_not: Words
    free_area_cm2: AreaCm2
    damp: bool
    design_from: Words
    note: Words


class SettingKeys(TypedDict):
    """`[[setting]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Name


class RuleKeys(TypedDict, total=False):
    """`[rule]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    tolerance_rel: Relative
    balance_rel: Relative
    risk: Risk


class HoldKeys(TypedDict, total=False):
    """`[hold]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    precision_rel: Annotated[float, Field(ge=0.005, le=0.2, allow_inf_nan=False)]
    natural_minutes: Annotated[float, Field(ge=2.0, le=10.0, allow_inf_nan=False)]


class OtherFanKeys(TypedDict, total=False):
    """`[[other_fan]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Required[Name]
    flow_m3h: Required[FlowM3h]
    source: Words


class ApplianceKeys(TypedDict, total=False):
    """`[[appliance]]`."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    name: Required[Name]
    room: Words
    kind: ApplianceKind


class PlanKeys(TypedDict, total=False):
    """The whole file."""

    __pydantic_config__ = _STRICT  # type: ignore[misc]
    site: Required[SiteKeys]
    system: Required[Annotated[list[SystemKeys], Field(min_length=1, max_length=50)]]
    terminal: Required[Annotated[list[TerminalKeys], Field(min_length=1, max_length=MOST_TERMINALS)]]
    room: Annotated[list[RoomKeys], Field(max_length=MOST_TERMINALS)]
    setting: Annotated[list[SettingKeys], Field(min_length=1, max_length=20)]
    rule: RuleKeys
    hold: HoldKeys
    other_fan: Annotated[list[OtherFanKeys], Field(max_length=50)]
    appliance: Annotated[list[ApplianceKeys], Field(max_length=50)]


PLAN = TypeAdapter(PlanKeys)
SITE = TypeAdapter(SiteKeys)
SYSTEM = TypeAdapter(SystemKeys)
SETTING = TypeAdapter(SettingKeys)
TERMINAL = TypeAdapter(TerminalKeys)


def faults_in(adapter: TypeAdapter[Any], content: object) -> tuple[Any, list[tuple[str, str]]]:
    """Return the keys as read and no faults; or None and, for each key at fault, its path and what is wrong with it."""
    try:
        return adapter.validate_python(content), []
    except ValidationError as error:
        return None, [_fault(one["loc"], one["msg"], one["type"], one.get("input")) for one in error.errors()]


def _fault(where: tuple[int | str, ...], message: str, kind: str, value: object) -> tuple[str, str]:
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in where if part != "[key]")
    key = "".join(f"U+{ord(letter):04X}" if letter in TURNING else letter for letter in key)
    if kind == "missing":
        return key, "is missing"
    if kind == "extra_forbidden":
        return key, "is unknown"
    words = message.removeprefix("Value error, ")
    words = words.replace("valid dictionary", "table").replace("valid list", "list of tables ([[...]])")
    return key, f"= {_shown(value)}: {words[:1].lower()}{words[1:]}"


def _shown(value: object) -> str:
    try:
        words = repr(value)
    except ValueError:  # a whole number with thousands of digits
        return "a number of thousands of digits"
    return words if len(words) <= _LONGEST_SHOWN else words[: _LONGEST_SHOWN - 1] + "…"
