"""From what was typed to a plan, and from a plan to what stands in the fields.

`checked` gives a plan or the faults, each under the path of its field, as in `plan_draft`. The bounds and rules are
those of visit.toml: this only turns text into numbers and finds the field again. Spaces around a text are dropped;
numbers take a point or a comma; shares are in percent in the form.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from hoodtrace.dwelling.plan import Plan, Site, System, Terminal, plan_of
from hoodtrace.dwelling.plan_fit import misfits
from hoodtrace.pages.plan_draft import LISTS, Draft, Row
from hoodtrace.reporting.texts import Words

NUMBERS = {
    *("floor_area_m2", "volume_m3", "n50_per_h", "height_m", "free_area_cm2", "flow_m3h", "natural_minutes"),
    *("unit_supply_m3h", "u_unit_supply_m3h", "unit_extract_m3h", "u_unit_extract_m3h", "stack_height_m"),
}
COUNTS = {"bedrooms", "people"}
PERCENT = {"tolerance_rel", "balance_rel", "risk", "precision_rel"}
Faults = dict[str, str]
_BOUND = re.compile(r"input should be (greater|less) than (or equal to )?([0-9.e+-]+)$")


class NoNumberError(ValueError):
    """A text that is no number, or may be two; `key` is the text that says so."""

    def __init__(self, key: str) -> None:
        super().__init__(key)
        self.key = key


def number(text: str) -> float:
    """Return a typed number, with a decimal point or comma.

    Raises
    ------
    NoNumberError
        It is none, or a comma stands where it may part thousands.

    Examples
    --------
    >>> number("85,5"), number(" 2.125")
    (85.5, 2.125)
    """
    plain = text.strip()
    if not re.fullmatch(r"-?[0-9]{1,15}([.,][0-9]{1,20})?", plain):
        raise NoNumberError("form.fault_number")
    if re.search(r",[0-9]{3}$", plain):
        raise NoNumberError("form.fault_comma")
    return float(plain.replace(",", "."))


def checked(draft: Draft, words: Words) -> tuple[Plan | None, Faults]:
    """Return the plan that was typed and no faults; or None and what is wrong, by field."""
    from hoodtrace.dwelling.plan_keys import PLAN, faults_in

    faults: Faults = {}
    content = _content(draft, words, faults)
    keys, found = faults_in(PLAN, content)
    plan = None
    if keys is not None and not faults:
        plan = plan_of(keys)
        found = list(misfits(plan))
    else:  # these say the value first, which stands beside it anyway
        found = [(key, said.rpartition(": ")[2] if said.startswith("= ") else said) for key, said in found]
    for key, said in found:
        faults.setdefault(_field(key, draft), _worded(key, said, words))
    return (plan if not faults else None), faults


def known_part(draft: Draft, words: Words, name: str) -> Plan:
    """Return a plan without terminals of what is right so far: site, systems and settings for a table to build on.

    A site that has no name yet is called `name`.
    """
    from hoodtrace.dwelling.plan_keys import SITE, SYSTEM, faults_in

    content = _content(draft, words, {})
    site = faults_in(SITE, {"name": name} | content["site"])[0]
    systems = [faults_in(SYSTEM, row)[0] for row in content.get("system", [])]
    settings = tuple(row["name"] for row in content["setting"] if "name" in row)
    return Plan(
        Site(**(site or {"name": name})),
        tuple(System(**keys) for keys in systems if keys is not None),
        (),
        settings=settings or ("normal",),
    )


def take_terminals(plan: Plan, draft: Draft) -> None:
    """Put a plan's site, systems, fan settings and terminals into the draft; what it has else stays."""
    for key, text in _texts(plan.site).items():
        draft.single["site"][key] = text
    for system in plan.systems:
        mine = [row for row in draft.lists["system"] if row.get("name", "").strip() == system.name]
        empty = [row for row in draft.lists["system"] if not any(t for k, t in row.items() if k != "row")]
        if mine or empty:
            (mine or empty)[0].update(_texts(system))
        else:
            draft.add("system", _texts(system))
    for place, name in enumerate(plan.settings):
        if place < len(draft.lists["setting"]):
            draft.lists["setting"][place]["name"] = name
        else:
            draft.add("setting", {"name": name})
    del draft.lists["setting"][len(plan.settings) :]
    draft.lists["terminal"] = []
    numbers = {row["name"].strip(): row["row"] for row in draft.lists["system"] if "name" in row}
    for terminal in plan.terminals:
        row = draft.add("terminal", _texts(terminal) | {"system": numbers[terminal.system]})
        take_flows(terminal, row, plan.settings, draft)


def take_flows(terminal: Terminal, number: str, settings: tuple[str, ...], draft: Draft) -> None:
    """Put a terminal's design flows, and where they are from, into row `number` of the draft."""
    row = draft.row("terminal", number)
    if row is None:
        return
    sources: Row = {}
    for part in filter(None, terminal.design_from.split(" | ")):
        name = next((s for s in settings[1:] if part.startswith(f"{s}: ")), settings[0])
        sources[name] = part.removeprefix(f"{name}: ")
    flows = {settings[0]: terminal.design_m3h, **terminal.design_by_setting}
    for setting, kept in zip(draft.lists["setting"], settings, strict=True):
        flow = flows.get(kept)
        row[f"design.{setting['row']}"] = "" if flow is None else _text(flow)
        row[f"source.{setting['row']}"] = sources.get(kept, "")


