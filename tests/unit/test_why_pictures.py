"""Pictures and words of why a reading is what it is: what is drawn is what was found, in any light, in 80 columns."""

from __future__ import annotations

import json
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from contrast import contrast
from hoodtrace.cli.why import print_why, write_pictures
from hoodtrace.dwelling.autocorrelation import Autocorrelation
from hoodtrace.dwelling.why import Channels, Correlation, Why, why_json
from hoodtrace.dwelling.why_budget import Line
from hoodtrace.dwelling.why_hood import Constant, Earlier, HoodBehind, Ratio, RecordLine
from hoodtrace.errors import FileError, UsageError
from hoodtrace.reporting.pictures import INK
from hoodtrace.reporting.why_picture import BAND, BLUE, DARK, budget_picture, correlation_picture

SVG, HREF = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
PAPER = ("#fbfaf6", "#0f1418")  # of the pages, as their style sheets have it
SHARES = {"k-factor": 0.80, "fluctuation of the air": 0.30, "zero": 0.05, "covariance of k and c": -0.15}


def sample(refused: bool = False) -> Why:
    """Numbers typed in, none computed by the package."""
    scopes = {"zero": "visit", "fluctuation of the air": "reading"}
    terms = tuple(
        Line(
            name, "covariance" if share < 0 else "term", scopes.get(name, "hood"),
            None if share < 0 else 1.2 * math.sqrt(share), None if share < 0 else 0.03 * math.sqrt(share), share,
            9.0 if name == "k-factor" else None, "What it is & what would make it < than now.",
        )
        for name, share in SHARES.items()
    )  # fmt: skip
    lags = tuple(0.1 * i for i in range(60))
    of = Autocorrelation(
        lags, tuple(math.cos(3 * x) * math.exp(-x) for x in lags), tuple(math.exp(-x) for x in lags), 0.2, 0.1, 400, 1.0
    )
    ratios = (
        Ratio("01:1.1", 1.9e9, "supply", 40.0, 1.01, 0.004, True),
        Ratio("0\x072:2.1", None, "supply", 50.0, 0.99, 0.004, False),
    )
    before = (
        Earlier(
            "r.json", True, "unchanged", "2026-03-14", 6, (RecordLine("k", "supply", 0.93, 0.02, 6.0, (20.0, 75.0)),)
        ),
        Earlier("s\x1b[31m.json", True, "not found beside the hood file", None, 0, ()),
    )
    hood = HoodBehind(
        "pipe hood \x1b[31m1", "ab" * 32, None, (20.0, 75.0), (Constant("k", 0.93, "1", 0.02, 6.0),), ratios,
        "nothing noticed", before,
    )  # fmt: skip
    channels = Channels(40.2, 1.4, 39.8, 1.5, 0.4, 1.9, 0.6, 40.04, "they agree")
    return Why(
        "01:1.1", "too short" if refused else None, "supply", ("short",), None if refused else 40.0,
        40.0 if refused else None, None if refused else 1.2, None if refused else 2.6, None if refused else 2.2, 0.95,
        None if refused else 10.0, 12.0, () if refused else terms,
        {} if refused else {"reading": 0.6, "visit": 0.3, "hood": 1.0}, () if refused else ("No placement.",),
        None if refused else Correlation("taps", 12.0, 24.0, of), channels, hood,
    )  # fmt: skip


def bars(svg: bytes) -> list[float]:
    """Widths of the bars in drawing order, to the left negative: from the path's first point, which is at 0."""
    widths = []
    for number in range(3, 3 + len(SHARES)):  # patches 1 and 2 are the backgrounds
        pattern = rf'id="budget-patch_{number}">\s*<path d="M ([\d.]+) [\d.]+ \s*L ([\d.]+) [\d.]+ '
        match = re.search(pattern, svg.decode())
        assert match, number
        widths.append(float(match[2]) - float(match[1]))
    return widths


def test_bars_are_as_long_as_the_shares() -> None:
    widths = bars(budget_picture(sample()))
    per_share = widths[0] / SHARES["k-factor"]
    assert widths == pytest.approx([share * per_share for share in SHARES.values()], abs=0.01)


@pytest.mark.parametrize("draw", [budget_picture, correlation_picture])
def test_same_input_same_bytes(draw: object) -> None:
    assert callable(draw)
    assert draw(sample()) == draw(sample())


