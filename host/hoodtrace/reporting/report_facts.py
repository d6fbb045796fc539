"""The facts of a report, for programs: what it was made of, how, and its numbers, as plain objects for JSON.

Flows are in m3/h whatever the report shows, rounded to 1e-6. Where names are left out, nothing of a customer and not
the site's name is here.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from hoodtrace.reporting.report_gathered import Gathered, OfReading, OfTerminal
from hoodtrace.reporting.report_words import Options

if TYPE_CHECKING:
    from hoodtrace.dwelling.customer import Customer

OF_CUSTOMER = ("name", "address", "contact")
"""What a report shows of a customer; photos stay in the folder."""
FORMAT = 1
"""Of these facts; keys may be added, their meaning stays."""


def facts_of(g: Gathered, options: Options, customer: Customer | None, made_by: dict[str, str]) -> dict[str, Any]:
    """Return the facts of a report of `g`."""
    return {
        "format": FORMAT,
        "software": made_by,
        "options": asdict(options),
        "customer": {} if customer is None else {name: getattr(customer, name) for name in OF_CUSTOMER},
        "date": g.date,
        "setting": g.setting,
        "plan_sha256": g.plan_sha256,
        "hood_sha256": g.hood_sha256,
        "journal": {"lines": g.n_lines, "sha256": g.newest_sha256},
        "traces": [{"path": path, "bytes": n, "sha256": digest} for path, n, digest in g.traces],
        "terminals": [_terminal(t) for t in g.terminals],
        "readings": [_reading(one) for one in g.readings],
        "sides": _sides(g),
    }


def _terminal(t: OfTerminal) -> dict[str, Any]:
    found, stands = t.found, t.stands
    return {
        "id": t.terminal.id,
        "design_m3h": t.design_m3h,
        "found_m3h": _round(found and found.flow_m3h),
        "u_found_m3h": _round(found and found.u_flow_m3h),
        "now_m3h": _round(stands and stands.now_m3h),
        "u_now_m3h": _round(stands and stands.u_now_m3h),
        "last_m3h": _round(t.last and t.last.flow_m3h),
        "u_last_m3h": _round(t.last and t.last.u_flow_m3h),
        "proportion": stands.proportion if stands else None,
        "verdict": t.verdict,
    }


def _reading(one: OfReading) -> dict[str, Any]:
    entry: dict[str, Any] = dict(one.entry or (one.shown if one.shown is not None else {}))
    return {
        "window": one.window.id if one.window is not None else None,
        "terminal": one.terminal or None,
        "counts": one.counts,
        "flow_m3h": _round(entry.get("flow_m3h")),
        "u_flow_m3h": _round(entry.get("u_flow_m3h")),
        "dof": _round(entry.get("dof")),
        "start_s": _round(one.shown["start_s"] if one.shown is not None else None),
        "end_s": _round(one.shown["end_s"] if one.shown is not None else None),
    }


def _sides(g: Gathered) -> list[dict[str, Any]]:
    if g.balanced is None:
        return []
    return [
        {
            "system": one.named.system,
            "side": one.named.direction,
            "sum_m3h": _round(one.sum.flow_m3h),
            "u_sum_m3h": _round(one.sum.u_flow_m3h),
            "verdict": one.advice.verdict,
        }
        for one in g.balanced.sides
        if one.sum.reads
    ]


def _round(value: object) -> float | None:
    return round(float(value), 6) if isinstance(value, int | float) else None
