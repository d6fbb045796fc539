"""What a board says is amiss, told to who records: in words, and once. The messages are those of DEVELOPERS.md."""

from __future__ import annotations

import pytest

from hoodtrace.board.fault_words import FaultWords
from hoodtrace.wire.decoder import Decoder
from scripted_board import spoken


def fault(sensor: object, state: object) -> dict[str, object]:
    return {"kind": "fault", "sensor": sensor, "state": state}


@pytest.mark.parametrize(
    ("sensor", "state", "words"),
    [
        ("log", "full", "hoodtrace fetch"),
        ("log", "error", "flash refuses the log"),
        ("settings", "refused", "settings"),
        ("crash", "noted", "ended by an error"),
        ("dp", "lost", "pressure chip"),
        ("air", "lost", "air sensor"),
        ("supply", "low", "battery"),
        ("vane", "counting had stopped", "too low"),
        ("gate", "ajar", "gate: ajar"),  # of a newer firmware
    ],
)
def test_each_is_told_in_words(sensor: str, state: str, words: str) -> None:
    told = FaultWords().of(fault(sensor, state))
    assert told.startswith("FAULT: ")
    assert words in told


def test_each_is_told_once_until_it_changes() -> None:
    words = FaultWords()
    assert words.of({"kind": "hello", "boot": "0000000a"}) == ""
    assert words.of(fault("log", "full"), 10)
    assert words.of(fault("log", "full"), 20) == ""
    assert words.of(fault("log", "well again"), 30) == "the log on the board's flash is well again"
    assert words.of(fault("log", "full"), 15) == ""  # sent again: it was so before
    assert words.of(fault("log", "error"), 40)
    assert words.of({"kind": "hello", "boot": "0000000a"}) == ""
    assert words.of(fault("log", "error"), 50) == ""
    words.of({"kind": "hello", "boot": "0000000b"})
    assert words.of(fault("log", "error"), 5)


@pytest.mark.parametrize("odd", [None, 3, [], {}, True, 1e30])
def test_odd_ones_are_left_out(odd: object) -> None:
    words = FaultWords()
    assert words.of(fault(odd, "lost")) == words.of(fault("dp", odd)) == words.of({"kind": odd}) == ""


def test_memory_does_not_grow() -> None:
    words = FaultWords()
    assert sum(bool(words.of(fault(f"sensor {i}", "lost"))) for i in range(1000)) == 100


def test_from_lines() -> None:
    lines = spoken("J", 1, 5, '{"kind":"fault","sensor":"crash","state":"noted"}')
    lines += spoken("H", 1, 5, '{"kind":"fault","sensor":"log","state":"full"}')
    (told,) = FaultWords().feed(Decoder().feed(lines))
    assert "ended by an error" in told
