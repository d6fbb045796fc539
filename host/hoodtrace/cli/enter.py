"""`hoodtrace enter`, `event`, `fan`: decisions of a visit from the command line, with no board and no page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from hoodtrace.dwelling.visit import Visit

FOLDER = Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")]


def enter(
    visit: FOLDER,
    terminal: Annotated[str, typer.Argument(help="The terminal's id in the plan.")],
    flow_m3h: Annotated[float, typer.Argument(help="What the meter read, m3/h.")],
    u_m3h: Annotated[
        float | None, typer.Option(help="Its standard uncertainty, m3/h; without it 5 % of the flow, at least 1 m3/h.")
    ] = None,
    after_turn: Annotated[bool, typer.Option("--after-turn", help="The valve was turned since the last one.")] = False,
    at_stop: Annotated[str | None, typer.Option(help="The valve is at its stop: open or shut.")] = None,
    aimed: Annotated[
        float | None, typer.Option(metavar="M3H", help="What the valve was turned to reach, as `balance` said, m3/h.")
    ] = None,
    hood_off: Annotated[
        bool, typer.Option("--hood-off", help="The meter takes nothing away from the flow (no back pressure).")
    ] = False,
    setting: Annotated[str | None, typer.Option(help="Fan setting; without it the one that is set.")] = None,
    meter: Annotated[str | None, typer.Option(help="What it was read with.")] = None,
    instead: Annotated[
        bool, typer.Option("--instead", help="Take the newest reading of this terminal back first: a slip.")
    ] = False,
) -> None:
    """Record a reading taken with any meter."""
    from hoodtrace.dwelling.result import result

    said = {
        "do": "enter",
        "terminal": terminal,
        "flow_m3h": flow_m3h,
        "u_m3h": u_m3h,
        "after_turn": after_turn,
        "at_stop": at_stop,
        "aimed_m3h": aimed,
        "hood_off": hood_off,
        "setting": setting,
        "meter": meter,
        "instead": instead,
    }
    opened, line = _decided(visit, said)
    u = line["u_flow_m3h"]
    typer.echo(f"{terminal} ({opened.terminal(terminal).room}): {line['flow_m3h']:.1f} m3/h, u {u:.1f} m3/h")
    if not line["u_stated"]:
        typer.echo("No uncertainty was given: 5 % of the flow was taken, at least 1 m3/h. --u-m3h says it better.")
    found = result(opened.state.at(terminal, line["setting"]))
    if found.n > 1:
        doubts = f" ({', '.join(found.flags)}: was one of them a slip? --instead)" if found.flags else ""
        typer.echo(f"Mean of {found.n} readings: {found.flow_m3h:.1f} ± {found.expanded_m3h:.1f} m3/h{doubts}")


def event(
    visit: FOLDER,
    what: Annotated[str, typer.Argument(help="filter, door, window, other fan, control, weather, or your own words.")],
    system: Annotated[str | None, typer.Option(help="Only this system is touched by it.")] = None,
) -> None:
    """Record that something changed in the house."""
    _decided(visit, {"do": "event", "what": what, "system": system})
    typer.echo(f"noted: {what}. Readings before and after are alike only once a reference terminal was read again.")


def fan(
    visit: FOLDER,
    system: Annotated[str, typer.Argument(help="The system's name in the plan.")],
    ratio: Annotated[float, typer.Argument(help="Speed (or flow) over the one it had when the visit began.")],
    side: Annotated[str | None, typer.Option(help="supply or extract: a heat-recovery unit has a fan a side.")] = None,
) -> None:
    """Record what the fan was set to."""
    from hoodtrace.dwelling.questions import flue_not_excluded

    opened, _ = _decided(visit, {"do": "fan", "system": system, "ratio": ratio, "side": side})
    typer.echo(f"noted: {system}{f', {side} side' if side else ''}: {ratio:g} times what it was at the beginning")
    if flue_not_excluded(opened.plan, opened.state):
        typer.echo(
            "CAUTION: an open-flued appliance is not excluded. Extract must never be above supply; have a qualified "
            "person test for spillage. Smoke or a CO alarm: stop, open windows, leave, call."
        )


def _decided(folder: Path, decision: dict[str, Any]) -> tuple[Visit, dict[str, Any]]:
    """Take a decision in the visit of `folder`, which begins with it if it had not; return the visit and the line."""
    from hoodtrace.board.time_of_day import utc_text

    opened = open_visit(folder)
    return opened, opened.decide(decision, utc_text(), begins=True)


def open_visit(folder: Path) -> Visit:
    """Open the visit in `folder`; a journal with a cut last line is mended, and that is said."""
    from hoodtrace.dwelling.visit import Visit

    opened = Visit(folder)
    if opened.torn:
        typer.echo(f"{folder}: the last line of its journal was cut off ({len(opened.torn)} bytes) and is left out")
    return opened
