"""Shows where a calibration stands, says which flow to take next, and writes its record and the new hood file."""

from __future__ import annotations

import calendar
import datetime
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import typer

import hoodtrace
from hoodtrace.calibration import record as rec
from hoodtrace.calibration.finish import Fits, all_fits, hood_changes, make_record, other_direction
from hoodtrace.calibration.fit_next import next_flow
from hoodtrace.calibration.hood_text import TomlValue, new_hood_toml
from hoodtrace.calibration.session import first_flow, flows_to_try
from hoodtrace.cli.printable import printable, say
from hoodtrace.errors import FileError, MeasurementError, UsageError
from hoodtrace.physics.air import assumed_air
from hoodtrace.units import m3_s, m3h
from hoodtrace.wire.whole_file import write_whole

if TYPE_CHECKING:
    from hoodtrace.calibration.points import Point
    from hoodtrace.cli.calibration_store import Done, Store

NEW_HOOD = "calibrated-hood.toml"
GOOD = 6


def show_state(store: Store, done: list[Done]) -> None:
    """Print the points and what they give so far."""
    typer.echo(f"\n{'point':>5}  {'air':<8}{'reference m3/h':>15} {'u %':>5} {'vane k':>8} {'taps c':>8}  by")
    for each in done:
        point = each.point
        scale = point.reference.flow_m3_s / store.hood.area_m2
        factors = (f"{scale / s:.4f}" if s is not None else "-" for s in (point.vane_m_s, point.taps_m_s))
        vane, taps = factors
        flow, u = m3h(point.reference.flow_m3_s), 100.0 * point.reference.u_rel
        by = printable(each.typed.gear)
        typer.echo(f"{point.number:>5}  {point.direction:<8}{flow:>15.1f} {u:>5.1f} {vane:>8} {taps:>8}  {by}")
    try:
        fits = all_fits([each.point for each in done], store.hood)
    except MeasurementError as error:
        say(f"No constants yet: {error}.")
        return
    for one in fits:
        _show_fits(one)
    other = other_direction([each.point for each in done], fits)
    if other is not None and other.state == "checked":
        say(other.words)


def _show_fits(fits: Fits) -> None:
    for name, symbol, fit in (("vane", "k", fits.vane), ("taps", "c", fits.taps)):
        if fit is None:
            continue
        band = fit.k_over_flow(3)
        half = float(max((band.high - band.low) / 2.0 / band.factor))
        value = band.factor[1]
        low, high = m3h(fit.lowest_m3_s), m3h(fit.highest_m3_s)
        words = (
            f"{fits.direction}, {name}: {symbol} {value:.4f} in the middle, within ±{100 * half:.1f} % (95 %) from "
            f"{low:.1f} to {high:.1f} m3/h; {fit.lack_of_fit}; without any one point at most "
            f"{100 * abs(fit.most_change_rel):.1f} % otherwise (point {fit.most_change_number})"
        )
        say(words, "    ", "")
    for note in fits.notes:
        say(f"mind: {note}", "    ")


def advice(store: Store, done: list[Done]) -> str:
    """Return in one sentence which flow to take next and why."""
    air = done[-1].averaged.air if done else None
    air = air if air is not None else assumed_air(store.hood.altitude_m)
    candidates = flows_to_try(list(store.gears.values()), air, *(m3_s(flow) for flow in store.wanted_m3h))
    if not candidates:
        return "No reference that you have is valid at the flows that you want: add another one."
    direction = done[-1].typed.direction if done else "supply"
    points: list[Point] = [each.point for each in done if each.typed.direction == direction]
    try:
        fits = next(one for one in all_fits(points, store.hood) if one.direction == direction)
    except MeasurementError:
        far = m3h(first_flow(points, candidates))
        return f"Next a flow near {far:.0f} m3/h, far from those that there are. {_enough(len(points), direction)}"
    return f"Next near {next_flow(fits.first, candidates).why}. {_enough(len(points), direction)}"


def _enough(n: int, direction: str) -> str:
    return f"{n} of 5 to 8 points of {direction} that make a good calibration." if n < GOOD else "There are enough now."


def write_record(store: Store, done: list[Done], date: str | None, months: int) -> None:
    """Write the record as JSON and PDF, and the new hood file; print where they are."""
    from hoodtrace.cli.calibration_store import HOOD
    from hoodtrace.reporting.calibration_page import calibration_pdf

    day, due = _dates(date, months)
    points = [each.point for each in done]
    fits = all_fits(points, store.hood)
    traces = tuple(dict.fromkeys(rec.Trace(each.typed.trace, each.sha256) for each in done))
    airs = [each.averaged.air for each in done if each.averaged.air is not None]
    record = make_record(
        points, fits, store.hood, airs, traces, day, due, f"hoodtrace {hoodtrace.__version__}", store.dropped
    )
    text = record.as_json()
    name = f"calibration-{day.isoformat()}"
    said: dict[str, TomlValue] = {
        "date": day,
        "due": due,
        "method": record.method,
        "made_by": rec.MADE_BY,
        "record": f"{name}.json",
        "record_sha256": hashlib.sha256(text.encode()).hexdigest(),
    }
    old = (store.folder / HOOD).read_text(encoding="utf-8-sig")
    new = new_hood_toml(old, hood_changes(fits, record.other, store.hood, said), store.folder / HOOD)
    pdf = calibration_pdf(record)
    for file, content in ((f"{name}.json", text.encode()), (f"{name}.pdf", pdf), (NEW_HOOD, new.encode())):
        _write(store.folder / file, content)
    store.finished(record=f"{name}.json", record_sha256=said["record_sha256"])
    show_state(store, done)
    typer.echo("")
    if record.other is None or record.other.state != "checked":  # else it was just shown
        say(record.other_words)
    typer.echo(f"record:        {store.folder / name}.pdf and .json")
    typer.echo(f"new hood file: {store.folder / NEW_HOOD}")
    say(f"Copy it to where you keep your hood file. The record is {rec.MADE_BY}.")


def _dates(date: str | None, months: int) -> tuple[datetime.date, datetime.date]:
    if not 1 <= months <= 60:
        raise UsageError(f"--months {months}: 1 to 60 months are possible")
    try:
        day = datetime.date.today() if date is None else datetime.date.fromisoformat(date)
    except ValueError as error:
        raise UsageError(f"--date {date}: give it as YYYY-MM-DD") from error
    if not 2000 <= day.year <= 2100:
        raise UsageError(f"--date {date}: a year from 2000 to 2100 is possible")
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    last = calendar.monthrange(year, month + 1)[1]
    return day, datetime.date(year, month + 1, min(day.day, last))


def _write(path: Path, content: bytes) -> None:
    try:
        write_whole(path, content)
    except OSError as error:
        raise FileError(path, f"can't be written ({error.strerror}). Make room and run --finish again") from error
