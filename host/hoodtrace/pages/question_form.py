"""The form under a question: big buttons for choices, a field for a number or words, a valve's position."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from nicegui import html

from hoodtrace.dwelling.screen import Question
from hoodtrace.pages.controls import NotTaken, Sent, field, form, number_of, submit, text_of
from hoodtrace.reporting.texts import Words

Answered = Callable[[Any, int], Awaitable[None]]
NAMED = ("fan_setting",)
"""Questions whose options are names of the plan."""


def question_form(question: Question, label: str, words: Words, then: Answered, refuse: Callable[[str], None]) -> None:
    """Draw the form, named by `label`; `then` gets the answer (None: left open) and the version shown.

    `refuse` gets the sentence for an answer that can't be taken.
    """
    with form(_answer(question, label, words, then, refuse), tabindex="-1", **{"aria-label": label}).classes(
        "question"
    ):
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
            submit(
                words("answer.not_noted" if question.kind == "valve" else "answer.leave_open"),
                "skip",
                "yes",
                "quiet",
                skips=True,
            )


def _answer(question: Question, label: str, words: Words, then: Answered, refuse: Callable[[str], None]) -> Sent:
    def value_of(fields: dict[str, str]) -> Any:
        if fields.get("skip"):
            return None
        if question.kind == "number":
            return number_of(fields, "value", label, question.least, question.most)
        if question.kind == "text":
            return text_of(fields, "value", label)
        if question.kind == "valve":
            return {"position": text_of(fields, "position", words("ask.position")), "locked": fields.get("locked")}
        return fields.get("value")

    async def answered(fields: dict[str, str], version: int) -> None:
        try:
            value = value_of(fields)
        except NotTaken as refused:
            refuse(words.say(refused.say))
            return
        await then(value, version)

    return answered
