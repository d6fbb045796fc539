"""The visit of the demo, recorded by the real firmware, is proved whole: every reading of its journal is made again."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

RUN = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


def test_the_demos_visit_has_no_finding_and_one_changed_byte_has(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    subprocess.run([*RUN, "demo", str(folder), "--seed", "5"], check=True, capture_output=True, timeout=300)
    n_given = (folder / "journal.jsonl").read_bytes().count(b'"kind":"reading"')
    found = _verified(folder, 0)
    assert (found["unchanged"], found["findings"]) == (True, [])
    assert found["looked"]["n_readings"] == n_given >= 10
    trace = folder / "traces" / "visit.trace"
    content = bytearray(trace.read_bytes())
    content[len(content) // 3] ^= 2
    trace.write_bytes(content)
    found = _verified(folder, 4)
    assert "traces/visit.trace" in [finding["where"] for finding in found["findings"]]


def _verified(folder: Path, code: int) -> dict[str, Any]:
    words = [*RUN, "verify", str(folder), "--format", "json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == code, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found
