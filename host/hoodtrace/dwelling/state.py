"""Where a visit stands: the journal's lines folded into one state, in order, by nothing but what they say.

`fold` takes one entry; replaying a journal gives the state that the program had when it wrote the last line. Lines of
kinds that are not known change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.plan import terminal_of
from hoodtrace.dwelling.reviewed import Reviewed, placements_as_chosen

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Terminal

BY_THE_PROGRAM = ("trace opened", "trace closed")
"""Kinds of lines that nobody decided; all others make what somebody has seen before old."""
WEATHER = ("outdoor_c", "wind", "indoor_c")
STOPS = ("open", "shut")
"""Where a valve can be turned no further."""

Entry = Mapping[str, Any]
Answer = str | float | Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Placement:
    """A reading that was given to a terminal; `entry` is its line, `line` that line's number.

    `stage` is "reference" (of a follow-up), "round", "check" (after something changed) or "last"; `epoch`
    counts what changed in the house and at this terminal: only placements of one epoch are of the same flow.
    """

    line: int
    terminal: str
    setting: str
    stage: str
    epoch: tuple[int, int]
    entry: Entry

    @property
    def flow_m3h(self) -> float:
        """The flow [m3/h]."""
        return float(self.entry["flow_m3h"])


@dataclass(frozen=True, slots=True)
class Target:
    """What a valve is turned to, with the hood on: the flow and its limits [m3/h].

    `until` is "open" or "shut" where it is turned to that stop: the flow is then what it will show there, whatever that
    is.
    """

    terminal: str
    target_m3h: float
    low_m3h: float
    high_m3h: float
    until: str = ""


@dataclass(slots=True)
class State:
    """A visit so far.

    `given` are the readings that the visit gave, `reviewed` what people chose afterwards; `held` are holds that were
    called enough and whose reading is still being worked out, by key; `of_house` are the events and fan settings, whose
    number is the house's epoch; `turns` are when (time of day) a terminal's valve was turned; `trailing` is what the
    newest decision was, for the sentence that confirms it.
    """

    n_lines: int = 0
    n_decisions: int = 0
    begun: Entry | None = None
    answers: dict[str, Answer] = field(default_factory=dict)
    setting: str = ""
    given: list[Placement] = field(default_factory=list)
    reviewed: Reviewed = field(default_factory=Reviewed)
    withdrawn: list[Placement] = field(default_factory=list)
    skipped: list[tuple[str, str]] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    going: str = ""
    extra: dict[tuple[str, str], int] = field(default_factory=dict)
    target: Target | None = None
    held: dict[str, Entry] = field(default_factory=dict)
    doubt: Entry | None = None
    stopped: bool = False
    finished: bool = False
    recheck: bool = False
    weather: dict[str, Any] = field(default_factory=dict)
    turns: list[tuple[str, str]] = field(default_factory=list)
    of_house: list[Entry] = field(default_factory=list)
    added: list[Terminal] = field(default_factory=list)
    traces: dict[str, Entry] = field(default_factory=dict)
    trailing: Entry | None = None

    @property
    def placements(self) -> list[Placement]:
        """The readings that count now, oldest first: those of the visit, and what people made of them in review."""
        return placements_as_chosen(self.given, self.reviewed) if self.reviewed.done else self.given

    def epoch(self, terminal: str, utc: str = "") -> tuple[int, int]:
        """Return the epoch of a terminal, now or at a time of day (ISO 8601, UTC)."""
        house = sum(not utc or _utc(entry) <= utc for entry in self.of_house)
        return house, sum(name == terminal and (not utc or when <= utc) for when, name in self.turns)

    def terminals(self, plan: Plan) -> tuple[Terminal, ...]:
        """Return the plan's terminals and those that were added on the spot, in walking order."""
        return (*plan.terminals, *self.added)

    def why_left_out(self, terminal: Terminal) -> str:
        """Return why a terminal is not read: decided on the spot, or planned; empty where it is to be read."""
        return self.left_out.get(terminal.id, terminal.why_not if terminal.cover == "none" else "")

    def n_there(self, terminal: str, setting: str, stage: str = "round") -> int:
        """Return how many readings a terminal has, those that are being worked out or doubted with them."""
        of = terminal, setting, stage
        same = [one for one in self.coming() if (one["terminal"], one["setting"], one["stage"]) == of]
        return len(self.at(terminal, setting, stage)) + len(same)

    def coming(self) -> list[Entry]:
        """Return the readings that are being worked out, and the one in doubt."""
        return [*self.held.values(), *([self.doubt["reading"]] if self.doubt is not None else [])]

    def weather_now(self) -> dict[str, Any]:
        """Return the weather as it was last noted, for a reading; empty where it never was."""
        return {"weather": dict(self.weather)} if self.weather else {}

    def at(self, terminal: str, setting: str, stage: str = "") -> list[Placement]:
        """Return the placements at a terminal that are of its flow as it is now, oldest first."""
        mine = [
            p for p in self.placements if p.terminal == terminal and p.setting == setting and stage in ("", p.stage)
        ]
        mine.sort(key=lambda p: p.epoch)
        return [p for p in mine if p.epoch == mine[-1].epoch]


