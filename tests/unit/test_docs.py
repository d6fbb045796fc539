"""The documents say what is so."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_ci_runs_the_readmes_test_command() -> None:
    """.ci/run takes the command out of the README; it must be there, once, and run the tests."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert readme.count("<!-- tests -->") == 1
    command = readme.split("<!-- tests -->")[1].split("```")[1]
    assert command.rstrip().endswith("-m pytest -q -n 2")
    assert "<!-- tests -->" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_no_path_of_a_machine_in_tracked_files() -> None:
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    words = ["/" + "work/", "/" + "farm/", "/tmp/" + "team"]
    found = [
        name
        for name in names
        if (ROOT / name).is_file() and any(w in (ROOT / name).read_text("utf-8", "replace") for w in words)
    ]
    assert names
    assert found == []


def test_package_json_names_files_that_are_there() -> None:
    package = json.loads((ROOT / "firmware_mpy" / "package.json").read_text(encoding="utf-8"))
    assert package["urls"]
    for _, source in package["urls"]:
        assert (ROOT / "firmware_mpy" / Path(source).name).is_file()
