"""The form under a question: big buttons for choices, a field for a number or words, a valve's position."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from nicegui import html

from hoodtrace.dwelling.screen import Question
from hoodtrace.pages.controls import Sent, field, form, number_of, submit
from hoodtrace.reporting.texts import Words

Answered = Callable[[Any, int], Awaitable[None]]
NAMED = ("fan_setting",)
"""Questions whose options are names of the plan."""


def question_form(question: Question, label: str, words: Words, then: Answered) -> None:
    """Draw the form, named by `label`; `then` gets the answer (None: left open) and the version shown."""
    with form(_answer(question, then), tabindex="-1", **{"aria-label": label}).classes("question"):
        if question.kind in ("choice", "confirm"):
            with html.div().classes("choices"):
                for option in question.options or ("confirm",):
                    named = question.id in NAMED
                    text = option if named else words.word("answer", option)
                    submit(text, "value", option, "choice")
        elif question.kind == "number":
            unit = words.word("unit", question.unit)
            field(f"{words('ask.number')}, {unit}", "value", "number", autofocus=True)
            submit(words("ask.save"), kind="choice")
        elif question.kind == "text":
            field(words("ask.text"), "value", maxlength=500, autofocus=True)
            submit(words("ask.save"), kind="choice")
        else:
            field(words("ask.position"), "position", maxlength=200, autofocus=True)
            with html.div().classes("choices"):
                for option in question.options:
                    submit(words.word("answer", option), "locked", option, "choice")
        if question.may_skip:
            submit(words("answer.leave_open"), "skip", "yes", "quiet", skips=True)


def _answer(question: Question, then: Answered) -> Sent:
    async def answered(fields: dict[str, str], version: int) -> None:
        value: Any = fields.get("value")
        if fields.get("skip"):
            value = None
        elif question.kind == "number":
            value = number_of(fields, "value")
        elif question.kind == "valve":
            value = {"position": fields.get("position", ""), "locked": fields.get("locked")}
        await then(value, version)

    return answered
