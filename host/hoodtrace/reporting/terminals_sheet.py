"""One sheet of the picture of a house's terminals: its columns, its scale and what is drawn in each row.

Told apart in grey: before is an open mark, after a filled one, design a tick, what is allowed an area with edges; what
goes on beyond the sheet ends there in an arrow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from hoodtrace.reporting.canvas import (
    EDGE,
    FAINT,
    RUST,
    Box,
    Canvas,
    Sample,
    Scale,
    Stroke,
    fitted,
    legend,
    text_width,
)
from hoodtrace.reporting.pictures import INK
from hoodtrace.reporting.why_picture import BAND, GRID

NARROW_PT = 360.0  # under 5 in words stand above each row, not beside it
SIZE, SMALL, HEADING = 7.0, 6.5, 8.0
PAD, BETWEEN, HEAD, FOOT = 2.0, 5.0, 15.0, 24.0
LEGEND_MOST, GAP = 24.0, 4.0
BEFORE, AFTER = (FAINT, 0.9, 2.4), (INK, 1.3, 2.5)
"""Colour, width of the bar and radius of the mark, in points."""


@dataclass(frozen=True, slots=True)
class TerminalBar:
    """A terminal's row; flows, and half-widths of 95 % intervals, in the unit that the report shows."""

    id: str
    room: str
    direction: Literal["supply", "extract"]
    design: float | None
    low: float | None
    """Least flow that is allowed; None where none is too little ("at most")."""
    high: float | None
    """Most flow that is allowed; None where none is too much ("at least"). No area where both are None."""
    before: tuple[float, float] | None
    """Flow and half-width."""
    after: tuple[float, float] | None
    verdict: str
    """A word or two; where nothing was read `TerminalsWords.no_reading` stands in its place."""


@dataclass(frozen=True, slots=True)
class TerminalsWords:
    """What is written in the picture, in the report's language."""

    supply: str
    extract: str
    before: str
    after: str
    design: str
    allowed: str
    bars: str
    """What the bars are, for example "bars: 95 %"; may be empty."""
    no_reading: str
    axis: str
    """What the axis shows, with its unit."""
    description: str
    """For those who don't see the picture; " 2/6" is added where there are several sheets."""
    number: Callable[[float, int], str]
    """A number with so many decimals, as the language writes it."""


Numbered = tuple[int, TerminalBar]
"""A row with its place among all rows, from 0."""


