"""Goes red until the two mends of wire/samples.py are in; then its tests belong into tests/unit/test_samples.py."""

from __future__ import annotations

from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import line, sample_body
from hoodtrace.wire.samples import Assembler


def s(seq: int, t_us: int) -> bytes:
    return line("S", seq, t_us, sample_body(0, 9, 1, 2, 0))


def hello(seq: int, t_us: int) -> bytes:
    return line("J", seq, t_us, '{"kind":"hello","boot":"aaaa0001"}')


def both_ways(lines: list[bytes]) -> list[tuple[list[int], int, int, int]]:
    found = []
    for blocks in ([b"".join(lines)], lines):
        decoder, assembler = Decoder(), Assembler(60.0)
        out = [p for b in blocks for p in assembler.feed(decoder.feed(b))] + assembler.finish()
        found.append(([q for p in out for q in p.seq.tolist()], assembler.n_late, assembler.n_stray, assembler.n_lost))
    return found


def test_a_late_line_among_those_that_wait_for_the_first_hello() -> None:
    whole, by_lines = both_ways([s(6, 3_120_000), s(4, 3_080_000), s(7, 3_140_000), hello(8, 3_160_000)])
    assert whole == by_lines == ([4, 6, 7], 0, 0, 1)


def test_a_hello_behind_a_silence_in_the_same_block_decides() -> None:
    lines = [
        hello(0, 3_000_000),
        s(9, 3_180_000),
        s(10, 6_200_000),
        hello(11, 6_220_000),
        s(8, 3_160_000),
        s(12, 6_240_000),
    ]
    whole, by_lines = both_ways(lines)
    assert whole == by_lines == ([8, 9, 10, 12], 0, 0, 7)
