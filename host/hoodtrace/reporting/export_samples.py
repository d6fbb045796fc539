"""Samples as export writes them: every sample of a trace, or those of a stretch, a chunk at a time.

The board's own columns come from the trace as it is kept, the flows of both channels from the strips that review draws,
and what a sample is used for from the windows as they stand.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.averaging.strips import Strip
from hoodtrace.dwelling.window import Window
from hoodtrace.errors import TraceError
from hoodtrace.reporting.export_columns import SAMPLES, schema
from hoodtrace.wire.lines import (
    BUTTON_DOWN,
    DP_INVALID,
    FROM_LOG,
    GRID_SLIP,
    INTERRUPTS_WERE_OFF,
    SUPPLY_LOW,
    TEMP_INVALID,
)

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

CHUNK = 1 << 17
FLAG_WORDS = {
    DP_INVALID: "dp not valid",
    TEMP_INVALID: "temperature not valid",
    BUTTON_DOWN: "button down",
    GRID_SLIP: "late",
    INTERRUPTS_WERE_OFF: "interrupts were off before",
    FROM_LOG: "from the log",
    SUPPLY_LOW: "supply voltage low",
}
USED, CUT_OUT = "used", "cut out"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a trace, us since the boot of its board's run, half-open; None: all of it."""

    boot: int
    start_us: int
    stop_us: int


def sample_tables(kept: KeptTrace, windows: Sequence[Window], span: Span | None = None) -> Iterator[pa.Table]:
    """Yield the samples of a trace in order, `CHUNK` at a time.

    Parameters
    ----------
    kept : KeptTrace
        The trace as review keeps it.
    windows : sequence of Window
        Those that stand in it.
    span : Span or None
        Only these samples.
    """
    # One that a person rejected may lie under another: then that one's use is said.
    windows = sorted(windows, key=lambda w: (not w.rejected, w.start_us))
    for number in kept.boots if span is None else [span.boot]:
        run = kept.runs[number]
        ends = (0, len(run.t_us)) if span is None else np.searchsorted(run.t_us, [span.start_us, span.stop_us]).tolist()
        # A hello in the middle may change what the counts mean.
        firsts = [first for first, _ in run.boots if ends[0] < first < ends[1]]
        starts = sorted({*range(ends[0], ends[1], CHUNK), *firsts, ends[1]})
        for start, stop in pairwise(starts):
            yield _table(kept, number, slice(start, stop), windows)


def _table(kept: KeptTrace, number: int, part: slice, windows: Sequence[Window]) -> pa.Table:
    """Return some samples of boot `number`, all under one hello, as a table."""
    import pyarrow as pa

    run = kept.runs[number]
    boot = [boot for first, boot in run.boots if first <= part.start][-1]
    t_us, flags = run.t_us[part], run.flags[part]
    t_s = np.multiply(t_us, 1e-6, dtype=np.float64)
    t_s += kept.timeline.seconds(number, 0)
    strip, at = _flows(kept, number, t_s)
    window, use = _uses(windows, number, t_us)
    columns = [
        _words(np.zeros(len(t_us), np.int32), [kept.name]),
        pa.array(np.full(len(t_us), number, np.int64)),
        _utc(kept.first_utc_s.get(number), t_us),
        pa.array(np.round(t_s, 6)),
        pa.array(run.edges[part].astype(np.int64)),
        pa.array(run.age_us[part].astype(np.int64)),
        _scaled(run.raw_dp[part], boot.positive("dp_counts_per_pa"), (flags & DP_INVALID) != 0),
        _scaled(run.raw_temp[part], boot.positive("dp_temp_counts_per_k"), (flags & TEMP_INVALID) != 0),
        _words(np.where(flags == 0, np.int32(-1), flags.astype(np.int32)), _flag_words()),
        pa.array(strip.vane_m3h[at], from_pandas=True),
        pa.array(strip.taps_m3h[at], from_pandas=True),
        _words(window, [each.id for each in windows]),
        _words(use, [USED, CUT_OUT]),
    ]
    return pa.Table.from_arrays(columns, names=schema(SAMPLES).names)


def _flows(kept: KeptTrace, number: int, t_s: NDArray[np.float64]) -> tuple[Strip, NDArray[np.int64]]:
    """Return the strip of a boot, and which points of it are the samples at `t_s`."""
    strip = next(strip for strip in kept.strips if strip.boot == number)
    # A strip has points of its own in holes; of two samples with one time the first stands for both.
    at = np.searchsorted(strip.t_s, t_s)
    if not np.array_equal(strip.t_s[np.minimum(at, len(strip.t_s) - 1)], t_s):
        raise TraceError(kept.path, "its samples are not those that were drawn. Begin again.")
    return strip, at


def _uses(windows: Sequence[Window], boot: int, t_us: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return which window each sample is in and what it is used for there, as indices, -1 for none."""
    window, use = np.full(len(t_us), -1, np.int32), np.full(len(t_us), -1, np.int32)
    for index, each in enumerate(windows):
        if each.boot != boot:
            continue
        a, b = np.searchsorted(t_us, [each.start_us, each.stop_us])
        window[a:b], use[a:b] = index, 0
        for cut in each.cuts:
            c, d = np.searchsorted(t_us, [max(cut.start_us, each.start_us), min(cut.stop_us, each.stop_us)])
            use[c:d] = 1
    return window, use


def _words(indices: NDArray[np.int32], words: Sequence[str]) -> pa.DictionaryArray:
    """Return texts by index; -1 is none."""
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(pa.array(indices, mask=indices < 0), pa.array(list(words), pa.string()))


def _flag_words() -> list[str]:
    """Return what each of the 256 sets of flags says."""
    return ["; ".join(word for bit, word in FLAG_WORDS.items() if flags & bit) for flags in range(256)]


def _scaled(raw: NDArray[np.int16], counts_per_unit: float | None, invalid: NDArray[np.bool_]) -> pa.Array:
    """Return counts in their unit; none where they are not valid, or the board did not say what they mean."""
    import pyarrow as pa

    if counts_per_unit is None:
        return pa.nulls(len(raw), pa.float32())
    return pa.array((raw / counts_per_unit).astype(np.float32), mask=invalid)


def _utc(utc_s: float | None, t_us: NDArray[np.int64]) -> pa.Array:
    """Return the time of day of each sample; none where the trace does not know it."""
    import pyarrow as pa

    kind = pa.timestamp("us", tz="UTC")
    return pa.nulls(len(t_us), kind) if utc_s is None else pa.array(t_us + round(utc_s * 1e6)).cast(kind)
