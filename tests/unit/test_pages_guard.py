"""Who gets past the door: only who has the key or a code, called by the right name, from the page itself."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from hoodtrace.board.desk import Desk
from hoodtrace.board.scenario import demo_hood_toml, demo_visit_toml
from hoodtrace.dwelling.screen import Screen
from hoodtrace.pages import guard as guard_module
from hoodtrace.pages.guard import Guard, Scope
from hoodtrace.pages.pulse import MOST_PAGES, Pulse
from hoodtrace.reporting.texts import Words

HERE, THERE, LAN = ("127.0.0.1", 50000), ("192.168.1.9", 50000), "192.168.1.5:8137"


async def behind(scope: Scope, receive: Any, send: Any) -> None:
    """What is guarded: tells which headers came through."""
    names = b",".join(sorted(name for name, _ in scope["headers"]))
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/plain")]})
    await send({"type": "http.response.body", "body": names})


@pytest.fixture
def guard(monkeypatch: pytest.MonkeyPatch) -> Guard:
    monkeypatch.setattr(guard_module, "WRONG_S", 0.0)
    return Guard(behind, Words("en"), lan=True)


def asked(guard: Guard, path: str = "/", kind: str = "http", client: tuple[str, int] = HERE, **headers: str) -> Any:
    """Ask; return status (or "closed"), headers and body."""
    host = headers.setdefault("host", "127.0.0.1:8137" if client == HERE else LAN)
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "http.request"}

    where, _, query = path.partition("?")
    server = ("192.168.1.5", 8137) if host == LAN or client == THERE else ("127.0.0.1", 8137)
    scope = {
        "type": kind,
        "method": headers.pop("method", "GET"),
        "path": where,
        "query_string": query.encode(),
        "headers": [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()],
        "server": server,
        "client": client,
    }
    asyncio.run(guard(scope, receive, send))
    if sent[0]["type"] == "websocket.close":
        return "closed", {}, b""
    found = dict(sent[0]["headers"])
    return sent[0]["status"], found, sent[1]["body"]


def cookie(guard: Guard, key: str, client: tuple[str, int] = HERE) -> str:
    status, headers, _ = asked(guard, f"/enter?key={key}", client=client)
    assert status == 303
    value = headers[b"set-cookie"].decode()
    assert "HttpOnly" in value
    assert "SameSite" in value
    return value.split(";")[0]


def test_nothing_is_shown_without_a_session(guard: Guard) -> None:
    for path in ("/", "/static/page.js", "/_nicegui_ws/socket.io/", "/favicon.ico"):
        status, _, body = asked(guard, path)
        assert (status, b"content-type," in body) == (403, False)
    assert asked(guard, "/", "websocket", origin="http://127.0.0.1:8137")[0] == "closed"
    assert asked(guard, "/", cookie="hoodtrace_8137=guess")[0] == 403


def test_the_key_lets_this_machine_in_and_no_other(guard: Guard) -> None:
    mine = cookie(guard, guard.key)
    status, headers, body = asked(guard, "/", cookie=mine)
    assert (status, body) == (200, b"cookie,host")
    assert b"frame-ancestors 'none'" in headers[b"content-security-policy"]
    assert headers[b"x-content-type-options"] == b"nosniff"
    assert guard.may_decide(mine.split("=", 1)[1])
    assert asked(guard, f"/enter?key={guard.key}", client=THERE)[0] == 403


def test_a_foreign_name_or_page_is_kept_out(guard: Guard) -> None:
    mine = cookie(guard, guard.key)
    assert asked(guard, "/", host="evil.example:8137", cookie=mine)[0] == 421
    assert asked(guard, f"/enter?key={guard.key}", host="evil.example:8137")[0] == 421
    own, other = "http://127.0.0.1:8137", "http://evil.example"
    assert asked(guard, "/", "websocket", cookie=mine, origin=other)[0] == "closed"
    assert asked(guard, "/", "websocket", cookie=mine)[0] == "closed"
    assert asked(guard, "/", "websocket", cookie=mine, origin=own)[0] == 200
    assert asked(guard, "/", cookie=mine, method="POST", origin=other)[0] == 403
    assert asked(guard, "/", cookie=mine, method="POST")[0] == 403
    assert asked(guard, "/", cookie=mine, sec_fetch_site="cross-site", sec_fetch_mode="no-cors")[0] == 403


def test_what_a_proxy_would_say_does_not_get_through(guard: Guard) -> None:
    mine = cookie(guard, guard.key)
    assert asked(guard, "/", cookie=mine, x_forwarded_prefix="//evil.example")[2] == b"cookie,host"


def test_a_code_works_once_and_only_the_first_phone_decides(guard: Guard) -> None:
    first = guard.code
    told: list[str] = []
    guard.on_code.append(lambda: told.append(guard.code))
    one = cookie(guard, first.lower(), THERE).split("=", 1)[1]
    assert told == [guard.code]
    assert guard.code != first
    assert asked(guard, f"/enter?key={first}", client=THERE)[0] == 403
    two = cookie(guard, guard.code, THERE).split("=", 1)[1]
    assert (guard.may_decide(one), guard.may_decide(two)) == (True, False)
    guard.next_phone_decides()
    three = cookie(guard, guard.code, THERE).split("=", 1)[1]
    assert [guard.may_decide(t) for t in (one, two, three)] == [False, False, True]


def test_sessions_and_codes_end_with_the_visit(guard: Guard) -> None:
    mine, key = cookie(guard, guard.key), guard.key
    code = guard.code
    guard.end()
    assert asked(guard, "/", cookie=mine)[0] == 403
    assert asked(guard, f"/enter?key={key}")[0] == 403
    assert asked(guard, f"/enter?key={code}", client=THERE)[0] == 403
    assert asked(guard, "/enter?key=", client=THERE)[0] == 403


def test_without_a_local_network_there_is_no_code() -> None:
    alone = Guard(behind, Words("en"))
    assert alone.code == ""
    assert asked(alone, "/enter?key=", client=THERE)[0] == 403
    _, headers, body = asked(alone, "/")
    assert (b"<form" in body, headers[b"x-hoodtrace"]) == (False, b"door")
    assert b"Open the page with the address that the program printed." in body


@pytest.mark.parametrize("lan", [False, True])
def test_after_the_end_the_door_says_so_in_plain_words(lan: bool) -> None:
    guard = Guard(behind, Words("en"), lan)
    mine = cookie(guard, guard.key)
    guard.end()
    _, headers, body = asked(guard, "/", cookie=mine)
    assert (b"<form" in body, headers[b"x-hoodtrace"]) == (False, b"finished")
    assert b"The visit is finished" in body
    assert b"You may close this page." in body


@pytest.mark.parametrize("n_wrong", [2, 60])
def test_the_right_code_does_not_wait_behind_wrong_ones(monkeypatch: pytest.MonkeyPatch, n_wrong: int) -> None:
    """Wrong codes of an address wait for an hour here; only so many do, and nobody else is held up."""
    monkeypatch.setattr(guard_module, "WRONG_S", 3600.0)
    guard = Guard(behind, Words("en"), lan=True)

    async def flood() -> tuple[list[int], int, int]:
        answers: list[int] = []

        async def enter(key: str) -> int:
            scope = {"type": "http", "method": "GET", "path": "/enter", "query_string": f"key={key}".encode()}
            scope |= {"headers": [(b"host", LAN.encode())], "server": ("192.168.1.5", 8137), "client": THERE}
            sent: list[Any] = []

            async def send(message: Any) -> None:
                sent.append(message)

            await guard(scope, asyncio.Event().wait, send)  # type: ignore[arg-type]
            answers.append(sent[0]["status"])
            return int(sent[0]["status"])

        wrong = [asyncio.create_task(enter("WRONGWRO")) for _ in range(n_wrong)]
        for _ in range(10):
            await asyncio.sleep(0)
        refused, right = list(answers), await asyncio.wait_for(enter(guard.code), 5.0)
        n_waiting = sum(not task.done() for task in wrong)
        for task in wrong:
            task.cancel()
        await asyncio.gather(*wrong, return_exceptions=True)
        return refused, right, n_waiting

    refused, right, n_waiting = asyncio.run(flood())
    assert (right, n_waiting) == (303, min(n_wrong, guard_module.MOST_WAITING))
    assert refused == [403] * max(0, n_wrong - guard_module.MOST_WAITING)


def test_who_only_asks_for_the_head_does_not_use_up_the_code(guard: Guard) -> None:
    code = guard.code
    status, headers, body = asked(guard, f"/enter?key={code}", client=THERE, method="HEAD")
    assert (status, body, guard.code) == (403, b"", code)
    assert b"set-cookie" not in headers
    cookie(guard, code, THERE)


def test_what_was_typed_is_never_shown_as_markup(guard: Guard) -> None:
    _, headers, body = asked(guard, "/enter?key=<script>alert(1)</script>")
    assert b"<script" not in body
    assert headers[b"cache-control"] == b"no-store"


class Listener:
    """A page that keeps what it was told."""

    def __init__(self, token: str) -> None:
        self.token, self.heard = token, ""
        self.looked_at, self.dropped = False, False

    def send(self, news: Mapping[str, Any]) -> bool:
        self.heard = str(news.get("notice", self.heard))
        return True

    def draw(self, screen: Screen) -> None: ...

    def drop(self) -> None:
        self.dropped = True

    def stale(self) -> bool:
        return not self.looked_at


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    (tmp_path / "traces").mkdir()
    (tmp_path / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
    (tmp_path / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
    made = Desk(tmp_path, with_board=False)
    made.visit.decide({"do": "begin"}, "2030-01-01T09:00:00+00:00")
    return made


def test_a_session_has_only_so_many_pages_and_those_that_nobody_sees_go_first(guard: Guard, desk: Desk) -> None:
    async def many() -> tuple[Pulse, list[Listener]]:
        pulse, pages = Pulse(desk, Words("en"), guard), [Listener("one") for _ in range(300)]
        pages[0].looked_at = True
        for page in pages:
            pulse.add(page)
        pulse.add(Listener("two"))
        return pulse, pages

    pulse, pages = asyncio.run(many())
    assert [page.dropped for page in pages] == [False] + [True] * (300 - MOST_PAGES) + [False] * (MOST_PAGES - 1)
    assert len(pulse.pages) == MOST_PAGES + 1


def test_a_text_that_is_too_long_is_told_its_limit_and_not_echoed(guard: Guard, desk: Desk) -> None:
    token = cookie(guard, guard.key).split("=", 1)[1]

    async def asked_twice() -> list[str]:
        pulse, page, heard = Pulse(desk, Words("en"), guard), Listener(token), []
        for n in (501, 500):
            answer = {"do": "answer", "question": "open_flue", "value": "x" * n}
            assert not await pulse.decide(page, answer, pulse.screen.version)
            heard.append(page.heard)
        return heard

    long, refused = asyncio.run(asked_twice())
    assert long == "That is too long: at most 500 letters."
    assert len(refused) < 400
    assert refused.startswith("open_flue: ")


def test_no_decision_of_one_who_watches_reaches_the_visit(guard: Guard, desk: Desk) -> None:
    first, second = (cookie(guard, guard.code, THERE).split("=", 1)[1] for _ in range(2))

    async def all_of_it(pulse: Pulse, page: Listener) -> list[bool]:
        version = pulse.screen.version
        answer = {"do": "answer", "question": "open_flue", "value": "no"}
        return [
            await pulse.decide(page, answer, version),
            await pulse.decide(page, {"do": "alarm"}, None),
            await pulse.press(page, "accept", pulse.desk.visit.state.n_decisions),
            await pulse.press(page, "repeat", version),
        ]

    async def both() -> tuple[list[bool], list[bool], str, str]:
        pulse = Pulse(desk, Words("en"), guard)
        watching, deciding = Listener(second), Listener(first)
        refused, n_lines = await all_of_it(pulse, watching), desk.visit.state.n_lines
        assert n_lines == 1
        return refused, await all_of_it(pulse, deciding), watching.heard, deciding.heard

    refused, taken, why, late = asyncio.run(both())
    assert refused == [False] * 4
    assert why == "This device only watches. The deciding one is another."
    assert taken == [True, True, True, False]
    assert late == "Somebody else decided meanwhile. Look again, then decide."
    assert desk.visit.state.n_lines == 3


def test_what_the_program_itself_writes_makes_no_button_old(guard: Guard, desk: Desk) -> None:
    """A trace that was opened is a line of the journal, but nobody's decision."""
    desk.visit.decide({"do": "trace opened", "trace": "traces/01.trace"}, "2030-01-01T09:00:01+00:00")
    token = cookie(guard, guard.key).split("=", 1)[1]

    async def pressed() -> tuple[bool, str]:
        pulse, page = Pulse(desk, Words("en"), guard), Listener(token)
        return await pulse.press(page, "accept", pulse.screen.version), page.heard

    assert asyncio.run(pressed()) == (True, "")
