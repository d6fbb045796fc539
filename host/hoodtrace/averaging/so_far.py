"""How far a hold is while the hood is still pressed on, and when it is enough.

`Session.so_far` tells what the hold would give if the hood were lifted now; it changes nothing in the session. `Stop`
turns such looks, one a second, into "hold on", "done" or "again". What a hold gives in the end is the session's
business alone: a replay that knows nothing of `Stop` gives the same reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hoodtrace.averaging.frames import FRAME_US, Frames
from hoodtrace.averaging.holds import Hold, lasting
from hoodtrace.averaging.reading import Averaged
from hoodtrace.averaging.seated import SOON_HALF, pressed
from hoodtrace.physics.hood import Hood

State = Literal["free", "carried", "seated", "settling", "turning", "gust", "steady"]

SOON_US = (2 * SOON_HALF + 1) * FRAME_US
"""A hold that `pressed` is the first to see began about so long ago."""
STANDS = 5
"""Frames (1 s) without an edge: the hood hangs free."""
DISTURBED, TURNED = 3, 10
"""With so many frames at the end that are unlike the hold there is a gust; with so many its level has changed."""
LONGEST_S, LONGEST_REFUSED_S = 60.0, 120.0
"""Time of a plateau after which a hold is enough; one that would be refused goes on to the second."""
SOONEST_S = 9.0
"""Nothing is done under so much used time: a reading needs 8 s, and lifting may take some of it away."""
SURE_N_OVER_G = 6.5
"""A reading is refused under 5; with so much of it the last second or three will not bring it there."""
MUCH_CUT = "much cut out"
EARLY_S, SURE_EARLY_N_OVER_G = 14.0, 15.0
"""Under so much used time N/g itself is doubtful, slow air has not shown itself yet: so much of it is asked for."""


@dataclass(frozen=True, slots=True)
class SoFar:
    """A hold up to now; times in us since the board's boot `boot`.

    `state`: "free" (the vane stands), "carried", "seated" (just pressed on, not sure), "settling", "turning" (the level
    changes or has just changed), "gust" (a disturbance is being cut out at the end), "steady". `hold_start_us` is None
    while there is no hold. `averaged` is what the newest plateau would give if the hood were lifted now, its `refusal`
    set where that would be none; None while nothing is seen of it. `used_s` is the plateau's time without cuts,
    `plateau` its number in the hold.
    """

    state: str
    boot: int = 0
    hold_start_us: int | None = None
    now_us: int = 0
    averaged: Averaged | None = None
    used_s: float = 0.0
    plateau_start_us: int | None = None
    plateau: int = 0

    @property
    def plateau_s(self) -> float:
        """Time since the newest plateau began, with what is cut out of it, s; 0 while there is none."""
        return 0.0 if self.plateau_start_us is None else (self.now_us - self.plateau_start_us) * 1e-6


def seen_now(newest: Frames | None, holds: list[Hold], hood: Hood) -> tuple[State, Hold | None]:
    """Return in a word what is done with the hood now, and the hold that lasts.

    Parameters
    ----------
    newest : Frames or None
        The newest frames.
    holds : list of Hold
        What a finder makes of the frames if nothing follows.
    hood : Hood
    """
    if newest is None or not len(newest):
        return "free", None
    hold, n_odd = lasting(holds[-1], newest, hood) if holds else (None, 0)
    if hold is not None:
        return ("turning" if n_odd >= TURNED else "gust" if n_odd >= DISTURBED else "steady"), hold
    if pressed(newest, hood):
        return "seated", None
    stands = hood.vane is not None and len(newest) >= STANDS and not newest.hz[-STANDS:].any()
    return ("free" if stands else "carried"), None


@dataclass(frozen=True, slots=True)
class Verdict:
    """`kind` is "hold on", "done" or "again"; `why` "precision", "time", "fixed time", or what refuses the reading.

    `share` (0 to 1) of the hold is over, and about `left_s` are left, None while nobody can tell.
    """

    kind: Literal["hold on", "done", "again"]
    why: str = ""
    share: float = 0.0
    left_s: float | None = None


class Stop:
    """Tells when one hold is enough; give it each look at the hold, one a second.

    Parameters
    ----------
    precision_rel : float
        Half-width of the random part over the flow that is asked for.
    fixed_s : float or None
        Instead of a precision, used time that is asked for, s (natural systems).
    """

    def __init__(self, precision_rel: float = 0.03, fixed_s: float | None = None) -> None:
        self._precision_rel, self._fixed_s = precision_rel, fixed_s

    def look(self, now: SoFar) -> Verdict:
        """Return what to tell the person who holds the hood."""
        a, fixed_s = now.averaged, self._fixed_s
        spent_s, longest_s = (now.plateau_s, LONGEST_S) if fixed_s is None else (now.used_s, fixed_s)
        good = a is not None and a.refusal is None and now.used_s >= SOONEST_S
        sure = a is not None and good and a.n_over_g >= SURE_N_OVER_G and MUCH_CUT not in a.flags
        last = now.plateau_s >= (LONGEST_REFUSED_S if fixed_s is None else 2.0 * fixed_s)
        if (sure and spent_s >= longest_s) or (good and last):
            return Verdict("done", "time" if fixed_s is None else "fixed time", 1.0, 0.0)
        if last:
            return Verdict("again", str((a.refusal if a is not None else None) or "not steady"), 1.0, 0.0)
        needed_s = longest_s
        if fixed_s is None and a is not None and a.flow_m3_s > 0.0 and now.used_s > 0.0:
            wide = a.expanded_random_m3_s / (self._precision_rel * a.flow_m3_s)
            early = now.used_s < EARLY_S and a.n_over_g < SURE_EARLY_N_OVER_G
            if sure and wide <= 1.0 and not early:
                return Verdict("done", "precision", 1.0, 0.0)
            needed_s = min(max(now.used_s * wide**2, EARLY_S if early else SOONEST_S), longest_s)
        left_s = max(needed_s - spent_s, 1.0)
        return Verdict("hold on", "", spent_s / (spent_s + left_s), left_s)
