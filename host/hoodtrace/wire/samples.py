"""From lines to samples: boots told apart, order restored, duplicates dropped, wraps undone, losses counted.

`Assembler` takes what the decoder gives and hands on `Samples`: one boot each, in the order of SEQ, with the messages
among them. With a finite `patience_s` (a live view) a hole in SEQ holds back what follows until the missing lines
were sent again or the board's clock has gone on by that much; without one (a whole file) everything waits for
`finish`, and a line counts however late it came. What comes out never depends on how the stream was cut.

Which boot a line belongs to is only certain from a `hello` with its boot id. So lines wait for the next `hello`
after an `opened` or `gap` note, after more than two seconds of silence, and at the beginning; a line that goes back in
SEQ is a repeated one once a line goes forward again, and the first of a new boot if a `hello` says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hoodtrace.wire.decoder import Decoded, Message, SampleColumns
from hoodtrace.wire.lines import EDGES_MODULUS, PROTOCOL, SEQ_MODULUS

TINY = 1e-9
"""No scale of a sensor is that small, nor its inverse that large."""

SILENCE_US = 2_000_000
"""A longer jump forward may hide a restart of the board."""

LATE_US = 60_000_000
"""Lines later than this are used only where the whole stream is read."""

_COLUMN = np.dtype(
    [
        ("seq", np.int64),
        ("t_us", np.int64),
        ("edges", np.int32),
        ("age_us", np.int32),
        ("raw_dp", np.int16),
        ("raw_temp", np.int16),
        ("flags", np.uint8),
        ("late", np.uint8),
    ]
)
_NAMES = _COLUMN.names or ()
Columns = dict[str, NDArray[Any]]

_PIECE = 1 << 17


@dataclass(frozen=True, slots=True)
class Boot:
    """One run of the board: `number` counts from 1 in the trace, `hello` is the JSON object in force."""

    number: int
    id: str
    hello: dict[str, Any]

    def positive(self, key: str) -> float | None:
        """Return the value of `key` in the hello if it is a finite positive number, else None."""
        value = self.hello.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool) and TINY < value < 1.0 / TINY:
            return float(value)
        return None


@dataclass(frozen=True, slots=True)
class Samples:
    """Consecutive samples of one boot, each column of shape (n,), and the board's messages up to the last of them.

    `seq` and `edges` are unwrapped (int64), `edges` counts from the boot's first sample here; times in us since boot.
    """

    boot: Boot
    seq: NDArray[np.int64]
    t_us: NDArray[np.int64]
    edges: NDArray[np.int64]
    age_us: NDArray[np.int64]
    raw_dp: NDArray[np.int16]
    raw_temp: NDArray[np.int16]
    flags: NDArray[np.uint8]
    messages: tuple[Message, ...]

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(slots=True)
class _Run:
    """What is known of one boot while its lines come in."""

    boot: Boot
    low: int | None = None
    high: int | None = None
    high_us: int = 0
    next_seq: int | None = None
    released_us: int = -1
    n_lost: int = 0
    edges: int | None = None
    edges_raw: int = 0
    waiting: list[Columns] = field(default_factory=list)
    said: list[tuple[int, Message]] = field(default_factory=list)

    def unwrap(self, seq: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return `seq` without the wrap at 2**28, as the values nearest to the highest so far."""
        near = self.high if self.high is not None else (int(seq[0]) if len(seq) else 0)
        half = SEQ_MODULUS // 2
        return (seq - near + half) % SEQ_MODULUS - half + near


@dataclass(frozen=True, slots=True)
class Clock:
    """A host note with the time of day: at `t_us` of boot `boot_number` it was `utc_s` (seconds of the epoch)."""

    boot_number: int
    t_us: int
    utc_s: float


