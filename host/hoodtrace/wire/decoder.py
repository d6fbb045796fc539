"""From bytes to lines, whole blocks at once.

`Decoder.feed` takes the stream in blocks of any size and gives the good lines in them; how the stream was cut never
changes what comes out in total. Sample lines are checked and read as numpy columns, every CRC; the rare others go
through `lines.parse`. Every non-empty stretch between line feeds is either a good line or counted as bad. Does no
I/O; keeps at most one unfinished line between calls.

The CRC of equal-long messages is affine over GF(2): CRC(m) = CRC(zeros) xor T_0[m_0] xor T_1[m_1] …, so a block of
lines is checked by table look-ups, one table a byte (own derivation from the linearity of CRC; zlib makes the tables
and is the oracle in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from hoodtrace.wire.lines import MAX_LENGTH, SAMPLE_LENGTH, json_body, parse

_LF = 10
_CRC_AT = 52
_SPACES = (1, 9, 24, 31, 38, 43, 48, 51)
_FIELDS = ((2, 9), (10, 24), (25, 31), (32, 38), (39, 43), (44, 48), (49, 51), (52, 60))
_SIGNED = (4, 5)


@dataclass(frozen=True, slots=True)
class SampleColumns:
    """Sample lines as columns, in the order in which they came.

    Each an int64 array of shape (n,): `seq`, `t_us`, `edges`, `age_us`, `raw_dp`, `raw_temp` (signed), `flags`, and
    `place`, the byte in the stream where the line began.
    """

    seq: NDArray[np.int64]
    t_us: NDArray[np.int64]
    edges: NDArray[np.int64]
    age_us: NDArray[np.int64]
    raw_dp: NDArray[np.int64]
    raw_temp: NDArray[np.int64]
    flags: NDArray[np.int64]
    place: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(frozen=True, slots=True)
class Message:
    """A good line that is no sample: `body` is the JSON object of a J or H line, the words of a C line are `text`."""

    kind: str
    seq: int
    t_us: int
    body: dict[str, Any]
    text: str
    place: int


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one block gave: samples, messages, and how many stretches were good lines and how many noise."""

    samples: SampleColumns
    messages: list[Message]
    n_good: int
    n_bad: int


class Decoder:
    """Turns a byte stream into lines; feed it blocks, then `finish`.

    Examples
    --------
    >>> from hoodtrace.wire.lines import line, sample_body
    >>> decoder = Decoder()
    >>> got = decoder.feed(b"noise\\n" + line("S", 5, 1000, sample_body(7, 20, -3, 4700, 0)))
    >>> got.samples.raw_dp.tolist(), got.n_good, got.n_bad
    ([-3], 1, 1)
    """

    def __init__(self) -> None:
        self._tail = b""
        self._tail_place = 0
        self._overlong = False

    def feed(self, block: bytes) -> Decoded:
        """Decode the next `block` of the stream (any size, empty too)."""
        cut = block.rfind(b"\n") + 1
        if cut == 0:
            self._keep(self._tail + block)
            return _decode(b"", 0)
        whole, place = self._tail + block[:cut], self._tail_place
        if self._overlong:
            # The stretch that was too long to keep ends at the first line feed: one bad stretch.
            first = whole.index(b"\n")
            whole, place = b"?" + whole[first:], place + first - 1
            self._overlong = False
        self._tail, self._tail_place = b"", place + len(whole)
        self._keep(block[cut:])
        return _decode(whole, place)

    def finish(self) -> Decoded:
        """Close the stream: a last stretch without a line feed is not a whole line, hence bad."""
        n_bad = int(bool(self._tail.removesuffix(b"\r")) or self._overlong)
        self._tail, self._overlong = b"", False
        return replace(_decode(b"", 0), n_bad=n_bad)

    def _keep(self, tail: bytes) -> None:
        if len(tail.removesuffix(b"\r")) > MAX_LENGTH or self._overlong:
            self._tail_place += len(tail)
            tail, self._overlong = b"", True
        self._tail = tail