def fold(state: State, plan: Plan, entry: Entry) -> None:
    """Take the next line of the journal into `state`."""
    state.n_lines += 1
    kind = entry.get("kind")
    if kind not in BY_THE_PROGRAM:
        state.n_decisions += 1
    if kind in _TAKES:
        _TAKES[kind](state, plan, entry)
        if kind not in BY_THE_PROGRAM:
            state.trailing = entry


def _begun(state: State, plan: Plan, entry: Entry) -> None:
    state.begun = state.begun or entry


def _answer(state: State, plan: Plan, entry: Entry) -> None:
    question, value = str(entry["question"]), entry.get("value")
    state.answers[question] = value
    if question == "fan_setting" or question.startswith("set:"):
        state.setting = str(value) if question == "fan_setting" else question.removeprefix("set:")
    elif question in WEATHER:
        state.weather[question] = value
        state.weather["noted"] = entry.get("utc")
    elif question.startswith("why_not:"):
        state.left_out[question.removeprefix("why_not:")] = str(value)
        state.going = ""


def _setting(state: State, plan: Plan, entry: Entry) -> None:
    state.setting = str(entry["setting"])


def _reading(state: State, plan: Plan, entry: Entry) -> None:
    terminal = str(entry["terminal"])
    if entry.get("after_turn") and "epoch" not in entry:
        _turned(state, terminal, entry)
    house, turned = entry.get("epoch", state.epoch(terminal))
    epoch = int(house), int(turned)
    _withdraw(state, entry.get("instead_of"))
    if not 0.0 < float(entry["flow_m3h"]) < math.inf or not 0.0 <= float(entry["u_flow_m3h"]) < math.inf:
        raise ValueError("a reading without a flow")
    setting, stage = str(entry.get("setting") or state.setting), str(entry.get("stage", "round"))
    state.given.append(Placement(state.n_lines, terminal, setting, stage, epoch, entry))
    state.skipped = [one for one in state.skipped if one != (terminal, setting)]
    state.left_out.pop(terminal, None)
    key = entry.get("key")
    state.held.pop(str(key), None)
    if entry.get("kept_though"):
        state.doubt = None
    if key is None:
        _reached(state, terminal, stage)


def _reached(state: State, terminal: str, stage: str) -> None:
    """Go on from a terminal whose reading is there, or is being worked out."""
    if state.going == terminal:
        state.going = ""
    if stage == "check":
        state.recheck = False
    if state.target is not None and state.target.terminal == terminal:
        state.target = None


def _held(state: State, plan: Plan, entry: Entry) -> None:
    terminal = str(entry["terminal"])
    if entry.get("target") is not None:
        _turned(state, terminal, entry)
    state.held[str(entry["key"])] = {**entry, "epoch": list(state.epoch(terminal))}
    _reached(state, terminal, str(entry["stage"]))


def _lost(state: State, plan: Plan, entry: Entry) -> None:
    held = state.held.pop(str(entry["key"]), None)
    if held is None:
        return
    state.going = str(held["terminal"])
    if held.get("target") is not None:
        target_m3h, low_m3h, high_m3h = (float(flow) for flow in held["target"])
        state.target = Target(state.going, target_m3h, low_m3h, high_m3h, _until(held))


