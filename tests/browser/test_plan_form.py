"""The form of a plan in a real browser: keys alone, faults, hostile names, a killed browser, a freed port.

Check values are what the tests type themselves; the flows by rates are worked out by hand from the rows of the table
that come with them.
"""

from __future__ import annotations

import contextlib
import io
import json
import signal
import socket
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from browser.served import CHROMIUM, FLAGS
from hoodtrace.dwelling.plan import Appliance, OtherFan, Plan, Room, Site, System, Terminal, parse_plan

PROGRAM = """
import json, socket, sys
from pathlib import Path
from hoodtrace.dwelling.plan import plan_toml
from hoodtrace.pages.plan_form import ask_for_plan
if __name__ == "__main__":
    port = int(sys.argv[2])
    plan = ask_for_plan(Path(sys.argv[1]), port, "en", False)
    socket.create_server(("127.0.0.1", port)).close()  # as the visit's own server does next
    print(json.dumps({"plan": plan and plan_toml(plan), "set_up": "nicegui" in sys.modules}))
"""


class Form:
    """The program that asks for a plan, as a process."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, str(folder), str(self.port)], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.url = self.process.stdout.readline().split()[-1]

    def answer(self) -> dict[str, Any]:
        out, _ = self.process.communicate(timeout=10)
        assert self.process.returncode == 0
        return dict(json.loads(out))

    def plan(self) -> Plan:
        return parse_plan(self.answer()["plan"], "answer")

    def gone(self) -> bool:
        with socket.socket() as caller:
            return caller.connect_ex(("127.0.0.1", self.port)) != 0


@pytest.fixture
def ask(tmp_path: Path) -> Iterator[Callable[[], Form]]:
    made: list[Form] = []

    def start() -> Form:
        made.append(Form(tmp_path / "house" / "visit"))
        return made[-1]

    yield start
    for form in made:
        form.process.kill()
        form.process.communicate()


class Hands:
    """A page that is used with keys alone, or with a pointer; what goes wrong in it is collected."""

    def __init__(self, browser: Any, url: str) -> None:
        self.context = browser.new_context(viewport={"width": 1366, "height": 768})
        self.page = self.context.new_page()
        self.page.set_default_timeout(5000)
        self.wrong: list[str] = []
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("request", lambda r: self.wrong.append(r.url) if "//127.0.0.1:" not in r.url else None)
        self.page.goto(url)
        self.page.get_by_role("button", name="Make the visit").wait_for()
        self.page.wait_for_function("window.did_handshake")

    def to(self, name: str, place: int = 1) -> None:
        """Press Tab until the field or button called `name` has the focus, for the `place`-th time."""
        for _ in range(150):
            self.page.keyboard.press("Tab")
            found = self.page.evaluate(
                "(() => { const e = document.activeElement; return e.getAttribute('aria-label')"
                " || e.labels?.[0]?.textContent || e.textContent; })()"
            )
            if found == name:
                place -= 1
                if place == 0:
                    return
        raise AssertionError(f"no {name} by Tab")

    def type(self, name: str, text: str) -> None:
        self.to(name)
        self.page.keyboard.type(text)

    def press(self, name: str) -> None:
        self.to(name)
        self.page.keyboard.press("Enter")

    def at(self, key: str) -> None:
        """Wait until a field whose path ends so has the focus."""
        self.page.wait_for_function("key => document.activeElement?.dataset.path?.endsWith(key)", arg=key)

    def row(self, name: str, place: int) -> Any:
        return self.page.locator(f"fieldset.{name}").nth(place)

    def make(self) -> None:
        self.page.get_by_role("button", name="Make the visit").click()

    def status(self) -> Any:
        return self.page.locator(".bar .status")


@pytest.fixture
def hands(chromium: Any) -> Iterator[Callable[[str], Hands]]:
    made: list[Hands] = []

    def open_(url: str) -> Hands:
        made.append(Hands(chromium, url))
        return made[-1]

    yield open_
    for each in made:
        each.context.close()


def wait_for_draft(folder: Path, words: str) -> None:
    path = folder / "house" / "visit.plan-draft.json"
    until = time.monotonic() + 5.0
    while not (path.exists() and words in path.read_text("utf-8")):
        assert time.monotonic() < until, f"{words} is not in the draft"
        time.sleep(0.02)


def test_a_plan_by_keys_alone_with_flows_by_published_rates(ask: Any, hands: Any) -> None:
    form = ask()
    by = hands(form.url)
    by.type("Name of the dwelling", "Larch Yard 9")
    by.type("Floor area, m²", "85,5")
    by.type("People living there", "2")
    by.type("A fire with an open flue?", "no")
    by.page.keyboard.press("Tab")
    by.page.keyboard.type("top floor")
    by.type("Name of the system", "unit")
    by.type("Kind", "supply and")
    by.type("Who may touch the unit", "the tenant")
    for way, room in (("a supply", "Living"), ("an extract", "Kitchen"), ("an extract", "Bath")):
        by.press(f"Add {way} terminal")
        by.at(".room")
        by.page.keyboard.type(room)
    by.to("Damp room")
    by.page.keyboard.press("Space")
    by.press("Add a fan")
    by.at(".name")
    by.page.keyboard.type("cooker hood")
    by.type("Flow, m³/h", "250.5")
    by.press("Add an appliance")
    by.at(".name")
    by.page.keyboard.type("boiler")
    by.type("Kind", "room")
    by.press("Add the rooms that terminals name")
    for kind in ("living", "kitchen", "bath"):
        by.at(".kind") if kind == "living" else by.to("Kind")
        by.page.keyboard.type(kind)
    by.press("Fill design flows from published rates")
    by.type("Table", "By people")
    by.press("Fill design flows")
    # 30 for each of 2 people is under 60 (kitchen) + 40 (bathroom); supply equals extract. Rows of by_people.toml.
    by.page.get_by_text("Supply 100 m³/h, extract 100 m³/h.").wait_for()
    assert by.page.get_by_text("must be checked against the standard before use; local codes decide").count() == 2
    by.to("Duplicate S1")
    by.to("Room")
    by.to("Design, m³/h")
    by.page.keyboard.press("Control+A")
    by.page.keyboard.type("62")
    by.press("Make the visit")
    plan = form.plan()
    assert by.wrong == []
    sources = [terminal.design_from for terminal in plan.terminals]
    assert ('"per person"' not in sources[0], '"kitchen"' in sources[0], sources[1]) == (True, False, "by hand")
    assert '"bathroom" (planners\' rule) 40.0 m3/h, remembered' in sources[2]
    assert plan == Plan(
        Site("Larch Yard 9", 85.5, people=2, open_flued_appliance="no", note="top floor"),
        (System("unit", "heat-recovery", access="the tenant"),),
        (
            Terminal("S1", "Living", "unit", "supply", 100.0, design_from=sources[0]),
            Terminal("E1", "Kitchen", "unit", "extract", 62.0, design_from="by hand"),
            Terminal("E2", "Bath", "unit", "extract", 40.0, damp=True, design_from=sources[2]),
        ),
        (Room("Living", "living"), Room("Kitchen", "kitchen"), Room("Bath", "bathroom")),
        other_fans=(OtherFan("cooker hood", 250.5),),
        appliances=(Appliance("boiler", kind="room-sealed"),),
    )


def test_names_are_shown_as_typed_and_never_run(ask: Any, hands: Any, tmp_path: Path) -> None:
    site = '<img src=x onerror="window.hit=1">'
    system = "\u05de\u05d8\u05d1\u05d7 larch </select><script>window.hit=1</script>"
    room = "{{constructor.constructor('window.hit=1')()}}"
    form = ask()
    by = hands(form.url)
    by.page.get_by_label("Name of the dwelling").fill(site)
    by.page.get_by_label("Name of the system").fill(system)
    by.row("system", 0).get_by_label("Kind").select_option("supply")
    by.page.get_by_text("Take terminals from a file").click()
    table = f"id,room,system,direction,design_m3h\n{site},{room},{system},supply,40\n".encode()
    with by.page.expect_file_chooser() as chosen:
        by.page.get_by_role("button", name="Choose a file").click()
    chosen.value.set_files({"name": f"{site}.csv".replace("/", ""), "mimeType": "text/csv", "buffer": table})
    by.row("terminal", 0).wait_for()
    assert by.row("terminal", 0).get_by_label("Room", exact=True).input_value() == room
    again = hands(form.url)  # drawn from the beginning
    for page in (by.page, again.page):
        assert page.get_by_label("Name of the dwelling").input_value() == site
        options = page.locator("fieldset.terminal").get_by_label("System").locator("option")
        assert options.all_text_contents() == ["choose", system]
        assert page.evaluate("window.hit") is None
        assert page.locator("main img, main script").count() == 0
    by.make()
    assert (by.wrong, again.wrong) == ([], [])
    plan = form.plan()
    assert (plan.site.name, plan.systems[0].name) == (site, system)
    assert plan.terminals == (Terminal(site, room, system, "supply", 40.0),)


def test_a_fault_stands_beside_its_field_until_it_is_corrected(ask: Any, hands: Any) -> None:
    form = ask()
    by = hands(form.url)
    by.page.get_by_label("Name of the dwelling").fill("Larch Yard 9")
    by.page.get_by_label("Floor area, m²").fill("85 m2")
    by.page.get_by_label("Name of the system").fill("unit")
    by.row("system", 0).get_by_label("Kind").select_option("extract")
    for place in range(2):
        by.page.get_by_role("button", name="Add an extract terminal").click()
        by.row("terminal", place).get_by_label("Room", exact=True).fill("Bath")
    by.row("terminal", 1).get_by_label("Short name").fill("e1")
    by.row("terminal", 1).get_by_label("Design, m³/h").fill("-4")
    by.make()
    area = by.page.get_by_label("Floor area, m²")
    by.at("site.floor_area_m2")
    assert by.page.get_by_text("Write a plain number, without unit.").is_visible()
    assert area.get_attribute("aria-invalid") == "true"
    by.page.get_by_text("Must be at least 0.1.").wait_for()
    area.fill("85")
    by.row("terminal", 1).get_by_label("Design, m³/h").fill("40")
    by.page.get_by_text("'e1' is also terminal 1").wait_for()
    assert area.input_value() == "85"
    by.row("terminal", 1).get_by_label("Short name").fill("E2")
    by.page.get_by_text("Nothing to correct.").wait_for()
    assert area.get_attribute("aria-invalid") == "false"
    by.row("terminal", 1).get_by_role("button", name="Move E2 up").click()
    by.at("up")
    by.row("terminal", 1).get_by_role("button", name="Remove E1").click()
    by.page.wait_for_function("document.querySelectorAll('fieldset.terminal').length === 1")
    by.page.get_by_role("button", name="Undo").click()
    by.page.wait_for_function("document.querySelectorAll('fieldset.terminal').length === 2")
    by.make()
    by.page.get_by_text("Terminals without a design flow: 1. Make it all the same?").wait_for()
    by.at("anyway")
    by.page.get_by_label("Floor area, m²").fill("85.0")  # what was asked is asked anew
    by.page.get_by_role("button", name="Make it all the same").wait_for(state="hidden")
    by.make()
    by.page.get_by_role("button", name="Make it all the same").click()
    plan = form.plan()
    assert [(t.id, t.design_m3h) for t in plan.terminals] == [("E2", 40.0), ("E1", None)]
    assert (plan.site.floor_area_m2, by.wrong) == (85.0, [])


def test_flows_shared_by_people_that_rooms_do_not_have(ask: Any, hands: Any, tmp_path: Path) -> None:
    rooms = (("Living", "living"), ("Big", "bedroom"), ("Small", "bedroom"), ("Kitchen", "kitchen"))
    site = {"name": "Larch Yard 9", "people": "3"}
    lists = {
        "system": [{"row": "1", "name": "unit", "kind": "heat-recovery"}],
        "setting": [{"row": "2", "name": "normal"}],
        "room": [{"row": f"{n}", "name": name, "kind": kind} for n, (name, kind) in enumerate(rooms, 3)],
        "terminal": [
            {"row": f"{n}", "id": name[0], "room": name, "system": "1", "direction": side}
            for n, (name, side) in enumerate(
                (("Living", "supply"), ("Big", "supply"), ("Small", "supply"), ("Kitchen", "extract")), 10
            )
        ],
    }
    (tmp_path / "house").mkdir()
    (tmp_path / "house" / "visit.plan-draft.json").write_text(
        json.dumps({"site": site, "rule": {}, "hold": {}, "other_fan": [], "appliance": []} | lists)
    )
    form = ask()
    by = hands(form.url)
    page = by.page
    page.get_by_text("Fill design flows from published rates").click()
    page.get_by_label("Table", exact=True).select_option(label="By people, airtight house, planners' rule, no edition")
    page.get_by_label("Supply above the minimums is shared by").select_option(label="people")
    page.get_by_role("button", name="Fill design flows", exact=True).click()
    page.get_by_text("The design flows were not filled in").wait_for()
    page.get_by_text('people of room "Big"').wait_for()
    page.get_by_label("Floor area, m²").first.fill("85")  # what is checked anew says nothing else
    wait_for_draft(tmp_path, '"85"')
    page.wait_for_timeout(300)
    assert page.get_by_text("Nothing to correct.").count() == 0
    page.get_by_role("button", name="Share in equal parts").click()
    # 30 m3/h for each of 3 people is 90, above the kitchen's 60. Rows of by_people.toml.
    page.get_by_text("Supply 90.0 m³/h, extract 90.0 m³/h.").wait_for()
    page.get_by_role("button", name="Undo").click()
    page.wait_for_function("document.querySelector('[data-path=\"terminal.10.design.2\"]').value === ''")
    page.get_by_label("Supply above the minimums is shared by").select_option(label="people")
    page.get_by_role("button", name="Fill design flows", exact=True).click()
    page.get_by_role("button", name="Put the people into the bedrooms").click()
    page.get_by_text("Supply 90.0 m³/h, extract 90.0 m³/h.").wait_for()
    people = [by.row("room", place).get_by_label("People").input_value() for place in range(4)]
    assert people == ["0", "2", "1", "0"]  # two in the first bedroom, one in the other
    by.make()
    page.get_by_role("button", name="Make it all the same").click()  # nobody in the living room: it has no flow
    plan = form.plan()
    assert (by.wrong, [t.design_m3h for t in plan.terminals]) == ([], [None, 60.0, 30.0, 90.0])


def test_a_file_that_holds_very_much_is_refused_and_the_page_goes_on(ask: Any, hands: Any) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"<row>" + b"<c/>" * 2_000_000 + b"</row>")
    form = ask()
    by = hands(form.url)
    by.page.get_by_text("Take terminals from a file").click()
    for content in (packed.getvalue(), b"id,room,system,direction,design_m3h\nS1,Study,unit,supply,20\n"):
        with by.page.expect_file_chooser() as chosen:
            by.page.get_by_role("button", name="Choose a file").click()
        chosen.value.set_files({"name": "house.xlsx", "mimeType": "text/csv", "buffer": content})
        if content[:2] == b"PK":
            by.page.get_by_text("holds more than a plan's table needs").wait_for()
    by.page.get_by_text("1 terminals were taken from house.xlsx.").first.wait_for()
    by.page.get_by_role("button", name="Cancel").click()
    assert (form.answer()["plan"], by.wrong) == (None, [])


def test_a_killed_browser_and_a_killed_program_lose_nothing(ask: Any, chromium: Any, tmp_path: Path) -> None:
    from playwright.sync_api import Error

    form = ask()
    own = chromium.browser_type.launch(executable_path=CHROMIUM, args=FLAGS)
    by = Hands(own, form.url)
    by.type("Name of the dwelling", "Larch Yard 9")
    by.page.keyboard.press("Tab")
    by.page.keyboard.type("85,")
    wait_for_draft(tmp_path, '"85,"')
    with contextlib.suppress(Error):
        own.new_browser_cdp_session().send("Browser.crash")
    own = chromium.browser_type.launch(executable_path=CHROMIUM, args=FLAGS)
    by = Hands(own, form.url)
    assert by.page.get_by_label("Floor area, m²").input_value() == "85,"
    by.page.get_by_label("Bedrooms").fill("3")
    wait_for_draft(tmp_path, '"3"')
    form.process.kill()
    until = time.monotonic() + 5.0
    while not form.gone():
        assert time.monotonic() < until, "the page outlives the program"
        time.sleep(0.05)
    own.close()
    form = ask()
    own = chromium.browser_type.launch(executable_path=CHROMIUM, args=FLAGS)
    by = Hands(own, form.url)
    values = [
        by.page.get_by_label(name).input_value() for name in ("Name of the dwelling", "Floor area, m²", "Bedrooms")
    ]
    assert values == ["Larch Yard 9", "85,", "3"]
    by.page.get_by_role("button", name="Cancel").click()
    by.page.get_by_text("No visit was made").wait_for()
    own.close()
    assert form.answer() == {"plan": None, "set_up": False}
    assert sorted(path.name for path in (tmp_path / "house").iterdir()) == ["visit.plan-draft.json"]


def test_ctrl_c_ends_without_a_plan_and_frees_the_port(ask: Any, chromium: Any) -> None:
    form = ask()
    form.process.send_signal(signal.SIGINT)
    assert form.answer() == {"plan": None, "set_up": False}