@pytest.mark.parametrize("draw", [budget_picture, correlation_picture])
@pytest.mark.parametrize("refused", [False, True])
def test_every_colour_has_one_for_the_dark(draw: object, refused: bool) -> None:
    assert callable(draw)
    text = draw(sample(refused)).decode()
    drawn = set(re.findall(r"(?:fill|stroke): (#[0-9a-f]{3,6})", text))
    assert drawn
    assert drawn <= set(DARK)
    # Words are outlines; left to the default they would be black.
    letters = [use for use in coloured(ET.fromstring(text), "") if "DejaVu" in use[0]]
    assert letters
    assert all(style.startswith("fill: #1b2733") for _, style in letters)


def coloured(shape: ET.Element, style: str) -> list[tuple[str, str]]:
    """What each `use` below `shape` refers to, with the style that it inherits."""
    style = shape.get("style", style)
    mine = [(shape.get(HREF, ""), style)] if shape.tag == f"{SVG}use" else []
    return [*mine, *(each for inner in shape for each in coloured(inner, style))]


def test_dark_and_light_ink_are_told_from_their_paper() -> None:
    """Contrast of 4.5 for words and 3 for lines, by the formula of WCAG 2.2, 1.4.3 and 1.4.11 (memory)."""
    for light, wanted in ((INK, 4.5), (BLUE, 3.0)):  # frame, grid and grounds say nothing alone
        for ground, paper in ((PAPER[0], light), (PAPER[1], DARK[light])):
            assert contrast(paper, ground) >= wanted
    for ink, ground in ((INK, BAND), (DARK[INK], DARK[BAND]), (BLUE, BAND), (DARK[BLUE], DARK[BAND])):
        assert contrast(ink, ground) >= 3.0


def test_both_can_stand_in_one_page() -> None:
    ids = [re.findall(r'\bid="([^"]+)"', draw(sample()).decode()) for draw in (budget_picture, correlation_picture)]
    assert not set(ids[0]) & set(ids[1])
    for draw in (budget_picture, correlation_picture):
        text = draw(sample()).decode()
        used = re.findall(r'(?:href="#|url\(#)([^")]+)', text)
        assert used
        assert set(used) <= set(re.findall(r'\bid="([^"]+)"', text))


def test_said_to_those_who_do_not_see_it() -> None:
    root = ET.fromstring(budget_picture(sample()))
    assert root.get("role") == "img"
    assert "k-factor 80.0 %" in (root.get("aria-label") or "")
    assert "\N{MINUS SIGN}15.0 %" in (root.findtext(f"{SVG}title") or "")


def test_words_fit_in_80_columns_and_say_the_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    print_why(sample())
    out = capsys.readouterr().out
    assert "40.0 m3/h ± 2.6 m3/h (95 %)" in out
    assert re.search(r"^k-factor +hood +1\.073 +2\.68 +80\.0 +9\.0  #{12}$", out, re.MULTILINE)  # 1.2 sqrt 0.8
    assert re.search(r"^covariance of k and c +hood +-15\.0 +--$", out, re.MULTILINE)
    assert "coverage factor 2.200" in out
    # N/g of the sample is 12: the record's own mean takes a twelfth of the variance with it.
    assert "of a level that is 0.08 under 0" in " ".join(out.split())
    assert max(len(line) for line in out.splitlines()) <= 80
    assert not {"\x1b", "\x07"} & set(out)


def test_the_share_of_the_whole_is_the_sum_of_its_lines(capsys: pytest.CaptureFixture[str]) -> None:
    whole = sample()
    for terms, wanted in ((whole.terms, "100.0"), (whole.terms[:-1], "115.0")):
        print_why(replace(whole, terms=terms))
        assert re.search(rf"^flow, combined .* {wanted} +", capsys.readouterr().out, re.MULTILINE)


def test_a_refused_one_is_told_without_an_interval(capsys: pytest.CaptureFixture[str]) -> None:
    print_why(sample(refused=True))
    out = capsys.readouterr().out
    assert "no reading, too short, about 40.0 m3/h" in out
    assert "(95 %)" not in out.split("vane:")[0]


def test_json_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    print_why(sample(), "json")
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(why_json(sample())))


def test_pictures_as_files(tmp_path: Path) -> None:
    first, second = write_pictures(sample(), tmp_path / "why.svg")
    assert first.read_bytes() == budget_picture(sample())
    assert second.name == "why-correlation.svg"
    trace = tmp_path / "01.trace"
    trace.write_bytes(b"evidence")
    with pytest.raises(UsageError, match=r"ends in \.svg"):
        write_pictures(sample(), trace)
    assert trace.read_bytes() == b"evidence"
    with pytest.raises(FileError, match="can't be written"):
        write_pictures(sample(), tmp_path / "no" / "why.svg")
