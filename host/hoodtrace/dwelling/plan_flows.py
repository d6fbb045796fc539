"""The text of a visit.toml with new design flows in it: the person's own text, comments and order kept.

Text in, text out: no file is opened here. What comes out is read back before it is given out: it says the old content
plus the new flows, else it is refused.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.plan import parse_plan
from hoodtrace.errors import VisitError

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan


def with_flows(text: str, plan: Plan, path: Path | str = "visit.toml") -> str:
    """Return the plan's text `text` with the design flows and their sources of `plan`.

    Parameters
    ----------
    text : str
        A visit.toml; its terminals are those of `plan`.
    plan : Plan
        Gives `design_m3h`, `design_by_setting` and `design_from` of each terminal.
    path : Path or str
        What messages call the file.

    Raises
    ------
    VisitError
        The text can't be edited (its terminals are not written as tables), or what comes out is no plan.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    wanted = tomllib.loads(text)
    try:
        document: Any = tomlkit.parse(text)
        for tables in (document["terminal"], wanted["terminal"]):
            for table in tables:
                terminal = plan.terminal(str(table["id"]))
                if terminal.design_m3h is not None:
                    _set(table, "design_m3h", terminal.design_m3h)
                if terminal.design_by_setting and table.get("design_by_setting") != terminal.design_by_setting:
                    _set(table, "design_by_setting", dict(terminal.design_by_setting))
                if terminal.design_from:
                    _set(table, "design_from", terminal.design_from)
        edited = tomlkit.dumps(document)
        whole = tomllib.loads(edited) == wanted
    except (TOMLKitError, KeyError, TypeError, ValueError) as error:
        raise _not_editable(path) from error
    if not whole:
        raise _not_editable(path)
    parse_plan(edited, path)
    return edited


def _not_editable(path: Path | str) -> VisitError:
    return VisitError(path, "design flows can't be put in: write each terminal as a [[terminal]] table.", "terminal")


def _set(table: Any, key: str, value: float | str | dict[str, float]) -> None:
    """Set a key; in a TOML table a new one follows the last plain key, before the blank line that ends the table."""
    import tomlkit
    from tomlkit.items import Table

    if table.get(key) == value:
        return
    item: Any = value
    if isinstance(table, Table) and isinstance(value, dict):
        item = tomlkit.inline_table()
        item.update(value)
    if not isinstance(table, Table) or key in table:
        table[key] = item
        return
    plain = [k for k, v in table.value.body if k is not None and not isinstance(v, Table)]
    if plain[-1].is_dotted():
        table[key] = item
    else:
        table.value._insert_after(plain[-1], key, tomlkit.item(item))
