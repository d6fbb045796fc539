"""What a person does on purpose, beside the way that the visit leads: for one terminal, or for the whole house.

Each dialog is a native one with plain forms; a form closes its dialog only once its decision is on the disk.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Protocol

from nicegui import html
from nicegui.element import Element

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import entered
from hoodtrace.dwelling.decided import MOST_M3H
from hoodtrace.dwelling.grille import FEWEST_POINTS, GrilleFlow, Part, parts, traverse
from hoodtrace.dwelling.questions import before
from hoodtrace.dwelling.screen import Question, Row, Say
from hoodtrace.dwelling.state import WEATHER
from hoodtrace.errors import UsageError
from hoodtrace.pages.controls import (
    NotTaken,
    Sent,
    as_number,
    button,
    choice,
    field,
    form,
    number_of,
    submit,
    text_of,
)
from hoodtrace.reporting.texts import Words
from hoodtrace.units import m3_s, m3h

N_PARTS = 4
LEAST_M3H = 1e-3
VALVES = ("same", "turned", "open", "shut")
"""How the valve was before a reading that is entered: untouched, turned, turned to a stop."""
EVENTS = ("filter", "door", "window", "other fan", "control")


class Decides(Protocol):
    """The page that a dialog belongs to."""

    words: Words
    visit: Any

    async def decide(self, decision: Mapping[str, Any], version: int | None) -> bool:
        """Take a decision."""
        ...

    def alarm_button(self) -> None:
        """Put the button for an alarm."""
        ...

    def notice(self, text: str) -> None:
        """Say something in the page's line for refusals."""
        ...


def open_dialog(title: str, page: Decides) -> Element:
    """Open an empty dialog (a ``with`` block); Escape and its button close it, and then it is gone."""
    dialog: Element = html.dialog(**{"aria-label": title}).classes("dialog")
    with dialog, html.div().classes("dialog-head"):
        html.h2(title)
        page.alarm_button()
        html.button(page.words("page.close"), type="button").classes("button quiet").on(
            "click", js_handler="(e) => e.target.closest('dialog').close()"
        )
        html.p(role="alert", **{"data-live": "notice"}).classes("notice")
    dialog.on("close", dialog.delete)
    dialog.client.run_javascript(f"hoodtrace.open({dialog.id})")
    return dialog


def terminal_dialog(page: Decides, row: Row) -> None:
    """Open what can be done with one terminal."""
    words = page.words
    terminal = page.visit.terminal(row.id)
    dialog = open_dialog(f"{row.id} · {row.room}", page)

    def then(decision: Mapping[str, Any]) -> Sent:
        async def decided(fields: dict[str, str], version: int) -> None:
            if await page.decide(decision, version):
                dialog.run_method("close")

        return decided

    with dialog:
        button(words("page.measure_this"), then({"do": "go", "terminal": row.id}), "choice")
        if terminal.cover == "parts":
            _parts(page, row.id, dialog)
        elif terminal.cover == "traverse":
            _traverse(page, row.id, dialog)
        _enter(page, row.id, dialog)
        if terminal.cover == "hood":
            _target(page, row.id, dialog, then({"do": "target", "terminal": row.id, "target_m3h": None}))
        _leave_out(page, row.id, dialog)


def _closing(page: Decides, dialog: Element, make: Any) -> Sent:
    """Return what takes the fields of a form: `make` turns them into a decision."""

    async def sent(fields: dict[str, str], version: int) -> None:
        try:
            decision = make(fields)
        except NotTaken as refused:
            page.notice(page.words.say(refused.say))
            return
        except UsageError as error:
            page.notice(str(error))
            return
        if await page.decide(decision, version):
            dialog.run_method("close")

    return sent


def _section(title: str) -> Element:
    made: Element = html.details().classes("section")
    with made:
        html.summary(title)
    return made


def _enter(page: Decides, terminal: str, dialog: Element) -> None:
    words = page.words

    def make(fields: dict[str, str]) -> dict[str, Any]:
        said: dict[str, Any] = {
            "do": "enter",
            "terminal": terminal,
            "flow_m3h": _flow(fields, "flow", words("page.enter_flow")),
        }
        u_label, meter = words("page.enter_u"), fields.get("meter", "").strip()
        valve = fields.get("valve", "same")
        said |= {"after_turn": valve != "same", "at_stop": valve if valve in ("open", "shut") else None}
        said["u_m3h"] = number_of(fields, "u", u_label, LEAST_M3H, MOST_M3H, needed=False)
        return said | {"meter": text_of(fields, "meter", words("page.enter_meter"), 100) if meter else None}

    with _section(words("page.enter")), form(_closing(page, dialog, make)):
        field(words("page.enter_flow"), "flow", "number")
        field(words("page.enter_u"), "u", "number", needed=False)
        field(words("page.enter_meter"), "meter", needed=False, maxlength=100)
        target = page.visit.state.target
        turned = (target.until or "turned") if target is not None and target.terminal == terminal else "same"
        kinds = [(name, words.word("page", f"enter_valve_{name}")) for name in VALVES]
        choice(words("page.enter_valve"), "valve", kinds, turned)
        submit(words("ask.save"))


