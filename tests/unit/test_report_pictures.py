"""The report's picture of all terminals: what is drawn is what was given, nothing overlaps, readable in any light."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contrast import contrast
from hoodtrace.reporting.canvas import DARK, EDGE, FAINT, RUST, TINT
from hoodtrace.reporting.pictures import INK
from hoodtrace.reporting.report_pictures import PAGE_IN, PHONE_IN, TerminalBar, TerminalsWords, terminals_picture
from hoodtrace.reporting.why_picture import BAND, GRID
from svg_words import HREF, SVG, in_each_others_way, size_pt, written

PAPER = (
    ("#ffffff", "#fbfaf6"),
    ("#0f1418", "#14191e"),
)  # print, report and pages in the light; pages and report in the dark


def number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".replace(".", ",")


WORDS = TerminalsWords("Zuluft", "Abluft", "vorher", "nachher", "Auslegung", "erlaubt", "Balken: 95 %", "kein Messwert",
                       "Luftstrom, m³/h", "Alle Ventile", number)  # fmt: skip
LONG = TerminalsWords(*(f"{word} und noch viele Wörter dazu" for word in ("Zu", "Ab", "vor", "nach", "Plan", "gut",
                      "Balken", "nichts", "Luftstrom", "Ventile")), number)  # fmt: skip


def bar(name: str, side: str = "supply", **other: object) -> TerminalBar:
    fields = {"room": "Bad", "design": 40.0, "low": 34.0, "high": 46.0, "before": (30.0, 4.0), "after": (41.0, 2.0)}
    return TerminalBar(id=name, direction=side, **({**fields, "verdict": "passt"} | other))  # type: ignore[arg-type]


def house(n: int, room: str = "Wohnzimmer") -> list[TerminalBar]:
    sides = ["supply" if i < 0.53 * n else "extract" for i in range(n)]
    return [bar(f"S{i + 1}", side, room=room) for i, side in enumerate(sides)]


def marks(svg: bytes) -> list[tuple[float, float, str]]:
    """Where marks lie, and their style, without the legend's, which lie above the first line of the first group."""
    uses = [use for use in ET.fromstring(svg).iter(f"{SVG}use") if "DejaVu" not in use.get(HREF, "")]
    return [
        (float(use.get("x", "")), float(use.get("y", "")), use.get("style", ""))
        for use in uses
        if float(use.get("y", "")) > heading_y(svg)
    ]


def heading_y(svg: bytes) -> float:
    return min(one.box[3] for one in written(svg) if one.size == 8.0)


def paths(svg: bytes, colour: str, kind: str = "stroke") -> list[list[float]]:
    """The points of what is drawn in a colour below the first heading: x0, y0, x1, y1 a stroke, or a box's corners."""
    found = []
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        if f"{kind}: {colour}" not in path.get("style", ""):
            continue
        for part in (path.get("d") or "").split("M")[1:]:
            numbers = [float(text) for text in re.findall(r"-?[\d.]+", part)]
            if numbers[1] > heading_y(svg):
                found.append(numbers)
    return found


