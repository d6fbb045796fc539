"""How the keys of a plan fit together: names twice, systems that do not exist, directions that can't be.

Each fault is the key's path (rows count from 1) and words; nothing is raised here.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan, System, Terminal

N_NAMED = 20
"""Faults and names that one message spells out; the others are counted."""


def misfits(plan: Plan) -> Iterator[tuple[str, str]]:
    """Yield key and words of what does not fit together in a plan whose keys are right one by one."""
    for what, names in (
        ("system", [s.name for s in plan.systems]),
        ("setting", list(plan.settings)),
        ("room", [r.name for r in plan.rooms]),
        ("terminal", [t.id for t in plan.terminals]),
    ):
        key = "id" if what == "terminal" else "name"
        first: dict[str, int] = {}
        for row, name in enumerate(names, 1):
            earlier = first.setdefault(_looks(name), row)
            if earlier != row:
                yield f"{what}.{row}.{key}", f"= {name!r} is also {what} {earlier}; give it another one"
    for row, system in enumerate(plan.systems, 1):
        yield from _of_system(f"system.{row}.", system)
    systems = {system.name: system for system in plan.systems}
    for row, terminal in enumerate(plan.terminals, 1):
        where = f"terminal.{row}."
        home = systems.get(terminal.system)
        if home is None:
            yield f"{where}system", f"= {terminal.system!r} is no system of the plan; it has {listed(list(systems))}"
        elif home.kind in ("supply", "extract") and home.kind != terminal.direction:
            yield f"{where}direction", f"= {terminal.direction!r}, but system {home.name!r} is for {home.kind} only"
        yield from terminal_misfits(terminal, where)
        for setting in terminal.design_by_setting:
            if setting == plan.settings[0]:
                yield f"{where}design_by_setting.{setting}", "the first setting's flow is design_m3h; write it there"


def _of_system(where: str, system: System) -> Iterator[tuple[str, str]]:
    if system.kind == "natural" and system.fan != "unknown":
        yield f"{where}fan", f"= {system.fan!r}, but a natural system has none"
    if system.kind != "natural" and system.stack_height_m is not None:
        yield f"{where}stack_height_m", f"only a natural system has one, not one of kind {system.kind!r}"
    for side in ("supply", "extract"):
        flow, u = getattr(system, f"unit_{side}_m3h"), getattr(system, f"u_unit_{side}_m3h")
        if flow is not None and system.kind not in ("heat-recovery", side):
            yield f"{where}unit_{side}_m3h", f"a system of kind {system.kind!r} has no {side} of its unit"
        if flow is None and u is not None:
            yield f"{where}u_unit_{side}_m3h", f"is there without unit_{side}_m3h"


def terminal_misfits(terminal: Terminal, where: str = "") -> Iterator[tuple[str, str]]:
    """Yield the same of one terminal by itself; `where` is put before its keys."""
    if terminal.cover == "none" and not terminal.why_not:
        yield f"{where}why_not", 'is missing: cover = "none" needs the reason'


def _looks(name: str) -> str:
    """Return what two names share that a person can't tell apart."""
    return unicodedata.normalize("NFKC", name).casefold()


def listed(names: Sequence[str]) -> str:
    """Return names for a message, the first `N_NAMED` of them."""
    words = ", ".join(repr(name) for name in names[:N_NAMED]) or "none"
    return words if len(names) <= N_NAMED else f"{words} and {len(names) - N_NAMED} more"
