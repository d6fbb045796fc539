"""One result of a terminal from the readings that were given to it: repeat placements become one flow.

The hood's own part and the zero of the day do not become smaller by placing the hood again; the air's and the
placement's parts do, see `averaging.pooled`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import HOOD, entered, pooled
from hoodtrace.averaging.pooled import Placement as Pooling
from hoodtrace.dwelling.state import Entry, Placement
from hoodtrace.units import m3_s, m3h

AIR = "fluctuation of the air"


@dataclass(frozen=True, slots=True)
class Result:
    """A terminal's flow [m3/h] with its standard uncertainty, degrees of freedom, and 95 % half-width.

    `u_own_m3h` is the part that other terminals read with the same hood do not share; `terms` are name, u [m3/h],
    degrees of freedom (None: infinite) and scope; `flags` what to doubt.
    """

    flow_m3h: float
    u_flow_m3h: float
    dof: float | None
    expanded_m3h: float
    u_own_m3h: float
    n: int
    terms: tuple[tuple[str, float, float | None, str], ...]
    flags: tuple[str, ...] = ()


def result(placements: Sequence[Placement]) -> Result:
    """Return the one result of `placements`, which are of the same flow; with the hood on or off as the newest of them.

    Raises
    ------
    UsageError
        There is none.
    """
    placements = [p for p in placements if p.entry.get("hood_on", True) == placements[-1].entry.get("hood_on", True)]
    if len(placements) == 1 and placements[0].entry.get("expanded_m3h") is not None:
        return _as_read(placements[0].entry)
    r_k_c = float(placements[0].entry.get("r_k_c") or 0.0)
    found = pooled([_pooling(p.entry) for p in placements], r_k_c)
    dof = None if found.total.dof == math.inf else found.total.dof
    terms = tuple(
        (t.name, m3h(t.u_m3_s), None if t.dof == math.inf else t.dof, t.scope) for t in found.terms if t.u_m3_s > 0.0
    )
    own = math.sqrt(math.fsum(u**2 for _, u, _, scope in terms if scope != "hood"))
    flow, u, expanded = (m3h(q) for q in (found.flow_m3_s, found.total.u_m3_s, found.total.expanded_m3_s))
    flags = dict.fromkeys([*found.flags, *(flag for p in placements for flag in p.entry.get("flags", ()))])
    return Result(flow, u, dof, expanded, own, len(placements), terms, tuple(flags))


def _as_read(entry: Entry) -> Result:
    """Return a single reading of the hood with the numbers that `hoodtrace readings` prints."""
    terms = tuple((str(n), float(u), None if d is None else float(d), str(s)) for n, u, d, s in entry.get("terms", []))
    own = math.sqrt(math.fsum(u**2 for _, u, _, scope in terms if scope != "hood"))
    numbers = float(entry["flow_m3h"]), float(entry["u_flow_m3h"])
    return Result(
        *numbers, entry.get("dof"), float(entry["expanded_m3h"]), own, 1, terms, tuple(entry.get("flags", ()))
    )


def _pooling(entry: Entry) -> Pooling:
    """Return a reading as the pooling wants it."""
    flow_m3_s, by = m3_s(float(entry["flow_m3h"])), str(entry.get("by"))
    if not entry.get("terms"):
        return entered(flow_m3_s, m3_s(float(entry["u_flow_m3h"])), str(entry.get("meter") or by))
    terms = tuple(
        Term(str(n), m3_s(float(u)), math.inf if d is None else float(d), str(s)) for n, u, d, s in entry["terms"]
    )
    dof = next((t.dof for t in terms if t.name == AIR), math.inf)
    u_random = m3_s(float(entry.get("u_random_m3h") or 0.0))
    return Pooling(flow_m3_s, u_random, dof, terms, HOOD if by == "hood" else str(entry.get("meter") or by))
