"""What a board's `fault` messages mean, in words for the person who records, each told once until it changes.

A board says its standing faults again to whoever begins to listen; `FaultWords` knows what it told already.
"""

from __future__ import annotations

from typing import Any

from hoodtrace.board.identity import LOG_ERROR, LOG_FULL
from hoodtrace.wire.decoder import Decoded

MOST_KNOWN = 100
"""Different faults that are remembered; no board of ours has as many."""

_SCREEN = "`hoodtrace board` tells more once this recording has ended"
WORDS: dict[tuple[str, str], tuple[str, str]] = {
    ("log", "full"): LOG_FULL,
    ("log", "error"): LOG_ERROR,
    ("dp", "lost"): ("the pressure chip does not answer: no flow from the taps, no direction", "check its four wires"),
    ("air", "lost"): ("the air sensor does not answer: density is then an assumption", "check its four wires"),
    ("supply", "low"): ("the supply voltage is low; the board writes no log", "charge or change the battery"),
    ("settings", "refused"): ("the board did not take all settings; defaults count in their place", _SCREEN),
    ("crash", "noted"): ("the firmware ended by an error before and started again", _SCREEN),
    ("vane", "counting had stopped"): (
        "counting of the vane had stopped and was started again: flows of this moment are too low",
        "hold this terminal again; if it comes again, restart the board",
    ),
}
"""What and what to do, by sensor and state."""
OVER = {
    ("log", "well again"): "the log on the board's flash is well again",
    ("dp", "found"): "the pressure chip answers",
    ("air", "found"): "the air sensor answers",
    ("supply", "well again"): "the supply voltage is high enough again",
}


class FaultWords:
    """Turns what the recorder decodes into lines for people.

    Examples
    --------
    >>> FaultWords().of({"kind": "fault", "sensor": "supply", "state": "low"})
    'FAULT: the supply voltage is low; the board writes no log; charge or change the battery'
    """

    def __init__(self) -> None:
        self._boot = ""
        self._told: dict[str, tuple[int, str]] = {}

    def feed(self, decoded: Decoded) -> list[str]:
        """Take the next block; return what to tell now."""
        told = [self.of(message.body, message.t_us) for message in decoded.messages if message.kind == "J"]
        return [words for words in told if words]

    def of(self, body: dict[str, Any], t_us: int = 0) -> str:
        """Return what to tell of one message of the board; empty for nothing, and for what was told already.

        `t_us` is the TIME of its line [us].
        """
        if body.get("kind") == "hello" and str(body.get("boot", "")) != self._boot:
            self._boot = str(body.get("boot", ""))
            self._told.clear()
        sensor, state = body.get("sensor"), body.get("state")
        if body.get("kind") != "fault" or not isinstance(sensor, str) or not isinstance(state, str):
            return ""
        told_us, told = self._told.get(sensor, (0, ""))
        if state == told or t_us < told_us or (not told and len(self._told) >= MOST_KNOWN):
            return ""  # among others: what was said before and is sent again later
        self._told[sensor] = (t_us, state)
        if (sensor, state) in OVER:
            return OVER[sensor, state]
        what, do = WORDS.get((sensor, state), (f"the board says of {sensor}: {state}", _SCREEN))
        return f"FAULT: {what}; {do}"
