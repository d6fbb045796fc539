"""Design flows from published rates, in the form of a plan: what is chosen, what came of it, from which rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from nicegui import html, ui

from hoodtrace.dwelling.rate_table import SHIPPED, read_table
from hoodtrace.dwelling.rates import Rates, rates
from hoodtrace.errors import HoodtraceError
from hoodtrace.pages.plan_draft import BY_HAND
from hoodtrace.pages.plan_fields import Field, button
from hoodtrace.pages.plan_specs import Spec
from hoodtrace.pages.plan_typed import take_flows

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan
    from hoodtrace.pages.plan_page import PlanPage

_BY_TABLE = "table"


class RatesTool:
    """The tool in one browser."""

    def __init__(self, page: PlanPage) -> None:
        self._page, self._words = page, page.words
        self._tables = {name: read_table(name) for name in SHIPPED}
        self._chosen = {"table": SHIPPED[0], "category": "", "by": _BY_TABLE, "setting": "", "keep": "yes"}
        self._found: Rates | None = None
        self.refused = ""
        """Why the flows were not filled in the last time; empty where they were."""
        self._ways: list[str] = []

    def build(self) -> None:
        """Put the tool into the page."""
        with html.details().classes("tool"):
            html.summary(self._words("form.rates_title"))
            html.p(self._words("form.rates_words")).classes("words")
            html.p(self._words("form.rates_check")).classes("words strong")
            self.choices()
            with html.div().classes("buttons"):
                button(self._words("form.rates_fill"), self._fill)
            self._result()

    @ui.refreshable_method
    def choices(self) -> None:
        """Put what there is to choose: the categories of the table, the fan settings of the plan."""
        table = self._tables[self._chosen["table"]]
        settings = [(row["row"], row.get("name", "")) for row in self._page.draft.lists["setting"]]
        if self._chosen["setting"] not in dict(settings):
            self._chosen["setting"] = settings[0][0]
        with html.div().classes("fields"):
            self._choice("table", [(name, f"{one.title}, {one.edition}") for name, one in self._tables.items()])
            if table.category:
                self._choice("category", [(one.name, one.name) for one in table.category])
            self._choice("by", [(way, self._words(f"form.by_{way}")) for way in (_BY_TABLE, "people", "area", "equal")])
            if len(settings) > 1:
                self._choice("setting", settings)
            self._field("keep", Spec("keep", "yes"), [])

    def _choice(self, key: str, options: list[tuple[str, str]]) -> None:
        if self._chosen[key] not in dict(options):
            self._chosen[key] = options[0][0]
        self._field(key, Spec(key, "system", chosen=options[0][0]), options)

    def _field(self, key: str, spec: Spec, options: list[tuple[str, str]]) -> None:
        label = self._words(f"form.rates_{key}")
        Field(f"rates.{key}", spec, self._chosen[key], self._words, self._typed, label, options)

    def _typed(self, path: str, text: str) -> None:
        key = path.partition(".")[2]
        if key == "table" and text not in self._tables:
            return
        self._chosen[key] = text
        if key == "table":
            self.choices.refresh()

    def _fill(self, remember: bool = True) -> None:
        self.refused, self._ways = "", []
        plan = self._page.plan()
        if plan is None:
            self._page.say(self._words("form.rates_first"))
            return
        chosen, draft = self._chosen, self._page.draft
        setting = plan.settings[[row["row"] for row in draft.lists["setting"]].index(chosen["setting"])]
        table = self._tables[chosen["table"]]
        by = None if chosen["by"] == _BY_TABLE else chosen["by"]
        kept = self._by_hand(plan, setting) if chosen["keep"] else {}
        try:
            found = rates(plan, table, chosen["category"] if table.category else None, by, setting, kept, "form")
        except HoodtraceError as error:
            self._found, self.refused = None, str(error).removeprefix("form: ")
            if (by or table.rest_supply) == "people" and any(room.people is None for room in plan.rooms):
                self._ways = ["area", "equal", *(["people"] if people_by_room(plan) else [])]
            self._result.refresh()
            self._page.say(self._words("form.rates_refused"))
            return
        self._found = found
        if remember:
            draft.remember()
        for row, terminal in zip(draft.lists["terminal"], found.filled(plan).terminals, strict=True):
            take_flows(terminal, row["row"], plan.settings, draft)
        self._page.changed("terminal")
        self._result.refresh()
        self._page.say(self._words("form.rates_filled"))

    def _go(self, way: str) -> None:
        """Fill the flows in by another way, which the person chose after a refusal."""
        draft = self._page.draft
        plan = self._page.plan()
        if way == "people" and plan is not None:
            draft.remember()
            for row, people in zip(draft.lists["room"], people_by_room(plan), strict=False):
                draft.put(f"room.{row['row']}.people", str(people))
            self._page.changed("room")
        elif way != "people":
            self._chosen["by"] = way
            self.choices.refresh()
        self._fill(remember=way != "people")

    def _by_hand(self, plan: Plan, setting: str) -> dict[str, float]:
        source = f"source.{self._chosen['setting']}"
        flows = {
            terminal.id: terminal.design(setting)
            for terminal, row in zip(plan.terminals, self._page.draft.lists["terminal"], strict=True)
            if row.get(source) == BY_HAND
        }
        return {name: flow for name, flow in flows.items() if flow is not None}

    @ui.refreshable_method
    def _result(self) -> None:
        words, found = self._words, self._found
        with html.div(role="status").classes("said"):
            if self.refused:
                html.p(self.refused).classes("fault")
            if "people" in self._ways:
                html.p(words("form.rates_ways"))
            if self._ways:
                with html.div().classes("buttons"):
                    for way in self._ways:
                        button(words(f"form.rates_way_{way}"), lambda way=way: self._go(way))  # type: ignore[misc]
            if found is None:
                return
            html.p(words("form.rates_total", supply_m3h=found.supply_m3h, extract_m3h=found.extract_m3h)).classes(
                "strong"
            )
            html.p(words("form.rates_governed", what=found.governed_by))
            with html.ul():
                for one in found.designs:
                    flow = words("row.no_design") if one.design_m3h is None else words.flow(one.design_m3h)
                    html.li(f"{one.terminal}, {one.room}: {flow}. {one.design_from}")
            html.p(words("form.rates_short" if found.shorts else "form.rates_none_short")).classes("strong")
            with html.ul():
                for short in found.shorts:
                    place = f"{short.need.where} {short.need.direction}".strip()
                    html.li(f"{place}: {short.need.words}; {words.flow(short.given_m3h)}, {short.why}")
            with html.ul():
                for note in found.notes:
                    html.li(note)
            html.p(words("form.rates_check"))


def people_by_room(plan: Plan) -> list[int]:
    """Return how many people sleep in each room of a plan: two in the first bedroom, one in each other one.

    What rooms say already stays. People left over go where fewest are; rooms that are no bedroom get none.

    Returns
    -------
    list of int
        By room; empty where the plan does not say how many live there, has no bedroom that lacks its people, or has
        more people in its rooms than in the house.

    References
    ----------
    Common practice, no source.

    Examples
    --------
    >>> from hoodtrace.dwelling.plan import Plan, Room, Site
    >>> rooms = (Room("Living", "living"), Room("Big", "bedroom"), Room("Small", "bedroom"))
    >>> [people_by_room(Plan(Site("flat", people=n), (), (), rooms)) for n in (1, 3, 5)]
    [[0, 1, 0], [0, 2, 1], [0, 3, 2]]
    """
    found = [room.people or 0 for room in plan.rooms]
    beds = [i for i, room in enumerate(plan.rooms) if room.kind == "bedroom"]
    free = [i for i in beds if plan.rooms[i].people is None]
    left = (plan.site.people or 0) - sum(found)
    if not free or left < 0 or plan.site.people is None:
        return []
    usual = [2 if i == beds[0] else 1 for i in free]
    for i, most in zip(free, usual, strict=True):
        found[i] = min(most, left)
        left -= found[i]
    for _ in range(left):
        found[min(free, key=lambda i: found[i])] += 1
    return found
