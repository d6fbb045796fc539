"""Balancing on the page of a visit: the next step with its one button, and every terminal on one line of ratios.

Drawn from `balancing.shown` alone, anew when that changes. A browser that only watches gets no button. What a dot and
its bar show stands beside them in words and numbers.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from nicegui import html
from nicegui.element import Element

from hoodtrace.dwelling.screen import Say, Screen
from hoodtrace.pages.controls import NotTaken, button, field, form, number_of, submit
from hoodtrace.pages.dialogs import Decides

if TYPE_CHECKING:
    from hoodtrace.balancing.shown import Balanced, Line, Shown, Told
    from hoodtrace.pages.balance_watch import BalanceWatch

LOW, HIGH = 0.5, 1.5
"""The line's ends, flow over design."""
MARKS = (0.5, 0.75, 1.0, 1.25, 1.5)
LEAST_RATIO, MOST_RATIO = 1e-3, 100.0


class BalancePanel:
    """The part of a page that balancing has."""

    def __init__(self, page: Decides, watch: BalanceWatch, decides: bool) -> None:
        self._page, self._words, self._watch, self._decides = page, page.words, watch, decides
        self._drawn: Any = ()
        self._opened = False
        title = self._words("advice.title")
        with html.section(**{"aria-label": title}).classes("balance"):
            self._box: Element = html.details().classes("section")
            with self._box:
                with html.summary():
                    html.h2(title)
                self._step = html.div(role="status", **{"aria-live": "polite"}).classes("step")
                self._warn = html.div(role="note").classes("cautions")
                self._act = html.div().classes("step-do")
                self._rest = html.div()

    def draw(self, screen: Screen) -> None:
        """Draw what changed."""
        shown, trouble = self._watch.shown, self._watch.trouble
        acts = self._decides and _may_act(screen)
        if self._drawn == (shown, trouble, acts):
            return
        before, self._drawn = self._drawn, (shown, trouble, acts)
        try:
            self._draw(shown, trouble, acts, before)
        except Exception as error:  # the rest of the page goes on
            logging.getLogger(__name__).error("the balancing can't be drawn", exc_info=error)
            for place in (self._warn, self._act, self._rest):
                place.clear()
            self._fill(self._step, self._draw_step, None, f"{type(error).__name__}: {error}")

    def _draw(self, shown: Shown | None, trouble: str, acts: bool, before: Any) -> None:
        same_step = bool(before) and shown is not None and _step_of(before[0]) == _step_of(shown)
        if not same_step:
            self._fill(self._step, self._draw_step, shown, trouble)
        if not (before and shown is not None and before[0] is not None and before[0].cautions == shown.cautions):
            self._fill(self._warn, self._draw_warn, shown)
        # What is typed into the field of the fan stays while the step does.
        if not (same_step and before[2] == acts):
            self._fill(self._act, self._draw_act, shown, acts)
        self._fill(self._rest, self._draw_rest, shown)
        if shown is not None and not self._opened:
            self._opened = True
            self._box.props["open"] = True
            self._box.update()

    def _fill(self, place: Element, draw: Any, *values: Any) -> None:
        place.clear()
        with place:
            draw(*values)

    def _draw_step(self, shown: Shown | None, trouble: str) -> None:
        words = self._words
        if shown is None:
            html.p(words("advice.failed", why=trouble) if trouble else words("advice.waits"))
            return
        html.p(words.head(shown.step)).classes("step-head")
        for text in (words.rest(shown.step), *map(words.say, shown.why)):
            if text:
                html.p(text).classes("step-rest")

    def _draw_warn(self, shown: Shown | None) -> None:
        for said in shown.cautions if shown is not None else ():
            html.p(self._words.say(said)).classes("caution")

    def _draw_act(self, shown: Shown | None, acts: bool) -> None:
        words = self._words
        if shown is None:
            return
        if shown.under_way:
            html.p(words("advice.under_way"))
        if not acts or shown.decision is None or shown.label is None:
            return
        if shown.decision["do"] != "fan":
            button(words.say(shown.label), self._taken, "choice")
            return
        with form(self._fan_set):
            advised = "" if shown.ratio is None else words.number(shown.ratio, 3)
            field(words("advice.fan_reached"), "ratio", "number", value=advised)
            submit(words.say(shown.label), kind="choice")

    def _draw_rest(self, shown: Shown | None) -> None:
        words = self._words
        if shown is None:
            return
        html.p(words.say(shown.climbs)).classes("climbs")
        self._list(
            words("advice.of", name=place or words("advice.the_fan"), what=words.say(said))
            for place, said in shown.refusals
        )
        html.h3(words("advice.rows"))
        html.p(words("advice.scale")).classes("small")
        if shown.rule is not None:
            html.p(words.say(shown.rule)).classes("small")
        with html.ul().classes("stands-all"):
            for n, line in enumerate(shown.lines):
                self._line(line, n == 0)
        html.h3(words("evidence.title"))
        self._list([*map(self._told, shown.evidence), *(" ".join(map(words.say, said)) for said in shown.house)])

    def _told(self, told: Told) -> str:
        words, text = self._words, " ".join(map(self._words.say, told.says))
        if not told.system:
            return text
        return words("advice.of", name=f"{told.system}, {words.word('direction', told.direction)}", what=text)

    def _list(self, texts: Iterable[str]) -> None:
        given = list(texts)
        if given:
            with html.ul().classes("said"):
                for text in given:
                    html.li(text)

    def _line(self, line: Line, with_axis: bool) -> None:
        words, at = self._words, line.at
        mark = {} if at is None else {"data-verdict": at.proportion}
        with html.li(**{"data-terminal": line.id, **mark}).classes("stands"):
            with html.div().classes("stands-name"):
                html.strong(f"{line.id} · {line.room}")
                what = words.word("direction", line.direction)
                html.span(what if at is None else f"{what}, {words.word('advice', at.from_)}").classes("small")
            with html.div():
                if at is not None:
                    if with_axis:
                        self._axis()
                    self._ratio(at)
            with html.div().classes("stands-verdict"):
                if at is not None:
                    html.div(words("advice.proportion", what=words.word("advice", at.proportion)))
                    html.div(words("advice.level", what=words.word("advice", at.level))).classes("small")
            html.p(words.say(line.sentence)).classes("stands-words")

    def _axis(self) -> None:
        with html.div(**{"aria-hidden": "true"}).classes("axis"):
            for mark in MARKS:
                html.span(self._words.number(mark, 2)).style(f"left: {_percent(mark)}")

    def _ratio(self, at: Balanced) -> None:
        words = self._words
        text = words("advice.ratio", ratio=at.ratio, low_ratio=at.low, high_ratio=at.high)
        with html.div(role="img", **{"aria-label": text, "data-from": at.from_}).classes("ratio"):
            html.span().classes("ratio-band").style(_span(*at.band))
            html.span().classes("ratio-one").style(f"left: {_percent(1.0)}")
            html.span().classes("ratio-bar").style(_span(at.low, at.high))
            if LOW <= at.ratio <= HIGH:
                html.span().classes("ratio-dot").style(f"left: {_percent(at.ratio)}")
            else:
                low = at.ratio < LOW
                html.span(
                    "\N{BLACK LEFT-POINTING SMALL TRIANGLE}" if low else "\N{BLACK RIGHT-POINTING SMALL TRIANGLE}"
                ).classes("ratio-off").props(f"data-side={'low' if low else 'high'}")
        html.span(text).classes("small")

    # ---- doing

    async def _taken(self, fields: dict[str, str], version: int) -> None:
        await self._decide({})

    async def _fan_set(self, fields: dict[str, str], version: int) -> None:
        try:
            label = self._words("advice.fan_reached")
            reached = number_of(fields, "ratio", label, LEAST_RATIO, MOST_RATIO)
        except NotTaken as refused:
            self._page.notice(self._words.say(refused.say))
            return
        await self._decide({"ratio": reached})

    async def _decide(self, more: Mapping[str, Any]) -> None:
        # With the version that the advice was worked out from: what came since may have made it old.
        shown = self._watch.shown
        if shown is not None and shown.decision is not None:
            await self._page.decide({**shown.decision, **more}, self._watch.version)


def _may_act(screen: Screen) -> bool:
    """Whether a step can be taken now: not before a question that comes first is answered."""
    going = screen.mode in ("terminal", "turn", "leaving")
    return going or (screen.question is not None and screen.question.id.startswith("set:"))


def _step_of(shown: Shown | None) -> tuple[Say, tuple[Say, ...], Any, bool] | None:
    return None if shown is None else (shown.step, shown.why, shown.decision, shown.under_way)


def _percent(ratio: float) -> str:
    return f"{100.0 * (min(max(ratio, LOW), HIGH) - LOW) / (HIGH - LOW):.2f}%"


def _span(low: float, high: float) -> str:
    begin, end = (min(max(each, LOW), HIGH) for each in (low, high))
    return f"left: {_percent(begin)}; width: {100.0 * (end - begin) / (HIGH - LOW):.2f}%"
