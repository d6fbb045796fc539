"""What is asked before the first reading and before leaving: the questions, when they apply, what their answers mean.

Each is asked once; the answer is a line of the journal. Sentences stand in the texts under ``question.ID``, and which
cautions belong to one in `CAUTIONS`. Common practice, no source, but for what an open flue forbids (FLUE).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodtrace.dwelling.screen import Question

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan
    from hoodtrace.dwelling.state import State

FLUE = ("flue_no_closing", "flue_no_restriction", "flue_test", "flue_stop", "flue_pressure")
"""Cautions while an open-flued appliance is not excluded."""
CAUTIONS: dict[str, tuple[str, ...]] = {
    "open_flue": ("flue_ask", "flue_stop"),
    "flue_read": FLUE,
    "ladder": ("ladder", "ladder_second", "cable", "isolate", "dust", "asbestos"),
}
WINDS = ("calm", "light", "strong", "gusty")
LOCKED = ("locked", "not locked")


def before(plan: Plan, state: State) -> list[Question]:
    """Return the questions before the first reading, in order; which ones apply depends on plan and answers."""
    out = [Question("open_flue", "choice", ("no", "yes", "unknown"))]
    if flue_not_excluded(plan, state):
        out.append(Question("flue_read", "confirm"))
    out += [
        Question("ladder", "confirm"),
        Question("other_fans", "choice", ("off", "on")),
        Question("filters", "choice", ("clean", "changed", "left dirty", "none")),
        Question("windows", "choice", ("shut", "some open")),
        Question("inner_doors", "choice", ("as usual", "all open", "all shut")),
        Question("valves", "choice", ("as found", "opened")),
        Question("controls", "choice", ("held still", "none", "may change")),
    ]
    if state.answers.get("controls") in ("held still", "may change"):
        out.append(Question("controls_note", "text", may_skip=True))
    if len(plan.settings) > 1 or any(s.kind != "natural" for s in plan.systems):
        out.append(Question("fan_setting", "choice", plan.settings))
    out += [
        Question("outdoor_c", "number", unit="C", least=-50.0, most=60.0, may_skip=True),
        Question("wind", "choice", WINDS),
        Question("indoor_c", "number", unit="C", least=-20.0, most=60.0, may_skip=True),
        Question("zero", "confirm"),
    ]
    return out


def leaving(plan: Plan, state: State) -> list[Question]:
    """Return the questions before leaving, in order: how each valve stays, and what has to be put back."""
    out: list[Question] = []
    for terminal in state.terminals(plan):
        if any(p.terminal == terminal.id for p in state.placements):
            out.append(Question(f"valve:{terminal.id}", "valve", LOCKED, may_skip=True))
    out += [Question(name, "choice", ("yes", "no")) for name in ("controls_back", "covers_back", "filters_back")]
    return out


def flue_not_excluded(plan: Plan, state: State) -> bool:
    """Whether an open-flued appliance may be there: a plan that knows of one is not overruled by an answer."""
    said = state.answers.get("open_flue")
    known = plan.site.open_flued_appliance == "yes" or any(a.kind != "room-sealed" for a in plan.appliances)
    return known or (not plan.flue_excluded if said is None else said != "no")
