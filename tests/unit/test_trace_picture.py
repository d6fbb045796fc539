"""The picture of a reading's trace: what was kept lies where it was, extremes stay, gaps stay gaps, words have room."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from hoodtrace.reporting.canvas import DARK, EDGE, FAINT, RUST, TINT
from hoodtrace.reporting.pictures import INK
from hoodtrace.reporting.report_pictures import Cut, TraceWords, trace_picture
from hoodtrace.reporting.why_picture import BAND
from svg_words import SVG, in_each_others_way, size_pt, written

WORDS = TraceWords("Rad", "Druck", "Mittel", "benutzt", "weg", "Haube", "m³/h", "s", "Spur von S1", "{0:.{1}f}".format)
LONG = TraceWords(*(f"{word} und viele weitere Wörter" for word in ("Rad", "Druck", "Mittel", "benutzt", "weg", "Haube",
                    )), "m³/h", "s", "Spur", lambda value, decimals: f"{value:,.{decimals}f}")  # fmt: skip
HOLD, USED = (10.0, 50.0), (20.0, 48.0)


def trace(rate_hz: float = 20.0) -> dict[str, Any]:
    t_s = np.arange(0.0, 60.0, 1.0 / rate_hz)
    held = np.where((t_s >= HOLD[0]) & (t_s < HOLD[1]), 1.0, 0.0)
    return {"t_s": t_s, "vane": 40.0 * held, "taps": 44.0 * held, "used": USED, "cut": [], "words": WORDS,
            "hold": HOLD, "mean": (40.0, 2.0), "name": "trace-1"}  # fmt: skip


def lines(svg: bytes, colour: str, width: float) -> list[list[tuple[float, float]]]:
    """The points of all lines of a colour and width above the legend, each unbroken part by itself."""
    found = []
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        style = dict(re.findall(r"([a-z-]+): ([^;]+)", path.get("style") or ""))
        if style.get("stroke") == colour and float(style.get("stroke-width", 1.0)) == width:
            found += parts(path)
    return [points for points in found if min(y for _, y in points) < 77.0]


def areas(svg: bytes, colour: str) -> list[list[tuple[float, float]]]:
    """The corners of the areas of a colour above the legend."""
    paths = [path for path in ET.fromstring(svg).iter(f"{SVG}path") if f"fill: {colour}" in path.get("style", "")]
    return [points for path in paths for points in parts(path) if points[0][1] < 77.0]


def parts(path: ET.Element) -> list[list[tuple[float, float]]]:
    found = []
    for part in (path.get("d") or "").split("M")[1:]:
        numbers = [float(text) for text in re.findall(r"-?[\d.]+", part)]
        found.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return found


def seconds(svg: bytes, x: float) -> float:
    """The time at `x`, by the ends of the hold."""
    (start, _), (stop, _) = (stroke[0] for stroke in lines(svg, INK, 0.6))
    return HOLD[0] + (x - start) * (HOLD[1] - HOLD[0]) / (stop - start)


def test_all_lies_where_it_was() -> None:
    """Worked out on paper: the vane stands at 40, the taps at 44, the mean is 40 with 2 on both sides."""
    svg = trace_picture(**trace())
    (mean,) = lines(svg, RUST, 1.0)
    low, high = (stroke[0][1] for stroke in lines(svg, RUST, 0.4))
    assert low - mean[0][1] == pytest.approx(mean[0][1] - high, abs=0.02)
    step = mean[0][1] - high
    vane, taps = (min(y for _, y in lines(svg, colour, width)[0]) for colour, width in ((INK, 0.8), (FAINT, 0.5)))
    assert vane == pytest.approx(mean[0][1], abs=0.06)  # points of lines are kept to a tenth
    assert taps == pytest.approx(mean[0][1] - 2.0 * step, abs=0.06)
    bottom = max(y for _, y in lines(svg, INK, 0.8)[0])
    assert bottom - mean[0][1] == pytest.approx(20.0 * step, abs=0.3)
    for points in (mean, lines(svg, RUST, 2.2)[0], areas(svg, TINT)[0][:2]):
        assert [seconds(svg, x) for x, _ in points] == pytest.approx(USED, abs=0.01)
    assert {y for _, y in areas(svg, BAND)[0]} == {low, high}
    rise = [x for (x, y), (_, later) in pairwise(lines(svg, INK, 0.8)[0]) if later < y - 1]
    assert [seconds(svg, x) for x in rise] == pytest.approx([HOLD[0]], abs=0.2)  # a column is 2 points wide
    shown = {one.words: 0.5 * (one.box[0] + one.box[2]) for one in written(svg)}
    assert seconds(svg, shown["30"]) == pytest.approx(30.0, abs=0.05)


def test_only_the_hold_and_some_seconds_around_are_shown() -> None:
    for around_s, ends in ((2.0, (8.0, 52.0)), (100.0, (0.0, 59.95))):  # as far as there is a trace
        svg = trace_picture(**trace() | {"around_s": around_s})
        assert [seconds(svg, x) for x, _ in lines(svg, EDGE, 0.6)[1]] == pytest.approx(ends, abs=0.01)


def test_what_was_cut_out_is_hatched_with_its_reason() -> None:
    cut = [Cut(30.0, 34.0, "Wind"), Cut(40.0, 40.1, "Tür"), Cut(40.3, 40.4, "Knall")]
    svg = trace_picture(**trace() | {"cut": cut})
    strokes = [stroke for stroke in lines(svg, EDGE, 0.5) if stroke[0][0] != stroke[1][0]]
    times = [seconds(svg, x) for stroke in strokes for x, _ in stroke]
    assert all(any(one.start_s - 0.01 <= t <= one.stop_s + 0.01 for one in cut) for t in times)
    assert len([t for t in times if 30.0 <= t <= 34.01]) > 20
    # The interval is of what counts.
    ends = [(seconds(svg, box[0][0]), seconds(svg, box[1][0])) for box in areas(svg, BAND)]
    assert np.ravel(ends) == pytest.approx([20.0, 30.0, 34.0, 40.0, 40.1, 40.3, 40.4, 48.0], abs=0.01)
    said = [one.words for one in written(svg) if one.box[1] < 10.0]
    assert "Wind" in said
    assert ("Tür" in said) + ("Knall" in said) == 1  # the other would lie on it
    assert in_each_others_way(svg) == []


@pytest.mark.parametrize("place", [31_234, 70_001])
@pytest.mark.parametrize("channel", ["vane", "taps"])
def test_an_extreme_of_one_sample_in_many_stays(channel: str, place: int) -> None:
    given = trace(1700.0)
    assert len(given["t_s"]) > 100_000
    given[channel] = given[channel] + np.random.default_rng(8).normal(0.0, 0.5, len(given["t_s"]))
    calm = trace_picture(**given)
    given[channel][place] = 55.0
    svg = trace_picture(**given)
    look = (INK, 0.8) if channel == "vane" else (FAINT, 0.5)
    x, y = min(lines(svg, *look)[0], key=lambda point: point[1])
    assert seconds(svg, x) == pytest.approx(given["t_s"][place], abs=0.02)
    (mean,), top = lines(svg, RUST, 1.0), lines(svg, RUST, 0.4)[1][0][1]
    assert (mean[0][1] - y) / (mean[0][1] - top) == pytest.approx(15.0 / 2.0, abs=0.1)
    assert max(len(svg), len(calm)) < 80_000


def test_gaps_break_the_line() -> None:
    given = trace()
    given["vane"][500:540] = np.nan  # 25 s to 27 s
    given["taps"][:] = np.nan
    svg = trace_picture(**given)
    first, second = lines(svg, INK, 0.8)
    assert seconds(svg, first[-1][0]) == pytest.approx(24.95, abs=0.05)
    assert seconds(svg, second[0][0]) == pytest.approx(27.0, abs=0.05)
    assert lines(svg, FAINT, 0.5) == []
    assert "Druck" not in {one.words for one in written(svg)}


@pytest.mark.parametrize("place", [201, 620])  # at seating; in a part that was cut out
def test_a_blow_does_not_make_the_rest_small(place: int) -> None:
    given = trace() | {"cut": [Cut(30.0, 32.0, "Wind")]}
    given["taps"][place] = 4000.0
    svg = trace_picture(**given)
    (mean,), (start, stop) = lines(svg, RUST, 1.0), lines(svg, EDGE, 0.6)[0]
    assert (stop[1] - mean[0][1]) / (stop[1] - start[1]) > 0.5
    clipped = [path for path in ET.fromstring(svg).iter(f"{SVG}path") if path.get("clip-path")]
    assert len(clipped) == 2  # both channels, at the plot


def test_a_window_that_is_cut_out_whole() -> None:
    svg = trace_picture(**trace() | {"cut": [Cut(0.0, 60.0, "Wind")], "mean": None})
    assert areas(svg, BAND) == []
    top = min(y for _, y in lines(svg, EDGE, 0.6)[0])
    assert all(y >= top - 0.01 for points in lines(svg, INK, 0.8) for _, y in points)


def test_a_refused_one_has_no_mean_and_no_window() -> None:
    svg = trace_picture(**trace() | {"used": None, "mean": (40.0, 2.0)})
    assert areas(svg, TINT) == areas(svg, BAND) == []
    assert not {"Mittel", "benutzt", "weg"} & {one.words for one in written(svg)}


@pytest.mark.parametrize("n", [0, 1, 2])
def test_hardly_any_samples(n: int) -> None:
    given = trace()
    svg = trace_picture(**given | {name: given[name][:n] for name in ("t_s", "vane", "taps")})
    assert seconds(svg, areas(svg, TINT)[0][0][0]) == pytest.approx(USED[0], abs=0.01)


@pytest.mark.parametrize("width_in", [6.9, 3.4, 3.0])
@pytest.mark.parametrize("words", [WORDS, LONG])
@pytest.mark.parametrize("factor", [0.01, 1.0, 40.0])
def test_words_leave_each_other_room(words: TraceWords, width_in: float, factor: float) -> None:
    given = trace() | {"words": words, "width_in": width_in, "mean": (40.0 * factor, 2.0 * factor)}
    given |= {"vane": factor * given["vane"], "taps": factor * given["taps"], "t_s": 3600.0 + given["t_s"]}
    given |= {"hold": (3610.0, 3650.0), "used": (3620.0, 3648.0)}
    given["cut"] = [Cut(3620.0 + 2 * i, 3620.3 + 2 * i, "Windstoß von der Seite") for i in range(12)]
    svg = trace_picture(**given)
    assert in_each_others_way(svg) == []
    width, height = size_pt(svg)
    assert width == pytest.approx(72.0 * width_in)
    assert height == 97.2 or (words is LONG and width_in < 6.0)


def test_nothing_is_written_but_what_was_given() -> None:
    svg = trace_picture(**trace() | {"cut": [Cut(30.0, 34.0, "<Wind> $x$")]})
    known = {getattr(WORDS, field) for field in TraceWords.__slots__} | {"<Wind> $x$"}
    assert {one.words for one in written(svg) if not re.fullmatch(r"[\d.]+", one.words)} <= known
    assert ET.fromstring(svg).get("aria-label") == "Spur von S1"


def test_same_input_same_bytes_with_ids_of_its_own() -> None:
    one, other = trace_picture(**trace()), trace_picture(**trace() | {"name": "trace-2"})
    assert one == trace_picture(**trace())
    ids = [set(re.findall(r'\bid="([^"]+)"', svg.decode())) for svg in (one, other)]
    assert not ids[0] & ids[1]
    for svg, own in zip((one, other), ids, strict=True):
        assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', svg.decode())) <= own


def test_every_colour_has_one_for_the_dark() -> None:
    text = trace_picture(**trace() | {"cut": [Cut(30.0, 34.0, "Wind")]}).decode()
    drawn = set(re.findall(r"(?:fill|stroke): (#[0-9a-f]{3,6})", text.split("</style>")[1]))
    assert drawn >= {INK, FAINT, EDGE, RUST, BAND, TINT}
    assert drawn <= set(DARK)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"vane": np.zeros(3)}, "shape"),
        ({"t_s": np.arange(1200.0)[::-1]}, "decrease"),
        ({"t_s": np.full(1200, np.nan)}, "decrease"),
        ({"name": "a'b"}, "called"),
    ],
)
def test_what_cannot_be_drawn_is_refused(change: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        trace_picture(**trace() | change)
