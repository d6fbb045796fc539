"""From bytes to lines: the edge cases by name.

Contract: expected counts are counted by hand; every CRC in a test line is zlib's. Random damage: tests/property.
"""

from __future__ import annotations

from zlib import crc32

import pytest

from hoodtrace.wire.decoder import Decoded, Decoder
from hoodtrace.wire.lines import MAX_LENGTH


def closed(head: bytes) -> bytes:
    return head + b" %08x\n" % crc32(head)


HEAD = b"S 000000a 0000000003d090 000102 0000ff 8001 125c 81"
SAMPLE = closed(HEAD)
COMMAND = closed(b"C 0000001 00000000000000 keep")


def decode(data: bytes, size: int | None = None) -> list[Decoded]:
    """What comes out of `data` in blocks of `size`, without the blocks that gave nothing."""
    decoder, size = Decoder(), size or max(len(data), 1)
    parts = [decoder.feed(data[at : at + size]) for at in range(0, len(data), size)]
    return [p for p in [*parts, decoder.finish()] if p.n_good or p.n_bad]


def counts(data: bytes, size: int | None = None) -> tuple[int, int, int, int]:
    """Samples, messages, good and bad."""
    parts = decode(data, size)
    return (
        sum(len(p.samples) for p in parts),
        sum(len(p.messages) for p in parts),
        sum(p.n_good for p in parts),
        sum(p.n_bad for p in parts),
    )


def test_fields_of_a_sample() -> None:
    (part,) = decode(b"?\n" + SAMPLE)
    s = part.samples
    columns = (s.seq, s.t_us, s.edges, s.age_us, s.raw_dp, s.raw_temp, s.flags, s.place)
    assert [c.tolist() for c in columns] == [[10], [250_000], [258], [255], [-32767], [4700], [0x81], [2]]
    assert all(c.dtype == "int64" for c in columns)


def test_a_command_keeps_its_words() -> None:
    (part,) = decode(COMMAND)
    (message,) = part.messages
    assert (message.kind, message.seq, message.t_us, message.body, message.text) == ("C", 1, 0, {}, "keep")


def test_nothing_in_nothing_out() -> None:
    assert counts(b"") == (0, 0, 0, 0)


@pytest.mark.parametrize("size", [1, 7, 61, None])
@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (SAMPLE + COMMAND, (1, 1, 2, 0)),
        ((SAMPLE + COMMAND).replace(b"\n", b"\r\n"), (1, 1, 2, 0)),
        (SAMPLE.replace(b"\n", b"\r"), (0, 0, 0, 1)),
        (b"\n\n\r\n" + SAMPLE + b"\n", (1, 0, 1, 0)),
        (SAMPLE + SAMPLE[:-1], (1, 0, 1, 1)),
        (SAMPLE + b"S", (1, 0, 1, 1)),
        (b"x" + SAMPLE + SAMPLE, (1, 0, 1, 1)),
        (b"\x00\xff\n" + SAMPLE, (1, 0, 1, 1)),
        (closed(HEAD.replace(b"ff", b"FF")), (0, 0, 0, 1)),
        (HEAD + b" %08X\n" % crc32(HEAD), (0, 0, 0, 1)),
        (HEAD + b" %08x\n" % (crc32(HEAD) ^ 1), (0, 0, 0, 1)),
        (closed(HEAD.replace(b" ", b"-")), (0, 0, 0, 1)),
        (closed(HEAD.replace(b"S", b"C")), (0, 1, 1, 0)),
        (SAMPLE[:-1] + SAMPLE, (0, 0, 0, 1)),
    ],
    ids=[
        "LF", "CR LF", "only CR", "empty lines", "unterminated tail", "one byte tail", "noise in front",
        "noise line", "upper-case hex", "upper-case CRC", "wrong CRC", "no spaces", "a command as long as a sample",
        "two in one",
    ],
)  # fmt: skip
def test_edge_cases(data: bytes, expected: tuple[int, int, int, int], size: int | None) -> None:
    assert counts(data, size) == expected


@pytest.mark.parametrize("size", [1000, MAX_LENGTH, MAX_LENGTH + 1, None])
def test_an_overlong_stretch_is_one_bad_one_and_costs_nothing_else(size: int | None) -> None:
    for n in (MAX_LENGTH + 1, 3 * MAX_LENGTH):
        assert counts(SAMPLE + b"x" * n + b"\n" + SAMPLE, size) == (2, 0, 2, 1)
        assert counts(SAMPLE + b"x" * n, size) == (1, 0, 1, 1)


@pytest.mark.parametrize("size", [1000, None])
def test_a_whole_line_inside_an_overlong_stretch_is_noise(size: int | None) -> None:
    assert counts(b"x" * (MAX_LENGTH + 1) + SAMPLE + SAMPLE, size) == (1, 0, 1, 1)


@pytest.mark.parametrize("size", [999, None])
def test_the_longest_line_comes_through(size: int | None) -> None:
    head = b"C 0000001 00000000000000 "
    text = closed(head + b"x" * (MAX_LENGTH - len(head) - 9))
    assert counts(text, size) == (0, 1, 1, 0)
    assert counts(text.replace(b"x ", b"xx "), size) == (0, 0, 0, 1)


@pytest.mark.parametrize("size", [1000, None])
def test_places_count_bytes_of_the_stream_also_behind_overlong_noise(size: int | None) -> None:
    noise = b"x" * (2 * MAX_LENGTH) + b"\n"
    data = SAMPLE + noise + SAMPLE + b"\r\n" + COMMAND
    parts = decode(data, size)
    places = [p for part in parts for p in part.samples.place.tolist()]
    assert places == [0, len(SAMPLE) + len(noise)]
    assert [m.place for part in parts for m in part.messages] == [data.index(COMMAND)]


@pytest.mark.parametrize(
    "body",
    [b'{"kind":"air","temp_c":NaN}', b'{"kind":"air","temp_c":Infinity}', b'{"kind":' * 5000, b"[" * 9000, b"hello"],
    ids=["NaN", "Infinity", "deep nesting", "deep lists", "no JSON"],
)
def test_a_message_that_is_no_json_is_a_good_line_with_an_empty_body(body: bytes) -> None:
    (part,) = decode(closed(b"J 0000001 00000000000000 " + body))
    assert part.n_good == 1
    assert part.messages[0].body == {}
    assert part.messages[0].text == body.decode()


def test_finish_leaves_a_decoder_that_begins_anew() -> None:
    decoder = Decoder()
    decoder.feed(b"half a li")
    assert decoder.finish().n_bad == 1
    assert decoder.finish().n_bad == 0
    assert decoder.feed(SAMPLE).n_good == 1
