"""Tables and words for people on a terminal."""

from __future__ import annotations

from typing import Any

from hoodtrace.averaging.table import Table as Readings
from hoodtrace.cli.printable import printable


def print_readings(found: Readings) -> None:
    """Print readings and refusals, the trace's losses, and each flag in words."""
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, soft_wrap=False)
    trace = found.trace
    console.print(
        f"{printable(trace['file'])}: {trace['duration_s']:.0f} s, {trace['lines']} good lines, "
        f"{trace['bad_lines']} damaged, "
        f"{trace['lost_samples']} lost, {trace['boots']} run{'s' if trace['boots'] != 1 else ''} of the board"
        f"; hood: {printable(found.hood['name'])}",
        markup=False,
    )
    for note in trace["notes"]:
        console.print(f"note: {note}", markup=False)
    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for name, justify in (
        ("hold", "right"),
        ("from s", "right"),
        ("to s", "right"),
        ("", "left"),
        ("flow m3/h", "right"),
        ("±95 %", "right"),
        ("of it air", "right"),
        ("vane", "right"),
        ("taps", "right"),
        ("remarks", "left"),
    ):
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    rows = [(r["hold"], r["plateau"], r) for r in (*found.readings, *found.refused)]
    for _, _, row in sorted(rows, key=lambda r: r[:2]):
        table.add_row(*_cells(row))
    console.print(table)
    flags = sorted({flag for _, _, row in rows for flag in row["flags"]})
    for flag in flags:
        console.print(f"{flag}: {flag_words(flag)}", markup=False)
    console.print("±95 %: half-width of the 95 % interval, hood included; 'of it air' is the part of the air itself.")


def _cells(row: dict[str, Any]) -> list[str]:
    name = f"{row['hold']}.{row['plateau']}"
    ends = [f"{row['start_s']:.1f}", f"{row['end_s']:.1f}", row["direction"]]
    if "why" in row:
        sign = "up to " if row["why"] == "too slow" else "about "
        estimate = f"{sign}{row['estimate_m3h']:.1f}" if row["estimate_m3h"] is not None else "-"
        return [name, *ends, "no reading", "", "", "", "", "; ".join([f"{row['why']} ({estimate})", *row["flags"]])]
    cuts = [f"{r['why']} cut out at {r['start_s']:.0f} s" for r in row["rejected"]]
    return [
        name,
        *ends,
        f"{row['flow_m3h']:.1f}",
        f"{row['expanded_m3h']:.1f}",
        f"{row['expanded_random_m3h']:.1f}",
        *("-" if row[k] is None else f"{row[k]:.1f}" for k in ("vane_m3h", "taps_m3h")),
        "; ".join([*row["flags"], *cuts]),
    ]


_WORDS = {
    "air assumed": "no pressure, temperature or humidity in the trace; standard air within 3 % is assumed",
    "short": "the hold was short against the air's own rhythm; hold on longer for a narrower interval",
    "placement not tested": "the hood file has no repeat placements; what a new placement changes is not in",
    "zero doubtful": "free-hanging air did not read zero within limits; an older zero is used. Bridge the tubes",
    "direction unknown": "the pressure is too small to tell which way the air goes",
    "direction not calibrated": "the hood file has no calibration for this direction",
    "reversing": "the air turned round for more than 5 % of the time; the vane can't tell and is left out",
    "much cut out": "more than a quarter of the plateau was cut out as gusts, knocks or leaks",
    "taps over range": "the pressure went beyond the chip's range; only the vane counts",
    "taps not valid": "the pressure chip gave no valid values for more than 1 % of the time; only the vane counts",
    "taps say nothing": "the pressure is too small against its own uncertainty; only the vane counts",
    "vane below its start speed": "the air is too slow for the vane; only the taps count",
    "from log": "decimated samples from the board's flash log",
    "late lines": "lines that came more than 60 s late were used; a live view could not have them",
}


def flag_words(flag: str) -> str:
    """Return what a flag means, in a sentence."""
    if flag.startswith("channels disagree"):
        return (
            "vane and taps differ by more than their uncertainties allow; find the cause before you trust the reading"
        )
    return _WORDS.get(flag, "see DEVELOPERS.md")
