"""The page of a visit in one browser: what to do next, the flow with its interval, and what a person may decide.

What changes many times a second stands in elements that carry ``data-live`` and is set by ``static/page.js``; forms and
lists are drawn here, when what they are made of changes. A browser that only watches gets no button that decides, and
the server asks once more at each decision.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

from nicegui import Client, html, ui
from nicegui.element import Element

from hoodtrace.dwelling.screen import Row, Say, Screen
from hoodtrace.pages.balance_panel import BalancePanel
from hoodtrace.pages.controls import Sent, button
from hoodtrace.pages.dialogs import alarm_over_dialog, house_dialog, open_dialog, take_back_dialog, terminal_dialog
from hoodtrace.pages.facts import row_facts
from hoodtrace.pages.phone import phone_dialog
from hoodtrace.pages.pulse import Pulse, message
from hoodtrace.pages.question_form import question_form

FINISHED = Say("do.finished")
BY_HAND = "by hand"
Newest = tuple[int, str, bool] | None


class LivePage:
    """The page in one browser."""

    def __init__(self, pulse: Pulse, client: Client, token: str) -> None:
        self.pulse, self.words, self.token = pulse, pulse.words, token
        self.visit = pulse.desk.visit
        self._client = client
        self._drawn: dict[str, Hashable] = {}
        self._decides = pulse.guard.may_decide(token)
        found = pulse.guard.session(token)
        self._here = found is not None and not found.phone
        self._build()
        pulse.add(self)
        client.on_delete(self._gone)

    # ---- what the pulse asks for

    def send(self, news: Mapping[str, Any]) -> bool:
        """Send what changed; False: the browser does not listen yet."""
        if not self._client.has_socket_connection:
            return False
        self._client.run_javascript(message(news))
        return True

    def draw(self, screen: Screen) -> None:
        """Draw forms and lists anew where they changed."""
        if self.pulse.guard.may_decide(self.token) != self._decides and not self.pulse.guard.ended:
            self._client.run_javascript("location.reload()")
            self._decides = not self._decides
        question = screen.question.id if screen.question is not None else ""
        self._part("cautions", self._cautions, _said(screen), screen)
        self._part("doing", self._doing, (screen.mode, question), screen)
        self._part("acting", self._acting, (screen.mode, screen.live.state == BY_HAND, self._newest()), screen)
        self._part("rows", self._rows, (screen.rows, screen.mode), screen)
        self._balance.draw(screen)

    def drop(self) -> None:
        """Forget the page, to make room for newer ones of its session."""
        if not self._client.is_deleted:
            self._client.delete()

    def stale(self) -> bool:
        """Whether no browser shows it."""
        return not self._client.has_socket_connection

    # ---- what dialogs ask for

    async def decide(self, decision: Mapping[str, Any], version: int | None) -> bool:
        """Take a decision."""
        return await self.pulse.decide(self, decision, version)

    def alarm_button(self) -> None:
        """Put the button that is never covered: also in each dialog."""
        if self._decides:
            button(self.words("page.alarm"), self._alarm, "alarm")
        else:
            made = html.button(self.words("page.alarm"), type="button").classes("button alarm")
            made.on("click", self._alarm_here)

    def notice(self, text: str) -> None:
        """Say something in the line for refusals."""
        self.send({"notice": text})

    # ---- building

    def _build(self) -> None:
        words = self.words
        with html.div().classes("page").props(f'lang="{words.language}"'):
            self._build_top()
            with html.main().classes("main"):
                with html.section(**{"aria-label": words("page.title")}).classes("lead"):
                    html.p(words("page.stale"), role="alert").classes("stale")
                    with html.div(role="status", **{"aria-live": "assertive", "aria-atomic": "true"}):
                        _live(html.h1(), "sentence")
                    _live(html.p(), "sentence_rest").classes("rest")
                    _live(html.p(role="alert"), "notice").classes("notice")
                    self.cautions = html.div(role="note").classes("cautions")
                    self.doing = html.div().classes("doing")
                self._build_flow()
                self.acting = html.div().classes("acting")
                with html.section().classes("beside"):
                    self._build_trail()
                    self._build_status()
                with html.section(**{"aria-label": words("page.list_title")}).classes("list"):
                    html.h2(words("page.list_title"))
                    self.rows = html.ul().classes("rows")
                self._balance = BalancePanel(self, self.pulse.balance, self._decides)
        self.dialogs = html.div()
        begin = {
            "language": words.language,
            "voice": words("page.sound_voice", language=words.name),
            "no_voice": words("page.sound_none"),
            "on": words("page.sound_on"),
            "off": words("page.sound_off"),
            "test": words("page.sound_test"),
            "anew": words("page.anew"),
            "finished": [words.head(FINISHED), words.rest(FINISHED)],
        }
        ui.run_javascript(f"hoodtrace.begin({message(begin)[len('hoodtrace.take(') : -1]})")

    def _build_top(self) -> None:
        words = self.words
        with html.header().classes("top"):
            html.span(self.visit.plan.site.name).classes("site")
            _live(html.span(), "progress")
            _live(html.span(), "setting")
            html.span().classes("fill")
            if not self._decides:
                html.span(words("page.watching")).classes("watching")
            html.button(words("page.sound_on"), type="button", **{"aria-pressed": "false"}).classes(
                "button quiet sound"
            ).on("click", js_handler="() => hoodtrace.sound()")
            if self._here:
                html.button(words("page.phone"), type="button").classes("button quiet").on("click", self._phone)
            self.alarm_button()
        _live(html.p(), "voice").classes("voice")

    def _build_flow(self) -> None:
        words = self.words
        with html.section().classes("flow"):
            with html.div().classes("number"):
                _live(html.span(), "flow").classes("value")
                with html.span().classes("unit"):
                    html.span(words("language.flow_unit"))
                    _live(html.span(), "direction").classes("small")
                    _live(html.span(), "flow_of").classes("small")
            _live(html.div(), "interval").classes("interval")
            _live(html.p(), "common").classes("common")
            with html.div().classes("strip-box"):
                _live(html.p(), "target").classes("target")
                with html.div(role="img", **{"aria-label": words("page.strip_label")}).classes("strip"):
                    html.div().classes("strip-window")
                    html.div().classes("strip-now")
            with html.div().classes("hold"):
                with html.div(
                    role="progressbar",
                    **{"aria-label": words("page.hold_label"), "aria-valuemin": "0", "aria-valuemax": "100"},
                ).classes("bar"):
                    html.div().classes("bar-done")
                with html.div().classes("hold-words"):
                    _live(html.span(**{"aria-live": "polite"}), "state_word").classes("state")
                    _live(html.span(), "left")

    def _build_trail(self) -> None:
        words = self.words
        with html.figure().classes("trail"):
            html.canvas(role="img", **{"aria-label": words("page.trail_title")}).classes("trail-canvas")
            html.figcaption(f"{words('page.trail_title')}, {words('page.trail_held')}")

    def _build_status(self) -> None:
        with html.div().classes("status"):
            _live(html.p(), "next").classes("next")
            _live(html.p(**{"aria-live": "polite"}), "last").classes("last")
            _live(html.p(), "link")
            _live(html.p(role="alert"), "link_trouble").classes("warn")
            _live(html.p(role="alert"), "supply").classes("warn")

    # ---- drawing

    def _part(self, name: str, draw: Any, key: Hashable, screen: Screen) -> None:
        if self._drawn.get(name, ()) == key:
            return
        self._drawn[name] = key
        place: Element = getattr(self, name)
        place.clear()
        with place:
            draw(screen)
        if name == "doing" and self._client.has_socket_connection:
            self._client.run_javascript("hoodtrace.drawn()")

    def _cautions(self, screen: Screen) -> None:
        for said in screen.cautions:
            html.p(self.words.say(said)).classes("caution")

    def _doing(self, screen: Screen) -> None:
        words = self.words
        if screen.mode == "stopped":
            with html.ol().classes("stop"):
                for step in ("stop", "windows", "leave", "call"):
                    html.li(words(f"page.alarm_{step}"))
        if not self._decides:
            return
        if screen.mode == "stopped":
            html.button(words("page.alarm_over"), type="button").classes("button").on("click", self._alarm_over)
        elif screen.question is not None:
            label, then = words.head(screen.sentence), self._answer_to(screen.question.id)
            question_form(screen.question, label, words, then, self.notice)
        elif screen.mode == "leaving":
            button(words("page.finish"), self._then({"do": "finish"}), "choice")

    def _acting(self, screen: Screen) -> None:
        words = self.words
        if not self._decides or screen.mode in ("finished", "stopped"):
            return
        with html.div(role="group", **{"aria-label": words("page.actions_title")}).classes("actions"):
            if screen.mode in ("terminal", "turn"):
                if screen.live.state != BY_HAND:
                    button(words("page.accept"), self._press("accept"))
                self._taking_back(screen)
                button(words("page.skip"), self._then({"do": "skip"}))
                html.button(words("page.by_hand"), type="button").classes("button").on("click", self._this_row)
            html.button(words("page.more"), type="button").classes("button").on("click", self._house)

    def _newest(self) -> Newest:
        """Return the line, the words and the origin of the newest reading."""
        placements = self.visit.state.placements
        if not placements:
            return None
        last = placements[-1]
        said = f"{last.terminal}: {self.words.flow(last.flow_m3h)}"
        return last.line, said, last.entry.get("by") != "hood"

    def _taking_back(self, screen: Screen) -> None:
        """Put the button for the newest reading: one that nobody can press on a hood again is asked about first."""
        newest, words = self._newest(), self.words
        if newest is not None and (newest[2] or screen.live.state == BY_HAND):
            line, said, _ = newest

            def ask() -> None:
                with self.dialogs:
                    take_back_dialog(self, line, said)

            html.button(words("page.take_back", reading=said), type="button").classes("button").on("click", ask)
        elif screen.live.state != BY_HAND:
            button(words("page.repeat"), self._press("repeat"))

    def _rows(self, screen: Screen) -> None:
        for row in screen.rows:
            shown = row_facts(row, self.words)
            with html.li(**{"data-state": shown["state_key"]}).classes("row"):
                html.span(shown["state"]).classes("row-state")
                with html.span().classes("row-name"):
                    html.strong(shown["name"])
                    html.span(f"{shown['direction']}, {shown['design']}").classes("small")
                    if shown["note"]:
                        html.span(shown["note"]).classes("small")
                with html.span().classes("row-flow"):
                    html.strong(shown["reading"])
                    html.span(shown["interval"]).classes("small")
                if self._decides and screen.mode not in ("finished", "stopped"):
                    label = f"{self.words('page.row_more')}: {shown['name']}"
                    html.button(self.words("page.row_more"), type="button", **{"aria-label": label}).classes(
                        "button quiet"
                    ).on("click", self._row(row))
                if shown["flags"]:
                    html.span(shown["flags"]).classes("doubts")

    # ---- doing

    def _then(self, decision: Mapping[str, Any]) -> Sent:
        async def decided(fields: dict[str, str], version: int) -> None:
            await self.decide(decision, version)

        return decided

    def _press(self, what: str) -> Sent:
        async def pressed(fields: dict[str, str], version: int) -> None:
            await self.pulse.press(self, what, version)

        return pressed

    def _answer_to(self, question: str) -> Any:
        async def answered(value: Any, version: int) -> None:
            await self.decide({"do": "answer", "question": question, "value": value}, version)

        return answered

    async def _alarm(self, fields: dict[str, str], version: int) -> None:
        # With no version: nothing that anybody decided meanwhile may stand against it.
        await self.decide({"do": "alarm"}, None)

    def _alarm_here(self) -> None:
        """Show a browser that only watches what to do; nothing is decided."""
        with self.dialogs, open_dialog(self.words("page.alarm"), self), html.ol().classes("stop"):
            for step in ("stop", "windows", "leave", "call"):
                html.li(self.words(f"page.alarm_{step}"))

    def _alarm_over(self) -> None:
        with self.dialogs:
            alarm_over_dialog(self)

    def _house(self) -> None:
        with self.dialogs:
            house_dialog(self)

    def _phone(self) -> None:
        with self.dialogs:
            phone_dialog(self.pulse.guard, self, self._client)

    def _this_row(self) -> None:
        row = self.pulse.screen.terminal
        if row is not None:
            self._row(row)()

    def _row(self, row: Row) -> Any:
        def opened() -> None:
            with self.dialogs:
                terminal_dialog(self, row)

        return opened

    def _gone(self) -> None:
        self.pulse.pages.pop(self, None)


def _live(element: Element, name: str) -> Element:
    element.props.update({"data-live": name})
    return element


def _said(screen: Screen) -> Hashable:
    return tuple((said.key, tuple(said.values.items())) for said in screen.cautions)
