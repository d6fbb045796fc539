"""`hoodtrace hood`: describe a hood, built or planned, and warn by what the trade knows.

With a hood file: what it is, what is missing, what the planned flows do in it. Without: from bore and flows, what to
expect and which bore to build. The words of the command are checked in hood_options; this file gathers one object,
which is printed as JSON or as text (hood_page). Its numbers are made in calibration.hood_expect and hood_advice.
"""

from __future__ import annotations

import datetime
import json
import math
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from hoodtrace.cli.hood_options import checked, fit_together, numbers
from hoodtrace.errors import UsageError
from hoodtrace.units import M3_H_PER_M3_S, m3h

if TYPE_CHECKING:
    from hoodtrace.calibration.hood_advice import Advice, Tubes
    from hoodtrace.calibration.hood_expect import Design

ASSUMED_START_M_S = 0.25
ASSUMED_LENGTH_MM = 200.0
ASSUMED_U_ZERO_PA = 0.02
MOST_SHARE = 0.02
REFERENCE_PRESSURE_PA = 96600.0
"""Of the flow-through chip that the wiring page asks for (data sheet; seen)."""
GUSTS = (
    "Natural ventilation: a few pascals drive everything, and gusts of wind change by more than the hood may take. "
    "Repeat over minutes, and correct for the hood."
)
Found = dict[str, Any]


def describe(
    hood: Annotated[Path | None, typer.Argument(help="The hood file; leave out before the hood is built.")] = None,
    flows: Annotated[str | None, typer.Option(help="Planned flows in m3/h, such as 15,30,60.")] = None,
    bore_mm: Annotated[float | None, typer.Option(help="Not built yet: bore of the pipe.")] = None,
    length_mm: Annotated[float | None, typer.Option(help="Not built yet: length of the pipe (200).")] = None,
    start_m_s: Annotated[float | None, typer.Option(help="Not built yet: speed at which the vane starts.")] = None,
    gain_m_s_per_hz: Annotated[float | None, typer.Option(help="Not built yet: the vane's m/s per edge/s.")] = None,
    offset_m_s: Annotated[float | None, typer.Option(help="Not built yet: the vane's offset.")] = None,
    c: Annotated[float | None, typer.Option("--c", help="Not built yet: the taps' factor.")] = None,
    u_zero_pa: Annotated[float | None, typer.Option(help="Not built yet: how far the zero may be off (0.02).")] = None,
    chip_pa: Annotated[float, typer.Option(help="Rated range of the pressure chip.")] = 125.0,
    straightener: Annotated[bool | None, typer.Option(help="Whether there is a straightener.")] = None,
    blade_mm: Annotated[float | None, typer.Option(help="The vane's diameter over its blade tips.")] = None,
    branch_pa: Annotated[float | None, typer.Option(help="Pressure available to a terminal's branch, Pa.")] = None,
    natural: Annotated[bool, typer.Option("--natural", help="Natural ventilation: at most 0.2 Pa of hood.")] = False,
    stack_m: Annotated[float | None, typer.Option(help="With --natural: height of the warm air.")] = None,
    outside_c: Annotated[float | None, typer.Option(help="With --natural: temperature outside.")] = None,
    inside_c: Annotated[float | None, typer.Option(help="With --natural: temperature inside.")] = None,
    most_share: Annotated[float | None, typer.Option(help="Most of the branch's pressure for the hood (0.02).")] = None,
    turbulence_rel: Annotated[float | None, typer.Option(help="Turbulence index: a reading's fluctuation_rel.")] = None,
    trace: Annotated[Path | None, typer.Option(help="Take the turbulence from this trace's readings.")] = None,
    tube_mm: Annotated[str | None, typer.Option(help="Tubes of one ring of taps: 500,500,500,1000.")] = None,
    tube_bore_mm: Annotated[float | None, typer.Option(help="Bore of these tubes.")] = None,
    tap_spread_rel: Annotated[float, typer.Option(help="How much the taps' pressures scatter around the pipe.")] = 0.10,
    direction: Annotated[Literal["supply", "extract"], typer.Option(help="Which way the air goes.")] = "supply",
    history: Annotated[Path | None, typer.Option(help="Instead: the hood's health over all traces below here.")] = None,
    output: Annotated[Literal["text", "json"], typer.Option("--format", help="How to print: text or json.")] = "text",
) -> None:
    """Describe a hood, built or planned, with warnings; with --history its health over the visits."""
    if history is not None:
        from hoodtrace.cli.hood_history import history as over_time

        over_time(history, hood, "json" if output == "json" else "table")
        return
    planned = {
        "--bore-mm": bore_mm,
        "--length-mm": length_mm,
        "--start-m-s": start_m_s,
        "--gain-m-s-per-hz": gain_m_s_per_hz,
        "--offset-m-s": offset_m_s,
        "--c": c,
        "--u-zero-pa": u_zero_pa,
    }
    other = {
        "--chip-pa": chip_pa,
        "--blade-mm": blade_mm,
        "--branch-pa": branch_pa,
        "--stack-m": stack_m,
        "--outside-c": outside_c,
        "--inside-c": inside_c,
        "--most-share": most_share,
        "--turbulence-rel": turbulence_rel,
        "--tube-bore-mm": tube_bore_mm,
        "--tap-spread-rel": tap_spread_rel,
    }
    for option, value in (planned | other).items():
        if value is not None:
            checked(option, value)
    flows_m3h = numbers("--flows", flows)
    tubes_mm = numbers("--tube-mm", tube_mm)
    fit_together(hood, planned, other, flows_m3h, tubes_mm, natural, trace)

    from hoodtrace.calibration.hood_advice import Tubes
    from hoodtrace.physics.resistance import HOOD_MOST_NATURAL_PA, stack_pa

    found: dict[str, Any] = {
        "hood": None,
        "plan": None,
        "direction": direction,
        "warnings": [],
        "missing": [],
        "notes": [],
    }
    flows_m3_s = sorted(flow / M3_H_PER_M3_S for flow in flows_m3h)
    if hood is not None:
        design = _built(found, hood, direction, straightener, flows_m3_s, tubes_mm)
    else:
        design = _planned(found, planned, straightener)
    available_pa = branch_pa
    if stack_m is not None and outside_c is not None and inside_c is not None:
        available_pa = stack_pa(stack_m, outside_c, inside_c)
    share = MOST_SHARE if most_share is None else most_share
    limit_pa = None if available_pa is None else share * available_pa
    if natural:
        limit_pa = (
            HOOD_MOST_NATURAL_PA if limit_pa is None or most_share is None else min(HOOD_MOST_NATURAL_PA, limit_pa)
        )
        found["notes"].append(GUSTS)
    indices = [] if turbulence_rel is None else [turbulence_rel]
    if trace is not None and hood is not None:
        indices = _fluctuations(trace, hood)
        if not indices:
            found["notes"].append(f"{trace} holds no reading: its turbulence is not known.")
    rough = max(indices, default=None)
    tubes = Tubes(tuple(mm / 1000.0 for mm in tubes_mm), (tube_bore_mm or 0.0) / 1000.0) if tubes_mm else None
    found |= {"available_pa": available_pa, "limit_pa": limit_pa, "turbulence_rel": rough}
    _flows(found, design, flows_m3_s, chip_pa, share, natural)
    _warn(found, design, blade_mm, rough, tubes, tap_spread_rel)
    if output == "json":
        sys.stdout.write(json.dumps(found, allow_nan=False, ensure_ascii=False) + "\n")
    else:
        from hoodtrace.cli.hood_page import print_hood

        print_hood(found)


