"""A sheet to draw the report's pictures on: lines, areas, marks and words placed in points, with no axes.

Axes and their ticks take most of the time of a small picture, and a report may have 400. Coordinates are points from
the sheet's upper left corner, y downwards, kept to a hundredth, so that a line of a thousand points stays small. What
comes out is one `<svg>` element, the same bytes for the same input, which can stand beside others in an HTML page.
"""

from __future__ import annotations

import functools
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hoodtrace.averaging.frames import FloatArray
from hoodtrace.reporting.pdf import spelled_out
from hoodtrace.reporting.pictures import FAMILY, INK
from hoodtrace.reporting.why_picture import BAND, BLUE, GRID, themed

FAINT, EDGE, TINT, RUST = "#5b6770", "#77848f", "#e9edf0", "#a3521b"
DARK = {
    INK: "#f1f4f5", FAINT: "#a9b4bd", EDGE: "#8d9aa5", BLUE: "#86c6e6", RUST: "#f0b27a",
    BAND: "#39434c", TINT: "#1f272e", GRID: "#313b44",
}  # fmt: skip
POINTS_PER_IN = 72.0
ELLIPSIS = "…"
_MARK = re.compile(r'(<path id="m[^>]*) style="[^"]*"/>')  # what `use` repeats; rules for the dark reach only `use`
_LINES = re.compile(r"[ML] [-\d.]+ [-\d.]+(?: \nL [-\d.]+ [-\d.]+)+")  # SVG lets the L after an M or L be left out

Point = tuple[float, float]
Stroke = tuple[Point, Point]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""


