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
