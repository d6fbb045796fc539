"""A plan from a table of terminals, one a row, and the table of a plan: for people who plan in a spreadsheet.

Headings in any order and case: id, room, system, direction, one of design_m3h, design_l_s, design_cfm, and any other
key of a terminal. A design column with a setting's name behind it ("design_m3h boost") is for that setting. Rows above
the headings may give keys of the site (`site`, name), `setting` (names) and `system` (name, kind, fan). Spaces around
a cell are dropped. Every faulty cell is named by row and column. What was guessed is said in the notes.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from hoodtrace.dwelling.plan import Plan, Site, System, SystemKind, Terminal, plan_toml
from hoodtrace.dwelling.plan_fit import N_NAMED, misfits
from hoodtrace.dwelling.plan_grid import Cell, Decimals, Grid, Unfit, read_grid
from hoodtrace.errors import VisitError
from hoodtrace.units import CFM_PER_M3_S, L_S_PER_M3_S, m3h

NEEDED = ("id", "room", "system", "direction")
HEADED = ("id", "direction")
"""By these the row of headings is known."""
_KEYS = tuple(each.name for each in fields(Terminal) if each.name not in ("design_m3h", "design_by_setting"))
_SITE_KEYS = tuple(each.name for each in fields(Site) if each.name != "name")
_NUMBERS = {"height_m", "free_area_cm2", "floor_area_m2", "volume_m3", "n50_per_h"}
_COUNTS = {"bedrooms", "people"}
_CHOICES = {"direction", "limit", "cover", "open_flued_appliance"}
_YES, _NO = ("yes", "true", "1", "x"), ("no", "false", "0")
_DESIGN = re.compile(r"design[ _](m3/?h|m³/?h|l[_/]s|cfm)(?:\s+(\S.*))?", re.IGNORECASE)
_PER_M3_S = {"l": L_S_PER_M3_S, "c": CFM_PER_M3_S}  # by the unit's first letter
_DECIMALS_KEPT = 3  # of a flow that came in L/s or cfm: far below what any meter shows
_GUARDED = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"
"""What a spreadsheet may take for the beginning of a formula, wide forms too."""
Fault = tuple[str, str]


@dataclass(frozen=True, slots=True)
class FromTable:
    """The plan that a table gave, and what should be known of how it was read."""

    plan: Plan
    notes: tuple[str, ...]


def plan_from_table(path: Path, base: Plan | None = None) -> FromTable:
    """Return the plan with the terminals of the table in the CSV or .xlsx file `path`.

    Parameters
    ----------
    path : Path
    base : Plan, optional
        Gives all that the table does not: site, known systems, settings, rule and the rest. Its terminals are dropped.

    Raises
    ------
    VisitError
        The file can't be read, or cells are at fault; up to `N_NAMED` are named, `key` is the first.
    """
    return plan_from_grid(path, read_grid(path, HEADED), base)


def plan_from_grid(path: Path | str, grid: Grid, base: Plan | None = None) -> FromTable:
    """Return the plan of a table whose cells are read; `path` is its name in messages. See `plan_from_table`."""
    reading = _Reading(grid, base, Path(path).stem)
    plan = reading.plan()
    if reading.faults or plan is None:
        words = "; ".join(f"{where} {what}" for where, what in reading.faults[:N_NAMED])
        more = len(reading.faults) - N_NAMED
        raise VisitError(
            path, f"{words}{f'; and {more} more' if more > 0 else ''}. Correct the table.", reading.faults[0][0]
        )
    plan_toml(plan)  # refuses what could not be written
    return FromTable(plan, (*grid.notes, *reading.notes))


def table_csv(plan: Plan, decimal_comma: bool = False) -> str:
    """Return the table of a plan as CSV: a template, or what `plan_from_table` reads back. Write it as "utf-8-sig".

    A cell that a spreadsheet might take for a formula has an apostrophe in front, which is taken away again in reading.

    Parameters
    ----------
    plan : Plan
    decimal_comma : bool
        Semicolons between the cells and decimal commas, as spreadsheets of many languages want them.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=";" if decimal_comma else ",", lineterminator="\r\n")

    def cell(value: object) -> str:
        match value:
            case None:
                return ""
            case bool():
                return "yes" if value else "no"
            case float():
                text = format(Decimal(float.__repr__(value)), "f")  # all digits, no exponent
                return text.replace(".", ",") if decimal_comma else text
            case str():
                text = value.strip()
                return f"'{text}" if _looks_like_formula(text) else text
            case _:
                return str(value)

    writer.writerow(["site", cell(plan.site.name)])
    for key in _SITE_KEYS:
        value = getattr(plan.site, key)
        if value is not None and value != "":
            writer.writerow([key, cell(value)])
    writer.writerow(["setting", *map(cell, plan.settings)])
    writer.writerows([["system", *map(cell, (s.name, s.kind, s.fan))] for s in plan.systems])
    others = plan.settings[1:]
    writer.writerow([*NEEDED, "design_m3h", *(f"design_m3h {name}" for name in others), *_KEYS[len(NEEDED) :]])
    for terminal in plan.terminals:
        flows = [terminal.design_m3h, *(terminal.design_by_setting.get(name) for name in others)]
        row = [getattr(terminal, key) for key in _KEYS]
        writer.writerow([*map(cell, [*row[: len(NEEDED)], *flows, *row[len(NEEDED) :]])])
    return out.getvalue()


