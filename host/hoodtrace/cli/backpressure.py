"""`hoodtrace backpressure`: a terminal's flow with no hood on it, from readings at an open and a restricted outlet.

On readings of a trace (--open 1.1 --restricted 2.1), or guided with a board (--port, --out). With a stated branch
pressure (--branch-pa, or from a stack's height and temperatures) an estimate stands beside it, or alone. Both flows are
always printed and labelled; a refusal ends with 5 and its reason.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from hoodtrace.cli.printable import printable, say, wrapped
from hoodtrace.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    from hoodtrace.averaging.table import Table
    from hoodtrace.calibration.back_pressure import Correction, Refusal
    from hoodtrace.calibration.openings import Prepared, Seen
    from hoodtrace.physics.hood import Hood


def backpressure(
    trace: Annotated[Path | None, typer.Argument(help="The trace file; none with a board.")] = None,
    hood: Annotated[Path, typer.Option(help="The hood file.")] = Path("hood.toml"),
    open_: Annotated[list[str] | None, typer.Option("--open", help="Reading with the hood open: HOLD.PLATEAU.")] = None,
    restricted: Annotated[
        list[str] | None, typer.Option(help="Reading of the same terminal with the outlet restricted; several may be.")
    ] = None,
    times: Annotated[
        list[float] | None, typer.Option(help="Where the taps feel the flow alone: resistance over the open hood's.")
    ] = None,
    u_times_rel: Annotated[float, typer.Option(help="Relative standard uncertainty of --times.")] = 0.05,
    branch_pa: Annotated[float | None, typer.Option(help="Stated pressure available to the branch, Pa.")] = None,
    u_branch_pa: Annotated[float | None, typer.Option(help="Its standard uncertainty; else a quarter of it.")] = None,
    stack_m: Annotated[float | None, typer.Option(help="Height of the stack of natural ventilation, m.")] = None,
    outside_c: Annotated[float | None, typer.Option(help="Temperature outside, degrees Celsius.")] = None,
    inside_c: Annotated[float, typer.Option(help="Temperature inside, degrees Celsius.")] = 20.0,
    port: Annotated[str | None, typer.Option(help="Board's device or URL: guides through the readings.")] = None,
    out: Annotated[Path | None, typer.Option(help="New trace file, or a folder for it; guided.")] = None,
    n_restricted: Annotated[int, typer.Option(help="Restricted readings to take, guided.")] = 1,
    output: Annotated[
        Literal["table", "json"], typer.Option("--format", help="How to print: table or json.")
    ] = "table",
) -> None:
    """Correct a reading for what the hood takes away, or say why that can't be done."""
    from hoodtrace.averaging.table import readings_of
    from hoodtrace.physics.hood import read_hood

    stated = _stated(branch_pa, u_branch_pa, stack_m, outside_c, inside_c)
    described, _ = read_hood(hood)
    if trace is None:
        if port is None and out is None:
            raise UsageError("give a trace with --open and --restricted, or --port and --out for a guided session")
        if open_ or restricted or n_restricted < 1:
            raise UsageError("guided readings take no --open and --restricted, and at least one --n-restricted")
        trace, names = _guided(port, described, out, n_restricted)
        open_, restricted = names[:1], names[1:]
    elif port is not None or out is not None:
        raise UsageError("give a trace, or --port and --out for a guided session, not both")
    if not open_ or not (restricted or stated):
        raise UsageError("--open is needed, and --restricted, or a branch pressure for an estimate")
    if times and len(times) != len(restricted or []):
        raise UsageError("give --times once for each --restricted, in the same order")
    if any(not 1.0 < t < 1000.0 for t in times or []) or not 0.0 < u_times_rel < 1.0:
        raise UsageError("--times is over 1, and --u-times-rel between 0 and 1")
    found = readings_of(trace, hood)
    seen = _seen(found, trace, open_, restricted or [], times)
    shown, refusal = _result(found, described, seen, stated, u_times_rel)
    if output == "json":
        sys.stdout.write(json.dumps(shown, allow_nan=False, ensure_ascii=False) + "\n")
    else:
        _print(shown)
    if refusal is not None:
        raise MeasurementError(f"{trace}: {refusal.words}.")


def _stated(
    branch_pa: float | None, u_pa: float | None, stack_m: float | None, outside_c: float | None, inside_c: float
) -> tuple[float, float] | None:
    """Return the stated branch pressure and its standard uncertainty, Pa; of a stack where that was given."""
    from hoodtrace.physics.resistance import stack_pa

    if stack_m is not None:
        if branch_pa is not None or outside_c is None:
            raise UsageError("a stack takes --stack-m and --outside-c (and --inside-c), and no --branch-pa")
        if not (0.0 < stack_m < 200.0 and -60.0 < outside_c < 60.0 and -60.0 < inside_c < 60.0):
            raise UsageError("--stack-m is over 0 and under 200 m, temperatures are -60 to 60 degrees Celsius")
        branch_pa = stack_pa(stack_m, outside_c, inside_c)
        if branch_pa <= 0.0:
            raise UsageError(f"the stack drives {branch_pa:.2f} Pa: it must be warmer inside for air to rise")
    if branch_pa is None:
        return None
    u = branch_pa / 4.0 if u_pa is None else u_pa
    if not (0.0 < branch_pa < 5000.0 and 0.0 <= u < 5000.0):
        raise UsageError(f"--branch-pa {branch_pa:g}, --u-branch-pa {u:g}: give pascals over 0, under 5000")
    return branch_pa, u


