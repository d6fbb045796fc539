"""Leads the hands on the hood: from what the board says to decisions of the visit, with no touch of the computer.

`Guide.feed` gets each decoded block, as the trace got it. It follows the hold that is being made, says by the board's
cues when it is enough, and once the hood was lifted gives the reading of the same session that `hoodtrace readings`
runs to the terminal that is measured now. The button speaks for the person: short accepts early, double repeats, long
skips. A reading is written into the journal only after its bytes of the trace are on the disk.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

from hoodtrace.averaging.session import LEAST_USED_S, Outcome, Session, SoFar
from hoodtrace.averaging.so_far import Stop
from hoodtrace.averaging.table import reading_row
from hoodtrace.board.live_flow import LiveFlow
from hoodtrace.board.turning import Turning
from hoodtrace.dwelling.screen import Live
from hoodtrace.dwelling.visit import NotNow, Visit
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded

if TYPE_CHECKING:
    from hoodtrace.board.recorder import Status

PATIENCE_S = 60.0
MEANT_US = 6_000_000
"""What walking with the hood makes look like a hold is shorter than this (own simulations: up to 5 s)."""
SHOWN_S, TRAIL_S = 180.0, 0.2
"""Seconds that the picture of the flow goes back, and between two of its points."""
OFF_US, OFF_TURNING_US = 1_000_000, 4_000_000
"""The hood is off once it has looked so for so long: turning a valve far looks like that for a moment."""
SAME_US = 2_000_000
"""Holds that begin this close to each other are one."""
SPEAKS_REL = 0.6
"""Under this part of the flow at which the vane starts, the taps of a free-hanging hood show noise."""
LOOK_US = 1_000_000
"""A hold is looked at once in so much of the board's time."""


@dataclass(slots=True)
class _Hold:
    """A hold that is being made, or waits for its reading since it was `lifted`.

    `ended` is why it was enough, `void` that it shall not count, `then_skip` that the next terminal shall be skipped.
    """

    boot: int
    start_us: int
    stop: Stop
    ended: str = ""
    void: bool = False
    lifted: bool = False
    off_us: int | None = None
    used_s: float = 0.0
    then_skip: bool = False


