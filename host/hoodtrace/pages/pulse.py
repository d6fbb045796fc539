"""The beat of all pages: looks at the desk a few times a second, once for everybody, and sends what changed.

Numbers and sentences go to each browser as one short message; forms and lists are drawn anew only when what they are
made of changed. Decisions of the pages pass through here too, each with the version that the browser showed.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import time
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol

from hoodtrace.dwelling.decided import LONGEST_TEXT
from hoodtrace.dwelling.screen import Live, Say, Screen
from hoodtrace.errors import HoodtraceError
from hoodtrace.pages.balance_watch import BalanceWatch
from hoodtrace.pages.facts import Facts, changed, facts, live_facts
from hoodtrace.pages.guard import Guard
from hoodtrace.reporting.texts import Words

BEAT_S = 0.04
WHOLE_EACH = 6
"""Beats between two looks at everything; what the hood sees is looked at each time."""
TRAIL_EACH = 5
MOST_PAGES = 8
"""Of one session: each costs memory until its browser is known to have left it."""
LONGEST_WHY = 300
ALIVE_EACH = 25
"""Beats after which a page is told that all is alive, also if nothing changed."""


class DeskLike(Protocol):
    """What the pages need of `hoodtrace.board.desk.Desk`."""

    lock: Any
    visit: Any
    hood: Any

    def screen(self) -> Screen: ...  # noqa: D102
    def live(self) -> Live: ...  # noqa: D102
    def trail(self) -> list[tuple[float, float, bool]]: ...  # noqa: D102
    def decide(self, decision: Mapping[str, Any]) -> Say | None: ...  # noqa: D102
    def accept_early(self) -> None: ...  # noqa: D102
    def repeat(self) -> None: ...  # noqa: D102


class Page(Protocol):
    """A page in a browser."""

    token: str

    def send(self, news: Mapping[str, Any]) -> bool:
        """Send what changed; False: the browser does not listen yet."""
        ...

    def draw(self, screen: Screen) -> None:
        """Draw forms and lists anew where they changed."""
        ...

    def drop(self) -> None:
        """Forget the page, to make room for newer ones of its session."""
        ...

    def stale(self) -> bool:
        """Whether no browser shows it."""
        ...


class Pulse:
    """Lead all pages of one desk."""

    def __init__(
        self, desk: DeskLike, words: Words, guard: Guard, close: Callable[[], Awaitable[None]] | None = None
    ) -> None:
        self.desk, self.words, self.guard = desk, words, guard
        self.screen = desk.screen()
        self.facts: Facts = facts(self.screen, words)
        self.pages: dict[Page, bool] = {}
        self.balance = BalanceWatch(desk)
        self._trail: list[tuple[float, float, bool]] = []
        self._wake = asyncio.Event()
        self._count = 0
        self._trouble = ""
        self._ends = self.screen.mode != "finished"
        self._close = close

    def add(self, page: Page) -> None:
        """Take a page up; a session has only so many, and those that nobody looks at go first."""
        same = [each for each in self.pages if each.token == page.token]
        if len(same) >= MOST_PAGES:
            gone = next((each for each in same if each.stale()), same[0])
            self.pages.pop(gone)
            gone.drop()
        self.pages[page] = False

    # ---- the beat

    async def run(self) -> None:
        """Beat until cancelled."""
        while True:
            begun_s = time.monotonic()
            try:
                await self._beat()
                self._trouble = ""
            except Exception as error:  # a page that stood still and said nothing would be taken for the truth
                self._tell_trouble(error)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), max(0.005, BEAT_S - (time.monotonic() - begun_s)))

    async def _beat(self) -> None:
        whole = self._wake.is_set() or self._count % WHOLE_EACH == 0
        self._wake.clear()
        self._count += 1
        found = await asyncio.to_thread(self._look, whole)
        now = {**self.facts, **found}
        news = changed(self.facts, now)
        self.facts = now
        self.balance.look()
        if self._count % ALIVE_EACH == 0:
            news["beat"] = self._count
        more = self._new_trail() if self._count % TRAIL_EACH == 0 else []
        for page, has_all in list(self.pages.items()):
            if has_all:
                told = {**news, "trail": more} if more else news
                if told:
                    page.send(told)
            else:
                self.pages[page] = page.send({**now, "trail_all": _points(self._trail)})
            page.draw(self.screen)
        if self.screen.mode == "finished" and self._ends and not self.guard.ended:
            await self._end()

    def _tell_trouble(self, error: Exception) -> None:
        text = f"{type(error).__name__}: {error}"
        if text == self._trouble:
            return
        self._trouble = text
        if not isinstance(error, HoodtraceError):
            logging.getLogger(__name__).error("the page's beat failed", exc_info=error)
        for page in list(self.pages):
            page.send({"notice": self.words("page.stands", why=text)})

    def _look(self, whole: bool) -> Facts:
        live = self.desk.live()
        shown = self.screen
        moved = (live.state, live.turn, live.trouble) != (shown.live.state, shown.live.turn, shown.live.trouble)
        if whole or moved or self.desk.visit.state.n_decisions != shown.version:
            self.screen = self.desk.screen()
            return facts(self.screen, self.words)
        return live_facts(live, shown, self.words)

    def _new_trail(self) -> list[list[float]]:
        trail = self.desk.trail()
        last_s = self._trail[-1][0] if self._trail else -1.0
        began_anew = bool(trail) and trail[-1][0] < last_s
        self._trail = trail
        return _points([point for point in trail if began_anew or point[0] > last_s])

    async def _end(self) -> None:
        """End the sessions of a finished visit, once the browsers have shown that it is finished."""
        self.guard.end()
        await asyncio.sleep(1.0)
        for page in list(self.pages):
            page.send({"over": True})
        await asyncio.sleep(0.5)
        if self._close is not None:
            await self._close()

    # ---- decisions

    async def decide(self, page: Page, decision: Mapping[str, Any], version: int | None) -> bool:
        """Take a decision of a page; False where it was refused, which the page then says."""

        if _longest(decision) > LONGEST_TEXT:
            page.send({"notice": self.words("refused.too_long", most=LONGEST_TEXT)})
            return False

        def ask() -> Say | None:
            return self.desk.decide(dict(decision) if version is None else {**decision, "version": version})

        return await self._ask(page, ask)

    async def press(self, page: Page, what: str, version: int) -> bool:
        """Do what a press of the board's button does: `accept` or `repeat`."""

        def ask() -> Say | None:
            with self.desk.lock:
                if self.desk.visit.state.n_decisions != version:
                    return Say("refused.meanwhile")
                if what == "accept":
                    self.desk.accept_early()
                else:
                    self.desk.repeat()
            return None

        return await self._ask(page, ask)

    async def _ask(self, page: Page, ask: Callable[[], Say | None]) -> bool:
        if not self.guard.may_decide(page.token):
            page.send({"notice": self.words("refused.watching")})
            return False
        try:
            refused = await asyncio.to_thread(ask)
        except HoodtraceError as error:
            page.send({"notice": self.words("refused.failed", why=_shortened(str(error)))})
            return False
        self._wake.set()
        page.send({"notice": "" if refused is None else _shortened(self.words.say(refused))})
        return refused is None


def message(news: Mapping[str, Any]) -> str:
    """Return what a browser runs to take `news`."""
    return f"hoodtrace.take({json.dumps(news, ensure_ascii=True, allow_nan=False)})"


def _longest(value: object) -> int:
    """Return the length of the longest text within a decision."""
    if isinstance(value, str):
        return len(value)
    within = value.values() if isinstance(value, Mapping) else value if isinstance(value, list | tuple) else ()
    return max((_longest(each) for each in within), default=0)


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST_WHY else f"{text[:LONGEST_WHY]} …"


def _points(trail: list[tuple[float, float, bool]]) -> list[list[float]]:
    return [[round(t_s, 2), round(flow, 2), 1 if held else 0] for t_s, flow, held in trail]
