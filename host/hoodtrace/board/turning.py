"""Guides the turning of a valve by what the hood reads this second: far, near, there, past.

Own choices, no source: near begins at 15 % from the target; a cue comes every 1.5 s of the board's time while far, each
second while near; past is told once the flow has gone through the limits to the other side of where it began.
"""

from __future__ import annotations

from hoodtrace.dwelling.state import Target

NEAR_REL, STAYS_REL = 0.15, 0.4
FAR_US, NEAR_US = 1_500_000, 1_000_000
STANDS_US = 500_000
"""The flow is there once it has been within the limits for so long."""


class Turning:
    """One turn of one valve.

    Examples
    --------
    >>> turning, target = Turning(), Target("S1", 30.0, 28.5, 31.5)
    >>> turning.begin(target)
    >>> flows = (40.0, 33.0, 30.2, 30.1, 27.0)
    >>> for i, flow in enumerate(flows, 1):
    ...     turning.look(target, flow, 2_000_000 * i)
    ('far less', 'turn-less')
    ('near less', 'turn-less')
    ('near less', '')
    ('there', 'steady')
    ('past more', 'turn-more')
    """

    def __init__(self) -> None:
        self.begin(None)

    def begin(self, target: Target | None) -> None:
        """Forget what was before: the hood was pressed on anew."""
        self._target = target
        self._side = 0
        self._told_us = -FAR_US
        self._was = ""
        self._inside_us: int | None = None

    def look(self, target: Target, now_m3h: float, t_us: int) -> tuple[str, str]:
        """Return the word for the page and the cue to play now (empty: none).

        Parameters
        ----------
        target : Target
        now_m3h : float
            The flow of the last second [m3/h].
        t_us : int
            The board's time [us].
        """
        if target != self._target:
            self.begin(target)
        if target.low_m3h <= now_m3h <= target.high_m3h:
            self._inside_us = t_us if self._inside_us is None else self._inside_us
            if t_us - self._inside_us < STANDS_US:
                return self._was, ""  # the flow may only be passing through
            first, self._was = self._was != "there", "there"
            return "there", "steady" if first else ""
        self._inside_us = None
        side = 1 if now_m3h > target.high_m3h else -1
        self._side = self._side or side
        way = "less" if side > 0 else "more"
        # What was near stays near a little further out, so that unrest of the air does not flip the word.
        edge = NEAR_REL * (1.0 + STAYS_REL * self._was.startswith(("near", "there")))
        near = abs(now_m3h - target.target_m3h) <= edge * target.target_m3h
        word = f"{'past' if side != self._side else 'near' if near else 'far'} {way}"
        due = t_us - self._told_us >= (NEAR_US if near else FAR_US)
        if due or word != self._was:
            self._told_us, self._was = t_us, word
            return word, f"turn-{way}"
        return word, ""
