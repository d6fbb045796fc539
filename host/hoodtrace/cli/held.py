"""Record from a board until so many holds gave a reading: what the guided commands have in common.

The trace is written as `record` writes it, the board's buzzer answers each hold, and the recording ends by itself.
Ctrl-C ends it early, with what was read until then.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hoodtrace.averaging.session import Outcome
    from hoodtrace.physics.hood import Hood
    from hoodtrace.wire.decoder import Decoded
    from hoodtrace.wire.trace import ClosedTrace


ON_A_VISIT = (
    "Caution: a firm ladder, no reaching. Where a fire burns in the dwelling, a qualified person tests for spillage "
    "first; never cover an opening that feeds it air. Stop if there is smoke, smell or an alarm."
)


def longest(read: list[Outcome]) -> Outcome:
    """Return the reading over the longest time."""
    return max(read, key=lambda outcome: outcome.averaged.used_s)


def hold_readings(
    port: str | None, hood: Hood, out: Path, n_wanted: int = 1, on_hold: Callable[[str], None] = lambda words: None
) -> tuple[list[Outcome], ClosedTrace, bool]:
    """Record to `out` until `n_wanted` holds gave a reading; return their longest plateaus, the trace, and if all came.

    Parameters
    ----------
    port : str or None
        Device or URL; None: the board is looked for.
    hood : Hood
    out : Path
        A new trace file, or one to be continued.
    n_wanted : int
    on_hold : callable
        Told in words what became of each hold.

    Raises
    ------
    LinkError
        There is no board, its firmware is not this program's, or it is gone.
    TraceError
        The disk does not take the trace.
    """
    from hoodtrace.board.hold_cues import HoldCues
    from hoodtrace.board.live_flow import LiveFlow
    from hoodtrace.board.recorder import Recorder
    from hoodtrace.cli.record import clean_end, display, opened
    from hoodtrace.units import m3h

    found: list[Outcome] = []

    def take(plateaus: list[Outcome]) -> None:
        read = [plateau for plateau in plateaus if plateau.averaged.refusal is None]
        say = tell if sys.stderr.isatty() else on_hold  # above the live line
        if not read:
            say(f"no reading: {plateaus[0].averaged.refusal}. Once more")
            return
        best = longest(read)
        found.append(best)
        flow, half = best.averaged.flow_m3_s, best.averaged.expanded_random_m3_s
        say(f"hold {len(found)} of {n_wanted}: {m3h(flow):.1f} m3/h, the air's own part ±{m3h(half):.1f}")
        if len(found) >= n_wanted:
            recorder.stop()

    board, trace = opened(port, out)
    flow = LiveFlow(hood)

    def watch(decoded: Decoded) -> None:
        flow.feed(decoded)
        cues.feed(decoded)

    with display(flow) as (show, tell):
        recorder = Recorder(board, trace, on_decoded=watch, on_status=show)
        cues = HoldCues(hood, recorder.say, take)
        with clean_end(recorder):
            closed = recorder.run()
    return found[:n_wanted], closed, len(found) >= n_wanted
