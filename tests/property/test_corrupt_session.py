"""Spoiled traces through the whole way to readings: nothing raises, and what comes out is a reading or a refusal.

Contract: a trace of the second generator with one hold; up to thirty accidents each, seeded. What is asked of an
outcome holds for any input at all: finite numbers, times in order, a reason for each refusal; and the lines counted
are those that a split at line feeds and zlib count.
"""

from __future__ import annotations

import math
from functools import cache
from zlib import crc32

import numpy as np
import pytest

from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.physics.hood import Hood as HoodFile
from hoodtrace.physics.hood import parse_hood
from worlds.second import Hood, hood_toml, make_trace, one_hold

N_TRIALS, N_PARTS = 400, 4


@cache
def hood() -> HoodFile:
    return parse_hood(hood_toml(Hood()), "hood.toml")


@cache
def written() -> bytes:
    return make_trace(one_hold(60.0, 14.0, tau_s=0.4), 5)[0]


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """The trace after a few or many accidents: bits, pieces lost, doubled, moved, bytes put in, a cut end."""
    out = bytearray(data)
    for _ in range(int(rng.choice([1, 3, 10, 30]))):
        at, size = int(rng.integers(0, len(out))), int(rng.choice([1, 60, 600, 6000]))
        piece = bytes(out[at : at + size])
        match int(rng.integers(0, 6)):
            case 0:
                out[at] ^= 1 << int(rng.integers(8))
            case 1:
                del out[at : at + size]
            case 2:
                out[at:at] = piece
            case 3:
                del out[at : at + size]
                to = int(rng.integers(0, len(out) + 1))
                out[to:to] = piece
            case 4:
                out[at:at] = rng.bytes(min(size, 600))
            case 5 if rng.random() < 0.1:
                del out[at:]
        if not out:
            break
    return bytes(out)


def shuffled(data: bytes, rng: np.random.Generator) -> bytes:
    lines = data.splitlines(keepends=True)
    return b"".join(lines[i] for i in rng.permutation(len(lines)))


def check(outcome: Outcome) -> None:
    found = outcome.averaged
    assert outcome.hold_start_us <= outcome.start_us <= outcome.stop_us <= outcome.hold_stop_us
    if found.refusal is not None:
        assert found.refusal != ""
        return
    for value in (found.flow_m3_s, found.total.u_m3_s, found.total.expanded_m3_s, found.used_s, found.correlation_s):
        assert math.isfinite(value)
        assert value > 0
    assert found.u_random_m3_s <= found.total.u_m3_s * (1 + 1e-9)
    assert found.total.dof > 0
    # Twelve times the true flow is more than any mix of true lines can say.
    assert found.flow_m3_s < 12 * 60.0 / 3600.0


def session_over(data: bytes, patience_s: float | None, size: int) -> tuple[Session, list[Outcome]]:
    session = Session(hood(), patience_s)
    out = [o for at in range(0, len(data), size) for o in session.feed(data[at : at + size])]
    return session, out + session.finish()


def n_whole(data: bytes) -> int:
    """Stretches between line feeds that were written like that, told by the CRC they end with."""
    stretches = (s.removesuffix(b"\r") for s in data.split(b"\n")[:-1])
    return sum(s[:1] in (b"S", b"J", b"H", b"C") and s[-9:] == b" %08x" % crc32(s[:-9]) for s in stretches)


@pytest.mark.parametrize("part", range(N_PARTS))
def test_spoiled_traces_give_readings_or_refusals(part: int) -> None:
    rng = np.random.default_rng([50, part])
    n_read = 0
    for trial in range(N_TRIALS // N_PARTS):
        data = spoiled(written(), rng)
        session, out = session_over(data, (None, 60.0)[trial % 2], int(rng.choice([500, 4096, 1 << 20])))
        assert session.n_good == n_whole(data), trial
        for outcome in out:
            check(outcome)
        n_read += any(o.averaged.refusal is None for o in out)
    # Most of the accidents leave enough of the hold to be read.
    assert n_read > N_TRIALS // N_PARTS // 3


@pytest.mark.parametrize("patience_s", [None, 60.0])
def test_lines_in_any_order_never_raise(patience_s: float | None) -> None:
    rng = np.random.default_rng(51)
    for _ in range(20):
        session, out = session_over(shuffled(written(), rng), patience_s, 4096)
        assert session.n_good == n_whole(written())
        for outcome in out:
            check(outcome)
