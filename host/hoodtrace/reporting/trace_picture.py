"""Picture of the raw trace of one reading as SVG: its hold with some seconds around it, and what was made of it.

Same input, same bytes; all words come in. Told apart in grey: the vane is dark, the taps are thin and lighter, the
mean is straight and lies on its interval, the used window is an area with a bar under it, what was cut out is hatched.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from hoodtrace.averaging.frames import FloatArray
from hoodtrace.reporting.canvas import EDGE, FAINT, POINTS_PER_IN, RUST, TINT, Canvas, Sample, Scale, legend, text_width
from hoodtrace.reporting.pictures import INK, plain_style
from hoodtrace.reporting.trace_layers import (
    PAD,
    SMALL,
    TOP,
    Cut,
    Flows,
    Plot,
    Shown,
    counted,
    ground,
    hatched,
    lines,
    over,
    reasons,
)
from hoodtrace.reporting.why_picture import BAND

HEIGHT_PT, LEAST_PLOT = 97.2, 45.0  # 1.35 in
SIZE, TICK = 6.5, 10.5
MOST_OF_USED = 1.5
"""What is higher than so many times the highest that counts leaves the picture, such as the blow of seating."""


@dataclass(frozen=True, slots=True)
class TraceWords:
    """What is written in the picture, in the report's language."""

    vane: str
    taps: str
    mean: str
    """The mean and its interval, for example "mean, 95 %"."""
    used: str
    cut: str
    hold: str
    """The two ends of the hold."""
    flow: str
    """The unit of flow, over its axis."""
    time: str
    """The unit of time, at the end of its axis."""
    description: str
    """For those who don't see the picture."""
    number: Callable[[float, int], str]
    """A number with so many decimals, as the language writes it."""


def trace_picture(
    t_s: FloatArray, vane: Flows | None, taps: Flows | None, used: tuple[float, float] | None,
    cut: Sequence[Cut], words: TraceWords, *, hold: tuple[float, float], mean: tuple[float, float] | None, name: str,
    around_s: float = 5.0, width_in: float = 6.9,
) -> bytes:  # fmt: skip
    """Return the trace of one reading as SVG, 1.35 in high, or more where words make the legend four lines long.

    Parameters
    ----------
    t_s : float array, shape (n,)
        Time of each sample [s], not decreasing; samples far from the hold may be there.
    vane, taps : float arrays, shape (n,), or None
        Flow of each channel in the unit that the report shows, with the sign that the mean has (`strips` has extract
        air negative); NaN breaks the line. None: no such channel.
        A sample alone between two gaps is not seen.
    used : tuple of float, or None
        Start and stop of the window that was averaged over [s]. None where there is no reading.
    cut : sequence of Cut
        Parts of the window that do not count. The reason stands above where there is room for it.
    words : TraceWords
        All that is written.
    hold : tuple of float
        Start and stop of the hold [s].
    mean : tuple of float, or None
        Mean over the window and half-width of its 95 % interval, in the same unit.
    name : str
        What ids begin with (letters, digits, "-").
    around_s : float
        How much is shown before and after the hold [s], where the trace has it.
    width_in : float
        6.9 for a page, 3.4 for half of it or a phone.

    Returns
    -------
    bytes
        Of each 2 points of width the first, last, least and greatest sample are drawn, so no extreme vanishes; but
        what is over 1.5 times all that counts in the window leaves the picture at the top.

    Raises
    ------
    ValueError
        Arrays of different shapes, times that decrease or are NaN, or a `name` with other letters.
    """
    for y in (vane, taps):
        if y is not None and y.shape != t_s.shape:
            raise ValueError(f"a channel of shape {y.shape} has times of shape {t_s.shape}")
    if not np.all(np.diff(t_s) >= 0.0) or np.isnan(t_s[:1]).any():
        raise ValueError("times of a trace must not decrease")
    channels = [
        (flow, called, colour, width)
        for flow, called, colour, width in ((vane, words.vane, INK, 0.8), (taps, words.taps, FAINT, 0.5))
        if flow is not None and np.isfinite(flow).any()
    ]
    shown = Shown(t_s, channels, used, cut, hold, None if used is None else mean)
    with plain_style():
        return _drawn(shown, words, POINTS_PER_IN * width_in, around_s).svg(name, words.description)


