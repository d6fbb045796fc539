"""Visits of one house at different times, for comparing: readings of the hood with a budget that paper can follow."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hoodtrace.board.scenario import demo_hood_toml
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.visit import Visit

ROOMS = {"S1": ("Living room", "supply", 40.0), "S2": ("Study", "supply", 20.0), "E1": ("Bathroom", "extract", 50.0)}
K_REL, ZERO_M3H, AIR_M3H, DOF_AIR = 0.02, 0.3, 0.4, 20.0


def plan_toml(
    rooms: dict[str, tuple[str, str, float]], site: str = "Alder Row 7", settings: tuple[str, ...] = ()
) -> str:
    """A visit.toml with one unit."""
    text = f'[site]\nname = "{site}"\n[[system]]\nname = "unit"\nkind = "heat-recovery"\n'
    for name, (room, direction, design) in rooms.items():
        text += f'[[terminal]]\nid = "{name}"\nroom = "{room}"\nsystem = "unit"\n'
        text += f'direction = "{direction}"\ndesign_m3h = {design}\n'
    return text + "".join(f'[[setting]]\nname = "{name}"\n' for name in settings)


def of_hood(terminal: str, flow_m3h: float, **more: Any) -> dict[str, Any]:
    """A reading of the hood as the journal has it: k-factor and zero shared, the air's part its own."""
    terms = [
        ["fluctuation of the air", AIR_M3H, DOF_AIR, "reading"],
        ["k-factor", K_REL * flow_m3h, None, "hood"],
        ["zero", ZERO_M3H, None, "visit"],
    ]
    u = sum(float(str(term[1])) ** 2 for term in terms) ** 0.5
    return {
        "kind": "reading", "terminal": terminal, "setting": "normal", "stage": "round", "by": "hood", "hood_on": True,
        "trace": "traces/01.trace", "flow_m3h": flow_m3h, "u_flow_m3h": u, "dof": None, "expanded_m3h": 1.96 * u,
        "u_random_m3h": AIR_M3H, "terms": terms, "flags": [], **more,
    }  # fmt: skip


def by_hand(terminal: str, flow_m3h: float, u_m3h: float, **more: Any) -> dict[str, Any]:
    """A reading that was typed in."""
    return {
        "kind": "reading", "terminal": terminal, "setting": "normal", "stage": "round", "by": "hand", "hood_on": True,
        "flow_m3h": flow_m3h, "u_flow_m3h": u_m3h, "dof": None, "u_stated": True, **more,
    }  # fmt: skip


def visit_of(
    folder: Path,
    utc: str,
    readings: list[dict[str, Any]],
    rooms: dict[str, tuple[str, str, float]] | None = None,
    hood: str | None = None,
    **plan: Any,
) -> Visit:
    """A visit that began at `utc` and holds `readings` (lines of the journal, `utc` added)."""
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan_toml(ROOMS if rooms is None else rooms, **plan), encoding="utf-8")
    (folder / "hood.toml").write_text(demo_hood_toml() if hood is None else hood, encoding="utf-8")
    append(folder, {"kind": "begun", "utc": utc, "what": "visit"})
    for reading in readings:
        append(folder, {**reading, "utc": utc})
    return Visit(folder)
