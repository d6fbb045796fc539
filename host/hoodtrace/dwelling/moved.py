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

    What a hood's term is worth relative to the flow cancels as far as both readings have it: one by the vane and one by
    the taps share nothing of k or c. Readings of other meters are taken to share nothing.

    Examples
    --------
    >>> both = {"terms": [["k-factor", 0.9, None, "hood"], ["air", 0.3, 20.0, "reading"]], "u_flow_m3h": 0.95}
    >>> old, new = {"flow_m3h": 40.0, "by": "hood", **both}, {"flow_m3h": 42.0, "by": "hood", **both}
    >>> found = change(old, new, same_hood=True)
    >>> round(found.rel, 12), found.is_real
    (0.05, True)
    >>> change(old, new, same_hood=False).is_real
    False
    """
    parts = [_relative_terms(reading) for reading in (old, new)]
    cancels = same_hood and all(reading.get("by") == "hood" for reading in (old, new))
    variances: list[tuple[float, float]] = []
    shared: dict[str, float] = {}
    for sign, terms in zip((-1.0, 1.0), parts, strict=True):
        for name, u_rel, dof, scope in terms:
            if cancels and scope == "hood":
                shared[name] = shared.get(name, 0.0) + sign * u_rel
            else:
                variances.append((u_rel**2, dof))
    variances += [(u_rel**2, math.inf) for u_rel in shared.values()]
    variance = math.fsum(v for v, _ in variances)
    loose = math.fsum(v**2 / dof for v, dof in variances if dof < math.inf)
    dof = variance**2 / loose if loose > 0.0 else math.inf
    ratio = float(new["flow_m3h"]) / float(old["flow_m3h"])
    # What the relative errors leave is of the ratio's logarithm: of the ratio it is that times the ratio.
    return Change(ratio - 1.0, ratio * coverage_factor(dof) * math.sqrt(variance))


def _relative_terms(reading: Mapping[str, Any]) -> list[tuple[str, float, float, str]]:
    """Return name, standard uncertainty over the flow, degrees of freedom and scope of a reading's terms."""
    flow = float(reading["flow_m3h"])
    terms = reading.get("terms") or [["meter", reading["u_flow_m3h"], reading.get("dof"), "visit"]]
    return [(str(n), float(u) / flow, math.inf if d is None else float(d), str(s)) for n, u, d, s in terms]