def _drawn(shown: Shown, words: TraceWords, width: float, around_s: float) -> Canvas:
    samples = _samples(shown, words)
    below = 1.0 + legend(None, samples, (PAD, 0.0, width - PAD, 0.0), SMALL)
    foot = max(HEIGHT_PT - below, TOP + LEAST_PLOT + TICK)
    canvas = Canvas(width, round(foot + below, 2))
    y = Scale(*_flows(shown), foot - TICK, TOP)
    levels = [(value, words.number(value, decimals)) for value, decimals in y.ticks(4)]
    left = PAD + max(text_width(level, SIZE) for _, level in levels) + 3.0
    plot = Plot(canvas, Scale(*_times(shown, around_s), left, width - 6.0), y)
    ground(plot, shown, [value for value, _ in levels])
    lines(plot, shown)
    over(plot, shown)
    for value, level in levels:
        canvas.text(left - 3.0, y.at(value) + 0.36 * SIZE, level, SIZE, side="right")
    canvas.text(PAD, TOP - 3.5, words.flow, SIZE)
    reasons(plot, shown, PAD + text_width(words.flow, SIZE) + 4.0)
    canvas.text(width - PAD, foot - 2.8, words.time, SIZE, side="right")
    end = width - PAD - text_width(words.time, SIZE) - 3.0
    for value, decimals in plot.x.ticks(8 if width > 300.0 else 5):
        time = words.number(value, decimals)
        if plot.x.at(value) + 0.5 * text_width(time, SIZE) < end:
            canvas.text(plot.x.at(value), foot - 2.8, time, SIZE, side="center")
    legend(canvas, samples, (PAD, foot, width - PAD, 0.0), SMALL)
    return canvas


def _times(shown: Shown, around_s: float) -> tuple[float, float]:
    start, stop = shown.hold
    if len(shown.t_s):
        start = min(start, max(start - around_s, float(shown.t_s[0])))
        stop = max(stop, min(stop + around_s, float(shown.t_s[-1])))
    return start, stop if stop > start else start + 1.0


def _flows(shown: Shown) -> tuple[float, float]:
    """Return the ends of the axis of flow: 0, the mean's interval and what the hold shows."""
    low, high = _reach(shown, [shown.hold])
    parts = counted(shown.used, shown.cut) if shown.used is not None else []
    used_low, used_high = _reach(shown, parts or [shown.hold])
    low, high = max(low, MOST_OF_USED * used_low - 0.1 * used_high), min(high, MOST_OF_USED * used_high)
    low, high = float(min(low, used_low)), float(max(high, used_high))
    return low, low + 1.06 * (high - low) if high > low else low + 1.0


def _reach(shown: Shown, parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    flows = [0.0] if shown.mean is None else [0.0, shown.mean[0] - shown.mean[1], shown.mean[0] + shown.mean[1]]
    for start, stop in np.searchsorted(shown.t_s, parts).tolist():
        for flow, *_ in shown.channels:
            inside = flow[start:stop][np.isfinite(flow[start:stop])]
            flows += [inside.min(), inside.max()] if len(inside) else []
    return min(flows), max(flows)


def _samples(shown: Shown, words: TraceWords) -> list[Sample]:
    """Return what the legend shows: of this picture only what is in it."""
    samples: list[Sample] = [
        (called, 10.0, partial(_line, colour=colour, width=width)) for _, called, colour, width in shown.channels
    ]
    samples += [(words.mean, 10.0, _mean)] if shown.mean is not None else []
    samples += [(words.used, 10.0, _used)] if shown.used is not None else []
    samples += [(words.cut, 10.0, _cut)] if shown.cut else []
    return [*samples, (words.hold, 6.0, _hold)]


def _line(canvas: Canvas, x: float, y: float, colour: str, width: float) -> None:
    canvas.strokes([((x, y), (x + 10.0, y))], colour, width)


def _mean(canvas: Canvas, x: float, y: float) -> None:
    canvas.boxes([(x, y - 2.5, x + 10.0, y + 2.5)], BAND)
    canvas.strokes([((x, at), (x + 10.0, at)) for at in (y - 2.5, y + 2.5)], RUST, 0.4)
    canvas.strokes([((x, y), (x + 10.0, y))], RUST, 1.0)


def _used(canvas: Canvas, x: float, y: float) -> None:
    canvas.boxes([(x, y - 3.5, x + 10.0, y + 3.5)], TINT)
    canvas.strokes([((x, y + 3.0), (x + 10.0, y + 3.0))], RUST, 2.2)


def _cut(canvas: Canvas, x: float, y: float) -> None:
    canvas.strokes(hatched((x, y - 3.5, x + 10.0, y + 3.5)), EDGE, 0.5)


def _hold(canvas: Canvas, x: float, y: float) -> None:
    canvas.strokes([((at, y - 3.5), (at, y + 3.5)) for at in (x, x + 6.0)], INK, 0.6)
