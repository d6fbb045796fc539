"""What a trace's picture is made of, from the ground up: window, interval and grid, lines, what lies over them, words.

Told apart in grey: the vane is dark, the taps are thin and lighter, the mean is straight, the used window is an area
with a bar under it, what was cut out is hatched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FloatArray
from hoodtrace.averaging.thinned import thinned
from hoodtrace.reporting.canvas import EDGE, RUST, TINT, Box, Canvas, Scale, Stroke, fitted, text_width
from hoodtrace.reporting.pictures import INK
from hoodtrace.reporting.why_picture import BAND, GRID

Flows = NDArray[np.float64] | NDArray[np.float32]
SMALL = 6.2
PAD, TOP, COLUMN, HATCH = 1.5, 10.5, 2.0, 4.0


@dataclass(frozen=True, slots=True)
class Cut:
    """A part that was cut out, in seconds of the trace, and why, in the report's language."""

    start_s: float
    stop_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Shown:
    """What is shown of a reading."""

    t_s: FloatArray
    channels: list[tuple[Flows, str, str, float]]
    """Flows, what they are called, colour and width of the line; vane first."""
    used: tuple[float, float] | None
    cut: Sequence[Cut]
    hold: tuple[float, float]
    mean: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Plot:
    """Where it is drawn; `x` and `y` from the plot's left and bottom."""

    canvas: Canvas
    x: Scale
    y: Scale

    @property
    def box(self) -> Box:
        """The whole plot."""
        return self.x.start, self.y.stop, self.x.stop, self.y.start

    def area(self, start: float, stop: float) -> Box:
        """Return the plot from one time to another, as far as it is in it."""
        left, right = (min(max(self.x.at(t), self.x.start), self.x.stop) for t in (start, stop))
        return left, self.y.stop, right, self.y.start


def ground(plot: Plot, shown: Shown, levels: Sequence[float]) -> None:
    """Draw what lies under the lines: window, interval, grid."""
    canvas, x, y = plot.canvas, plot.x, plot.y
    if shown.used is not None:
        canvas.boxes([plot.area(*shown.used)], TINT)
    canvas.strokes([((x.start, y.at(level)), (x.stop, y.at(level))) for level in levels], GRID, 0.5)
    if shown.used is not None and shown.mean is not None:
        top, bottom = (y.at(shown.mean[0] + sign * shown.mean[1]) for sign in (1.0, -1.0))
        parts = [plot.area(*part) for part in counted(shown.used, shown.cut)]
        canvas.boxes([(left, top, right, bottom) for left, _, right, _ in parts], BAND)


def counted(used: tuple[float, float], cut: Sequence[Cut]) -> list[tuple[float, float]]:
    """Return the parts of the window that count.

    >>> counted((0.0, 9.0), [Cut(2.0, 3.0, ""), Cut(8.0, 9.5, "")])
    [(0.0, 2.0), (3.0, 8.0)]
    """
    parts, start = [], used[0]
    for one in sorted(cut, key=lambda one: one.start_s):
        parts.append((start, min(one.start_s, used[1])))
        start = max(start, one.stop_s)
    return [(a, b) for a, b in [*parts, (start, used[1])] if b > a]


def lines(plot: Plot, shown: Shown) -> None:
    """Draw the channels, the taps under the vane."""
    x, y = plot.x, plot.y
    n_columns = max(1, int((x.stop - x.start) / COLUMN))
    for flow, _, colour, width in reversed(shown.channels):
        finite = np.where(np.isfinite(flow), flow, np.nan).astype(np.float32)
        t_s, (kept,) = thinned(shown.t_s, (finite,), x.low, x.high, n_columns)
        if len(t_s):
            plot.canvas.line(
                np.round(x.at(t_s), 1), np.round(y.at(kept.astype(float)), 1), colour, width, within=plot.box
            )


def over(plot: Plot, shown: Shown) -> None:
    """Draw what lies over the lines: what was cut out, the mean, the ends of the hold, the window's bar, the frame."""
    canvas, (left, top, right, bottom) = plot.canvas, plot.box
    areas = [plot.area(one.start_s, one.stop_s) for one in shown.cut]
    canvas.strokes([stroke for area in areas for stroke in hatched(area)], EDGE, 0.5)
    if shown.used is not None and shown.mean is not None:
        flow, half = shown.mean
        start, _, stop, _ = plot.area(*shown.used)
        canvas.strokes([((start, y), (stop, y)) for y in (plot.y.at(flow - half), plot.y.at(flow + half))], RUST, 0.4)
        canvas.strokes([((start, plot.y.at(flow)), (stop, plot.y.at(flow)))], RUST, 1.0)
    ends = [plot.x.at(t) for t in shown.hold]
    canvas.strokes([((x, top - 1.5), (x, bottom)) for x in ends], INK, 0.6)
    canvas.strokes([((left, top), (left, bottom)), ((left, bottom), (right, bottom))], EDGE, 0.6)
    if shown.used is not None:
        start, _, stop, _ = plot.area(*shown.used)
        canvas.strokes([((start, bottom), (stop, bottom))], RUST, 2.2)


def hatched(area: Box) -> list[Stroke]:
    """Return the strokes of an area's hatching, with its two sides; nothing where it has no width."""
    left, top, right, bottom = area
    if right <= left:
        return []
    height = bottom - top
    strokes: list[Stroke] = [((x, top), (x, bottom)) for x in (left, right)]
    for foot in np.arange(left - height, right, HATCH).tolist():
        start, stop = max(foot, left), min(foot + height, right)
        if stop > start:
            strokes.append(((start, bottom - (start - foot)), (stop, bottom - (stop - foot))))
    return strokes


def reasons(plot: Plot, shown: Shown, from_x: float) -> None:
    """Write above the widest parts first why they were cut out, where the words meet no others."""
    taken: list[tuple[float, float]] = []
    for one in sorted(shown.cut, key=lambda one: (one.start_s - one.stop_s, one.start_s)):
        left, _, right, _ = plot.area(one.start_s, one.stop_s)
        why = fitted(one.why, plot.x.stop - from_x, SMALL)
        wide = text_width(why, SMALL)
        start = min(max(0.5 * (left + right - wide), from_x), plot.canvas.width - PAD - wide)
        reaches = start <= right and start + wide >= left
        if right > left and reaches and all(start > b + 5.0 or start + wide < a - 5.0 for a, b in taken):
            plot.canvas.text(start, TOP - 3.5, why, SMALL)
            taken.append((start, start + wide))