class Assembler:
    """Feed it `Decoded` blocks, then `finish`; it returns the samples that are in order and complete.

    Parameters
    ----------
    patience_s : float or None
        How long (by the board's clock) a hole in SEQ holds back what follows; None waits for the end of the stream.

    Attributes
    ----------
    clocks : list of Clock
        The first host note with the time of day in each boot.
    other_protocol : str or None
        The protocol of a hello that is not ours; the caller decides what that means.
    n_late : int
        Lines that came too late to be used; 0 without a patience.
    late : dict of int to list of int
        By boot number, TIME of the samples that were used though they came more than 60 s late.
    n_stray : int
        Good lines that fit no boot in the stream (a piece of another trace, say); they are not used.
    """

    def __init__(self, patience_s: float | None = None) -> None:
        self._patience_us = math.inf if patience_s is None else patience_s * 1e6
        self._runs: list[_Run] = []
        self._run: _Run | None = None
        self._unsure: list[tuple[SampleColumns, list[Message]]] = []
        self._wait_for_hello = True
        self._clocked = 0
        self.clocks: list[Clock] = []
        self.other_protocol: str | None = None
        self.n_late = 0
        self.n_stray = 0
        self.late: dict[int, list[int]] = {}

    @property
    def n_lost(self) -> int:
        """SEQ numbers of all boots that were given up."""
        return sum(run.n_lost for run in self._runs)

    @property
    def n_boots(self) -> int:
        """Boots seen so far."""
        return len(self._runs)

    def feed(self, decoded: Decoded) -> list[Samples]:
        """Take the next block and return the samples that are now complete."""
        out: list[Samples] = []
        samples, start = decoded.samples, 0
        plain: list[Message] = []
        calm = self._calm(decoded)
        for message in decoded.messages:
            what = message.body.get("kind")
            if message.kind == "J" and (what != "hello" or (calm and not self._decides(message))):
                plain.append(message)
            elif message.kind == "J" or (message.kind == "H" and (what in ("opened", "gap") or self._wants(what))):
                stop = int(np.searchsorted(samples.place, message.place))
                self._lines(_part(samples, start, stop), plain)
                start, plain = stop, []
                # Only now, with the lines before it taken in, is it known whether this hello decides something.
                if message.kind == "J" and self._decides(message):
                    out += self._hello(message)
                elif message.kind == "J":
                    plain.append(message)
                else:
                    self._note(message, str(what))
        self._lines(_part(samples, start, len(samples)), plain)
        if self._run is not None and self._patience_us < math.inf:
            out += self._complete(self._run, final=False)
        return out

    def finish(self) -> list[Samples]:
        """Close the stream and return the rest; holes that are left are lost."""
        if self._run is None and any(len(columns) or said for columns, said in self._unsure):
            self._start("", {})
        elif self._run is not None and (self._wait_for_hello or self._patience_us == math.inf):
            self._unsure = [self._that_fit(self._run, *lines) for lines in self._unsure]
        self._settle()
        if self._patience_us < math.inf:
            return self._complete(self._run, final=True) if self._run is not None else []
        out: list[Samples] = []
        for run in self._runs:
            for waiting, said in _pieces(run.waiting, run.said):
                run.waiting, run.said = waiting, said
                out += self._complete(run, final=True)
        return out

    def _calm(self, decoded: Decoded) -> bool:
        """Whether the board's lines of a block go on from the ones before without a silence or a step back."""
        run, samples = self._run, decoded.samples
        if run is None or self._wait_for_hello or self._unsure or not len(samples):
            return False
        said = [message for message in decoded.messages if message.kind == "J"]
        at = np.searchsorted(samples.place, [message.place for message in said])
        t_us = np.insert(samples.t_us, at, [message.t_us for message in said])
        step_us = np.diff(t_us, prepend=run.high_us)
        return bool(step_us.min() >= 0 and step_us.max() <= SILENCE_US)

    def _wants(self, what: object) -> bool:
        """Whether a host note is a clock note for a boot that has none yet."""
        return what == "clock" and (self._run is None or self._clocked < self._run.boot.number)

    def _decides(self, message: Message) -> bool:
        """Whether a J message is a hello that settles or changes which boot the lines belong to."""
        if message.body.get("kind") != "hello":
            return False
        run = self._run
        return run is None or self._wait_for_hello or message.body != run.boot.hello

    def _hello(self, message: Message) -> list[Samples]:
        hello = message.body
        protocol = hello.get("protocol", PROTOCOL)
        if protocol != PROTOCOL or isinstance(protocol, bool):
            self.other_protocol = str(protocol)
        name, out = str(hello.get("boot", "")), []
        if self._run is None or name != self._run.boot.id:
            if self._run is not None and self._patience_us < math.inf:
                out = self._complete(self._run, final=True)
            known = [run for run in self._runs if run.boot.id == name]
            if known:
                self._run = known[0]
            else:
                self._start(name, hello)
        self._settle()
        if self._run is not None:
            self._accept(self._run, _NONE, [message])
        return out

    def _start(self, name: str, hello: dict[str, Any]) -> None:
        self._run = _Run(Boot(len(self._runs) + 1, name, hello))
        self._runs.append(self._run)

    def _note(self, message: Message, what: str) -> None:
        if what in ("opened", "gap"):
            self._wait_for_hello = True
        utc_s = _epoch_s(message.body.get("utc"))
        # An `opened` note in a continued trace carries the TIME of the session before: only `clock` notes date a line.
        if what == "clock" and utc_s is not None and self._run is not None and not self._unsure and message.t_us > 0:
            self._clocked = self._run.boot.number
            self.clocks.append(Clock(self._run.boot.number, message.t_us, utc_s))

    def _settle(self) -> None:
        """Give the lines that waited for a hello to the boot that is now certain."""
        unsure, self._unsure, self._wait_for_hello = self._unsure, [], False
        if self._run is not None and unsure:
            # All at once: the first line of a boot that counts must not hang on how the stream was cut.
            columns = SampleColumns(
                *(np.concatenate([getattr(part, name) for part, _ in unsure]) for name in SampleColumns.__slots__)
            )
            self._accept(self._run, columns, [m for _, said in unsure for m in said])

    def _that_fit(self, run: _Run, columns: SampleColumns, said: list[Message]) -> tuple[SampleColumns, list[Message]]:
        """Return those lines whose SEQ and TIME stand between their neighbours' in `run`; count the others."""
        waiting = [(part["seq"], part["t_us"]) for part in run.waiting] or [(_NONE.seq, _NONE.t_us)]
        known, known_us = (np.concatenate(part) for part in zip(*waiting, strict=True))
        order = np.argsort(known, kind="stable")
        known = known[order]
        edges_us = np.concatenate([[-1], known_us[order], [np.iinfo(np.int64).max]])

        def fit(seq: NDArray[np.int64], t_us: NDArray[np.int64]) -> NDArray[np.bool_]:
            near = run.unwrap(seq)
            after = np.searchsorted(known, near, side="right")
            fits: NDArray[np.bool_] = (edges_us[after] <= t_us) & (t_us <= edges_us[after + 1])
            if run.high is not None and self._patience_us < math.inf:
                fits &= near > run.high
            return fits

        keep = fit(columns.seq, columns.t_us)
        speak = fit(np.array([m.seq for m in said], np.int64), np.array([m.t_us for m in said], np.int64))
        self.n_stray += int(np.sum(~keep)) + int(np.sum(~speak))
        kept = SampleColumns(*(getattr(columns, name)[keep] for name in SampleColumns.__slots__))
        return kept, [m for m, k in zip(said, speak, strict=True) if k]

    def _lines(self, columns: SampleColumns, said: list[Message]) -> None:
        """Take lines in stream order with no deciding message among them."""
        if not len(columns) and not said:
            return
        run = self._run
        if run is None or self._wait_for_hello:
            self._unsure.append((columns, said))
            return
        place = np.concatenate([columns.place, [m.place for m in said]]).astype(np.int64)
        order = np.argsort(place, kind="stable")
        seq = run.unwrap(np.concatenate([columns.seq, [m.seq for m in said]]).astype(np.int64))[order]
        t_us = np.concatenate([columns.t_us, [m.t_us for m in said]]).astype(np.int64)[order]
        before = seq[0] - 1 if run.high is None else run.high
        highest = np.maximum.accumulate(np.concatenate([[before], seq]))
        forward = np.flatnonzero(seq > highest[:-1])
        t_forward = np.concatenate([[run.high_us if run.high is not None else t_us[0]], t_us[forward]])
        step_us = np.diff(t_forward)
        broken = np.flatnonzero((step_us > SILENCE_US) | (step_us < 0))
        # Certain up to the first silence; behind the last line that goes forward nothing is certain yet.
        certain = forward[: broken[0]] if len(broken) else forward
        stop = int(certain[-1]) + 1 if len(certain) else 0
        if len(broken) or stop < len(place):
            cut = int(place[order[stop]])
            if stop:
                self._settle()
            first, rest = _split(columns, said, cut)
            if stop:
                self._accept(run, *first)
            self._unsure.append(rest if stop else (columns, said))
            self._wait_for_hello = len(broken) > 0
        else:
            self._settle()
            self._accept(run, columns, said)

    def _accept(self, run: _Run, columns: SampleColumns, said: list[Message]) -> None:
        """Put lines that are certainly of this boot to those that wait for their turn."""
        n = len(columns)
        seq = run.unwrap(np.concatenate([columns.seq, [m.seq for m in said]]).astype(np.int64))
        if not len(seq):
            return
        t_us = np.concatenate([columns.t_us, [m.t_us for m in said]]).astype(np.int64)
        if run.low is None or self._patience_us == math.inf:
            run.low = int(seq.min()) if run.low is None else min(run.low, int(seq.min()))
        wanted = seq >= run.low
        place = np.concatenate([columns.place, [m.place for m in said]])
        order = np.argsort(place, kind="stable")
        newest = np.maximum.accumulate(np.maximum(t_us[order], run.high_us))
        behind_us = newest - t_us[order]
        if self._patience_us < math.inf:
            wanted[order] &= behind_us <= self._patience_us
            self.n_late += int(np.sum(~wanted))
        late = np.empty(len(seq), bool)
        late[order] = behind_us > LATE_US
        new = {name: getattr(columns, name) for name in _NAMES if name not in ("seq", "late")}
        new |= {"seq": seq[:n], "late": late[:n]}
        new = {name: new[name].astype(_COLUMN[name]) for name in _NAMES}
        run.waiting.append(new if wanted.all() else _picked(new, wanted[:n]))
        run.said += [(int(s), m) for s, m, w in zip(seq[n:], said, wanted[n:], strict=True) if w]
        top = int(np.argmax(seq))
        if run.high is None or seq[top] > run.high:
            run.high, run.high_us = int(seq[top]), max(run.high_us, int(t_us[top]))

    def _complete(self, run: _Run, final: bool) -> list[Samples]:
        """Return the samples of `run` up to its first hole that may still be filled."""
        rows = _columns(run.waiting)
        if np.any(rows["seq"][1:] <= rows["seq"][:-1]):
            rows = _picked(rows, np.unique(rows["seq"], return_index=True)[1])
        if run.next_seq is not None:
            rows = _picked(rows, slice(int(np.searchsorted(rows["seq"], run.next_seq)), None))
        # Of two messages with one SEQ the first counts, as with samples.
        said = dict(reversed(run.said))
        spoken = np.array(sorted(said), np.int64)
        seq = rows["seq"]
        spoken = (
            spoken[~np.isin(spoken, seq[np.searchsorted(seq, spoken).clip(max=max(len(seq) - 1, 0))])]
            if len(seq)
            else spoken
        )
        seq = np.insert(seq, np.searchsorted(seq, spoken), spoken)
        start = int(np.searchsorted(seq, run.next_seq)) if run.next_seq is not None else 0
        seq = seq[start:]
        if not len(seq):
            run.waiting, run.said = [], []
            return []
        before = seq[0] - 1 if run.next_seq is None else run.next_seq - 1
        holes = np.diff(np.concatenate([[before], seq])) - 1
        stop = len(seq)
        if not final:
            open_holes = np.flatnonzero(holes)
            if len(open_holes):
                t_after = np.array([_time_of(int(s), rows, said) for s in seq[open_holes]])
                held = open_holes[run.high_us - t_after <= self._patience_us]
                stop = int(held[0]) if len(held) else stop
        run.n_lost += int(holes[:stop].sum())
        if stop:
            run.next_seq = int(seq[stop - 1]) + 1
        end = run.next_seq if run.next_seq is not None else int(seq[0])
        begin, cut = np.searchsorted(rows["seq"], [before + 1, end])
        later = [(s, m) for s, m in run.said if s >= end]
        messages = [said[s] for s in sorted(said) if before < s < end]
        part = _picked(rows, slice(int(begin), int(cut)))
        t_us = part["t_us"]
        if len(t_us) and (t_us[0] < run.released_us or np.any(t_us[1:] < t_us[:-1])):
            in_time = _in_time(t_us, run.released_us)
            self.n_stray += int(np.sum(~in_time))
            part = _picked(part, in_time)
            t_us = part["t_us"]
        if len(t_us):
            self.late.setdefault(run.boot.number, []).extend(t_us[part["late"] != 0].tolist())
            run.released_us = int(t_us[-1])
        run.waiting, run.said = [_picked(rows, slice(int(cut), None))], later
        return list(_stretches(run, part, messages)) if len(t_us) or messages else []


