"""The grammar of one line.

Contract: the lines here are spelled out in the test, their CRC by zlib, which gives the published check value.
"""

from __future__ import annotations

import json
from zlib import crc32

import pytest

from hoodtrace.wire.lines import MAX_LENGTH, Line, json_body, line, note, parse, sample_body


def closed(head: bytes) -> bytes:
    """`head` with its CRC, without line feed."""
    return head + b" %08x" % crc32(head)


SAMPLE = b"S 0000005 000000000003e8 000007 000014 fffd 125c 05"


def test_the_crc_is_the_published_one() -> None:
    assert crc32(b"123456789") == 0xCBF43926  # check value of this CRC-32 in the published catalogues (seen)


def test_a_line_is_spelled_as_the_format_says() -> None:
    assert line("S", 5, 1000, sample_body(7, 20, -3, 4700, 5)) == closed(SAMPLE) + b"\n"
    assert len(closed(SAMPLE)) == 60


def test_a_note_is_a_host_line_with_its_kind_first() -> None:
    text = note(3, 16, {"kind": "gap", "why": "port gone"})
    assert text == closed(b'H 0000003 00000000000010 {"kind":"gap","why":"port gone"}') + b"\n"


def test_a_note_refuses_what_json_does_not_know() -> None:
    with pytest.raises(ValueError, match="JSON"):
        note(0, 0, {"kind": "gap", "why": float("nan")})


def test_a_line_reads_back() -> None:
    assert parse(closed(SAMPLE)) == Line("S", 5, 1000, "000007 000014 fffd 125c 05")
    assert parse(closed(SAMPLE) + b"\r") == parse(closed(SAMPLE))
    assert parse(closed(b"C fffffff ffffffffffffff hello")) == Line("C", 0xFFFFFFF, (1 << 56) - 1, "hello")


@pytest.mark.parametrize(
    "stretch",
    [
        b"",
        b"\r",
        b" " + closed(SAMPLE),
        closed(SAMPLE) + b" ",
        closed(SAMPLE) + b"\r\r",
        closed(SAMPLE)[:-1] + (b"0" if closed(SAMPLE)[-1:] != b"0" else b"1"),
        closed(SAMPLE.replace(b"fffd", b"FFFD")),
        closed(SAMPLE)[:-8] + b"%08X" % crc32(SAMPLE),
        closed(SAMPLE.replace(b" ", b"  ", 1)),
        closed(SAMPLE[:-1]),
        closed(SAMPLE + b" 00"),
        closed(SAMPLE.replace(b"S", b"X")),
        closed(b"J 0000005 000000000003e8 "),
        closed(b"J 000005 000000000003e8 {}"),
        closed(b'J 0000005 000000000003e8 {"kind":"\xe9"}'),
    ],
    ids=[
        "empty", "only CR", "space before", "space after", "two CR", "wrong CRC", "upper-case field", "upper-case CRC",
        "two spaces", "short field", "a field more", "unknown kind", "no body", "short SEQ", "not ASCII",
    ],
)  # fmt: skip
def test_anything_else_is_noise(stretch: bytes) -> None:
    assert parse(stretch) is None


def test_the_longest_line_counts_and_one_byte_more_does_not() -> None:
    head = b"C 0000001 00000000000000 "
    filled = head + b"x" * (MAX_LENGTH - len(head) - 9)
    assert len(closed(filled)) == MAX_LENGTH
    assert parse(closed(filled)) is not None
    assert parse(closed(filled + b"x")) is None


@pytest.mark.parametrize(
    "body",
    ['{"a":NaN}', '{"a":-Infinity}', "[1]", "7", "{", '{"a":1} {', "[" * 20_000, '{"a":' * 10_000, "1" * 5000],
    ids=["NaN", "Infinity", "a list", "a number", "cut", "more behind", "deep", "deep objects", "endless number"],
)
def test_a_body_that_is_no_object_is_empty(body: str) -> None:
    assert json_body(body) == {}


def test_a_body_is_what_json_says() -> None:
    fields = {"kind": "air", "temp_c": 20.25, "rh_pct": 50, "deep": {"list": [1, None, True]}}
    assert json_body(json.dumps(fields)) == fields


@pytest.mark.parametrize("value", ["1e999", "-1e999", "9" * 400, "[" * 33 + "]" * 33, '{"a":' * 40 + "1" + "}" * 40])
def test_numbers_and_nesting_that_no_board_says(value: str) -> None:
    assert json_body('{"kind":"air","temp_c":' + value + "}") == {}


def test_bounds_of_what_a_board_may_say() -> None:
    brackets = "[{" * 50 + '\\"'
    assert json_body(json.dumps({"text": brackets})) == {"text": brackets}
    assert json_body('{"n":999999999999999999}') == {"n": 999_999_999_999_999_999}
    long = json_body('{"n":1' + "0" * 30 + "}")["n"]
    assert (type(long), long) == (float, 1e30)
    assert len(json_body('{"deep":' + "[" * 31 + "]" * 31 + "}")) == 1
