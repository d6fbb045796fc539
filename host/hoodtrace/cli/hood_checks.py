"""Two short routines for the hood's health, with a board or on a trace that is there: the zero, and the placement.

`zero_check` looks at the pressure chip with its ports bridged; `placement_check` at repeat placements on one terminal.
With a board a new trace is recorded first and kept, then looked at like any other. Each ends with a verdict and offers
to write what it found into the hood file; nothing is written without a yes.
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from hoodtrace.cli.printable import printable, wrapped
from hoodtrace.cli.zero_seen import ZERO_S, zero_of
from hoodtrace.errors import HoodError, MeasurementError, UsageError
from hoodtrace.units import m3h
from hoodtrace.wire.whole_file import write_whole

if TYPE_CHECKING:
    from hoodtrace.calibration.placement import Repeats

Output = Literal["table", "json"]
Row = dict[str, Any]
COVERAGE = 2.0
MOST_APART = 1.5
"""Placements on one terminal never differ by this factor (own choice): another terminal was read."""


def zero_check(
    hood: Path,
    *,
    port: str | None = None,
    trace: Path | None = None,
    window: str | None = None,
    out: Path | None = None,
    write: bool | None = None,
    output: Output = "table",
) -> None:
    """Find the pressure chip's zero with its ports bridged, and compare it with the hood file's.

    Parameters
    ----------
    hood : Path
    port : str or None
        Device or URL of the board; None: it is looked for. Not used with `trace`.
    trace : Path or None
        Look at the last 20 s of this trace instead, or at its `window` ("START..END", seconds).
    out : Path or None
        The trace to record; None names it by the time of day.
    write : bool or None
        Whether to write the new zero into the hood file; None asks on a terminal, and writes nothing elsewhere.
    output : {"table", "json"}

    Raises
    ------
    MeasurementError
        The ports are not bridged, or the zero drifts by more than the hood file's uncertainty.
    HoodError, TraceError, LinkError, UsageError
        The hood file has no taps; the trace, the board or the words are at fault.
    """
    from hoodtrace.board.self_test_steps import NOISE_LIMIT_PA, ZERO_LIMIT_PA
    from hoodtrace.cli.readings import span_of
    from hoodtrace.physics.hood import read_hood

    described, _ = read_hood(hood)
    if described.taps is None:
        raise HoodError(hood, "has no [taps]: there is no pressure chip whose zero could be checked.", ("taps",))
    span = None if window is None else span_of(window)
    if trace is None:
        if span is not None:
            raise UsageError("--window looks into a trace: give it together with --trace")
        _say("Bridge the pressure chip's two ports with one short tube and keep hands and draughts off it.")
        trace = _record(port, _named(out, "zero"), ZERO_S + 1.0)
    seen = zero_of(trace, span)
    old, u_old = described.taps.zero_pa, described.taps.u_zero_pa
    if seen.noise_pa >= NOISE_LIMIT_PA or abs(seen.zero_pa) >= ZERO_LIMIT_PA:
        raise MeasurementError(
            f"{trace}: dp {seen.zero_pa:+.3f} Pa with a noise of {seen.noise_pa:.3f} Pa is no zero (limits "
            f"{ZERO_LIMIT_PA:g} and {NOISE_LIMIT_PA:g} Pa). Bridge the two ports with one short tube and repeat"
        )
    moved_pa = seen.zero_pa - old
    drifts = abs(seen.drift_pa) > u_old + COVERAGE * seen.u_drift_pa
    agrees = abs(moved_pa) <= COVERAGE * math.hypot(u_old, seen.u_pa)
    if drifts:
        verdict = f"it drifts by {seen.drift_pa:+.3f} Pa in {seen.seconds:.0f} s: let the chip warm up and repeat"
    elif agrees:
        verdict = f"agrees with the hood file's {old:+.3f} Pa within twice its {u_old:.3f} Pa"
    else:
        verdict = f"moved by {moved_pa:+.3f} Pa against the hood file, more than twice its {u_old:.3f} Pa: take the new"
    # What was found once says nothing of how far the zero wanders: the file's uncertainty never gets smaller by it.
    u_new = max(u_old, math.hypot(seen.u_pa, seen.drift_pa / math.sqrt(12.0)))
    changes = {"taps.zero_pa": seen.zero_pa, "taps.u_zero_pa": u_new}
    if described.taps.extract is not None and described.taps.extract.zero_pa is not None:
        changes["taps.extract.zero_pa"] = seen.zero_pa
    found = {"trace": str(trace), **asdict(seen), "hood_zero_pa": old, "hood_u_zero_pa": u_old}
    found |= {"moved_pa": moved_pa, "agrees": agrees, "drifts": drifts, "verdict": verdict}
    text = (
        f"zero {seen.zero_pa:+.4f} Pa ± {COVERAGE * seen.u_pa:.4f} (95 %), noise {seen.noise_pa:.3f} Pa, drift "
        f"{seen.drift_pa:+.4f} Pa in {seen.seconds:.0f} s\n{verdict}"
    )
    _end(hood, None if drifts else changes, write, output, {"zero": found}, text)
    if drifts:
        raise MeasurementError(f"{trace}: the zero drifts by {seen.drift_pa:+.3f} Pa. Wait some minutes and repeat")


def placement_check(
    hood: Path,
    *,
    port: str | None = None,
    trace: Path | None = None,
    holds: str | None = None,
    n: int = 4,
    out: Path | None = None,
    write: bool | None = None,
    output: Output = "table",
) -> None:
    """Find the placement's uncertainty from repeat placements on one terminal, and pool it with the hood file's.

    Parameters
    ----------
    hood : Path
    port, out, write, output
        As in `zero_check`.
    trace : Path or None
        Take the readings named in `holds` ("1.1,2.1,...", hold and plateau) of this trace instead; they must be of one
        terminal, the hood lifted between them.
    n : int
        How many placements to record, at least 4.

    Raises
    ------
    MeasurementError
        Fewer than four placements gave a reading, or they differ so much that the seal is to be looked at first.
    HoodError, TraceError, LinkError, UsageError
        The hood file, the trace, the board or the words are at fault.
    """
    from hoodtrace.calibration.placement import FEWEST, found, pooled
    from hoodtrace.physics.hood import read_hood

    described, _ = read_hood(hood)
    if (trace is None) != (holds is None):
        raise UsageError("--trace and --holds go together: the trace, and which of its holds were the same terminal")
    if trace is not None and holds is not None:
        repeats = _named_holds(trace, hood, holds)
    else:
        if n < FEWEST:
            raise UsageError(f"{n} placements are too few: at least {FEWEST}")
        trace, repeats = _placed(port, hood, n, _named(out, "placement"))
    n_read = len(repeats.flows_m3_s)
    if n_read < FEWEST:
        raise MeasurementError(
            f"{trace}: {n_read} placement(s) gave a reading, {FEWEST} are needed. Read it more often"
        )
    if max(repeats.flows_m3_s) > MOST_APART * min(repeats.flows_m3_s):
        raise MeasurementError(
            f"{trace}: {m3h(min(repeats.flows_m3_s)):.1f} and {m3h(max(repeats.flows_m3_s)):.1f} m3/h are no repeats "
            "of one terminal. Name the holds of one terminal, with the fan and the valve left alone"
        )
    now = found([repeats])
    kept = described.placement
    before = (kept.u_rel, kept.dof) if kept is not None else None
    from hoodtrace.calibration.health_signs import leaks

    leaking = leaks(now, [repeats], before)
    u_rel, dof = now.u_rel, now.dof
    source = "the hood file had none"
    if before is not None and before[1] is not None:
        u_rel, dof = pooled((before[0], before[1]), now)
        source = f"pooled with the hood file's {100 * before[0]:.2f} % ({before[1]:g} degrees of freedom)"
    elif before is not None:
        source = f"instead of the hood file's {100 * before[0]:.2f} %, which has no degrees of freedom"
    if leaking:
        verdict = "placements differ by more than the air does and than they used to: look at the seal and the frame"
    elif now.p_air < 0.05:
        verdict = "placements differ by more than the air does"
    else:
        verdict = "the air alone explains how the placements differ"
    flows = [m3h(flow) for flow in repeats.flows_m3_s]
    row = {"trace": str(trace), "flows_m3h": [round(flow, 3) for flow in flows], **asdict(now), "verdict": verdict}
    row |= {"leaking": leaking, "pooled_u_rel": u_rel, "pooled_dof": dof, "source": source}
    text = (
        f"{len(flows)} placements: {', '.join(f'{flow:.1f}' for flow in flows)} m3/h\n"
        f"standard deviation from placement to placement {100 * now.estimate_rel:.2f} % (95 %: "
        f"{100 * now.low_rel:.2f} to {100 * now.high_rel:.2f} %), beyond the air's own\n{verdict}\n"
        f"for the hood file: u_rel {u_rel:.4f}, dof {dof:g}; {source}"
    )
    changes = None if leaking else {"placement.u_rel": u_rel, "placement.dof": dof}
    _end(hood, changes, write, output, {"placement": row}, text)
    if leaking:
        raise MeasurementError(f"{trace}: {verdict}. Nothing is written; mend it and repeat")


def _named_holds(trace: Path, hood: Path, holds: str) -> Repeats:
    """Return the readings of a trace that a person names."""
    from hoodtrace.calibration.health import as_repeats
    from hoodtrace.cli.hood_history import read_trace
    from hoodtrace.physics.hood import read_hood

    read = {each.name: each for each in read_trace(trace, read_hood(hood)[0]).readings}
    names = [name if "." in name else f"{name}.1" for name in (word.strip() for word in holds.split(",")) if name]
    missing = [name for name in names if name not in read]
    if missing or len({name.partition(".")[0] for name in names}) < len(names):
        raise UsageError(
            f"--holds {holds}: {', '.join(missing) or 'a hold named twice'} can't be taken; {trace} has readings "
            f"{', '.join(read) or 'none'}. Give hold.plateau as `hoodtrace readings` prints them, each once"
        )
    if len({read[name].direction for name in names}) > 1:
        raise UsageError(f"--holds {holds}: these go both ways, supply and extract, so they are not one terminal")
    return as_repeats(trace.name, [read[name] for name in names])


def _placed(port: str | None, hood: Path, n: int, out: Path) -> tuple[Path, Repeats]:
    """Record placements with a board and note in the trace that they were repeats."""
    from hoodtrace.calibration.health import REPEATS_NOTE
    from hoodtrace.calibration.placement import Repeats
    from hoodtrace.cli.held import ON_A_VISIT, hold_readings
    from hoodtrace.physics.hood import read_hood
    from hoodtrace.wire.trace import TraceWriter

    _say(wrapped(ON_A_VISIT))
    _say(f"Place the hood on one terminal, hold it, lift it off; {n} times. Leave fan, valve, doors and windows alone.")
    outcomes, _, _ = hold_readings(port, read_hood(hood)[0], out, n, on_hold=_say)
    with TraceWriter(out) as again:
        again.note(REPEATS_NOTE, holds=[outcome.name for outcome in outcomes])
    averaged = [outcome.averaged for outcome in outcomes]
    return out, Repeats(out.name, tuple(a.flow_m3_s for a in averaged), tuple(a.u_random_m3_s for a in averaged))


def _record(port: str | None, out: Path, seconds: float) -> Path:
    """Record so many seconds of the board as they are."""
    from hoodtrace.board.recorder import Recorder
    from hoodtrace.cli.record import clean_end, opened

    board, writer = opened(port, out)
    _say(f"{seconds:.0f} s, recorded to {out}")
    recorder = Recorder(board, writer)
    with clean_end(recorder):
        return recorder.run(seconds).path


def _named(out: Path | None, what: str) -> Path:
    path = out if out is not None else Path(time.strftime(f"{what}-%Y%m%d-%H%M%S.trace"))
    if path.exists():
        raise UsageError(f"{path} is there already: a check records into a new trace, name another")
    return path


def _end(
    hood: Path, changes: Mapping[str, float] | None, write: bool | None, output: Output, found: Row, text: str
) -> None:
    """Print what was found, and write it into the hood file if that is wanted."""
    if output == "table":
        print(printable(text), flush=True)
    if changes is not None and write is None and sys.stdin.isatty() and sys.stderr.isatty():
        sys.stderr.write(f"Write this into {hood}? [y/N] ")
        sys.stderr.flush()
        write = sys.stdin.readline().strip().lower() in ("y", "yes")
    written = changes is not None and bool(write)
    if written and changes is not None:
        _write(hood, changes)
    if output == "json":
        print(json.dumps(found | {"changes": changes, "written": written}, allow_nan=False), flush=True)
    elif changes is not None:
        print(printable(f"written to {hood}" if written else f"{hood} was left as it is"))


def _write(hood: Path, changes: Mapping[str, float]) -> None:
    from hoodtrace.calibration.hood_text import new_hood_toml

    # Read anew, with the line ends it has: somebody may have edited it meanwhile.
    text = new_hood_toml(hood.read_bytes().decode("utf-8-sig"), changes, hood)
    try:
        write_whole(hood, text.encode())
    except OSError as error:
        raise HoodError(hood, f"can't be written ({error.strerror}). Check the folder and its permissions.") from error


def _say(words: str) -> None:
    print(printable(words), file=sys.stderr, flush=True)