class _Reading:
    """One table on its way into a plan; faults and notes gather on the way."""

    def __init__(self, grid: Grid, base: Plan | None, stem: str) -> None:
        self.grid, self.base = grid, base
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.settings = list(base.settings) if base is not None else ["normal"]
        self.systems = {each.name: each for each in base.systems} if base is not None else {}
        self.site: dict[str, Any] = {"name": stem if base is None else base.site.name}
        self.site_said = False
        self.rows: list[int] = []  # row of each terminal
        self.columns: dict[str, int] = {}  # index of the column that gives a key

    def plan(self) -> Plan | None:
        for i, row in enumerate(self.grid.rows[: self.grid.heading]):
            self._above(i, row)
        factors = self._headings()
        if self.faults:
            return None
        terminals = [
            self._terminal(i, row, factors)
            for i, row in enumerate(self.grid.rows)
            if i > self.grid.heading and any(not _empty(cell) for cell in row)
        ]
        if not terminals and not self.faults:
            self.faults.append(("below the headings", "there is no terminal; write one a row"))
        if self.faults:
            return None
        if self.base is None and not self.site_said:
            self.notes.append(f'the site has no name in the table; it is called "{self.site["name"]}" after the file')
        return self._checked([each for each in terminals if each is not None])

    def _checked(self, terminals: list[Terminal]) -> Plan | None:
        from hoodtrace.dwelling.plan_keys import MOST_TERMINALS, SETTING, SITE, faults_in

        if len(terminals) > MOST_TERMINALS:
            self.faults.append((f"row {self.rows[MOST_TERMINALS] + 1}", f"is beyond {MOST_TERMINALS} terminals"))
            return None
        site_keys, faults = faults_in(SITE, self.site)
        self.faults += [(f"site, {key}", words) for key, words in faults]
        for name in self.settings:
            self.faults += [("setting", words) for _, words in faults_in(SETTING, {"name": name})[1]]
        self._guess_systems(terminals)
        if self.faults:
            return None
        systems = tuple(self.systems.values())
        settings = tuple(self.settings)
        if self.base is None:
            plan = Plan(Site(**site_keys), systems, tuple(terminals), settings=settings)
        else:
            plan = replace(
                self.base,
                site=replace(self.base.site, **site_keys),
                systems=systems,
                terminals=tuple(terminals),
                settings=settings,
            )
        self.faults += [(self._place(key), words) for key, words in misfits(plan)]
        return plan

    def _above(self, i: int, row: tuple[Cell, ...]) -> None:
        """Take a row above the headings: a key of the site, settings, or a system."""
        cells = [cell for cell in row if not _empty(cell)]
        if not cells or str(cells[0]).startswith("sep="):
            return
        where = f"row {i + 1}"
        key, values = str(cells[0]).strip().casefold(), cells[1:]
        texts = [_text(value) for value in values]
        most = {"setting": len(texts), "system": 3}.get(key, 1)
        if key in ("site", *_SITE_KEYS) and not values:
            return  # an empty cell, as below the headings: not said
        if not values or len(values) > most or any(isinstance(text, Unfit) for text in texts):
            self.faults.append((where, "can't be taken: it needs a key and, beside it, its text or number, no more"))
        elif key == "site":
            self.site["name"], self.site_said = texts[0], True
        elif key == "setting":
            self.settings = [str(text) for text in texts]
        elif key == "system":
            self._system_row(where, [str(text) for text in texts])
        elif key in _SITE_KEYS:
            value = self._value(key, values[0])
            if isinstance(value, Unfit):
                self.faults.append((f"{where}, {key}", value.why))
            else:
                self.site[key] = value
        else:
            known = ", ".join(("site", "setting", "system", *_SITE_KEYS))
            self.faults.append((where, f"begins with {key!r}, which is no key; above the headings stand {known}"))

    def _system_row(self, where: str, texts: list[str]) -> None:
        from hoodtrace.dwelling.plan_keys import SYSTEM, faults_in

        keys, faults = faults_in(SYSTEM, dict(zip(("name", "kind", "fan"), texts, strict=False)))
        self.faults += [(f"{where}, {key}", words) for key, words in faults]
        if keys is not None:
            known = self.systems.get(keys["name"])
            self.systems[keys["name"]] = System(**keys) if known is None else replace(known, **keys)

    def _headings(self) -> dict[str, float]:
        """Find the column of each key; return what a design column's numbers are divided by, in units a m3/s."""
        where = f"row {self.grid.heading + 1}"
        factors: dict[str, float] = {}
        for i, cell in enumerate(self.grid.rows[self.grid.heading]):
            if _empty(cell):
                continue
            text = str(_text(cell))
            key: str = re.sub(r"[\s-]+", "_", text.casefold())
            design = _DESIGN.fullmatch(text)
            if design is not None:
                key = self._design_key(design[2])
                factor = _PER_M3_S.get(design[1][0].casefold())
                if factor is not None:
                    factors[key] = factor
                    self.notes.append(f'column {_letters(i)} "{text}" was converted into m3/h')
            elif key not in _KEYS:
                self.notes.append(f'column {_letters(i)} "{text}" is no key of a terminal and was not used')
                continue
            if key in self.columns:
                self.faults.append((f"{where}, column {_letters(i)} ({text})", f"says {key} a second time"))
            self.columns[key] = i
        for key in NEEDED:
            if key not in self.columns:
                self.faults.append((where, f"has no column {key}; add it"))
        return factors

    def _design_key(self, setting: str | None) -> str:
        if setting is None:
            return "design_m3h"
        same = [name for name in self.settings if name.casefold() == setting.strip().casefold()]
        name = same[0] if same else setting.strip()
        if not same:
            self.settings.append(name)
            self.notes.append(f'the setting "{name}" was added, from a heading')
        return "design_m3h" if name == self.settings[0] else f"design_by_setting.{name}"

    def _terminal(self, i: int, row: tuple[Cell, ...], factors: Mapping[str, float]) -> Terminal | None:
        from hoodtrace.dwelling.plan_keys import TERMINAL, faults_in

        self.rows.append(i)
        keys: dict[str, Any] = {}
        by_setting: dict[str, Any] = {}
        before = len(self.faults)
        headings = self.grid.rows[self.grid.heading]
        for extra, cell in enumerate(row):
            if not _empty(cell) and (extra >= len(headings) or _empty(headings[extra])):
                hint = (
                    " (a decimal comma does not go with commas between cells)" if self.grid.decimals == "point" else ""
                )
                self.faults.append((f"row {i + 1}, column {_letters(extra)}", f"has no heading above it{hint}"))
        for key, column in self.columns.items():
            cell = row[column] if column < len(row) else None
            if _empty(cell):
                continue
            value = self._value(key, cell)
            if isinstance(value, Unfit):
                self.faults.append((self._cell_place(i, key), value.why))
                continue
            if key in factors and isinstance(value, float):
                value = round(m3h(value / factors[key]), _DECIMALS_KEPT)
            if key.startswith("design_by_setting."):
                by_setting[key.partition(".")[2]] = value
            else:
                keys[key] = value
        if len(self.faults) > before:
            return None
        known, faults = faults_in(TERMINAL, keys | ({"design_by_setting": by_setting} if by_setting else {}))
        self.faults += [(self._cell_place(i, key), words) for key, words in faults]
        return None if known is None else Terminal(**known)

    def _value(self, key: str, cell: Cell) -> str | float | int | bool | Unfit:
        if key in _NUMBERS or (key.startswith("design_") and key != "design_from"):
            return _number(cell, self.grid.decimals)
        if key in _COUNTS:
            number = _number(cell, self.grid.decimals)
            return int(number) if isinstance(number, float) and number.is_integer() else number
        text = _text(cell)
        if isinstance(text, Unfit):
            return text
        if key == "damp":
            said = text.casefold()
            return said in _YES if said in (*_YES, *_NO) else Unfit(f"= {text!r}: write yes or no")
        return text.casefold() if key in _CHOICES else text

    def _guess_systems(self, terminals: list[Terminal]) -> None:
        for name in dict.fromkeys(each.system for each in terminals):
            if name in self.systems:
                continue
            ways = {each.direction for each in terminals if each.system == name}
            kind: SystemKind = "heat-recovery" if len(ways) == 2 else next(iter(ways))
            self.systems[name] = System(name, kind)
            has = "supply and extract" if len(ways) == 2 else f"{kind} only"
            self.notes.append(f'the system "{name}" was made, of kind {kind} because its terminals are {has}')

    def _cell_place(self, i: int, key: str) -> str:
        column = self.columns.get(key)
        if column is None:
            return f"row {i + 1}, {key}"
        return f"row {i + 1}, column {_letters(column)} ({_text(self.grid.rows[self.grid.heading][column])})"

    def _place(self, key: str) -> str:
        """Return where in the table a key of the plan stands."""
        what, _, rest = key.partition(".")
        row, _, name = rest.partition(".")
        return self._cell_place(self.rows[int(row) - 1], name) if what == "terminal" else f"{what} {rest}"


