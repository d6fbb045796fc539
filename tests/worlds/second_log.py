"""The flash log of a board that nobody listened to, made from a full-rate trace of the second generator.

Contract: `logged` gives the bytes of the trace that a fetch would bring, and when its first sample was taken: lines at
the full rate for 10 s after the host left, then means, one line each 0.2 s (EDGES and AGE at its end, bit 5), with no
hole in SEQ; nothing while the air has been still for a minute; a stall at each full block of 4 KiB. While a stall
lasts no sample is taken and no edge is seen, the chip goes on averaging, the next sample has bits 3 and 4. The
board's rules are written out here again, from the project's format and the firmware's own description. Nothing here
knows hoodtrace.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from worlds.second_board import line, sample_lines

Ints = NDArray[np.int64]

GRACE_US, EVERY_US, REST_US = 10_000_000, 200_000, 60_000_000
LATE, STALLED, FROM_LOG = 0x08, 0x10, 0x20
BLOCK_BYTES, RECORD_BYTES, RECORDS_A_CYCLE = 4096 - 18, 22, 8
LONG_AGO_US = 1 << 28


@dataclass(slots=True)
class _Board:
    """What the board keeps in mind: lines made (`rows` of samples, `texts` of messages) and how far flash is behind."""

    counts_per_pa: int
    rows: list[tuple[int, ...]] = field(default_factory=list)
    texts: list[tuple[int, int, str]] = field(default_factory=list)  # SEQ, TIME, body
    sizes: list[int] = field(default_factory=list)  # in the block, of each line since the host left
    n_on_flash: int = 0
    block_bytes: int = 0
    calm_us: int = LONG_AGO_US
    calm_dp: int = 0
    due_us: int = EVERY_US
    flags: int = 0
    sums: list[int] = field(default_factory=lambda: [0, 0, 0])  # dp, temp, how many

    def sample(self, t_us: int, edges: int, age_us: int, dp: int, temp: int, flags: int) -> None:
        self.rows.append((len(self.sizes), t_us, edges, age_us, dp, temp, flags))
        self.sizes.append(RECORD_BYTES)

    def add(self, elapsed_us: int, dp: int, temp: int, flags: int) -> tuple[int, int, int] | None:
        """Add a sample to the mean; dp, temp and flags of the line when one is due."""
        self.flags |= flags
        self.sums = [self.sums[0] + dp, self.sums[1] + temp, self.sums[2] + 1]
        self.due_us -= elapsed_us
        if self.due_us > 0:
            return None
        total_dp, total_temp, n = self.sums
        made = (2 * total_dp + n) // (2 * n), (2 * total_temp + n) // (2 * n), self.flags | FROM_LOG
        if abs(made[0] - self.calm_dp) * 2 > self.counts_per_pa:
            self.calm_dp, self.calm_us = made[0], 0
        self.anew(self.due_us)
        return made

    def anew(self, over_us: int) -> None:
        self.due_us, self.flags, self.sums = max(EVERY_US + over_us, EVERY_US // 2), 0, [0, 0, 0]

    def take(self) -> bool:
        """Copy a cycle's share of lines into the block; whether it is full."""
        for size in self.sizes[self.n_on_flash : self.n_on_flash + RECORDS_A_CYCLE]:
            if self.block_bytes + size > BLOCK_BYTES:
                self.block_bytes = 0
                return True
            self.block_bytes += size
            self.n_on_flash += 1
        return False


