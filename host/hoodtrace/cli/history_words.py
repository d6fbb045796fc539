"""A hood's history as text in 80 columns: the table by visit, and charts drawn with characters.

Draws the object that `hoodtrace hood --history --format json` prints; nothing is computed here but places on a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hoodtrace.cli.printable import printable, wrapped

Row = dict[str, Any]
WIDTH, LABEL = 80, 24
NORMAL_95 = 1.96


def as_text(found: Row) -> str:
    """Return the table by visit and the charts, 80 columns wide."""
    lines = [f"hood {printable(found['hood']['name'])}, {len(found['visits'])} visit(s); vane over taps", ""]
    lines.append(f"{'visit':<{LABEL}}{'date':<11}{'read':>5}  {'ratio, 95 %':<25}{'zero Pa':>8}")
    for row in found["visits"]:
        zero = "-" if row["zero"] is None else f"{row['zero']['mean_pa']:+.3f}"
        ratios = [_ratio_words(row, direction) for direction in row["ratio"]] or ["-"]
        head = f"{_label(row):<{LABEL}}{row['date'] or '-':<11}{len(row['readings']):>5}  "
        lines.append(f"{head}{ratios[0]:<25}{zero:>8}")
        lines += [f"{'':<{LABEL + 18}}{words}" for words in ratios[1:]]
        lines += _wrapped(row["verdict"], "    ")
    directions = sorted({direction for row in found["visits"] for direction in row["ratio"]}, reverse=True)
    for direction in directions:
        rows = [(_label(row), row["ratio"][direction]) for row in found["visits"] if direction in row["ratio"]]
        if len(rows) > 1:
            lines += ["", f"ratio, {direction}: o visit, x alarm, * moving average, | level, [ ] limits"]
            lines += _drawn([(name, _points(m), m["alarm"]) for name, m in rows], 100.0, "%")
    zeros = [(_label(row), row["zero"]) for row in found["visits"] if row["zero"] is not None]
    if len(zeros) > 1:
        lines += ["", "zero: o visit, x alarm, | the hood file's, [ ] limits"]
        lines += _drawn([(name, _zero_points(z), z["alarm"]) for name, z in zeros], 1.0, "Pa")
    lines.append("")
    for note in found["notes"]:
        lines += _wrapped(f"note: {note}", "")
    lines += _wrapped(found["rule"]["words"], "")
    return "\n".join(lines) + "\n"


Points = dict[str, float]


def _points(mark: Row) -> Points:
    """Return what to draw of a ratio's mark, as deviations from 1."""
    drawn = {"[": mark["low"], "]": mark["high"], "|": mark["level"], "*": mark["average"], "o": mark["mean"]}
    return {sign: value - 1.0 for sign, value in drawn.items() if value is not None}


def _zero_points(zero: Row) -> Points:
    middle = (zero["low_pa"] + zero["high_pa"]) / 2.0
    return {"[": zero["low_pa"], "]": zero["high_pa"], "|": middle, "o": zero["mean_pa"]}


def _drawn(rows: Sequence[tuple[str, Points, bool]], factor: float, unit: str) -> list[str]:
    """Return a line of characters for each row; later signs of its points cover earlier ones."""
    values = [value for _, points, _ in rows for value in points.values()]
    low, high = min(values), max(values)
    width = WIDTH - LABEL - 1
    step = max(high - low, 1e-9) / (width - 1)
    lines = []
    for name, points, alarm in rows:
        cells = [" "] * width
        for sign, value in points.items():
            cells[round((value - low) / step)] = "x" if sign == "o" and alarm else sign
        lines.append(f"{name:<{LABEL}}{''.join(cells)}".rstrip())
    left, right = f"{factor * low:+.2f} {unit}", f"{factor * high:+.2f} {unit}"
    return [*lines, f"{'':<{LABEL}}{left}{right:>{width - len(left)}}"]


def _label(row: Row) -> str:
    """Return a visit's name, short enough for its column."""
    name = printable(row["visit"])
    return name if len(name) < LABEL else "..." + name[-(LABEL - 5) :]


def _ratio_words(row: Row, direction: str) -> str:
    mark = row["ratio"][direction]
    half = NORMAL_95 * mark["u_mean"]
    return f"{mark['mean']:.3f} ±{half:.3f} {direction}{' !' if mark['alarm'] else ''}"


def _wrapped(text: str, indent: str) -> list[str]:
    return wrapped(text, indent, widest=WIDTH - 1).split("\n")
