"""The grammar of a line, one at a time: ``KIND SP SEQ SP TIME SP BODY SP CRC LF``.

The same grammar on the wire and in the trace file. CRC is the CRC-32 of zlib over every byte before the space in
front of it. What is not a whole line with a right CRC is noise. This module is the readable form of the grammar and
what the rare lines (messages, notes, commands) go through; `decoder` reads the many sample lines a block at a time.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from typing import Any
from zlib import crc32

DEEPEST = 32
"""Lists and objects in one another in a J or H line's body; the format's own are flat."""

MOST_DIGITS = 18
"""Of a whole number in such a body: within 64 bits. More are read as a floating-point number."""

SAMPLE_LENGTH = 60
"""Bytes of a sample line before its line feed."""

MAX_LENGTH = 65536
"""A longer stretch without a line feed is noise, whatever is in it: it bounds the memory of a reader."""

PROTOCOL = 1
SEQ_MODULUS = 1 << 28
EDGES_MODULUS = 1 << 24
AGE_SATURATED_US = 0xFFFFFF

DP_INVALID = 0x01
TEMP_INVALID = 0x02
BUTTON_DOWN = 0x04
GRID_SLIP = 0x08
INTERRUPTS_WERE_OFF = 0x10
FROM_LOG = 0x20
SUPPLY_LOW = 0x40

_FORM = re.compile(rb"([SJCH]) ([0-9a-f]{7}) ([0-9a-f]{14}) (.+) ([0-9a-f]{8})\Z", re.DOTALL)
_MARKS = re.compile(r'"(?:[^"\\]|\\.)*"?|[^]\[{}"]+')  # texts, and all else but brackets
_SAMPLE_BODY = re.compile(rb"[0-9a-f]{6} [0-9a-f]{6} [0-9a-f]{4} [0-9a-f]{4} [0-9a-f]{2}\Z")


@dataclass(frozen=True, slots=True)
class Line:
    """One good line; `body` is the text between TIME and CRC."""

    kind: str
    seq: int
    t_us: int
    body: str


def line(kind: str, seq: int, t_us: int, body: str) -> bytes:
    """Return a whole line with CRC and line feed.

    Parameters
    ----------
    kind : {"S", "J", "C", "H"}
    seq : int
        0 to 2**28 - 1.
    t_us : int
        Microseconds since boot, 0 to 2**56 - 1.
    body : str
        ASCII without a line break.

    Examples
    --------
    >>> line("C", 1, 0, "keep")
    b'C 0000001 00000000000000 keep add84272\\n'
    >>> parse(line("C", 1, 0, "keep")[:-1])
    Line(kind='C', seq=1, t_us=0, body='keep')
    """
    head = f"{kind} {seq:07x} {t_us:014x} {body}".encode("ascii")
    return head + b" %08x\n" % crc32(head)


def note(seq: int, t_us: int, fields: dict[str, Any]) -> bytes:
    """Return a host note (kind H) whose body is `fields` as one JSON object; ``kind`` must come first."""
    return line("H", seq, t_us, json.dumps(fields, allow_nan=False, separators=(",", ":")))


def sample_body(edges: int, age_us: int, raw_dp: int, raw_temp: int, flags: int) -> str:
    """Return the body of a sample line; signed raw counts go out in two's complement.

    Examples
    --------
    >>> sample_body(258, 0xFFFFFF, -1, 4700, 0)
    '000102 ffffff ffff 125c 00'
    """
    return f"{edges:06x} {age_us:06x} {raw_dp & 0xFFFF:04x} {raw_temp & 0xFFFF:04x} {flags:02x}"


def parse(stretch: bytes) -> Line | None:
    """Return the line that `stretch` (without line feed; one trailing CR is taken off) is, or None if it is noise."""
    stretch = stretch.removesuffix(b"\r")
    found = _FORM.match(stretch) if len(stretch) <= MAX_LENGTH else None
    if found is None:
        return None
    kind, seq, t_us, body, crc = found.groups()
    if crc32(stretch[:-9]) != int(crc, 16):
        return None
    if kind == b"S" and not _SAMPLE_BODY.match(body):
        return None
    try:
        return Line(kind.decode("ascii"), int(seq, 16), int(t_us, 16), body.decode("ascii"))
    except UnicodeDecodeError:
        return None


def json_body(body: str) -> dict[str, Any]:
    """Return the JSON object in the body of a J or H line; empty where it is not one (the line still counts).

    NaN and Infinity are not JSON; a body that holds them, or numbers that are as large as that, is taken as empty. So
    is one that is nested deeper than `DEEPEST`. Whole numbers are `int` up to `MOST_DIGITS`, then `float`.

    Examples
    --------
    >>> json_body('{"kind":"air","temp_c":20.5}'), json_body('{"temp_c":1e999}'), json_body('{"a":' + "[" * 99)
    ({'kind': 'air', 'temp_c': 20.5}, {}, {})
    """
    # Brackets in texts count too: a body with so many of them is looked at more closely.
    if body.count("[") + body.count("{") > DEEPEST and _depth(body) > DEEPEST:
        return {}
    try:
        value = _JSON.decode(body)
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}


def _refuse_constant(name: str) -> float:
    raise ValueError(name)


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(digits)
    return value


def _whole(digits: str) -> int | float:
    return int(digits) if len(digits) <= MOST_DIGITS else _finite(digits)


def _depth(body: str) -> int:
    """Return how deep lists and objects lie in one another, texts left out."""
    depth = deepest = 0
    for mark in _MARKS.sub("", body):
        depth += 1 if mark in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


_JSON = json.JSONDecoder(parse_constant=_refuse_constant, parse_float=_finite, parse_int=_whole)
