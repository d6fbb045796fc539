"""What all steps of the guided self-test share: pure logic that is fed with decoded lines.

A step knows no clock and prints nothing: its time is the board's own. Whoever runs it keeps the board streaming, feeds
`Step.feed` with everything that comes, sends the commands that `Step.commands` gives, and stops when `Step.outcome`
stands. The steps themselves are in `self_test_steps`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.lines import DP_INVALID, EDGES_MODULUS

Verdict = Literal["as expected", "not as expected", "not tested"]
Number = float | int | None

_COLUMNS = ("t_us", "edges", "age_us", "raw_dp", "raw_temp", "flags")


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a step ended: what was seen, what that usually means (empty where as expected), and the figures."""

    name: str
    verdict: Verdict
    seen: str
    means: str = ""
    values: Mapping[str, Number] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Known:
    """What the steps must know of the board.

    `dp` and `air` are "found", "absent" or "off", None where the firmware can't tell; so are the other Nones.
    `cues` gives each cue's meaning by name.
    """

    boot: str
    rate_hz: float
    dp_counts_per_pa: float | None
    temp_counts_per_k: float | None
    dp: str | None = None
    air: str | None = None
    edges_per_rev: int | None = None
    filter_us: int | None = None
    cues: Mapping[str, str] = field(default_factory=dict)


class Step:
    """One step; subclasses say what to do, what they expect, and `judge` what came.

    Attributes
    ----------
    outcome : Outcome or None
        None while the step goes on.
    seen : str
        What it sees now, for a live line.
    asked_seq : int
        SEQ of the command that was sent last for it; whoever sends it sets this.
    """

    name: ClassVar[str]
    do: ClassVar[str]
    expects: ClassVar[str]
    limit_s: float = 10.0

    def __init__(self, known: Known) -> None:
        self.known = known
        self.outcome: Outcome | None = None
        self.seen = "waiting for the board's lines"
        self.rows: NDArray[np.int64] = np.empty((0, len(_COLUMNS)), np.int64)
        self.messages: list[dict[str, Any]] = []
        self.seqs: list[int] = []
        self.asked_seq = -1
        self._message_seqs: set[int] = set()
        why = self.untestable()
        if why:
            self.outcome = Outcome(self.name, "not tested", "", why)

    def untestable(self) -> str:
        """Return why this step can't be tested on this board; empty where it can."""
        return ""

    def commands(self) -> list[str]:
        """Return the commands to send now, each once."""
        return []

    def feed(self, decoded: Decoded) -> None:
        """Take what came; lines sent again are left out, samples by their time and messages by their SEQ."""
        if self.outcome is not None:
            return
        for message in decoded.messages:
            if message.kind != "J":
                continue
            if message.body.get("kind") == "hello" and str(message.body.get("boot", "")) != self.known.boot:
                self._bad("the board restarted", "the supply fails under load, or a wire to it is loose")
                return
            if message.seq not in self._message_seqs:
                self._message_seqs.add(message.seq)
                self.seqs.append(message.seq)
                self.messages.append(message.body)
        rows = np.column_stack([getattr(decoded.samples, name) for name in _COLUMNS])
        newest_us = self.column("t_us")[-1] if len(self.rows) else -1
        self.rows = np.concatenate([self.rows, rows[rows[:, 0] > newest_us]])
        self.seqs += decoded.samples.seq.tolist()
        if len(self.rows):
            self.judge(self.elapsed_s >= self.limit_s)

    def stop(self, why: str) -> Outcome:
        """End the step before it is through; return its outcome."""
        if self.outcome is None:
            self.outcome = Outcome(self.name, "not tested", self.seen, why)
        return self.outcome

    def judge(self, over: bool) -> None:
        """Look at what came so far; where `over`, an outcome must be given."""
        raise NotImplementedError

    def column(self, name: str) -> NDArray[np.int64]:
        """Return one column of the step's samples, by the name that it has in `SampleColumns`."""
        return self.rows[:, _COLUMNS.index(name)]

    @property
    def elapsed_s(self) -> float:
        """Board time since the step's first sample."""
        t_us = self.column("t_us")
        return float(t_us[-1] - t_us[0]) / 1e6

    @property
    def n_edges(self) -> NDArray[np.int64]:
        """Edges since the step's first sample, one value a sample."""
        return np.concatenate([[0], np.cumsum(np.diff(self.column("edges")) % EDGES_MODULUS)])

    @property
    def still_s(self) -> float:
        """Seconds since the last edge, at most those since the step began."""
        changed = np.flatnonzero(np.diff(self.column("edges")))
        since = int(changed[-1]) + 1 if len(changed) else 0
        t_us = self.column("t_us")
        return float(t_us[-1] - t_us[since]) / 1e6

    def dp_pa(self, since_us: int = 0) -> tuple[NDArray[np.float64], float]:
        """Return the valid pressures [Pa] from `since_us` on, and the share of samples that were not valid."""
        wanted = self.column("t_us") >= since_us
        valid = wanted & ((self.column("flags") & DP_INVALID) == 0)
        counts_per_pa = self.known.dp_counts_per_pa or np.nan
        return self.column("raw_dp")[valid] / counts_per_pa, 1.0 - valid.sum() / max(1, int(wanted.sum()))

    def _good(self, seen: str, **values: Number) -> None:
        self.outcome = Outcome(self.name, "as expected", seen, "", values)

    def _bad(self, seen: str, means: str, **values: Number) -> None:
        self.outcome = Outcome(self.name, "not as expected", seen, means, values)


def missing_sensor(state: str | None, name: str, choice: str) -> str:
    """Return why a sensor can't be tested, empty where it can; `choice` is the setting that switches it on."""
    if state == "absent":
        return f"the {name} does not answer: check its wires, then unplug the board and plug it in again"
    if state == "off":
        return f"the {name} is switched off; `hoodtrace board --set {choice}` switches it on"
    return ""
