"""Customer data from customer.toml through a report to `forget`, over the real commands; and `verify` all along.

Contract: a visit of the second generator; what must be in a report, and must not, is what was typed into customer.toml.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest

from hoodtrace.dwelling.customer import CUSTOMER
from hoodtrace.dwelling.journal import JOURNAL
from reviewed_visit import made

RUN = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]
NAME, ADDRESS = "Ada Example", "Exampleton 7"
PHOTO = b"\x89PNG\r\n\x1a\n"


def run(*words: object, code: int = 0) -> str:
    done = subprocess.run([*RUN, *map(str, words)], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    return " ".join((done.stdout + done.stderr).split())


def customer(folder: Path) -> Path:
    (folder / CUSTOMER).write_text(f'name = "{NAME}"\naddress = "{ADDRESS}"\n', encoding="utf-8")
    return folder


def words_of(pdf: Path) -> str:
    from pypdf import PdfReader

    reader = PdfReader(BytesIO(pdf.read_bytes()))
    attached = b"".join(part for parts in reader.attachments.values() for part in parts).decode()
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split()) + attached


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return customer(made(tmp_path / "v"))


def test_names_go_with_forget_and_the_visit_and_its_reports_verify_all_along(folder: Path) -> None:
    run("report", folder, "--language", "en")
    assert NAME in (folder / "report.html").read_text(encoding="utf-8")
    assert NAME in words_of(folder / "report.pdf")
    said = run("verify", folder)
    assert "Unchanged" in said
    assert "nothing in the visit proves a name or address" in said
    said = run("forget", folder, "--yes")
    assert f"removed: {folder / CUSTOMER}" in said
    assert f"made anew without names: {folder / 'report.pdf'}" in said
    for text in ((folder / "report.html").read_text(encoding="utf-8"), words_of(folder / "report.pdf")):
        assert NAME not in text
        assert ADDRESS not in text
        assert "Alder Row" not in text
    said = run("verify", folder)
    assert "Unchanged" in said
    assert "and the report" in said
    run("verify", folder / "report.html")


def test_a_report_is_verified_elsewhere_and_after_the_visit_went_on(folder: Path, tmp_path: Path) -> None:
    run("report", folder, "--language", "en", "--unit", "L/s")
    for name in ("report.pdf", "report.html"):
        (folder / name).rename(tmp_path / name)
    run("enter", folder, "E2", 41.0)
    for name in ("report.pdf", "report.html"):
        assert "Unchanged" in run("verify", tmp_path / name, "--visit", folder)
    run("verify", tmp_path / "report.pdf", code=2)


def test_a_number_changed_in_a_report_is_found_and_so_is_a_journal_made_good_behind_it(folder: Path) -> None:
    from proved_visit import chained, lines_of, put

    run("report", folder, "--language", "en")
    page = folder / "report.html"
    content = page.read_text(encoding="utf-8")
    changed, n = re.subn(r">(\s*)80(\.0)?\b", r">\g<1>81\2", content, count=1)
    assert n == 1  # E1's design
    page.write_text(changed, encoding="utf-8")
    said = run("verify", folder, code=4)
    assert "report.html" in said
    assert "1 finding" in said
    page.write_text(content, encoding="utf-8")
    run("verify", folder)
    lines = lines_of(folder)
    put(folder, chained(folder, [*lines[:1], lines[1].replace(b"2030", b"2029"), *lines[2:]]))
    assert JOURNAL in run("verify", folder, code=4)


def test_a_report_that_cant_be_made_anew_is_named(folder: Path) -> None:
    run("report", folder)
    (folder / "hood.toml").unlink()
    said = run("forget", folder, "--yes", code=4)
    assert "report.pdf" in said
    assert "may still show names" in said
    assert not (folder / CUSTOMER).exists()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(("answer", "is_gone"), [(b"n\n", False), (b"\n", False), (b"y\n", True)])
def test_on_a_terminal_it_asks_first(folder: Path, answer: bytes, is_gone: bool) -> None:
    master, slave = os.openpty()
    try:
        os.write(master, answer)
        done = subprocess.run([*RUN, "forget", str(folder)], stdin=slave, capture_output=True, timeout=60, check=False)
    finally:
        os.close(master)
        os.close(slave)
    assert done.returncode == 0, done.stderr
    assert b"to be removed" in done.stdout
    assert (folder / CUSTOMER).exists() != is_gone
