"""Which fields the form of a plan has, in the order in which they stand."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal, get_args

from hoodtrace.dwelling import plan

Kind = Literal["text", "number", "choice", "yes", "system", "room"]


@dataclass(frozen=True, slots=True)
class Spec:
    """One field: its key in visit.toml, how it is entered, and for "choice" what there is to choose.

    `chosen` is what counts where nothing was chosen; empty: the person must choose. `more`: stands folded away.
    """

    key: str
    kind: Kind = "text"
    choices: tuple[str, ...] = ()
    chosen: str = ""
    more: bool = False


def _choice(key: str, literal: object, chosen: str = "", more: bool = False) -> Spec:
    return Spec(key, "choice", get_args(literal), chosen, more)


SPECS: dict[str, tuple[Spec, ...]] = {
    "site": (
        Spec("name"),
        Spec("floor_area_m2", "number"),
        Spec("bedrooms", "number"),
        Spec("people", "number"),
        Spec("volume_m3", "number"),
        Spec("n50_per_h", "number"),
        _choice("open_flued_appliance", plan.YesNo, "unknown"),
        Spec("note"),
    ),
    "setting": (Spec("name"),),
    "system": (
        Spec("name"),
        _choice("kind", plan.SystemKind),
        _choice("fan", plan.Fan, "unknown"),
        Spec("access"),
        _choice("valves", plan.Valves, "as found", more=True),
        Spec("unit_supply_m3h", "number", more=True),
        Spec("u_unit_supply_m3h", "number", more=True),
        Spec("unit_extract_m3h", "number", more=True),
        Spec("u_unit_extract_m3h", "number", more=True),
        Spec("stack_height_m", "number", more=True),
    ),
    "room": (
        Spec("name"),
        _choice("kind", plan.RoomKind),
        Spec("floor_area_m2", "number"),
        Spec("people", "number"),
    ),
    "terminal": (
        Spec("id"),
        Spec("room", "room"),
        Spec("system", "system"),
        _choice("direction", plan.Direction),
        Spec("design", "number"),
        Spec("height_m", "number"),
        _choice("cover", plan.Cover, "hood"),
        Spec("why_not"),
        Spec("damp", "yes"),
        _choice("limit", plan.Limit, "around", more=True),
        Spec("branch", more=True),
        Spec("free_area_cm2", "number", more=True),
        Spec("note", more=True),
    ),
    "other_fan": (Spec("name"), Spec("flow_m3h", "number"), Spec("source")),
    "appliance": (Spec("name"), _choice("kind", plan.ApplianceKind, "unknown"), Spec("room", "room")),
    "rule": (Spec("tolerance_rel", "number"), Spec("balance_rel", "number"), Spec("risk", "number")),
    "hold": (Spec("precision_rel", "number"), Spec("natural_minutes", "number")),
}
_DEFAULTS: dict[str, Any] = {each.name: each.default for each in (*fields(plan.Rule), *fields(plan.Plan))}
USUAL = {
    **{key: f"{100.0 * _DEFAULTS[key]:g}" for key in ("tolerance_rel", "balance_rel", "risk", "precision_rel")},
    "natural_minutes": f"{_DEFAULTS['natural_minutes']:g}",
}
"""What an empty field of the rule and of a hold means, as it is typed: shares in percent."""
