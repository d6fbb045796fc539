"""Works the balancing out anew when the visit has changed: beside the beat, on a copy, so that nothing waits for it.

The lock is held for the copy alone; samples and readings go on while the network is fitted. What goes wrong is a line
for the page.
"""

from __future__ import annotations

import asyncio
import copy
import logging
from typing import TYPE_CHECKING, Any, Protocol

from hoodtrace.errors import HoodtraceError

if TYPE_CHECKING:
    from hoodtrace.balancing.shown import Shown


class Watched(Protocol):
    """What it needs of a desk."""

    lock: Any
    visit: Any
    hood: Any


class BalanceWatch:
    """The balancing of a desk's visit.

    `shown` is the newest one, None before there is anything to show; `version` the decisions that it is worked out
    from; `trouble` why there is none.
    """

    def __init__(self, desk: Watched) -> None:
        self.shown: Shown | None = None
        self.version = -1
        self.trouble = ""
        self._desk = desk
        self._seen = -1
        self._work: asyncio.Task[None] | None = None

    def look(self) -> None:
        """Begin to work it out where the visit has changed; returns at once."""
        if self._desk.visit.state.n_lines != self._seen and (self._work is None or self._work.done()):
            self._work = asyncio.create_task(self._again())

    async def _again(self) -> None:
        found, version, trouble = await asyncio.to_thread(self._worked_out)
        self.shown, self.version, self.trouble = found, version, trouble

    def _worked_out(self) -> tuple[Shown | None, int, str]:
        from hoodtrace.balancing.shown import FEWEST, n_readings, shown
        from hoodtrace.balancing.whole import whole

        with self._desk.lock:
            visit = copy.copy(self._desk.visit)
            visit.state = copy.deepcopy(visit.state)
        self._seen, version = visit.state.n_lines, visit.state.n_decisions
        if n_readings(visit) < FEWEST:
            return None, version, ""
        try:
            return shown(visit, whole(visit, self._desk.hood)), version, ""
        except HoodtraceError as error:
            return None, version, str(error)
        except Exception as error:  # the visit goes on without advice
            logging.getLogger(__name__).error("the balancing failed", exc_info=error)
            return None, version, f"{type(error).__name__}: {error}"