def _doubt(state: State, plan: Plan, entry: Entry) -> None:
    state.held.pop(str(entry["reading"].get("key")), None)
    state.doubt = {**entry, "reading": dict(entry["reading"])}


def _withdraw(state: State, line: object) -> list[Placement]:
    """Take the reading of a line out of those that count; return it."""
    gone = [p for p in state.given if p.line == line]
    state.given = [p for p in state.given if p.line != line]
    state.withdrawn += gone
    return gone


def _withdrawn(state: State, plan: Plan, entry: Entry) -> None:
    gone = _withdraw(state, entry.get("line"))
    if gone:
        state.going = gone[0].terminal
    elif state.doubt is not None:
        state.going, state.doubt = str(state.doubt["reading"]["terminal"]), None


def _skip(state: State, plan: Plan, entry: Entry) -> None:
    state.recheck = False
    state.skipped.append((str(entry["terminal"]), state.setting))
    state.going, state.target = "", None


def _left_out(state: State, plan: Plan, entry: Entry) -> None:
    terminal = str(entry["terminal"])
    state.left_out[terminal] = str(entry["why"])
    _reached(state, terminal, "")


def _go(state: State, plan: Plan, entry: Entry) -> None:
    terminal = str(entry["terminal"])
    state.going = terminal
    state.left_out.pop(terminal, None)
    state.answers.pop(f"why_not:{terminal}", None)
    state.skipped = [one for one in state.skipped if one[0] != terminal]
    if entry.get("again"):
        state.extra[terminal, state.setting] = len(state.at(terminal, state.setting)) + 1
    if state.target is not None and state.target.terminal != terminal:
        state.target = None


def _target(state: State, plan: Plan, entry: Entry) -> None:
    if entry.get("target_m3h") is None:
        state.target = None
        return
    terminal = str(entry["terminal"])
    flows = float(entry["target_m3h"]), float(entry["low_m3h"]), float(entry["high_m3h"])
    state.target = Target(terminal, *flows, _until(entry))
    state.going = terminal


def _until(entry: Entry) -> str:
    until = str(entry.get("until", ""))
    if until not in ("", *STOPS):
        raise ValueError("a stop that no valve has")
    return until


def _event(state: State, plan: Plan, entry: Entry) -> None:
    _fan(state, plan, entry)
    state.recheck = True


def _fan(state: State, plan: Plan, entry: Entry) -> None:
    state.of_house.append(entry)


def _turned(state: State, terminal: str, entry: Entry) -> None:
    state.turns.append((_utc(entry), terminal))


def _utc(entry: Entry) -> str:
    return str(entry.get("utc", ""))


def _review(state: State, plan: Plan, entry: Entry) -> None:
    state.reviewed.take(state.n_lines, entry)


def _weather(state: State, plan: Plan, entry: Entry) -> None:
    state.weather |= {key: entry[key] for key in WEATHER if key in entry} | {"noted": entry.get("utc")}


def _alarm(state: State, plan: Plan, entry: Entry) -> None:
    state.stopped = entry.get("state") == "stop"


def _finished(state: State, plan: Plan, entry: Entry) -> None:
    state.finished = True


def _added(state: State, plan: Plan, entry: Entry) -> None:
    state.added.append(terminal_of(entry["fields"]))


def _trace(state: State, plan: Plan, entry: Entry) -> None:
    state.traces[str(entry["trace"])] = entry


_TAKES = {
    "begun": _begun,
    "answer": _answer,
    "setting": _setting,
    "reading": _reading,
    "held": _held,
    "held lost": _lost,
    "doubt": _doubt,
    "withdrawn": _withdrawn,
    "skip": _skip,
    "left out": _left_out,
    "go": _go,
    "target": _target,
    "event": _event,
    "fan": _fan,
    "weather": _weather,
    "alarm": _alarm,
    "finished": _finished,
    "terminal added": _added,
    "trace opened": _trace,
    "trace closed": _trace,
    "review": _review,
    "review undone": _review,
    "review redone": _review,
}