def test_everything_lies_on_one_scale() -> None:
    """Worked out on paper: flows of 0, 20, 40, 60 and their bars' ends are equally far apart."""
    rows = [
        bar("A", design=20.0, low=0.0, high=40.0, before=None, after=(20.0, 10.0)),
        bar("B", design=40.0, low=20.0, high=60.0, before=None, after=(40.0, 20.0)),
        bar("C", design=60.0, low=None, high=None, before=None, after=(60.0, 5.0)),
    ]
    (svg,) = terminals_picture(rows, WORDS)
    at_20, at_40, at_60 = (x for x, _, _ in marks(svg))
    step = at_40 - at_20
    assert step > 40.0
    assert at_60 - at_40 == pytest.approx(step, abs=0.02)
    assert [x[0] for x in paths(svg, RUST)] == pytest.approx([at_20, at_40, at_60], abs=0.02)
    zero = next(x for x in paths(svg, INK) if x[0] == x[2])[0]
    assert at_20 - zero == pytest.approx(step, abs=0.02)
    ends = sorted(x for stroke in paths(svg, INK) if stroke[1] == stroke[3] for x in (stroke[0], stroke[2]))
    wanted = [zero + step * flow / 20.0 for flow in (10.0, 20.0, 30.0, 55.0, 60.0, 65.0)]
    assert all(min(abs(x - end) for end in ends) < 3.0 for x in wanted)  # bars begin at the mark's edge
    for flow in (10.0, 30.0, 55.0, 65.0):
        assert min(abs(zero + step * flow / 20.0 - end) for end in ends) < 0.02
    boxes = [(min(box[0:-2:2]), max(box[0:-2:2])) for box in paths(svg, BAND, "fill")]
    assert boxes == [pytest.approx((zero, at_40), abs=0.02), pytest.approx((at_20, at_60), abs=0.02)]
    shown = {one.words: 0.5 * (one.box[0] + one.box[2]) for one in written(svg)}
    assert shown["20"] == pytest.approx(at_20, abs=0.3)
    assert shown["60"] == pytest.approx(at_60, abs=0.3)


def test_a_limit_to_one_side_is_open_to_the_other() -> None:
    (svg,) = terminals_picture([bar("A", high=None), bar("B", low=None), bar("C", low=None, high=None)], WORDS)
    zero = next(x for x in paths(svg, INK) if x[0] == x[2])[0]
    least, most = [(min(box[0:-2:2]), max(box[0:-2:2])) for box in paths(svg, BAND, "fill")]
    assert most[0] == zero
    edges = [x[0] for x in paths(svg, EDGE)]
    assert edges == [least[0], most[1]]
    ((x, y),) = [(x, y) for x, y, style in marks(svg) if f"fill: {FAINT}" in style]
    box = paths(svg, BAND, "fill")[0]
    assert x == least[1]
    assert y == pytest.approx(0.5 * (min(box[1::2]) + max(box[1::2])), abs=0.02)


def test_before_is_open_and_after_is_filled() -> None:
    (svg,) = terminals_picture([bar("A")], WORDS)
    (before, upper, open_style), (after, lower, filled) = marks(svg)
    assert before < after
    assert lower - upper > 4.9  # marks are 4.8 and 5 points wide
    assert "fill-opacity: 0" in open_style
    assert f"fill: {INK}" in filled


def test_a_bar_that_would_make_all_others_small_ends_in_an_arrow() -> None:
    (svg,) = terminals_picture([bar("A", after=(40.0, 900.0)), bar("B")], WORDS)
    xs = [x for x, _, style in marks(svg) if f"fill: {INK}" in style]
    assert len(xs) == 3
    width, _ = size_pt(svg)
    assert max(xs) < width
    assert all(stroke[2] <= max(xs) for stroke in paths(svg, INK))


def test_no_reading_is_said_in_words() -> None:
    (svg,) = terminals_picture([bar("A", before=None, after=None, verdict="passt"), bar("B", after=None)], WORDS)
    said = Counter(one.words for one in written(svg))
    assert said["kein Messwert"] == 1
    assert said["passt"] == 1
    assert said["nachher"] == 0  # no sample of what is not there
    assert len(marks(svg)) == 1


@pytest.mark.parametrize("width_in", [PAGE_IN, PHONE_IN])
@pytest.mark.parametrize(("n", "n_sheets"), [(1, 1), (12, 1), (35, None), (36, None), (37, None), (200, None)])
def test_any_number_of_terminals_fits_pages(n: int, n_sheets: int | None, width_in: float) -> None:
    sheets = terminals_picture(house(n), WORDS, width_in=width_in)
    assert n_sheets in (None, len(sheets))
    ids = [[one.words for one in written(svg) if re.fullmatch(r"S\d+", one.words)] for svg in sheets]
    assert [name for sheet in ids for name in sheet] == [f"S{i + 1}" for i in range(n)]
    assert max(map(len, ids)) - min(map(len, ids)) <= 3  # halves differ by one row; one more may change its sheet
    for svg, sheet in zip(sheets, ids, strict=True):
        assert size_pt(svg)[0] == pytest.approx(72.0 * width_in)
        assert size_pt(svg)[1] <= 648.0
        assert in_each_others_way(svg) == []
        groups = Counter("supply" if int(name[1:]) - 1 < 0.53 * n else "extract" for name in sheet)
        assert n < 3 or min(groups.values()) > 1  # no row alone under its heading
    assert len({tuple(one.words for one in written(svg) if one.words.isdigit()) for svg in sheets}) == 1  # one scale


