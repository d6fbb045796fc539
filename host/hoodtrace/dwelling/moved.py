"""Whether a terminal's flow has moved since it was read before: after a change, at the end, in a follow-up.

The hood's common part cancels where the same hood read both times; what is left is each reading's own part. A change is
called real where it is larger than its 95 % half-width.

References: JCGM 100:2008, 5.2 (correlated inputs: what is common cancels in a difference).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hoodtrace.averaging.budget import coverage_factor
from hoodtrace.dwelling.state import Placement, State


@dataclass(frozen=True, slots=True)
class Change:
    """Part by which a flow changed, its 95 % half-width (both relative to the earlier flow), and whether it is real."""

    rel: float
    expanded_rel: float

    @property
    def is_real(self) -> bool:
        """Whether the change is larger than its own interval."""
        return abs(self.rel) > self.expanded_rel


def moved(state: State, placement: Placement) -> Change | None:
    """Return how far a reference reading is from the earlier one of its terminal; None where there is none to compare.

    Parameters
    ----------
    state : State
    placement : Placement
        Of stage "reference" (compared with the old visit), "check" or "last" (with this visit's earlier reading).
    """
    if placement.stage == "reference":
        follow_up = (state.begun or {}).get("follow_up") or {}
        old = [one for one in follow_up.get("references", []) if one.get("terminal") == placement.terminal]
        return change(old[0], placement.entry, bool(follow_up.get("same_hood"))) if old else None
    if placement.stage not in ("check", "last"):
        return None
    earlier = [
        p
        for p in state.placements
        if p.terminal == placement.terminal
        and p.setting == placement.setting
        and p.line < placement.line
        and p.epoch[1] == placement.epoch[1]
    ]
    return change(earlier[-1].entry, placement.entry, same_hood=True) if earlier else None


def change(old: Mapping[str, Any], new: Mapping[str, Any], same_hood: bool) -> Change:
    """Return the change from the reading `old` to `new`; each has flow_m3h, u_flow_m3h, dof and maybe terms.

    Examples
    --------
    >>> both = {"terms": [["k-factor", 0.9, None, "hood"], ["air", 0.3, 20.0, "reading"]], "u_flow_m3h": 0.95}
    >>> found = change({"flow_m3h": 40.0, **both}, {"flow_m3h": 42.0, **both}, same_hood=True)
    >>> found.rel, found.is_real
    (0.05, True)
    >>> change({"flow_m3h": 40.0, **both}, {"flow_m3h": 42.0, **both}, same_hood=False).is_real
    False
    """
    parts = [_own(reading, same_hood) for reading in (old, new)]
    variance = math.fsum(u**2 for u, _ in parts)
    loose = math.fsum(u**4 / dof for u, dof in parts if dof < math.inf and u > 0.0)
    dof = variance**2 / loose if loose > 0.0 else math.inf
    before = float(old["flow_m3h"])
    expanded = coverage_factor(dof) * math.sqrt(variance)
    return Change((float(new["flow_m3h"]) - before) / before, expanded / before)


def _own(reading: Mapping[str, Any], same_hood: bool) -> tuple[float, float]:
    """Return the standard uncertainty of a reading without what cancels, and its degrees of freedom."""
    terms = reading.get("terms")
    if not same_hood or not terms:
        dof = reading.get("dof")
        return float(reading["u_flow_m3h"]), math.inf if dof is None else float(dof)
    own = [(float(u), math.inf if dof is None else float(dof)) for _, u, dof, scope in terms if scope != "hood"]
    variance = math.fsum(u**2 for u, _ in own)
    loose = math.fsum(u**4 / dof for u, dof in own if dof < math.inf)
    return math.sqrt(variance), variance**2 / loose if loose > 0.0 else math.inf
