"""One hour at 100 samples a second through a pseudo-terminal on the fast clock: no line lost, none wrong.

Every line is compared with the world that it was made from, not with another line. The ticks wrap four times.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
import serial

from firmware.bench_host import TICK_US, command, small_world
from hoodtrace.board.virtual import VirtualBoard

HOUR_S = 3600
EDGE_US = 10_007
STEP_S = 10  # the pressure stays the same for so long


def steps(n: int) -> np.ndarray:
    """A pressure for each ten seconds, over the whole range of 16 bits."""
    return np.random.default_rng(20261125).integers(-32768, 32768, n)


@pytest.mark.slow
@pytest.mark.usefixtures("micropython")
def test_an_hour_at_a_hundred_samples_a_second(tmp_path: Path) -> None:
    world = small_world(tmp_path, HOUR_S + 10, edge_every_us=EDGE_US)
    pressures = steps(HOUR_S // STEP_S + 2)
    ticks = np.repeat(pressures, STEP_S * 1_000_000 // TICK_US)[: (HOUR_S + 10) * 1_000_000 // TICK_US]
    (ticks * 256).astype("<i4").tofile(world / "dp.i32")
    raws: list[bytes] = []
    n_noise, rest, said, kept_us, t_us = 0, b"", 0, 0, 0
    with VirtualBoard(world, "fast", "pty", boot_seed=1) as board:
        assert board.runtime.startswith("MicroPython")
        with serial.serial_for_url(board.port, timeout=0) as link:
            link.write(command(0, "rate 100") + command(1, "keep"))
            heard_s = time.monotonic()
            while t_us < HOUR_S * 1_000_000:
                block = link.read(65536)
                if not block:
                    assert time.monotonic() - heard_s < 20, "the board is silent"
                    time.sleep(0.0005)
                    continue
                heard_s = time.monotonic()
                *whole, rest = (rest + block).split(b"\n")
                for raw in whole:
                    good = len(raw) > 33 and b"%08x" % crc32(raw[:-9]) == raw[-8:]
                    n_noise += not good
                    raws += [raw] if good else []
                t_us = int(raws[-1][10:24], 16)
                if t_us - kept_us >= 250_000:
                    kept_us, said = t_us, said + 1
                    link.write(command(said & 0xFFFFFFF, "keep"))
    # Before the first sample that was streamed only answers were sent.
    raws = raws[next(i for i, raw in enumerate(raws) if raw[:1] == b"S") :]
    seqs = [int(raw[2:9], 16) for raw in raws]
    assert n_noise == 0
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))  # 0 lost, none twice, in order
    samples = [raw for raw in raws if raw[:1] == b"S"]
    assert len(samples) >= HOUR_S * 100 - 20
    n_compared = 0
    for raw in samples:
        t_us, edges, age_us = int(raw[10:24], 16), int(raw[25:31], 16), int(raw[32:38], 16)
        # The board's clock begins some us after the world's, and the state machine looks every 4 us.
        first, last = (0 if t < 100_000 else (t - 100_000) // EDGE_US + 1 for t in (t_us - 20, t_us + 20))
        assert first <= edges <= last < 1 << 24
        assert edges == 0 or abs(t_us - age_us - 100_000 - (edges - 1) * EDGE_US) <= 20
        assert raw[49:51] == b"00"
        assert int(raw[44:48], 16) == 4100
        into_us = t_us % (STEP_S * 1_000_000)
        if 50_000 < into_us < STEP_S * 1_000_000 - 50_000:
            assert int(raw[39:43], 16) == int(pressures[t_us // (STEP_S * 1_000_000)]) & 0xFFFF
            n_compared += 1
    assert n_compared > 0.98 * len(samples)
    hellos = [json.loads(raw[25:-9]) for raw in raws if raw[:1] == b"J" and b'"hello"' in raw]
    assert len({hello["boot"] for hello in hellos}) == 1
