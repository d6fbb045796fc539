"""The decisions of a visit, by their ``do``: each checks what it was given against where the visit stands.

Each returns the fields of the line that it becomes; nothing is written here.

Raises (each of them)
---------------------
NotNow
    It does not fit where the visit stands.
UsageError
    It names what is not there, or a number or text is out of bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.decided import MOST_M3H, Fields, NotNow, number, words
from hoodtrace.dwelling.plan import terminal_of
from hoodtrace.dwelling.questions import LOCKED, before
from hoodtrace.dwelling.screen import Question, Say
from hoodtrace.dwelling.state import STOPS, WEATHER
from hoodtrace.dwelling.targets import allowed_m3h
from hoodtrace.errors import UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.visit import Visit

ENTERED_REL, ENTERED_LEAST_M3H = 0.05, 1.0
"""Standard uncertainty of a reading entered without one: a part of the flow, and at least so much."""
HOOD_METER = "hood"


def _begin(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    if visit.begun:
        raise NotNow(Say("refused.begun"), f"{visit.folder}: the visit has begun already")
    if not visit.plan.terminals:
        raise UsageError(f"{visit.folder}: the plan has no terminal: put them in before the visit begins")
    kept = {key: decision[key] for key in ("software", "follow_up", "copied_from") if decision.get(key)}
    return {"kind": "begun", "what": "visit", **kept}


def _answer(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    step = visit.step()
    question = step.question
    if question is None or question.id != decision.get("question"):
        raise NotNow(Say("refused.answered"), f"{decision.get('question')!r} is not what is asked now")
    value = _answered(question, decision.get("value"))
    if question.id == "doubt":
        return _settled(visit, str(value))
    return {"kind": "answer", "question": question.id, "value": value}


def _answered(question: Question, value: Any) -> Any:
    """Return an answer as the journal keeps it.

    Raises
    ------
    UsageError
        It is none to this question.
    """
    text = f"{question.id}: {value!r}"
    if value is None and question.may_skip:
        pass
    elif question.kind == "choice":
        if value not in question.options:
            raise UsageError(f"{text} is none of {', '.join(question.options)}")
    elif question.kind == "number":
        value = number(value, question.id, question.least, question.most)
    elif question.kind == "text":
        value = words(value, question.id)
    elif question.kind == "valve":
        if not isinstance(value, Mapping) or value.get("locked") not in question.options:
            raise UsageError(f"{text}: give a position, and one of {', '.join(question.options)}")
        value = {"position": words(value.get("position"), question.id), "locked": value["locked"]}
    else:
        value = "read"
    return value


def _correct(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """Another answer to a question of the beginning: an open flue that shows up later, above all."""
    for question in before(visit.plan, visit.state):
        if question.id == decision.get("question") and question.id in visit.state.answers:
            value = _answered(question, decision.get("value"))
            return {"kind": "answer", "question": question.id, "value": value, "corrected": True}
    raise UsageError(f"{decision.get('question')!r} was not asked, so its answer can't be corrected")


def _settled(visit: Visit, value: str) -> Fields:
    """Return the line that ends a doubt: the reading that was waiting, or that it is taken back."""
    waiting = dict(visit.state.doubt or {})
    if value == "again":
        return {"kind": "withdrawn", "line": None, "why": str(waiting.get("why", ""))}
    reading = dict(waiting["reading"])
    return {"kind": "reading", **reading, "kept_though": waiting.get("why", "")}


def _reading(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A reading of the hood: of the hold with the `key`, which has its terminal; else of the one measured now."""
    fields, key = dict(decision["reading"]), decision.get("key")
    if key is not None:
        held = visit.state.held.get(str(key))
        if held is None:
            raise NotNow(Say("refused.taken"), f"the hold {key} was given up, or has its reading")
        fields |= {name: held[name] for name in ("key", "terminal", "setting", "stage", "epoch", "ended")}
        fields["after_turn"] = held.get("target") is not None
        if held.get("target") is not None and not held.get("until"):
            fields["aimed_m3h"] = held["target"][0]
        if held.get("until"):
            fields["at_stop"] = held["until"]
    else:
        step = visit.step(past_doubt=True)
        if step.kind != "measure" or step.terminal != fields.get("terminal"):
            raise NotNow(Say("refused.other_terminal"), f"{fields.get('terminal')}: is not measured now")
        fields |= {"stage": step.stage, "setting": visit.state.setting}
    place = fields.get("trace"), fields.get("hold")
    if any((p.entry.get("trace"), p.entry.get("hold")) == place for p in visit.state.given):
        raise NotNow(Say("refused.taken"), f"hold {place[1]} of {place[0]} was given to a terminal already")
    fields = {**fields, "by": "hood", **visit.state.weather_now()}
    if decision.get("doubt"):
        return {"kind": "doubt", "why": str(decision["doubt"]), "reading": fields}
    return {"kind": "reading", **fields}