def _built(
    found: Found, path: Path, direction: str, straightener: bool | None, flows_m3_s: list[float], tubes_mm: list[float]
) -> Design:
    """Read the hood file into `found`, with what is missing and what its ranges and dates warn of."""
    from hoodtrace.calibration import hood_advice, hood_expect
    from hoodtrace.physics.hood import read_hood

    hood, sha256 = read_hood(path)
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    if taps is not None and tubes_mm and len(tubes_mm) != taps.count:
        raise UsageError(f"--tube-mm: {len(tubes_mm)} lengths for the hood's {taps.count} taps. Give one for each.")
    start_m3_s = hood.start_flow_m3_s(direction)
    found["hood"] = hood.model_dump(mode="json") | {
        "file": str(path),
        "sha256": sha256,
        "area_m2": hood.area_m2,
        "start_m3h": None if start_m3_s is None else m3h(start_m3_s),
        "vane": None if vane is None else vane.model_dump(mode="json"),
        "taps": None if taps is None else taps.model_dump(mode="json"),
        "direction_calibrated": hood.calibrated_for(direction),
    }
    found["missing"] = [{"key": key, "cost": cost} for key, cost in hood_advice.missing(hood)]
    warnings: list[Advice | None] = []
    for name, channel in (("vane", vane), ("taps", taps)):
        if flows_m3_s and channel is not None and channel.range_m3h is not None:
            warnings += hood_advice.outside_range(flows_m3_s, channel.range_m3h, name)
    if hood.calibration is not None:
        warnings.append(hood_advice.overdue(hood.calibration.due, datetime.date.today()))
    _add(found, *warnings)
    return hood_expect.design_of(hood, direction, straightener)


