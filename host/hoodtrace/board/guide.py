"""Leads the hands on the hood: from what the board says to decisions of the visit, with no touch of the computer.

`Guide.feed` gets each decoded block, as the trace got it. It follows the hold that is made and says by the board's
cues when it is enough; once the hood was lifted it gives the reading, of the same session that `hoodtrace readings`
runs, to the terminal that was measured when the hood was pressed on. The button speaks for the person: short accepts
early, double repeats, long skips. A reading is in the journal only after its bytes of the trace are on the disk.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

from hoodtrace.averaging.session import LEAST_USED_S, Outcome, Session, SoFar
from hoodtrace.averaging.so_far import Stop
from hoodtrace.averaging.table import reading_row
from hoodtrace.board.given import chosen_of, doubt_of
from hoodtrace.board.hold_cues import MEANT_US, PATIENCE_S
from hoodtrace.board.live_flow import LiveFlow
from hoodtrace.board.turning import Turning
from hoodtrace.dwelling.screen import Live
from hoodtrace.dwelling.visit import NotNow, Visit
from hoodtrace.dwelling.window import reading_fields
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded

if TYPE_CHECKING:
    from hoodtrace.board.recorder import Status
    from hoodtrace.dwelling.state import Target

SHOWN_S, TRAIL_S = 180.0, 0.2
"""Seconds that the picture of the flow goes back, and between two of its points."""
OFF_US, OFF_TURNING_US = 1_000_000, 4_000_000
"""The hood is off once it has looked so for so long: turning a valve far looks like that for a moment."""
SAME_US = 2_000_000
"""Holds that begin this close to each other are one."""
SPEAKS_REL = 0.6
"""Under this part of the flow at which the vane starts, the taps of a free-hanging hood show noise."""
TURN_FROM_S = 4.0
"""A hold this long is no carrying: from here on the turning of a valve is guided."""
FIRST, UNSEEN = "turn first", "turn unseen"
"""Why a hold is not of a turned valve: the hood was on before; nothing that was averaged is of after the turn alone."""
LOOK_US = 1_000_000
"""A hold is looked at once in so much of the board's time."""


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a hold belongs: what was measured when the hood was pressed on."""

    terminal: str
    setting: str
    stage: str
    target: Target | None


@dataclass(slots=True)
class _Hold:
    """A hold that is made, or waits for its reading since it was `lifted`; without a `place` no terminal was measured.

    `ended` is why it was enough; from then on the journal has its `key`. `void` says that it shall not count. Its
    newest plateau began at `plateau_us`; before `from_us` the air is of the valve as it was before its turn.
    """

    boot: int
    start_us: int
    stop: Stop
    place: _Place | None
    key: str
    ended: str = ""
    void: bool = False
    lifted: bool = False
    off_us: int | None = None
    used_s: float = 0.0
    plateau_us: int = 0
    from_us: int = 0


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
        self._passed: tuple[_Hold, dict[str, Any]] | None = None
        self._given = 0
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
            hold = self._new_hold(now.boot, now.hold_start_us)
            self._holds.append(hold)
            self._turning.begin(self._visit.state.target)
            self._cue("seated")
        hold.lifted, hold.off_us, hold.used_s = False, None, max(hold.used_s, now.used_s)
        if hold.used_s >= LEAST_USED_S and not hold.void:
            self._passed, self.why_again = None, ""  # a new one; anything shorter may be carrying
        hold.plateau_us = now.plateau_start_us or hold.plateau_us
        if not hold.ended and not hold.void and self._before_turn(hold) == FIRST:
            hold.void = True
            self._again(FIRST)
        verdict = hold.stop.look(now)
        state = "done" if hold.ended else now.state
        if not hold.ended and not hold.void and self._may_end(now):
            if verdict.kind == "done":
                state = "done" if self._end(hold, verdict.why) else "again"
            elif verdict.kind == "again":
                hold.void, self.why_again, state = True, verdict.why, "again"
                self._cue("again")
        a = now.averaged
        self.live = Live(
            state="again" if hold.void else state,
            terminal=hold.place.terminal if hold.place is not None else "",
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
            self._again(UNSEEN if hold.plateau_us < hold.from_us else "lifted early")

    def _new_hold(self, boot: int, start_us: int) -> _Hold:
        """Return a hold that begins now, bound to what is measured now."""
        state, plan = self._visit.state, self._visit.plan
        step = self._visit.step(past_doubt=True)
        place, fixed_s = None, None
        if step.kind == "measure" and self._visit.terminal(step.terminal).cover == "hood":
            target = state.target if state.target is not None and state.target.terminal == step.terminal else None
            place = _Place(step.terminal, state.setting, step.stage, target)
            natural = plan.system(self._visit.terminal(step.terminal).system).kind == "natural"
            fixed_s = 60.0 * plan.natural_minutes if natural else None
        key = f"{self._trace} {boot} {start_us}"
        return _Hold(boot, start_us, Stop(plan.precision_rel, fixed_s), place, key)

    def _before_turn(self, hold: _Hold) -> str:
        """Return why the air of a hold is not yet of what its valve is to be turned to; empty where it may be.

        A flow that is asked for while the hood is on binds the hold to it: its reading is of a plateau after that. To a
        stop a valve is turned before the hood is pressed on.
        """
        place, target = hold.place, self._visit.state.target
        if place is not None and target is not None and target.terminal == place.terminal and target != place.target:
            if target.until and (place.target is None or place.target.until != target.until):
                return FIRST
            hold.place = replace(place, target=target)
            hold.from_us = self._seen_us if place.target is None else hold.from_us
        return UNSEEN if hold.plateau_us < hold.from_us else ""

    def _end(self, hold: _Hold, why: str) -> bool:
        """Call a hold enough: in the journal first, so that its reading is kept whatever comes; then by the cue."""
        why_not = self._before_turn(hold)
        if why_not:
            hold.void = True
            self._again(why_not)
            return False
        place = hold.place
        target = place.target if place is not None else None
        said = place is not None and self._decide(
            {
                "do": "held",
                "key": hold.key,
                "terminal": place.terminal,
                "setting": place.setting,
                "stage": place.stage,
                "target": target and [target.target_m3h, target.low_m3h, target.high_m3h],
                "until": target and target.until,
                "trace": self._trace,
                "boot": hold.boot,
                "start_us": hold.start_us,
                "from_us": hold.from_us,
                "ended": why,
                "ended_us": self._seen_us,
            }
        )
        if not said:
            hold.void, self.why_again = True, "question"
            self._cue("trouble")
            return False
        hold.ended, hold.void, self.why_again = why, False, ""
        self._cue("done")
        return True

    def _may_end(self, now: SoFar) -> bool:
        """Whether a hold may be called enough: with a target only once the flow is within its limits."""
        place = self._holds[-1].place
        if place is None or place.target is None or now.averaged is None:
            return True
        return place.target.low_m3h <= m3h(now.averaged.flow_m3_s) <= place.target.high_m3h

    def _lifted(self, plateaus: list[Outcome]) -> None:
        """Decide what becomes of a hold that is over and whose readings are final."""
        hold = self._found(plateaus[0])
        if hold is None:
            return
        held = self._visit.state.held.get(hold.key)
        chosen = chosen_of(plateaus, held or {"target": hold.place and hold.place.target})
        fields = None if chosen is None else self._fields(chosen)
        if held is not None:
            if fields is not None:
                self._give(hold, fields)
            else:
                why = str(plateaus[-1].averaged.refusal or "not steady")
                self._decide({"do": "lost", "key": hold.key, "why": why})
                self._again(why)
        elif fields is not None and hold.place is not None and not hold.ended:
            # It counts only if a press says so, and only until the hood is pressed on again.
            self._passed = None if self._meant() else (hold, fields)

    def _found(self, first: Outcome) -> _Hold | None:
        """Return what is known of the hold that has become final, and forget it and those before it."""
        same = [h for h in self._holds if h.boot == first.boot and abs(h.start_us - first.hold_start_us) < MEANT_US]
        for hold in same:
            if hold.off_us is not None and not hold.lifted:
                self._lift(hold, hold.off_us)  # sure sooner than patience with a turned valve was over
        self._holds = [
            h
            for h in self._holds
            if h not in same and not (h.boot == first.boot and h.start_us < first.hold_stop_us and not h.ended)
        ]
        return same[-1] if same else None

    def _fields(self, outcome: Outcome) -> dict[str, Any]:
        row = reading_row(outcome, Timeline(self._session.spans, self._session.assembler.clocks))
        return {"trace": self._trace, **reading_fields(row, outcome, self._hood)}

    def _give(self, hold: _Hold, fields: dict[str, Any]) -> None:
        """Write the reading into the journal, as doubtful where its direction is not the plan's."""
        self._sync()
        doubt = doubt_of(self._visit, hold.key, fields)
        if self._decide({"do": "reading", "reading": fields, "key": hold.key, "doubt": doubt}):
            self._passed = None
            self._given = 0 if doubt else self._visit.state.given[-1].line
            if doubt:
                self._cue("trouble")

    def _again(self, why: str) -> None:
        self.why_again = why
        self._cue("again")

    # ---- the button

    @property
    def can_repeat(self) -> bool:
        """Whether there is a hold or a reading of this guide's own that a double press would take back."""
        return self._meant() is not None or self._given > 0

    def press(self, press: str) -> None:
        """Do what a press of the button asks for: `short`, `double` or `long`."""
        hold = self._meant()
        if press == "short":
            self._press_short(hold)
        elif press == "double":
            self._press_double(hold)
        elif press == "long":
            if hold is not None and not hold.ended:
                hold.void = True
            if self._decide({"do": "skip"}):
                self._cue("steady")

    def _press_short(self, hold: _Hold | None) -> None:
        """Accept: the hold that is made or was just lifted, else the one before, else a reading in doubt."""
        if hold is not None:
            if not hold.ended:
                self._end(hold, "early")
        elif self._passed is not None:
            passed, fields = self._passed
            if self._end(passed, "early"):
                self._give(passed, fields)
        elif self._visit.state.doubt is not None:
            self._decide({"do": "answer", "question": "doubt", "value": "keep"})

    def _press_double(self, hold: _Hold | None) -> None:
        """Repeat: give up the hold that is made or was just lifted, else this guide's own last reading, once."""
        if hold is not None:
            if hold.ended:
                self._decide({"do": "lost", "key": hold.key, "why": "repeated"})
            hold.void, hold.ended = True, ""
            self._again("repeated")
        elif self._visit.state.doubt is not None:
            self._decide({"do": "answer", "question": "doubt", "value": "again"})
        elif self._given and self._decide({"do": "repeat", "why": "button", "line": self._given}):
            self._given = 0
            self._again("repeated")

    def _decide(self, decision: Mapping[str, Any]) -> bool:
        try:
            self._visit.decide(decision, self._utc())
        except NotNow:
            return False
        return True

    # ---- the valve, and sounds

    def _turn(self, now_m3h: float | None) -> str:
        target, hold = self._visit.state.target, self._holds[-1] if self._holds else None
        if hold is None or hold.off_us is not None or hold.lifted or hold.used_s < TURN_FROM_S or now_m3h is None:
            return ""
        if hold.ended or hold.void or hold.place is None or hold.place.target != target:
            return ""  # no reading of that turn can come of this hold: the hood comes off first
        if target is None or target.until:
            return ""  # a stop is felt by the hand: there is no flow to lead it to
        word, cue = self._turning.look(target, now_m3h, self._seen_us)
        if cue:
            self._cue(cue)
        return word

    def _cue(self, name: str) -> None:
        """Play a cue on the board, and let pages play it."""
        self._say(f"cue {name}")
        number = self.cues[-1][0] + 1 if self.cues else 1
        self.cues = [*self.cues[-7:], (number, name)]


def _common_m3h(now: SoFar) -> float | None:
    """Return the half-width of what holding on does not make smaller: the hood's and the visit's parts [m3/h]."""
    if now.averaged is None or now.averaged.refusal is not None:
        return None
    from hoodtrace.averaging.budget import total

    return m3h(total(tuple(t for t in now.averaged.terms if t.scope != "reading")).expanded_m3_s)
