"""The documents say what is so: commands that CI runs, files that exist, nothing about hardware without its proof."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from hoodtrace.cli import words

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = ["README.md", "DEVELOPERS.md", "tests/README.md", "wiring/README.md", "wiring/hood.md"]


def block_after(mark: str) -> str:
    """The fenced block of the README that follows the comment `mark`, which stands there once."""
    assert README.count(f"<!-- {mark} -->") == 1
    found = re.search(rf"^<!-- {mark} -->\n```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1]


def ci_run_with(folder: Path, readme: str) -> subprocess.CompletedProcess[str]:
    """Our .ci/run in a folder of its own, beside another README."""
    (folder / ".ci").mkdir()
    shutil.copy(ROOT / ".ci" / "run", folder / ".ci" / "run")
    (folder / "README.md").write_text(readme, encoding="utf-8")
    return subprocess.run(
        ["bash", str(folder / ".ci" / "run")], cwd=folder.parent, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip


def tracked_files() -> list[Path]:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no git checkout")
        pytest.skip("no git checkout")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    files = [ROOT / name for name in listed.split("\0") if name]
    assert ROOT / "README.md" in files
    return [path for path in files if path.is_file()]


def test_ci_runs_the_readmes_test_command_word_for_word(tmp_path: Path) -> None:
    """Another command in the README, from another folder: exactly that one runs."""
    command = block_after("tests")
    harmless = 'true pytest &&\necho "in $(basename "$PWD"), CI=$CI"\n'
    done = ci_run_with(tmp_path, README.replace(command, harmless))
    assert done.returncode == 0, done.stderr
    assert done.stdout == harmless + f"in {tmp_path.name}, CI=true\n"


@pytest.mark.parametrize(
    "broken", ["false pytest && true", "true pytest; false; true", "ls /no-such-folder | wc pytest"]
)
def test_ci_fails_where_a_step_of_the_command_fails(tmp_path: Path, broken: str) -> None:
    assert ci_run_with(tmp_path, README.replace(block_after("tests"), broken + "\n")).returncode != 0


def test_ci_fails_where_the_readme_has_no_test_command(tmp_path: Path) -> None:
    done = ci_run_with(tmp_path, README.replace("<!-- tests -->", ""))
    assert done.returncode == 1
    assert "no test command" in done.stderr


def test_the_two_commands_do_their_own_set_up() -> None:
    for mark in ("demo", "tests"):
        first, second, *_ = re.split(r"\s*&&\s*", block_after(mark))
        assert first == "python3 -m venv --without-pip .venv"
        assert second.startswith("python3 -m pip --python .venv/bin/python install ")
    assert block_after("demo").rstrip().endswith(".venv/bin/hoodtrace demo")
    tools = [
        "ruff check host tests",
        "ruff format --check host tests",
        "mypy",
        "lint-imports",
        "python -m pytest -q -n 2",
    ]
    assert [step.strip() for step in block_after("tests").split("&&")][2:] == [f".venv/bin/{tool}" for tool in tools]


def test_first_paragraph_states_the_job() -> None:
    heading, first = README.split("\n\n")[:2]
    assert heading == "# hoodtrace"
    for word in ("capture hood", "ventilation", "design\nair flow", "balance", "uncertainty"):
        assert word in first


def test_each_sentence_about_hardware_ends_with_its_proof() -> None:
    state = README.split("## State of the project\n")[1]
    claims = re.findall(r"^- (.*?)$", state, re.MULTILINE)
    assert len(claims) >= 10
    for claim in claims:
        proof = re.search(r": (?:proved by `(tests/\S+\.py)`|not yet seen on hardware)$", claim)
        assert proof is not None, claim
        assert proof[1] is None or (ROOT / proof[1]).is_file(), claim


def test_wiring_says_plainly_that_nothing_was_seen() -> None:
    text = (ROOT / "wiring" / "README.md").read_text(encoding="utf-8")
    assert "Nothing has been seen on hardware yet" in text
    assert text.count("## Not yet seen on hardware\n") == 1


def test_every_flag_is_in_the_readme() -> None:
    table = README.split("## What a flag means\n")[1].split("\n## ")[0]
    told = {flag for cell in re.findall(r"^\| ([^|]+) \|", table, re.MULTILINE) for flag in cell.split(", ")}
    assert told - {"flag", "---"} == {*words._WORDS, "channels disagree"}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_files_that_a_document_names_are_there(name: str) -> None:
    """Names in backquotes that look like a path of this repository."""
    text = (ROOT / name).read_text(encoding="utf-8")
    named = re.findall(r"`(?:python )?((?:host|tests|board|firmware_mpy|\.ci)/[\w./]+)", text)
    for path in named:
        assert any((base / path).exists() for base in (ROOT, ROOT / "host" / "hoodtrace")), path


@pytest.mark.parametrize("name", DOCUMENTS)
def test_no_document_calls_anything_harmless(name: str) -> None:
    assert not re.search(r"\bsafe(ly|ty)?\b", (ROOT / name).read_text(encoding="utf-8"), re.IGNORECASE)


def test_no_path_of_a_machine_in_tracked_files() -> None:
    # Put together here, so that this file does not hold them.
    machine = re.compile("|".join(["/" + r"work/\w", "/" + r"farm/\w", "/tmp/" + "team", "/" + r"(?:root|home)/\w"]))
    found = [
        str(path.relative_to(ROOT)) for path in tracked_files() if machine.search(path.read_text("utf-8", "replace"))
    ]
    assert found == []


def test_package_json_names_files_that_are_there() -> None:
    folder = ROOT / "firmware_mpy"
    package = json.loads((folder / "package.json").read_text(encoding="utf-8"))
    assert package["urls"]
    for on_board, source in package["urls"]:
        assert on_board == source
        assert (folder / source).is_file()
