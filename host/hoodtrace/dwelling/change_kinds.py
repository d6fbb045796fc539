"""The kinds of changes to windows, by their ``do``: each gives the windows that it touches, as they are afterwards.

Raises (each of them)
---------------------
UsageError
    It names what is not there, or does not fit; `changes.changed` looks at what all have in common.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from hoodtrace.averaging.session import Cut
from hoodtrace.dwelling.decided import number, words
from hoodtrace.dwelling.ground import Change, Ground, named
from hoodtrace.dwelling.window import Window, stem
from hoodtrace.errors import UsageError
from hoodtrace.wire.clock import LONGEST_S

LEAST_US = 200_000
"""No window and no cut is shorter than a frame."""
MADE_FROM = 9001
"""Windows that a person made count from here: a trace that still grows may bring more holds of its own."""
BETWEEN, BY_HAND = "between", "by hand"
MOST_NOTES = 50


def _window(ground: Ground, change: Change) -> Window:
    return named(ground.windows, change.get("id"))


def _span(ground: Ground, window: Window, change: Change, least: int = LEAST_US) -> tuple[int, int]:
    """Return start and end [us] of a change, which name seconds of the window's trace."""
    zero_s = ground.seconds(window.trace, window.boot, 0)
    ends = [round((number(change.get(key), key, 0.0, LONGEST_S, "s") - zero_s) * 1e6) for key in ("start_s", "end_s")]
    if ends[1] - ends[0] < least:
        raise UsageError(f"{window.id}: the end must be {least * 1e-6:g} s behind the start at least")
    return ends[0], ends[1]