class Guide:
    """Give the holds of `hood` to the terminals of `visit`.

    Parameters
    ----------
    visit : Visit
    hood : Hood
    trace : str
        Name of the trace that the bytes go into, inside the visit's folder.
    say : callable
        Sends a command to the board, such as `Recorder.say`.
    sync : callable
        Has the disk hold what the trace was given.
    utc : callable
        The time of day as text.
    """

    def __init__(
        self,
        visit: Visit,
        hood: Hood,
        trace: str,
        say: Callable[[str], None],
        sync: Callable[[], None],
        utc: Callable[[], str],
    ) -> None:
        self._visit, self._hood, self._trace = visit, hood, trace
        self._say, self._sync, self._utc = say, sync, utc
        self._session = Session(hood, PATIENCE_S)
        self._flow = LiveFlow(hood)
        self._turning = Turning()
        self._holds: list[_Hold] = []
        self._passed: dict[str, Any] | None = None
        self._seen_us = 0
        self._looked_us = 0
        self._so_far = SoFar("free")
        self.why_again = ""
        self.live = Live()
        self.cues: list[tuple[int, str]] = []
        self.trail: deque[tuple[float, float, bool]] = deque(maxlen=round(SHOWN_S / TRAIL_S))
        self._now_m3h: float | None = None
        self._turn_word = ""

    def feed(self, decoded: Decoded, status: Status) -> None:
        """Take the next block; `status` is the recorder's at this moment."""
        for message in decoded.messages:
            if message.kind == "J" and message.body.get("kind") == "button":
                self.press(str(message.body.get("press", "")))
        outcomes = self._session.take(decoded)
        self._flow.feed(decoded)
        if len(decoded.samples):
            self._seen_us = int(decoded.samples.t_us[-1])
        for _, group in groupby(outcomes, key=lambda outcome: (outcome.boot, outcome.hold)):
            self._lifted(list(group))
        if not 0 <= self._seen_us - self._looked_us < LOOK_US:
            self._looked_us = self._seen_us
            self._look()
        self._now_m3h = self._newest_m3h(status)
        self._turn_word = self._turn(self._now_m3h)
        t_s = self._seen_us * 1e-6
        if self._now_m3h is not None and not 0.0 <= t_s - (self.trail[-1][0] if self.trail else -1.0) < TRAIL_S:
            self.trail.append((t_s, self._now_m3h, self._so_far.hold_start_us is not None))

    def shown(self) -> Live:
        """Return what the hood sees now."""
        live = replace(self.live, now_m3h=self._now_m3h, turn=self._turn_word, t_s=self._seen_us * 1e-6)
        if live.flow_m3h is None and self._now_m3h is not None:
            live = replace(live, flow_m3h=self._now_m3h, direction=self._flow.direction)
        return live

    def _newest_m3h(self, status: Status) -> float | None:
        """Return the flow of the last second: the vane's, or where it stands the taps' if they say more than noise."""
        vane, taps = self._flow.flows_m3_s(status)
        if vane or taps is None:
            return None if vane is None else m3h(vane)
        least = SPEAKS_REL * (self._hood.start_flow_m3_s("supply") or 0.0)
        return m3h(abs(taps)) if abs(taps) > least else 0.0

    # ---- the hold

    def _look(self) -> None:
        """See how far the hold is; say so where that changes."""
        before, now = self._so_far, self._session.so_far()
        self._so_far = now
        hold = self._current(now)
        if now.hold_start_us is None or (now.averaged is None and now.state in ("free", "carried", "seated")):
            if hold is not None and not hold.lifted:
                hold.off_us = now.now_us if hold.off_us is None else hold.off_us
                if now.now_us - hold.off_us < (OFF_TURNING_US if self._visit.state.target is not None else OFF_US):
                    return
                self._lift(hold, hold.off_us)
            if now.state == before.state == "seated":
                self.live = Live(state="seated")
            elif any(h.ended for h in self._holds):
                self.live = replace(self.live, state="lifted", share=None, left_s=None)
            else:
                self.live = Live(state="again" if self.why_again else now.state)
            return
        if hold is None:
            hold = _Hold(now.boot, now.hold_start_us, self._new_stop())
            self._holds.append(hold)
            self._turning.begin(self._visit.state.target)
            self._cue("seated")
        hold.lifted, hold.off_us, hold.used_s = False, None, max(hold.used_s, now.used_s)
        if hold.used_s >= LEAST_USED_S and not hold.void:
            self._passed, self.why_again = None, ""  # a new one; anything shorter may be carrying
        verdict = hold.stop.look(now)
        state = "done" if hold.ended else now.state
        if not hold.ended and not hold.void and self._may_end(now):
            if verdict.kind == "done":
                hold.ended, state = verdict.why, "done"
                self._cue("done")
            elif verdict.kind == "again":
                hold.void, self.why_again, state = True, verdict.why, "again"
                self._cue("again")
        a = now.averaged
        self.live = Live(
            state="again" if hold.void else state,
            flow_m3h=m3h(a.flow_m3_s) if a is not None else None,
            expanded_m3h=m3h(a.total.expanded_m3_s) if a is not None and a.refusal is None else None,
            random_m3h=m3h(a.expanded_random_m3_s) if a is not None else None,
            common_m3h=_common_m3h(now),
            direction=a.direction if a is not None else self._flow.direction,
            share=1.0 if hold.ended else verdict.share,
            left_s=0.0 if hold.ended else verdict.left_s,
        )

    def _current(self, now: SoFar) -> _Hold | None:
        """Return the hold that is being made, or has just been; a hold that seemed to be over may go on."""
        last = self._holds[-1] if self._holds else None
        if last is None or now.hold_start_us is None or not last.lifted:
            return last
        return last if abs(now.hold_start_us - last.start_us) < SAME_US else None

    def _meant(self) -> _Hold | None:
        """Return the newest hold that is long enough to be no carrying."""
        return next((hold for hold in reversed(self._holds) if hold.used_s >= LEAST_USED_S), None)

    def _lift(self, hold: _Hold, off_us: int) -> None:
        """Take note that the hood came off; where nothing said that it was enough, say so at once."""
        hold.lifted = True
        if hold.ended or hold.void:
            return
        hold.void = True
        if hold.used_s < LEAST_USED_S:
            self._holds.remove(hold)  # too short for a reading; or carrying, which looks like a hold for some seconds
        if off_us - hold.start_us >= MEANT_US:
            self._again("lifted early")

    def _new_stop(self) -> Stop:
        step = self._visit.step(past_doubt=True)
        plan = self._visit.plan
        natural = bool(step.terminal) and plan.system(self._visit.terminal(step.terminal).system).kind == "natural"
        return Stop(plan.precision_rel, 60.0 * plan.natural_minutes if natural else None)

    def _may_end(self, now: SoFar) -> bool:
        """Whether a hold may be called enough: with a target only once the flow is within its limits."""
        target = self._visit.state.target
        if target is None or now.averaged is None:
            return True
        return target.low_m3h <= m3h(now.averaged.flow_m3_s) <= target.high_m3h

    def _lifted(self, plateaus: list[Outcome]) -> None:
        """Decide what becomes of a hold that is over and whose readings are final."""
        hold = self._found(plateaus[0])
        step = self._visit.step(past_doubt=True)
        if step.kind != "measure" or self._visit.terminal(step.terminal).cover != "hood":
            return
        chosen = self._chosen(plateaus)
        if chosen is None:
            if hold.ended and not hold.void:
                for later in self._holds:  # they were meant for the terminal after this one
                    later.void = True
                self._again(str(plateaus[-1].averaged.refusal or "not steady"))
            return
        fields = self._fields(chosen, step.terminal, hold)
        if hold.void or not hold.ended:
            # It counts only if a press says so, and only until the hood is pressed on again.
            self._passed = None if self._meant() else fields
            return
        if self._give(fields) and hold.then_skip:
            self._decide({"do": "skip"})

    def _found(self, first: Outcome) -> _Hold:
        """Return what is known of the hold that has become final, and forget it and those before it."""
        same = [h for h in self._holds if h.boot == first.boot and abs(h.start_us - first.hold_start_us) < MEANT_US]
        stop_us = first.hold_stop_us
        self._holds = [h for h in self._holds if not (h.boot == first.boot and h.start_us < stop_us) and h not in same]
        return same[-1] if same else _Hold(first.boot, first.hold_start_us, self._new_stop())

    def _chosen(self, plateaus: list[Outcome]) -> Outcome | None:
        """Return the plateau that counts: the newest that is a reading, for that is what ended the hold.

        After a turned valve it must be the last one: those before are of another flow.
        """
        if self._visit.state.target is not None:
            plateaus = plateaus[-1:]
        good = [p for p in plateaus if p.averaged.refusal is None]
        return good[-1] if good else None

    def _fields(self, outcome: Outcome, terminal: str, hold: _Hold) -> dict[str, Any]:
        row = reading_row(outcome, Timeline(self._session.spans, self._session.assembler.clocks))
        fields = reading_fields(row, outcome, self._hood)
        turned = self._visit.state.target is not None
        return {"terminal": terminal, "trace": self._trace, **fields, "ended": hold.ended, "after_turn": turned}

    def _give(self, fields: dict[str, Any]) -> bool:
        """Write the reading into the journal, as doubtful where its direction is not the plan's."""
        wanted = self._visit.terminal(fields["terminal"]).direction
        doubt = "direction" if fields["direction"] not in (wanted, "unknown") else ""
        self._sync()
        if not self._decide({"do": "reading", "reading": fields, "doubt": doubt}):
            return False
        self._passed = None
        if doubt:
            self._cue("trouble")
        return not doubt

    def _again(self, why: str) -> None:
        self.why_again = why
        self._cue("again")

    # ---- the button

    def press(self, press: str) -> None:
        """Do what a press of the button asks for: `short`, `double` or `long`."""
        hold = self._meant()
        if press == "short":
            if hold is not None:
                hold.void, self.why_again = False, ""
                if not hold.ended:
                    hold.ended = "early"
                    self._cue("done")
            elif self._passed is not None:
                self._give({**self._passed, "ended": "early"})
            elif self._visit.state.doubt is not None:
                self._decide({"do": "answer", "question": "doubt", "value": "keep"})
        elif press == "double":
            if hold is not None:
                hold.void, hold.ended = True, ""
                self._cue("again")
            elif self._visit.state.doubt is not None:
                self._decide({"do": "answer", "question": "doubt", "value": "again"})
            elif self._decide({"do": "repeat", "why": "button"}):
                self._cue("again")
        elif press == "long":
            if hold is not None and hold.ended and (hold.lifted or hold.off_us is not None):
                hold.then_skip = True
                self._cue("steady")
                return
            if hold is not None:
                hold.void = True
            if self._decide({"do": "skip"}):
                self._cue("steady")

    def _decide(self, decision: Mapping[str, Any]) -> bool:
        try:
            self._visit.decide(decision, self._utc())
        except NotNow:
            return False
        return True

    # ---- the valve, and sounds

    def _turn(self, now_m3h: float | None) -> str:
        target = self._visit.state.target
        if target is None or self._so_far.hold_start_us is None or now_m3h is None:
            return ""
        word, cue = self._turning.look(target, now_m3h, self._seen_us)
        if cue:
            self._cue(cue)
        return word

    def _cue(self, name: str) -> None:
        """Play a cue on the board, and let pages play it."""
        self._say(f"cue {name}")
        number = self.cues[-1][0] + 1 if self.cues else 1
        self.cues = [*self.cues[-7:], (number, name)]


def reading_fields(row: Mapping[str, Any], outcome: Outcome, hood: Hood) -> dict[str, Any]:
    """Return what the journal keeps of a reading: its `row` as `hoodtrace readings` has it, and its budget [m3/h]."""
    dropped = ("vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h", "confidence")
    terms = [[t.name, m3h(t.u_m3_s), t.dof if t.dof < math.inf else None, t.scope] for t in outcome.averaged.terms]
    kept = {key: value for key, value in row.items() if key not in dropped}
    return {**kept, "terms": terms, "r_k_c": hood.r_k_c, "hood_on": True}


def _common_m3h(now: SoFar) -> float | None:
    """Return the half-width of what holding on does not make smaller: the hood's and the visit's parts [m3/h]."""
    if now.averaged is None or now.averaged.refusal is not None:
        return None
    from hoodtrace.averaging.budget import total

    return m3h(total(tuple(t for t in now.averaged.terms if t.scope != "reading")).expanded_m3_s)
