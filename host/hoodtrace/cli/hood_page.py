"""The words of `hoodtrace hood` on a terminal: the object that the JSON shows, as text of 80 columns at most.

Computes nothing but units and roundings.
"""

from __future__ import annotations

from typing import Any

import typer

from hoodtrace.cli.printable import wrapped

Found = dict[str, Any]
WIDEST = 80


def print_hood(found: Found) -> None:
    """Print the description, the table of flows, the bore, the warnings and what is missing."""
    if found["hood"] is not None:
        _built(found["hood"], found["direction"])
    else:
        _planned(found["plan"])
    if found["flows"]:
        _table(found)
        _losses(found)
    if found["bore"] is not None:
        _bore(found)
    if found["tubes"] is not None:
        weights = ", ".join(f"{w:.4f}" for w in found["tubes"]["weights"])
        _say(
            f"Tubes: the taps count with {weights}; {found['tubes']['loss_rel']:.1%} of dp is lost in the "
            f"tubes of both rings ({found['tubes']['chip']} chip)."
        )
    if found["turbulence_rel"] is not None:
        _say(f"Turbulence index: {found['turbulence_rel']:.1%}, the highest that was given or read.")
    for note in found["notes"]:
        _say(f"Note: {note}")
    _head("Warnings" if found["warnings"] else "No warnings from what was given.")
    for number, advice in enumerate(found["warnings"], 1):
        _say(f"{number}. {advice['topic']}: {advice['text']}", "   ", first="")
        _say(f"Why: {advice['reason']} ({advice['source']})", "   ")
    if found["missing"]:
        _head("Missing in the hood file")
        for gap in found["missing"]:
            _say(f"{gap['key']}: {gap['cost']}", "  ", first="")


def _built(hood: Found, direction: str) -> None:
    _say(
        f"{hood['name']} ({hood['file']}), air going {'into the room' if direction == 'supply' else 'out of the room'}"
    )
    pipe, vane, taps = hood["pipe"], hood["vane"], hood["taps"]
    _say(f"Pipe: bore {pipe['bore_mm']:g} mm ({1e4 * hood['area_m2']:.1f} cm2), length {pipe['length_mm']:g} mm.")
    if vane is not None:
        offset = f" +- {vane['u_offset_m_s']:.2g}" if vane["u_offset_m_s"] else ""
        _say(
            f"Vane: k {vane['k']:g} +- {vane['u_k_rel']:.1%}; speed = {vane['offset_m_s']:g}{offset} m/s + "
            f"{vane['gain_m_s_per_hz']:g} m/s per Hz; starts at {vane['start_m_s']:g} m/s, which is "
            f"{hood['start_m3h']:.3g} m3/h; {_range(vane)}."
        )
    if taps is not None:
        exponent = "" if taps["exponent"] == 0.5 else f", exponent {taps['exponent']:g} +- {taps['u_exponent']:.2g}"
        chip = "membrane chip" if taps["reference_pressure_pa"] is None else "flow-through chip"
        _say(
            f"Taps: {taps['count']}, c {taps['c']:g} +- {taps['u_c_rel']:.1%}{exponent}; zero {taps['zero_pa']:g} +- "
            f"{taps['u_zero_pa']:g} Pa; {chip}; {_range(taps)}."
        )
    _say("Uncertainties behind +- are standard ones.")
    if hood["placement"] is not None:
        _say(f"Placement: readings differ by {hood['placement']['u_rel']:.1%} from one placement to the next.")
    calibration = hood["calibration"]
    if calibration is not None:
        _say(
            f"Calibrated {calibration['date']}, due again {calibration['due']}: {calibration['made_by']}. Method: "
            f"{calibration['method']}."
        )
    if not hood["direction_calibrated"]:
        _say("This direction was not calibrated.")


def _range(channel: Found) -> str:
    ends = channel["range_m3h"]
    return "range not stated" if ends is None else f"calibrated from {ends[0]:g} to {ends[1]:g} m3/h"


def _planned(plan: Found) -> None:
    gain = "" if plan["gain_m_s_per_hz"] is None else f", {plan['gain_m_s_per_hz']:g} m/s per Hz"
    _say("A hood that is not built yet: estimates, which only a calibration can replace.")
    _say(
        f"Pipe: bore {plan['bore_mm']:g} mm, length {plan['length_mm']:g} mm. Vane: starts at {plan['start_m_s']:g} m/s"
        f"{gain}. Zero within {plan['u_zero_pa']:g} Pa."
    )


