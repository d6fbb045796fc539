"""The one path from bytes to readings, for a live board and for a file alike.

`Session.feed` takes the stream in blocks of any size, `finish` closes it; both return the outcomes (readings and
refusals) that have become final. What comes out depends on the bytes and their order, never on the blocks. A hold
waits for its zero and its air as `Zeros` and `Trail` say; with a `patience_s` (live) it waits no longer than that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from hoodtrace.averaging import plateaus
from hoodtrace.averaging.channels import Observed, observe
from hoodtrace.averaging.frames import FRAME_US, LOOK_AHEAD_US, FloatArray, Frames
from hoodtrace.averaging.holds import Free, Hold, HoldFinder
from hoodtrace.averaging.reading import Averaged, average, nothing_seen
from hoodtrace.averaging.seated import speeds
from hoodtrace.averaging.so_far import SOON_US, seen_now
from hoodtrace.averaging.so_far import SoFar as SoFar
from hoodtrace.averaging.trail import Trail
from hoodtrace.averaging.zero import Rest, Zeros
from hoodtrace.physics.hood import Hood
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded, Decoder
from hoodtrace.wire.samples import Assembler, Samples

PIECE = 1 << 17
"""Samples taken at a time."""
CLEARLY = 1.3
"""Air this much over the vane's start speed turns it for certain."""
LONG_SILENCE_US = 600_000_000
"""Behind so long a hole the search for holds begins anew."""
SETTLE, LIFT = 8, 3
"""Frames that a freshly pressed hood needs before the flow counts, besides the vane's lag, and that lifting takes."""
SETTLE_TURN, LONGEST_SETTLE_TURN = 2, 7
"""The same after a turned valve: frames besides the vane's lag, and with it at most."""
TYPICAL_RESPONSE_M = 0.6
MUCH_CUT, TOO_MUCH_CUT = 0.25, 0.50
ROUGH_USED_S, ROUGH_REL = 20.0, 0.20
"""Under so many seconds no reading is given from air rougher than this, nor from taps alone under the vane's start
speed: that is how walking looks."""
LEAST_USED_S = 8.0
"""Under this no reading is given, however steady: a few seconds of walking can look as calm as a terminal."""
MOST_TAPS_NOISE_REL = 0.05
ZERO_AFTER_US = 60_000_000
"""Where no zero was found before a hold, one that is found this long after it counts, live as in a file."""
SETTLED_S, TURNED_S = 3.0, 5.0
"""While a hold lasts, its newest plateau is called settling, a later one turning, until so much of it can be used."""
GUST_US = 1_000_000
"""A cut that ends so close to now is called a gust."""


@dataclass(frozen=True, slots=True)
class Cut:
    """What was left out of a plateau, us since boot, and why."""

    start_us: int
    stop_us: int
    why: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """One plateau of one hold: a reading, or a refusal if `averaged.refusal` says why. Times in us since boot."""

    hold: int
    plateau: int
    boot: int
    hold_start_us: int
    hold_stop_us: int
    start_us: int
    stop_us: int
    cuts: tuple[Cut, ...]
    averaged: Averaged

    @property
    def name(self) -> str:
        """What people call it: HOLD.PLATEAU."""
        return f"{self.hold}.{self.plateau}"


@dataclass(slots=True)
class OpenHold:
    """A hold that waits for its zero or its air."""

    number: int
    start_us: int
    stop_us: int
    parts: list[tuple[int, int, tuple[Cut, ...]]]


