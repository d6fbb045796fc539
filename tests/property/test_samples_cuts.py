"""What a whole file gives hangs neither on how it was cut nor on the pieces in which it is put in order.

Streams of one or two boots with lines lost, sent again, mixed up, with times that go back, and a hello that changes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hoodtrace.wire import samples as under_test
from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import line, note, sample_body
from hoodtrace.wire.samples import Assembler

STEP_US = 20_000


def said(seq: int, t_us: int, kind: str, boot: int) -> bytes:
    """A sample, a hello (of one of two rates) or another message."""
    if kind == "S":
        return line("S", seq, t_us, sample_body(3 * seq, 9, seq, 2, 0))
    if kind == "air":
        return line("J", seq, t_us, f'{{"kind":"air","n":{seq}}}')
    return line("J", seq, t_us, f'{{"kind":"hello","boot":"aaaa000{boot}","rate_hz":{50 if kind == "hello" else 25}}}')


@st.composite
def streams(draw: st.DrawFn) -> list[bytes]:
    """Lines of a stream in the order in which they came."""
    lines: list[bytes] = []
    for boot in range(draw(st.integers(1, 2))):
        kinds = draw(st.lists(st.sampled_from(["S"] * 6 + ["air", "hello", "hello changed"]), min_size=8, max_size=30))
        times = [3_000_000 + STEP_US * i for i in range(len(kinds))]
        for at in draw(st.lists(st.integers(0, len(kinds) - 1), max_size=6)):
            times[at] += draw(st.integers(-10, 10)) * STEP_US
        mine = [said(i, times[i], "hello" if i == 0 else kind, boot) for i, kind in enumerate(kinds)]
        order = list(range(len(mine)))
        for _ in range(draw(st.integers(0, 3))):
            # A few lines are lost, and may come later, twice even.
            first = draw(st.integers(1, max(1, len(order) - 1)))
            gone = order[first : first + draw(st.integers(1, 9))]
            del order[first : first + len(gone)]
            for _ in range(draw(st.integers(0, 2))):
                at = draw(st.integers(first, len(order)))
                order[at:at] = gone
        lines += [note(boot, 0, {"kind": "opened"})] if boot else []
        lines += [mine[i] for i in order]
    return lines


def whole(lines: list[bytes], n_together: int) -> tuple[Any, ...]:
    decoder, assembler = Decoder(), Assembler()
    for at in range(0, len(lines), n_together):
        assembler.feed(decoder.feed(b"".join(lines[at : at + n_together])))
    parts = assembler.finish()
    assert all(np.all(np.diff(part.seq) > 0) for part in parts)
    columns = [
        [(part.boot.number, str(part.boot.hello.get("rate_hz")), *row) for row in zip(*_columns(part), strict=True)]
        for part in parts
    ]
    messages = [(part.boot.number, message) for part in parts for message in part.messages]
    counts = assembler.n_lost, assembler.n_stray, assembler.n_boots, assembler.late
    return [row for rows in columns for row in rows], [(n, m.kind, m.seq, m.t_us, m.text) for n, m in messages], counts


def _columns(part: under_test.Samples) -> list[list[int]]:
    return [getattr(part, name).tolist() for name in ("seq", "t_us", "edges", "age_us", "raw_dp", "raw_temp", "flags")]


@settings(max_examples=600)
@given(streams(), st.integers(1, 9), st.integers(1, 9))
def test_pieces_of_any_size_give_the_same(lines: list[bytes], n_together: int, n_rows: int) -> None:
    at_once = whole(lines, n_together)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(under_test, "_PIECE", n_rows)
        assert whole(lines, n_together) == at_once


@settings(max_examples=600)
@given(streams(), st.integers(1, 9))
def test_blocks_of_any_size_give_the_same(lines: list[bytes], n_together: int) -> None:
    assert whole(lines, n_together) == whole(lines, len(lines))
