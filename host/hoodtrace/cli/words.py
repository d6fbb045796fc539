"""Tables and words for people on a terminal."""

from __future__ import annotations

from typing import Any

import typer

from hoodtrace.averaging.table import Table as Readings
from hoodtrace.cli.printable import printable, say

TOUCH_S = 5.0
"""A refused plateau shorter than this is a touch of the hands or the way to the next terminal: listed, not tabled."""

_HEAD = ("hold", "from s", "to s", "", "flow m3/h", "±95 %", "of it air", "vane", "taps")
_WIDTHS = (6, 8, 8, 10, 11, 7, 11, 7, 7)
_INDENT = 6


def print_readings(found: Readings) -> None:
    """Print readings and refusals, the trace's losses, and each flag in words; 80 columns are enough."""
    trace = found.trace
    say(
        f"{printable(trace['file'])}: {trace['duration_s']:.0f} s, {trace['lines']} good lines, "
        f"{trace['bad_lines']} damaged, "
        f"{trace['lost_samples']} lost, {trace['boots']} run{'s' if trace['boots'] != 1 else ''} of the board"
        f"; hood: {printable(found.hood['name'])}"
    )
    for note in trace["notes"]:
        say(f"note: {note}")
    touches = [row for row in found.refused if row["end_s"] - row["start_s"] < TOUCH_S and not row.get("chosen_by")]
    rows = sorted(
        [*found.readings, *(row for row in found.refused if row not in touches)],
        key=lambda row: (row["hold"], row["plateau"]),
    )
    typer.echo("\n" + _columns(_HEAD))
    for row in rows:
        _print_row(row)
    if touches:
        typer.echo("")
        places = ", ".join(f"{row['start_s']:.0f}" for row in touches)
        many = f"{len(touches)} touches" if len(touches) > 1 else "1 touch"
        say(f"And {many} of under {TOUCH_S:.0f} s, at {places} s: nothing to read.")
    typer.echo("")
    for flag in sorted({flag for row in rows for flag in row["flags"]}):
        say(f"{flag}: {flag_words(flag)}")
    say("±95 %: half-width of the 95 % interval, hood included; 'of it air' is the part of the air itself.")


def _print_row(row: dict[str, Any]) -> None:
    name = f"{row['hold']}.{row['plateau']}"
    ends = (name, f"{row['start_s']:.1f}", f"{row['end_s']:.1f}", row["direction"])
    if "why" in row:
        sign = "up to " if row["why"] == "too slow" else "about "
        estimate = f" ({sign}{row['estimate_m3h']:.1f})" if row["estimate_m3h"] is not None else ""
        typer.echo(f"{_columns(ends)}  no reading: {row['why']}{estimate}")
        remarks = row["flags"]
    else:
        flows = (row[k] for k in ("flow_m3h", "expanded_m3h", "expanded_random_m3h", "vane_m3h", "taps_m3h"))
        typer.echo(_columns((*ends, *("-" if flow is None else f"{flow:.1f}" for flow in flows))))
        remarks = [*row["flags"], *(f"{r['why']} cut out at {r['start_s']:.0f} s" for r in row["rejected"])]
    if row.get("chosen_by"):
        beside = row["automatic"]
        flow = None if beside is None else beside.get("flow_m3h")
        was = "none was found" if beside is None else "refused" if flow is None else f"{flow:.1f} m3/h"
        remarks = [f"chosen by hand (automatic: {was})", *remarks, *row["notes"]]
    if remarks:
        say("; ".join(remarks), " " * _INDENT)


def _columns(cells: tuple[str, ...]) -> str:
    pairs = zip(cells, _WIDTHS, strict=False)
    return "".join(f"  {cell:<{width - 2}}" if i == 3 else f"{cell:>{width}}" for i, (cell, width) in enumerate(pairs))


_WORDS = {
    "air assumed": "no pressure, temperature or humidity in the trace; standard air within 3 % is assumed",
    "short": "the hold was short against the air's own rhythm; hold on longer for a narrower interval",
    "placement not tested": "the hood file has no repeat placements; what a new placement changes is not in",
    "zero doubtful": "free-hanging air did not read zero within limits; an older zero is used. Bridge the tubes",
    "direction unknown": "the pressure is too small to tell which way the air goes",
    "direction not calibrated": "the hood file has no calibration for this direction",
    "outside the calibration": "under the lowest or over 1.2 times the highest flow that the hood was calibrated at",
    "reversing": "the air turned round for more than 5 % of the time; the vane can't tell and is left out",
    "much cut out": "more than a quarter of the plateau was cut out as gusts, knocks or leaks",
    "taps over range": "the pressure went beyond the chip's range; only the vane counts",
    "taps not valid": "the pressure chip gave no valid values for more than 1 % of the time; only the vane counts",
    "taps say nothing": "the pressure is too small against its own uncertainty; only the vane counts",
    "vane below its start speed": "the air is too slow for the vane; only the taps count",
    "from log": "decimated samples from the board's flash log",
    "chosen by hand": "a person chose this stretch, having seen its flow; the interval holds only if the flow was no "
    "reason for the choice",
    "beyond what was found": "part of it is in no plateau that was found: a turned valve, or a hood half lifted?",
    "direction is not the plan's": "the air goes the other way than the plan says of this terminal",
    "late lines": "lines that came more than 60 s late were used; a live view could not have them",
}


def flag_words(flag: str) -> str:
    """Return what a flag means, in a sentence."""
    if flag.startswith("channels disagree"):
        return (
            "vane and taps differ by more than their uncertainties allow; find the cause before you trust the reading"
        )
    return _WORDS.get(flag, "see DEVELOPERS.md")