class Session:
    """Readings out of a stream of bytes.

    Parameters
    ----------
    hood : Hood
        The hood that was used.
    patience_s : float or None
        See `Assembler`; None for a whole file.
    window_s : tuple of float or None
        Instead of finding holds, take these seconds since the first sample (of the first boot) as one plateau with
        nothing cut out.
    """

    def __init__(
        self, hood: Hood, patience_s: float | None = None, window_s: tuple[float, float] | None = None
    ) -> None:
        self.hood = hood
        self.has_hello = False
        self._window_s = window_s
        self.decoder = Decoder()
        self.assembler = Assembler(patience_s)
        self.n_good = 0
        self.n_bad = 0
        self.n_samples = 0
        self.n_bytes = 0
        self.spans: dict[int, tuple[int, int]] = {}
        self._patience_us = math.inf if patience_s is None else patience_s * 1e6
        self._trail: Trail | None = None
        self._finder = HoldFinder(hood)
        self._n_framed = 0
        self._n_holds = 0
        self._open: list[OpenHold] = []
        self._zero_after_us = min(self._patience_us, ZERO_AFTER_US)
        self._zeros = Zeros(hood.taps, self._zero_after_us)
        self._forced = False

    def feed(self, block: bytes) -> list[Outcome]:
        """Take the next block of the stream."""
        self.n_bytes += len(block)
        return self.take(self.decoder.feed(block))

    def take(self, decoded: Decoded) -> list[Outcome]:
        """Take what another decoder made of the next block; all blocks of a session go one way or the other."""
        self.n_good += decoded.n_good
        self.n_bad += decoded.n_bad
        out: list[Outcome] = []
        for samples in self.assembler.feed(decoded):
            out += self._samples(samples)
        return out

    def finish(self) -> list[Outcome]:
        """Close the stream."""
        out = self.take(self.decoder.finish())
        for samples in self.assembler.finish():
            out += self._samples(samples)
        return out + self._end()

    def so_far(self) -> SoFar:
        """Return how far the hold is that is being made now; changes nothing.

        A second session takes over what this one has gathered, is told that the stream ends with the vane's newest
        edge, and says what it would say then.
        """
        trail = self._trail
        if trail is None or trail.origin_us is None or not len(trail.t_us):
            return SoFar("free")
        stop = max(self._n_framed, (trail.newest_us() - trail.origin_us) // FRAME_US)
        finder, now = self._finder.fork(), Session(self.hood)
        now._zeros, now._patience_us = self._zeros.fork(), self._patience_us
        holds = []
        for found in finder.feed(trail.frames(self._n_framed, stop), last=True):
            if isinstance(found, Free):
                now._hang(trail, found)
            else:
                holds.append(found)
        for before in holds[:-1]:
            now._zeros.hold(trail.at_us(before.start), trail.at_us(before.stop))
        state, hold = seen_now(finder.newest, holds, self.hood)
        boot, now_us = trail.boot.number, trail.at_us(stop)
        if hold is None:
            return SoFar(state, boot, now_us - SOON_US if state == "seated" else None, now_us)
        now._hold(trail, hold)
        last = now._averaged(trail, now._open)[-1]
        a = last.averaged
        if state == "steady" and a.used_s < (SETTLED_S if last.plateau == 1 else TURNED_S):
            state = "settling" if last.plateau == 1 else "turning"
        elif any(last.stop_us - cut.stop_us < GUST_US for cut in last.cuts):
            state = "gust"
        averaged = a if math.isfinite(a.flow_m3_s) else None
        return SoFar(state, boot, last.hold_start_us, now_us, averaged, a.used_s, last.start_us, last.plateau)

    def _samples(self, samples: Samples) -> list[Outcome]:
        out: list[Outcome] = []
        if self._trail is None or samples.boot.number != self._trail.boot.number:
            out += self._end()
            before = [(-1, self._trail.airs[-1][1])] if self._trail is not None and self._trail.airs else []
            self._begin(Trail(samples.boot, self.hood, before))
            self.has_hello |= bool(samples.boot.hello)
            self._zeros = Zeros(self.hood.taps, self._zero_after_us, self._zeros.newest_pa())
        if len(samples):
            self.n_samples += len(samples)
            first, _ = self.spans.get(samples.boot.number, (int(samples.t_us[0]), 0))
            self.spans[samples.boot.number] = (first, int(samples.t_us[-1]))
        for part in _pieces(samples):
            trail = self._trail
            if trail is not None and len(trail.t_us) and len(part) and part.t_us[0] - trail.t_us[-1] > LONG_SILENCE_US:
                out += self._end()
                self._begin(Trail(samples.boot, self.hood, trail.airs))
            if self._trail is not None:
                self._trail.append(part)
            out += self._advance(last=False)
        return out

    def _begin(self, trail: Trail) -> None:
        self._trail = trail
        self._finder, self._n_framed = HoldFinder(self.hood), 0

    def _end(self) -> list[Outcome]:
        """Close what is open in the current boot."""
        return self._advance(last=True) if self._trail is not None else []

    def _advance(self, last: bool) -> list[Outcome]:
        """Make the frames that are certain, follow the holds, and return what has become final."""
        trail = self._trail
        if trail is None or trail.origin_us is None or not len(trail.t_us):
            return []
        until_us = int(trail.t_us[-1]) - (0 if last else LOOK_AHEAD_US)
        stop = max(self._n_framed, (until_us - trail.origin_us) // FRAME_US)
        frames = trail.frames(self._n_framed, stop)
        self._n_framed = stop
        for found in self._finder.feed(frames, last):
            if isinstance(found, Free):
                self._hang(trail, found)
            elif self._window_s is None:
                self._hold(trail, found)
        if self._window_s is not None and last and not self._forced:
            self._force(trail, *self._window_s)
        final = self._ready(trail, trail.at_us(stop), last)
        needed = min([self._finder.earliest, *([] if last else [stop])])
        start_us = min([trail.at_us(needed), *(hold.start_us for hold in self._open)])
        if self._window_s is None:
            trail.forget(start_us)
        return final

    def _hang(self, trail: Trail, free: Free) -> None:
        """Take the zero of dp from free-hanging air, if it can be one."""
        if self.hood.taps is None:
            return
        frames, n = free.frames, free.frames.n_valid
        if n.sum() == 0:
            return
        zero_pa = float(np.nansum(frames.dp_pa * n) / n.sum())
        noise_pa2 = frames.noise_pa2
        one = np.isnan(noise_pa2) & (n > 0)
        if one.any():
            # A line of the log a frame: the noise shows from frame to frame alone.
            steps_pa2 = np.diff(frames.dp_pa[n > 0]) ** 2
            noise_pa2 = np.where(one, steps_pa2.mean() / 2.0 if len(steps_pa2) else np.inf, noise_pa2)
        noise_pa = math.sqrt(float(np.nansum(noise_pa2 * n)) / float(n.sum()) / float(n.sum()))
        self._zeros.hang(Rest(trail.at_us(free.start), trail.at_us(free.stop), zero_pa, noise_pa))

    def _hold(self, trail: Trail, hold: Hold) -> None:
        """Split a hold into plateaus and put it in the queue."""
        self._n_holds += 1
        flow, lag = _one_series(hold.frames, self.hood)
        first = min(SETTLE + lag, max(len(flow) - LIFT - 1, 0))
        inner = flow[first : max(len(flow) - LIFT, first + 1)]
        parts = []
        for i, plateau in enumerate(plateaus.split(inner, lag)):
            # A turned valve: the vane needs its time, and the last frame before belongs to the turn.
            start = min(plateau.start + (min(SETTLE_TURN + lag, LONGEST_SETTLE_TURN) if i else 0), plateau.stop)
            stop = max(start, plateau.stop - (1 if plateau.stop < len(inner) else 0))
            begin = hold.start + first
            cuts = tuple(
                Cut(trail.at_us(begin + max(start, c.start)), trail.at_us(begin + min(stop, c.stop)), c.why)
                for c in plateau.cuts
                if c.stop > start and c.start < stop
            )
            parts.append((trail.at_us(begin + start), trail.at_us(begin + stop), cuts))
        ends_us = trail.at_us(hold.start), trail.at_us(hold.stop)
        self._zeros.hold(*ends_us)
        self._open.append(OpenHold(self._n_holds, *ends_us, parts))

    def _force(self, trail: Trail, start_s: float, end_s: float) -> None:
        """Put the window that a person chose in the queue, as far as it lies in this boot."""
        shift_s = Timeline(self.spans, self.assembler.clocks).seconds(trail.boot.number, 0)
        first_us, last_us = self.spans[trail.boot.number]
        start_us = max(round((start_s - shift_s) * 1e6), first_us)
        stop_us = min(round((end_s - shift_s) * 1e6), last_us)
        if start_us < stop_us:
            self._n_holds += 1
            self._forced = True
            self._open.append(OpenHold(self._n_holds, start_us, stop_us, [(start_us, stop_us, ())]))

    def _ready(self, trail: Trail, now_us: int, last: bool) -> list[Outcome]:
        """Average the holds that wait for nothing more, in order."""
        ready: list[OpenHold] = []
        while self._open:
            hold = self._open[0]
            waited = last or now_us - hold.stop_us > self._patience_us
            if not waited and not (trail.airs and self._zeros.settled(hold.start_us, hold.stop_us)):
                break
            ready.append(self._open.pop(0))
        return self._averaged(trail, ready)

    def _averaged(self, trail: Trail, ready: list[OpenHold]) -> list[Outcome]:
        """Average the plateaus of some holds in one go."""
        seen: list[Observed] = []
        doubts: list[bool] = []
        places: list[tuple[OpenHold, float, list[int | None]]] = []
        for hold in ready:
            zero_pa, doubtful = self._zeros.at(hold.start_us, hold.stop_us)
            airs_until_us = hold.stop_us + self._patience_us
            indices: list[int | None] = []
            for start_us, stop_us, cuts in hold.parts:
                cuts_us = [(c.start_us, c.stop_us) for c in cuts]
                observed = observe(trail.plane(start_us, stop_us, cuts_us, zero_pa, airs_until_us), self.hood)
                indices.append(None if observed is None else len(seen))
                if observed is not None:
                    seen.append(observed)
                    doubts.append(doubtful)
            places.append((hold, zero_pa, indices))
        averages = average(seen, self.hood, doubts)
        least = CLEARLY * (self.hood.start_flow_m3_s("supply") or 0.0)
        out: list[Outcome] = []
        for hold, zero_pa, indices in places:
            mine = []
            for number, (index, (start_us, stop_us, cuts)) in enumerate(zip(indices, hold.parts, strict=True), 1):
                averaged = nothing_seen() if index is None else _judged(averages[index], start_us, stop_us, cuts, least)
                ends_us = hold.start_us, hold.stop_us, start_us, stop_us
                mine.append(Outcome(hold.number, number, trail.boot.number, *ends_us, cuts, averaged))
            self._read(mine, [None if index is None else seen[index] for index in indices], zero_pa)
            out += mine
        return out

    def _read(self, hold: list[Outcome], seen: list[Observed | None], zero_pa: float) -> None:
        """Note a hold that was read, for a subclass: its plateaus, what the channels saw on each, the zero used."""


def _judged(averaged: Averaged, start_us: int, stop_us: int, cuts: tuple[Cut, ...], least_m3_s: float) -> Averaged:
    """Refuse or flag what has too little left of it, or looks like walking; `least_m3_s` turns the vane."""
    cut_share = sum(c.stop_us - c.start_us for c in cuts) / max(stop_us - start_us, 1)
    if cut_share > MUCH_CUT:
        averaged = replace(averaged, flags=(*averaged.flags, "much cut out"))
    if averaged.refusal is None and cut_share > TOO_MUCH_CUT:
        return replace(averaged, refusal="much cut out")
    if averaged.refusal is None and averaged.used_s < LEAST_USED_S:
        return replace(averaged, refusal="too short")
    if averaged.refusal is None and averaged.used_s < ROUGH_USED_S:
        if averaged.fluctuation_rel > ROUGH_REL:
            return replace(averaged, refusal="not steady")
        if averaged.vane_m3_s is None and averaged.flow_m3_s < least_m3_s:
            return replace(averaged, refusal="too slow")
    return averaged


def _pieces(samples: Samples) -> list[Samples]:
    """Cut a long stretch into parts of at most `PIECE` samples; messages go with the first that reaches them."""
    silences = (np.flatnonzero(np.diff(samples.t_us) > LONG_SILENCE_US) + 1).tolist()
    if len(samples) <= PIECE and not silences:
        return [samples]
    out, said = [], 0
    starts = sorted({*range(0, len(samples), PIECE), *silences})
    for start, stop in zip(starts, [*starts[1:], len(samples)], strict=True):
        part = slice(start, stop)
        t_us = samples.t_us[part]
        end = said
        final = stop == len(samples)
        while end < len(samples.messages) and (final or samples.messages[end].t_us <= int(t_us[-1])):
            end += 1
        out.append(
            replace(
                samples,
                **{
                    n: getattr(samples, n)[part]
                    for n in ("seq", "t_us", "edges", "age_us", "raw_dp", "raw_temp", "flags")
                },
                messages=samples.messages[said:end],
            )
        )
        said = end
    return out


def _one_series(frames: Frames, hood: Hood) -> tuple[FloatArray, int]:
    """Return one flow-like series for finding events in a hold, and the vane's lag in frames.

    The vane alone where the taps are noisy or say something else; else the mean of both, brought to one level.
    """
    vane, taps, dp = speeds(frames, hood, smooth=False)
    flow, lag = None, 0
    if vane is not None and hood.vane is not None and vane.mean() > 0.0:
        flow = vane
        length = hood.vane.response_length_m or TYPICAL_RESPONSE_M
        lag = min(10, math.ceil(3.0 * length / (float(vane.mean()) / hood.vane.k) / (FRAME_US * 1e-6)))
    if taps is not None and dp is not None and np.isfinite(dp).all() and dp.mean() != 0.0:
        per_frame = max(1.0, float(frames.n_valid.mean()))
        noise = math.sqrt(float(np.mean(np.nan_to_num(frames.noise_pa2))) / per_frame)
        size = taps * np.sign(dp.mean())
        if flow is None:
            return size, lag
        ratio = float(size.mean()) / float(flow.mean())
        if noise / (2.0 * abs(float(dp.mean()))) < MOST_TAPS_NOISE_REL and 0.5 < ratio < 2.0:
            flow = 0.5 * (flow + size / ratio)
    return (flow if flow is not None else np.zeros(len(frames))), lag
