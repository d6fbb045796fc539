"""Tells the person on the ladder, through the board's buzzer, what became of the hold that was just lifted.

`done` where it gave a reading, `again` where it gave none. Nothing is said of holds too short to have been meant.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import groupby

from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.decoder import Decoded

PATIENCE_S = 60.0
MEANT_US = 6_000_000
"""What walking with the hood makes look like a hold is shorter than this (own simulations: up to 5 s)."""


class HoldCues:
    """Cues for the holds of `hood`; `say` sends a command to the board.

    Parameters
    ----------
    hood : Hood
    say : callable
        Such as `Recorder.say`.
    on_hold : callable
        Gets the plateaus of each hold that was meant, as soon as they are final.
    """

    def __init__(
        self, hood: Hood, say: Callable[[str], None], on_hold: Callable[[list[Outcome]], None] = lambda plateaus: None
    ) -> None:
        self._session = Session(hood, PATIENCE_S)
        self._say = say
        self._on_hold = on_hold

    def feed(self, decoded: Decoded) -> None:
        """Take the next block; say what became of each hold that is final by it, all its plateaus together."""
        for _, group in groupby(self._session.take(decoded), key=lambda outcome: (outcome.boot, outcome.hold)):
            plateaus = list(group)
            if any(plateau.averaged.refusal is None for plateau in plateaus):
                self._say("cue done")
            elif plateaus[0].hold_stop_us - plateaus[0].hold_start_us >= MEANT_US:
                self._say("cue again")
            else:
                continue
            self._on_hold(plateaus)