@pytest.mark.parametrize("width_in", [PAGE_IN, PHONE_IN])
@pytest.mark.parametrize("n", [1, 12])
def test_long_names_and_words_leave_each_other_room(n: int, width_in: float) -> None:
    rows = [
        bar(f"{'W' * 60} {i}", "extract" if i % 2 else "supply", room="m" * 300, verdict="nicht zu entscheiden, weil")
        for i in range(n)
    ]
    (svg,) = terminals_picture(rows, LONG, width_in=width_in)
    assert in_each_others_way(svg) == []
    upright = [line for colour in (INK, GRID) for line in paths(svg, colour) if line[0] == line[2]]
    assert upright
    for left, top, right, bottom in (one.box for one in written(svg)):
        assert not any(left < x < right and min(a, b) < bottom and max(a, b) > top for x, a, _, b in upright)
    names = [one.words for one in written(svg) if "WWW" in one.words]
    assert len(set(names)) == n  # cut, they are told apart by their number
    assert all(name.endswith("…") for name in names)
    assert all(name.startswith("(") for name in names) is (n > 1)


@pytest.mark.parametrize(
    ("name", "room", "shown"),
    [
        ("S1", "\u05d7\u05d3\u05e8", ["S1"]),  # Hebrew
        ("\u0645\u0637\u0628\u062e 1", "Bad", ["(1)", "Bad"]),  # Arabic
        ("S\u0661", "Bad", ["(1)", "Bad"]),  # an Arabic digit
        ("\u4e2d", "\u4e2d", ["(1)", "[U+4E2D]"]),  # not in the font
        ("a\u202eb", "B\nad\x00", ["(1)", "B ad[U+0000]"]),
        ("  ", "", ["(1)"]),
        ("<b>&amp;", "$x^2$ --> ]]>", ["<b>&amp;", "$x^2$ --> ]]>"]),
    ],
)
def test_names_are_shown_as_they_are_or_by_their_number(name: str, room: str, shown: list[str]) -> None:
    (svg,) = terminals_picture([bar(name, room=room)], WORDS)
    known = {getattr(WORDS, field) for field in TerminalsWords.__slots__} | {"passt"}
    left = [one.words for one in written(svg) if one.words not in known and not one.words.isdigit()]
    assert left == shown
    assert b"<b>" not in svg


def test_nothing_is_written_but_what_was_given() -> None:
    given_words = {getattr(WORDS, field) for field in TerminalsWords.__slots__} | {"A", "Bad", "passt"}
    (svg,) = terminals_picture([bar("A")], WORDS)
    assert {one.words for one in written(svg) if not re.fullmatch(r"[\d,]+", one.words)} <= given_words
    assert ET.fromstring(svg).get("aria-label") == "Alle Ventile"


@given(name=st.text(max_size=60), room=st.text(max_size=60), verdict=st.text(max_size=60))
@settings(max_examples=60, deadline=None)
def test_any_names_give_a_picture(name: str, room: str, verdict: str) -> None:
    words = TerminalsWords(*([verdict] * 10), number)
    for width_in in (PAGE_IN, PHONE_IN):
        (svg,) = terminals_picture([bar(name, room=room, verdict=verdict)], words, width_in=width_in)
        root = ET.fromstring(svg)
        assert {shape.tag.split("}")[1] for shape in root.iter()} <= {
            "svg",
            "title",
            "style",
            "g",
            "defs",
            "path",
            "use",
        }


