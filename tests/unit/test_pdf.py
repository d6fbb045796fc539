"""The calibration page and the PDF machinery: same bytes, one page, its numbers, words as typed, no letter lost.

The text is read back by pypdf, which knows nothing of what made it. Expected numbers are the sample's stated ones,
rounded on paper; the tags asked for are those of ISO 14289-1 (PDF/UA-1; memory).
"""

from __future__ import annotations

import hashlib
import io
import itertools
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from hoodtrace.calibration.record import MADE_BY, Record
from hoodtrace.reporting import pdf
from hoodtrace.reporting.calibration_page import calibration_pdf, calibration_png, page_data
from hoodtrace.reporting.pdf import FONTS, PdfError, compile_pdf, missing_letters, spelled_out
from hoodtrace.reporting.pictures import _LOOK, factor_picture, residual_picture
from sample_record import sample_record

MARKUP = "#panic() #data *b* _i_ $x^2$ @ref [a] \\n `c` = t // <b> <script>alert(1)</script> {{x}} ~ ---"
LONG_KINDS = tuple(
    f"a very long name of reference no. {i}, borrowed from the cellar next door, with a drum" for i in range(6)
)
MINUS = "\N{MINUS SIGN}"
GOOD = {"title": "t", "language": "en", "date": "2026-03-14"}


def text_of(content: bytes) -> str:
    """Return the PDF's text with zero-width spaces taken out and every white space as one space."""
    pages = PdfReader(io.BytesIO(content)).pages
    words = " ".join(page.extract_text() for page in pages).replace("\u200b", "")
    return re.sub(r"\s+", " ", words)


def joined(words: str) -> str:
    return re.sub(r"[\s\u200b]+", "", words)


def test_same_record_same_bytes_in_this_process_and_in_others(tmp_path: Path) -> None:
    import matplotlib as mpl

    first = calibration_pdf(sample_record(8))
    with mpl.rc_context({"xtick.direction": "in", "lines.solid_capstyle": "butt", "svg.hashsalt": "other"}):
        assert calibration_pdf(sample_record(8)) == first
    code = (
        "import hashlib; from sample_record import sample_record\n"
        "from hoodtrace.reporting.calibration_page import calibration_pdf\n"
        "print(hashlib.sha256(calibration_pdf(sample_record(8))).hexdigest())"
    )
    for seed, zone in (("1", "Pacific/Auckland"), ("2", "America/Lima")):
        env = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run(
            [sys.executable, "-c", code], env=env, cwd=tmp_path, capture_output=True, text=True, check=True
        )
        assert done.stdout.strip() == hashlib.sha256(first).hexdigest()


def test_another_number_gives_other_bytes() -> None:
    record = sample_record(3)
    moved = replace(record, points=(replace(record.points[0], flow_m3h=21.0), *record.points[1:]))
    assert residual_picture(moved) != residual_picture(record)
    assert factor_picture(moved) != factor_picture(record)
    assert calibration_pdf(moved) != calibration_pdf(record)


@pytest.mark.parametrize("n_points", range(3, 13))
def test_one_page_whatever_the_number_of_points(n_points: int) -> None:
    for taps, both in itertools.product((False, True), (False, n_points >= 4)):
        record = sample_record(n_points, taps=taps, both=both)
        assert len(PdfReader(io.BytesIO(calibration_pdf(record))).pages) == 1


def worst() -> Record:
    words = "volume of the drum, filled with weighed water, twice, on the scale of the kitchen"
    return sample_record(12, both=True, name="Röhre " * 40, kinds=LONG_KINDS, words=words)


def test_one_page_with_long_names_and_many_references() -> None:
    content = calibration_pdf(worst())
    assert len(PdfReader(io.BytesIO(content)).pages) == 1
    found = joined(text_of(content))
    for kind in LONG_KINDS:
        assert joined(kind) in found


def test_nothing_is_outside_the_paper() -> None:
    """A name of one unbroken word, with a picture of the page: its margins stay white."""
    import numpy as np
    from PIL import Image

    record = sample_record(5, name="W" * 110, kinds=("M" * 110,), words="w" * 110)
    (page,) = calibration_png(record, 72.0)
    dark = np.asarray(Image.open(io.BytesIO(page)).convert("L")) < 200
    assert dark.any()
    margin = int(15 / 25.4 * 72)  # the sheet's margins are 16 mm
    assert not dark[:, :margin].any()
    assert not dark[:, -margin:].any()