def _text(cell: Cell) -> str | Unfit:
    match cell:
        case Unfit():
            return cell
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case float() if cell.is_integer():
            return str(int(cell))
        case str():
            text = cell.strip()
            return text[1:] if text.startswith("'") and _looks_like_formula(text) else text
        case _:
            return str(cell)


def _number(cell: Cell, decimals: Decimals) -> float | Unfit:
    if isinstance(cell, Unfit):
        return cell
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return float(cell)
    text = str(_text(cell))
    signs = {"point": ".", "comma": ",.", "either": ",."}[decimals]
    if not re.fullmatch(rf"[+-]?[0-9]{{1,15}}([{signs}][0-9]{{1,400}})?", text):
        hint = " with a decimal point" if decimals == "point" else ""
        return Unfit(f"= {text[:60]!r}: write a plain number{hint}, without unit and without thousands separators")
    thousands = {"point": "", "comma": ".", "either": ",."}[decimals]
    if re.search(rf"[{thousands}][0-9]{{3}}$", text) if thousands else False:
        return Unfit(f"= {text!r} may be thousands or three decimals; write it with one or two decimals")
    return float(text.replace(",", "."))


def _looks_like_formula(text: str) -> bool:
    return text.lstrip("'").lstrip().startswith(tuple(_GUARDED))


def _empty(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _letters(column: int) -> str:
    """Return a column's letters as spreadsheets count.

    Examples
    --------
    >>> _letters(0), _letters(26)
    ('A', 'AA')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