def _content(draft: Draft, words: Words, faults: Faults) -> dict[str, Any]:
    """Return the keys of visit.toml that were filled in; texts that are no number go into `faults`."""
    content: dict[str, Any] = {"site": _keys(draft.single["site"], "site", words, faults)}
    for name in ("rule", "hold"):
        if keys := _keys(draft.single[name], name, words, faults):
            content[name] = keys
    for name in LISTS:
        rows = [_keys(row, f"{name}.{row['row']}", words, faults) for row in draft.lists[name]]
        if rows:
            content[name] = rows
    systems = {row["row"]: row.get("name", "").strip() for row in draft.lists["system"]}
    settings = [(row["row"], row.get("name", "").strip()) for row in draft.lists["setting"]]
    for row, keys in zip(draft.lists["terminal"], content.get("terminal", []), strict=True):
        where = f"terminal.{row['row']}"
        if system := systems.get(row.get("system", ""), ""):
            keys["system"] = system
        keys |= _flows(row, settings, where, words, faults)
        sources = [(name, row.get(f"source.{n}", "")) for n, name in settings if row.get(f"design.{n}", "").strip()]
        said = " | ".join(t if name == settings[0][1] else f"{name}: {t}" for name, t in sources if t)
        if said:
            keys["design_from"] = said
    return content


def _keys(row: Row, where: str, words: Words, faults: Faults) -> dict[str, Any]:
    keys: dict[str, Any] = {}
    for key, text in row.items():
        if key in ("row", "design_from") or "." in key or not text.strip():
            continue
        if where.startswith("terminal.") and key == "system":
            continue
        if key == "damp":
            keys[key] = text == "yes"
        elif key in NUMBERS | COUNTS | PERCENT:
            value = _number(text, f"{where}.{key}", words, faults)
            if value is not None:
                keys[key] = _in_file(key, value)
        else:
            keys[key] = text.strip()
    return keys


def _flows(row: Row, settings: list[tuple[str, str]], where: str, words: Words, faults: Faults) -> dict[str, Any]:
    flows = {}
    for n, name in settings:
        if text := row.get(f"design.{n}", "").strip():
            flow = _number(text, f"{where}.design.{n}", words, faults)
            if flow is not None:
                flows[n] = (name, flow)
    first = settings[0][0]
    keys: dict[str, Any] = {"design_m3h": flows[first][1]} if first in flows else {}
    others = {name: flow for n, (name, flow) in flows.items() if n != first}
    return keys | ({"design_by_setting": others} if others else {})


def _number(text: str, path: str, words: Words, faults: Faults) -> float | None:
    try:
        return number(text)
    except NoNumberError as error:
        faults[path] = words(error.key)
        return None


def _in_file(key: str, value: float) -> float | int:
    if key in PERCENT:
        return value / 100.0
    return int(value) if key in COUNTS and value.is_integer() else value


def _field(key: str, draft: Draft) -> str:
    """Return the path of the field that a key of visit.toml was typed into; a list's name where it is the list."""
    name, _, rest = key.partition(".")
    place, _, of_row = rest.partition(".")
    if name not in LISTS or not place:
        return key
    number = draft.lists[name][int(place) - 1]["row"]
    if name == "terminal" and of_row.startswith("design"):
        settings = draft.lists["setting"]
        said = of_row.removeprefix("design_by_setting").lstrip(".")
        mine = [row["row"] for row in settings[1:] if row.get("name", "").strip() == said]
        of_row = f"design.{mine[0] if mine and of_row != 'design_m3h' else settings[0]['row']}"
    return f"{name}.{number}.{of_row}"


def _worded(key: str, said: str, words: Words) -> str:
    """Return what is wrong as it stands beside the field; what there are no own words for stays as the program says."""
    if said.startswith("is missing"):
        return words(f"form.no_{key}") if key in ("system", "terminal") else words("form.fault_missing")
    said = said.removeprefix("= ")
    bound = _BOUND.search(said)
    if bound is None:
        return said[:1].upper() + said[1:] + "."
    limit = float(bound[3]) * (100.0 if key.rpartition(".")[2] in PERCENT else 1.0)
    which = ("least" if bound[2] else "above") if bound[1] == "greater" else ("most" if bound[2] else "below")
    return words(f"form.fault_{which}", limit=f"{limit:g}")


def _texts(record: Site | System | Terminal) -> Row:
    return dict(_filled(record))


def _filled(record: Site | System | Terminal) -> Iterator[tuple[str, str]]:
    for each in fields(record):
        value = getattr(record, each.name)
        if value not in (None, "") and not each.name.startswith("design"):
            yield each.name, ("yes" if value else "") if isinstance(value, bool) else _text(value)


def _text(value: object) -> str:
    return f"{int(value)}" if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else str(value)
