"""Tells the person on the ladder, through the board's buzzer, what became of the hold that was just lifted.

`done` where it gave a reading, `again` where it was refused. Nothing is said of stretches too short to have been meant.
"""

from __future__ import annotations

from collections.abc import Callable

from hoodtrace.averaging.session import Session
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.decoder import Decoded

PATIENCE_S = 60.0
MEANT_US = 5_000_000
"""A refused stretch shorter than this was a bump or a turn while walking (common practice, no source)."""


class HoldCues:
    """Cues for the holds of `hood`; `say` sends a command to the board.

    Parameters
    ----------
    hood : Hood
    say : callable
        Such as `Recorder.say`.
    """

    def __init__(self, hood: Hood, say: Callable[[str], None]) -> None:
        self._session = Session(hood, PATIENCE_S)
        self._say = say

    def feed(self, decoded: Decoded) -> None:
        """Take the next block; say what has become final in it."""
        for outcome in self._session.take(decoded):
            if outcome.averaged.refusal is None:
                self._say("cue done")
            elif outcome.stop_us - outcome.start_us >= MEANT_US:
                self._say("cue again")
