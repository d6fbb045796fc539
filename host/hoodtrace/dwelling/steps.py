"""What comes next in a visit: the questions before, the terminals in walking order, the questions before leaving.

Worked out anew from plan and state each time, so nothing is asked twice and nothing is forgotten: a terminal that was
skipped comes again after the others, and if it is skipped again its reason is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from hoodtrace.dwelling.questions import before, leaving
from hoodtrace.dwelling.screen import Question

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Terminal
    from hoodtrace.dwelling.state import State

N_REPEAT = 2
"""Placements at the first terminal of a visit: the second tells how much the hood's place matters in this house."""


@dataclass(frozen=True, slots=True)
class Step:
    """The next thing to do. `placement` counts from 1; `stage` as in `Placement`."""

    kind: Literal["question", "measure", "finish", "finished", "stopped"]
    question: Question | None = None
    terminal: str = ""
    stage: str = "round"
    placement: int = 1
    n_placements: int = 1


def next_step(plan: Plan, state: State, past_doubt: bool = False) -> Step:
    """Return what to do next; with `past_doubt` as if a reading in doubt were taken back."""
    if state.stopped:
        return Step("stopped")
    if state.finished:
        return Step("finished")
    if state.doubt is not None and not past_doubt:
        return Step("question", Question("doubt", "choice", ("keep", "again")))
    for question in _open_questions(plan, state):
        return Step("question", question)
    measure = _measure(plan, state)
    if measure is not None:
        return measure
    for question in leaving(plan, state):
        if question.id not in state.answers:
            return Step("question", question)
    return Step("finish")


def upcoming(plan: Plan, state: State) -> str:
    """Return the terminal after the one that is measured now; empty where there is none in this round."""
    now = next_step(plan, state)
    others = [t.id for t in _waiting(plan, state, state.setting) if t.id != now.terminal]
    return others[0] if others else ""


def wanted(plan: Plan, state: State, terminal: str) -> int:
    """Return how many placements a terminal gets in the round."""
    asked = state.extra.get((terminal, state.setting), 0)
    return max(1, asked, N_REPEAT if terminal == _first_read(plan, state) else 1)


def _open_questions(plan: Plan, state: State) -> list[Question]:
    """Return the questions that stand before the next reading."""
    out = [question for question in before(plan, state) if question.id not in state.answers]
    out += [
        Question(f"why_not:{terminal}", "text")
        for terminal, setting in dict.fromkeys(state.skipped)
        if state.skipped.count((terminal, setting)) > 1 and terminal not in state.left_out
    ]
    if out or state.going:
        return out
    if not _waiting(plan, state, state.setting):
        for setting in plan.settings:
            if setting != state.setting and _waiting(plan, state, setting):
                out.append(Question(f"set:{setting}", "confirm"))
    return out[:1]


def _measure(plan: Plan, state: State) -> Step | None:
    """Return the terminal to measure now, None where all are done."""
    if state.going:
        return _at(plan, state, state.going, "round", state.n_there(state.going, state.setting))
    for name in references(state):
        read = _has(state, "reference", name)
        if not read and name not in state.left_out and (name, state.setting) not in state.skipped:
            return _at(plan, state, name, "reference", 0)
    if state.recheck and (again := last_reference(plan, state)):
        return _at(plan, state, again, "check", 0)
    for terminal in _waiting(plan, state, state.setting):
        return _at(plan, state, terminal.id, "round", state.n_there(terminal.id, state.setting))
    last = last_reference(plan, state)
    if len({p.terminal for p in state.placements}) > 1 and last and not _has(state, "last", last):
        return _at(plan, state, last, "last", 0)
    return None


def _has(state: State, stage: str, terminal: str) -> bool:
    """Whether a terminal has a reading of a stage, or one that is being worked out."""
    given = any(p.stage == stage and p.terminal == terminal for p in state.placements)
    return given or any((h["stage"], h["terminal"]) == (stage, terminal) for h in state.held.values())


def references(state: State) -> list[str]:
    """Return the terminals that a follow-up reads first."""
    follow_up = (state.begun or {}).get("follow_up") or {}
    return [str(one["terminal"]) for one in follow_up.get("references", [])]


def last_reference(plan: Plan, state: State) -> str:
    """Return the terminal that is read once more before leaving: the first that was read, by the hood if any was."""
    here = [
        p
        for p in state.placements
        if p.setting == state.setting
        and (p.terminal, state.setting) not in state.skipped
        and p.terminal not in state.left_out
    ]
    here.sort(key=lambda p: p.entry.get("by") != "hood")  # the order among each kind stays
    return here[0].terminal if here else ""


def _at(plan: Plan, state: State, terminal: str, stage: str, n_there: int) -> Step:
    n = wanted(plan, state, terminal) if stage == "round" else 1
    return Step("measure", None, terminal, stage, n_there + 1, max(n, n_there + 1))


def _waiting(plan: Plan, state: State, setting: str) -> list[Terminal]:
    """Return the terminals still to be read at a fan setting: those skipped once come last."""
    first = setting == plan.settings[0]
    due = [
        t
        for t in state.terminals(plan)
        if t.cover != "none"
        and t.id not in state.left_out
        and (first or setting in t.design_by_setting)
        and state.n_there(t.id, setting) < (wanted(plan, state, t.id) if setting == state.setting else 1)
    ]
    skipped = [t for t in due if (t.id, setting) in state.skipped]
    return [*(t for t in due if t not in skipped), *skipped]


def _first_read(plan: Plan, state: State) -> str:
    """Return the terminal that gets the repeat placement: the first that the hood reads in this visit's round."""
    for placement in state.placements:
        if placement.stage == "round" and placement.entry.get("by") == "hood":
            return placement.terminal
    return next((str(one["terminal"]) for one in state.coming() if one["stage"] == "round"), "")
