"""The report: its numbers are the commands', its words are there in every language, names stay names, bytes stay."""

from __future__ import annotations

import ast
import html.parser
import json
import re
from collections.abc import Iterator
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

import hoodtrace
from hoodtrace.balancing.whole import whole
from hoodtrace.cli.balance import as_json
from hoodtrace.dwelling.customer import Customer
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.visit import Visit
from hoodtrace.dwelling.window import OTHER_WAY
from hoodtrace.errors import UsageError, VisitError
from hoodtrace.physics.hood import read_hood
from hoodtrace.reporting.blocks import words_of
from hoodtrace.reporting.report import _placed, make
from hoodtrace.reporting.report_gathered import gathered
from hoodtrace.reporting.report_words import Options, ReportWords
from hoodtrace.reporting.texts import _read, languages
from reported_visit import HOSTILE, UTC, traced, typed
from visits_over_time import by_hand

HERE = Path(hoodtrace.__file__).parent / "reporting"
CUSTOMER = Customer("Ada Invented", "4 Larkmoor Terrace\nNowhere", "by post")


@pytest.fixture(scope="module")
def read_by_hood(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return traced(tmp_path_factory.mktemp("reported") / "traced", 4, 11)


@pytest.fixture(scope="module")
def read_by_hand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return typed(tmp_path_factory.mktemp("reported") / "typed", 6, 12)


class Page(html.parser.HTMLParser):
    """What a page shows, the tags that it has, and what could run."""

    def __init__(self, content: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.tags: list[str] = []
        self.runs: list[str] = []
        self.rows: list[list[str]] = []
        self._silent = False
        self.feed(content.decode())
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        known = dict(attrs)
        self.runs += [f"{name}={value}" for name, value in attrs if name.startswith("on")]
        self.runs += [f"{tag} {known}" for _ in "1" if tag in ("iframe", "object", "embed", "link", "base", "form")]
        if tag == "script" and known != {"type": "application/json", "id": "facts"}:
            self.runs.append(f"script {known}")
        self.runs += [
            str(value)
            for name, value in attrs
            if name in ("src", "href", "xlink:href") and not str(value).startswith("#")
        ]
        self._silent = tag in ("script", "style")
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self._silent = False
        if tag in ("td", "th") and self.rows:
            self.rows[-1][-1] = self.rows[-1][-1].strip()
            self.tags.append("")

    def handle_data(self, data: str) -> None:
        if self._silent:
            return
        if self.rows and self.tags[-1] in ("td", "th") and self.rows[-1]:
            self.rows[-1][-1] += data
        if data.strip():
            self.words.append(data.strip())


@cache
def page_of(folder: Path, options: Options, customer: Customer | None = None) -> Page:
    return Page(make(folder, options, customer).html)


def pdf_text(content: bytes) -> str:
    return " ".join(page.extract_text() for page in PdfReader(BytesIO(content)).pages)


# ---- numbers


def test_flows_and_verdicts_are_those_of_balance(read_by_hand: Path) -> None:
    visit, (hood, _) = Visit(read_by_hand), read_hood(read_by_hand / "hood.toml")
    said = {row["id"]: row for row in as_json(whole(visit, hood), visit.plan.rule)["terminals"]}
    made = make(read_by_hand, Options(), None)
    assert [t["id"] for t in made.facts["terminals"]] == [*said]
    for row in made.facts["terminals"]:
        of = said[row["id"]]
        assert (row["now_m3h"], row["u_now_m3h"]) == (of["now_m3h"], of["u_now_m3h"])
        assert (row["verdict"], row["proportion"]) == (of["level_verdict"], of["verdict"])
    # The page's own words say the same: flow and 1.96 u, rounded as flows are.
    shown = {row[0]: row for row in page_of(read_by_hand, Options()).rows if len(row) == 7}
    for name, of in said.items():
        now = [float(part.replace("\u00a0", "")) for part in shown[name][5].split("±")]
        assert now[0] == pytest.approx(of["now_m3h"], abs=0.06)
        assert now[1] == pytest.approx(1.96 * of["u_now_m3h"], abs=0.06)
        assert shown[name][6].endswith(of["level_verdict"])


def test_readings_are_those_of_the_journal(read_by_hood: Path) -> None:
    given = {p.terminal: p for p in Visit(read_by_hood).state.placements}
    facts = make(read_by_hood, Options(), None).facts
    counting = [one for one in facts["readings"] if one["counts"]]
    assert len(counting) == len(given) > 2
    for one in counting:
        assert one["flow_m3h"] == round(given[one["terminal"]].flow_m3h, 6)
    words = " ".join(page_of(read_by_hood, Options()).words)
    for placement in given.values():
        flow, half = placement.flow_m3h, float(placement.entry["expanded_m3h"])
        assert f"{placement.terminal}, " in words
        assert f"{flow:.1f}\u00a0±\u00a0{half:.1f}" in words


@pytest.mark.parametrize(
    ("unit", "word", "per_m3h"),
    # 1 L/s = 3.6 m3/h; 1 cfm = 0.3048**3 * 60 m3/h (definitions; international foot, 1959, seen)
    [("ls", "L/s", 1.0 / 3.6), ("cfm", "cfm", 1.0 / (0.3048**3 * 60.0))],
)
def test_units_are_converted_everywhere(read_by_hand: Path, unit: str, word: str, per_m3h: float) -> None:
    in_m3h, shown = page_of(read_by_hand, Options()), page_of(read_by_hand, Options(unit=unit))
    assert not re.search(r"m³/h", " ".join(shown.words))
    assert word in " ".join(shown.words)
    rows = [(a, b) for a, b in zip(in_m3h.rows, shown.rows, strict=True) if len(a) == 7 and a[0].startswith(("S", "E"))]
    assert len(rows) == 6
    for a, b in rows:
        for i in (3, 4, 5):
            for old, new in zip(a[i].split("±"), b[i].split("±"), strict=True):
                old_m3h, now = (float(x.replace("\u00a0", "")) for x in (old, new))
                # Both are rounded: half a unit of the last digit each.
                assert now == pytest.approx(old_m3h * per_m3h, abs=0.051 * per_m3h + 0.051)


def test_as_found_is_what_was_read_before_anything_was_turned(read_by_hand: Path) -> None:
    """Typed readings of 3 %: the model may move each by less than two of its own uncertainties."""
    g = gathered(read_by_hand)
    assert g.turned
    for t in g.terminals:
        assert t.found is not None
        assert t.first is not None
        assert abs(t.found.flow_m3h - t.first.flow_m3h) < 2.0 * t.first.u_flow_m3h


# ---- words


def places(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Calls of `r` with the key that they ask for, an f-string as a pattern."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) == "r" and node.args:
            for one in (
                [node.args[0].body, node.args[0].orelse] if isinstance(node.args[0], ast.IfExp) else [node.args[0]]
            ):
                if isinstance(one, ast.Constant):
                    yield "key", str(one.value)
                elif isinstance(one, ast.JoinedStr):
                    parts = [re.escape(str(v.value)) if isinstance(v, ast.Constant) else r"\w+" for v in one.values]
                    yield "pattern", "".join(parts)


def test_every_text_that_the_report_asks_for_is_there_and_none_is_idle() -> None:
    texts = {key.removeprefix("report.") for key in _read("en") if key.startswith("report.")}
    asked: set[str] = set()
    for path in sorted(HERE.glob("report*.py")):
        for kind, what in places(ast.parse(path.read_text())):
            found = {what} & texts if kind == "key" else {t for t in texts if re.fullmatch(what, t)}
            assert found, f"{path.name} asks for {what}"
            asked |= found
    # Keys that stand in tables of the code.
    source = " ".join(path.read_text() for path in HERE.glob("report*.py"))
    asked |= {key for key in texts if f'"{key}"' in source}
    assert texts - asked == set()


@pytest.mark.parametrize("language", [name for name in languages() if name != "en"])
def test_a_language_says_all_with_the_same_values(language: str) -> None:
    english, other = _read("en"), _read(language)
    for group in ("report", "term", "constant"):
        mine = {key: text for key, text in english.items() if key.startswith(f"{group}.")}
        assert {key for key in other if key.startswith(f"{group}.")} == set(mine)
        for key, text in mine.items():
            assert set(re.findall(r"{(\w+)}", other[key])) <= set(re.findall(r"{(\w+)}", text)), key
            # Numbers and names must not get lost on the way.
            lost = set(re.findall(r"{(\w+)}", text)) - set(re.findall(r"{(\w+)}", other[key]))
            assert lost <= {"n", "n_all", "direction"}, (key, lost)


@pytest.mark.parametrize("language", languages())
def test_a_report_speaks_one_language(read_by_hand: Path, read_by_hood: Path, language: str) -> None:
    """No text of the English file that has three words or more comes out in another language."""
    for folder in (read_by_hand, read_by_hood):
        page = page_of(folder, Options(language))
        assert f'lang="{language}"' in make(folder, Options(language), None).html.decode()
        if language == "en":
            continue
        english = {text for key, text in _read("en").items() if key.startswith("report.") and text.count(" ") > 2}
        same = english - {text for key, text in _read(language).items() if key.startswith("report.")}
        shown = " ".join(page.words)
        assert not [text for text in same if "{" not in text and text in shown]
        comma = {"en": "."}.get(language, ",")
        assert re.search(rf"\d{comma}\d\u00a0±\u00a0\d", shown)


def test_never_says_safe() -> None:
    for language in languages():
        for key, text in _read(language).items():
            if key.startswith(("report.", "term.", "constant.")):
                assert not re.search(r"\b(un)?safe(ly|ty)?\b", text, re.IGNORECASE), key


# ---- names


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    names = [(f"T{k}", room) for k, room in enumerate(HOSTILE)]
    return typed(tmp_path_factory.mktemp("reported") / "hostile", len(names), 13, names, site=HOSTILE[0])


def test_names_are_shown_as_typed_and_run_nothing(hostile: Path) -> None:
    customer = Customer(HOSTILE[1], HOSTILE[4], HOSTILE[12])
    made = make(hostile, Options(), customer)
    page = Page(made.html)
    assert page.runs == []
    shown = " ".join(page.words).replace("\u2068", "").replace("\u2069", "")
    for name in (*HOSTILE, HOSTILE[1]):
        assert " ".join(name.split()) in " ".join(shown.split())
    assert json.loads(re.search(rb'id="facts">\s*(.*?)\s*</script>', made.html, re.DOTALL)[1]) == made.facts  # type: ignore[index]
    text = pdf_text(made.pdf)
    assert "U+53F0" in text, "a letter that the font lacks is named"
    assert "[U+53F0][U+6240]" in text


def test_right_to_left_names_are_isolated(hostile: Path) -> None:
    shown = " ".join(page_of(hostile, Options()).words)
    for name in (HOSTILE[4], HOSTILE[5]):
        assert f"\u2068{name}\u2069" in shown


def test_without_names_nothing_of_the_customer_and_no_own_words_are_left(read_by_hand: Path) -> None:
    made = make(read_by_hand, Options(names=False), CUSTOMER)
    everything = made.html.decode() + pdf_text(made.pdf) + json.dumps(made.facts)
    for word in ("Ada", "Invented", "Larkmoor", "by post", "Alder Row", "scratch", "second meter"):
        assert word not in everything, word
    with_names = make(read_by_hand, Options(), CUSTOMER)
    for word in ("Ada Invented", "Alder Row 7", "scratch on the ring"):
        assert word in with_names.html.decode()
        assert word in pdf_text(with_names.pdf)


# ---- bytes, form


def test_same_visit_same_bytes(read_by_hood: Path, tmp_path: Path) -> None:
    other = traced(tmp_path / "elsewhere", 4, 11)
    one, two = make(read_by_hood, Options("de"), CUSTOMER), make(other, Options("de"), CUSTOMER)
    assert (one.pdf, one.html) == (two.pdf, two.html)


def test_the_date_is_the_journals(read_by_hand: Path) -> None:
    made = make(read_by_hand, Options(), None)
    assert made.facts["date"] == UTC[:10]
    assert str(PdfReader(BytesIO(made.pdf)).metadata.creation_date)[:10] == UTC[:10]  # type: ignore[union-attr]


def test_the_pdf_is_tagged_with_title_and_language(read_by_hand: Path) -> None:
    reader = PdfReader(BytesIO(make(read_by_hand, Options("pl"), None).pdf))
    root: Any = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "pl"
    assert "/StructTreeRoot" in root
    assert "Alder Row 7" in str(reader.metadata.title)  # type: ignore[union-attr]
    assert b"pdfuaid" in make(read_by_hand, Options("pl"), None).pdf


@pytest.mark.parametrize("n", [1, 2, 13, 40])
def test_any_number_of_terminals_makes_pages(tmp_path: Path, n: int) -> None:
    made = make(typed(tmp_path / "visit", n, 14 + n), Options(), None)
    text = pdf_text(made.pdf)
    assert len(made.facts["terminals"]) == n
    assert all(f"Room {k + 1}" in text for k in range(n))


def test_pdf_and_page_have_the_same_words(read_by_hood: Path) -> None:
    facts, data, _ = _placed(gathered(read_by_hood), Options(), None)
    made = make(read_by_hood, Options(), None)
    page, text = (
        "".join(words.replace("\u200b", "").split()) for words in (" ".join(Page(made.html).words), pdf_text(made.pdf))
    )
    blocks = [each for part in data["parts"] for block in part for each in block.get("blocks", [block])]
    assert len(blocks) > 40
    for block in blocks:
        for words in words_of([block]) if block["kind"] != "picture" else ():
            flat = "".join(words.split())
            assert flat in page, words
            # The foot of a page comes between the halves of a long paragraph.
            assert flat in text or (len(flat) > 60 and all(one in text for one in words.split())), words
    assert facts["journal"]["sha256"][:12] in text


def test_a_visit_that_has_not_begun_is_refused(read_by_hand: Path, tmp_path: Path) -> None:
    for name in ("visit.toml", "hood.toml"):
        (tmp_path / name).write_bytes((read_by_hand / name).read_bytes())
    with pytest.raises(UsageError, match="has not begun"):
        make(tmp_path, Options(), None)
    with pytest.raises(UsageError, match="there is no visit"):
        make(tmp_path / "nowhere", Options(), None)


def test_a_damaged_journal_is_refused_and_named(tmp_path: Path) -> None:
    folder = typed(tmp_path / "visit", 2, 15)
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"clean"', b'"Clean"', 1))
    with pytest.raises(VisitError, match="line"):
        make(folder, Options(), None)


def test_a_missing_trace_is_said_and_the_journals_numbers_stand(tmp_path: Path) -> None:
    folder = traced(tmp_path / "visit", 3, 16)
    before = make(folder, Options(), None).facts
    (folder / "traces" / "01.trace").unlink()
    made = make(folder, Options(), None)
    assert [t["now_m3h"] for t in made.facts["terminals"]] == [t["now_m3h"] for t in before["terminals"]]
    assert "is not there" in " ".join(Page(made.html).words)


def test_a_rule_that_wants_an_accredited_calibration_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    typed(folder, 2, 17)
    plan = (folder / "visit.toml").read_text()
    assert "accredited calibration" in " ".join(page_of(folder, Options()).words)
    other = tmp_path / "other"
    other.mkdir()
    (other / "traces").mkdir()
    source = 'direction = "supply"\ndesign_from = "Approved Document F, volume 1, 2021: share"'
    (other / "visit.toml").write_text(plan.replace('direction = "supply"', source, 1))
    (other / "hood.toml").write_bytes((folder / "hood.toml").read_bytes())
    append(other, {"kind": "begun", "utc": UTC, "what": "visit"})
    assert "Approved Document F, volume 1, 2021 asks for" in " ".join(page_of(other, Options()).words)


def test_intervals_never_lose_their_digits() -> None:
    words = ReportWords(Options())
    assert words.interval(312.4, 0.4) == "312\u00a0±\u00a00.4"
    assert words.interval(44.93, 2.18) == "44.9\u00a0±\u00a02.2"
    assert words.interval(0.03, 0.004) == "0.03\u00a0±\u00a00.004"


def test_what_each_fan_setting_gives_stands_on_the_page_to_keep(tmp_path: Path) -> None:
    """Read at both settings: the first one is judged, both stand side by side."""
    folder = typed(tmp_path / "visit", 2, 18, settings=("normal", "boost"))
    for name, flow in (("S1", 71.25), ("E1", 83.75)):
        append(folder, {**by_hand(name, flow, 1.0, setting="boost"), "utc": UTC})
    append(folder, {"kind": "setting", "setting": "boost", "utc": UTC})
    made = make(folder, Options(), None)
    assert made.facts["setting"] == "normal"
    (head,) = [row for row in Page(made.html).rows if row[1:] == ["normal, m³/h", "boost, m³/h"]]
    assert head[0] == "terminal"
    rows = [row for row in Page(made.html).rows if len(row) == 3 and row[0] in ("S1", "E1")]
    assert [row[2].split("\u00a0")[0] for row in rows] == ["71.2", "83.8"]
    boost = [one for one in made.facts["readings"] if one["flow_m3h"] in (71.25, 83.75)]
    assert len(boost) == 2


def test_the_page_to_keep_dates_the_filters(read_by_hand: Path) -> None:
    assert "Clean, 2030-01-01" in page_of(read_by_hand, Options()).words


def test_every_unit_and_language_goes_with_every_other(read_by_hand: Path) -> None:
    for language in languages():
        for unit in ("m3h", "ls", "cfm"):
            made = make(read_by_hand, Options(language, unit), None)
            assert len(PdfReader(BytesIO(made.pdf)).pages) < 9
            assert made.facts["options"] == {"language": language, "unit": unit, "names": True}


def test_air_that_goes_the_other_way_is_outside_and_said(tmp_path: Path) -> None:
    folder = typed(tmp_path / "visit", 2, 19)
    append(folder, {**by_hand("S1", 40.0, 0.4, flags=[OTHER_WAY], direction="extract"), "utc": UTC})
    made = make(folder, Options(), None)
    assert {t["id"]: t["verdict"] for t in made.facts["terminals"]}["S1"] == "outside"
    (row,) = [row for row in Page(made.html).rows if row[0] == "S1" and len(row) == 7]
    assert row[-1] == f"✗ {OTHER_WAY}"
