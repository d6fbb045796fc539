"""The firmware's line writer against lines that str.format and zlib.crc32 make, and the golden file."""

import json
from pathlib import Path
from zlib import crc32

import pytest

from firmware.bench_host import run_on_board, small_world

GOLDEN = Path(__file__).parents[1] / "golden"


def test_crc32_known_answer() -> None:
    # Source: check value of CRC-32/ISO-HDLC for "123456789" (published catalogues; seen in FORMATS and zlib).
    assert crc32(b"123456789") == 0xCBF43926


@pytest.mark.usefixtures("micropython")
def test_golden_lines_are_what_the_firmware_writes(tmp_path: Path) -> None:
    output = run_on_board("golden.py", small_world(tmp_path), str(GOLDEN / "lines.json"))
    assert output.encode() == (GOLDEN / "lines.txt").read_bytes()


def test_golden_lines_are_what_the_format_says() -> None:
    lines = (GOLDEN / "lines.txt").read_bytes().decode().splitlines()
    cases = json.loads((GOLDEN / "lines.json").read_text())
    assert lines == [case["line"] for case in cases]
    assert {len(line) for line in lines if line.startswith("S")} == {60}


@pytest.mark.usefixtures("micropython")
def test_arithmetic_of_the_writer(tmp_path: Path) -> None:
    assert run_on_board("arithmetic.py", small_world(tmp_path)).splitlines()[-1] == "all right"