def test_the_page_says_the_numbers_in_plain_words() -> None:
    words = text_of(calibration_pdf(sample_record(8)))
    # (0.02 + 0.2 / 20) / (1 - 0.3 / 20) = 3.046 %, and 0.03 / 0.995 of the taps = 3.016 %, both rounded up.
    assert "Supply air, by the vane: from 20 to 90 m³/h the hood reads within ± 3.1 % of the true flow." in words
    assert "by the pressure taps: from 20 to 90 m³/h" in words
    for number in (
        "k = 0.931 ± 0.013",
        "c = 0.714 ± 0.010",
        f"{MINUS}0.031 ± 0.019 m/s",
        f"r = {MINUS}0.87",
        "1.4 %",
        "6.4",
        "∞",
    ):
        assert number in words
    # Second point: 20 + 55 / 7 = 27.857 m3/h; sin(3) / 100 = 0.141 %; k = 0.9312 * 1.00141.
    assert "27.9 0.81 1.12 0.977 0.9325 +0.1 ± 1.9" in words
    for phrase in (
        "made by the user, not an accredited calibration",
        "calibrated on 2026-03-14",
        "calibrate again by 2027-03-14",
        "Bore 104.0 mm, length 200 mm",
        "21.4 °C, 988 hPa, 44 % relative humidity",
        "extract, was only checked, at 45.0 m³/h: there the hood read 2.3 % (± 3.1 %) less",
        "For extract air: that direction has no calibration of its own.",
        "timed bag (points 1 to 8): scale of the volume 1 %; start and stop of the clock 0.3 to 1.2 %",
        "hoodtrace 0.1.0",
        "point8.trace 777777777777",
    ):
        assert phrase in words
    assert hashlib.sha256(sample_record(8).as_json().encode()).hexdigest() in joined(words)


def test_what_is_promised_is_never_narrower_than_what_was_found() -> None:
    record = sample_record(3, taps=False)
    fit = replace(record.fits[0], range_m3h=(20.2, 77.9))
    data = page_data(replace(record, fits=(fit,)))
    assert data["results"][0]["range"] == "from 21 to 77 m³/h"


@pytest.mark.parametrize("both", [False, True])
def test_nothing_is_called_by_a_bigger_name(both: bool) -> None:
    words = text_of(calibration_pdf(sample_record(12, both=both))).lower()
    assert "certif" not in words
    assert not re.search(r"\bsafe", words)
    assert MADE_BY in words


def test_markup_is_shown_as_typed() -> None:
    record = sample_record(3, name=MARKUP, kinds=(f"bag {MARKUP}",), words=MARKUP)
    record = replace(record, method=MARKUP, fits=tuple(replace(f, lack_of_fit=MARKUP) for f in record.fits))
    content = calibration_pdf(record)
    found = joined(text_of(content))
    assert found.count(joined(MARKUP)) >= 6  # name, method, reference, its three terms' first, two remarks
    reader = PdfReader(io.BytesIO(content))
    assert reader.metadata is not None
    assert reader.metadata.title == f"Calibration record: {MARKUP}"
    assert b"/JavaScript" not in content


def test_umlauts_and_greek_are_there() -> None:
    name = "Röhrenhaube Küche Bäder Größe αβγ Ωμ ° ± ² é ł ж"
    assert name in text_of(calibration_pdf(sample_record(3, name=name)))
    assert page_data(sample_record(3, name=name))["note"] == ""


def test_letters_without_a_shape_are_written_by_their_code_and_told() -> None:
    # U+4E2D: no shape in the shipped fonts; U+202E, U+0007: nothing that an eye sees.
    words = text_of(calibration_pdf(sample_record(3, name="hood \u4e2d\u202e\a\nend")))
    assert "hood [U+4E2D][U+202E][U+0007] end" in words
    assert "shown by their code (U+4E2D, U+202E, U+0007)" in words
    assert "shown by their code" not in text_of(calibration_pdf(sample_record(3)))


def test_missing_letters_are_found_before_the_page_is_set() -> None:
    assert missing_letters({"a": ["ok ä", {"b": "x\u4e2dy\u4e2d"}], "n": 3.0}) == ("\u4e2d",)
    assert spelled_out(["\u4e2d", 1, None]) == (["[U+4E2D]", 1, None], ("U+4E2D",))
    with pytest.raises(PdfError, match=r"U\+4E2D"):
        compile_pdf("calibration", {**GOOD, "name": "\u4e2d"}, {})