class Canvas:
    """A sheet of `width` by `height` points; whatever is drawn later lies on top. Used inside `plain_style`."""

    def __init__(self, width: float, height: float) -> None:
        import matplotlib as mpl
        from matplotlib.figure import Figure
        from matplotlib.transforms import IdentityTransform

        mpl.rcParams["path.simplify"] = False  # would move points off the hundredths
        self.width, self.height = width, height
        self._figure = Figure(figsize=(width / POINTS_PER_IN, height / POINTS_PER_IN), dpi=POINTS_PER_IN)
        self._figure.patch.set_visible(False)
        self._as_is = IdentityTransform()
        self._drawn = 0

    def line(
        self, x: FloatArray | Sequence[float], y: FloatArray | Sequence[float], colour: str, width: float,
        dashes: tuple[float, float] | None = None, within: Box | None = None,
    ) -> None:  # fmt: skip
        """Draw a line through points; NaN breaks it; `dashes` (points on, off); nothing outside `within` is seen."""
        from matplotlib.lines import Line2D
        from matplotlib.transforms import Bbox

        line = Line2D(*self._at(x, y), color=colour, linewidth=width, solid_capstyle="butt", dash_capstyle="butt",
                      solid_joinstyle="round", linestyle="-" if dashes is None else (0.0, dashes))  # fmt: skip
        self._add(line)
        if within is not None:
            left, top, right, bottom = within
            line.set_clip_box(Bbox.from_extents(left, self.height - bottom, right, self.height - top))

    def strokes(
        self, ends: Iterable[Stroke], colour: str, width: float, dashes: tuple[float, float] | None = None
    ) -> None:
        """Draw straight strokes from point to point, all as one path; none of no length."""
        points = [p for one, other in ends if one != other for p in (one, other, (np.nan, np.nan))]
        if points:
            self.line([x for x, _ in points], [y for _, y in points], colour, width, dashes)

    def boxes(self, boxes: Iterable[Box], colour: str) -> None:
        """Fill rectangles, all as one path."""
        from matplotlib.patches import PathPatch
        from matplotlib.path import Path

        corners = [c for x, y, to, low in boxes for c in ((x, y), (to, y), (to, low), (x, low), (x, y))]
        if not corners:
            return
        codes = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY] * (len(corners) // 5)
        at = np.column_stack(self._at([x for x, _ in corners], [y for _, y in corners]))
        self._add(PathPatch(Path(at, codes), facecolor=colour, edgecolor="none", linewidth=0.0))

    def marks(self, points: Sequence[Point], mark: str, size: float, face: str, edge: str) -> None:
        """Put matplotlib's `mark` on points, `size` points wide, filled with `face` ("none": open)."""
        from matplotlib.lines import Line2D

        if points:
            at = self._at([x for x, _ in points], [y for _, y in points])
            self._add(Line2D(*at, linestyle="none", marker=mark, markersize=size, markerfacecolor=face,
                             markeredgecolor=edge, markeredgewidth=0.9))  # fmt: skip

    def text(self, x: float, y: float, words: str, size: float, colour: str = INK, side: str = "left") -> None:
        """Write words with their base line at `y`; `x` is their "left", "center" or "right". Never read as markup."""
        if words:
            (left,), (base,) = self._at([x], [y])
            self._drawn += 1
            self._figure.text(left, base, words, transform=self._as_is, ha=side, va="baseline", color=colour,
                              fontsize=size, parse_math=False, zorder=self._drawn)  # fmt: skip

    def svg(self, name: str, words: str) -> bytes:
        """Return the sheet as SVG with ids of its own (from `name`), `words` for those who don't see it, dark too."""
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        out = io.BytesIO()
        FigureCanvasSVG(self._figure).print_svg(  # type: ignore[no-untyped-call]
            out, metadata={"Date": None, "Creator": None}
        )
        return themed(_bare(out.getvalue().decode("utf-8")).encode("utf-8"), name, words, DARK)

    def _at(self, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
        return np.round(np.asarray(x, float), 2), np.round(self.height - np.asarray(y, float), 2)

    def _add(self, artist: Any) -> None:
        self._drawn += 1
        artist.set_transform(self._as_is)
        artist.set_zorder(self._drawn)
        self._figure.add_artist(artist)


def _bare(svg: str) -> str:
    """Return only the `<svg>` element, without what repeats words (comments) or rules the whole page (its style)."""
    svg = svg[svg.index("<svg ") :]
    svg = re.sub(r"<!--.*?-->\s*|<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<defs>\s*<style [^>]*>[^<]*</style>\s*</defs>\s*", "", svg, count=1)
    svg = _MARK.sub(r"\1/>", svg)
    svg = _LINES.sub(lambda found: found[0].replace(" \nL", ""), svg)
    return svg.replace("<svg ", '<svg stroke-linejoin="round" ', 1)


@functools.lru_cache(maxsize=4096)
def text_width(words: str, size: float) -> float:
    """Return how wide words are in the shipped font, in points. Used inside `plain_style`.

    Nothing is wider than it is long:

    >>> from hoodtrace.reporting.pictures import plain_style
    >>> with plain_style():
    ...     text_width("ii", 7.0) < text_width("WW", 7.0) < 14.0
    True
    """
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    if not words:
        return 0.0
    return float(text_to_path.get_text_width_height_descent(words, FontProperties(family=FAMILY, size=size), False)[0])


def fitted(words: str, width: float, size: float) -> str:
    """Return words as they can be drawn in `width` points: cut with an ellipsis, never inside a letter or its code."""
    letters: list[str] = []
    for letter in words.strip():
        drawn = spelled_out(letter)[0]
        if letters and unicodedata.combining(letter):
            letters[-1] += drawn
        else:
            letters.append(drawn)
    whole = "".join(letters)
    if text_width(whole, size) <= width:
        return whole
    least, most = 0, len(letters)
    while least < most:
        middle = (least + most + 1) // 2
        if text_width("".join(letters[:middle]).rstrip() + ELLIPSIS, size) <= width:
            least = middle
        else:
            most = middle - 1
    return "".join(letters[:least]).rstrip() + ELLIPSIS if least else ""


def reads_from_the_right(words: str) -> bool:
    """Return whether words have letters of a script that is written from the right, which would come out reversed.

    >>> reads_from_the_right("S1"), reads_from_the_right("\\u05d0 1")
    (False, True)
    """
    return any(unicodedata.bidirectional(letter) in ("R", "AL", "AN") for letter in words)


@dataclass(frozen=True, slots=True)
class Scale:
    """Values from `low` to `high` along points from `start` to `stop`."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: Any) -> Any:
        """Return where a value (or an array of values) lies, in points."""
        return self.start + (value - self.low) * ((self.stop - self.start) / (self.high - self.low))

    def ticks(self, most: int) -> list[tuple[float, int]]:
        """Return round values between the ends, at most about `most`, each with the decimals that it needs."""
        from matplotlib.ticker import MaxNLocator

        values = np.asarray(MaxNLocator(nbins=most, steps=[1, 2, 5, 10]).tick_values(self.low, self.high))
        slack = 1e-9 * (self.high - self.low)
        step = float(values[1] - values[0])
        decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
        inside = values[(values >= self.low - slack) & (values <= self.high + slack)]
        return [(float(round(value, decimals)) + 0.0, decimals) for value in inside]


Sample = tuple[str, float, Callable[[Canvas, float, float], None]]
"""Of a legend: words, how wide its sample is in points, and what draws it from x with its middle at y."""


def legend(canvas: Canvas | None, samples: Sequence[Sample], box: Box, size: float) -> float:
    """Draw samples with their words side by side from the box's upper left corner; return the height that it takes.

    A line that would be too long is broken. Without a canvas nothing is drawn; only the height is found.
    """
    left, top, right, _ = box
    step, x, y = size + 3.5, left, top
    for words, wide, draw in samples:
        shown = fitted(words, right - left - wide - 3.0, size)
        need = wide + 3.0 + text_width(shown, size)
        if x > left and x + need > right:
            x, y = left, y + step
        if canvas is not None:
            draw(canvas, x, y + 0.5 * step)
            canvas.text(x + wide + 3.0, y + 0.5 * step + 0.36 * size, shown, size)
        x += need + 9.0
    return y + step - top if samples else 0.0