def _guided(port: str | None, hood: Hood, out: Path | None, n_restricted: int) -> tuple[Path, list[str]]:
    """Record one open and some restricted readings; return the trace and their names."""
    from hoodtrace.cli.held import ON_A_VISIT, hold_readings

    path = out if out is not None else Path("backpressure.trace")
    path = path / "backpressure.trace" if path.is_dir() else path
    if path.exists():
        raise UsageError(f"{path} is there already: name a new file with --out, so that its first hold is the open one")
    n_done = 0

    def tell(words: str) -> None:
        nonlocal n_done
        print(printable(words), file=sys.stderr, flush=True)
        n_done += words.startswith("hold ")
        if n_done and n_done <= n_restricted:
            print(
                f"Now restrict the outlet, well away from the vane ({n_done} of {n_restricted}): aim at five times the "
                "pressure. Hold it on the same terminal again.", file=sys.stderr, flush=True,
            )  # fmt: skip

    print(wrapped(ON_A_VISIT), file=sys.stderr)
    print(
        wrapped("A restricted supply leaves extract the stronger, and a restricted extract leaves moist air: take the "
                "restriction off after each reading."), file=sys.stderr,
    )  # fmt: skip
    print("Hold the hood on the terminal, outlet open, until the board says done.", file=sys.stderr, flush=True)
    outcomes, _, whole = hold_readings(port, hood, path, 1 + n_restricted, tell)
    if not whole:
        raise MeasurementError(f"{path}: ended after {len(outcomes)} of {1 + n_restricted} readings. Record anew.")
    return path, [outcome.name for outcome in outcomes]


def _seen(found: Table, trace: Path, opened: list[str], restricted: list[str], times: list[float] | None) -> list[Seen]:
    from hoodtrace.calibration.openings import Seen

    by_name = {outcome.name: outcome for outcome in found.outcomes}
    out = []
    factors: list[float | None] = [1.0 for _ in opened]
    factors += times or [None for _ in restricted]
    for i, (name, factor) in enumerate(zip([*opened, *restricted], factors, strict=True)):
        key = name if "." in name else f"{name}.1"
        outcome = by_name.get(key)
        if outcome is None:
            raise UsageError(f"{trace} has no reading {name}; `hoodtrace readings` lists them as HOLD.PLATEAU")
        if outcome.averaged.refusal is not None:
            raise MeasurementError(f"{trace}: {key} is no reading ({outcome.averaged.refusal}). Take another.")
        out.append(Seen(key, (outcome.boot, outcome.hold), outcome.averaged, factor, i >= len(opened)))
    return out


def _result(
    found: Table, hood: Hood, seen: list[Seen], stated: tuple[float, float] | None, u_times_rel: float
) -> tuple[dict[str, Any], Refusal | None]:
    """Return what is printed, and the refusal if there is one."""
    from hoodtrace.calibration.back_pressure import Correction, Refusal, estimated, two_resistances
    from hoodtrace.calibration.openings import prepare
    from hoodtrace.physics.resistance import law_of, natural_warning
    from hoodtrace.units import m3h

    first = seen[0].averaged
    if first.air is None:
        raise MeasurementError(f"reading {seen[0].name} says nothing of the air. Take another.")
    law = law_of(hood, first.direction, first.air.density_kg_m3)
    shown: dict[str, Any] = {
        "trace": found.trace, "hood": found.hood,
        "with_hood": {"flow_m3h": m3h(first.flow_m3_s), "u_flow_m3h": m3h(first.total.u_m3_s),
                      "dof": _finite(first.total.dof), "expanded_m3h": m3h(first.total.expanded_m3_s)},
        "hood_law": {"dp_pa": law.pa(first.flow_m3_s), "u_rel": law.u_rel(first.flow_m3_s), "exponent": law.exponent},
        "no_hood": None, "estimate": None, "refused": None, "openings": [], "flags": [], "cautions": [],
    }  # fmt: skip
    refusal: Refusal | None = None
    dp_pa, branch_pa = law.pa(first.flow_m3_s), math.inf if stated is None else stated[0]
    if any(each.restricted for each in seen):
        prepared = prepare(seen, hood, u_times_rel)
        corrected = prepared if isinstance(prepared, Refusal) else two_resistances(prepared.openings, prepared.shared)
        if isinstance(corrected, Refusal):
            refusal = corrected
        elif not isinstance(prepared, Refusal):
            shown["no_hood"] = _flows(corrected)
            branch_pa = corrected.branch_pa
            shown["flags"] += [*prepared.flags, *corrected.flags]
        if not isinstance(prepared, Refusal):
            dp_pa = prepared.openings[0].dp_pa
            shown["openings"] = _openings(prepared, corrected)
            shown["taps_feel"] = prepared.feels
            shown["ratio_change"] = prepared.ratio_change
    if stated is not None:
        u_rel = first.total.u_m3_s / first.flow_m3_s
        u_dp = law.u_rel(first.flow_m3_s) * dp_pa
        guess = estimated(first.flow_m3_s, u_rel, first.total.dof, dp_pa, u_dp, *stated)
        if isinstance(guess, Correction):
            shown["estimate"] = _flows(guess)
        elif shown["no_hood"] is None:
            refusal = refusal or guess
        else:
            shown["cautions"].append(f"no estimate: {guess.words}")
    warning = natural_warning(branch_pa, dp_pa) if dp_pa < branch_pa else None
    if warning is not None:
        shown["cautions"].append(warning)
    if refusal is not None:
        shown["refused"] = {"reason": refusal.kind, "words": refusal.words}
    return shown, refusal


