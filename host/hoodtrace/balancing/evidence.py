"""What the readings say beside the flows: valves that do nothing, stops, wild readings, drift, scatter, a weak fan.

Keys and values only. A slow drift of the meter or a wrong hood resistance hardly shows in residuals: reading zero
before climbs and a reference terminal again is what finds them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from hoodtrace.balancing.case import Side
from hoodtrace.balancing.fit import Fitted, Posed
from hoodtrace.balancing.network import log_flows
from hoodtrace.balancing.picture import Picture

EvidenceKind = Literal["stuck valve", "at its stop", "contradicts", "drift", "scatter", "unreachable"]

STUCK_PART = 0.25
"""A valve that did less than this part of what was asked did nothing."""
CLEAR = 3.0
"""In standard uncertainties: what is not chance."""
WILD = 3.5
LEAVES = 0.15
"""Other readings must leave at least this part of a reading's variance open to contradict it."""
FEWEST = 8
"""Readings in the same positions for a word on drift or scatter."""
SCATTER = 1.6


@dataclass(frozen=True, slots=True)
class Evidence:
    """One finding; `values` are what its sentence needs: flows [m3/h], ratios, standard uncertainties."""

    kind: EvidenceKind
    terminal: str = ""
    values: Mapping[str, float | str] = field(default_factory=dict)


def gathered(side: Side, case: Posed, fit: Fitted, seen: Picture) -> tuple[Evidence, ...]:
    """Return what was found, in the order of the kinds above."""
    found = [*_valves(side), *_wild(side, case, fit), *_in_time(side, case, fit)]
    if seen.log_level < 0.0:
        level = math.exp(seen.log_level)
        index = side.terminals[int(seen.plan.index[0])]
        needed = side.fan_ratio * float(seen.plan.fan[0]) / math.exp(seen.log_fan) / level
        values = {"level": level, "ratio_needed": needed, "ratio_most": side.fan_ratio * _most(side)}
        found.append(Evidence("unreachable", index.id, values))
    return tuple(found)


def _most(side: Side) -> float:
    return 1.0 if side.fan == "none" else side.fan_most / side.fan_ratio


def _valves(side: Side) -> list[Evidence]:
    found: dict[str, Evidence] = {}
    for k, after in enumerate(side.readings):
        before = side.readings[k - 1] if k else after
        if not after.after_turn:
            continue
        found.pop(after.terminal, None)
        alike = (before.fan_ratio, before.epoch, before.hood_times) == (after.fan_ratio, after.epoch, after.hood_times)
        if before.terminal != after.terminal or not alike or k == 0:
            continue
        u = math.hypot(before.u_own_rel, after.u_own_rel)
        did = math.log(after.flow_m3h / before.flow_m3h)
        values: dict[str, float | str] = {"before_m3h": before.flow_m3h, "after_m3h": after.flow_m3h, "u_rel": u}
        if after.target_m3h is not None:
            values["target_m3h"] = after.target_m3h
            asked = math.log(after.target_m3h / before.flow_m3h)
            missed = abs(asked - did) > CLEAR * u
            if missed and did / asked < STUCK_PART and (not after.at_stop or asked < 0.0):
                found[after.terminal] = Evidence("stuck valve", after.terminal, values)
            elif missed and after.at_stop:
                found[after.terminal] = Evidence("at its stop", after.terminal, values | {"stop": after.at_stop})
        elif after.at_stop == "shut" and did > -CLEAR * u:
            found[after.terminal] = Evidence("stuck valve", after.terminal, values | {"stop": after.at_stop})
    return list(found.values())


def _wild(side: Side, case: Posed, fit: Fitted) -> list[Evidence]:
    """Return readings that all the others together contradict."""
    if not side.readings:
        return []
    _, slope = log_flows(fit.theta, case.layout, case.at)
    var = case.u_read**2 + fit.u_model**2
    leverage = np.einsum("ij,jk,ik->i", slope, fit.cov, slope) * fit.weight / var
    found = []
    for k, reading in enumerate(side.readings):
        open_part = 1.0 - min(1.0, float(leverage[k]))
        if open_part > LEAVES and abs(fit.z[k]) / math.sqrt(open_part) > WILD:
            expected = reading.flow_m3h * math.exp(-fit.z[k] * math.sqrt(var[k]) / open_part)
            values = {"number": float(k + 1), "read_m3h": reading.flow_m3h, "expected_m3h": expected}
            again = any(later.terminal == reading.terminal for later in side.readings[k + 1 :])
            found.append(Evidence("contradicts", reading.terminal, values | {"read_again": float(again)}))
    return found


def _in_time(side: Side, case: Posed, fit: Fitted) -> list[Evidence]:
    """Return whether readings drift or scatter, from those whose terminal was read before in the same position."""
    keys = [(int(terminal), int(at[terminal])) for terminal, at in zip(case.at.terminal, case.at.position, strict=True)]
    repeated = np.array([keys.count(key) > 1 for key in keys], dtype=bool)
    n = int(repeated.sum())
    if n < FEWEST:
        return []
    found = []
    order, z = np.flatnonzero(repeated).astype(float), fit.z[repeated]
    order -= order.mean()
    trend = float(order @ z) / math.sqrt(float(order @ order))
    if abs(trend) > CLEAR:
        each = float(order @ z) / float(order @ order) * float(np.median(np.hypot(case.u_read, fit.u_model)))
        found.append(Evidence("drift", "", {"each_reading_rel": each, "n": float(n), "t": trend}))
    # Student weights keep wild ones from deciding; free positions take up about one reading each.
    free = max(1, n - len({key for key, one in zip(keys, repeated, strict=True) if one}))
    scatter = math.sqrt(float((np.minimum(abs(z), WILD) ** 2).sum()) / free)
    if scatter > SCATTER:
        found.append(Evidence("scatter", "", {"times": scatter, "n": float(n)}))
    return found
