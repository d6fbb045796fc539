"""The decoder on drawn bytes: nothing raises, no cut changes anything, and no good line is lost behind noise.

Contract: lines are spelled and closed with zlib here; a stretch that was made good must come out, all others must be
counted as bad. Stretches longer than the limit on a line belong to noise.
"""

from __future__ import annotations

from zlib import crc32

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import MAX_LENGTH, Line, line, parse, sample_body

Plain = list[tuple[object, ...]]
SAME = settings(derandomize=True, deadline=None)


def closed(head: bytes) -> bytes:
    return head + b" %08x" % crc32(head)


def hexed(digits: int) -> st.SearchStrategy[int]:
    return st.integers(0, 16**digits - 1)


sample_heads = st.builds(
    "S {:07x} {:014x} {:06x} {:06x} {:04x} {:04x} {:02x}".format,
    hexed(7), hexed(14), hexed(6), hexed(6), hexed(4), hexed(4), hexed(2),
).map(str.encode)  # fmt: skip
other_heads = st.builds(
    "{} {:07x} {:014x} {}".format,
    st.sampled_from("JCH"),
    hexed(7),
    hexed(14),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=80),
).map(str.encode)
good = st.one_of(sample_heads, other_heads).map(closed)
noise = st.binary(max_size=90).map(lambda b: b.replace(b"\n", b"?").rstrip(b"\r"))
damaged = st.tuples(good, st.integers(0, 10_000), st.integers(1, 255)).map(
    lambda g: bytes(b ^ (g[2] if i == g[1] % len(g[0]) else 0) for i, b in enumerate(g[0])).replace(b"\n", b"?")
)
stretches = st.lists(st.one_of(good, damaged, noise), max_size=12)
sizes = st.lists(st.integers(0, 80), max_size=40)


def told(data: bytes, cuts: list[int]) -> tuple[Plain, Plain, int, int]:
    """Samples, messages, good and bad, with `data` fed in blocks of the sizes `cuts`, the rest at once."""
    decoder, at, parts = Decoder(), 0, []
    for size in cuts:
        parts.append(decoder.feed(data[at : at + size]))
        at += size
    parts += [decoder.feed(data[at:]), decoder.finish()]
    samples: Plain = []
    said: Plain = []
    for part in parts:
        s = part.samples
        columns = (s.place, s.seq, s.t_us, s.edges, s.age_us, s.raw_dp, s.raw_temp, s.flags)
        samples += zip(*(c.tolist() for c in columns), strict=True)
        said += [(m.place, m.kind, m.seq, m.t_us, m.text) for m in part.messages]
    return samples, said, sum(p.n_good for p in parts), sum(p.n_bad for p in parts)


@SAME
@given(st.binary(max_size=600), sizes)
def test_no_bytes_raise_and_no_cut_changes_anything(data: bytes, cuts: list[int]) -> None:
    found = told(data, cuts)
    assert found == told(data, [])
    n_filled = sum(s.removesuffix(b"\r") != b"" for s in data.split(b"\n")[:-1])
    assert n_filled <= found[2] + found[3] <= n_filled + 1


@SAME
@given(stretches, sizes, st.sampled_from([b"\n", b"\r\n"]))
def test_what_is_good_comes_out_in_its_place_and_the_rest_is_counted(
    parts: list[bytes], cuts: list[int], end: bytes
) -> None:
    data = b"".join(part + end for part in parts)
    samples, said, n_good, n_bad = told(data, cuts)
    at, rows, texts = 0, [], []
    for part in parts:
        if part[:1] in b"SJCH" and crc32(part[:-9]) == _crc_of(part):
            (rows if part[:1] == b"S" else texts).append((at, part))
        at += len(part) + len(end)
    assert [row[0] for row in samples] == [place for place, _ in rows]
    for row, (_, text) in zip(samples, rows, strict=True):
        _, *fields = row
        words = [int(word, 16) for word in text.split(b" ")[1:8]]
        signed = [w - (w >> 15 << 16) if i in (4, 5) else w for i, w in enumerate(words)]
        assert fields == signed
    assert [
        closed(f"{kind} {seq:07x} {t_us:014x} {text}".encode()) for _, kind, seq, t_us, text in said
    ] == [text for _, text in texts]  # fmt: skip
    assert [row[0] for row in said] == [place for place, _ in texts]
    assert n_good == len(rows) + len(texts)
    assert n_bad == sum(part != b"" for part in parts) - n_good


def _crc_of(stretch: bytes) -> int | None:
    """The CRC that `stretch` ends with, None where its end has not the form of one."""
    tail = stretch[-9:]
    return (
        int(tail[1:], 16) if len(tail) == 9 and tail[:1] == b" " and set(tail[1:]) <= set(b"0123456789abcdef") else None
    )


@SAME
@given(st.binary(max_size=300), good)
def test_a_good_line_behind_any_noise_and_a_line_feed_comes_out(before: bytes, text: bytes) -> None:
    samples, said, *_ = told(before + b"\n" + text + b"\n", [])
    assert [*samples, *said]
    assert max(row[0] for row in [*samples, *said]) == len(before) + 1  # type: ignore[type-var]


@SAME
@given(stretches, st.integers(0, 2000))
def test_a_cut_trace_gives_the_first_part_of_the_whole(parts: list[bytes], end: int) -> None:
    data = b"".join(part + b"\n" for part in parts)
    whole, cut = told(data, []), told(data[:end], [])
    assert cut[0] == whole[0][: len(cut[0])]
    assert cut[1] == whole[1][: len(cut[1])]
    assert cut[2] <= whole[2]


@SAME
@given(hexed(7), hexed(14), hexed(6), hexed(6), st.integers(-32768, 32767), st.integers(-32768, 32767), hexed(2))
def test_a_written_sample_is_read_again(
    seq: int, t_us: int, edges: int, age_us: int, dp: int, temp: int, flags: int
) -> None:
    body = sample_body(edges, age_us, dp, temp, flags)
    text = line("S", seq, t_us, body)
    assert parse(text[:-1]) == Line("S", seq, t_us, body)
    samples, _, n_good, n_bad = told(text, [])
    assert (samples, n_good, n_bad) == ([(0, seq, t_us, edges, age_us, dp, temp, flags)], 1, 0)


@SAME
@given(st.one_of(good, damaged, noise))
@example(b"S 0000005 000000000003e8 000007 000014 fffd 125c 05 b3d9f1aa")
def test_both_readers_agree_on_any_stretch(stretch: bytes) -> None:
    samples, said, n_good, _ = told(stretch + b"\n", [])
    one = parse(stretch)
    assert n_good == len(samples) + len(said) == (one is not None)
    if one is not None:
        assert [row[1:3] for row in samples] + [row[2:4] for row in said] == [(one.seq, one.t_us)]


@pytest.mark.parametrize("end", [b"\n", b"\r\n"], ids=["LF", "CR LF"])
@pytest.mark.parametrize("over", [0, 1])
@SAME
@given(cut=st.integers(-3, 3))
def test_the_limit_on_a_line_is_the_same_however_it_is_cut(end: bytes, over: int, cut: int) -> None:
    head = b"C 0000001 00000000000000 "
    # The one CR that a receiver accepts does not count.
    text = closed(head + b"x" * (MAX_LENGTH + over - len(head) - 9)) + end
    found = told(text, [len(text) - 1 + cut])
    assert found == told(text, [])
    assert found[2:] == ((1, 0) if over == 0 else (0, 1))
