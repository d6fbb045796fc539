"""From a visit to what is to be shown: the sentence of what to do next, the rows of terminals, the cautions.

Every word is a key; numbers are those of the journal. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from hoodtrace.dwelling.moved import moved
from hoodtrace.dwelling.prepare import REACH_M
from hoodtrace.dwelling.questions import CAUTIONS, FLUE, flue_not_excluded
from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.screen import Live, Mode, Row, Say, Screen, Value
from hoodtrace.dwelling.steps import Step, upcoming

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Terminal
    from hoodtrace.dwelling.visit import Visit

_HOLD = ("seated", "settling", "steady", "gust", "turning")


def screen(visit: Visit, live: Live, why_again: str = "", cues: tuple[tuple[int, str], ...] = ()) -> Screen:
    """Return what to show: `live` is what the hood sees, `why_again` why the last hold was not taken."""
    step, state = visit.step(), visit.state
    rows = tuple(_row(visit, terminal, step) for terminal in state.terminals(visit.plan))
    by_id = {row.id: row for row in rows}
    mode: Mode = "terminal"
    if step.kind in ("question", "finish"):
        leaving = step.kind == "finish" or (step.question is not None and _is_leaving(step.question.id))
        mode = "leaving" if leaving else "question"
    elif step.kind in ("finished", "stopped"):
        mode = step.kind
    elif state.target is not None and state.target.terminal == step.terminal:
        mode = "turn"
    target, stop = state.target, _stop(visit)
    return Screen(
        version=state.n_decisions,
        mode=mode,
        sentence=_sentence(visit, step, live, why_again),
        live=live,
        cautions=_cautions(visit, step),
        question=step.question,
        terminal=by_id.get(_terminal_of(step)),
        following=by_id.get(upcoming(visit.plan, state)),
        rows=rows,
        setting=state.setting if len(visit.plan.settings) > 1 else "",
        target_m3h=(target.target_m3h, target.low_m3h, target.high_m3h) if target is not None and not stop else None,
        last=_last(visit),
        cues=cues,
        n_done=sum(row.flow_m3h is not None for row in rows),
        n_all=sum(row.state != "left out" for row in rows),
    )


def _is_leaving(question: str) -> bool:
    return question.startswith("valve:") or question.endswith("_back")


def _terminal_of(step: Step) -> str:
    if step.question is not None and ":" in step.question.id:
        return step.question.id.split(":", 1)[1]
    return step.terminal


def _stop(visit: Visit) -> str:
    """Return the stop that a valve is turned to, empty where it is turned to a flow or not at all."""
    return visit.state.target.until if visit.state.target is not None else ""


def _sentence(visit: Visit, step: Step, live: Live, why_again: str) -> Say:
    """Return the one thing to do next: with the hood on, that of the hold, whatever comes after it."""
    of_hold = next((t for t in visit.state.terminals(visit.plan) if t.id == live.terminal), None)
    if of_hold is not None and live.state in (*_HOLD, "done") and not live.turn and step.kind != "stopped":
        values: dict[str, Value] = {"terminal": of_hold.id, "room": of_hold.room, "direction": of_hold.direction}
        return _held(live, _stop(visit) if step.terminal == of_hold.id else "", values)
    if step.kind == "question" and step.question is not None:
        name, _, what = step.question.id.partition(":")
        values = {"what": what}
        if name == "set":
            return Say("question.set", values)
        if what:
            values["room"] = next((t.room for t in visit.state.terminals(visit.plan) if t.id == what), "")
        if name == "doubt" and visit.state.doubt is not None:
            reading = visit.state.doubt["reading"]
            values |= {"terminal": reading["terminal"], "direction": reading["direction"]}
        return Say(f"question.{name}", values)
    if step.kind != "measure":
        return Say(f"do.{step.kind}")
    terminal = visit.terminal(step.terminal)
    values = {
        "terminal": terminal.id,
        "room": terminal.room,
        "direction": terminal.direction,
        "placement": step.placement,
        "n_placements": step.n_placements,
    }
    if terminal.cover in ("parts", "traverse"):
        return Say(f"do.{terminal.cover}", values)
    stop = _stop(visit)
    if live.state == "by hand" and stop:
        return Say(f"do.by_hand_{stop}", values)
    if live.state == "by hand" and visit.state.target is not None:
        return Say("do.by_hand_turn", values | {"target_m3h": visit.state.target.target_m3h})
    if live.state == "by hand":
        return Say("do.by_hand", values)
    if live.state == "no board":
        return Say("do.no_board", values)
    if visit.state.target is not None and live.turn:
        return Say(f"turn.{live.turn.replace(' ', '_')}", values | {"target_m3h": visit.state.target.target_m3h})
    if live.state in (*_HOLD, "done"):
        return _held(live, stop, values)
    if live.state == "again":
        return Say("do.again", values | {"why": why_again})
    if stop:
        return Say(f"do.go_{stop}", values)
    if visit.state.target is not None:
        return Say("do.go_turn", values | {"target_m3h": visit.state.target.target_m3h})
    if step.stage != "round":
        return Say(f"do.go_{step.stage}", values)
    return Say("do.go_again" if step.placement > 1 else "do.go", values)


def _held(live: Live, stop: str, values: Mapping[str, Value]) -> Say:
    """Return the sentence with the hood on; `stop` is the one that its valve is to be at."""
    if live.state == "done":
        return Say("do.lift", values)
    return Say(f"do.hold_{stop}", values) if stop else Say("do.hold", values)


def _cautions(visit: Visit, step: Step) -> tuple[Say, ...]:
    """Return the cautions that matter at this step."""
    if step.kind == "stopped":
        return (Say("caution.flue_stop"),)
    if step.question is not None:
        return tuple(Say(f"caution.{name}") for name in CAUTIONS.get(step.question.id, ()))
    if step.kind != "measure":
        return ()
    out = []
    terminal = visit.terminal(step.terminal)
    if terminal.height_m is not None and terminal.height_m > REACH_M:
        out.append(Say("caution.ladder_second", {"height_m": terminal.height_m}))
    if flue_not_excluded(visit.plan, visit.state):
        named = FLUE[0] if visit.state.target is not None else FLUE[-2]
        out.append(Say(f"caution.{named}"))
    return tuple(out)


def _row(visit: Visit, terminal: Terminal, step: Step) -> Row:
    state = visit.state
    here = state.at(terminal.id, state.setting, "round") or state.at(terminal.id, state.setting)
    found = result(here) if here else None
    why = state.why_left_out(terminal)
    if step.kind == "measure" and step.terminal == terminal.id:
        how = "now"
    elif found is not None:
        how = "read"
    elif why or terminal.cover == "none":
        how = "left out"
    else:
        how = "skipped" if (terminal.id, state.setting) in state.skipped else "open"
    return Row(
        terminal.id,
        terminal.room,
        terminal.direction,
        terminal.design(state.setting),
        how,
        found.flow_m3h if found else None,
        found.expanded_m3h if found else None,
        len(here),
        str(here[-1].entry.get("by")) if here else "",
        why,
        found.flags if found is not None else (),
    )


def _last(visit: Visit) -> Say | None:
    """Return the sentence that confirms the newest decision, where it is worth one."""
    entry = visit.state.trailing or {}
    kind = entry.get("kind")
    if kind == "reading":
        found = result(visit.state.at(entry["terminal"], str(entry["setting"])))
        values: dict[str, Value] = {
            "terminal": entry["terminal"],
            "flow_m3h": float(entry["flow_m3h"]),
            "result_m3h": found.flow_m3h,
            "expanded_m3h": found.expanded_m3h,
            "n": found.n,
        }
        change = moved(visit.state, visit.state.given[-1])
        if change is not None:
            return Say("last.moved" if change.is_real else "last.same", values | {"by_rel": change.rel})
        return Say("last.pooled" if found.n > 1 else "last.reading", values)
    if visit.state.held:
        newest = list(visit.state.held.values())[-1]
        return Say("last.held", {"terminal": str(newest["terminal"])})
    if kind in ("skip", "withdrawn", "left out", "event", "fan"):
        return Say(f"last.{kind.replace(' ', '_')}", {"terminal": str(entry.get("terminal", ""))})
    return None
