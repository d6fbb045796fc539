"""The live page against who must not get at it, and when its program ends: sockets, the farewell, another start."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from browser.served import UTC, Browsers, Served, answer_all, wait_for
from hoodtrace.dwelling.journal import entries
from hoodtrace.dwelling.visit import Visit

Serving = Callable[..., Served]
SENT = """
window.sent = [];
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (data) { sent.push(data); return send.call(this, data); };
"""
CODE = r"[cC]ode ([A-Z0-9]{8})"


def lines(visit: Visit, kind: str) -> list[dict[str, Any]]:
    return [line for line in entries(visit.folder) if line["kind"] == kind]


def phones(browsers: Browsers, served: Served) -> tuple[Any, Any]:
    """Let two phones in: the first decides, the second watches."""
    door, code = served.url.split("/enter")[0], wait_for(lambda: served.printed(CODE), "a code")
    first = browsers.open(f"{door}/enter?key={code}", "phone", before=SENT)
    wait_for(lambda: served.printed(CODE) != code, "another code")
    second = browsers.open(f"{door}/enter?key={served.printed(CODE)}", "phone", before=SENT)
    second.get_by_text("Watching only").wait_for()
    return first, second


def raw_socket(page: Any) -> None:
    """Let a page open one more socket, with no handshake."""
    page.evaluate(
        """() => new Promise((opened) => {
            window.raw = new WebSocket(`ws://${location.host}/_nicegui_ws/socket.io/?EIO=4&transport=websocket`);
            raw.onmessage = () => { raw.send("40"); opened(); };
        })"""
    )


def emit(page: Any, event: dict[str, Any], version: int) -> None:
    """Send an event that another page sent, with the version of now."""
    again = {**event, "args": [json.dumps({**json.loads(event["args"][0]), "version": version})]}
    page.evaluate("event => window.socket.emit('event', event)", again)
    page.wait_for_timeout(500)


def test_a_watching_phone_reaches_neither_terminal_nor_visit(
    browsers: Browsers, serving: Serving, visit: Visit
) -> None:
    answer_all(visit)
    served = serving("--no-board", "--lan")
    first, second = phones(browsers, served)
    first.get_by_role("button", name="Skip").click()
    wait_for(lambda: lines(visit, "skip"), "a decision")
    first.wait_for_timeout(500)
    event = json.loads(next(m for m in reversed(first.evaluate("sent")) if '"event"' in m).lstrip("0123456789"))[1]
    printed = served.out.read_text()
    emit(second, event, first.evaluate("hoodtrace.version()"))
    assert len(lines(visit, "skip")) == 1  # a page's id alone opens nothing
    emit(first, event, first.evaluate("hoodtrace.version()"))
    assert len(lines(visit, "skip")) == 2  # its own session may
    second.evaluate(
        """() => {
            const own = { client_id: window.clientId };
            for (const level of ["error", "warning", "info", "x"])
                window.socket.emit("log", { ...own, level, message: "\\x1b[2J code EVIL2345" });
            for (const event of ["event", "ack", "javascript_response", "handshake"])
                for (const data of [1, null, {}, own, { client_id: ["x"] }, { ...own, id: {}, args: "[" }])
                    window.socket.emit(event, data);
            window.socket.emit("event");
        }"""
    )
    raw_socket(second)
    second.evaluate(
        """for (const text of ["4xyz", "42[]", "42[1]", `42["${"[".repeat(5000)}`, "45", "z"]) raw.send(text)"""
    )
    second.wait_for_timeout(1000)
    assert served.out.read_text() == printed
    assert second.evaluate("window.socket.connected")


def test_a_finished_visit_says_so_and_closes_every_socket(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    served = serving("--no-board")
    page, other, asleep = (browsers.open(served.url) for _ in range(3))
    raw_socket(other)
    asleep.evaluate("window.socket.disconnect()")  # a phone in a pocket: it does not hear the farewell
    page.get_by_role("button", name="Something else").click()
    page.get_by_text("End early", exact=True).first.click()
    page.locator("form").get_by_role("button", name="End early").click()
    other.wait_for_function("hoodtrace.state.over && !window.socket.connected")
    other.evaluate(
        "new MutationObserver(() => (window.old ||= document.documentElement.dataset.stale === 'yes'))"
        ".observe(document.documentElement, { attributes: true })"
    )
    other.wait_for_function("raw.readyState === WebSocket.CLOSED", timeout=5000)  # long before a ping that is missed
    asleep.wait_for_function("hoodtrace.state.over", timeout=10_000)
    page.wait_for_timeout(4500)
    assert not other.evaluate("window.old")
    for each in (page, other, asleep):
        assert each.get_by_role("heading", level=1).text_content() == "The visit is finished"
        assert not each.get_by_text("No news from the program").is_visible()
        assert not each.locator("#popup").is_visible()
        assert each.get_by_role("button").all_inner_texts() == []  # none that would do nothing
    page.reload()
    assert "The visit is finished" in page.inner_text("main")
    assert "You may close this page" in page.inner_text("main")
    assert page.locator("input").count() == 0


def test_after_another_start_an_old_tab_says_where_to_go(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    served = serving("--no-board")
    page = browsers.open(served.url)
    served.stop()
    page.get_by_text("No news from the program").wait_for()
    serving("--no-board", "--page-port", str(urlsplit(served.url).port))
    page.get_by_text("The program was started anew: use its new page.").wait_for(timeout=15_000)
    assert not page.locator("#popup").is_visible()
    page.evaluate("sent = performance.getEntriesByType('resource').length")
    page.wait_for_timeout(3000)
    assert page.evaluate("performance.getEntriesByType('resource').length === sent")  # it has stopped asking
    page.reload()
    assert "Open the page with the address that the program printed" in page.inner_text("main")


def test_close_and_alarm_never_scroll_away(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    page = browsers.open(serving("--no-board").url, "phone")
    page.get_by_role("button", name="Something else").click()
    dialog = page.locator("dialog")
    dialog.locator("details").last.wait_for()
    page.evaluate("document.querySelectorAll('dialog details').forEach((one) => (one.open = true))")
    dialog.get_by_label("Outdoor temperature").fill("warm")
    page.keyboard.press("Enter")
    refusal = dialog.get_by_text("A number from \N{MINUS SIGN}50 to 60, please: Outdoor temperature?")
    refusal.wait_for()
    page.evaluate("document.querySelector('dialog').scrollTo(0, 1e6)")
    assert page.evaluate("document.querySelector('dialog').scrollTop") > 300
    buttons = [dialog.get_by_role("button", name=name) for name in ("Close", "CO alarm or smoke")]
    for place in (*buttons, dialog.get_by_role("heading").first, refusal):
        box = place.bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 300
    assert browsers.wrong == []


def test_a_reading_by_hand_is_named_and_asked_about_before_it_is_taken_back(
    browsers: Browsers, serving: Serving, visit: Visit
) -> None:
    answer_all(visit)
    visit.decide({"do": "enter", "terminal": "S2", "flow_m3h": 32.4}, UTC)
    page = browsers.open(serving("--no-board").url)
    page.get_by_role("button", name="Take back S2: 32.4 m³/h").click()
    page.locator("dialog").get_by_role("button", name="Close").click()
    assert lines(visit, "withdrawn") == []
    page.get_by_role("button", name="Take back S2: 32.4 m³/h").click()
    page.get_by_role("button", name="Yes, take it back").click()
    page.locator("dialog").wait_for(state="detached")
    assert [line["terminal"] for line in lines(visit, "withdrawn")] == ["S2"]
    page.get_by_role("button", name="Take back").wait_for(state="detached")


def test_a_valve_may_stay_unnoted_but_is_not_left_open(browsers: Browsers, serving: Serving, visit: Visit) -> None:
    answer_all(visit)
    for row in visit.plan.terminals[1:]:
        visit.decide({"do": "leave out", "terminal": row.id, "why": "behind a wardrobe"}, UTC)
    while visit.step().kind == "measure":
        visit.decide({"do": "enter", "terminal": visit.step().terminal, "flow_m3h": 32.4}, UTC)
    page = browsers.open(serving("--no-board").url)
    page.get_by_role("button", name="Not noted").click()
    page.wait_for_function("hoodtrace.state.sentence.startsWith('Controls back')")
    assert lines(visit, "answer")[-1]["value"] is None
