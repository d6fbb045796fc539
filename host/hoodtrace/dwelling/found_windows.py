"""The windows of one trace as they were found, and whose they are: what the visit gave to terminals, by hold and time.

A trace that can't be read still has the windows that the journal gave to terminals, with the numbers it kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.averaging.session import Outcome
from hoodtrace.averaging.table import Row, reading_row, refused_row
from hoodtrace.dwelling.state import Placement, State
from hoodtrace.dwelling.window import Window, budget_fields, found

NEAR_S = 2.0
"""A reading of the journal and a window that was found are the same if they lie so near to each other."""


@dataclass(frozen=True, slots=True)
class Found:
    """The windows of a trace by id, and the ids of those whose reading was taken back in the visit."""

    windows: dict[str, Window]
    taken_back: frozenset[str]


def reading_of(kept: KeptTrace, outcome: Outcome) -> Row:
    """Return the row of an outcome as `hoodtrace readings` has it, a reading's budget with it."""
    if outcome.averaged.refusal is not None:
        return refused_row(outcome, kept.timeline)
    return {**reading_row(outcome, kept.timeline), **budget_fields(outcome, kept.hood)}


def found_windows(kept: KeptTrace, trace: str, state: State) -> Found:
    """Return the windows that were found in a trace, each with the terminal that the visit gave its reading to."""
    windows = [found(trace, outcome, reading_of(kept, outcome)) for outcome in kept.outcomes]
    given = [p for p in state.given if p.entry.get("trace") == trace]
    back = [p for p in state.withdrawn if p.entry.get("trace") == trace]
    for placement in given:
        at = _match(windows, placement)
        if at is not None:
            windows[at] = _given(windows[at], placement)
    matched = [_match(windows, placement) for placement in back]
    taken = {windows[at].id for at in matched if at is not None and windows[at].line is None}
    return Found({window.id: window for window in windows}, frozenset(taken))


def windows_without_trace(trace: str, state: State) -> Found:
    """Return the windows that the journal knows of a trace that can't be read."""
    windows = [_of_journal(trace, p) for p in state.given if p.entry.get("trace") == trace]
    return Found({window.id: window for window in windows}, frozenset())


def _match(windows: Sequence[Window], placement: Placement) -> int | None:
    """Return which window a reading of the journal was made from."""
    entry = placement.entry
    near = [i for i, w in enumerate(windows) if _overlap_s(w, entry.get("start_s"), entry.get("end_s")) > -NEAR_S]
    named = [i for i in near if (windows[i].hold, windows[i].plateau) == (entry.get("hold"), entry.get("plateau"))]
    overlaps = sorted(near, key=lambda i: _overlap_s(windows[i], entry.get("start_s"), entry.get("end_s")))
    return named[0] if named else overlaps[-1] if overlaps else None


def _overlap_s(window: Window, start_s: object, end_s: object) -> float:
    if not isinstance(start_s, int | float) or not isinstance(end_s, int | float):
        return -NEAR_S
    return min(float(window.reading["end_s"]), end_s) - max(float(window.reading["start_s"]), start_s)


def _given(window: Window, placement: Placement) -> Window:
    return replace(
        window,
        terminal=placement.terminal,
        setting=placement.setting,
        line=placement.line,
        epoch=placement.epoch,
    )


def _of_journal(trace: str, placement: Placement) -> Window:
    entry = placement.entry
    names = ("hold_start_s", "hold_end_s", "start_s", "end_s")
    start, stop, first, last = (round(float(entry.get(name) or 0.0) * 1e6) for name in names)
    hold, plateau = int(entry.get("hold") or 0), int(entry.get("plateau") or 1)
    return _given(Window(trace, hold, plateau, 0, start, stop, first, last, (), dict(entry)), placement)
