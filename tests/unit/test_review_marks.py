"""Marks of a visit on the page's axis, where a void is drawn shorter than it was.

Contract: the trace is one of the second generator, with the clock put on by an hour from one line on: what the gap is,
is known by that.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from hoodtrace.dwelling.review import Review
from reviewed_visit import made, opened

HOUR_US, FROM_LINE = 3_600_000_000, 1500


def paused(trace: bytes) -> bytes:
    """The trace with an hour of silence of the board in it; the host's notes are left out."""
    out = []
    for number, line in enumerate(trace.splitlines()):
        kind, seq, t_us, body = line.rpartition(b" ")[0].split(b" ", 3)
        if kind == b"H":
            continue
        if number > FROM_LINE:
            t_us = b"%014x" % (int(t_us, 16) + HOUR_US)
        whole = b" ".join((kind, seq, t_us, body))
        out.append(whole + b" %08x\n" % zlib.crc32(whole))
    return b"".join(out)


@pytest.fixture
def review(tmp_path: Path) -> Review:
    folder = made(tmp_path / "v", begun=False)
    trace = folder / "traces" / "01.trace"
    trace.write_bytes(paused(trace.read_bytes()))
    return opened(folder)


def test_a_gap_of_an_hour_is_marked_from_the_air_before_it_to_the_air_after_it(review: Review) -> None:
    state = review.state()
    (gap,) = [mark for mark in state["marks"] if mark["kind"] == "gap"]
    pieces, breaks = state["axis"]["pieces"], state["axis"]["breaks"]
    assert (len(pieces), len(breaks)) == (2, 1)
    # The first piece ends with the point half a second into the hole where the line breaks off.
    assert breaks[0]["seconds"] == pytest.approx(3599.5, abs=0.1)
    assert (gap["x0"], gap["x1"]) == pytest.approx((pieces[0]["x1"] - 0.5, pieces[-1]["x0"]), abs=0.1)
    # Nothing that happened later stands outside the axis.
    assert max(mark["x1"] for mark in state["marks"]) <= state["axis"]["stop"]