def _pieces(
    waiting: list[Columns], said: list[tuple[int, Message]]
) -> Iterator[tuple[list[Columns], list[tuple[int, Message]]]]:
    """Yield lines in pieces, each wholly before the next in SEQ and TIME; what came again is in one with its hole.

    A whole day at once would need new memory for each step, which takes longer than the step.
    """
    blocks = [columns for columns in waiting if len(columns["seq"])]
    said = sorted(said, key=lambda one: one[0])
    seq_before, seq_after = _around([columns["seq"] for columns in blocks])
    us_before, us_after = _around([columns["t_us"] for columns in blocks])
    n_said = np.searchsorted(np.array([seq for seq, _ in said], np.int64), seq_after)
    said_before, said_after = _around([np.array([message.t_us]) for _, message in said])
    apart = (seq_before < seq_after) & (us_before <= us_after)
    apart &= (said_before[n_said] <= us_after) & (said_after[n_said] > us_before)
    waiting.clear()  # so that the memory of a piece that is done serves the next
    piece: list[Columns] = []
    n, told = 0, 0
    for i, fits in enumerate(apart[:-1].tolist()):
        if n >= _PIECE and fits:
            yield piece, said[told : n_said[i]]
            piece, n, told = [], 0, int(n_said[i])
        piece.append(blocks[i])
        n += len(blocks[i]["seq"])
        blocks[i] = {}
    yield piece, said[told:]