def _target(page: Decides, terminal: str, dialog: Element, no_target: Sent) -> None:
    words = page.words

    def make(fields: dict[str, str]) -> dict[str, Any]:
        return {
            "do": "target",
            "terminal": terminal,
            "target_m3h": number_of(fields, "target", words("page.turn_flow"), 0.1, MOST_M3H),
        }

    with _section(words("page.turn_to")):
        with form(_closing(page, dialog, make)):
            field(words("page.turn_flow"), "target", "number")
            submit(words("ask.save"))
        if page.visit.state.target is not None:
            button(words("page.turn_none"), no_target, "quiet")


def _leave_out(page: Decides, terminal: str, dialog: Element) -> None:
    words = page.words

    def make(fields: dict[str, str]) -> dict[str, Any]:
        return {"do": "leave out", "terminal": terminal, "why": text_of(fields, "why", words("page.leave_out_why"))}

    with _section(words("page.leave_out")), form(_closing(page, dialog, make)):
        field(words("page.leave_out_why"), "why", maxlength=500)
        submit(words("ask.save"))


def _parts(page: Decides, terminal: str, dialog: Element) -> None:
    words = page.words

    def make(fields: dict[str, str]) -> dict[str, Any]:
        given = [
            (
                _flow(fields, f"flow{n}", words("page.part_flow", n=n)),
                number_of(fields, f"share{n}", words("page.part_share", n=n), 0.1, 100.0) or 0.0,
            )
            for n in _filled(fields)
        ]
        u_m3h = _flow(fields, "u", words("page.part_u"))
        pieces = [Part(entered(m3_s(flow), m3_s(u_m3h), "meter"), share / 100.0) for flow, share in given]
        noted = [{"flow_m3h": flow, "share": share / 100.0} for flow, share in given]
        return {**_whole(terminal, parts(pieces)), "by": "parts", "parts": noted}

    with _section(words("page.parts")), form(_closing(page, dialog, make)):
        html.p(words("page.parts_words"))
        for n in range(1, N_PARTS + 1):
            with html.div().classes("pair"):
                field(words("page.part_flow", n=n), f"flow{n}", "number", needed=n == 1)
                field(words("page.part_share", n=n), f"share{n}", "number", needed=n == 1)
        field(words("page.part_u"), "u", "number")
        submit(words("ask.save"))


def _traverse(page: Decides, terminal: str, dialog: Element) -> None:
    words = page.words

    def make(fields: dict[str, str]) -> dict[str, Any]:
        texts = fields.get("speeds", "").replace(";", " ").split()
        if len(texts) < FEWEST_POINTS:
            raise NotTaken(Say("refused.points", {"least": FEWEST_POINTS}))
        speeds = [as_number(text, words("page.traverse_speeds"), 0.0, 30.0) for text in texts]
        area_cm2 = number_of(fields, "area", words("page.traverse_area"), 5.0, 20000.0) or 0.0
        u_m_s = number_of(fields, "u", words("page.traverse_u"), 0.001, 5.0) or 0.0
        noted = {"speeds_m_s": speeds, "free_area_cm2": area_cm2, "u_meter_m_s": u_m_s}
        return {**_whole(terminal, traverse(speeds, area_cm2, u_m_s)), "by": "traverse", "traverse": noted}

    with _section(words("page.traverse")), form(_closing(page, dialog, make)):
        html.p(words("page.traverse_words"))
        field(words("page.traverse_speeds"), "speeds", inputmode="text")
        field(words("page.traverse_area"), "area", "number")
        field(words("page.traverse_u"), "u", "number")
        submit(words("ask.save"))


def _whole(terminal: str, found: GrilleFlow) -> dict[str, Any]:
    """Return the decision that enters a whole grille's flow, its budget with it."""

    def dof(term: Term) -> float | None:
        return None if math.isinf(term.dof) else term.dof

    return {
        "do": "enter",
        "terminal": terminal,
        "flow_m3h": m3h(found.flow_m3_s),
        "u_m3h": m3h(found.u_flow_m3_s),
        "dof": None if math.isinf(found.dof) else found.dof,
        "terms": [[t.name, m3h(t.u_m3_s), dof(t), t.scope] for t in found.terms],
    }


def _filled(fields: Mapping[str, str]) -> list[int]:
    return [n for n in range(1, N_PARTS + 1) if fields.get(f"flow{n}", "").strip()]


