"""Buttons and native forms whose answers carry the version that the browser showed when they were sent.

Texts are always set as text. A form sends all its fields at once: what is typed never makes the page be drawn anew.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from nicegui import html
from nicegui.element import Element
from nicegui.events import GenericEventArguments

from hoodtrace.dwelling.decided import LONGEST_TEXT
from hoodtrace.dwelling.decided import words as line_of
from hoodtrace.dwelling.screen import Say
from hoodtrace.errors import UsageError
from hoodtrace.reporting.texts import MINUS

Sent = Callable[[dict[str, str], int], Awaitable[None]]
_PRESSED = "() => emit({fields: {}, version: hoodtrace.version()})"
_SUBMITTED = "(e) => { e.preventDefault(); emit({fields: hoodtrace.fields(e), version: hoodtrace.version()}) }"


def button(text: str, then: Sent, kind: str = "", **props: str) -> Element:
    """Put a button that calls `then` with no fields and the version shown."""
    made: Element = html.button(text, type="button", **props).classes(f"button {kind}".strip())
    return made.on("click", _passed(then), js_handler=_PRESSED)


def form(then: Sent, **props: str) -> Element:
    """Begin a form (a ``with`` block) that calls `then` with its fields."""
    made: Element = html.form(autocomplete="off", **props).classes("form")
    return made.on("submit", _passed(then), js_handler=_SUBMITTED)


def submit(text: str, name: str = "", value: str = "", kind: str = "", skips: bool = False) -> Element:
    """Put a button that sends the form, with `name` = `value` where given; `skips`: empty fields don't matter."""
    props: dict[str, Any] = {"name": name, "value": value} if name else {}
    if skips:
        props["formnovalidate"] = True
    made: Element = html.button(text, type="submit", **props).classes(f"button {kind}".strip())
    return made


def field(label: str, name: str, kind: str = "text", needed: bool = True, value: str = "", **props: Any) -> Element:
    """Put a labelled field; `kind` "number" takes a comma or a point."""
    shown: dict[str, Any] = {"name": name, "type": "text", "value": value, **props}
    if kind == "number":
        shown |= {"inputmode": "decimal", "maxlength": 40}
    if needed:
        shown["required"] = True
    with html.label().classes("field"):
        html.span(label)
        made: Element = html.input_(**shown)
    return made


def choice(label: str, name: str, options: Sequence[tuple[str, str]], chosen: str = "") -> Element:
    """Put a labelled list to choose from: values with their words."""
    with html.label().classes("field"):
        html.span(label)
        made: Element = html.select(name=name)
        with made:
            for value, words in options:
                mark = {"selected": True} if value == chosen else {}
                html.option(words, value=value, **mark)
    return made


class NotTaken(UsageError):  # noqa: N818
    """A field that can't be taken; `say` is the sentence for the page, with the field's label."""

    def __init__(self, say: Say) -> None:
        super().__init__(say.key)
        self.say = say


def number_of(
    fields: Mapping[str, str], name: str, label: str, least: float, most: float, needed: bool = True
) -> float | None:
    """Return a field as a number; None where it may be empty and is.

    Raises
    ------
    NotTaken
        It is no number, or out of bounds.

    Examples
    --------
    >>> number_of({"flow": " 22,4 "}, "flow", "Flow", 0.0, 100.0)
    22.4
    """
    text = fields.get(name, "").strip()
    if not text and not needed:
        return None
    return as_number(text, label, least, most)


def as_number(text: str, label: str, least: float, most: float) -> float:
    """Return a text as a number, see `number_of`."""
    try:
        found = math.nan if "_" in text else float(text.replace(",", ".").replace(MINUS, "-"))
    except ValueError:
        found = math.nan
    if not least <= found <= most:
        bounds = {name: f"{bound:g}".replace("-", MINUS) for name, bound in (("least", least), ("most", most))}
        raise NotTaken(Say("refused.number", {"label": label, **bounds}))
    return found


def text_of(fields: Mapping[str, str], name: str, label: str, most: int = LONGEST_TEXT) -> str:
    """Return a field as a line of text.

    Raises
    ------
    NotTaken
        It is empty, too long, or holds what no line holds.
    """
    try:
        text = line_of(fields.get(name), label)
    except UsageError:
        text = ""
    if not text or len(text) > most:
        raise NotTaken(Say("refused.text", {"label": label, "most": most}))
    return text


def _passed(then: Sent) -> Callable[[GenericEventArguments], Awaitable[None]]:
    async def handler(event: GenericEventArguments) -> None:
        sent: Any = event.args
        if not isinstance(sent, dict) or not isinstance(sent.get("version"), int):
            return
        given = sent.get("fields")
        fields = {str(k): str(v) for k, v in given.items()} if isinstance(given, dict) else {}
        await then(fields, sent["version"])

    return handler
