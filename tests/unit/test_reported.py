"""A report compared with its visit: nothing where nothing changed, and whatever was changed is found and named."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from io import BytesIO
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest
from pypdf import PdfReader, PdfWriter
from pypdf.generic import ArrayObject, DecodedStreamObject, NameObject

from hoodtrace.dwelling.customer import forget
from hoodtrace.dwelling.journal import append
from hoodtrace.errors import FileError
from hoodtrace.reporting.report import HTML, PDF, Options, remake_without_names, write
from hoodtrace.reporting.reported import compare, facts_in, options_in, other_build
from reported_visit import traced, typed
from visits_over_time import by_hand

CUSTOMER = 'name = "Ada Invented"\naddress = "4 Larkmoor Terrace"\n'


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = traced(tmp_path_factory.mktemp("reported") / "visit", 3, 21)
    (folder / "customer.toml").write_text(CUSTOMER)
    write(folder, Options("fr", "ls"))
    return folder


@pytest.fixture
def visit(reported: Path, tmp_path: Path) -> Path:
    shutil.copytree(reported, tmp_path / "visit")
    return tmp_path / "visit"


def found(visit: Path) -> list[str]:
    return [f"{one.where}: {one.what}" for name in (PDF, HTML) for one in compare(visit / name, visit)]


def chain_made_good(visit: Path, change: Any) -> None:
    """Change lines of the journal and give all of them good checksums and hashes again, as a forger would."""
    path, before = visit / "journal.jsonl", None
    out = []
    for number, line in enumerate(path.read_bytes().splitlines(), 1):
        entry = json.loads(line)
        entry.pop("crc")
        entry = change(number, entry)
        entry["prev"] = before or entry["prev"]
        body = json.dumps(entry, ensure_ascii=False, separators=(",", ":"))
        out.append(f'{body[:-1]},"crc":"{crc32(body.encode()):08x}"}}'.encode())
        before = hashlib.sha256(out[-1]).hexdigest()
    path.write_bytes(b"".join(line + b"\n" for line in out))


def test_an_unchanged_visit_gives_the_same_report(visit: Path) -> None:
    assert found(visit) == []
    assert options_in(visit / PDF) == options_in(visit / HTML) == Options("fr", "ls", True)


def test_the_visit_may_lie_and_go_on_elsewhere(visit: Path, tmp_path: Path) -> None:
    away = tmp_path / "sent.pdf"
    shutil.move(visit / PDF, away)
    append(visit, {**by_hand("S1", 33.0, 1.0), "utc": "2030-02-01T10:00:00+00:00"})
    (visit / "traces" / "02.trace").write_bytes((visit / "traces" / "01.trace").read_bytes())
    assert compare(away, visit) == []
    assert compare(visit / HTML, visit) == []


def test_a_trace_that_only_grew_since_leaves_a_report_true(visit: Path) -> None:
    path = visit / "traces" / "01.trace"
    whole = path.read_bytes()
    path.write_bytes(whole + b"\n" + whole[: len(whole) // 2])
    assert found(visit) == []
    path.write_bytes(whole[:-3] + b"\n\n\n" + whole[: len(whole) // 2])
    assert any("sha256" in one for one in found(visit))


def test_a_report_of_a_damaged_trace_names_no_place_outside_and_verifies(visit: Path) -> None:
    path = visit / "traces" / "01.trace"
    for damage in (lambda: path.write_bytes(b""), path.unlink):
        damage()
        for names in (True, False):
            write(visit, Options(names=names))
            page = (visit / HTML).read_text()
            assert "traces/01.trace" in page
            assert str(visit.parent) not in page
            assert visit.parent.name not in " ".join(p.extract_text() for p in PdfReader(visit / PDF).pages)
            assert found(visit) == []


def test_forgetting_the_customer_leaves_reports_true(visit: Path, tmp_path: Path) -> None:
    given = tmp_path / "given.html"
    shutil.copy(visit / HTML, given)
    forget(visit)
    remake_without_names(visit)
    assert found(visit) == []
    assert b"Ada" not in (visit / HTML).read_bytes()
    assert b"Ada" in given.read_bytes()
    assert compare(given, visit) == [], "the customer stands in the copy that was given away"


def test_a_changed_number_on_the_page_is_found(visit: Path) -> None:
    page = (visit / HTML).read_text()
    (number,) = re.findall(r">(\d+,\d\d)\u00a0±", page)[:1]
    (visit / HTML).write_text(page.replace(f">{number}\u00a0±", ">99,99\u00a0±", 1))
    (said,) = compare(visit / HTML, visit)
    assert "words differ" in said.what
    assert "99,99" in said.expected
    assert number in said.found


def test_a_changed_fact_is_found(visit: Path) -> None:
    page = (visit / HTML).read_text()
    said = facts_in(visit / HTML)["terminals"][0]["now_m3h"]
    (visit / HTML).write_text(page.replace(f'"now_m3h": {said}', f'"now_m3h": {said + 1.0}', 1))
    (one,) = compare(visit / HTML, visit)
    assert one.what == "terminals.S1.now_m3h"
    assert (float(one.expected), float(one.found)) == (said + 1.0, said)


def test_a_hidden_change_of_the_page_is_found(visit: Path) -> None:
    page = (visit / HTML).read_text()
    (visit / HTML).write_text(page.replace("<h1>", '<h1 style="display:none">', 1))
    assert len(compare(visit / HTML, visit)) == 1
    (visit / HTML).write_text(page.replace("</style>", "table{display:none}</style>", 1))
    assert len(compare(visit / HTML, visit)) == 1


def test_a_changed_pdf_is_found(visit: Path) -> None:
    writer = PdfWriter(clone_from=BytesIO((visit / PDF).read_bytes()))
    writer.remove_page(0)
    out = BytesIO()
    writer.write(out)
    (visit / PDF).write_bytes(out.getvalue())
    said = compare(visit / PDF, visit)
    assert said
    assert "page 1" in said[0].where


def test_a_reading_changed_with_all_checksums_and_the_chain_made_good_is_found(visit: Path) -> None:
    def change(number: int, entry: dict[str, Any]) -> dict[str, Any]:
        if entry["kind"] == "reading" and entry["terminal"] == "S1":
            entry["flow_m3h"] += 5.0
        return entry

    chain_made_good(visit, change)
    assert any("this line's hash is not the one in the report" in one for one in found(visit))
    assert any("terminals.S1.last_m3h" in one for one in found(visit))


@pytest.mark.parametrize(("key", "value"), [("terms", [[]]), ("correlation_s", "x"), ("dof", "E1"), ("flags", [{}])])
def test_a_journal_that_makes_no_sense_though_all_checksums_are_good_is_a_finding(
    visit: Path, key: str, value: object
) -> None:
    chain_made_good(visit, lambda _, entry: entry | ({key: value} if entry["kind"] == "reading" else {}))
    assert any("can't be made again" in one for one in found(visit))


def test_lines_taken_away_are_found(visit: Path) -> None:
    path = visit / "journal.jsonl"
    path.write_bytes(b"".join(line + b"\n" for line in path.read_bytes().splitlines()[:-2]))
    assert any("fewer lines" in one for one in found(visit))


def test_a_changed_trace_is_found(visit: Path) -> None:
    path = visit / "traces" / "01.trace"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2000] + lines[2100:]))
    assert found(visit)


def test_a_changed_plan_is_found(visit: Path) -> None:
    path = visit / "visit.toml"
    path.write_text(path.read_text().replace("tolerance", "tolerance").replace("Room 1", "Room 9", 1))
    assert any("made again" in one for one in found(visit))


def test_another_build_that_gives_the_same_otherwise_is_no_change_but_is_said(visit: Path) -> None:
    page = (visit / HTML).read_text()
    build = facts_in(visit / HTML)["software"]["build"]
    (visit / HTML).write_text(page.replace(build, "0" * 16))
    assert compare(visit / HTML, visit) == []
    assert other_build(visit / HTML)
    assert other_build(visit / PDF) == ""


def test_another_build_named_in_the_facts_hides_no_change(visit: Path) -> None:
    """Who changes a page can write another build into its facts: what differs must not be taken for that build's."""
    page = (visit / HTML).read_text()
    build = facts_in(visit / HTML)["software"]["build"]
    at = page.index('id="facts"')
    for end, more in (("</style>", "td::after{content:'45.0'}"), ("</body>", "<script>document.title=45.0</script>")):
        changed = page[:at].replace(end, more + end) + page[at:].replace(build, "0" * 16).replace(end, more + end)
        (visit / HTML).write_text(changed)
        said = compare(visit / HTML, visit)
        assert any("words differ" in one.what and "45.0" in one.expected for one in said)
        assert any("another build" in one.what for one in said)


