"""Asks for the references of a calibration, and at each point for what the reference showed."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import typer

from hoodtrace.calibration.orifice import FLUIDS_TAPS, Plate, orifice_span
from hoodtrace.calibration.references import KINDS, Calibration, Meter, calibration_of, span
from hoodtrace.calibration.session import KNOWN, AnyGear
from hoodtrace.calibration.timed_volume import U_TIME_S, Bag, timed_volume
from hoodtrace.calibration.traverse import TraversePipe, positions_mm
from hoodtrace.cli import ask
from hoodtrace.cli.printable import say
from hoodtrace.errors import HoodtraceError
from hoodtrace.physics.air import Air
from hoodtrace.units import m3_s, m3h

NEW = "new"


def new_gear(air: Air, taken: Collection[str]) -> tuple[str, AnyGear]:
    """Ask for a reference, show where it is valid, and ask again until it is accepted; its name is none of `taken`."""
    for kind in KINDS.values():
        if kind.name != KNOWN:
            say(f"{kind.name}: {kind.serves}; needs {', '.join(kind.needs)}", "      ", "  ")
    while True:
        kind_name = ask.choice("kind of reference", [name for name in KINDS if name != KNOWN])
        name = _new_name({"timed volume": "bag", "orifice plate": "plate"}.get(kind_name, kind_name), taken)
        try:
            gear = _ASKED[kind_name](name)
            if isinstance(gear, Bag):
                timed_volume(gear, [60.0], air.temp_c, air.temp_c)  # refuses what can't be meant
            show_span(gear, air)
        except HoodtraceError as error:
            say(error, "  ")
            continue
        if ask.yes("is that right?"):
            return name, gear


def _new_name(default: str, taken: Collection[str]) -> str:
    while True:
        name = ask.text("a name for it", default)
        if name and name.isprintable() and len(name) <= 60 and name not in (*taken, KNOWN, NEW):
            return name
        typer.echo(f"  {name[:60]!r} is taken, too long or has letters that can't be shown: another name, please")


def show_span(gear: AnyGear, air: Air) -> None:
    """Say where the reference is valid and what uncertainty it brings there."""
    table = orifice_span(gear, air).table if isinstance(gear, Plate) else span(gear, air)
    low, high = m3h(table.lowest_m3_s), m3h(table.highest_m3_s)
    say(f"valid from {low:.1f} to {high:.1f} m3/h; standard uncertainty:", "  ")
    for at in table.at:
        if at.valid:
            typer.echo(f"    {m3h(at.flow_m3_s):5.0f} m3/h  {100.0 * at.u_rel:4.1f} %  {at.remark}".rstrip())
    if isinstance(gear, TraversePipe):
        places = positions_mm(gear.bore_mm, gear.n_points, gear.probe_mm)
        shown = ", ".join(f"{place:.1f}" for place in places)
        say(f"the probe goes, in mm from the wall: {shown}", "  ")
        typer.echo(f"  each of the {gear.n_points} readings weighs 1/{gear.n_points}")


def values_of(gear: AnyGear | None, air: Air) -> dict[str, Any]:
    """Ask what the reference showed at this point."""
    values: dict[str, Any] = {}
    match gear:
        case Bag():
            values["times_s"] = ask.numbers("seconds of each filling at this flow, blanks between")
            values["temp_c"] = ask.temperature("air in the full bag, C", air.temp_c)
        case Plate():
            values["dp_pa"] = ask.number("mean pressure across the plate, zero taken off, Pa")
            values["temp_c"] = ask.temperature("air in front of the plate, C", air.temp_c)
        case TraversePipe():
            rows = []
            for i in range(gear.n_diameters):
                rows.append(ask.numbers(f"diameter {i + 1}: {gear.n_points} readings in order, m/s", gear.n_points))
            values["readings_m_s"] = rows
            values["temp_c"] = ask.temperature("air in the pipe, C", air.temp_c)
        case Meter():
            values["flow_m3h"] = ask.number("flow that it shows, m3/h")
            values["temp_c"] = ask.temperature("air that it states it for, C", air.temp_c)
            here_hpa = round(air.pressure_pa / 100.0, 1)
            typed_hpa = ask.number("and its pressure, hPa; 1013.25 if it shows standard flow", here_hpa)
            values["pressure_pa"] = air.pressure_pa if typed_hpa == here_hpa else 100.0 * typed_hpa
        case None:
            values["flow_m3h"] = ask.number("the known flow at the hood's air, m3/h")
            values["u_m3h"] = ask.number("its standard uncertainty, m3/h")
            values["source"] = ask.text("where it is known from; points of one source share its error", "own source")
    return values


def _bag(name: str) -> Bag:
    litres = ask.number("volume, litres")
    u_rel = ask.number("its standard uncertainty, % (weighed with water 0.5, by its sizes 2)") / 100.0
    n = ask.whole("fillings at each point", 3, 1, 20)
    u_time_s = ask.number("standard uncertainty of one timing, s", U_TIME_S)
    return Bag(name, litres / 1000.0, u_rel, u_time_s=u_time_s, n_fillings=n)


def _plate(name: str) -> Plate:
    pipe_mm = ask.number("bore of the pipe D, mm")
    bore_mm = ask.number("bore of the plate d, mm")
    taps = ask.choice("pressure taps", list(FLUIDS_TAPS), "corner")
    return Plate(
        bore_mm,
        pipe_mm,
        taps,
        u_bore_mm=ask.number("standard uncertainty of d, mm", 0.05),
        u_pipe_mm=ask.number("standard uncertainty of D, mm", 0.3),
        u_scale_rel=ask.number("manometer's scale, standard uncertainty, %") / 100.0,
        u_zero_pa=ask.number("manometer's zero, standard uncertainty, Pa", 0.05),
        u_noise_pa=ask.number("noise of one mean, standard uncertainty, Pa", 0.05),
        dp_highest_pa=ask.number("highest pressure that the manometer shows, Pa", 125.0),
    )


def _pipe(name: str) -> TraversePipe:
    return TraversePipe(
        bore_mm=ask.number("bore of the pipe, mm"),
        u_bore_mm=ask.number("its standard uncertainty, mm", 0.3),
        probe_mm=ask.number("thickness of the probe, mm"),
        calibration=_calibration("the probe"),
        u_reading_m_s=ask.number("standard uncertainty of one reading, m/s", 0.03),
        u_position_mm=ask.number("standard uncertainty of the probe's place, mm", 0.5),
        n_points=int(ask.choice("points a diameter", ["4", "6", "8", "10"], "8")),
        n_diameters=int(ask.choice("diameters", ["1", "2", "3"], "2")),
    )


def _meter(name: str) -> Meter:
    return Meter(
        name,
        _calibration("the meter"),
        u_reading_m3_s=m3_s(ask.number("standard uncertainty of one reading, m3/h")),
        lowest_m3_s=m3_s(ask.number("lowest flow of its calibration, m3/h")),
        highest_m3_s=m3_s(ask.number("highest flow of its calibration, m3/h")),
    )


def _calibration(what: str) -> Calibration:
    expanded = ask.number(f"calibration of {what}: its (expanded) uncertainty, %") / 100.0
    return calibration_of(expanded, ask.number("coverage factor that stands beside it", 2.0))


_ASKED: dict[str, Callable[[str], AnyGear]] = {
    "timed volume": _bag,
    "orifice plate": _plate,
    "pipe traverse": _pipe,
    "second meter": _meter,
}
