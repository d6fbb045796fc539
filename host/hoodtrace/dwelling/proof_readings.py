"""Readings of a journal against a fresh analysis of their trace: what the trace gives today, number by number.

A reading that the visit gave is looked for by hold and plateau, a window of the review is averaged again over its
stretch. Numbers that the journal keeps rounded must be the same to the last digit; those that it keeps whole (the
budget's terms) may differ by `OTHER_MACHINE_REL`, since another processor adds up in another order. Where lines of the
trace came late, or air was measured later, what was read live may differ from what the whole file gives: the file is
then read once more the way the live program read it, and that is compared.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.averaging.table import reading_row
from hoodtrace.dwelling.found_windows import reading_of
from hoodtrace.dwelling.reckoned import BEYOND, CHOSEN
from hoodtrace.dwelling.window import OTHER_WAY, Window, reading_fields
from hoodtrace.errors import HoodtraceError
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.trace import blocks_of

LIVE_PATIENCE_S = 60.0
"""How long the live program waits for lines that are missing (as in `board.hold_cues`)."""
MEANT_US = 6_000_000
"""A hold that was called enough and its reading's hold begin so near to each other (as in `board.hold_cues`)."""
OTHER_MACHINE_REL, OTHER_MACHINE_M3H = 1e-9, 1e-12
LAST_DIGIT = 1.01e-6
"""What the journal rounds a reading's numbers to, in their unit, and a little for what binary fractions leave."""
LIVE_BYTES = 3000
"""The live program looks at about a second of lines at a time."""
N_SHOWN, LONGEST_SHOWN = 6, 60
Differs = tuple[str, str, str]
"""What differs, what the journal says, what comes of the trace; all three empty where nothing differs."""
NOTHING: Differs = ("", "", "")
NEEDED = (
    "start_s", "end_s", "used_s", "direction", "flow_m3h", "u_flow_m3h", "dof", "expanded_m3h", "terms", "flags",
)  # fmt: skip
NEEDED_REFUSED = ("start_s", "end_s", "direction", "why", "estimate_m3h", "flags")
_HOLD = ("trace", "terminal", "setting", "stage", "ended")
_ASIDE = (OTHER_WAY, CHOSEN, BEYOND)
_Fields = Mapping[str, Any]
_TROUBLE = (HoodtraceError, TypeError, ValueError, LookupError, ArithmeticError, AttributeError)


class ReadAgain:
    """The readings of one trace as they come of it today.

    Parameters
    ----------
    kept : KeptTrace
        The trace, read anew.
    rounding : float
        Differences up to this are none: `LAST_DIGIT` where another version of the program read it, else 0.
    """

    def __init__(self, kept: KeptTrace, rounding: float) -> None:
        self._kept, self._rounding = kept, rounding
        self._live: list[tuple[Outcome, _Fields]] | None = None

    def of_visit(self, said: _Fields, held: _Fields | None) -> Differs:
        """Return how a reading of the journal differs from the trace; `held` is the line of the hold that gave it."""
        try:
            place = said.get("hold"), said.get("plateau")
            outcome = next((o for o in self._kept.outcomes if (o.hold, o.plateau) == place), None)
            differs = self._of_outcome(said, outcome)
            if differs != NOTHING:
                live = [(o, row) for o, row in self._as_live() if (o.hold, o.plateau) == place]
                if not live or _differing(said, live[0][1], NEEDED, self._rounding) != NOTHING:
                    return differs
                outcome = live[0][0]
            return NOTHING if held is None or outcome is None else _of_hold(said, held, outcome)
        except _TROUBLE as error:
            return f"can't be compared ({error})", _place(said), ""

    def of_review(self, window: Window) -> Differs:
        """Return how a window, as a person left it, differs from the trace."""
        if not window.boot:
            return self.of_visit(window.reading, None)  # of a trace that could not be read then: the visit's reading
        try:
            said = {**window.reading, "flags": [flag for flag in window.reading["flags"] if flag not in _ASIDE]}
            again = reading_of(self._kept, self._kept.reading(window.place))
            return _differing(said, again, NEEDED if "flow_m3h" in again else NEEDED_REFUSED, self._rounding)
        except _TROUBLE as error:
            return f"can't be averaged again ({error})", window.id, ""

    def _of_outcome(self, said: _Fields, outcome: Outcome | None) -> Differs:
        if outcome is None:
            return ("the trace has no such hold and plateau", _place(said), "none")
        if outcome.averaged.refusal is not None:
            said_m3h = f"{_shown(said.get('flow_m3h'))} m3/h"
            return "the trace gives no reading there", said_m3h, f"refused: {outcome.averaged.refusal}"
        row = reading_row(outcome, self._kept.timeline)
        return _differing(said, reading_fields(row, outcome, self._kept.hood), NEEDED, self._rounding)

    def _as_live(self) -> list[tuple[Outcome, _Fields]]:
        """Return what the live program made of the same bytes, at the moment when each hold became final."""
        if self._live is None:
            hood, self._live = self._kept.hood, []
            session = Session(hood, LIVE_PATIENCE_S)
            for block in _small_blocks(self._kept.path):
                for o in session.feed(block):
                    if o.averaged.refusal is None:
                        row = reading_row(o, Timeline(session.spans, session.assembler.clocks))
                        self._live.append((o, reading_fields(row, o, hood)))
        return self._live