def _decode(whole: bytes, place: int) -> Decoded:
    """Decode `whole`, which is empty or ends with a line feed and begins at byte `place` of the stream."""
    chars = np.frombuffer(whole, np.uint8)
    stops = np.flatnonzero(chars == _LF)
    starts = np.concatenate([np.zeros(min(1, len(stops)), stops.dtype), stops[:-1] + 1])
    ends = stops - ((stops > starts) & (chars[stops - 1] == 13)) if b"\r" in whole else stops
    filled = ends > starts
    starts, ends, stops = starts[filled], ends[filled], stops[filled]
    sample_like = (ends - starts == SAMPLE_LENGTH) & (chars[starts] == ord("S"))
    at = starts[sample_like]
    if len(at):
        rows = np.lib.stride_tricks.sliding_window_view(chars, SAMPLE_LENGTH)[at]
    else:
        rows = np.empty((0, SAMPLE_LENGTH), np.uint8)
    samples, good = _columns(rows, at + place)
    messages = []
    for start, stop in zip(starts[~sample_like].tolist(), stops[~sample_like].tolist(), strict=True):
        found = parse(whole[start:stop])
        if found is not None:
            body = json_body(found.body) if found.kind in "JH" else {}
            messages.append(Message(found.kind, found.seq, found.t_us, body, found.body, start + place))
    n_good = int(good.sum()) + len(messages)
    return Decoded(samples, messages, n_good, len(starts) - n_good)


def _columns(rows: NDArray[np.uint8], place: NDArray[np.int64]) -> tuple[SampleColumns, NDArray[np.bool_]]:
    """Return the good lines among `rows` (shape (n, 60), bytes) as columns, and which rows they are."""
    pairs, spaces = _tables()
    columns = np.ascontiguousarray(rows.T)
    good = np.ones(len(rows), bool)
    for i in _SPACES:
        good &= columns[i] == 32
    crc = np.full(len(rows), spaces, np.uint32)
    values = []
    for start, stop in _FIELDS:
        digits, is_hex = _digits(columns[start:stop])
        good &= is_hex
        value = np.zeros(len(rows), np.int64)
        odd = (stop - start) % 2
        if odd:
            crc ^= pairs[start].take(digits[0])
            value += digits[0]
        for i in range(odd, stop - start, 2):
            byte = (digits[i] << 4) | digits[i + 1]
            if start < _CRC_AT:
                crc ^= pairs[start + i].take(byte)
            value <<= 8
            value += byte
        values.append(value)
    good &= crc == values[-1]
    for i in _SIGNED:
        values[i] -= (values[i] & 0x8000) << 1
    if not good.all():
        values = [value[good] for value in values]
        place = place[good]
    seq, t_us, edges, age_us, raw_dp, raw_temp, flags, _ = values
    return SampleColumns(seq, t_us, edges, age_us, raw_dp, raw_temp, flags, place), good


def _digits(chars: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the values, 0 to 15, of characters 0-9 and a-f (shape (k, n)), and which of n are all such."""
    values = chars - np.uint8(ord("0"))  # what would be negative comes out large
    is_letter = values > 9
    is_hex = chars - np.uint8(ord("a")) < 6
    is_hex |= ~is_letter
    values -= is_letter * np.uint8(ord("a") - ord("0") - 10)
    values &= 15
    return values, np.logical_and.reduce(is_hex, axis=0)


@cache
def _tables() -> tuple[dict[int, NDArray[np.uint32]], np.uint32]:
    """Return CRC tables by position, and the CRC of the fixed bytes.

    ``pairs[i][b]`` is what the two hex digits of byte b at positions i and i+1 add to the CRC of the 51 bytes; for
    a field of odd length the first digit stands alone.
    """
    fixed = bytearray(51)
    fixed[0] = ord("S")
    for i in _SPACES[:-1]:
        fixed[i] = 32
    base = crc32(bytes(51))

    def adds(at: int, text: bytes) -> int:
        message = bytearray(51)
        message[at : at + len(text)] = text
        return crc32(bytes(message)) ^ base

    pairs = {}
    for start, stop in _FIELDS[:-1]:
        if (stop - start) % 2:
            pairs[start] = np.array([adds(start, b"%x" % b) for b in range(16)], np.uint32)
            start += 1
        for i in range(start, stop, 2):
            pairs[i] = np.array([adds(i, b"%02x" % b) for b in range(256)], np.uint32)
    return pairs, np.uint32(crc32(bytes(fixed)))
