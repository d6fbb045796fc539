"""How a visit's folder comes to be: a plan from somewhere, a copy of the hood file, what a follow-up reads first."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from hoodtrace.dwelling.plan import Plan, plan_toml
from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.visit import HOOD, PLAN, TRACES, Visit
from hoodtrace.errors import FileError, UsageError
from hoodtrace.physics.hood import read_hood

N_REFERENCES = 3
"""Terminals that a follow-up reads first."""


def make_folder(folder: Path, plan: Plan, hood: Path) -> None:
    """Make the folder of a visit that has not begun.

    Parameters
    ----------
    folder : Path
        New, or empty.
    plan : Plan
    hood : Path
        The hood file, which is copied as it is.

    Raises
    ------
    UsageError
        The folder holds something.
    HoodError
        The hood file can't serve.
    FileError
        The disk does not take it.
    """
    read_hood(hood)
    text = plan_toml(plan)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder}: is there and is no visit. Name another folder")
    try:
        (folder / TRACES).mkdir(parents=True)
        shutil.copyfile(hood, folder / HOOD)
        # The plan comes last: a folder with a plan is whole.
        (folder / PLAN).write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(folder, f"can't be made ({error.strerror}). Name another folder") from error


def follow_up(old: Visit, hood: Path) -> dict[str, Any]:
    """Return what a follow-up of `old` with the hood file `hood` has to know: three terminals as they were read then.

    They are those that the old visit knows best by itself (the hood's common part left out), each side at least once.

    Raises
    ------
    UsageError
        The old visit holds no reading of its first fan setting.
    """
    setting = old.plan.settings[0]
    known = []
    for order, terminal in enumerate(old.state.terminals(old.plan)):
        here = old.state.at(terminal.id, setting, "round")
        if here and all(placement.entry.get("by") == "hood" for placement in here):
            found = result(here)
            own = {
                "terminal": terminal.id,
                "by": "hood",
                "flow_m3h": found.flow_m3h,
                "u_flow_m3h": found.u_flow_m3h,
                "dof": found.dof,
                "terms": [list(term) for term in found.terms],
            }
            known.append((found.u_own_m3h / found.flow_m3h, order, terminal.direction, own))
    if not known:
        raise UsageError(f"{old.folder}: holds no reading to follow up: begin a new visit from its plan (--from)")
    known.sort(key=lambda one: one[:2])
    chosen = known[:N_REFERENCES]
    sides = {direction for _, _, direction, _ in known}
    if len({direction for _, _, direction, _ in chosen}) < len(sides) and len(chosen) == N_REFERENCES:
        other = next(one for one in known if one[2] != chosen[0][2])
        chosen = [*chosen[:-1], other]
    chosen.sort(key=lambda one: one[1])
    same = read_hood(old.folder / HOOD)[1] == read_hood(hood)[1]
    return {"visit": old.plan.site.name, "same_hood": same, "references": [own for *_, own in chosen]}
