"""`hoodtrace calibrate`: a guided session that finds the hood's constants, one held reading after the other.

The folder keeps all: a copy of the hood file, a trace a point, and what was typed, on the disk after each answer. The
session goes on where it was whenever the command is run again. Made by the user, not an accredited calibration.
"""

from __future__ import annotations

import shutil
import statistics
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hoodtrace.cli import ask
from hoodtrace.cli.printable import say
from hoodtrace.errors import FileError, HoodtraceError, MeasurementError, UsageError

if TYPE_CHECKING:
    from hoodtrace.averaging.session import Outcome
    from hoodtrace.cli.calibration_store import Done, Store
    from hoodtrace.physics.air import Air

LOWEST_M3H, HIGHEST_M3H = 1.0, 1500.0
FAR_REL = 0.10
"""A point whose factor is off the others' median by more than this is asked about (own choice)."""
HOLD_ON = (
    "Set the flow and let it settle. Hang the hood in still air for some seconds, then press it on the pipe's end "
    "for half a minute or more, and take it off again: the buzzer says whether it was a reading."
)


def calibrate(
    folder: Annotated[Path, typer.Argument(help="Folder of the calibration; it is made where it is not there.")],
    hood: Annotated[Path | None, typer.Option(help="Hood file to begin with.")] = None,
    flows: Annotated[str, typer.Option(help="Lowest,highest flow that you will measure, m3/h.")] = "15,75",
    port: Annotated[str | None, typer.Option(help="Device or URL of the board.")] = None,
    trace: Annotated[Path | None, typer.Option(help="Take holds from this trace, not from a board.")] = None,
    show: Annotated[bool, typer.Option("--list", help="Show points and constants.")] = False,
    drop: Annotated[int | None, typer.Option(help="Take point N out.")] = None,
    why: Annotated[str, typer.Option(help="Why it is taken out.")] = "",
    finish: Annotated[bool, typer.Option("--finish", help="Write the record and the new hood file.")] = False,
    date: Annotated[str | None, typer.Option(help="Date of the record, YYYY-MM-DD; default today.")] = None,
    months: Annotated[int, typer.Option(help="Months until the next calibration is due.")] = 12,
) -> None:
    """Calibrate the hood against references, point by point."""
    from hoodtrace.cli.calibration_end import show_state, write_record
    from hoodtrace.cli.calibration_store import begin, load
    from hoodtrace.dwelling.journal import JOURNAL

    if (folder / JOURNAL).is_file():
        store = load(folder)
        if hood is not None and not (show or finish or drop is not None):
            typer.echo(f"{folder}: goes on with the hood file that is in it; --hood is not needed")
    elif hood is None:
        raise UsageError(f"{folder}: no calibration was begun there; begin one with --hood HOOD.toml")
    else:
        store = begin(folder, hood, _flows(flows))
    if drop is not None:
        store.drop(drop, why)
        typer.echo(f"point {drop} is out: {why}")
    elif show:
        show_state(store, store.all_done())
    elif finish:
        write_record(store, store.all_done(), date, months)
    else:
        try:
            _guide(store, port, trace)
        except typer.Abort:
            typer.echo(f"\nAll is kept; `hoodtrace calibrate {folder}` goes on here.")


def _guide(store: Store, port: str | None, trace: Path | None) -> None:
    """Take points until the person has enough."""
    from hoodtrace.cli.calibration_end import advice, show_state

    done = store.all_done()
    if done:
        show_state(store, done)
    while True:
        flow = advice(store, done)
        typer.echo("")
        say(f"Point {store.n_numbers + 1}. {flow}")
        if not ask.yes("take a point? (n ends the session)"):
            say(f"`hoodtrace calibrate {store.folder} --finish` writes the record and the new hood file.")
            return
        direction = ask.choice("direction", ["supply", "extract"], done[-1].typed.direction if done else "supply")
        found = _held(store, port, trace, direction)
        if found is None:
            continue
        file, outcome = found
        air = outcome.averaged.air
        assert air is not None  # `signals` refused it otherwise
        point = _typed_in(store, done, file, outcome, direction, air)
        if point is not None:
            store.add_point(point)
            done.append(point)
            show_state(store, done)


def _held(store: Store, port: str | None, trace: Path | None, direction: str) -> tuple[str, Outcome] | None:
    """Return the file and the reading of the hood for this point; None where there was none that counts."""
    from hoodtrace.calibration.signals import signals
    from hoodtrace.cli.held import hold_readings

    path = store.trace_path()
    if trace is not None:
        outcome = _chosen(store, trace)
        _copy(trace, path)
    else:
        kept = _kept(store, path)
        if kept is None:
            say(HOLD_ON, "  ")
            ask.wait("Enter when the board is ready")
            _clear(path)  # of an attempt that came to nothing
            outcomes, _, whole = hold_readings(port, store.hood, path, on_hold=typer.echo)
            if not whole:
                raise typer.Abort
            kept = outcomes[0]
        outcome = kept
    try:
        signals(outcome.averaged, store.hood, direction)
    except MeasurementError as error:
        say(error, "  ")
        return None
    return path.name, outcome


