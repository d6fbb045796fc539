"""Ten thousand spoiled traces: nothing raises, every undamaged line is kept, every other stretch is counted as bad.

Contract: the reference is in this file alone: split at line feeds, form by regular expression, CRC by zlib. A stretch
is good if it is one of the lines that were written; the two ways of telling must agree. Seeded, no clock.
"""

from __future__ import annotations

import re
from zlib import crc32

import numpy as np
import pytest

from hoodtrace.wire.decoder import Decoded, Decoder
from hoodtrace.wire.lines import line, note, sample_body
from hoodtrace.wire.samples import Assembler

N_TRIALS, N_PARTS = 10_000, 4
HELLO = '{"kind":"hello","protocol":1,"boot":"0000abcd","rate_hz":50,"dp_counts_per_pa":240,"dp_temp_counts_per_k":200}'
AIR = '{"kind":"air","temp_c":20.5,"rh_pct":45.0,"pressure_pa":101200}'
OTHER = re.compile(rb"[JCH] [0-9a-f]{7} [0-9a-f]{14} [\x00-\x7f]+ [0-9a-f]{8}", re.DOTALL)
SAMPLE = re.compile(
    rb"S [0-9a-f]{7} [0-9a-f]{14} [0-9a-f]{6} [0-9a-f]{6} [0-9a-f]{4} [0-9a-f]{4} [0-9a-f]{2} [0-9a-f]{8}"
)


def originals(rng: np.random.Generator) -> list[bytes]:
    """About sixty lines of every kind, samples 20 ms apart."""
    out = [note(0, 0, {"kind": "opened", "utc": "2030-01-01T09:00:00Z"})]
    for seq in range(58):
        t_us = 3_000_000 + 20_000 * seq
        if seq % 20 == 0:
            out.append(line("J", seq, t_us, HELLO))
        elif seq % 20 == 1:
            out.append(line("J", seq, t_us, AIR))
        else:
            edges, age_us, dp, temp = 9 * seq, int(rng.integers(1 << 24)), int(rng.integers(-99, 99)), 4000 + seq
            out.append(line("S", seq, t_us, sample_body(edges, age_us, dp, temp, int(rng.integers(128)))))
        if seq == 30:
            out.append(note(seq, t_us, {"kind": "clock", "utc": "2030-01-01T09:00:01Z"}))
            out.append(line("C", 3, 0, "keep"))
    return out


def spoiled(lines: list[bytes], rng: np.random.Generator) -> bytes:
    """The trace after one to five accidents of random kinds."""
    lines = list(lines)
    kinds = rng.integers(0, 8, rng.integers(1, 6)).tolist()
    for _ in range(kinds.count(0)):
        i, j = rng.integers(0, len(lines), 2)
        lines[i], lines[j] = lines[j], lines[i]
    data = bytearray(b"".join(lines))
    for kind in kinds:
        at, size = int(rng.integers(0, len(data) + 1)), int(rng.integers(1, 200))
        if kind == 1 and at < len(data):
            data[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            del data[at + (len(data) - at) // 2 :]
        elif kind == 3:
            data[at:at] = rng.bytes(int(rng.integers(1, 12)))
        elif kind == 4:
            del data[at : at + size]
        elif kind == 5:
            data[at:at] = data[at : at + 10 * size]
        elif kind == 6:
            data[at:at] = bytes(rng.choice(np.frombuffer(b"\n\r S", np.uint8), int(rng.integers(1, 4))))
        elif kind == 7:
            data = data.replace(b"\n", b"\r\n", int(rng.integers(1, 70)))
    return bytes(data)


def is_good(stretch: bytes) -> bool:
    form = SAMPLE if stretch[:1] == b"S" else OTHER
    return form.fullmatch(stretch) is not None and crc32(stretch[:-9]) == int(stretch[-8:], 16)


def reference(data: bytes) -> tuple[list[bytes], int]:
    """The good lines in order, and the number of bad stretches; one CR before LF is allowed, empty ones don't count."""
    *whole, tail = data.split(b"\n")
    stretches = [s.removesuffix(b"\r") for s in whole]
    good = [s for s in stretches if is_good(s)]
    n_filled = sum(s != b"" for s in stretches) + (tail not in (b"", b"\r"))
    return good, n_filled - len(good)


def sample_fields(stretch: bytes) -> tuple[int, ...]:
    seq, t_us, edges, age_us, dp, temp, flags = (int(part, 16) for part in stretch.split(b" ")[1:8])
    return seq, t_us, edges, age_us, (dp ^ 0x8000) - 0x8000, (temp ^ 0x8000) - 0x8000, flags


def told(parts: list[Decoded]) -> tuple[list[tuple[int, ...]], list[tuple[str, int, int, str]]]:
    """Samples and messages that came out, as plain fields."""
    rows: list[tuple[int, ...]] = []
    said = []
    for part in parts:
        s = part.samples
        columns = (s.seq, s.t_us, s.edges, s.age_us, s.raw_dp, s.raw_temp, s.flags)
        rows += zip(*(c.tolist() for c in columns), strict=True)
        said += [(m.kind, m.seq, m.t_us, m.text) for m in part.messages]
    return rows, said


@pytest.mark.parametrize("part", range(N_PARTS))
def test_spoiled_traces_lose_only_what_was_spoiled(part: int) -> None:
    rng = np.random.default_rng([20, part])
    written = originals(rng)
    known = {text[:-1] for text in written}
    n_bad_seen = n_good_seen = 0
    for trial in range(N_TRIALS // N_PARTS):
        data = spoiled(written, rng)
        decoder, cut = Decoder(), int(rng.integers(0, len(data) + 1))
        parts = [decoder.feed(data[:cut]), decoder.feed(data[cut:]), decoder.finish()]
        good, n_bad = reference(data)
        undamaged = [s for s in (w.removesuffix(b"\r") for w in data.split(b"\n")[:-1]) if s in known]
        assert good == undamaged, trial
        rows, said = told(parts)
        assert rows == [sample_fields(s) for s in good if s[:1] == b"S"], trial
        assert [f"{k} {q:07x} {t:014x} {b}".encode() for k, q, t, b in said] == [
            s[:-9] for s in good if s[:1] != b"S"
        ], trial
        assert (sum(p.n_good for p in parts), sum(p.n_bad for p in parts)) == (len(good), n_bad), trial
        for patience_s in (None, 60.0):
            assembler = Assembler(patience_s)
            out = [samples for p in parts for samples in assembler.feed(p)] + assembler.finish()
            passed = {(int(q), int(t)) for samples in out for q, t in zip(samples.seq, samples.t_us, strict=True)}
            assert passed <= {row[:2] for row in rows}, trial
        n_good_seen, n_bad_seen = n_good_seen + len(good), n_bad_seen + n_bad
    # The accidents must have been real ones, and must have left most lines whole.
    assert n_good_seen > 10 * n_bad_seen > N_TRIALS // N_PARTS