def _flow(fields: Mapping[str, str], name: str, label: str) -> float:
    return number_of(fields, name, label, LEAST_M3H, MOST_M3H) or 0.0


def house_dialog(page: Decides) -> None:
    """Open what concerns the whole house: weather, changes, another setting, a new terminal, the end."""
    words = page.words
    dialog = open_dialog(words("page.more"), page)
    plan, state = page.visit.plan, page.visit.state
    asked = {q.id: q for q in before(plan, state) if q.id in WEATHER}

    def what_of(question: Question) -> str:
        return words(f"question.{question.id}").split("\n")[0]

    def weather(fields: dict[str, str]) -> dict[str, Any]:
        said = {
            name: number_of(fields, name, what_of(question), question.least, question.most, needed=False)
            if question.kind == "number"
            else fields.get(name) or None
            for name, question in asked.items()
        }
        return {"do": "weather", **said}

    def event(fields: dict[str, str]) -> dict[str, Any]:
        return {"do": "event", "what": text_of(fields, "what", words("page.event_what"))}

    def flue(fields: dict[str, str]) -> dict[str, Any]:
        return {"do": "correct", "question": "open_flue", "value": fields.get("flue", "")}

    def setting(fields: dict[str, str]) -> dict[str, Any]:
        return {"do": "setting", "setting": fields.get("setting", "")}

    def add(fields: dict[str, str]) -> dict[str, Any]:
        made = {
            "id": text_of(fields, "id", words("page.add_id"), 40),
            "room": text_of(fields, "room", words("page.add_room"), 100),
            **{key: fields.get(key, "") for key in ("system", "direction")},
        }
        if any(made["id"] == there.id for there in state.terminals(plan)):
            raise NotTaken(Say("refused.there", {"terminal": made["id"]}))
        design = number_of(fields, "design", words("page.add_design"), 0.1, MOST_M3H, needed=False)
        return {"do": "add", "fields": made if design is None else {**made, "design_m3h": design}}

    def end(fields: dict[str, str]) -> dict[str, Any]:
        return {"do": "finish", "early": True}

    with dialog:
        with _section(words("page.weather")), form(_closing(page, dialog, weather)):
            for question in asked.values():
                what = what_of(question)
                if question.kind == "number":
                    field(f"{what} {words.word('unit', question.unit)}", question.id, "number", needed=False)
                else:
                    options = [("", words("page.no_flow")), *((o, words.word("answer", o)) for o in question.options)]
                    choice(what, question.id, options)
            submit(words("ask.save"))
        with _section(words("page.event")), form(_closing(page, dialog, event)):
            html.p(words("page.event_words"))
            field(words("page.event_what"), "what", maxlength=500)
            submit(words("ask.save"))
        if "open_flue" in state.answers:
            with _section(words("question.open_flue").split("\n")[0]), form(_closing(page, dialog, flue)):
                for said in ("no", "yes", "unknown"):
                    submit(words.word("answer", said), "flue", said)
        if len(plan.settings) > 1:
            with _section(words("page.setting_change")), form(_closing(page, dialog, setting)):
                for name in plan.settings:
                    submit(name, "setting", name)
        with _section(words("page.add")), form(_closing(page, dialog, add)):
            field(words("page.add_id"), "id", maxlength=40)
            field(words("page.add_room"), "room", maxlength=100)
            choice(words("page.add_system"), "system", [(s.name, s.name) for s in plan.systems])
            sides = [(side, words.word("direction", side)) for side in ("supply", "extract")]
            choice(words("page.add_direction"), "direction", sides)
            field(words("page.add_design"), "design", "number", needed=False)
            submit(words("ask.save"))
        with _section(words("page.finish_early")), form(_closing(page, dialog, end)):
            html.p(words("page.finish_early_words"))
            submit(words("page.finish_early"), kind="warn")


def take_back_dialog(page: Decides, line: int, reading: str) -> None:
    """Ask once more before a reading is taken back."""
    words = page.words
    dialog = open_dialog(words("page.take_back", reading=reading), page)

    async def back(fields: dict[str, str], version: int) -> None:
        if await page.decide({"do": "repeat", "line": line}, version):
            dialog.run_method("close")

    with dialog:
        html.p(words("page.take_back_words"))
        button(words("page.take_back_yes"), back, "choice")


def alarm_over_dialog(page: Decides) -> None:
    """Ask once more before a visit goes on after an alarm."""
    words = page.words
    dialog = open_dialog(words("page.alarm_over"), page)

    async def over(fields: dict[str, str], version: int) -> None:
        if await page.decide({"do": "alarm", "over": True}, version):
            dialog.run_method("close")

    with dialog:
        html.p(words("page.alarm_over_words"))
        button(words("page.alarm_over_yes"), over, "choice")
