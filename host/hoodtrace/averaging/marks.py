"""Marks: what else happened in a trace, for a page to draw beside the flow: gaps, lost lines, zeros, presses, cues.

`Heard` listens to the lines as they come and to the samples once they are in order; `marks_of` dates what it heard in
seconds since the trace's first sample. Words are those of the board and the recorder as they stand in the trace.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from hoodtrace.averaging.frames import HOLE_US, IntArray
from hoodtrace.averaging.session import Outcome
from hoodtrace.averaging.zero import Rest, Zeros
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded, Message
from hoodtrace.wire.lines import SEQ_MODULUS
from hoodtrace.wire.samples import Samples

TOGETHER_US = 1_000_000
"""Lost lines closer together than this make one mark."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened, s since the trace's first sample.

    `kind` and its `text`: `gap` (samples further apart than 0.5 s; the recorder's reason, may be empty), `lost` (lines
    that never came; how many), `zero` (air that gave a hold its zero of dp; Pa), `bridged` (the board was told that
    the tubes are), `press` (`short`, `long`, `double`), `cue` (its name), `fault` (sensor and state), `restart` (from
    one boot to the next; the recorder's reason, may be empty), `no air` (a boot whose air had to be assumed).
    """

    kind: str
    start_s: float
    end_s: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class _Span:
    """A mark of one boot, us since boot."""

    kind: str
    start_us: int
    stop_us: int
    text: str = ""


@dataclass(slots=True)
class _Note:
    """A host note that waits for its boot: that of the last hello before it or, for what came too early, the next."""

    message: Message
    before: str | None
    after: str | None = None


@dataclass(slots=True)
class Heard:
    """What a trace says besides its samples, by boot number."""

    spans: dict[int, list[_Span]] = field(default_factory=dict)
    ids: dict[int, str] = field(default_factory=dict)
    _notes: list[_Note] = field(default_factory=list)
    _hello: str | None = None

    def take(self, decoded: Decoded) -> None:
        """Take a block as the decoder gives it, for the host notes in it."""
        for message in decoded.messages:
            kind = message.body.get("kind")
            if message.kind == "J" and kind == "hello":
                self._hello = str(message.body.get("boot", ""))
                for note in reversed(self._notes):
                    if note.after is not None:
                        break
                    note.after = self._hello
            elif message.kind == "H" and kind in ("gap", "cue"):
                self._notes.append(_Note(message, self._hello))

    def read(self, parts: list[Samples]) -> None:
        """Take all samples of the trace, in order."""
        for number in sorted({part.boot.number for part in parts}):
            mine = [part for part in parts if part.boot.number == number]
            self.ids[number] = mine[0].boot.id
            spans = self.spans.setdefault(number, [])
            said = [message for part in mine for message in part.messages]
            spans += [span for span in map(_said, said) if span is not None]
            seq = np.concatenate([part.seq for part in mine])
            t_us = np.concatenate([part.t_us for part in mine])
            if len(seq):
                spans += _gaps(t_us) + _lost(seq, t_us, said)
                self._noted(number, spans, t_us)

    def _noted(self, number: int, spans: list[_Span], t_us: IntArray) -> None:
        """Give a boot its notes: cues, and why the samples stop."""
        boot = self.ids[number]
        for note in self._notes:
            at_us, body = note.message.t_us, note.message.body
            if note.before != boot and not (note.before is None and note.after == boot):
                continue
            if body["kind"] == "cue":
                spans.append(_Span("cue", at_us, at_us, str(body.get("cue", ""))))
                continue
            why = str(body.get("why", ""))
            for i, span in enumerate(spans):
                if span.kind == "gap" and span.start_us <= at_us <= span.stop_us:
                    spans[i] = _Span("gap", span.start_us, span.stop_us, why)
            if at_us >= t_us[-1]:
                spans.append(_Span("end", at_us, at_us, why))


@dataclass(frozen=True, slots=True)
class Told:
    """What else is known of a boot: its first and last sample (us), whether its air was measured, its zeros."""

    ends_us: tuple[int, int]
    has_air: bool
    zeros: Zeros | None


def marks_of(timeline: Timeline, heard: Heard, told: dict[int, Told], outcomes: list[Outcome]) -> tuple[Mark, ...]:
    """Return the marks of a trace in time order.

    Parameters
    ----------
    timeline : Timeline
        Of the trace.
    heard : Heard
        That has listened to all of it.
    told : dict of int to Told
        By boot number, those that have samples.
    outcomes : list of Outcome
        The holds, which chose their zeros.
    """
    spans = {boot: [span for span in heard.spans.get(boot, []) if span.kind != "end"] for boot in told}
    for boot, rest in {(o.boot, _rest(told[o.boot].zeros, o)) for o in outcomes}:
        if rest is not None:
            spans[boot].append(_Span("zero", int(rest.start_us), int(rest.stop_us), f"{rest.mean_pa:+.4f} Pa"))
    for boot, one in told.items():
        if not one.has_air:
            spans[boot].append(_Span("no air", *one.ends_us))
    marks = [
        Mark(span.kind, timeline.seconds(boot, span.start_us), timeline.seconds(boot, span.stop_us), span.text)
        for boot, mine in spans.items()
        for span in mine
    ]
    for before, after in pairwise(sorted(told)):
        why = next((span.text for span in reversed(heard.spans.get(before, [])) if span.kind == "end"), "")
        ends_s = timeline.seconds(before, told[before].ends_us[1]), timeline.seconds(after, told[after].ends_us[0])
        marks.append(Mark("restart", *ends_s, why))
    return tuple(sorted(marks, key=lambda mark: (mark.start_s, mark.end_s, mark.kind)))


def _rest(zeros: Zeros | None, o: Outcome) -> Rest | None:
    """Return the free-hanging air that a hold took its zero from; None where it is an older one, or the hood file's."""
    if zeros is None or zeros.taps is None:
        return None
    rest = zeros.chosen(o.hold_start_us, o.hold_stop_us)
    after = rest is not None and rest.stop_us > o.hold_start_us
    return None if after and zeros.older_pa is not None else rest


def _said(message: Message) -> _Span | None:
    body: dict[str, Any] = message.body
    kind, at_us = body.get("kind"), message.t_us
    if kind == "zero":
        return _Span("bridged", at_us, at_us)
    if kind == "button" and "press" in body:
        return _Span("press", at_us, at_us, str(body["press"]))
    if kind == "fault":
        return _Span("fault", at_us, at_us, f"{body.get('sensor', '')} {body.get('state', '')}".strip())
    return None


def _gaps(t_us: IntArray) -> list[_Span]:
    holes = np.flatnonzero(np.diff(t_us) > HOLE_US)
    return [_Span("gap", int(t_us[i]), int(t_us[i + 1])) for i in holes.tolist()]


def _lost(seq: IntArray, t_us: IntArray, said: list[Message]) -> list[_Span]:
    """Return the lines that never came, those close together as one; the board's messages have a SEQ, too."""
    half = SEQ_MODULUS // 2
    spoken = (np.array([m.seq for m in said], np.int64) - seq[0] + half) % SEQ_MODULUS - half + seq[0]
    holes = np.flatnonzero(np.diff(seq) > 1)
    spoken = np.unique(spoken)
    known = np.searchsorted(spoken, seq[holes + 1]) - np.searchsorted(spoken, seq[holes], side="right")
    n_lost = seq[holes + 1] - seq[holes] - 1 - known
    holes, n_lost = holes[n_lost > 0], n_lost[n_lost > 0]
    out: list[_Span] = []
    n = 0
    for i, n_here in zip(holes.tolist(), n_lost.tolist(), strict=True):
        start_us = int(t_us[i])
        if out and start_us - out[-1].stop_us < TOGETHER_US:
            start_us, n = out.pop().start_us, n + n_here
        else:
            n = n_here
        out.append(_Span("lost", start_us, int(t_us[i + 1]), str(n)))
    return out
