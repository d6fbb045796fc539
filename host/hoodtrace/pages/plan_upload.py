"""Terminals from a table that is uploaded in the form of a plan: its bytes are all that is used."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from nicegui import html, ui
from nicegui.events import UploadEventArguments

from hoodtrace.dwelling.plan_table import plan_from_grid
from hoodtrace.errors import HoodtraceError
from hoodtrace.pages.plan_apart import TooMuchError, read_apart
from hoodtrace.pages.plan_fields import button
from hoodtrace.pages.plan_typed import known_part, take_terminals

if TYPE_CHECKING:
    from hoodtrace.pages.plan_page import PlanPage

_LARGEST_BYTES = 5_000_000


class UploadTool:
    """The tool in one browser."""

    def __init__(self, page: PlanPage) -> None:
        self._page, self._words = page, page.words
        self._said: list[str] = []
        self._refused = self._reading = False

    def build(self) -> None:
        """Put the tool into the page."""
        with html.details().classes("tool"):
            html.summary(self._words("form.table_title"))
            html.p(self._words("form.table_words")).classes("words")
            self._upload = ui.upload(
                on_upload=self._took,
                on_rejected=lambda: self._refuse(self._words("form.table_rejected")),
                auto_upload=True,
                max_file_size=_LARGEST_BYTES,
            ).classes("hidden")
            self._upload.props["accept"] = ".csv,.xlsx"
            with html.div().classes("buttons"):
                # The browser opens its file dialog only in the very press.
                pick = f"() => getElement({self._upload.id}).$refs.qRef.pickFiles()"
                button(self._words("form.table_choose"), None, press=pick)
            self._answer()

    async def _took(self, event: UploadEventArguments) -> None:
        name, content = event.file.name, await event.file.read()
        self._upload.reset()
        if self._reading:
            return
        self._reading, self._said, self._refused = True, [self._words("form.table_reading", file=name)], False
        self._answer.refresh()
        draft = self._page.draft
        try:
            grid = await asyncio.to_thread(read_apart, name, content)
            base = known_part(draft, self._words, Path(name).stem.strip() or "visit")  # as it is typed by now
            found = plan_from_grid(name, grid, base)
        except TooMuchError:
            self._refuse(self._words("form.table_too_much", file=name))
            return
        except HoodtraceError as error:
            self._refuse(str(error))
            return
        finally:
            self._reading = False
        draft.remember()
        take_terminals(found.plan, draft)
        taken = self._words("form.table_taken", n=len(found.plan.terminals), file=name)
        self._said, self._refused = [taken, *found.notes], False
        self._page.changed()
        self._answer.refresh()
        self._page.say(taken)

    def _refuse(self, why: str) -> None:
        self._said, self._refused = [why], True
        self._answer.refresh()

    @ui.refreshable_method
    def _answer(self) -> None:
        with html.div(role="status").classes("said"), html.ul():
            for line in self._said:
                html.li(line).classes("fault" if self._refused else "")