def _differing(said: _Fields, again: _Fields, needed: Sequence[str], rounding: float) -> Differs:
    """Return how a reading as the journal has it differs from the same one made again."""
    looked = [name for name in again if name in said or name in needed]
    off = [name for name in looked if not _same(said.get(name), again[name], rounding, name == "terms")]
    if not off:
        return NOTHING
    more = f" and {len(off) - N_SHOWN} more" if len(off) > N_SHOWN else ""
    shown = off[:N_SHOWN]
    return f"the trace gives another {', '.join(shown)}{more}", _listed(said, shown), _listed(again, shown)


def _same(said: object, again: object, rounding: float, is_whole: bool) -> bool:
    """Whether two values are the same; `is_whole`: numbers in them are kept without rounding."""
    if isinstance(again, int | float) and not isinstance(again, bool):
        if not isinstance(said, int | float) or isinstance(said, bool):
            return False
        allowed = max(rounding, OTHER_MACHINE_REL * abs(again) + OTHER_MACHINE_M3H if is_whole else 0.0)
        return said == again or abs(said - again) <= allowed
    if isinstance(again, list | tuple):
        pairs = list(zip(said, again, strict=False)) if isinstance(said, list | tuple) else []
        same_length = isinstance(said, list | tuple) and len(said) == len(again)
        return same_length and all(_same(one, other, rounding, is_whole) for one, other in pairs)
    if isinstance(again, Mapping):
        same_keys = isinstance(said, Mapping) and said.keys() == again.keys()
        return same_keys and all(_same(said[key], again[key], rounding, is_whole) for key in again)  # type: ignore[index]
    return type(said) is type(again) and said == again


def _of_hold(said: _Fields, held: _Fields, outcome: Outcome) -> Differs:
    """Return how a reading differs from the hold that it was given from, which the journal has before it."""
    off = [name for name in _HOLD if said.get(name) != held.get(name)]
    if off:
        return f"is not as its hold was called: {', '.join(off)}", _listed(held, off), _listed(said, off)
    if outcome.boot == held["boot"] and abs(outcome.hold_start_us - held["start_us"]) < MEANT_US:
        return NOTHING
    called = f"boot {held['boot']}, {held['start_us']} us"
    return "is of another hold than was called enough", called, f"boot {outcome.boot}, {outcome.hold_start_us} us"


def _listed(fields: _Fields, names: Sequence[str]) -> str:
    return ", ".join(f"{name} {_shown(fields.get(name))}" for name in names)


def _place(said: _Fields) -> str:
    return f"hold {_shown(said.get('hold'))}, plateau {_shown(said.get('plateau'))}"


def _shown(value: object) -> str:
    text = "none" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"


def _small_blocks(path: Path) -> Iterator[bytes]:
    for block in blocks_of(path):
        for start in range(0, len(block), LIVE_BYTES):
            yield block[start : start + LIVE_BYTES]