def _hold_held(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A hold is enough: from here on its reading belongs to this terminal, whatever is decided meanwhile."""
    terminal = visit.terminal(decision.get("terminal")).id
    kept = ("key", "setting", "stage", "target", "trace", "boot", "start_us", "ended")
    more = {name: decision[name] for name in ("until", "from_us", "ended_us") if decision.get(name)}
    return {"kind": "held", "terminal": terminal, **{name: decision[name] for name in kept}, **more}


def _hold_lost(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A hold that was called enough gives no reading after all, or was taken back."""
    if str(decision.get("key")) not in visit.state.held:
        raise NotNow(Say("refused.taken"), f"the hold {decision.get('key')} was given up, or has its reading")
    return {"kind": "held lost", "key": str(decision["key"]), "why": str(decision.get("why", ""))}


def _enter(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A reading taken with any meter."""
    terminal = visit.terminal(decision.get("terminal")).id
    read = decision.get("flow_m3h")
    if isinstance(read, int | float) and read <= 0.0:
        raise UsageError(
            f"flow {read:g} m3/h: that is no flow to go on with. If the air goes the wrong way, look at the ducts; if "
            "the valve is shut, open it and read again, or leave the terminal out"
        )
    flow = number(read, "flow", 1e-3, MOST_M3H, "m3/h")
    given = decision.get("u_m3h")
    u = max(ENTERED_REL * flow, ENTERED_LEAST_M3H) if given is None else number(given, "u", 1e-6, MOST_M3H, "m3/h")
    setting = visit.state.setting if decision.get("setting") is None else str(decision["setting"])
    if setting not in visit.plan.settings:
        raise UsageError(f"setting {setting!r} is not in the plan: it has {', '.join(visit.plan.settings)}")
    if decision.get("at_stop") not in (None, *STOPS):
        raise UsageError(f"--at-stop {decision.get('at_stop')!r}: give open or shut")
    step = visit.step()
    fields: Fields = {
        "kind": "reading",
        "terminal": terminal,
        "setting": setting,
        "stage": step.stage if step.kind == "measure" and step.terminal == terminal else "round",
        "by": str(decision.get("by") or "hand"),
        "direction": visit.terminal(terminal).direction,
        "flow_m3h": flow,
        "u_flow_m3h": u,
        "dof": decision.get("dof"),
        "u_stated": given is not None,
        "after_turn": bool(decision.get("after_turn")),
        "at_stop": decision.get("at_stop"),
        "hood_on": not decision.get("hood_off"),
        **visit.state.weather_now(),
    }
    if decision.get("meter") is not None:
        fields["meter"] = words(decision["meter"], "the meter")
        if fields["meter"] == HOOD_METER:
            raise UsageError("the meter can't be called hood: that is for readings that come from a trace")
    if decision.get("instead"):
        here = visit.state.at(terminal, setting)
        if not here:
            raise UsageError(f"{terminal}: has no reading that could be taken back")
        fields["instead_of"] = here[-1].line
    if decision.get("aimed_m3h") is not None:
        fields["aimed_m3h"] = number(decision["aimed_m3h"], "aimed", 1e-3, MOST_M3H, "m3/h")
    for key in ("parts", "traverse", "terms", "u_random_m3h"):
        if decision.get(key) is not None:
            fields[key] = decision[key]
    return fields


def _repeat(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """Take the newest reading back: its terminal is measured again."""
    if not visit.state.given:
        raise NotNow(Say("refused.nothing_to_repeat"), "there is no reading to repeat")
    last = visit.state.given[-1]
    if decision.get("line") is not None and decision["line"] != last.line:
        raise NotNow(
            Say("refused.nothing_to_repeat"), "another reading has come since: choose the terminal on the page"
        )
    return {"kind": "withdrawn", "line": last.line, "terminal": last.terminal, "why": str(decision.get("why", ""))}


def _skip(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    step = visit.step()
    if step.kind != "measure":
        raise NotNow(Say("refused.nothing_to_skip"), "no terminal is measured now, so none can be skipped")
    return {"kind": "skip", "terminal": step.terminal}


def _leave_out(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    terminal = visit.terminal(decision.get("terminal")).id
    return {"kind": "left out", "terminal": terminal, "why": words(decision.get("why"), "the reason")}


def _go(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    terminal = visit.terminal(decision.get("terminal")).id
    return {"kind": "go", "terminal": terminal, "again": bool(visit.state.at(terminal, visit.state.setting))}


def _target(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    terminal = visit.terminal(decision.get("terminal")).id
    if decision.get("target_m3h") is None:
        return {"kind": "target", "terminal": terminal, "target_m3h": None}
    if decision.get("until") is not None:
        return _stop(visit, terminal, decision)
    target = number(decision["target_m3h"], "target", 0.1, MOST_M3H, "m3/h")
    part = visit.plan.rule.tolerance_rel / 2.0
    least, most = allowed_m3h(visit, terminal, target)
    low = number(decision.get("low_m3h", max(target * (1.0 - part), least)), "lowest", least, target, "m3/h")
    high = number(decision.get("high_m3h", min(target * (1.0 + part), most)), "highest", target, most, "m3/h")
    return {"kind": "target", "terminal": terminal, "target_m3h": target, "low_m3h": low, "high_m3h": high}


def _stop(visit: Visit, terminal: str, decision: Mapping[str, Any]) -> Fields:
    """Turn a valve to its stop: any flow will do there, and the house must allow the furthest that it can go."""
    until = decision["until"]
    if until not in STOPS:
        raise UsageError(f"until {until!r}: give open or shut")
    allowed_m3h(visit, terminal, MOST_M3H if until == "open" else 0.0)
    target = number(decision["target_m3h"], "target", 0.0, MOST_M3H, "m3/h")
    limits = {"low_m3h": 0.0, "high_m3h": MOST_M3H}
    return {"kind": "target", "terminal": terminal, "target_m3h": target, **limits, "until": until}


def _valve(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """How a valve stays, noted before the leaving questions ask."""
    terminal = visit.terminal(decision.get("terminal")).id
    locked = LOCKED[0] if decision.get("locked") else LOCKED[1]
    value = {"position": words(decision.get("position"), "the position"), "locked": locked}
    return {"kind": "answer", "question": f"valve:{terminal}", "value": value}


def _weather(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """How it is outside now, for the readings that follow."""
    fields: Fields = {"kind": "weather"}
    for question in before(visit.plan, visit.state):
        value = decision.get(question.id)
        if question.id not in WEATHER or value is None:
            continue
        if question.kind == "choice" and value not in question.options:
            raise UsageError(f"{question.id}: {value!r} is none of {', '.join(question.options)}")
        fields[question.id] = (
            value if question.kind == "choice" else number(value, question.id, question.least, question.most)
        )
    return fields


def _event(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    what = words(decision.get("what"), "what changed")
    system = decision.get("system")
    if system is not None:
        visit.plan.system(str(system))
    return {"kind": "event", "what": what, "system": system}


def _fan(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    system = visit.plan.system(str(decision.get("system")))
    side = decision.get("side")
    if side not in (None, "supply", "extract"):
        raise UsageError(f"side {side!r}: give supply or extract")
    if system.kind == "natural":
        raise UsageError(f"{system.name}: a natural system has no fan to set")
    ratio = number(decision.get("ratio"), "ratio", 1e-3, 100.0)
    return {"kind": "fan", "system": system.name, "side": side, "ratio": ratio}


def _fan_setting(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    setting = str(decision.get("setting"))
    if setting not in visit.plan.settings:
        raise UsageError(f"setting {setting!r} is not in the plan: it has {', '.join(visit.plan.settings)}")
    return {"kind": "setting", "setting": setting}


def _alarm(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    return {"kind": "alarm", "state": "go on" if decision.get("over") else "stop"}


def _finish(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    if visit.step().kind != "finish" and not decision.get("early"):
        raise NotNow(Say("refused.not_done"), "something is still open: answer it, or end the visit early")
    return {"kind": "finished", "early": bool(decision.get("early"))}


def _add(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A terminal that was found on the spot."""
    fields = dict(decision.get("fields") or {})
    terminal = terminal_of(fields)
    if any(t.id == terminal.id for t in visit.state.terminals(visit.plan)):
        raise UsageError(f"there is a terminal {terminal.id!r} already")
    system = visit.plan.system(terminal.system)
    if system.kind in ("supply", "extract") and terminal.direction != system.kind:
        raise UsageError(f"{terminal.id}: system {system.name} is for {system.kind} only")
    return {"kind": "terminal added", "fields": fields}


def _review(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """What a person chose afterwards: the windows as they are now, with their readings."""
    return {"kind": "review", "change": dict(decision["change"]), "windows": list(decision["windows"])}


def _review_undone(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    if not visit.state.reviewed.done:
        raise NotNow(Say("refused.nothing_to_undo"), "nothing is left to undo")
    return {"kind": "review undone", "line": visit.state.reviewed.done[-1].line}


def _review_redone(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    if not visit.state.reviewed.undone:
        raise NotNow(Say("refused.nothing_to_redo"), "nothing is left to redo")
    return {"kind": "review redone", "line": visit.state.reviewed.undone[-1].line}


def _trace_opened(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    return {"kind": "trace opened", "trace": str(decision["trace"])}


def _trace_closed(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    return {"kind": "trace closed", **{key: decision[key] for key in ("trace", "bytes", "sha256")}}


DECISIONS: dict[str, Callable[[Visit, Mapping[str, Any]], Fields]] = {
    "begin": _begin,
    "answer": _answer,
    "reading": _reading,
    "held": _hold_held,
    "lost": _hold_lost,
    "correct": _correct,
    "enter": _enter,
    "repeat": _repeat,
    "skip": _skip,
    "leave out": _leave_out,
    "go": _go,
    "target": _target,
    "valve": _valve,
    "weather": _weather,
    "event": _event,
    "fan": _fan,
    "setting": _fan_setting,
    "alarm": _alarm,
    "finish": _finish,
    "add": _add,
    "trace opened": _trace_opened,
    "trace closed": _trace_closed,
    "review": _review,
    "review undo": _review_undone,
    "review redo": _review_redone,
}
REVIEW = ("review", "review undo", "review redo")
AFTER_END = ("trace closed", "alarm", "reading", "lost", *REVIEW)
WHILE_STOPPED = ("alarm", "trace opened", "trace closed", "reading", "lost", *REVIEW)