def _copy(trace: Path, path: Path) -> None:
    try:
        shutil.copyfile(trace, path)
    except OSError as error:
        _clear(path)
        raise FileError(path, f"the trace can't be copied ({error.strerror}). Make room and try again") from error


def _clear(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise FileError(path, f"can't be removed ({error.strerror})") from error


def _kept(store: Store, path: Path) -> Outcome | None:
    """Return the reading of a hold whose point was never typed in, if there is one and the person wants it."""
    from hoodtrace.averaging.table import readings_of
    from hoodtrace.cli.calibration_store import HOOD
    from hoodtrace.cli.held import longest
    from hoodtrace.units import m3h

    if not path.exists():
        return None
    try:
        outcomes = readings_of(path, store.folder / HOOD).outcomes
    except HoodtraceError:
        return None
    read = [outcome for outcome in outcomes if outcome.averaged.refusal is None]
    if not read:
        return None
    best = longest(read)
    flow = m3h(best.averaged.flow_m3_s)
    return best if ask.yes(f"a hold of {flow:.1f} m3/h is there, not typed in yet: use it?") else None


def _chosen(store: Store, trace: Path) -> Outcome:
    """Let the person choose one of the trace's readings."""
    from hoodtrace.averaging.table import readings_of
    from hoodtrace.cli.calibration_store import HOOD
    from hoodtrace.units import m3h

    table = readings_of(trace, store.folder / HOOD)
    read = {o.name: o for o in table.outcomes if o.averaged.refusal is None}
    if not read:
        raise MeasurementError(f"{trace}: no reading in it to calibrate with")
    for name, outcome in read.items():
        averaged = outcome.averaged
        typer.echo(f"  {name:>5}  {averaged.direction:<8} {m3h(averaged.flow_m3_s):7.1f} m3/h")
    return read[ask.choice("which hold is it", list(read))]


def _typed_in(store: Store, before: list[Done], file: str, outcome: Outcome, direction: str, air: Air) -> Done | None:
    """Ask what the reference showed until it makes a point; None where the person gives it up."""
    from hoodtrace.calibration.session import KNOWN, Typed
    from hoodtrace.cli.calibration_gear import NEW, new_gear, show_span, values_of
    from hoodtrace.units import m3h
    from hoodtrace.wire.trace import closed_trace

    place = (outcome.hold, outcome.plateau)
    sha256 = closed_trace(store.trace_path().with_name(file)).sha256
    same = [typed.number for typed in store.typed if typed.sha256 == sha256 and typed.place[0] == place[0]]
    if same:
        say(
            f"this very hold is point {same[0]} already, and tells nothing new of how the hood sits: hold it on again",
            "  ",
        )
        return None
    while True:
        names = [*store.gears, KNOWN, NEW]
        last = store.typed[-1].gear if store.typed else NEW if not store.gears else names[0]
        name = ask.choice("reference", names, last)
        if name == NEW:
            name, gear = new_gear(air, list(store.gears))
            store.add_gear(name, gear)
        elif name != KNOWN:
            show_span(store.gears[name], air)
        values = values_of(store.gears.get(name), air)
        try:
            done = store.work_out(Typed(store.n_numbers + 1, direction, name, values, file, place))
        except HoodtraceError as error:
            say(error, "  ")
            if ask.yes("type it again?"):
                continue
            return None
        reference = done.point.reference
        flow = m3h(reference.flow_m3_s)
        say(f"reference {flow:.1f} m3/h, standard uncertainty {100 * reference.u_rel:.2g} %", "  ")
        for warning in (*done.warnings, *_apart(done, before, store)):
            say(f"mind: {warning}", "  ")
        if ask.yes("keep this point?"):
            return done
        if not ask.yes("type it again?"):
            return None


def _apart(done: Done, before: list[Done], store: Store) -> list[str]:
    """Say where the point is far off what the others make of the hood."""
    words = []
    for name in ("vane", "taps"):
        scales = [
            each.point.reference.flow_m3_s / signal
            for each in (*before, done)
            if each.typed.direction == done.typed.direction
            and (signal := getattr(each.point, f"{name}_m_s")) is not None
        ]
        if len(scales) < 3 or getattr(done.point, f"{name}_m_s") is None:
            continue
        off = scales[-1] / statistics.median(scales[:-1]) - 1.0
        if abs(off) > FAR_REL:
            words.append(
                f"by the {name} this point is {100 * off:+.0f} % off the others: is what was typed right, did the hood "
                f"sit well? A point that is wrong goes out with `hoodtrace calibrate {store.folder} --drop N --why ...`"
            )
    return words


def _flows(text: str) -> tuple[float, float]:
    low, _, high = text.partition(",")
    try:
        flows = float(low), float(high)
    except ValueError as error:
        raise UsageError(f"--flows {text}: give the lowest and the highest flow in m3/h, such as 15,75") from error
    if not LOWEST_M3H <= flows[0] < flows[1] <= HIGHEST_M3H:
        raise UsageError(f"--flows {text}: lowest, then highest, from {LOWEST_M3H:g} to {HIGHEST_M3H:g} m3/h")
    return flows
