"""Which lines of the running boot never came, and which of them to ask for next.

Pure bookkeeping in SEQ numbers: no link, no clock (the caller gives the time). `take` is told what came, `due` says
which range to ask for: one request at a time, the oldest hole first and whole, however long (the board names what it
no longer holds). A range is given up, and counted as lost, when the board refuses it, after a number of requests
without a single line of it, and when a new boot begins. The number of holes kept open bounds the memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hoodtrace.wire.lines import SEQ_MODULUS

ANSWER_S = 1.0
"""A request that brought no line for this long is made again."""
REFUSED_S = 0.25
TRIES = 4
MAX_HOLES = 1000
_NAMED = re.compile(r"([0-9a-f]{7})\.\.([0-9a-f]{7})\b")


@dataclass(slots=True)
class _Request:
    """The half-open range asked for last, when it last brought a line, and how often it was asked for in vain."""

    first: int
    stop: int
    at_s: float
    tries: int
    command: int | None = None


class Missing:
    """Holes in the SEQ numbers of one boot after the other.

    Attributes
    ----------
    n_lost : int
        SEQ numbers that were given up, over all boots.

    Examples
    --------
    >>> missing = Missing()
    >>> missing.take(np.array([5, 6, 9]), 0.0).tolist(), missing.n_missing
    ([True, True, True], 2)
    >>> missing.due(0.0)
    (7, 8)
    >>> missing.take(np.array([7, 8, 9]), 0.1).tolist(), missing.n_missing
    ([True, True, False], 0)
    """

    def __init__(self) -> None:
        self.n_lost = 0
        self._high: int | None = None
        self._holes: list[tuple[int, int]] = []
        self._request: _Request | None = None

    @property
    def n_missing(self) -> int:
        """SEQ numbers that may still come."""
        return sum(stop - first for first, stop in self._holes)

    def new_boot(self, wanted_from: int | None = None) -> None:
        """Begin again: what is missing of the last boot is lost; `wanted_from` makes all from there on wanted."""
        self.n_lost += self.n_missing
        self._high = None if wanted_from is None else wanted_from - 1
        self._holes, self._request = [], None

    def take(self, seq: NDArray[np.int64], now_s: float) -> NDArray[np.bool_]:
        """Note the lines that came, in any order; return for each whether it was new (not a repeated one)."""
        if not len(seq):
            return np.zeros(0, bool)
        near = int(seq[0]) if self._high is None else self._high
        half = SEQ_MODULUS // 2
        came, index = np.unique((seq - near + half) % SEQ_MODULUS - half + near, return_index=True)
        high = int(came[0]) - 1 if self._high is None else self._high
        new = came > high
        forward = np.concatenate([[high], came[new]])
        for i in np.flatnonzero(np.diff(forward) > 1).tolist():
            self._holes.append((int(forward[i]) + 1, int(forward[i + 1])))
        self._high = int(forward[-1])
        if len(self._holes) > MAX_HOLES:
            self._give_up(self._holes[0][0], self._holes[-MAX_HOLES][0])
        for i in np.flatnonzero(~new).tolist():
            new[i] = self._fill(int(came[i]))
            if new[i] and self._request is not None:
                self._request.at_s, self._request.tries = now_s, 1
        is_new = np.zeros(len(seq), bool)
        is_new[index] = new
        return is_new

    def due(self, now_s: float) -> tuple[int, int] | None:
        """Return FIRST and LAST (both wanted, modulo 2**28) of the range to ask for now, None for nothing."""
        request = self._request
        if request is not None:
            left = [hole for hole in self._holes if hole[0] < request.stop and hole[1] > request.first]
            if left and now_s - request.at_s < ANSWER_S:
                return None
            if left and request.tries >= TRIES:
                self._give_up(request.first, request.stop)
            elif left:
                request.first, request.stop = max(request.first, left[0][0]), min(request.stop, left[-1][1])
                request.at_s, request.tries = now_s, request.tries + 1
                return request.first % SEQ_MODULUS, (request.stop - 1) % SEQ_MODULUS
            self._request = None
        if not self._holes:
            return None
        first, stop = self._holes[0]
        self._request = _Request(first, stop, now_s, 1)
        return first % SEQ_MODULUS, (stop - 1) % SEQ_MODULUS

    def asked(self, command: int) -> None:
        """Note the SEQ of the command that asked for what `due` returned."""
        if self._request is not None:
            self._request.command = command

    def refused(self, command: int, why: str, now_s: float) -> None:
        """Note that the board does not send (all of) what `command` asked for.

        A range named at the beginning of `why` (``FIRST..LAST not held``) is lost; without one the whole request is
        made again soon, as often as one that brings nothing.
        """
        request = self._request
        if request is None or request.command != command:
            return
        named = _NAMED.match(why)
        if named is None:
            request.at_s = now_s - ANSWER_S + REFUSED_S
            return
        first, last = (int(text, 16) for text in named.groups())
        first = request.first + (first - request.first + SEQ_MODULUS // 2) % SEQ_MODULUS - SEQ_MODULUS // 2
        n = (last - first) % SEQ_MODULUS + 1
        self._give_up(max(first, request.first), min(first + n, request.stop))

    def link_lost(self) -> None:
        """Forget the request in flight; its range is asked for again."""
        self._request = None

    def _fill(self, seq: int) -> bool:
        for i, (first, stop) in enumerate(self._holes):
            if first <= seq < stop:
                self._holes[i : i + 1] = [part for part in ((first, seq), (seq + 1, stop)) if part[0] < part[1]]
                return True
        return False

    def _give_up(self, first: int, stop: int) -> None:
        kept = []
        for hole in self._holes:
            for part in ((hole[0], min(hole[1], first)), (max(hole[0], stop), hole[1])):
                if part[0] < part[1]:
                    kept.append(part)
        before = self.n_missing
        self._holes = kept
        self.n_lost += before - self.n_missing
