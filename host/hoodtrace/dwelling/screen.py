"""What a page may show at a moment, as plain records: keys of sentences with their values, numbers, rows.

Pages draw this and nothing else; words come from the texts by `Say.key`, so that every language shows the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Value = str | float | int
Mode = Literal["question", "terminal", "turn", "leaving", "finished", "stopped"]


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence: the key of its text and what goes into it. Flows are in m3/h, times in s, parts of 1 as `rel`."""

    key: str
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Question:
    """Something that a person has to answer: `kind` says how.

    `choice` has `options` (keys; the answer is one of them), `number` a number in `unit` between `least` and `most`,
    `text` a line, `valve` a position (gap, turns or mark) with one of `options`, `confirm` is only read.
    `may_skip`: may be left open, which is kept as an answer.
    """

    id: str
    kind: Literal["choice", "number", "text", "valve", "confirm"]
    options: tuple[str, ...] = ()
    unit: str = ""
    least: float = 0.0
    most: float = 0.0
    may_skip: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One terminal in the list: `state` is "open", "now", "read", "skipped" or "left out"; flows in m3/h.

    `flags` are doubts that the number alone would hide, as `readings` names them.
    """

    id: str
    room: str
    direction: str
    design_m3h: float | None
    state: str
    flow_m3h: float | None = None
    expanded_m3h: float | None = None
    n_placements: int = 0
    by: str = ""
    why: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Live:
    """What the hood sees now.

    `state`: "by hand" (no board is wanted), "no board", "free", "carried", "seated", "settling", "turning", "gust",
    "steady", "done", "lifted" (its reading is being worked out), "again".
    `terminal` is the one that the hold belongs to.
    `flow_m3h` is the hold's mean so far with `expanded_m3h` (95 %, all parts) once there is one, else the flow of the
    last second with None; `random_m3h` the part that holding on makes smaller, `common_m3h` the hood's own.
    `share` 0 to 1 of the hold's time that is over, by the time it needs as expected now.
    """

    state: str = "no board"
    terminal: str = ""
    flow_m3h: float | None = None
    expanded_m3h: float | None = None
    random_m3h: float | None = None
    common_m3h: float | None = None
    direction: str = "unknown"
    share: float | None = None
    left_s: float | None = None
    now_m3h: float | None = None
    turn: str = ""
    rate_hz: float = 0.0
    n_lost: int = 0
    n_missing: int = 0
    supply_low: bool = False
    trouble: str = ""
    t_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Screen:
    """All of it. `version` counts decisions: a new decision names the version that its maker saw."""

    version: int
    mode: Mode
    sentence: Say
    live: Live
    cautions: tuple[Say, ...] = ()
    question: Question | None = None
    terminal: Row | None = None
    following: Row | None = None
    rows: tuple[Row, ...] = ()
    setting: str = ""
    target_m3h: tuple[float, float, float] | None = None
    last: Say | None = None
    cues: tuple[tuple[int, str], ...] = ()
    n_done: int = 0
    n_all: int = 0
