"""One time axis for all traces of a visit: pieces in the order of the time of day, long voids between them shortened.

A piece is a stretch of one boot of one trace with no silence of over `LONGEST_VOID_S`. On the axis a time is `x`
seconds; inside a piece x = seconds of the trace + `shift_s`. Where no time of day is known, traces follow each other by
their names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LONGEST_VOID_S = 300.0
SHORTENED_S = 30.0
"""What a longer void takes on the axis (own choice)."""
UNKNOWN_S = 10.0
"""What a void takes whose length nobody knows."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples `start` to `stop` (half-open) of one boot, from `x0` to `x1`; `utc_s` is the time of day at `x0`."""

    trace: str
    boot: int
    start: int
    stop: int
    x0: float
    x1: float
    shift_s: float
    utc_s: float | None


@dataclass(frozen=True, slots=True)
class Break:
    """A void between two pieces that is not drawn as long as it was; `seconds` it really was (None: not known)."""

    x0: float
    x1: float
    seconds: float | None


@dataclass(frozen=True, slots=True)
class Axis:
    """Pieces and breaks in order; it begins at x = 0."""

    pieces: tuple[Piece, ...]
    breaks: tuple[Break, ...]

    @property
    def stop(self) -> float:
        """Where it ends."""
        return self.pieces[-1].x1 if self.pieces else 0.0

    def shift_s(self, trace: str, boot: int, t_s: float) -> float | None:
        """Return what is to be added to a time [s] of a trace; None where it has no sample of that boot."""
        mine = [piece for piece in self.pieces if (piece.trace, piece.boot) == (trace, boot)]
        if not mine:
            return None
        return min(mine, key=lambda p: max(p.x0 - p.shift_s - t_s, t_s - (p.x1 - p.shift_s), 0.0)).shift_s


@dataclass(frozen=True, slots=True)
class Timed:
    """What the axis needs of one boot: sample times [s of its trace], and the time of day at second 0 of the trace."""

    trace: str
    boot: int
    t_s: NDArray[np.float64]
    utc_s: float | None


def axis_of(boots: Sequence[Timed]) -> Axis:
    """Return the axis of some boots, those of one trace in their order.

    Examples
    --------
    >>> first = Timed("01", 1, np.array([0.0, 10.0]), 1000.0)
    >>> later = Timed("02", 1, np.array([0.0, 5.0]), 8000.0)
    >>> axis = axis_of([later, first])
    >>> [(piece.trace, piece.x0, piece.x1) for piece in axis.pieces], axis.breaks[0].seconds
    ([('01', 0.0, 10.0), ('02', 40.0, 45.0)], 6990.0)
    """
    begins: Mapping[str, float] = _begins(boots)
    pieces: list[Piece] = []
    breaks: list[Break] = []
    for boot in sorted(boots, key=lambda b: (begins.get(b.trace, 0.0), b.trace, b.boot)):
        edges = np.flatnonzero(np.diff(boot.t_s) > LONGEST_VOID_S) + 1
        for start, stop in zip([0, *edges.tolist()], [*edges.tolist(), len(boot.t_s)], strict=True):
            if stop <= start:
                continue
            first_s, last_s = float(boot.t_s[start]), float(boot.t_s[stop - 1])
            utc_s = None if boot.utc_s is None else boot.utc_s + first_s
            x0 = 0.0
            if pieces:
                x0, seconds = _after(pieces[-1], boot.trace, first_s, utc_s)
                if seconds is None or seconds > LONGEST_VOID_S:
                    breaks.append(Break(pieces[-1].x1, x0, seconds))
            piece = Piece(boot.trace, boot.boot, start, stop, x0, x0 + last_s - first_s, x0 - first_s, utc_s)
            pieces.append(piece)
    return Axis(tuple(pieces), tuple(breaks))


def _begins(boots: Sequence[Timed]) -> dict[str, float]:
    """Return where each trace stands in time; one without a time of day right behind the one before it by name."""
    known: dict[str, float] = {}
    for boot in boots:
        if boot.utc_s is not None and len(boot.t_s):
            known.setdefault(boot.trace, boot.utc_s + float(boot.t_s[0]))
    last = min(known.values(), default=0.0)
    begins = {}
    for trace in sorted({boot.trace for boot in boots}):
        last = begins[trace] = known.get(trace, last)
    return begins


def _after(before: Piece, trace: str, first_s: float, utc_s: float | None) -> tuple[float, float | None]:
    """Return where a piece begins behind another, and how long the void between them was [s]."""
    seconds: float | None = None
    if before.utc_s is not None and utc_s is not None:
        seconds = utc_s - (before.utc_s + before.x1 - before.x0)
    elif before.trace == trace:
        seconds = first_s - (before.x1 - before.shift_s)
    if seconds is None:
        return before.x1 + UNKNOWN_S, None
    seconds = max(seconds, 0.0)
    return before.x1 + (seconds if seconds <= LONGEST_VOID_S else SHORTENED_S), seconds
