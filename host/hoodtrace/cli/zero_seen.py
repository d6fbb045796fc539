"""The zero of the pressure chip as a stretch of a trace with bridged ports shows it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hoodtrace.errors import TraceError
from hoodtrace.wire.samples import Samples

ZERO_S = 20.0
LEAST_ZERO_S = 10.0
N_BLOCKS = 10
_Columns = tuple[NDArray[np.int64], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class ZeroSeen:
    """A stretch with bridged ports: mean with its standard uncertainty, noise of a reading, drift over it, Pa."""

    zero_pa: float
    u_pa: float
    noise_pa: float
    drift_pa: float
    u_drift_pa: float
    seconds: float


def zero_of(trace: Path, span_s: tuple[float, float] | None = None) -> ZeroSeen:
    """Return the zero in the last 20 s of a trace's last run, or in `span_s` (s since the trace's first sample).

    Raises
    ------
    TraceError
        The trace can't be read, or holds too little of valid pressure there.

    Notes
    -----
    The mean's uncertainty comes from means of tenths of the stretch about their straight line, so that slow noise
    counts; drift is that line's rise over the stretch.
    """
    from hoodtrace.wire.clock import Timeline
    from hoodtrace.wire.decoder import Decoder
    from hoodtrace.wire.lines import DP_INVALID
    from hoodtrace.wire.samples import Assembler
    from hoodtrace.wire.trace import blocks_of

    decoder, assembler = Decoder(), Assembler(None)
    runs: dict[int, list[_Columns]] = {}
    spans: dict[int, tuple[int, int]] = {}

    def take(parts: list[Samples]) -> None:
        for part in parts:
            per_pa = part.boot.positive("dp_counts_per_pa")
            if not len(part):
                continue
            first, _ = spans.get(part.boot.number, (int(part.t_us[0]), 0))
            spans[part.boot.number] = first, int(part.t_us[-1])
            if per_pa is not None:
                valid = (part.flags & DP_INVALID) == 0
                runs.setdefault(part.boot.number, []).append((part.t_us[valid], part.raw_dp[valid] / per_pa))

    for block in blocks_of(trace):
        take(assembler.feed(decoder.feed(block)))
    take(assembler.feed(decoder.finish()))
    take(assembler.finish())
    if not runs:
        raise TraceError(trace, "holds no valid pressure of a board. Is it a trace of a hood with a pressure chip?")
    time_s, dp_pa = np.empty(0), np.empty(0)
    line = Timeline(spans, assembler.clocks)
    for number, parts in runs.items():
        t_s = np.array([line.seconds(number, 0.0)]) + np.concatenate([t for t, _ in parts]) * 1e-6
        values = np.concatenate([dp for _, dp in parts])
        start, stop = (t_s[-1] - ZERO_S, t_s[-1]) if span_s is None else span_s
        here = (t_s >= start) & (t_s <= stop)
        if span_s is None or here.sum() > len(time_s):
            time_s, dp_pa = t_s[here], values[here]
    seconds = float(time_s[-1] - time_s[0]) if len(time_s) else 0.0
    if seconds < LEAST_ZERO_S or len(time_s) < 10 * N_BLOCKS:
        raise TraceError(trace, f"holds {seconds:.1f} s of valid pressure there; a zero needs {LEAST_ZERO_S:g} s.")
    edges = np.linspace(time_s[0], time_s[-1], N_BLOCKS + 1)[1:-1]
    blocks = np.array([part.mean() for part in np.split(dp_pa, np.searchsorted(time_s, edges))])
    x = (np.arange(N_BLOCKS) - (N_BLOCKS - 1) / 2.0) / N_BLOCKS
    drift = float((x * blocks).sum() / (x**2).sum())
    rest = blocks - blocks.mean() - drift * x
    scatter = math.sqrt(float((rest**2).sum()) / (N_BLOCKS - 2))
    return ZeroSeen(
        float(blocks.mean()),
        scatter / math.sqrt(N_BLOCKS),
        float(dp_pa.std(ddof=1)),
        drift,
        scatter / math.sqrt(float((x**2).sum())),
        seconds,
    )