def _flows(one: Correction) -> dict[str, Any]:
    from hoodtrace.units import m3h

    return {
        "method": one.kind, "flow_m3h": m3h(one.no_hood_m3_s), "u_flow_m3h": m3h(one.total.u_m3_s),
        "dof": _finite(one.total.dof), "expanded_m3h": m3h(one.total.expanded_m3_s),
        "with_hood_m3h": m3h(one.with_hood_m3_s), "lost_rel": one.lost_rel, "branch_pa": _finite(one.branch_pa),
        "u_branch_pa": _finite(one.u_branch_pa), "p_value": one.p_value,
        "budget": [{"term": t.name, "u_m3h": m3h(t.u_m3_s), "dof": _finite(t.dof), "scope": t.scope}
                   for t in one.terms],
    }  # fmt: skip


def _openings(prepared: Prepared, corrected: Correction | Refusal) -> list[dict[str, Any]]:
    from hoodtrace.calibration.back_pressure import Correction
    from hoodtrace.units import m3h

    n = len(prepared.openings)
    off = corrected.residual_rel if isinstance(corrected, Correction) and n > 2 else (None,) * n
    return [
        {"reading": o.name, "flow_m3h": m3h(o.flow_m3_s), "dp_pa": o.dp_pa, "times": r, "residual_rel": e}
        for o, r, e in zip(prepared.openings, prepared.resistances, off, strict=True)
    ]


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


_FLAGS = {
    "the fan may hold this flow": "the flow did not fall clearly; then both flows are one. Restrict further to tell",
    "restricted little": "the uncertainty grows by that: restrict to five times the open hood's pressure",
    "openings not on one line": "the terminal changed between readings, or a regulator moves; the interval is widened",
    "k under the restriction not checked": "with the tube open to the room the taps can't show if the restriction "
    "changes the vane's k; once read the same pair with the tubes as calibrated and --times",
    "k under the restriction hardly checked": "the ratio of vane to taps is too uncertain at this small pressure",
    "placement not tested": "the hood file has no repeat placements; what a new placement changes is not in",
}


def _print(shown: dict[str, Any]) -> None:
    """Print both flows, labelled, and what stands behind them."""
    on = shown["with_hood"]
    typer.echo(f"with the hood on   {on['flow_m3h']:7.1f} m3/h  ±{on['expanded_m3h']:.1f}  (95 %)")
    for key, label in (("no_hood", "with no hood"), ("estimate", "with no hood (estimate)")):
        one = shown[key]
        if one is None:
            continue
        typer.echo(f"{label:<18} {one['flow_m3h']:7.1f} m3/h  ±{one['expanded_m3h']:.1f}  (95 %)")
        known = one["branch_pa"] is not None
        branch = f"; branch pressure {one['branch_pa']:.1f} Pa ± {one['u_branch_pa']:.1f} (1 u)" if known else ""
        typer.echo(f"  from {one['with_hood_m3h']:.1f} m3/h read; the hood takes {100 * one['lost_rel']:.1f} %{branch}")
        if one["p_value"] is not None:
            typer.echo(f"  chance of such distances from one line: {100 * one['p_value']:.0f} %")
    for o in shown["openings"]:
        rest = "" if o["residual_rel"] is None else f", {100 * o['residual_rel']:+.2f} % off the line"
        typer.echo(f"  {o['reading']}: {o['flow_m3h']:.1f} m3/h by the vane, {o['dp_pa']:.2f} Pa in front, "
                   f"{o['times']:.2f} times the open hood's resistance{rest}")  # fmt: skip
    law = shown["hood_law"]
    typer.echo(f"hood's own law: {law['dp_pa']:.2f} Pa at the flow read, ±{100 * law['u_rel']:.0f} % (1 u)")
    for flag in shown["flags"]:
        say(f"{flag}: {_FLAGS.get(flag, '')}")
    for caution in shown["cautions"]:
        say(f"caution: {caution}.")
