"""A visit: a folder with plan, hood file, traces and journal, and the decisions that people take in it.

A decision is a dict with ``do``. `decide` checks it against where the visit stands, writes it as a line of the journal,
and only then changes the state; so what is shown is on the disk. Any number of programs may decide in one folder: each
takes a lock for the time of a decision and reads first what others wrote. A decision that answers something that was
answered meanwhile is refused and changes nothing.

This module asks no clock: each decision comes with its time.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from hoodtrace.dwelling import journal
from hoodtrace.dwelling.plan import TURNING, Plan, Terminal, read_plan, terminal_of
from hoodtrace.dwelling.questions import LOCKED, before, flue_not_excluded
from hoodtrace.dwelling.screen import Question, Say
from hoodtrace.dwelling.state import WEATHER, State, fold
from hoodtrace.dwelling.steps import Step, next_step
from hoodtrace.errors import UsageError, VisitError

PLAN, HOOD, TRACES = "visit.toml", "hood.toml", "traces"
ENTERED_REL, ENTERED_LEAST_M3H = 0.05, 1.0
"""Standard uncertainty of a reading entered without one: a part of the flow, and at least so much."""
MOST_M3H = 5000.0
DAMP_ROOMS = ("bathroom", "wc", "kitchen", "utility")
HOOD_METER = "hood"
LONGEST_TEXT = 500

Fields = dict[str, Any]


class NotNow(UsageError):  # noqa: N818
    """A decision that does not fit where the visit stands; `say` is the sentence for a page."""

    def __init__(self, say: Say, text: str) -> None:
        super().__init__(text)
        self.say = say


class Visit:
    """An open visit.

    Parameters
    ----------
    folder : Path
        With a plan, a hood file and, once it has begun, a journal.

    Raises
    ------
    VisitError
        Plan or journal can't serve.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plan: Plan = read_plan(folder / PLAN)
        self.state = State(setting=self.plan.settings[0])
        self.torn = b""
        self._n_bytes = 0
        if (folder / journal.JOURNAL).exists():
            with journal.locked(folder):
                self.torn = journal.drop_torn(folder)
                self._catch_up()

    @property
    def begun(self) -> bool:
        """Whether the visit has begun."""
        return self.state.begun is not None

    def step(self, past_doubt: bool = False) -> Step:
        """Return what comes next, see `next_step`."""
        return next_step(self.plan, self.state, past_doubt)

    def terminal(self, name: object) -> Terminal:
        """Return a terminal by its id.

        Raises
        ------
        UsageError
            There is none.
        """
        here = self.state.terminals(self.plan)
        for terminal in here:
            if terminal.id == name:
                return terminal
        raise UsageError(f"there is no terminal {name!r}: the plan has {', '.join(t.id for t in here)}")

    def refresh(self) -> bool:
        """Read what other programs wrote; return whether there was anything."""
        path = self.folder / journal.JOURNAL
        if not path.exists() or path.stat().st_size == self._n_bytes:
            return False
        with journal.locked(self.folder):
            before = self.state.n_lines
            journal.drop_torn(self.folder)
            self._catch_up()
            return self.state.n_lines != before

    def decide(self, decision: Mapping[str, Any], utc: str, begins: bool = False) -> Fields:
        """Take a decision, if it fits; return the line that it became.

        Parameters
        ----------
        decision : mapping
            ``do`` and what that needs, see `_DECISIONS`; ``version``, if given, is the number of decisions in the
            journal that whoever decides has seen: with newer ones it is refused.
        utc : str
            The time of day, ISO 8601.
        begins : bool
            The visit begins with this decision, if it has not begun.

        Raises
        ------
        NotNow
            It does not fit where the visit stands.
        UsageError
            It is no decision, names an unknown terminal, or a number is out of bounds.
        VisitError
            The journal is damaged, or the disk takes no more.
        """
        make = _DECISIONS.get(str(decision.get("do")))
        if make is None:
            raise UsageError(f"{decision.get('do')!r} is nothing that can be decided in a visit")
        with journal.locked(self.folder):
            journal.drop_torn(self.folder)
            self._catch_up()
            version = decision.get("version")
            if version is not None and version != self.state.n_decisions:
                raise NotNow(Say("refused.meanwhile"), "somebody else decided meanwhile: look again, then decide")
            if not self.begun and decision.get("do") != "begin" and not begins:
                raise NotNow(Say("refused.not_begun"), f"{self.folder}: the visit has not begun")
            if self.state.stopped and decision.get("do") not in _WHILE_STOPPED:
                raise NotNow(Say("refused.stopped"), f"{self.folder}: the visit is stopped by an alarm")
            if self.state.finished and decision.get("do") not in _AFTER_END:
                raise NotNow(Say("refused.finished"), f"{self.folder}: the visit is finished")
            fields = {"kind": "", "utc": utc, **make(self, decision)}
            if not self.begun and fields["kind"] != "begun":
                self._append({"kind": "", "utc": utc, **_begin(self, {})})
            self._append(fields)
        return fields

    def _append(self, fields: Fields) -> None:
        journal.append(self.folder, fields)
        self._n_bytes = (self.folder / journal.JOURNAL).stat().st_size
        fold(self.state, self.plan, fields)

    def _catch_up(self) -> None:
        path = self.folder / journal.JOURNAL
        if not path.exists() or path.stat().st_size == self._n_bytes:
            return
        found = journal.entries(self.folder)
        if len(found) < self.state.n_lines:
            raise VisitError(path, "is shorter than it was: did somebody put an old one in its place?")
        for entry in found[self.state.n_lines :]:
            number = self.state.n_lines + 1
            try:
                fold(self.state, self.plan, {key: value for key, value in entry.items() if key not in ("prev", "crc")})
            except (LookupError, TypeError, ValueError, AttributeError, OverflowError, UsageError) as error:
                text = f"line {number} has a right checksum, but says nothing that this program understands"
                raise VisitError(path, text, str(number)) from error
        self._n_bytes = path.stat().st_size


