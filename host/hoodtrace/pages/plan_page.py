"""The page with the form of a plan: sections, rows, what is wrong, and the end.

Every change is in the draft on the disk before anything else happens. Rows are drawn anew only when rows come, go or
move; what is typed never makes the page be drawn anew.
"""

from __future__ import annotations

from collections.abc import Callable

from nicegui import html, ui
from nicegui.element import Element

from hoodtrace.dwelling.plan import Plan, plan_toml
from hoodtrace.errors import FileError, HoodtraceError
from hoodtrace.pages.plan_draft import LISTS, Draft, Row
from hoodtrace.pages.plan_fields import ROOMS_ID, Field, button
from hoodtrace.pages.plan_rates import RatesTool
from hoodtrace.pages.plan_specs import SPECS, USUAL, Spec
from hoodtrace.pages.plan_typed import Faults, checked
from hoodtrace.pages.plan_upload import UploadTool
from hoodtrace.reporting.texts import Words

_IN_TERMINALS = ("system", "setting")
"""Lists whose rows stand in each terminal as something to choose or fill in."""


class PlanPage:
    """The form in one browser.

    Parameters
    ----------
    draft : Draft
    words : Words
    over : callable
        Takes the text of visit.toml, or nothing for "Cancel".
    """

    def __init__(self, draft: Draft, words: Words, over: Callable[[str], None]) -> None:
        self.draft, self.words, self._over = draft, words, over
        self.fields: dict[str, Field] = {}
        self._checking = False
        self._boxes: dict[str, Element] = {}
        self._folded: dict[str, Element] = {}
        self._upload, self._rates = UploadTool(self), RatesTool(self)

    def build(self) -> None:
        """Put the page into the browser."""
        words = self.words
        self._client = ui.context.client
        ui.add_head_html('<link rel="stylesheet" href="/static/form.css">')
        with html.main().classes("plan"):
            html.h1(words("form.title"))
            html.p(words("form.intro")).classes("words")
            if words.missing:
                html.p(words("page.language_missing", wanted=words.missing)).classes("words")
            self._earlier()
            self._rooms_known = html.datalist(id=ROOMS_ID)
            self._single("site", ("site",))
            self._list("system")
            self._list("setting")
            self._list("room")
            self._list("terminal")
            self._list("other_fan")
            self._list("appliance")
            self._single("rule", ("rule", "hold"), folded=True)
        self._bar()
        self._name_rooms()

    # ---- sections

    def _single(self, title: str, names: tuple[str, ...], folded: bool = False) -> None:
        with html.section():
            if folded:
                with html.details():
                    html.summary(self.words(f"form.{title}_title"))
                    self._boxes[title] = html.div().classes("fields")
            else:
                html.h2(self.words(f"form.{title}_title"))
                self._boxes[title] = html.div().classes("fields")
        self._draw_single(title, names)

    def _draw_single(self, title: str, names: tuple[str, ...]) -> None:
        self._boxes[title].clear()
        with self._boxes[title]:
            for name in names:
                for spec in SPECS[name]:
                    self._field(name, f"{name}.{spec.key}", spec)

    def _list(self, name: str) -> None:
        words = self.words
        with html.section():
            html.h2(words(f"form.{name}_title"))
            html.p(words(f"form.{name}_words")).classes("words")
            if name == "terminal":
                self._upload.build()
            self._boxes[name] = html.div()
            with html.div().classes("buttons"):
                if name == "terminal":
                    button(words("form.terminal_add_supply"), lambda: self._add_terminal("supply"))
                    button(words("form.terminal_add_extract"), lambda: self._add_terminal("extract"))
                else:
                    button(words(f"form.{name}_add"), lambda: self._add(name, {}))
                if name == "room":
                    button(words("form.room_named"), self._add_named_rooms)
            if name == "terminal":
                self._general = ui.label("").classes("fault")
                self._rates.build()
        self._draw(name)

    def _draw(self, name: str) -> None:
        """Draw the rows of a list anew."""
        for path in [path for path in self.fields if path.startswith(f"{name}.")]:
            del self.fields[path]
        self._folded = {where: box for where, box in self._folded.items() if not where.startswith(f"{name}.")}
        self._boxes[name].clear()
        with self._boxes[name]:
            for place, row in enumerate(self.draft.lists[name], 1):
                self._row(name, row, place)

    def _row(self, name: str, row: Row, place: int) -> None:
        number = row["row"]
        called = row.get("id") or row.get("name") or str(place)
        with html.fieldset().classes(f"row {name}"):
            html.legend(self.words("form.row", what=self.words(f"form.{name}_one"), place=place))
            with html.div().classes("fields"):
                for spec in SPECS[name]:
                    if not spec.more:
                        self._row_field(name, row, spec)
            if any(spec.more for spec in SPECS[name]):
                details = html.details()
                with details:
                    html.summary(self.words("form.more"))
                    self._folded[f"{name}.{number}"] = html.div().classes("fields")
                details.on("toggle", lambda: self._unfold(name, number), js_handler="() => emit()")
            with html.div().classes("buttons small"):
                if name == "terminal":
                    for way, by in (("up", -1), ("down", 1)):
                        self._small(way, called, lambda way=way, by=by: self._move(number, way, by), f"{number}.{way}")  # type: ignore[misc]
                    self._small("copy", called, lambda: self._copy(number))
                if name not in ("setting", "system") or len(self.draft.lists[name]) > 1:
                    self._small("remove", called, lambda: self._remove(name, number))

    def _unfold(self, name: str, number: str) -> None:
        """Make the fields that stand folded away in a row, once."""
        box = self._folded.pop(f"{name}.{number}", None)
        row = None if box is None else self.draft.row(name, number)
        if box is not None and row is not None:
            with box:
                for spec in SPECS[name]:
                    if spec.more:
                        self._row_field(name, row, spec)

    def _small(self, what: str, called: str, then: Callable[[], None], place: str = "") -> None:
        made = button(self.words(f"form.{what}"), then, self.words(f"form.{what}_label", what=called), "small")
        if place:
            made.props["data-path"] = place

    def _row_field(self, name: str, row: Row, spec: Spec) -> None:
        where = f"{name}.{row['row']}"
        if spec.key != "design":
            self._field(name, f"{where}.{spec.key}", spec)
            return
        for setting in self.draft.lists["setting"]:
            n = setting["row"]
            self._field(name, f"{where}.design.{n}", spec, self._design_label(setting))
            self._say_source(row["row"], n)

    def _field(self, name: str, path: str, spec: Spec, label: str = "") -> None:
        options = []
        if spec.kind == "system":
            options = [(row["row"], self._system_name(row)) for row in self.draft.lists["system"]]
        self.fields[path] = Field(
            path,
            spec,
            self.draft.get(path),
            self.words,
            self.typed,
            label or self.words(f"form.{name}_{spec.key}"),
            options,
            USUAL.get(spec.key, ""),
        )
        if spec.key == "why_not":
            self._ask_why(path.rpartition(".")[0])

    def _design_label(self, setting: Row) -> str:
        if len(self.draft.lists["setting"]) == 1:
            return self.words("form.terminal_design")
        return self.words("form.terminal_design_at", setting=setting.get("name", ""))

    def _system_name(self, row: Row) -> str:
        return row.get("name") or self.words("form.system_unnamed")

    # ---- what the person does

    def typed(self, path: str, text: str) -> None:
        """Take what was typed into a field."""
        if not self.draft.put(path, text):
            return
        self._save()
        name, _, rest = path.partition(".")
        number, _, key = rest.partition(".")
        if key == "cover":
            self._ask_why(f"terminal.{number}")
        elif key.startswith("design."):
            self._say_source(number, key.removeprefix("design."))
        elif name in ("system", "setting") and key == "name":
            self._rename(name, number)
        elif name == "room" and key == "name":
            self._name_rooms()
        self._check_again()

    def changed(self, *names: str, focus: str = "") -> None:
        """Draw lists anew after their rows came, went or moved, all of the page without names; then go to `focus`."""
        self._save()
        if not names:
            self._draw_single("site", ("site",))
            self._draw_single("rule", ("rule", "hold"))
        for name in names or LISTS:
            self._draw(name)
        if not names or "setting" in names:
            self._rates.choices.refresh()
        self._after(focus)

    def focus(self, path: str, away: bool = False) -> None:
        """Go to a field or a button of a row, unfolding what it stands in; `away`: also from a field in use."""
        kept = "" if away else "if (document.activeElement?.matches('input, select')) return;"
        # Not as the pressed button's page: the button may be gone with its row.
        self._client.run_javascript(
            f"setTimeout(() => {{ const e = document.querySelector('[data-path=\"{path}\"]');"
            f"e?.closest('details')?.setAttribute('open', ''); {kept} e?.focus(); }}, 60)"
        )

    def plan(self) -> Plan | None:
        """Return the plan that was typed; None with the faults shown and the first one gone to."""
        self._checking = True
        plan, faults = checked(self.draft, self.words)
        self._show(faults)
        if faults:
            self.focus(next((path for path in self.fields if path in faults), ""), away=True)
        return plan

    def _make(self, anyway: bool = False) -> None:
        plan = self.plan()
        if plan is None:
            return
        n_without = sum(any(t.design(setting) is None for setting in plan.settings) for t in plan.terminals)
        if n_without and not anyway:
            self.say(self.words("form.make_without", n=n_without))
            self._anyway.set_visibility(True)
            self.focus("anyway", away=True)
            return
        try:
            toml = plan_toml(plan)
        except HoodtraceError as error:
            self.say(str(error))
            return
        self._end(toml)

    def _end(self, toml: str) -> None:
        self._over(toml)
        ui.navigate.to("/over")

    def _add(self, name: str, fields: Row, after: str | None = None) -> None:
        number = self.draft.add(name, fields, after)
        focus = f"{name}.{number}.{'room' if name == 'terminal' else SPECS[name][0].key}"
        row = self.draft.row(name, number)
        if after is not None or name in _IN_TERMINALS or row is None:
            self.changed(*_with(name), focus=focus)
            return
        # The other rows stay as they are, and so does what is typed in them just now.
        self._save()
        with self._boxes[name]:
            self._row(name, row, len(self.draft.lists[name]))
        self._after(focus)

    def _after(self, focus: str) -> None:
        self._name_rooms()
        self._undo.set_visibility(self.draft.can_go_back)
        self._check_again()
        if focus:
            self.focus(focus)

    def _add_terminal(self, way: str) -> None:
        fields = {"id": self.draft.free_id(way), "direction": way}
        systems = self.draft.lists["system"]
        fitting = [row["row"] for row in systems if row.get("kind") in (way, "heat-recovery", "natural", "", None)]
        used = [row.get("system", "") for row in self.draft.lists["terminal"] if row.get("system", "") in fitting]
        if used or len(fitting) == 1:
            fields["system"] = used[-1] if used else fitting[0]
        self._add("terminal", fields)

    def _add_named_rooms(self) -> None:
        known = {row.get("name", "").strip() for row in self.draft.lists["room"]}
        named = dict.fromkeys(row.get("room", "").strip() for row in self.draft.lists["terminal"])
        new = [name for name in named if name and name not in known]
        numbers = [self.draft.add("room", {"name": name}) for name in new]
        if numbers:
            self.changed("room", focus=f"room.{numbers[0]}.kind")

    def _copy(self, number: str) -> None:
        row = self.draft.row("terminal", number)
        if row is not None:
            self._add("terminal", {**row, "id": self.draft.free_id(row.get("direction", ""))}, number)

    def _move(self, number: str, way: str, by: int) -> None:
        self.draft.move("terminal", number, by)
        self.changed("terminal", focus=f"{number}.{way}")

    def _remove(self, name: str, number: str) -> None:
        self.draft.remember()
        self.draft.remove(name, number)
        self.changed(*_with(name))
        self.say(self.words("form.removed"))

    def _back(self) -> None:
        self.draft.back()
        self.changed()

    def _anew(self) -> None:
        self.draft.remember()
        self.draft.begin()
        self.changed(focus="site.name")

    # ---- what follows from it

    def _earlier(self) -> None:
        if self.draft.earlier:
            with html.div().classes("earlier"):
                html.p(self.words("form.earlier"))
                button(self.words("form.anew"), self._anew)

    def _bar(self) -> None:
        with html.footer().classes("bar"):
            self._status = ui.label("").classes("status")
            self._status.props["role"] = "status"
            self._undo = button(self.words("form.undo"), self._back)
            self._undo.set_visibility(self.draft.can_go_back)
            button(self.words("form.cancel_plan"), lambda: self._end(""))
            button(self.words("form.make"), lambda: self._make(), kind="main")
            self._anyway = button(self.words("form.make_anyway"), lambda: self._make(anyway=True))
            self._anyway.props["data-path"] = "anyway"
            self._anyway.set_visibility(False)

    def say(self, words: str) -> None:
        """Put words where the person finds them beside the buttons."""
        self._status.set_text(words)
        self._anyway.set_visibility(False)  # what it answers is asked no more

    def _save(self) -> None:
        try:
            self.draft.save()
        except FileError as error:
            self.say(str(error))

    def _check_again(self) -> None:
        if self._checking:
            self._show(checked(self.draft, self.words)[1])

    def _show(self, faults: Faults) -> None:
        for path in faults:
            name, _, rest = path.partition(".")
            if path not in self.fields:
                self._unfold(name, rest.partition(".")[0])
        for path, field in self.fields.items():
            field.blame(faults.get(path, ""))
        elsewhere = [words for path, words in faults.items() if path not in self.fields]
        self._general.set_text(" ".join(elsewhere))
        refused = "form.rates_refused" if self._rates.refused else "form.no_faults"
        self.say(self.words("form.faults", n=len(faults)) if faults else self.words(refused))

    def _ask_why(self, where: str) -> None:
        field = self.fields.get(f"{where}.why_not")
        if field is not None:
            asked = self.draft.get(f"{where}.cover") == "none" or bool(self.draft.get(f"{where}.why_not"))
            field.element.set_visibility(asked)

    def _say_source(self, number: str, setting: str) -> None:
        field = self.fields.get(f"terminal.{number}.design.{setting}")
        source = self.draft.get(f"terminal.{number}.source.{setting}")
        if field is not None:
            field.say(f"{field.label.text}: {source}" if source else "")

    def _rename(self, name: str, number: str) -> None:
        row = self.draft.row(name, number)
        for path, field in self.fields.items():
            if row is not None and name == "system" and path.endswith(".system") and number in field.options:
                field.options[number].set_text(self._system_name(row))
            elif row is not None and name == "setting" and path.endswith(f".design.{number}"):
                field.label.set_text(self._design_label(row))

    def _name_rooms(self) -> None:
        self._rooms_known.clear()
        with self._rooms_known:
            for row in self.draft.lists["room"]:
                if row.get("name", "").strip():
                    html.option(value=row["name"].strip())


def _with(name: str) -> tuple[str, ...]:
    """Return which lists are drawn anew together with one."""
    return (name, "terminal") if name in _IN_TERMINALS else (name,)
