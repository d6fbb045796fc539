"""The trace writer against the format's own description: every line is read back by splitting and zlib's CRC."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import resource
from pathlib import Path

import numpy as np
import pytest

from hoodtrace.errors import TraceError
from hoodtrace.wire.trace import TraceWriter, closed_trace
from scripted_board import good_lines, spoken

LINE_1 = spoken("S", 7, 1000, "000001 000010 0001 125c 00")
LINE_2 = spoken("J", 8, 2000, '{"kind": "air", "temp_c": 20}')


def notes(path: Path) -> list[tuple[int, int, dict[str, object]]]:
    return [(seq, t_us, json.loads(body)) for kind, seq, t_us, body, _ in good_lines(path.read_bytes()) if kind == "H"]


def test_bytes_are_in_the_file_at_once_and_as_they_came(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    trace = TraceWriter(path)
    for block in (b"\x00\xff noise", b"", LINE_1[:20], LINE_1[20:] + b"half"):
        before = path.read_bytes()
        assert trace.write(block) == block
        assert path.read_bytes() == before + block
    trace.close()
    assert path.read_bytes() == b"\x00\xff noise" + LINE_1 + b"half"


def test_a_note_between_lines_goes_in_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with TraceWriter(path) as trace:
        first = trace.note("opened", utc="2026-03-01T09:00:00+00:00", port="loop://")
        trace.write(LINE_1 + LINE_2)
        second = trace.note("clock", utc="2026-03-01T09:00:01+00:00")
    assert path.read_bytes() == first + LINE_1 + LINE_2 + second
    assert notes(path) == [
        (0, 0, {"kind": "opened", "utc": "2026-03-01T09:00:00+00:00", "port": "loop://"}),
        (8, 2000, {"kind": "clock", "utc": "2026-03-01T09:00:01+00:00"}),
    ]
    assert b' {"kind":"opened"' in first  # the format wants `kind` first


def test_a_note_in_a_line_waits_and_counts_that_line_as_the_last(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with TraceWriter(path) as trace:
        trace.write(LINE_1 + LINE_2[:30])
        assert trace.note("clock", utc="x") == b""
        assert trace.note("mark", n=1) == b""
        out = trace.write(LINE_2[30:] + LINE_1[:10])
    data = path.read_bytes()
    assert data.startswith(LINE_1 + LINE_2 + b"H ")
    assert data.endswith(out)
    assert data.endswith(LINE_1[:10])
    assert notes(path) == [(8, 2000, {"kind": "clock", "utc": "x"}), (8, 2000, {"kind": "mark", "n": 1})]


def test_after_a_gap_the_cut_line_is_ended_first(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with TraceWriter(path) as trace:
        trace.write(LINE_1 + LINE_2[:30])
        out = trace.note("gap", cut_line=True, why="unplugged")
        assert out.startswith(b"\nH ")
    assert path.read_bytes() == LINE_1 + LINE_2[:30] + out
    assert notes(path) == [(7, 1000, {"kind": "gap", "why": "unplugged"})]


def test_a_damaged_line_is_not_the_last_good_one(tmp_path: Path) -> None:
    with TraceWriter(tmp_path / "a.trace") as trace:
        trace.write(LINE_1 + LINE_2.replace(b"air", b"eir") + spoken("C", 99, 0, "keep"))
        assert (trace.seq, trace.t_us) == (7, 1000)


def test_closing_writes_what_waits(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    trace = TraceWriter(path)
    trace.write(LINE_1[:-1])
    trace.note("clock", utc="x")
    assert trace.close() == trace.close()
    assert [kind for kind, *_ in good_lines(path.read_bytes())] == ["S", "H"]


def test_any_cutting_gives_whole_notes_between_lines(tmp_path: Path) -> None:
    rng = np.random.default_rng(20260301)
    stream = b"".join(
        spoken("S", seq, seq * 20_000, "000001 000010 0001 125c 00") + b"AT+X\r\n" * (seq % 5 == 0)
        for seq in range(200)
    )
    path = tmp_path / "a.trace"
    place, fed, n_notes = 0, b"", 0
    with TraceWriter(path) as trace:
        while place < len(stream):
            n = int(rng.integers(1, 150))
            fed += trace.write(stream[place : place + n])
            place += n
            if rng.random() < 0.3:
                fed += trace.note("mark", n=n_notes)
                n_notes += 1
    data = path.read_bytes()
    assert data == fed
    lines = good_lines(data)
    assert [json.loads(body)["n"] for kind, _, _, body, _ in lines if kind == "H"] == list(range(n_notes))
    assert n_notes > 20
    assert b"".join(one for one in data.splitlines(keepends=True) if not one.startswith(b"H ")) == stream
    last = (0, 0)
    for kind, seq, t_us, _, _ in lines:
        if kind == "H":
            assert (seq, t_us) == last
        else:
            last = (seq, t_us)


def test_an_existing_trace_is_continued(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    path.write_bytes(LINE_1 + LINE_2[:40])
    with TraceWriter(path) as trace:
        assert trace.was_there
        assert (trace.seq, trace.t_us, trace.boot) == (7, 1000, "")
        out = trace.note("opened", utc="x")
    assert path.read_bytes() == LINE_1 + LINE_2[:40] + b"\n" + out
    assert notes(path)[0][:2] == (7, 1000)


def test_only_the_line_feed_was_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    path.write_bytes(LINE_1 + LINE_2[:-1])
    with TraceWriter(path) as trace:
        assert (trace.seq, trace.t_us) == (8, 2000)
    assert path.read_bytes() == LINE_1 + LINE_2


def test_the_boot_that_an_existing_trace_ended_with(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    hello = [spoken("J", 1, 1, json.dumps({"kind": "hello", "boot": boot})) for boot in ("00000001", "00000002")]
    path.write_bytes(hello[0] + hello[1] + LINE_1)
    with TraceWriter(path) as trace:
        assert trace.boot == "00000002"
        trace.note("gap", why="unplugged")
    with TraceWriter(path) as trace:
        assert trace.boot == ""


def test_a_foreign_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(b"\xff\xd8\xff\xe0 not a trace\n" * 9)
    before = path.read_bytes()
    with pytest.raises(TraceError, match="is no trace"):
        TraceWriter(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["", "no/such/folder/a.trace"])
def test_a_path_that_can_not_be_opened(tmp_path: Path, name: str) -> None:
    with pytest.raises(TraceError, match="can't be opened for writing") as caught:
        TraceWriter(tmp_path / name)
    assert str(tmp_path / name) in str(caught.value)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no /dev/full")
def test_a_full_disk_is_told() -> None:
    trace = TraceWriter("/dev/full")
    with pytest.raises(TraceError, match=r"/dev/full: byte 0: the disk is full.*bytes before are kept") as caught:
        trace.write(LINE_1)
    assert isinstance(caught.value.__cause__, OSError)
    assert caught.value.__cause__.errno == errno.ENOSPC
    trace.close()


def test_a_disk_that_fills_up_keeps_all_before(tmp_path: Path) -> None:
    """The system takes a piece of the block (a short write), then refuses the rest."""
    path = tmp_path / "a.trace"
    trace = TraceWriter(path)
    trace.write(LINE_1)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    limit = len(LINE_1) + len(LINE_2) + 30
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        with pytest.raises(TraceError, match="largest size") as caught:
            trace.write(LINE_2 + LINE_1)
        trace.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert path.read_bytes() == LINE_1 + LINE_2 + LINE_1[:30]
    assert caught.value.offset == limit
    with TraceWriter(path) as again:
        again.write(LINE_1)
    assert path.read_bytes() == LINE_1 + LINE_2 + LINE_1[:30] + b"\n" + LINE_1


def test_length_and_hash_of_a_closed_trace(tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    with TraceWriter(path) as trace:
        trace.write(LINE_1 * 1000)
    closed = trace.close()
    assert closed.n_bytes == 1000 * len(LINE_1)
    assert closed.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert closed_trace(path) == closed
    path.unlink()
    with pytest.raises(TraceError, match="can't be read"):
        closed_trace(path)


def test_a_stretch_without_line_feed_does_not_grow_memory(tmp_path: Path) -> None:
    with TraceWriter(tmp_path / "a.trace") as trace:
        for _ in range(300):
            trace.write(b"x" * 1000)
        assert len(trace._tail) <= 65537
        trace.write(b"\n" + LINE_1)
        assert (trace.seq, trace.between_lines) == (7, True)
