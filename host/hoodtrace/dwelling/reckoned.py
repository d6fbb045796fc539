"""What a window gives once a person has chosen it: its reading, what to doubt in it, and which flow it is of.

A stretch that a person chose after seeing its flow is flagged: the interval holds only if the flow was no reason for
the choice. So is air that was in no plateau that was found, which may be a turned valve or a hood half lifted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.dwelling.found_windows import reading_of
from hoodtrace.dwelling.state import State
from hoodtrace.dwelling.window import OTHER_WAY, Window
from hoodtrace.errors import UsageError

CHOSEN, BEYOND = "chosen by hand", "beyond what was found"


def reckoned(
    window: Window,
    before: Window | None,
    kept: KeptTrace,
    automatic: Mapping[str, Window],
    directions: Mapping[str, str],
    state: State,
) -> Window:
    """Return a window of a person with its reading, flags and epoch.

    Parameters
    ----------
    window, before : Window
        As it is to be, and as it was (None: it is new).
    kept : KeptTrace
        Its trace.
    automatic : mapping of str to Window
        What was found, by id.
    directions : mapping of str to str
        The plan's, by terminal.
    state : State
        The visit's.
    """
    if window.by == "automatic" or window.gone:
        return window
    reading = dict(window.reading)
    if before is None or before.place != window.place:
        reading = reading_of(kept, kept.reading(window.place))
    flags = [flag for flag in reading.get("flags", ()) if flag not in (OTHER_WAY, CHOSEN, BEYOND)]
    found = automatic.get(window.id)
    if found is None or found.place != window.place:
        flags.append(CHOSEN)
        if _is_beyond(window, automatic.values()):
            flags.append(BEYOND)
    wanted = directions.get(str(window.terminal), "unknown")
    if {wanted, reading.get("direction", "unknown")} == {"supply", "extract"}:
        flags.append(OTHER_WAY)
    epoch = window.epoch
    if window.terminal is not None and (before is None or before.terminal != window.terminal):
        epoch = _epoch(window, reading.get("start_s"), kept, state)
    return replace(window, reading={**reading, "flags": flags}, epoch=epoch)


def once(window: Window, others: Iterable[Window], automatic: Mapping[str, Window]) -> None:
    """Refuse a window that would make one placement of the hood count twice for its terminal.

    Raises
    ------
    UsageError
        Another window of the same hold counts for the same flow already.
    """
    if not window.counts:
        return
    mine = _hold_us(window, automatic.values())
    of = window.trace, window.boot, window.terminal, window.setting, window.epoch
    for other in others:
        if other.id == window.id or not other.counts:
            continue
        its = _hold_us(other, automatic.values())
        if of == (other.trace, other.boot, other.terminal, other.setting, other.epoch) and _meet(mine, its):
            raise UsageError(
                f"{window.id} and {other.id} are of one placement of the hood, which counts once for "
                f"{window.terminal}: merge them and cut out what is not to count"
            )


def _is_beyond(window: Window, automatic: Iterable[Window]) -> bool:
    """Whether air of the window was in no plateau that was found."""
    found = [w for w in automatic if (w.trace, w.boot) == (window.trace, window.boot) and w.is_reading]
    left = [(window.start_us, window.stop_us)]
    for start, stop in [*((c.start_us, c.stop_us) for c in window.cuts), *((w.start_us, w.stop_us) for w in found)]:
        left = [part for a, b in left for part in ((a, min(b, start)), (max(a, stop), b)) if part[0] < part[1]]
    return bool(left)


def _hold_us(window: Window, automatic: Iterable[Window]) -> tuple[int, int]:
    """Return the ends of the hold that a window is in: for one that a person made, of what was found around it."""
    ends = window.start_us, window.stop_us
    holds = [(w.hold_start_us, w.hold_stop_us) for w in automatic if (w.trace, w.boot) == (window.trace, window.boot)]
    met = [hold for hold in holds if _meet(hold, ends)]
    return min([ends[0], *(a for a, _ in met)]), max([ends[1], *(b for _, b in met)])


def _meet(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return one[0] < other[1] and other[0] < one[1]


def _epoch(window: Window, start_s: object, kept: KeptTrace, state: State) -> tuple[int, int]:
    """Return which flow of its terminal a window is of: by the readings around it, for a turn is written after them."""
    terminal = str(window.terminal)
    house, turned = state.epoch(terminal, _utc_of(kept, window))
    here = [p for p in state.given if p.terminal == terminal and p.entry.get("trace") == window.trace]
    here = [p for p in here if isinstance(p.entry.get("start_s"), int | float)]
    if not here or not isinstance(start_s, int | float):
        return house, turned
    here.sort(key=lambda p: float(p.entry["start_s"]))
    before = [p for p in here if float(p.entry["start_s"]) <= start_s + 1.0]
    if before:
        return max(house, before[-1].epoch[0]), before[-1].epoch[1]
    return min(house, here[0].epoch[0]), here[0].epoch[1] - bool(here[0].entry.get("after_turn"))


def _utc_of(kept: KeptTrace, window: Window) -> str:
    """Return the time of day at which a window ends, ISO 8601; empty where nobody knows it."""
    utc_s = kept.utc_s(window.boot, window.stop_us)
    return "" if utc_s is None else datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")
