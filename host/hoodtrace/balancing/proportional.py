"""The textbook's proportional procedure, for people who must follow it: index terminal, ratios, order.

All valves open; read all; the terminal with the lowest flow over design is the index and stays open; the others are
throttled, next-lowest first, each to the ratio that the index has at that moment, and the index is read again after
each; then the fan is set so that the ratio is 1; then all are read for the record. Who is outside the tolerance then
is set again in the same way. With valves only at the terminals there is nothing to set branches against each other.
Takes the same records as the adviser; the hood's back pressure is not corrected, as the textbook does not.

References: proportional balancing as in CIBSE Commissioning Code A (from memory; that the procedure exists and is
published was seen).
"""

from __future__ import annotations

from collections.abc import Generator

from hoodtrace.balancing.case import FlowRead, Side, checked
from hoodtrace.balancing.step import Step

FAN_ENOUGH_REL = 0.005
LIMITS_REL = 0.03
"""How far from its target a turned valve may be left."""
MOST_PASSES = 10

Asking = Generator[Step, FlowRead, Step]


def next_step(side: Side) -> Step:
    """Return what the textbook does next after all readings so far.

    A reading that was not asked for counts as the newest of its terminal and changes nothing else.

    Raises
    ------
    UsageError
        The side cannot be balanced, see `case.checked`.
    """
    asking = _procedure(checked(side))
    try:
        step = next(asking)
        for reading in side.readings:
            step = _past_fans(asking, step, reading.fan_ratio, reading)
            if step.terminal == reading.terminal and (step.do == "measure") != reading.after_turn:
                step = asking.send(reading)
        if side.readings:
            step = _past_fans(asking, step, side.fan_ratio, side.readings[-1])
    except StopIteration as end:
        step = end.value
    return step


def _past_fans(asking: Asking, step: Step, ratio_now: float, reading: FlowRead) -> Step:
    if step.do == "fan" and step.ratio is not None and abs(ratio_now / step.ratio - 1.0) <= FAN_ENOUGH_REL:
        return asking.send(reading)
    return step


def _procedure(side: Side) -> Asking:
    """Ask for one thing after the other; what is sent in is the reading that was asked for."""
    design = {terminal.id: terminal.design_m3h for terminal in side.terminals}
    ratio: dict[str, float] = {}
    fan = side.readings[0].fan_ratio if side.readings else side.fan_ratio

    def read(name: str, why: str) -> Asking:
        got = yield Step("measure", why, name)
        ratio[name] = got.flow_m3h / design[name]
        return Step("done", why)

    if side.valves != "open":
        for name in design:
            yield Step("turn", "open all", name, until="open")
    for name in design:
        yield from read(name, "read all")
    index = min(ratio, key=ratio.__getitem__)
    wrong = sorted((name for name in design if name != index), key=ratio.__getitem__)
    for n_pass in range(MOST_PASSES):
        for name in wrong:
            target = ratio[index] * design[name]
            values: dict[str, float | str] = {"index": index, "ratio": ratio[index]}
            low, high = target * (1.0 - LIMITS_REL), target * (1.0 + LIMITS_REL)
            got = yield Step("turn", "to the index's ratio", name, target, low, high, values=values)
            ratio[name] = got.flow_m3h / design[name]
            yield from read(index, "index again")
        if side.fan != "none":
            level = ratio[index] if n_pass == 0 else sum(ratio.values()) / len(ratio)
            fan = fan / level
            if abs(level - 1.0) > FAN_ENOUGH_REL:
                yield Step("fan", "ratio to one", ratio=fan, values={"index": index, "ratio": level})
                ratio = {name: one / level for name, one in ratio.items()}
        if n_pass == 0:
            for name in design:
                yield from read(name, "for the record")
        mean = sum(ratio.values()) / len(ratio)
        wrong = sorted((name for name in design if abs(ratio[name] / mean - 1.0) > side.tolerance_rel), key=ratio.get)  # type: ignore[arg-type]
        if not wrong:
            if side.fan != "none" and abs(mean - 1.0) > 0.02:
                yield Step("fan", "ratio to one", ratio=fan / mean, values={"index": index, "ratio": mean})
            return Step("done", "all within as read")
        if index in wrong:
            wrong.remove(index)
            wrong = wrong or sorted((name for name in design if name != index), key=ratio.get)  # type: ignore[arg-type]
    return Step("done", "no end", values={"passes": float(MOST_PASSES)})
