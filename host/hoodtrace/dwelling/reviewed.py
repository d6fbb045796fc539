"""What people chose in review: the journal's lines about windows folded into the choices that stand now.

Each change is one line that holds the windows it touched as they are afterwards. `undo` takes the newest change that
stands out, `redo` puts the newest that was taken out back; a new change ends what could be redone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.window import Window, of_entry

if TYPE_CHECKING:
    from hoodtrace.dwelling.state import Placement


@dataclass(frozen=True, slots=True)
class Change:
    """A change that a person made: the journal's line, what it did in words, and the windows as they are after it."""

    line: int
    did: Mapping[str, Any]
    windows: tuple[Window, ...]
    utc: str = ""

    @property
    def ids(self) -> tuple[str, ...]:
        """The windows that it touched."""
        return tuple(window.id for window in self.windows)


@dataclass(slots=True)
class Reviewed:
    """The changes that stand, oldest first, and those that could be made again, newest last."""

    done: list[Change] = field(default_factory=list)
    undone: list[Change] = field(default_factory=list)
    _windows: dict[str, tuple[int, Window]] | None = field(default=None, compare=False, repr=False)

    def take(self, line: int, entry: Mapping[str, Any]) -> None:
        """Take a line of the journal.

        Raises
        ------
        ValueError, LookupError, TypeError
            It says nothing that makes sense.
        """
        kind = entry["kind"]
        if kind == "review":
            windows = tuple(of_entry(one) for one in entry["windows"])
            change = Change(line, dict(entry["change"]), windows, str(entry.get("utc", "")))
            self.done.append(change)
            self.undone.clear()
        else:
            source, sink = (self.done, self.undone) if kind == "review undone" else (self.undone, self.done)
            if not source or source[-1].line != entry["line"]:
                raise ValueError("takes back what does not stand")
            sink.append(source.pop())
        self._windows = None

    def windows(self) -> dict[str, Window]:
        """Return the windows that a person touched, by id, as they are now."""
        return {name: window for name, (_, window) in self._chosen().items()}

    def line_of(self, name: str) -> int:
        """Return the line that chose a window as it is now."""
        return self._chosen()[name][0]

    def utc_of(self, name: str) -> str:
        """Return when that line was written."""
        line = self.line_of(name)
        return next(change.utc for change in self.done if change.line == line)

    def _chosen(self) -> dict[str, tuple[int, Window]]:
        if self._windows is None:
            self._windows = {window.id: (change.line, window) for change in self.done for window in change.windows}
        return self._windows


def standing(given: Sequence[Placement], reviewed: Reviewed) -> dict[str, Window]:
    """Return the windows that a person touched, by id; without terminal where the visit took the reading back."""
    lines = {None, *(placement.line for placement in given)}
    return {
        name: window if window.line in lines else replace(window, terminal=None, line=None)
        for name, window in reviewed.windows().items()
    }


def placements_as_chosen(given: Sequence[Placement], reviewed: Reviewed) -> list[Placement]:
    """Return the readings that count: those of the visit (`given`), with a person's choices in their place.

    A hold may be chosen or rejected while the visit still works on its reading: what the visit then gives is of air
    that was decided about, and is left out.
    """
    from hoodtrace.dwelling.state import Placement

    windows = [window for window in standing(given, reviewed).values() if window.by == "person"]
    chosen = {window.line: window for window in windows if window.line is not None}
    decided = [w for w in windows if w.line is None and not w.gone and (w.counts or w.rejected)]
    out: list[Placement] = []
    for placement in given:
        window = chosen.get(placement.line)
        if window is None:
            if not any(_same_air(placement.entry, one) for one in decided):
                out.append(placement)
        elif window.counts:
            terminal = str(window.terminal)
            entry = {**placement.entry, **_fields(window, reviewed)}
            epoch = placement.epoch if terminal == placement.terminal else window.epoch
            out.append(replace(placement, terminal=terminal, setting=window.setting, epoch=epoch, entry=entry))
    for window in windows:
        if window.counts and window.line is None:
            entry = {"by": "hood", "trace": window.trace, **_fields(window, reviewed)}
            line, terminal = reviewed.line_of(window.id), str(window.terminal)
            out.append(Placement(line, terminal, window.setting, "round", window.epoch, entry))
    return out


def _same_air(entry: Mapping[str, Any], window: Window) -> bool:
    """Return whether a line of the visit and a window are of the same air: half of the shorter one in common, at least.

    Windows have none in common, but the visit, which did not know the end yet, may have put an edge elsewhere.
    """
    ends = [one.get(key) for one in (entry, window.reading) for key in ("start_s", "end_s")]
    if entry.get("trace") != window.trace or None in ends:
        return False
    start_s, end_s, from_s, to_s = (float(str(end)) for end in ends)
    return min(end_s, to_s) - max(start_s, from_s) > 0.5 * min(end_s - start_s, to_s - from_s)


def _fields(window: Window, reviewed: Reviewed) -> dict[str, Any]:
    """Return what a choice puts into the line of its reading."""
    own = {"terminal": window.terminal, "setting": window.setting, "reviewed": reviewed.line_of(window.id)}
    return {**window.reading, **own}