def _planned(found: Found, planned: dict[str, float | None], straightener: bool | None) -> Design:
    """Return the design of a hood that is not built, and say in `found` what was assumed for it."""
    from hoodtrace.calibration.hood_expect import Design
    from hoodtrace.physics.air import assumed_air

    start = planned["--start-m-s"]
    if start is None:
        start = ASSUMED_START_M_S
        found["notes"].append(f"--start-m-s was not given: {start} m/s is assumed (0.15 to 0.4 m/s are usual: memory).")
    if planned["--c"] is None:
        found["notes"].append("--c was not given: the taps' pressure is that of straightener and vane, an estimate.")
    design = Design(
        (planned["--bore-mm"] or math.nan) / 1000.0,
        (planned["--length-mm"] or ASSUMED_LENGTH_MM) / 1000.0,
        assumed_air(None),
        straightener,
        start_m_s=start,
        offset_m_s=planned["--offset-m-s"] or 0.0,
        gain_m_s_per_hz=planned["--gain-m-s-per-hz"],
        c=planned["--c"],
        u_zero_pa=planned["--u-zero-pa"] or ASSUMED_U_ZERO_PA,
        reference_pressure_pa=REFERENCE_PRESSURE_PA,
    )
    given = {option[2:].replace("-", "_"): value for option, value in planned.items()}
    found["plan"] = given | {"length_mm": design.length_m * 1000.0, "start_m_s": start, "u_zero_pa": design.u_zero_pa}
    return design


def _flows(found: Found, design: Design, flows_m3_s: list[float], chip_pa: float, share: float, natural: bool) -> None:
    """Put what to expect at each flow, the losses behind it, the bore and their warnings into `found`."""
    from hoodtrace.calibration import hood_advice, hood_expect

    available_pa, limit_pa, rough = found["available_pa"], found["limit_pa"], found["turbulence_rel"]
    air = design.air
    found["air"] = {
        "temp_c": air.temp_c,
        "rh_pct": air.rh_pct,
        "pressure_pa": air.pressure_pa,
        "density_kg_m3": air.density_kg_m3,
    }
    expected = [hood_expect.expect(design, flow, available_pa, chip_pa) for flow in flows_m3_s]
    found["flows"] = []
    for row in expected:
        cells = {"flow_m3h": m3h(row.flow_m3_s)} | asdict(row)
        del cells["flow_m3_s"]
        found["flows"].append(cells)
    found["losses"], found["bore"] = [], None
    if not expected:
        return
    low, high = expected[0], expected[-1]
    found["losses"] = [asdict(loss) for loss in hood_expect.losses(design, high.speed_m_s)]
    found["estimate_pa"] = {w: hood_expect.front_pa(design, high.flow_m3_s, w) for w in ("low", "usual", "high")}
    _add(
        found,
        hood_advice.odd_flows(flows_m3_s),
        None if design.start_m_s is None else hood_advice.slow_for_vane(low, design.start_m_s),
        hood_advice.chip_range(high, chip_pa, hood_advice.MOST_TURBULENCE_REL if rough is None else rough),
        hood_advice.weak_taps(low, design.u_zero_pa),
        hood_advice.back_pressure(high, share, limit_pa if natural else None),
    )
    if found["hood"] is None and limit_pa is not None:
        choice = hood_expect.choose_bore(design, flows_m3_s, limit_pa)
        found["bore"] = hood_expect.bore_row(design, choice, flows_m3_s)


def _warn(
    found: Found,
    design: Design,
    blade_mm: float | None,
    rough: float | None,
    tubes: Tubes | None,
    spread_rel: float,
) -> None:
    """Put the warnings that need no flows into `found`, and what the tubes do."""
    from hoodtrace.calibration import hood_advice

    _add(
        found,
        hood_advice.odd_bore(design.bore_m),
        hood_advice.long_pipe(design.length_m),
        None if blade_mm is None else hood_advice.blade_fit(design.bore_m, blade_mm / 1000.0),
        hood_advice.no_straightener(design),
        None if rough is None else hood_advice.turbulence(rough, design.straightener),
    )
    found["tubes"] = None
    if tubes is None:
        return
    through = design.reference_pressure_pa is not None
    found["tubes"] = {
        "weights": tubes.weights,
        "u_dp_rel": tubes.u_reading_rel(spread_rel),
        "loss_rel": tubes.loss_rel(design.air.temp_c) if through else 0.0,
        "chip": "flow-through" if through else "membrane",
    }
    # In a membrane chip's line no air goes to the chip, but it does from tap to tap: the weights hold for both.
    _add(
        found,
        hood_advice.unequal_tubes(tubes, spread_rel),
        hood_advice.tube_loss(tubes, design.air.temp_c) if through else None,
    )


def _add(found: Found, *advice: Advice | None) -> None:
    found["warnings"] += [asdict(each) for each in advice if each is not None]


def _fluctuations(trace: Path, hood: Path) -> list[float]:
    """Return the turbulence indices of a trace's readings."""
    from hoodtrace.averaging.table import readings_of

    return [float(row["fluctuation_rel"]) for row in readings_of(trace, hood).readings]