class Sheet:
    """What all sheets of one picture have in common. `labels`: id and room of each row as they are drawn."""

    def __init__(
        self, rows: Sequence[TerminalBar], labels: Sequence[tuple[str, str]], words: TerminalsWords, width: float
    ) -> None:
        self._words, self._labels, self._width = words, labels, width
        self._narrow = width < NARROW_PT
        self._row, self._above = row_heights(width)
        self._verdicts = verdicts(rows, words, width)
        start, stop = PAD + 2.0, width - 8.0
        if not self._narrow:
            names = (text_width(name, SIZE) + GAP + text_width(room, SMALL) for name, room in labels)
            start, stop = PAD + max(names) + 8.0, width - PAD - max(text_width(v, SIZE) for v in self._verdicts) - 10.0
        self._scale = Scale(*_ends(rows), start, stop)
        self._ticks = self._scale.ticks(5 if self._narrow else 7)
        self._before, self._after = any(row.before for row in rows), any(row.after for row in rows)
        self._design = any(row.design is not None for row in rows)
        self._allowed = any(row.low is not None or row.high is not None for row in rows)

    def drawn(self, rows: Sequence[Numbered]) -> Canvas:
        """Return a sheet with these rows, supply over extract, each group under its heading."""
        groups = [[one for one in rows if one[1].direction == side] for side in ("supply", "extract")]
        groups = [group for group in groups if group]
        box = (PAD, 1.0, self._width - PAD, 0.0)
        y = 1.0 + legend(None, self._samples(), box, SMALL) + 3.0
        tall = sum(HEAD + self._row * len(group) for group in groups) + BETWEEN * (len(groups) - 1)
        canvas = Canvas(self._width, round(y + tall + FOOT, 2))
        legend(canvas, self._samples(), box, SMALL)
        for group in groups:
            heading = self._words.supply if group[0][1].direction == "supply" else self._words.extract
            canvas.text(PAD, y + 10.5, fitted(heading, self._width - 2 * PAD, HEADING), HEADING)
            self._group(canvas, y + HEAD, group)
            y += HEAD + self._row * len(group) + BETWEEN
        y -= BETWEEN
        for value, decimals in self._ticks:
            shown = self._words.number(value, decimals)
            rightmost = self._width - 0.5 * text_width(shown, SMALL)
            canvas.text(min(self._scale.at(value), rightmost), y + 9.0, shown, SMALL, side="center")
        canvas.text(self._scale.stop, y + 19.0, fitted(self._words.axis, self._width - 12.0, SIZE), SIZE, side="right")
        return canvas

    def _group(self, canvas: Canvas, top: float, group: Sequence[Numbered]) -> None:
        scale, tops = self._scale, [top + i * self._row for i in range(len(group))]
        bottom = top + self._row * len(group)
        canvas.strokes([((PAD, y), (self._width - PAD, y)) for y in (*tops, bottom)], GRID, 0.5)
        ends = [(y + self._above, y + self._row - 1.5) for y in tops]
        tall = ends if self._narrow else [(top, bottom)]  # words above a row are not crossed out
        canvas.strokes([((scale.at(x), up), (scale.at(x), low)) for x, _ in self._ticks for up, low in tall], GRID, 0.5)
        placed = [(up, down, row) for (up, down), (_, row) in zip(ends, group, strict=True)]
        bounded = [one for one in placed if one[2].low is not None or one[2].high is not None]
        areas: list[Box] = [
            (
                scale.start if row.low is None else scale.at(row.low), up,
                scale.stop if row.high is None else scale.at(row.high), down,
            )
            for up, down, row in bounded
        ]  # fmt: skip
        canvas.boxes(areas, BAND)
        limits = [(up, down, limit) for up, down, row in bounded for limit in (row.low, row.high) if limit is not None]
        canvas.strokes([((scale.at(x), up), (scale.at(x), down)) for up, down, x in limits], EDGE, 0.8)
        self._arrows(canvas, [0.5 * (up + down) for up, down, row in bounded if row.high is None], FAINT)
        designs = [(up, down, scale.at(row.design)) for up, down, row in placed if row.design is not None]
        canvas.strokes([((x, up), (x, down)) for up, down, x in designs], RUST, 1.6)
        canvas.strokes([((scale.at(0.0), up), (scale.at(0.0), low)) for up, low in tall], INK, 0.7)
        both = self._before and self._after
        self._readings(canvas, [(_between(a, b, 0.27 if both else 0.5), row.before) for a, b, row in placed], BEFORE)
        self._readings(canvas, [(_between(a, b, 0.73 if both else 0.5), row.after) for a, b, row in placed], AFTER)
        for y, (number, _) in zip(tops, group, strict=True):
            base = y + (8.6 if self._narrow else 10.0)
            name, room = self._labels[number]
            canvas.text(PAD, base, name, SIZE)
            canvas.text(PAD + text_width(name, SIZE) + GAP, base, room, SMALL, FAINT)
            canvas.text(self._width - PAD, base, self._verdicts[number], SIZE, side="right")

    def _readings(
        self, canvas: Canvas, placed: Sequence[tuple[float, tuple[float, float] | None]], look: tuple[str, float, float]
    ) -> None:
        """Draw marks with their bars, from the mark's edge on, so that an open one stays open."""
        colour, width, radius = look
        scale = self._scale
        found = [(y, *reading) for y, reading in placed if reading is not None]
        bars: list[Stroke] = []
        for y, flow, half in found:
            x, left, right = (scale.at(value) for value in (flow, flow - half, flow + half))
            left, right = max(left, scale.start), min(right, scale.stop)
            bars += [((left, y), (x - radius, y))] if left < x - radius else []
            bars += [((x + radius, y), (right, y))] if right > x + radius else []
        canvas.strokes(bars, colour, width)
        self._arrows(canvas, [y for y, flow, half in found if flow + half > scale.high], colour)
        face = colour if look is AFTER else "none"
        canvas.marks([(scale.at(flow), y) for y, flow, _ in found], "o", 2.0 * radius - 0.9, face, colour)

    def _arrows(self, canvas: Canvas, ys: Sequence[float], colour: str) -> None:
        canvas.marks([(self._scale.stop, y) for y in ys], ">", 3.4, colour, colour)

    def _samples(self) -> list[Sample]:
        """Return what the legend shows: of this picture only what is in it."""
        words = self._words
        shown: list[tuple[bool, Sample]] = [
            (self._before, (words.before, 16.0, partial(_reading, look=BEFORE))),
            (self._after, (words.after, 16.0, partial(_reading, look=AFTER))),
            (self._design, (words.design, 4.0, _design)),
            (self._allowed, (words.allowed, 14.0, _allowed)),
            ((self._before or self._after) and bool(words.bars), (words.bars, -3.0, lambda canvas, x, y: None)),
        ]
        return [sample for is_there, sample in shown if is_there]


def _reading(canvas: Canvas, x: float, y: float, look: tuple[str, float, float]) -> None:
    colour, width, radius = look
    canvas.strokes([((x, y), (x + 8.0 - radius, y)), ((x + 8.0 + radius, y), (x + 16.0, y))], colour, width)
    canvas.marks([(x + 8.0, y)], "o", 2.0 * radius - 0.9, colour if look is AFTER else "none", colour)


def _design(canvas: Canvas, x: float, y: float) -> None:
    canvas.strokes([((x + 2.0, y - 4.0), (x + 2.0, y + 4.0))], RUST, 1.6)


def _allowed(canvas: Canvas, x: float, y: float) -> None:
    canvas.boxes([(x, y - 4.0, x + 14.0, y + 4.0)], BAND)
    canvas.strokes([((at, y - 4.0), (at, y + 4.0)) for at in (x, x + 14.0)], EDGE, 0.8)


def row_heights(width: float) -> tuple[float, float]:
    """Return how high a row is, and how far below its top the drawing begins, in points."""
    return (27.0, 11.5) if width < NARROW_PT else (15.0, 1.5)


def verdicts(rows: Sequence[TerminalBar], words: TerminalsWords, width: float) -> list[str]:
    """Return what stands at the end of each row, cut where it would leave the row's name no room."""
    said = [row.verdict if row.before or row.after else words.no_reading for row in rows]
    return [fitted(word, (0.5 if width < NARROW_PT else 0.3) * width, SIZE) for word in said]


def _between(one: float, other: float, share: float) -> float:
    return one + share * (other - one)


def _ends(rows: Sequence[TerminalBar]) -> tuple[float, float]:
    """Return the scale's ends: from 0 to all flows and limits, and bars as far as these leave the rest its room."""
    readings = [reading for row in rows for reading in (row.before, row.after) if reading is not None]
    values = [flow for flow, _ in readings]
    values += [x for row in rows for x in (row.design, row.low, row.high) if x is not None]
    most = max(values, default=0.0)
    reach = max((flow + half for flow, half in readings), default=most)
    high = max(most, min(reach, 1.5 * most))
    return min(0.0, *values) if values else 0.0, 1.04 * high if high > 0.0 else 1.0
