"""How far a valve may be turned: what a damp room and an open flue forbid."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hoodtrace.dwelling.decided import MOST_M3H, NotNow
from hoodtrace.dwelling.questions import flue_not_excluded
from hoodtrace.dwelling.screen import Say

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, Terminal
    from hoodtrace.dwelling.visit import Visit

DAMP_ROOMS = ("bathroom", "wc", "kitchen", "utility")


def is_damp(plan: Plan, terminal: Terminal) -> bool:
    """Whether a terminal draws from a damp or wet room, which is never throttled below its required rate."""
    rooms = {room.name: room.kind for room in plan.rooms}
    return terminal.direction == "extract" and (terminal.damp or rooms.get(terminal.room) in DAMP_ROOMS)


def allowed_m3h(visit: Visit, name: str, target_m3h: float) -> tuple[float, float]:
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
    if is_damp(visit.plan, terminal) and design is not None:
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
