"""What a person may do to windows in review: each change gives the windows that it touches, as they are afterwards.

Nothing is averaged or written here. A change that does not fit raises UsageError and says why. Windows of one trace
never overlap: no sample counts twice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hoodtrace.dwelling.change_kinds import CHANGES, NEEDS
from hoodtrace.dwelling.ground import Change, Ground
from hoodtrace.dwelling.window import Window
from hoodtrace.errors import UsageError


def changed(ground: Ground, change: Change) -> tuple[Window, ...]:
    """Return the windows that `change` touches as they are after it; their readings are still the old ones.

    Raises
    ------
    UsageError
        There is no such change or window, or it does not fit.
    """
    make = CHANGES.get(str(change.get("do")))
    if make is None:
        raise UsageError(f"{change.get('do')!r} is no change: there are {', '.join(CHANGES)}")
    touched = tuple(_marked(ground, window) for window in make(ground, change))
    known = {**ground.windows, **ground.gone}
    if all(w.id in known and known[w.id].notes == w.notes and known[w.id].chosen_as(w) for w in touched):
        raise UsageError("that changes nothing")
    _apart(ground, touched)
    return touched


def as_said(change: Change) -> dict[str, Any]:
    """Return of `change`, which fits, what the journal keeps: nothing but what it needs."""
    return {key: change[key] for key in ("do", *NEEDS[str(change["do"])]) if key in change}


def _marked(ground: Ground, window: Window) -> Window:
    """Return the window as a person's choice, or the automatic one where both are the same."""
    automatic = ground.automatic.get(window.id)
    if automatic is not None and window.chosen_as(automatic):
        return replace(automatic, notes=window.notes)
    return replace(window, by="person")


def _apart(ground: Ground, touched: tuple[Window, ...]) -> None:
    """Refuse windows that overlap."""
    now = {**ground.windows, **{window.id: window for window in touched}}
    for window in touched:
        for other in now.values():
            alike = (other.trace, other.boot) == (window.trace, window.boot) and other.id != window.id
            if not alike or other.gone or window.gone or other.rejected or window.rejected:
                continue
            if window.start_us < other.stop_us and other.start_us < window.stop_us:
                raise UsageError(
                    f"{window.id} would overlap {other.id}, and no air counts twice. Merge them, or move {other.id}"
                )
