"""The golden lines, which the firmware's writer also has to make, decode to the fields beside them.

Contract: lines.json holds the fields, chosen without the package (make_lines.py); lines.txt the lines.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.wire.decoder import Decoder

HERE = Path(__file__).parent
TEXT = (HERE / "lines.txt").read_bytes()
FIELDS: list[dict[str, Any]] = json.loads((HERE / "lines.json").read_text(encoding="utf-8"))
COLUMNS = ("seq", "t_us", "edges", "age_us", "raw_dp", "raw_temp", "flags")


def number(value: Any) -> Any:
    """A [number, places] pair stands for number / 10^places."""
    return value[0] / 10 ** value[1] if isinstance(value, list) else value


@pytest.mark.parametrize("size", [1, 64, len(TEXT)])
def test_golden_lines_decode_to_their_fields(size: int) -> None:
    decoder = Decoder()
    parts = [decoder.feed(TEXT[at : at + size]) for at in range(0, len(TEXT), size)] + [decoder.finish()]
    assert sum(p.n_good for p in parts) == len(FIELDS)
    assert sum(p.n_bad for p in parts) == 0

    columns = [[v for p in parts for v in getattr(p.samples, name).tolist()] for name in COLUMNS]
    samples = [tuple(f[name] for name in COLUMNS) for f in FIELDS if f["kind"] == "S"]
    assert list(zip(*columns, strict=True)) == samples
    assert samples

    messages = [(m.kind, m.seq, m.t_us, list(m.body.items())) for p in parts for m in p.messages]
    expected = []
    for f in FIELDS:
        if f["kind"] != "S":
            keys = [("kind", f["message"]), *((name, number(value)) for name, value in f["keys"])]
            expected.append((f["kind"], f["seq"], f["t_us"], keys))
    assert messages == expected
    assert messages


def test_the_lines_are_those_of_the_fields() -> None:
    assert TEXT.decode("ascii").splitlines() == [f["line"] for f in FIELDS]


LINES = TEXT.splitlines(keepends=True)
N, MIDDLE = len(LINES), len(LINES) // 2
FLIPPED = bytes([LINES[MIDDLE][30] ^ 1])
# Name of the damage: what is left of the file, which lines still come out (in order), how many stretches are bad.
DAMAGED: dict[str, tuple[bytes, list[int], int]] = {
    "cut in the last line": (TEXT[:-5], list(range(N - 1)), 1),
    "last line feed missing": (TEXT[:-1], list(range(N - 1)), 1),
    "begun in the first line": (TEXT[5:], list(range(1, N)), 1),
    "one bit flipped": (
        b"".join([*LINES[:MIDDLE], LINES[MIDDLE][:30] + FLIPPED + LINES[MIDDLE][31:], *LINES[MIDDLE + 1 :]]),
        [i for i in range(N) if i != MIDDLE],
        1,
    ),
    "one bit of a message flipped": (
        LINES[0][:40] + bytes([LINES[0][40] ^ 1]) + b"".join([LINES[0][41:], *LINES[1:]]),
        list(range(1, N)),
        1,
    ),
    "a line feed lost": (
        b"".join([*LINES[:MIDDLE], LINES[MIDDLE][:-1], *LINES[MIDDLE + 1 :]]),
        [i for i in range(N) if i not in (MIDDLE, MIDDLE + 1)],
        1,
    ),
    "a line feed in the middle of a line": (
        b"".join([*LINES[:MIDDLE], LINES[MIDDLE][:20], b"\n", LINES[MIDDLE][20:], *LINES[MIDDLE + 1 :]]),
        [i for i in range(N) if i != MIDDLE],
        2,
    ),
    "a byte inserted": (
        b"".join([*LINES[:MIDDLE], LINES[MIDDLE][:12], b"0", LINES[MIDDLE][12:], *LINES[MIDDLE + 1 :]]),
        [i for i in range(N) if i != MIDDLE],
        1,
    ),
    "two lines run into each other": (
        b"".join([*LINES[:MIDDLE], LINES[MIDDLE][:33], LINES[MIDDLE + 1][7:], *LINES[MIDDLE + 2 :]]),
        [i for i in range(N) if i not in (MIDDLE, MIDDLE + 1)],
        1,
    ),
    "line ends turned to CR LF": (TEXT.replace(b"\n", b"\r\n"), list(range(N)), 0),
    "line ends turned to CR": (TEXT.replace(b"\n", b"\r"), [], 1),
    "hex turned to capitals": (TEXT.upper(), [i for i in range(N) if LINES[i].upper() == LINES[i]], -1),
    "blanks at the line ends": (TEXT.replace(b"\n", b" \n"), [], N),
    "two halves swapped": (b"".join(LINES[MIDDLE:] + LINES[:MIDDLE]), [*range(MIDDLE, N), *range(MIDDLE)], 0),
    "every line twice": (b"".join(text for line in LINES for text in (line, line)), sorted([*range(N), *range(N)]), 0),
    "boot messages in front": (b"\x00\xffstarting up\r\n\r\n> " + TEXT, list(range(1, N)), 2),
    "noise between all lines": (b"".join(text for line in LINES for text in (line, b"\x80 ~\n")), list(range(N)), N),
    "zeros behind a power loss": (TEXT + bytes(4096), list(range(N)), 1),
}


def fields_of(numbers: list[int], kinds: str) -> list[tuple[int, int]]:
    return [(FIELDS[i]["seq"], FIELDS[i]["t_us"]) for i in numbers if FIELDS[i]["kind"] in kinds]


@pytest.mark.parametrize("name", DAMAGED)
@pytest.mark.parametrize("size", [7, 61, 1 << 20])
def test_a_damaged_file_gives_every_line_that_is_whole(name: str, size: int) -> None:
    data, left, n_bad = DAMAGED[name]
    decoder = Decoder()
    parts = [decoder.feed(data[at : at + size]) for at in range(0, len(data), size)] + [decoder.finish()]
    samples = [pair for p in parts for pair in zip(p.samples.seq.tolist(), p.samples.t_us.tolist(), strict=True)]
    messages = [(m.seq, m.t_us) for p in parts for m in p.messages]
    assert samples == fields_of(left, "S")
    assert messages == fields_of(left, "JCH")
    assert sum(p.n_good for p in parts) == len(left)
    assert sum(p.n_bad for p in parts) == (n_bad if n_bad >= 0 else N - len(left))
