"""`hoodtrace verify` and `forget` as they are typed, on visits without a report.

Contract: what is wrong with the visits is done to their files here; the exit codes are those of the formats.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from hoodtrace.cli.app import app
from hoodtrace.dwelling.customer import CUSTOMER
from hoodtrace.dwelling.journal import JOURNAL
from reviewed_visit import CUT, UTC, made, opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made(tmp_path / "v")


def run(*words: object, **how: Any) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], **how)


def said(result: Result) -> dict[str, Any]:
    content = json.loads(result.stdout)
    assert isinstance(content, dict)
    return content


def flat(result: Result) -> str:
    """What was printed, line breaks apart."""
    return " ".join(result.stdout.split())


def test_an_unchanged_visit_says_how_much_was_looked_at_and_what_that_shows(folder: Path) -> None:
    opened(folder).change(CUT, UTC)
    done = run("verify", folder)
    words = flat(done)
    assert done.exit_code == 0
    assert "Unchanged" in words
    n = len((folder / JOURNAL).read_bytes().splitlines())
    for what in (f"{n} lines of the journal", "1 trace", "3 readings of the hood", "1 window of the review"):
        assert what in words
    assert "does not show that the measurement was right" in words
    assert "compare the newest hash" in words


def test_what_differs_is_named_and_the_exit_code_says_so(folder: Path) -> None:
    os.truncate(folder / "traces" / "01.trace", 1000)
    done = run("verify", folder)
    words = flat(done)
    assert done.exit_code == 4
    assert "NOT AS IT WAS WRITTEN DOWN" in words
    assert "traces/01.trace: was cut" in words
    assert "Unchanged" not in words


def test_json_is_whole_in_both_cases(folder: Path) -> None:
    before = run("verify", folder, "--format", "json")
    assert (before.exit_code, said(before)["unchanged"], said(before)["findings"]) == (0, True, [])
    assert said(before)["looked"]["n_readings"] == 3
    with (folder / "visit.toml").open("a", encoding="utf-8") as file:
        file.write("# more\n")
    after = run("verify", folder, "--format", "json")
    assert (after.exit_code, said(after)["unchanged"]) == (4, False)
    (finding,) = said(after)["findings"]
    assert set(finding) == {"where", "what", "expected", "found"}
    assert said(after)["newest_sha256"] == said(before)["newest_sha256"]


def test_what_is_typed_into_a_journal_moves_no_cursor(folder: Path) -> None:
    with (folder / JOURNAL).open("ab") as file:
        file.write(b'{"kind":"\x1b[2J","crc":"\x1b[31m00"}\n')
    done = run("verify", folder)
    assert done.exit_code == 4
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("verify", "none"),
        ("verify", "none.pdf"),
        ("verify", "."),
        ("verify", "v", "--visit", "v"),
        ("verify", "v/visit.toml"),
        ("verify", "away.pdf"),
        ("forget", "none", "--yes"),
        ("forget", ".", "--yes"),
    ],
)
def test_slips_are_usage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]) -> None:
    made(tmp_path / "v")
    (tmp_path / "away.pdf").write_bytes(b"%PDF-")
    monkeypatch.chdir(tmp_path)
    done = run(*words)
    assert done.exit_code != 0
    assert type(done.exception).__name__ == "UsageError"


def test_forget_says_what_went_and_verify_still_passes(folder: Path) -> None:
    (folder / CUSTOMER).write_text("name = 'Ada Example'\n[[photo]]\nfile = 'a.jpg'\n", encoding="utf-8")
    (folder / "a.jpg").write_bytes(b"\xff\xd8\xff")
    done = run("forget", folder, "--yes")
    assert done.exit_code == 0
    assert [line for line in done.stdout.splitlines() if line.startswith("removed: ")] == [
        f"removed: {folder / 'a.jpg'}",
        f"removed: {folder / CUSTOMER}",
    ]
    assert "What stays" in done.stdout
    assert run("verify", folder).exit_code == 0
    again = run("forget", folder, "--yes")
    assert (again.exit_code, "nothing of a customer" in flat(again)) == (0, True)
