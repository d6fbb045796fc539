"""What changes of windows build on: those that stand, were found, or were merged away, and what they can refer to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from hoodtrace.dwelling.window import Window
from hoodtrace.errors import UsageError

MOST_NAMED = 12
"""Of the windows, where one was asked for that is none of them."""

Change = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Ground:
    """What changes build on.

    `windows` are those that stand now, by id, `automatic` as they were found, `gone` those that were merged into
    others; `terminals` maps each terminal's id to its direction; `settings` are the plan's, the usual one first;
    `place` gives boot and time [us] of a second of a trace, `seconds` the way back (trace, boot, us).
    """

    windows: Mapping[str, Window]
    automatic: Mapping[str, Window]
    gone: Mapping[str, Window]
    terminals: Mapping[str, str]
    settings: tuple[str, ...]
    place: Callable[[str, float], tuple[int, int]]
    seconds: Callable[[str, int, int], float]

    def all(self) -> list[Window]:
        """Return every window that has a name."""
        return [*self.windows.values(), *self.automatic.values(), *self.gone.values()]

    def hold_us(self, window: Window, start: int, stop: int) -> tuple[int, int]:
        """Return the ends [us] of the hold of a window that goes from `start` to `stop`.

        That is the hold that was found, and those of the windows that were merged into it; never shorter than the
        window. It says which zero counts, so it must not hang on what the window was before.
        """
        merged = {name for name, gone in self.gone.items() if start <= gone.start_us < stop}
        same = [w for w in self.automatic.values() if (w.trace, w.boot) == (window.trace, window.boot)]
        holds = [w for w in same if w.hold == window.hold or w.id in merged]
        return min([start, *(w.hold_start_us for w in holds)]), max([stop, *(w.hold_stop_us for w in holds)])


def named(windows: Mapping[str, Window], name: object) -> Window:
    """Return the window that is called `name`; its trace's part may be left out where only one trace has such a one.

    Raises
    ------
    UsageError
        There is none, or there are several.
    """
    window = windows.get(str(name))
    # With one trace nobody wants to write its name each time.
    same = [w for w in windows.values() if w.id.partition(":")[2] == str(name)] if window is None else [window]
    if len(same) > 1:
        raise UsageError(f"{name!r} is the name of several windows: say {' or '.join(w.id for w in same)}")
    if not same:
        more = f" and {len(windows) - MOST_NAMED} more" if len(windows) > MOST_NAMED else ""
        raise UsageError(f"there is no window {name!r}: there are {', '.join([*windows][:MOST_NAMED]) or 'none'}{more}")
    return same[0]
