"""The live page in a real browser: a visit from the questions to readings, two browsers, phones, sizes, keys alone."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from browser.served import COMMAND, UTC, Browsers, Served, answer_all, wait_for
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.dwelling.journal import entries
from hoodtrace.dwelling.visit import Visit

Serving = Callable[..., Served]


def lines(visit: Visit, kind: str) -> list[dict[str, Any]]:
    return [line for line in entries(visit.folder) if line["kind"] == kind]


def state(page: Any, name: str) -> Any:
    return page.evaluate(f"hoodtrace.state.{name}")


def go(page: Any, mode: str) -> None:
    page.wait_for_function(f"hoodtrace.state.mode === '{mode}'")


def answer_by_keys(page: Any) -> str:
    """Answer what is asked with keys alone: what a field takes, or the first choice; return the sentence."""
    page.wait_for_function("document.activeElement && document.activeElement.closest('.question')")
    asked = str(state(page, "sentence"))
    if page.evaluate("document.activeElement.tagName") == "INPUT":
        page.keyboard.type("7,5")
        page.keyboard.press("Enter")
    else:
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
    page.wait_for_function("asked => hoodtrace.state.sentence !== asked", arg=asked)
    return asked


def test_from_the_questions_to_readings_with_keys_alone(
    browsers: Browsers, serving: Serving, visit: Visit, board: VirtualBoard
) -> None:
    served = serving("--port", board.port)
    page = browsers.open(served.url)
    assert page.get_by_role("status").first.text_content() == "A fire with an open flue?"
    while state(page, "mode") == "question":
        answer_by_keys(page)
    answers = {line["question"]: line["value"] for line in lines(visit, "answer")}
    assert (answers["open_flue"], answers["filters"], answers["outdoor_c"]) == ("no", "clean", 7.5)
    assert state(page, "sentence") == "No board"
    assert lines(visit, "reading") == []

    board.replug()
    # All in one look: on the board's fast clock the hold is soon over.
    told = "name => document.querySelector(`[data-live=${name}]`).textContent"
    page.wait_for_function(
        f"""() => {{
            const told = {told};
            return hoodtrace.state.flow_kind === 'known' && told('interval').includes('± ')
                && told('common').includes('does not make smaller');
        }}""",
        timeout=60_000,
    )
    row = page.locator("li.row", has_text="S2 ")
    row.locator(".row-flow strong", has_text="m³/h").wait_for(timeout=60_000)
    shown, interval = row.locator(".row-flow").inner_text().split("\n")
    page.wait_for_function("hoodtrace.spoken.some(said => said[1].startsWith('Go to S3'))")
    spoken = [text for _, text, _ in page.evaluate("hoodtrace.spoken")]
    played = page.evaluate("hoodtrace.played")
    assert browsers.wrong == []

    assert served.stop() == 0
    assert board.log() == ""
    assert list(served.cwd.iterdir()) == []  # nothing of the page's library is left where it was started
    trace = visit.folder / lines(visit, "reading")[-1]["trace"]
    command = [*COMMAND, "readings", str(trace), "--hood", str(visit.folder / "hood.toml"), "--format", "json"]
    found = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["readings"]
    given = [line for line in lines(visit, "reading") if line["by"] == "hood"]
    assert [line["terminal"] for line in given[:3]] == ["S1", "S1", "S2"]
    same = {(one["hold"], one["plateau"]): one for one in found}[given[2]["hold"], given[2]["plateau"]]
    assert shown == f"{same['flow_m3h']:.1f}\xa0m³/h"
    assert interval == f"± {same['expanded_m3h']:.1f}"
    assert {"seated", "done"} <= set(played)
    assert spoken.count(f"S2: {same['flow_m3h']:.1f} cubic metres per hour.") == 1


def test_two_browsers_never_decide_twice(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    served = serving("--no-board")
    one, two = browsers.open(served.url), browsers.open(served.url)
    go(two, "terminal")
    two.evaluate("hoodtrace.version = (seen => () => seen)(hoodtrace.version())")  # it has not heard of the other yet
    one.get_by_role("button", name="Skip").click()
    two.get_by_role("button", name="Skip").click()
    two.get_by_text("Somebody else decided meanwhile").wait_for()
    assert [line["terminal"] for line in lines(visit, "skip")] == ["S1"]
    one.wait_for_function("hoodtrace.state.last.startsWith('S1 is skipped')")
    one.locator("li.row", has_text="S3 ").get_by_role("button").click()
    one.get_by_text("Enter a reading by hand").click()
    one.get_by_label("Flow, m³/h").fill("22,4")
    one.keyboard.press("Enter")
    two.locator("li.row", has_text="S3 ").get_by_text("22.4 m³/h").wait_for()
    assert [(line["terminal"], line["flow_m3h"], line["by"]) for line in lines(visit, "reading")] == [
        ("S3", 22.4, "hand")
    ]
    one.locator("dialog").wait_for(state="detached")
    assert browsers.wrong == []


def test_a_second_phone_only_watches(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    served = serving("--no-board", "--lan")
    door = served.url.split("/enter")[0]
    code = wait_for(lambda: served.printed(r"[cC]ode ([A-Z0-9]{8})"), "a code")
    first = browsers.open(f"{door}/enter?key={code}", "phone")
    wait_for(lambda: served.printed(r"[cC]ode ([A-Z0-9]{8})") != code, "another code")
    second = browsers.open(f"{door}/enter?key={served.printed(r'[cC]ode ([A-Z0-9]{8})')}", "phone", "dark")
    second.get_by_text("Watching only").wait_for()
    assert second.get_by_role("button").all_inner_texts() == ["Sound on", "CO alarm or smoke"]
    second.get_by_role("button", name="CO alarm").click()
    second.get_by_text("Call the emergency number from outside").wait_for()
    assert lines(visit, "alarm") == []  # it shows what to do, and decides nothing
    first.get_by_role("button", name="CO alarm").click()
    go(second, "stopped")
    assert [line["state"] for line in lines(visit, "alarm")] == ["stop"]
    first.get_by_role("button", name="The danger is over").click()
    first.get_by_role("button", name="They said so").click()
    go(second, "terminal")
    assert browsers.wrong == []
    laptop = browsers.open(served.url)
    laptop.get_by_role("button", name="Phone").click()
    laptop.get_by_text("Code: ").wait_for()
    laptop.get_by_role("button", name="Let the next phone decide").click()
    first.get_by_text("Watching only").wait_for()
    laptop.keyboard.press("Escape")
    laptop.get_by_role("button", name="Something else").click()
    laptop.get_by_text("End early", exact=True).first.click()
    laptop.locator("form").get_by_role("button", name="End early").click()
    go(first, "finished")
    first.wait_for_timeout(1500)
    assert first.request.get(f"{door}/").status == 403  # the token ends with the visit
    assert served.stop() == 0
    again = browsers.open(serving("--no-board").url)
    go(again, "finished")
    assert again.get_by_role("button").all_inner_texts() == ["Sound on", "Phone", "CO alarm or smoke"]


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_sizes_in_light_and_dark(browsers: Browsers, serving: Serving, visit: Visit, tmp_path: Path, size: str) -> None:
    """The sentence and the flow are read from three metres: letters of at least 4.4 mm (5 minutes of arc: ISO 8596)."""
    answer_all(visit)
    served = serving("--no-board")
    paper = []
    for scheme in ("light", "dark"):
        page = browsers.open(served.url, size, scheme)
        go(page, "terminal")
        page.evaluate(f"hoodtrace.take({json.dumps(STEADY)})")  # as if a board were there
        page.screenshot(path=tmp_path / f"{size}-{scheme}.png")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        px_per_mm = {"phone": 390 / 68.0, "laptop": 1366 / 345.0}[size]  # widths of common screens
        high = page.evaluate("s => parseFloat(getComputedStyle(document.querySelector(s)).fontSize)", "h1") * 0.7
        assert high / px_per_mm >= 4.4
        assert page.evaluate("document.querySelector('h1').getBoundingClientRect().bottom < innerHeight / 2")
        for name in ("flow", "state_word"):
            assert page.evaluate(
                f"document.querySelector('[data-live={name}]').getBoundingClientRect().bottom <= innerHeight"
            )
        sizes = page.evaluate(
            "[...document.querySelectorAll('.page *')].map(e => parseFloat(getComputedStyle(e).fontSize))"
        )
        flow = page.evaluate("parseFloat(getComputedStyle(document.querySelector('[data-live=flow]')).fontSize)")
        assert flow == max(sizes)
        paper.append(page.evaluate("getComputedStyle(document.body).backgroundColor"))
        small = [
            box["height"] for button in page.get_by_role("button").all() if (box := button.bounding_box()) is not None
        ]
        assert min(small) >= 44.0  # WCAG 2.2, 2.5.5 target size (memory)
    assert paper[0] != paper[1]
    assert browsers.wrong == []


def test_labels_for_those_who_listen(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    page = browsers.open(serving("--no-board").url)
    go(page, "terminal")
    heading = page.get_by_role("status").first
    assert (heading.get_attribute("aria-live"), heading.get_attribute("aria-atomic")) == ("assertive", "true")
    assert (
        page.get_by_role("group", name="Do it yourself").get_by_role("button").count() == 3
    )  # no board: nothing to accept
    assert not page.locator(".trail").is_visible()
    assert page.get_by_text("no samples").count() == 0
    page.evaluate(f"hoodtrace.take({json.dumps(STEADY)})")  # as if a board were there
    assert page.get_by_role("progressbar", name="How long to hold on").count() == 1
    assert page.get_by_role("button", name="Choose: S2 · Dining corner").count() == 1
    assert page.get_by_role("heading", level=1).text_content() == state(page, "sentence")
    assert page.locator("html").get_attribute("lang") == "en-US"
    named = page.evaluate("[...document.querySelectorAll('button')].every(b => b.innerText.trim() || b.ariaLabel)")
    assert named
    page.get_by_text("This device has no voice of its own in this language").wait_for()
    page.get_by_role("button", name="Sound on").click()
    assert page.get_by_role("button", name="Sound off").get_attribute("aria-pressed") == "true"
    page.evaluate("hoodtrace.take({cues: [[7, 'done']]})")
    assert page.evaluate("hoodtrace.played") == ["done"]
    page.evaluate("hoodtrace.take({turn: 'far less', say: 'Close it further.'})")
    page.evaluate("hoodtrace.take({turn: 'far less', say: 'Close it further.'})")
    page.evaluate("hoodtrace.take({turn: 'past more', say: 'Too far. Open a little.'})")
    spoken = [text for _, text, _ in page.evaluate("hoodtrace.spoken")]
    assert spoken[-2:] == ["Close it further.", "Too far. Open a little."]
    assert browsers.wrong == []


def test_only_a_voice_of_the_device_speaks_and_what_is_late_is_broken_off(
    browsers: Browsers, serving: Serving, visit: Visit
) -> None:
    answer_all(visit)
    page = browsers.open(serving("--no-board").url, before=VOICES)
    go(page, "terminal")
    assert page.get_by_text("no voice of its own").count() == 0
    page.get_by_role("button", name="Sound on").click()
    page.evaluate("hoodtrace.take({turn: 'far less', say: 'Close it further.'})")
    page.evaluate("hoodtrace.take({turn: '', say: 'Hold still'})")
    page.evaluate("hoodtrace.take({say: 'Take the hood off'})")
    page.wait_for_function("said.length >= 4")
    assert page.evaluate("said") == [
        "Sound is on. by here",
        "broken off",
        "Close it further. by here",
        "Take the hood off by here",
    ]
    assert browsers.wrong == []


def test_what_a_person_does_on_purpose(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    added = {"id": "E9", "room": "Long <b>hall</b>", "system": "unit", "direction": "extract", "cover": "traverse"}
    visit.decide({"do": "add", "fields": added}, UTC)
    page = browsers.open(serving("--no-board").url, "phone")
    go(page, "terminal")

    def section(button: str, title: str, **fields: str) -> None:
        page.get_by_role("button", name=button).click()
        page.get_by_text(title, exact=True).first.click()
        box = page.locator("details[open]")
        for label, value in fields.items():
            box.get_by_label(label.replace("_", " ")).first.fill(value)
        box.get_by_role("button").first.click()
        page.locator("dialog").wait_for(state="detached")

    section("Something else", "Something changed in the house", What_changed="a  door")
    section("Something else", "The weather changed", Outdoor="-3,5")
    section("Something else", "Add a terminal", Its_short="S7", Room="Box room", Design="15")
    section("Choose: S2", "Leave it out", Why="behind a cupboard")
    section("Choose: S3", "Turn its valve to a target", Target="20")
    speeds = {"Speeds": "1 1,2 0.8 1 1", "Free": "100", "The_meter": "0,03"}
    section("Choose: E9", "Enter speeds at points", **speeds)
    assert [line["what"] for line in lines(visit, "event")] == ["a door"]
    assert lines(visit, "weather")[0]["outdoor_c"] == -3.5
    assert lines(visit, "terminal added")[-1]["fields"]["design_m3h"] == 15.0
    assert (lines(visit, "left out")[0]["terminal"], lines(visit, "left out")[0]["why"]) == ("S2", "behind a cupboard")
    assert (lines(visit, "target")[0]["low_m3h"], lines(visit, "target")[0]["high_m3h"]) == (19.0, 21.0)
    found = lines(visit, "reading")[0]
    # 1 m/s on average through 100 cm2 is 36 m3/h. Own arithmetic, relative: scatter of the mean of five, meter, 5 % for
    # the free area, 10 % for the method.
    assert (found["terminal"], found["by"]) == ("E9", "traverse")
    assert found["flow_m3h"] == pytest.approx(36.0)
    assert found["u_flow_m3h"] == pytest.approx(36.0 * math.sqrt(0.02 / 5 + 0.03**2 + 0.05**2 + 0.1**2))
    page.locator("li.row", has_text="Long <b>hall</b>").get_by_text("36.0 m³/h").wait_for()
    page.get_by_role("button", name="By hand").click()  # of the terminal that is measured now
    page.get_by_text("Turn its valve to a target", exact=True).click()
    page.get_by_label("Target, m³/h").fill("many")
    page.keyboard.press("Enter")
    page.locator("dialog").get_by_text("A number from 0.1 to 5000, please: Target, m³/h").wait_for()
    assert len(lines(visit, "target")) == 1
    assert browsers.wrong == []


def test_numbers_that_are_old_do_not_look_new(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    served = serving("--no-board")
    page = browsers.open(served.url)
    go(page, "terminal")
    old = page.get_by_text("No news from the program")
    page.wait_for_timeout(3500)
    assert not old.is_visible()
    served.freeze()
    old.wait_for(timeout=6000)
    served.thaw()
    old.wait_for(state="hidden")


STEADY = {
    "state": "steady",
    "state_word": "Steady: being averaged",
    "flow": "44.9",
    "flow_kind": "known",
    "flow_of": "mean of this hold",
    "direction": "supply",
    "interval": "± 2.2 m³/h",
}
VOICES = """
window.said = [];
const voice = (name, lang, localService) => ({name, lang, localService, default: false});
const voices = [voice("cloud", "en-GB", false), voice("autre", "fr-FR", true), voice("here", "en-US", true)];
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
Object.defineProperty(window, "speechSynthesis", {value: {
  getVoices: () => voices,
  addEventListener: () => {},
  cancel: () => said.push("broken off"),
  speak: (one) => said.push(`${one.text} by ${one.voice.name}`),
}});
"""