def test_outlines_stay_what_they_were() -> None:
    """A curve takes four numbers (SVG 1.1, 8.3.7, memory); more would be read as further curves."""
    (svg,) = terminals_picture([bar("SQ8&g")], WORDS)
    curves = [part for path in ET.fromstring(svg).iter(f"{SVG}path") for part in re.split("Q", path.get("d") or "")[1:]]
    assert len(curves) > 100
    assert all(len(re.match(r"[-\d.\s]+", curve)[0].split()) == 4 for curve in curves)  # type: ignore[index]


def test_same_input_same_bytes() -> None:
    assert terminals_picture(house(40), WORDS) == terminals_picture(house(40), WORDS)
    assert terminals_picture([], WORDS) == []


def test_a_persons_own_settings_of_matplotlib_change_nothing() -> None:
    import matplotlib as mpl

    wanted = terminals_picture(house(3), WORDS)
    with mpl.rc_context({"svg.fonttype": "none", "path.sketch": (5.0, 50.0, 2.0), "lines.linestyle": ":"}):
        assert terminals_picture(house(3), WORDS) == wanted


def test_hundreds_can_stand_in_one_page() -> None:
    sheets = terminals_picture(house(40), WORDS) + terminals_picture(house(3), WORDS, name="short")
    assert len(sheets) == 3
    ids = [re.findall(r'\bid="([^"]+)"', svg.decode()) for svg in sheets]
    assert len({one for sheet in ids for one in sheet}) == sum(map(len, ids))
    for svg, own in zip(sheets, ids, strict=True):
        used = re.findall(r'(?:href="#|url\(#)([^")]+)', svg.decode())
        assert used
        assert set(used) <= set(own)
        assert svg.startswith(b"<svg ")
        assert not re.search(rb"<!--|<\?xml|<!DOCTYPE|\*\{", svg)  # the page's own, or rules for all of it
    with pytest.raises(ValueError, match="01:1"):
        terminals_picture(house(1), WORDS, name="01:1")


def test_every_colour_has_one_for_the_dark() -> None:
    text = terminals_picture([*house(3), bar("A", high=None, after=(40.0, 900.0))], WORDS)[0].decode()
    drawn = set(re.findall(r"(?:fill|stroke): (#[0-9a-f]{3,6})", text.split("</style>")[1]))
    assert drawn >= {INK, FAINT, EDGE, RUST, BAND}
    assert drawn <= set(DARK)
    # What `use` repeats is out of reach of the rules for the dark: it must take its colours from `use`.
    for path in ET.fromstring(text).iter(f"{SVG}path"):
        assert path.get("id") is None or path.get("style") is None
    for group in ET.fromstring(text).iter(f"{SVG}g"):
        assert "scale(" not in group.get("transform", "") or group.get("style", "").startswith("fill: #")


@pytest.mark.parametrize(
    ("ink", "grounds", "wanted"),
    [
        (INK, ("paper",), 4.5),  # words
        (FAINT, ("paper",), 4.5),
        (INK, (BAND, TINT), 3.0),  # marks, bars, the vane
        (FAINT, (BAND, TINT), 3.0),  # marks before, arrows, the taps
        (RUST, ("paper", BAND, TINT), 3.0),  # design; mean and its interval, the window's bar
        (EDGE, ("paper", TINT), 3.0),  # edges of what is allowed, against what is beyond; hatching
    ],
)
def test_contrast(ink: str, grounds: tuple[str, ...], wanted: float) -> None:
    """4.5 for words and 3 for graphics: WCAG 2.2, 1.4.3 and 1.4.11, "contrast ratio" and "relative luminance" (memory).

    What is not here says nothing alone: grid, grounds (they have edges, or a bar under them).
    """
    for light, pair in ((True, lambda colour: colour), (False, DARK.__getitem__)):
        papers = PAPER[0] if light else PAPER[1]
        for ground in grounds:
            for under in papers if ground == "paper" else (pair(ground),):
                assert contrast(pair(ink), under) >= wanted, (ink, ground, light)


def test_contrast_of_black_and_white_is_21() -> None:
    """WCAG 2.2: contrast ratios range from 1 to 21 (memory)."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