def test_another_build_named_in_a_pdfs_facts_hides_no_change(visit: Path) -> None:
    facts = facts_in(visit / PDF)
    facts["software"]["build"] = "0" * 16
    writer = PdfWriter(clone_from=BytesIO((visit / PDF).read_bytes()))
    (attached,) = [o for o in map(_whole, writer._objects) if getattr(o, "get", {}.get)("/Type") == "/EmbeddedFile"]
    attached.set_data(json.dumps(facts).encode())
    black = DecodedStreamObject()
    black.set_data(b"0 0 600 900 re f")
    page = writer.pages[0]
    page[NameObject("/Contents")] = ArrayObject([page.raw_get("/Contents"), writer._add_object(black)])
    out = BytesIO()
    writer.write(out)
    (visit / PDF).write_bytes(out.getvalue())
    assert facts_in(visit / PDF)["software"]["build"] == "0" * 16
    assert compare(visit / PDF, visit)


def _whole(one: Any) -> Any:
    return None if one is None else one.get_object()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (r'"unit": "ls"', '"unit": ["ls"]'),
        (r'"name": "Ada Invented"', r'"name": "\\ud800"'),
        (r'"traces": \[', '"traces": 5, "others": ['),
        (r'"lines": \d+', '"lines": true'),
        (r'"lines": \d+', '"lines": -3'),
        (r'"lines": \d+', '"lines": 0'),
    ],
)
def test_facts_that_make_no_sense_are_refused_or_differ(visit: Path, old: str, new: str) -> None:
    page = (visit / HTML).read_text()
    changed = re.sub(old, new, page)
    assert changed != page
    (visit / HTML).write_text(changed)
    try:
        said = compare(visit / HTML, visit)
    except FileError:
        return
    assert said
    assert not any("line 0" in one.where or "line -" in one.where or "line True" in one.where for one in said)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.pdf", b""),
        ("noise.pdf", b"%PDF-1.7\n" + bytes(range(256)) * 40),
        ("page.html", b"<html><body>nothing</body></html>"),
        ("broken.html", b'<script type="application/json" id="facts">{"a": </script>'),
        ("list.html", b'<script type="application/json" id="facts">[1]</script>'),
        ("bare.html", b'<script type="application/json" id="facts">{"options": {"language": "xx"}}</script>'),
        ("deep.html", b'<script type="application/json" id="facts">' + b"[" * 100_000 + b"</script>"),
    ],
)
def test_what_is_no_report_is_refused(visit: Path, name: str, content: bytes) -> None:
    (visit / name).write_bytes(content)
    with pytest.raises(FileError):
        compare(visit / name, visit)


def test_a_report_cut_anywhere_is_refused_or_differs(visit: Path) -> None:
    for name in (PDF, HTML):
        whole = (visit / name).read_bytes()
        for part in (0.1, 0.5, 0.9, 0.999):
            (visit / name).write_bytes(whole[: int(len(whole) * part)])
            try:
                assert compare(visit / name, visit)
            except FileError:
                continue


def test_paths_in_facts_reach_nothing_outside(visit: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.trace").write_text("nothing of yours")
    page = (visit / HTML).read_text().replace("traces/01.trace", "traces/../../secret.trace")
    (visit / HTML).write_text(page)
    said = compare(visit / HTML, visit)
    assert said
    assert "nothing of yours" not in str(said)


def test_a_visit_read_by_hand_alone_is_compared_too(tmp_path: Path) -> None:
    folder = typed(tmp_path / "typed", 3, 22)
    write(folder, Options("el", "cfm", names=False))
    assert found(folder) == []
