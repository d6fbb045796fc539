"""One labelled field of the form: what is typed goes to the draft at once, a fault stands below it.

Fields are native ones: what was typed stays in the browser when the page changes around it (`defaultValue` is only what
a field begins with). Text of the person is only ever a value or a text node.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from nicegui import html, ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement

from hoodtrace.pages.plan_specs import Spec
from hoodtrace.reporting.texts import Words, key_of

Typed = Callable[[str, str], None]
ROOMS_ID = "rooms-known"
_EVERY_S = 0.3
_VALUE = "(e) => emit(e.target.value)"
_TICKED = "(e) => emit(e.target.checked ? 'yes' : '')"


class Field:
    """A field of the form; `element` holds all of it, `control` is what is typed into."""

    def __init__(
        self,
        path: str,
        spec: Spec,
        text: str,
        words: Words,
        typed: Typed,
        label: str,
        options: Iterable[tuple[str, str]] = (),
        hint: str = "",
    ) -> None:
        self.path, self._typed = path, typed
        self.options: dict[str, TextElement] = {}
        with html.div().classes(f"field {spec.kind}" + (" wide" if spec.key in ("note", "why_not") else "")) as element:
            self.element = element
            self.label = TextElement(tag="label", text=label)
            if spec.kind in ("choice", "system"):
                self.control = self._select(spec, text, words, options)
            elif spec.kind == "yes":
                self.control = html.input_(type="checkbox", **({"checked": True} if text == "yes" else {}))
                self.control.on("change", self._arrived, js_handler=_TICKED)
            else:
                self.control = self._input(spec, text, hint)
            self.label.props["for"] = self.control.html_id
        self.control.props["data-path"] = path
        # Most fields never have one: a house of a hundred terminals has thousands of fields.
        self._fault: ui.label | None = None
        self._note: ui.label | None = None

    def say(self, words: str) -> None:
        """Put a remark below the fields, such as where the value is from; none for empty."""
        if self._note is None:
            around = self.element.parent_slot
            if not words or around is None:
                return
            with around:
                self._note = ui.label("").classes("note")
        self._show(self._note, words)

    def blame(self, words: str) -> None:
        """Put a fault below the field, or take it away."""
        if self._fault is None:
            if not words:
                return
            with self.element:
                self._fault = ui.label("").classes("fault")
        if self._fault.text != words:
            self.control.props["aria-invalid"] = "true" if words else "false"
            self._show(self._fault, words)

    def _show(self, label: ui.label, words: str) -> None:
        label.set_text(words)
        label.set_visibility(bool(words))
        below = [each.html_id for each in (self._note, self._fault) if each is not None and each.text]
        self.control.props["aria-describedby"] = " ".join(below)
        self.control.update()

    def _select(self, spec: Spec, text: str, words: Words, options: Iterable[tuple[str, str]]) -> Element:
        named = [(name, words(f"form.{spec.key}_{key_of(name)}")) for name in spec.choices] or list(options)
        known = [value for value, _ in named]
        chosen = text or spec.chosen
        if not spec.chosen or chosen not in known:
            named.insert(0, ("", words("form.choose")))
        select: Element = html.select()
        with select:
            for value, shown in named:
                option = TextElement(tag="option", text=shown)
                option.props["value"] = value
                if value == (chosen if chosen in known else ""):
                    option.props["selected"] = True
                self.options[value] = option
        select.on("change", self._arrived, js_handler=_VALUE)
        return select

    def _input(self, spec: Spec, text: str, hint: str) -> Element:
        more: dict[str, Any] = {"placeholder": hint} if hint else {}
        if spec.kind == "number":
            more["inputmode"] = "decimal"
        if spec.kind == "room":
            more["list"] = ROOMS_ID
        made: Element = html.input_(type="text", autocomplete="off", maxlength="1000", defaultValue=text, **more)
        made.on("input", self._arrived, js_handler=_VALUE, throttle=_EVERY_S)
        made.on("change", self._arrived, js_handler=_VALUE)
        return made

    def _arrived(self, event: Any) -> None:
        if isinstance(event.args, str):
            self._typed(self.path, event.args)


def button(
    text: str, then: Callable[[], None] | None, label: str = "", kind: str = "", press: str = "() => emit()"
) -> Element:
    """Put a button; `label` is what a screen reader says where `text` is a sign, `press` what the browser does."""
    made: Element = html.button(text, type="button", **({"aria-label": label, "title": label} if label else {}))
    made.classes(f"button {kind}".strip())
    return made.on("click", None if then is None else lambda: then(), js_handler=press)
