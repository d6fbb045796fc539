"""What is written in a picture whose letters are outlines, and where: read back from the SVG, not from what made it.

Outlines are known by those of the alphabet, drawn once; how wide words are comes from the font file by fontTools, so a
width that the package got wrong shows.
"""

from __future__ import annotations

import functools
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from fontTools.ttLib import TTFont

from hoodtrace.reporting.canvas import Canvas
from hoodtrace.reporting.pdf import FONT_FILES
from hoodtrace.reporting.pictures import plain_style

SVG, HREF = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
ALPHABET = (
    "".join(chr(code) for code in (*range(0x21, 0x7F), *range(0xC0, 0x180)))
    + "…³±\N{MINUS SIGN}αβγδεζηθικλμνξοπρστυφχψω"
)


@dataclass(frozen=True)
class Written:
    """Words with the box of their line: left, top, right, bottom in points of the picture."""

    words: str
    size: float
    box: tuple[float, float, float, float]


def written(svg: bytes) -> list[Written]:
    """Return all words of a picture in drawing order; a letter outside `ALPHABET` is given as "?"."""
    root = ET.fromstring(svg)
    outlines = {f"#{path.get('id')}": " ".join((path.get("d") or "").split()) for path in root.iter(f"{SVG}path")}
    found = []
    for group in root.iter(f"{SVG}g"):
        place = re.fullmatch(r"translate\(([-\d.]+) ([-\d.]+)\) scale\(([\d.]+) -[\d.]+\)", group.get("transform", ""))
        if place is None:
            continue
        letters = [_letters().get(outlines[use.get(HREF, "")], "?") for use in group.iter(f"{SVG}use")]
        x, y, size = float(place[1]), float(place[2]), 100.0 * float(place[3])
        words = "".join(letters)
        found.append(Written(words, size, (x, y - 0.73 * size, x + size * _width_em(words), y + 0.24 * size)))
    return found


def size_pt(svg: bytes) -> tuple[float, float]:
    """Return width and height of a picture in points."""
    box = ET.fromstring(svg).get("viewBox", "").split()
    return float(box[2]), float(box[3])


def in_each_others_way(svg: bytes) -> list[str]:
    """Return the words that overlap others or leave the picture."""
    width, height = size_pt(svg)
    all_words = written(svg)
    bad = []
    for i, one in enumerate(all_words):
        left, top, right, bottom = one.box
        if left < -0.3 or top < -0.3 or right > width + 0.3 or bottom > height + 0.3:
            bad.append(f"{one.words!r} leaves the picture")
        for other in all_words[:i]:
            a, b, c, d = other.box
            if left < c and a < right and top < d and b < bottom:
                bad.append(f"{one.words!r} lies on {other.words!r}")
    return bad


@functools.cache
def _letters() -> dict[str, str]:
    with plain_style():
        canvas = Canvas(1000.0, 100.0)
        for letter in ALPHABET:
            canvas.text(10.0, 50.0, letter, 10.0)
        root = ET.fromstring(canvas.svg("alphabet", ""))
    outlines = {f"#{path.get('id')}": " ".join((path.get("d") or "").split()) for path in root.iter(f"{SVG}path")}
    uses = [outlines[use.get(HREF, "")] for use in root.iter(f"{SVG}use")]
    assert len(uses) == len(ALPHABET)
    letters = {"": " "}
    for outline, letter in zip(uses, ALPHABET, strict=True):
        letters.setdefault(outline, letter)  # a Greek letter may look like a Latin one
    return letters


@functools.cache
def _advances() -> tuple[dict[str, int], int]:
    with TTFont(FONT_FILES[0], lazy=True) as font:
        names, widths = font.getBestCmap(), font["hmtx"]
        return {chr(code): widths[name][0] for code, name in names.items()}, font["head"].unitsPerEm


def _width_em(words: str) -> float:
    advances, per_em = _advances()
    return sum(advances[letter] for letter in words) / per_em