def _around(columns: list[NDArray[np.int64]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the highest before and the lowest after each place between, before and behind arrays; shape (n + 1,)."""
    ends = np.iinfo(np.int64)
    highest = np.maximum.accumulate([ends.min, *(column.max() for column in columns)])
    lowest = np.minimum.accumulate([ends.max, *(column.min() for column in reversed(columns))])[::-1]
    return highest, lowest


def _columns(waiting: list[Columns]) -> Columns:
    """Return what waits in one piece."""
    return {name: np.concatenate([part[name] for part in waiting] or [np.empty(0, _COLUMN[name])]) for name in _NAMES}


def _picked(columns: Columns, which: slice | NDArray[Any]) -> Columns:
    return {name: column[which] for name, column in columns.items()}


def _in_time(t_us: NDArray[np.int64], released_us: int) -> NDArray[np.bool_]:
    """Return which of the times do not go back; of each stretch that contradicts itself the smaller part goes."""
    highest, lowest = np.maximum.accumulate(t_us), np.minimum.accumulate(t_us[::-1])[::-1]
    after, before = (t_us >= released_us) & (t_us >= highest), (t_us >= released_us) & (t_us <= lowest)
    stretch = np.concatenate([[0], np.cumsum(highest[:-1] <= lowest[1:])])
    n_after, n_before = np.bincount(stretch, after), np.bincount(stretch, before)
    in_time: NDArray[np.bool_] = np.where((n_after >= n_before)[stretch], after, before)
    return in_time


def _stretches(run: _Run, rows: Columns, messages: list[Message]) -> Iterable[Samples]:
    """Yield `rows` as `Samples`, cut where a hello changes what the counts mean."""
    start = 0
    behind: list[Message] = []
    for message in messages:
        if message.body.get("kind") == "hello" and message.body != run.boot.hello:
            # The hello of another boot that strayed in here may say any time: nothing is handed on twice.
            stop = max(start, int(np.searchsorted(rows["t_us"], message.t_us)))
            yield _samples(run, _picked(rows, slice(start, stop)), behind)
            run.boot = Boot(run.boot.number, run.boot.id, message.body)
            start, behind = stop, []
        behind.append(message)
    yield _samples(run, _picked(rows, slice(start, None)), behind)


def _samples(run: _Run, rows: Columns, messages: list[Message]) -> Samples:
    edges = rows["edges"].astype(np.int64)
    if len(edges):
        if run.edges is None:
            run.edges, run.edges_raw = 0, int(edges[0])
        raw = np.concatenate([[run.edges_raw], edges])
        steps = np.diff(raw)
        steps %= EDGES_MODULUS
        edges = np.cumsum(steps, out=steps)
        edges += run.edges
        run.edges, run.edges_raw = int(edges[-1]), int(raw[-1])
    return Samples(
        run.boot,
        rows["seq"],
        rows["t_us"],
        edges,
        rows["age_us"].astype(np.int64),
        rows["raw_dp"],
        rows["raw_temp"],
        rows["flags"],
        tuple(messages),
    )


def _time_of(seq: int, rows: Columns, said: dict[int, Message]) -> int:
    if seq in said:
        return said[seq].t_us
    return int(rows["t_us"][np.searchsorted(rows["seq"], seq)])


def _part(columns: SampleColumns, start: int, stop: int) -> SampleColumns:
    return SampleColumns(*(getattr(columns, name)[start:stop] for name in SampleColumns.__slots__))


def _split(
    columns: SampleColumns, said: list[Message], place: int
) -> tuple[tuple[SampleColumns, list[Message]], tuple[SampleColumns, list[Message]]]:
    """Cut lines in two: those before byte `place` of the stream, and the rest."""
    cut = int(np.searchsorted(columns.place, place))
    return (
        (_part(columns, 0, cut), [m for m in said if m.place < place]),
        (_part(columns, cut, len(columns)), [m for m in said if m.place >= place]),
    )


def _epoch_s(utc: object) -> float | None:
    """Return seconds of the epoch of an ISO 8601 text with zone, None where it is not one."""
    if not isinstance(utc, str):
        return None
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return None
    return moment.timestamp() if moment.tzinfo is not None else None


_NONE = SampleColumns(*(np.empty(0, np.int64) for _ in range(8)))
