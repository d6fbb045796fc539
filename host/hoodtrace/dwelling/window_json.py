"""Windows and the axis as plain objects for pages and programs: numbers of the readings, times in seconds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from hoodtrace.averaging.session import Cut
from hoodtrace.dwelling.axis import Axis
from hoodtrace.dwelling.plan import Rule, Terminal
from hoodtrace.dwelling.verdict import verdict_on
from hoodtrace.dwelling.window import Window, stem

Fields = dict[str, Any]


def window_fields(
    window: Window,
    automatic: Window | None,
    terminals: Mapping[str, Terminal],
    rule: Rule,
    seconds: Callable[[Window, int], float],
    taken_back: bool = False,
) -> Fields:
    """Return a window as an object; with the automatic one beside it where a person chose.

    Parameters
    ----------
    window, automatic : Window
    terminals : mapping of str to Terminal
    rule : Rule
        The plan's.
    seconds : callable
        Gives the seconds of the trace for a window and a time of it [us].
    taken_back : bool
        Its reading was taken back in the visit.
    """
    by_person = window.by == "person"
    fields = {
        "id": window.id,
        "trace": stem(window.trace),
        "hold": window.hold,
        "plateau": window.plateau,
        **_chosen(window, terminals, rule, seconds, taken_back),
        "given": window.counts,
        "by": window.by,
        "notes": list(window.notes),
        "automatic": None,
    }
    if by_person and automatic is not None:
        fields["automatic"] = _chosen(automatic, terminals, rule, seconds, taken_back)
    return fields


def _chosen(
    window: Window,
    terminals: Mapping[str, Terminal],
    rule: Rule,
    seconds: Callable[[Window, int], float],
    taken_back: bool,
) -> Fields:
    """Return what is chosen, and what comes of it."""
    reading, terminal = window.reading, terminals.get(str(window.terminal))
    flow, u, dof = (reading.get(key) for key in ("flow_m3h", "u_flow_m3h", "dof"))
    judged = None
    if terminal is not None and window.counts and flow is not None and u is not None:
        judged = verdict_on(terminal, window.setting, rule, flow, u, dof, reading.get("flags", ()))
    state = "reading" if window.is_reading else "refused"
    if window.rejected:
        state = "rejected"
    elif taken_back and window.terminal is None:
        state = "taken back"
    return {
        "hold_start_s": round(seconds(window, window.hold_start_us), 6),
        "hold_end_s": round(seconds(window, window.hold_stop_us), 6),
        "start_s": round(seconds(window, window.start_us), 6),
        "end_s": round(seconds(window, window.stop_us), 6),
        "used_s": reading.get("used_s"),
        "cuts": [_cut(window, cut, seconds) for cut in window.cuts],
        "terminal": window.terminal,
        "setting": window.setting,
        "state": state,
        "direction": reading.get("direction", "unknown"),
        "flow_m3h": flow,
        "u_flow_m3h": u,
        "dof": dof,
        "expanded_m3h": reading.get("expanded_m3h"),
        "estimate_m3h": reading.get("estimate_m3h"),
        "flags": list(reading.get("flags", ())),
        "why": window.rejected or str(reading.get("why", "")),
        "verdict": judged,
    }


def _cut(window: Window, cut: Cut, seconds: Callable[[Window, int], float]) -> Fields:
    # To the microsecond: taken back by these numbers, nothing of it must stay.
    ends = round(seconds(window, cut.start_us), 6), round(seconds(window, cut.stop_us), 6)
    return {"start_s": ends[0], "end_s": ends[1], "why": cut.why}


def axis_fields(axis: Axis) -> Fields:
    """Return the axis as an object."""
    return {
        "start": 0.0,
        "stop": axis.stop,
        "pieces": [
            {
                "x0": piece.x0,
                "x1": piece.x1,
                "shift_s": piece.shift_s,
                "trace": stem(piece.trace),
                "boot": piece.boot,
                "utc_s": piece.utc_s,
            }
            for piece in axis.pieces
        ],
        "breaks": [{"x0": each.x0, "x1": each.x1, "seconds": each.seconds} for each in axis.breaks],
    }


def terminal_fields(terminals: Sequence[Terminal], setting: str) -> list[Fields]:
    """Return the terminals as objects, in walking order."""
    return [{"id": t.id, "room": t.room, "direction": t.direction, "design_m3h": t.design(setting)} for t in terminals]
