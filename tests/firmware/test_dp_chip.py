"""CRC-8 and the pressure chip's frame, as the firmware's driver reads them from a bus that this test writes."""

from __future__ import annotations

import sys
import types
from pathlib import Path

import pytest

from hoodtrace.board.firmware_files import firmware_folder


class OneFrame:
    """A bus whose chip gives one fixed frame and says yes to every command."""

    def __init__(self, frame: bytes) -> None:
        self.frame = frame
        self.written: list[bytes] = []

    def writeto(self, address: int, data: bytes) -> None:
        self.written.append(bytes(data))

    def readfrom_into(self, address: int, data: bytearray) -> None:
        if len(data) > 9:
            raise OSError(5)  # no product number
        data[:] = self.frame[: len(data)]


@pytest.fixture
def dp(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    text = (firmware_folder() / "dp.py").read_text()
    ticks = types.ModuleType("time")
    ticks.ticks_add = lambda now, delta: now + delta  # type: ignore[attr-defined]
    ticks.ticks_diff = lambda later, earlier: later - earlier  # type: ignore[attr-defined]
    module = types.ModuleType("firmware_dp")
    with monkeypatch.context() as patch:
        patch.setitem(sys.modules, "time", ticks)
        exec(compile(text, str(Path("dp.py")), "exec"), module.__dict__)
    return module


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"\xbe\xef", 0x92),  # data sheets' example (seen)
        (b"\x00\x00", 0x81),  # own calculation, FACTS section 12
    ],
)
def test_crc8_known_answers(dp: types.ModuleType, data: bytes, crc: int) -> None:
    assert dp.word_ok(data + bytes([crc]), 0)
    for bit in range(24):
        damaged = (int.from_bytes(data + bytes([crc]), "big") ^ 1 << bit).to_bytes(3, "big")
        assert not dp.word_ok(damaged, 0)


def started(dp: types.ModuleType, frame: str) -> tuple[object, OneFrame]:
    bus = OneFrame(bytes.fromhex(frame))
    chip = dp.Dp(bus)
    for now in range(0, 100_000, 20_000):
        chip.read(now)
        if chip.running:
            break
    return chip, bus


@pytest.mark.parametrize(("scale", "dp_pa"), [("003c39", -1.0), ("00f003", -0.25)])
def test_frame_known_answer(dp: types.ModuleType, scale: str, dp_pa: float) -> None:
    # FACTS section 12: FF C4 83 | 12 5C 35 | 00 3C 39 is -1.0 Pa, 23.5 C, scale 60; with 00 F0 03 -0.25 Pa.
    chip, bus = started(dp, "ffc483125c35" + scale)
    assert chip.running  # type: ignore[attr-defined]
    assert chip.read(200_000) == 0  # type: ignore[attr-defined]
    signed = (chip.raw_dp ^ 0x8000) - 0x8000  # type: ignore[attr-defined]
    assert signed / chip.counts_per_pa == dp_pa  # type: ignore[attr-defined]
    assert chip.raw_temp / 200 == 23.5  # type: ignore[attr-defined]
    # The chip may still be measuring from before: stop comes first. Then averaging (3615; seen in autopilot drivers).
    assert bus.written[0] == b"\x3f\xf9"
    assert bus.written[-1] == b"\x36\x15"


def test_damaged_scale_word_is_never_used(dp: types.ModuleType) -> None:
    chip, _ = started(dp, "ffc483125c35003c38")
    assert not chip.running  # type: ignore[attr-defined]
    assert chip.counts_per_pa == 0  # type: ignore[attr-defined]
