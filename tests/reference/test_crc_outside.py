"""CRC-32 of the lines against its published check values, through a shift register that knows no table and no zlib.

Contract: `bitwise` is written from the published parameters of CRC-32 (ISO-HDLC): polynomial 04C11DB7 reflected,
register and final xor FFFFFFFF. It is pinned to the published check value first, then it closes lines that both readers
of the package, the plain one and the one that works on columns, must take; with any other CRC they must not.
"""

from __future__ import annotations

from zlib import crc32

import numpy as np
import pytest

from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import line, parse, sample_body


def bitwise(data: bytes) -> int:
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xEDB88320 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


@pytest.mark.parametrize(
    ("data", "published"),
    [
        (b"123456789", 0xCBF43926),  # check value in the published catalogues of CRCs (seen)
        (b"", 0x00000000),  # follows from the parameters (memory)
        (b"\x00", 0xD202EF8D),  # memory
        (b"The quick brown fox jumps over the lazy dog", 0x414FA339),  # widely printed (memory)
    ],
)
def test_published_values(data: bytes, published: int) -> None:
    assert bitwise(data) == published
    assert crc32(data) == published


def drawn_samples(n: int) -> list[tuple[int, ...]]:
    rng = np.random.default_rng(41)
    tops = (1 << 28, 1 << 56, 1 << 24, 1 << 24, 1 << 16, 1 << 16, 1 << 8)
    return [tuple(int(rng.integers(top)) for top in tops) for _ in range(n)]


FORM = "S {:07x} {:014x} {:06x} {:06x} {:04x} {:04x} {:02x}"


def test_lines_are_closed_with_it() -> None:
    for seq, t_us, edges, age_us, dp, temp, flags in drawn_samples(50):
        head = FORM.format(seq, t_us, edges, age_us, dp, temp, flags).encode()
        body = sample_body(edges, age_us, dp - (dp >> 15 << 16), temp - (temp >> 15 << 16), flags)
        assert line("S", seq, t_us, body) == head + b" %08x\n" % bitwise(head)


def test_both_readers_take_a_line_closed_with_it_and_no_other() -> None:
    """The column reader's CRC is made of tables: every bit of the register and of every digit is tried."""
    heads = [FORM.format(*fields).encode() for fields in drawn_samples(40)]
    good = [head + b" %08x" % bitwise(head) for head in heads]
    bad = [head + b" %08x" % (bitwise(head) ^ 1 << bit) for head in heads[:8] for bit in range(32)]
    decoded = Decoder().feed(b"".join(text + b"\n" for pair in zip(good, good, strict=True) for text in pair))
    assert (decoded.n_good, decoded.n_bad) == (2 * len(good), 0)
    decoded = Decoder().feed(b"\n".join([*bad, b""]))
    assert (decoded.n_good, decoded.n_bad) == (0, len(bad))
    assert all(parse(text) is not None for text in good)
    assert all(parse(text) is None for text in bad)


def test_every_digit_of_a_sample_counts_in_it() -> None:
    head = FORM.format(*drawn_samples(1)[0]).encode()
    whole = head + b" %08x" % bitwise(head)
    changed = [
        whole[:at] + b"%x" % other + whole[at + 1 :]
        for at in range(2, 51)
        if whole[at : at + 1] != b" "
        for other in range(16)
        if b"%x" % other != whole[at : at + 1]
    ]
    decoded = Decoder().feed(b"\n".join([*changed, b""]))
    assert (decoded.n_good, decoded.n_bad) == (0, len(changed))
    assert len(changed) == 15 * (7 + 14 + 6 + 6 + 4 + 4 + 2)