def _table(found: Found) -> None:
    air = found["air"]
    _head(
        f"Flows through the hood, air of {air['temp_c']:g} C, {air['pressure_pa'] / 100.0:.0f} hPa, "
        f"{air['density_kg_m3']:.3f} kg/m3"
    )
    heads = ("m3/h", "m/s", "Re", "x start", "edges Hz", "taps Pa", "zero", "step", "hood Pa", "share", "lost")
    widths = (7, 6, 7, 8, 9, 8, 7, 7, 8, 6, 6)
    typer.echo("".join(f"{head:>{width}}" for head, width in zip(heads, widths, strict=True)))
    for row in found["flows"]:
        cells = (
            f"{row['flow_m3h']:.4g}",
            f"{row['speed_m_s']:.3g}",
            f"{row['reynolds']:.0f}",
            _or_dash(row["start_ratio"], ".2f"),
            _or_dash(row["edge_hz"], ".1f"),
            _or_dash(row["taps_pa"], ".3g"),
            _or_dash(row["u_zero_rel"], ".1%"),
            _or_dash(row["taps_step_rel"], ".2%"),
            _or_dash(row["front_pa"], ".3g"),
            ">100%" if (row["front_share"] or 0.0) > 1.0 else _or_dash(row["front_share"], ".1%"),
            "all" if row["lost_rel"] == 1.0 else _or_dash(row["lost_rel"], ".1%"),
        )
        typer.echo("".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True)))
    _say(
        "m/s: mean in the bore; x start: speed at the vane over its start speed; zero, step: zero error and one "
        "count of the chip as a share of the flow; hood Pa: back pressure; share: of the branch's pressure; lost: of "
        "the flow."
    )


def _losses(found: Found) -> None:
    high, estimate = found["flows"][-1], found["estimate_pa"]
    low_pa, high_pa = high["front_low_pa"], high["front_high_pa"]
    by_taps = found["hood"] is not None and found["hood"]["taps"] is not None
    how = "by the calibrated taps, 95 %" if by_taps else "by loss coefficients, lowest and highest"
    lost = ""
    if high["lost_rel"] == high["lost_low_rel"] == 1.0:
        lost = ", which is all that the branch has"
    elif high["lost_rel"] is not None:
        lost = f", which loses {high['lost_rel']:.1%} ({high['lost_low_rel']:.1%} to {high['lost_high_rel']:.1%})"
    _say(f"Hood at {high['flow_m3h']:.4g} m3/h: {high['front_pa']:.3g} Pa ({low_pa:.2g} to {high_pa:.2g} {how}){lost}.")
    if by_taps and found["hood"]["resistance"] is None:
        _say(
            "The taps' pressure is taken as all of the hood's, as [resistance] is missing. By loss coefficients it "
            f"would be {estimate['usual']:.2g} Pa ({estimate['low']:.2g} to {estimate['high']:.2g})."
        )
    if by_taps:
        return
    _say("Loss coefficients, in velocity heads of the bore:")
    for loss in found["losses"]:
        _say(f"{loss['name']} {loss['usual']:.2g} ({loss['low']:.2g} to {loss['high']:.2g}): {loss['source']}", "  ")


def _bore(found: Found) -> None:
    bore, low, high = found["bore"], found["flows"][0]["flow_m3h"], found["flows"][-1]["flow_m3h"]
    limit_pa, least, most = bore["limit_pa"], bore["least_mm"], bore["most_mm"]
    _head("The bore to build")
    _say(
        f"Pressure: at {high:.4g} m3/h and at most {limit_pa:.2g} Pa it needs {least:.0f} mm or more, and "
        f"{bore['least_sure_mm']:.0f} mm by the highest coefficients."
    )
    if most is not None:
        _say(
            f"Vane: at {low:.4g} m3/h and {bore['vane_wanted_m_s']:.2f} m/s (start speed and margin) it needs "
            f"{most:.0f} mm or less."
        )
    if bore["advised_mm"] is not None:
        sure = f"; {bore['sure_mm']} mm even by the highest coefficients" if bore["sure_mm"] else ""
        if bore["sure_mm"] == bore["advised_mm"]:
            sure = ", even by the highest coefficients"
        _say(f"Take {bore['advised_mm']} mm{sure}.")
    elif most is not None and least > most:
        slow, tight = f"{bore['vane_at_least_m_s']:.2f} m/s", f"{bore['front_at_most_pa']:.2g} Pa"
        _say(
            f"Both can't be had: in {least:.0f} mm the vane sees {slow} at the lowest flow; in {most:.0f} mm the hood "
            f"takes {tight} at the highest. A vane that starts earlier, two hoods, or a narrow one with a "
            "correction for its back pressure."
        )
    else:
        ends = f"{least:.0f} mm or more" if most is None else f"{least:.0f} to {most:.0f} mm"
        _say(f"No common pipe size does it; a bore of {ends} would.")
    _say("Measure the bore: the name of a pipe's size is often its outside. (common practice, no source)")


def _or_dash(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _head(text: str) -> None:
    typer.echo("")
    _say(text)


def _say(text: str, indent: str = "", first: str | None = None) -> None:
    typer.echo(wrapped(text, indent, first, WIDEST))