def logged(
    trace: bytes, rng: np.random.Generator, counts_per_pa: int = 240, left_s: float = 0.0,
    stall_s: tuple[float, float] = (0.05, 0.8),
) -> tuple[bytes, float]:  # fmt: skip
    """The log's trace, and the time of its first sample in the full-rate one (s).

    Parameters
    ----------
    trace : bytes
        A whole full-rate trace of one boot.
    left_s : float
        When the host said `keep` last (s since the first sample); what was before is not in the log.
    stall_s : tuple of float
        Shortest and longest time that a block takes (s); their logarithm is drawn evenly.
    """
    t_us, edges, age_us, dp, temp, flags, said = _columns(trace)
    board = _Board(counts_per_pa)
    first = int(np.searchsorted(t_us, t_us[0] + round(left_s * 1e6)))
    edge_us = t_us - age_us
    columns = [c.tolist() for c in (t_us, edges, age_us, dp, temp, flags, edge_us)]
    logging = resting = False
    pair, frozen_until_us, seen_until = (int(edges[0]), int(edge_us[0])), 0, 0
    i, previous_us = 0, int(t_us[0])
    stalled, n_said = False, 0
    while i < len(t_us):
        now_us, edge_count, _, one_dp, one_temp, one_flags, last_edge_us = (c[i] for c in columns)
        elapsed_us, previous_us = now_us - previous_us, now_us
        if stalled:
            one_dp = round(float(np.mean(dp[seen_until + 1 : i + 1])))
            one_flags |= LATE | STALLED
            stalled = False
        moved = False
        if last_edge_us > frozen_until_us and (edge_count, last_edge_us) != pair:
            moved, pair = edge_count != pair[0], (edge_count, last_edge_us)
        board.calm_us = 0 if moved else min(board.calm_us + elapsed_us, LONG_AGO_US)
        while n_said < len(said) and said[n_said][0] <= i:
            if i >= first:
                board.texts.append((len(board.sizes), *said[n_said][1:]))
                board.sizes.append(3 + 34 + len(said[n_said][2]))
            n_said += 1
        age = min(now_us - pair[1], 0xFFFFFF)
        if logging:
            made = board.add(elapsed_us, one_dp, one_temp, one_flags)
            if made is not None and not resting:
                board.sample(now_us, pair[0], age, *made)
        elif i >= first:
            board.sample(now_us, pair[0], age, one_dp, one_temp, one_flags)
        if not logging and now_us - int(t_us[first]) >= GRACE_US:
            logging = resting = True
            board.anew(0)
        full = False
        if logging:
            calm = board.calm_us >= REST_US
            full, resting = calm and not resting, calm
            full |= not resting and board.take()
        i, seen_until = i + 1, i
        if full:
            stalled = True
            frozen_until_us = now_us + round(1e6 * exp(rng.uniform(*(log(s) for s in stall_s))))
            i = max(i, int(np.searchsorted(t_us, frozen_until_us)))
    return _trace(board), (int(t_us[first]) - int(t_us[0])) / 1e6


def _columns(trace: bytes) -> tuple[Ints, Ints, Ints, Ints, Ints, Ints, list[tuple[int, int, str]]]:
    """The S lines' columns, and the J lines as (how many S lines came before, TIME, body)."""
    rows, said = [], []
    for raw in trace.split(b"\n"):
        if raw[:1] == b"S":
            rows.append([int(part, 16) for part in raw[10:51].split()])
        elif raw[:1] == b"J":
            said.append((len(rows), int(raw[10:24], 16), raw[25:-9].decode()))
    t_us, edges, age_us, dp, temp, flags = np.array(rows, np.int64).T
    return t_us, edges, age_us, _signed(dp), _signed(temp), flags, said


def _signed(raw: Ints) -> Ints:
    return (raw ^ 0x8000) - 0x8000


def _trace(board: _Board) -> bytes:
    rows = np.array(board.rows, np.int64).reshape(-1, 7)
    samples = sample_lines(*rows.T)
    parts = [(int(seq), samples[61 * i : 61 * i + 61]) for i, seq in enumerate(rows[:, 0])]
    parts += [(seq, line("J", seq, t_us, body)) for seq, t_us, body in board.texts]
    note = line("H", 0, 0, '{"kind":"opened","software":"second","port":"none","from":"flash log"}')
    return note + b"".join(raw for _, raw in sorted(parts))