def _edges(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    start, stop = _span(ground, window, change)
    if stop <= window.start_us or window.stop_us <= start:
        raise UsageError(f"{window.id}: the new edges share nothing with the window. `new` makes another one")
    cuts = clipped(window.cuts, start, stop)
    automatic = ground.automatic.get(window.id)
    if automatic is not None:
        # What was found in air that comes in anew: cut out, as it was.
        fresh = [(start, min(stop, window.start_us)), (max(start, window.stop_us), stop)]
        cuts += [cut for ends in fresh for cut in clipped(automatic.cuts, *ends)]
    return [_with(ground, window, start, stop, cuts)]


def _cut(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    start, stop = _span(ground, window, change)
    start, stop = max(start, window.start_us), min(stop, window.stop_us)
    if stop - start < LEAST_US:
        raise UsageError(f"{window.id}: that stretch is not in the window")
    why = BY_HAND if change.get("why") in (None, "") else words(change["why"], "the reason")
    apart = [cut for cut in window.cuts if cut.stop_us < start or cut.start_us > stop]
    met = [cut for cut in window.cuts if cut not in apart]
    ends = min([start, *(c.start_us for c in met)]), max([stop, *(c.stop_us for c in met)])
    if any((c.start_us, c.stop_us) == ends for c in met):
        raise UsageError(f"{window.id}: that stretch is cut out already")
    return [replace(window, cuts=_sorted([*apart, Cut(*ends, why)]))]


def _uncut(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    start, stop = _span(ground, window, change, least=1)
    left = [
        part
        for cut in window.cuts
        for part in (*clipped([cut], cut.start_us, start), *clipped([cut], stop, cut.stop_us))
    ]
    if _sorted(left) == window.cuts:
        raise UsageError(f"{window.id}: nothing is cut out there")
    return [replace(window, cuts=_sorted(left))]


def _split(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    at_s = number(change.get("at_s"), "at_s", 0.0, LONGEST_S, "s")
    at = round((at_s - ground.seconds(window.trace, window.boot, 0)) * 1e6)
    if not window.start_us + LEAST_US <= at <= window.stop_us - LEAST_US:
        raise UsageError(f"{window.id}: {at_s:g} s is not inside the window")
    taken = [w.plateau for w in ground.all() if (w.trace, w.hold) == (window.trace, window.hold)]
    second = _with(ground, window, at, window.stop_us, window.cuts)
    second = replace(second, plateau=max(taken) + 1, terminal=None, line=None, notes=())
    return [_with(ground, window, window.start_us, at, window.cuts), second]


def _merge(ground: Ground, change: Change) -> list[Window]:
    pair = [_window(ground, change), named(ground.windows, change.get("with"))]
    first, second = sorted(pair, key=lambda w: w.start_us)
    if first.id == second.id or (first.trace, first.boot) != (second.trace, second.boot):
        raise UsageError(f"{first.id} and {second.id} can't be merged: two windows of one run of the board, please")
    for window in pair:
        if window.rejected:
            raise UsageError(f"{window.id} is rejected: restore it first, then merge")
    between = [w for w in ground.windows.values() if w.trace == first.trace and w.boot == first.boot]
    if any(first.start_us < w.start_us < second.start_us and not w.rejected for w in between):
        raise UsageError(f"{first.id} and {second.id}: other windows stand between them")
    given = {(window.terminal, window.setting) for window in pair if window.terminal is not None}
    if len(given) > 1:
        raise UsageError(f"{first.id} and {second.id} are of two terminals: give one of them to none first")
    cuts = _joined([*first.cuts, *second.cuts])
    if first.stop_us < second.start_us:
        cuts.append(Cut(first.stop_us, second.start_us, BETWEEN))
    kept, other = (first, second) if first.terminal is not None or second.terminal is None else (second, first)
    away = replace(ground, gone={**ground.gone, other.id: other})
    notes = tuple(dict.fromkeys([*first.notes, *second.notes]))
    return [replace(_with(away, kept, first.start_us, second.stop_us, cuts), notes=notes), replace(other, gone=True)]


def _give(ground: Ground, change: Change) -> list[Window]:
    window, terminal = _window(ground, change), change.get("terminal")
    if "terminal" not in change:
        raise UsageError(f"{window.id}: give which terminal? (null: none)")
    if terminal is None:
        return [replace(window, terminal=None)]
    if not isinstance(terminal, str) or terminal not in ground.terminals:
        raise UsageError(f"there is no terminal {terminal!r}: the plan has {', '.join(ground.terminals)}")
    setting = change.get("setting") or window.setting or ground.settings[0]
    if setting not in ground.settings:
        raise UsageError(f"there is no setting {setting!r}: the plan has {', '.join(ground.settings)}")
    return [replace(window, terminal=terminal, setting=setting)]


def _reject(ground: Ground, change: Change) -> list[Window]:
    return [replace(_window(ground, change), rejected=words(change.get("why"), "the reason"))]


def _restore(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    if not window.rejected:
        raise UsageError(f"{window.id} is not rejected")
    return [replace(window, rejected="")]


def _automatic(ground: Ground, change: Change) -> list[Window]:
    """Back to what was found; what was merged into the window comes back, a window that a person made goes."""
    away = {name: w for name, w in ground.gone.items() if name in ground.automatic}
    window = named({**ground.windows, **away}, change.get("id"))
    found = ground.automatic.get(window.id)
    if found is None:
        return [replace(window, gone=True)]
    back = [replace(found, notes=window.notes)]
    for name, gone in ground.gone.items():
        other = ground.automatic.get(name)
        same = (gone.trace, gone.boot) == (window.trace, window.boot)
        if other is not None and name != window.id and same and window.start_us <= other.start_us < window.stop_us:
            back.append(replace(other, notes=gone.notes))
    return back


def _note(ground: Ground, change: Change) -> list[Window]:
    window = _window(ground, change)
    if len(window.notes) >= MOST_NOTES:
        raise UsageError(f"{window.id}: has {MOST_NOTES} notes already")
    return [replace(window, notes=(*window.notes, words(change.get("text"), "the note")))]


def _new(ground: Ground, change: Change) -> list[Window]:
    """A window where none was found."""
    trace = str(change.get("trace"))
    known = {stem(w.trace): w.trace for w in ground.all()}
    path = known.get(stem(trace), trace if "/" in trace else f"traces/{trace}.trace")
    start_s = number(change.get("start_s"), "start_s", 0.0, LONGEST_S, "s")
    boot, _ = ground.place(path, start_s)
    made = [w.hold for w in ground.all() if w.trace == path]
    number_ = max([MADE_FROM - 1, *made]) + 1
    window = Window(path, number_, 1, boot, 0, 0, 0, 0, (), {}, setting=ground.settings[0])
    start, stop = _span(ground, window, change)
    window = replace(window, hold_start_us=start, hold_stop_us=stop, start_us=start, stop_us=stop)
    if change.get("terminal") is None:
        return [window]
    given = {"id": window.id, "terminal": change["terminal"], "setting": change.get("setting")}
    return _give(replace(ground, windows={**ground.windows, window.id: window}), given)


def clipped(cuts: Iterable[Cut], start: int, stop: int) -> list[Cut]:
    """Return what of `cuts` lies between `start` and `stop` [us].

    Examples
    --------
    >>> clipped([Cut(0, 10, "gust"), Cut(20, 30, "knock")], 5, 20)
    [Cut(start_us=5, stop_us=10, why='gust')]
    """
    ends = [(max(c.start_us, start), min(c.stop_us, stop), c.why) for c in cuts]
    return [Cut(*each) for each in ends if each[0] < each[1]]


def _with(ground: Ground, window: Window, start: int, stop: int, cuts: Iterable[Cut]) -> Window:
    """Return `window` from `start` to `stop`, with what of `cuts` lies in it."""
    hold_start, hold_stop = ground.hold_us(window, start, stop)
    return replace(
        window,
        start_us=start,
        stop_us=stop,
        cuts=_sorted(clipped(cuts, start, stop)),
        hold_start_us=hold_start,
        hold_stop_us=hold_stop,
    )


def _sorted(cuts: Iterable[Cut]) -> tuple[Cut, ...]:
    return tuple(sorted(cuts, key=lambda cut: cut.start_us))


def _joined(cuts: Iterable[Cut]) -> list[Cut]:
    """Return `cuts` with those in one that a split took apart."""
    out: list[Cut] = []
    for cut in cuts:
        if out and (out[-1].stop_us, out[-1].why) == (cut.start_us, cut.why):
            out[-1] = replace(out[-1], stop_us=cut.stop_us)
        else:
            out.append(cut)
    return out


NEEDS = {
    "edges": ("id", "start_s", "end_s"),
    "cut": ("id", "start_s", "end_s", "why"),
    "uncut": ("id", "start_s", "end_s"),
    "split": ("id", "at_s"),
    "merge": ("id", "with"),
    "give": ("id", "terminal", "setting"),
    "reject": ("id", "why"),
    "restore": ("id",),
    "automatic": ("id",),
    "note": ("id", "text"),
    "new": ("trace", "start_s", "end_s", "terminal", "setting"),
}
"""What each change needs, or may have."""

CHANGES: dict[str, Callable[[Ground, Change], list[Window]]] = {
    "edges": _edges,
    "cut": _cut,
    "uncut": _uncut,
    "split": _split,
    "merge": _merge,
    "give": _give,
    "reject": _reject,
    "restore": _restore,
    "automatic": _automatic,
    "note": _note,
    "new": _new,
}
