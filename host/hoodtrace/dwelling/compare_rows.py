"""A comparison of visits as programs read it: one JSON object, or flat rows for a table.

Flows are in m3/h and changes are parts of the earlier flow, both as the keys say; None where there is nothing.
"""

from __future__ import annotations

from typing import Any

from hoodtrace.dwelling.compare import Cell, Comparison, Since

COLUMNS = (
    "what",
    "terminal",
    "room",
    "direction",
    "setting",
    "hood_on",
    "visit",
    "began_utc",
    "presence",
    "design_m3h",
    "flow_m3h",
    "u_flow_m3h",
    "dof",
    "expanded_m3h",
    "n_placements",
    "by",
    "reviewed",
    "flags",
    "before_visit",
    "before_change_rel",
    "before_expanded_rel",
    "before_real",
    "first_visit",
    "first_change_rel",
    "first_expanded_rel",
    "first_real",
    "missing",
)


def comparison_json(found: Comparison) -> dict[str, Any]:
    """Return the comparison as an object that JSON can say; visits are named by their place in `visits`, from 0."""
    return {
        "visits": [
            {"folder": h.folder, "site": h.site, "utc": h.utc, "hood": {"name": h.hood, "sha256": h.hood_sha256}}
            for h in found.visits
        ],
        "terminals": [
            {
                "id": row.terminal,
                "room": row.room,
                "direction": row.direction,
                "setting": row.setting,
                "hood_on": row.hood_on,
                "visits": [_cell(cell) for cell in row.cells],
            }
            for row in found.rows
        ],
        "sums": [
            {
                "visit": s.visit,
                "direction": s.direction,
                "setting": s.setting,
                "hood_on": s.hood_on,
                "flow_m3h": s.flow_m3h,
                "u_flow_m3h": s.u_flow_m3h,
                "dof": s.dof,
                "expanded_m3h": s.expanded_m3h,
                "n": s.n,
                "missing": list(s.missing),
            }
            for s in found.sums
        ],
        "notes": list(found.notes),
    }


def comparison_rows(found: Comparison) -> list[dict[str, Any]]:
    """Return one row a terminal and visit, then one a sum, with the keys of `COLUMNS`."""
    rows = []
    for row in found.rows:
        for number, cell in enumerate(row.cells):
            one = _cell(cell)
            since = {"before": one.pop("change_to_before"), "first": one.pop("change_to_first")}
            flat = {f"{name}_{_SHORT[key]}": value for name, got in since.items() for key, value in (got or {}).items()}
            for name in since:
                if f"{name}_visit" in flat:
                    flat[f"{name}_visit"] = found.visits[flat[f"{name}_visit"]].folder
            where: dict[str, Any] = {"terminal": row.terminal, "room": row.room, "hood_on": row.hood_on}
            where |= {"direction": row.direction, "setting": row.setting, **_of(found, number)}
            rows.append({"what": "terminal", **where, **one, **flat, "flags": "; ".join(one["flags"])})
    for s in found.sums:
        where = {"direction": s.direction, "setting": s.setting, "hood_on": s.hood_on, **_of(found, s.visit)}
        flows = {"flow_m3h": s.flow_m3h, "u_flow_m3h": s.u_flow_m3h, "dof": s.dof, "expanded_m3h": s.expanded_m3h}
        rows.append({"what": "sum", **where, **flows, "n_placements": None, "missing": "; ".join(s.missing)})
    return [{column: row.get(column) for column in COLUMNS} for row in rows]


_SHORT = {"visit": "visit", "rel": "change_rel", "expanded_rel": "expanded_rel", "real": "real", "same_hood": "same"}


def _of(found: Comparison, number: int) -> dict[str, str]:
    return {"visit": found.visits[number].folder, "began_utc": found.visits[number].utc}


def _cell(cell: Cell) -> dict[str, Any]:
    one = cell.result
    return {
        "presence": cell.presence,
        "design_m3h": cell.design_m3h,
        "flow_m3h": None if one is None else one.flow_m3h,
        "u_flow_m3h": None if one is None else one.u_flow_m3h,
        "dof": None if one is None else one.dof,
        "expanded_m3h": None if one is None else one.expanded_m3h,
        "n_placements": 0 if one is None else one.n,
        "by": cell.by or None,
        "reviewed": cell.reviewed,
        "flags": [] if one is None else list(one.flags),
        "change_to_before": _since(cell.before),
        "change_to_first": _since(cell.first),
    }


def _since(since: Since | None) -> dict[str, Any] | None:
    if since is None:
        return None
    return {
        "visit": since.visit,
        "rel": since.change.rel,
        "expanded_rel": since.change.expanded_rel,
        "real": since.change.is_real,
        "same_hood": since.same_hood,
    }
