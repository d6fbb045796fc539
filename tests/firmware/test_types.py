"""The firmware uses MicroPython as the RP2040's type stubs describe it (micropython-rp2-rpi-pico-stubs, by pyright)."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hoodtrace.board.firmware_files import firmware_folder

# What the stubs themselves can't say.
STUBS = {
    r'is not assignable to "ptr8"': "a viper pointer takes any buffer",
    r'"StringIO" is not assignable to "IOBase_mp"|attribute "getvalue" for class "StringIO"': "it does and has one",
    r'"Counter" is not a known attribute of module "machine"': "on the ESP32, whose stubs are others",
}


def faults(folder: Path) -> list[str]:
    """What pyright has against the files in `folder`/firmware, one text each."""
    stubs = importlib.util.find_spec("micropython_rp2_rpi_pico_stubs") or importlib.util.find_spec("pyright")
    if stubs is None:
        if os.environ.get("CI") == "true":
            pytest.fail("pyright is missing")
        pytest.skip("no pyright here")
    packages = next(Path(path) for path in sys.path if (Path(path) / "pyright").is_dir())
    assert (packages / "rp2").is_dir(), "the stubs of MicroPython for the RP2040 are missing"
    configuration = {
        "include": ["firmware"], "extraPaths": [str(packages), "firmware"], "typeshedPath": str(packages),
        "reportMissingModuleSource": "none", "typeCheckingMode": "basic", "pythonVersion": "3.11",
    }  # fmt: skip
    (folder / "pyrightconfig.json").write_text(json.dumps(configuration))
    done = subprocess.run(
        [sys.executable, "-m", "pyright", "--outputjson", "-p", str(folder)],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    told = json.loads(done.stdout)
    assert told["summary"]["filesAnalyzed"] >= len(list((folder / "firmware").glob("*.py"))), done.stdout
    return [f"{Path(fault['file']).name}: {fault['message']}" for fault in told["generalDiagnostics"]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(firmware_folder(), tmp_path / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def test_the_firmware_fits_the_stubs(folder: Path) -> None:
    found = faults(folder)
    assert [text for text in found if not any(re.search(pattern, text) for pattern in STUBS)] == []
    for pattern in STUBS:
        assert any(re.search(pattern, text) for text in found), f"no longer needed: {pattern}"


def test_control_calls_that_the_board_would_refuse_are_found(folder: Path) -> None:
    (folder / "firmware" / "wrong.py").write_text(
        "import machine\nimport rp2\n\nmachine.Pin(3, mood=1)\nrp2.StateMachine(0).count()\nmachine.Clock()\n"
    )
    assert len([text for text in faults(folder) if text.startswith("wrong.py")]) == 3