def reader() -> PdfReader:
    return PdfReader(io.BytesIO(calibration_pdf(sample_record(8))))


def test_it_is_tagged_with_title_language_and_date() -> None:
    root: Any = reader().trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] is not None
    assert bool(root["/MarkInfo"]["/Marked"])
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert b"pdfuaid:part" in root["/Metadata"].get_data()
    meta = reader().metadata
    assert meta is not None
    assert meta.title == "Calibration record: pipe hood 1"
    assert str(meta.creation_date).startswith("2026-03-14")


def test_both_pictures_have_words_for_those_who_cannot_see_them() -> None:
    alts = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, list):
            for each in node:
                walk(each)
        elif isinstance(node, dict):
            if "/Alt" in node:
                alts.append(str(node["/Alt"]))
            if "/K" in node:
                walk(node["/K"])

    root: Any = reader().trailer["/Root"]
    walk(root["/StructTreeRoot"]["/K"])
    assert len(alts) == 2
    assert "95 % bars" in alts[0]
    assert "95 % band" in alts[1]


def test_only_the_shipped_fonts_are_in_it() -> None:
    page: Any = reader().pages[0]
    names = {str(font.get_object()["/BaseFont"]).split("+")[-1] for font in page["/Resources"]["/Font"].values()}
    assert names == {"DejaVuSans", "DejaVuSans-Bold"}
    assert "Bitstream Vera" in (FONTS / "LICENSE_DEJAVU").read_text(encoding="utf-8", errors="replace")


def test_faults_become_an_error_of_our_own() -> None:
    with pytest.raises(PdfError, match="nowhere"):
        compile_pdf("nowhere", GOOD, {})
    with pytest.raises(PdfError, match="template calibration can't be set"):
        compile_pdf("calibration", GOOD, {})  # the template's data is not there
    data = page_data(sample_record(3))
    with pytest.raises(PdfError, match="can't be set"):
        compile_pdf("calibration", data, {"residuals": b"no picture", "factors": b"none"})
    with pytest.raises(PdfError, match="can't be set"):
        compile_pdf("calibration", data, {"residuals": residual_picture(sample_record(3))})
    with pytest.raises(PdfError, match="title, language"):
        compile_pdf("calibration", {"date": "2026-03-14"}, {})
    with pytest.raises(PdfError, match="can't be set"):
        compile_pdf("calibration", {**GOOD, "date": "2026-13-01"}, {})
    with pytest.raises(PdfError, match="called"):
        compile_pdf("calibration", GOOD, {"../x": b""})


def test_a_page_reads_no_file_of_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here, templates = tmp_path / "here", tmp_path / "templates"
    here.mkdir()
    templates.mkdir()
    (here / "secret.txt").write_text("hidden", encoding="utf-8")
    monkeypatch.chdir(here)
    monkeypatch.setattr(pdf, "TEMPLATES", templates)
    for path in ("secret.txt", "/secret.txt", "../here/secret.txt", (here / "secret.txt").as_posix()):
        (templates / "peep.typ").write_text(f'#set document(title: "t")\n#read("{path}")', encoding="utf-8")
        with pytest.raises(PdfError, match="can't be set"):
            compile_pdf("peep", GOOD, {})


@pytest.mark.parametrize("draw", [residual_picture, factor_picture])
def test_same_record_same_picture(draw: Any) -> None:
    assert draw(sample_record(8)) == draw(sample_record(8))


@pytest.mark.parametrize("draw", [residual_picture, factor_picture])
def test_pictures_carry_no_date_and_no_font_of_the_machine(draw: Any) -> None:
    svg = draw(sample_record(8)).decode()
    assert "dc:date" not in svg
    assert "<text" not in svg  # letters are outlines
    assert "DejaVuSans" in svg  # named after the font's own letters


def test_in_grey_each_line_has_a_mark_of_its_own() -> None:
    assert len({look[0] for look in _LOOK.values()}) == len(_LOOK)
    for channel in ("vane", "taps"):
        supply, extract = _LOOK[channel, "supply"], _LOOK[channel, "extract"]
        assert supply[1] != extract[1]
        assert supply[2] != extract[2]