# ---- decisions: each returns the fields of its line


def _begin(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    if visit.begun:
        raise NotNow(Say("refused.begun"), f"{visit.folder}: the visit has begun already")
    if not visit.plan.terminals:
        raise UsageError(f"{visit.folder / PLAN}: has no terminal: put them in before the visit begins")
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
    else:
        step = visit.step(past_doubt=True)
        if step.kind != "measure" or step.terminal != fields.get("terminal"):
            raise NotNow(Say("refused.other_terminal"), f"{fields.get('terminal')}: is not measured now")
        fields |= {"stage": step.stage, "setting": visit.state.setting}
    place = fields.get("trace"), fields.get("hold")
    if any((p.entry.get("trace"), p.entry.get("hold")) == place for p in visit.state.placements):
        raise NotNow(Say("refused.taken"), f"hold {place[1]} of {place[0]} was given to a terminal already")
    fields = {**fields, "by": "hood", **visit.state.weather_now()}
    if decision.get("doubt"):
        return {"kind": "doubt", "why": str(decision["doubt"]), "reading": fields}
    return {"kind": "reading", **fields}


def _hold_held(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A hold is enough: from here on its reading belongs to this terminal, whatever is decided meanwhile."""
    terminal = visit.terminal(decision.get("terminal")).id
    kept = ("key", "setting", "stage", "target", "trace", "boot", "start_us", "ended")
    return {"kind": "held", "terminal": terminal, **{name: decision[name] for name in kept}}


def _hold_lost(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A hold that was called enough gives no reading after all, or was taken back."""
    if str(decision.get("key")) not in visit.state.held:
        raise NotNow(Say("refused.taken"), f"the hold {decision.get('key')} was given up, or has its reading")
    return {"kind": "held lost", "key": str(decision["key"]), "why": str(decision.get("why", ""))}


def _enter(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """A reading taken with any meter."""
    terminal = visit.terminal(decision.get("terminal")).id
    flow = number(decision.get("flow_m3h"), "flow", 1e-3, MOST_M3H, "m3/h")
    given = decision.get("u_m3h")
    u = max(ENTERED_REL * flow, ENTERED_LEAST_M3H) if given is None else number(given, "u", 1e-6, MOST_M3H, "m3/h")
    setting = visit.state.setting if decision.get("setting") is None else str(decision["setting"])
    if setting not in visit.plan.settings:
        raise UsageError(f"setting {setting!r} is not in the plan: it has {', '.join(visit.plan.settings)}")
    if decision.get("at_stop") not in (None, "open", "shut"):
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
    for key in ("parts", "traverse", "terms", "u_random_m3h"):
        if decision.get(key) is not None:
            fields[key] = decision[key]
    return fields


def _repeat(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """Take the newest reading back: its terminal is measured again."""
    if not visit.state.placements:
        raise NotNow(Say("refused.nothing_to_repeat"), "there is no reading to repeat")
    last = visit.state.placements[-1]
    if decision.get("line") is not None and decision["line"] != last.line:
        raise NotNow(
            Say("refused.nothing_to_repeat"), "another reading has come since: choose the terminal on the page"
        )
    return {"kind": "withdrawn", "line": last.line, "terminal": last.terminal, "why": str(decision.get("why", ""))}


def _take_back(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    """One reading, by the line of the journal that it stands in, no longer counts."""
    for placement in visit.state.placements:
        if placement.line == decision.get("line"):
            return {"kind": "withdrawn", "line": placement.line, "terminal": placement.terminal, "why": "taken back"}
    raise UsageError(f"line {decision.get('line')} of the journal holds no reading that counts")


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
    target = number(decision["target_m3h"], "target", 0.1, MOST_M3H, "m3/h")
    part = visit.plan.rule.tolerance_rel / 2.0
    least, most = _allowed(visit, terminal, target)
    low = number(decision.get("low_m3h", max(target * (1.0 - part), least)), "lowest", least, target, "m3/h")
    high = number(decision.get("high_m3h", min(target * (1.0 + part), most)), "highest", target, most, "m3/h")
    return {"kind": "target", "terminal": terminal, "target_m3h": target, "low_m3h": low, "high_m3h": high}


def _allowed(visit: Visit, name: str, target_m3h: float) -> tuple[float, float]:
    """Return the least and greatest flow that a valve may be turned to [m3/h].

    Raises
    ------
    NotNow
        The target lies outside: a damp room would be throttled below its required rate, or an open flue forbids it.
    """
    terminal, state = visit.terminal(name), visit.state
    design, here = terminal.design(state.setting), state.at(name, state.setting)
    now = here[-1].flow_m3h if here else None
    least, most = 0.0, MOST_M3H
    rooms = {room.name: room.kind for room in visit.plan.rooms}
    damp = terminal.damp or rooms.get(terminal.room) in DAMP_ROOMS
    if damp and terminal.direction == "extract" and design is not None:
        # Short of its rate it may be opened in steps; never closed.
        least = design if now is None else min(design, now if target_m3h < now else target_m3h)
        if target_m3h < least:
            raise NotNow(
                Say("refused.damp", {"terminal": name, "design_m3h": design}),
                f"{name}: a damp room is not throttled below its required {design:g} m3/h",
            )
    if flue_not_excluded(visit.plan, state):
        if now is None:
            raise NotNow(
                Say("refused.flue_unread", {"terminal": name}),
                f"{name}: an open-flued appliance is not excluded: read this terminal first, then turn its valve",
            )
        least, most = (max(least, now), most) if terminal.direction == "supply" else (least, min(most, now))
        if not least <= target_m3h <= most:
            raise NotNow(
                Say("refused.flue", {"terminal": name}),
                f"{name}: an open-flued appliance is not excluded: no supply is closed and no extract raised. Have the "
                "appliance looked at by a qualified person first",
            )
    return least, most


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


def _trace_opened(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    return {"kind": "trace opened", "trace": str(decision["trace"])}


def _trace_closed(visit: Visit, decision: Mapping[str, Any]) -> Fields:
    return {"kind": "trace closed", **{key: decision[key] for key in ("trace", "bytes", "sha256")}}


_DECISIONS: dict[str, Callable[[Visit, Mapping[str, Any]], Fields]] = {
    "begin": _begin,
    "answer": _answer,
    "reading": _reading,
    "held": _hold_held,
    "lost": _hold_lost,
    "correct": _correct,
    "enter": _enter,
    "repeat": _repeat,
    "take back": _take_back,
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
}
_AFTER_END = ("trace closed", "alarm", "reading", "lost")
_WHILE_STOPPED = ("alarm", "trace opened", "trace closed", "reading", "lost")


def number(value: object, what: str, least: float, most: float, unit: str = "") -> float:
    """Return `value` as a number within its bounds.

    Raises
    ------
    UsageError
        It is none, or lies outside.
    """
    try:
        plain = not isinstance(value, bool) and not (isinstance(value, str) and "_" in value)
        found = float(value) if plain and isinstance(value, int | float | str) else math.nan
    except (ValueError, OverflowError):
        found = math.nan
    if not least <= found <= most:
        raise UsageError(f"{what}: {value!r} is no number from {least:g} to {most:g} {unit}".rstrip())
    return found


def words(value: object, what: str) -> str:
    """Return `value` as a line of text.

    Raises
    ------
    UsageError
        It is empty, too long, or holds what no line holds.
    """
    text = " ".join(value.split()) if isinstance(value, str) else ""
    if (
        not text
        or len(text) > LONGEST_TEXT
        or any(unicodedata.category(c) in ("Cc", "Cs") or c in TURNING for c in text)
    ):
        raise UsageError(f"{what}: give some words, at most {LONGEST_TEXT} letters")
    return text
