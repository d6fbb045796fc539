"""Who may open the page, and who may decide: keys, codes and cookies before anything of the page is reached.

An ASGI application around another. Nothing gets past it without the cookie of a session, web sockets included. A
session comes from the key that the program prints for its own machine, or, with a local network served, from a code
that works once. The first phone decides, later ones only watch. Names in `Host` other than the very address that was
called are refused (a foreign page that points its name here), and so is any `Origin` that is not this page.

Everything lives in memory: sessions end with the visit or the program.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import ipaddress
import logging
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any, Literal
from urllib.parse import parse_qs

from hoodtrace.dwelling.screen import Say
from hoodtrace.reporting.texts import Words

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Role = Literal["decide", "watch"]

LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""Of a code: those that are not taken for one another."""
CODE_LENGTH = 8
WRONG_S = 1.0
MOST_WAITING = 4
"""A wrong code is answered so late, so many of an address at a time; more are refused at once. The right one never
waits behind wrong ones. 31 letters to the 8th are 8.5e11: 2000 tries a second for 8 hours find it once in 15 000."""
STANDS = b"x-hoodtrace"
"""The header of a refusal: "finished", or "door" where the session is of no visit that goes on here."""
CONTENT = "; ".join(
    (
        "default-src 'self'",
        "script-src 'self' 'unsafe-inline' 'unsafe-eval'",  # NiceGUI's pages need both; nothing foreign is let in
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS = (
    (b"content-security-policy", CONTENT.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


@dataclass(slots=True)
class Session:
    """A browser that was let in."""

    role: Role
    phone: bool


class Guard:
    """Let in who belongs here.

    Parameters
    ----------
    app : callable
        The ASGI application behind.
    words : Words
    lan : bool
        Give out codes for phones.
    """

    def __init__(self, app: App, words: Words, lan: bool = False) -> None:
        self.app = app
        self._words, self.lan = words, lan
        self.key = secrets.token_urlsafe(24)
        self.code = _new_code() if lan else ""
        self.ended = False
        self._sessions: dict[str, Session] = {}
        self._phone_decides = False
        self._waiting: dict[str, int] = {}
        self._closed = asyncio.Event()
        self.on_code: list[Callable[[], None]] = []

    # ---- what the pages ask

    def session(self, token: str) -> Session | None:
        """Return the session of a cookie; None once it has ended."""
        return self._sessions.get(token)

    def may_decide(self, token: str) -> bool:
        """Whether decisions of this browser are taken."""
        found = self._sessions.get(token)
        return found is not None and found.role == "decide"

    def next_phone_decides(self) -> None:
        """Let the next phone decide, instead of the one that did; that one goes on watching."""
        for session in self._sessions.values():
            if session.phone:
                session.role = "watch"
        self._phone_decides = False

    def end(self) -> None:
        """End all sessions: nobody gets in any more."""
        self.ended = True
        self._sessions.clear()
        self.key, self.code = secrets.token_urlsafe(24), ""

    def close(self) -> None:
        """Close all web sockets that are open."""
        self._closed.set()

    # ---- the door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let the application behind answer."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get(b"host", "")
        if not _is_called(scope, host):
            await self._refuse(scope, send, 421, self._words("page.enter_host"))
        elif not _is_own(scope, headers, host):
            await self._refuse(scope, send, 403, self._words("page.enter_host"))
        elif scope["type"] == "http" and scope["path"] == "/enter":
            # A preview that only asks for the head must not use up the code.
            await (self._refuse(scope, send, 403, "") if scope["method"] == "HEAD" else self._enter(scope, send))
        elif self.session(self.token(headers.get(b"cookie", ""), scope)) is None:
            await self._refuse(scope, send, 403, "")
        else:
            # A header that a proxy would set, and that the page would put into its addresses.
            kept = [(name, value) for name, value in scope["headers"] if not name.lower().startswith(b"x-forwarded")]
            scope = {**scope, "headers": kept}
            if scope["type"] == "websocket":
                await self._web_socket(scope, receive, send)
            else:
                await self.app(scope, receive, _with_headers(send))

    async def _web_socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a web socket through until it ends, is closed from here, or sends what nobody can read."""

        async def receiving() -> MutableMapping[str, Any]:
            got, closed = asyncio.ensure_future(receive()), asyncio.ensure_future(self._closed.wait())
            try:
                await asyncio.wait({got, closed}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                closed.cancel()
                if not got.done():
                    got.cancel()
            return {"type": "websocket.disconnect", "code": 1001} if self._closed.is_set() else got.result()

        try:
            await self.app(scope, receiving, send)
        except Exception:  # what a browser sent must not fill the terminal
            logging.getLogger(__name__).debug("a web socket broke", exc_info=True)
        with contextlib.suppress(Exception):  # closed already
            await send({"type": "websocket.close", "code": 1001})

    def token(self, cookies: str, scope: Scope) -> str:
        """Return this page's token out of a cookie header; empty where there is none."""
        try:
            found = SimpleCookie(cookies).get(cookie_name(scope))
        except CookieError:
            return ""
        return found.value if found is not None else ""

    async def _enter(self, scope: Scope, send: Send) -> None:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0].strip()
        role = await self._role_for(given, scope)
        if role is None:
            await self._refuse(scope, send, 403, self._words("page.enter_wrong"))
            return
        token = secrets.token_urlsafe(24)
        self._sessions[token] = Session(role, not secrets.compare_digest(given.encode(), self.key.encode()))
        cookie = f"{cookie_name(scope)}={token}; Path=/; HttpOnly; SameSite=Lax"
        head = [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"cache-control", b"no-store"), *HEADERS]
        await send({"type": "http.response.start", "status": 303, "headers": head})
        await send({"type": "http.response.body", "body": b""})

    async def _role_for(self, given: str, scope: Scope) -> Role | None:
        if self.ended:
            return None
        if _is_here(scope) and secrets.compare_digest(given.encode(), self.key.encode()):
            return "decide"
        if not self.lan or not given:
            return None
        if not self.code or not secrets.compare_digest(given.upper().encode(), self.code.encode()):
            await self._let_wait(scope)
            return None
        self.code = _new_code()
        role: Role = "watch" if self._phone_decides else "decide"
        self._phone_decides = True
        for told in list(self.on_code):
            told()
        return role

    async def _let_wait(self, scope: Scope) -> None:
        address = str((scope.get("client") or ("",))[0])
        waiting = self._waiting.get(address, 0)
        if waiting >= MOST_WAITING:
            return
        self._waiting[address] = waiting + 1
        try:
            await asyncio.sleep(WRONG_S)
        finally:
            self._waiting[address] -= 1
            if not self._waiting[address]:
                del self._waiting[address]

    async def _refuse(self, scope: Scope, send: Send, status: int, why: str) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        body = self._door(why).encode()
        head = [
            (b"content-type", b"text/html; charset=utf-8"),
            (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"),
            (STANDS, b"finished" if self.ended else b"door"),
            *HEADERS,
        ]
        await send({"type": "http.response.start", "status": status, "headers": head})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})

    def _door(self, why: str) -> str:
        """Return the page where a code is typed; without codes, or once the visit is finished, one that says so."""
        finished = Say("do.finished")
        title = self._words("page.enter_title" if self.lan else "page.enter_here")
        below, form = why, ""
        if self.ended:
            title, below = self._words.head(finished), self._words.rest(finished)
        if self.lan and not self.ended:
            code, go = (html.escape(self._words(f"page.{key}")) for key in ("enter_code", "enter_go"))
            form = f"""<form action="/enter"><label>{code}<input name="key" autocomplete="off" maxlength="40"
autocapitalize="characters" autofocus required></label><button>{go}</button></form>"""
        return f"""<!doctype html><html lang="{self._words.language}"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark">
<title>hoodtrace</title><style>body{{font:1.4rem/1.5 system-ui,sans-serif;max-width:26rem;margin:3rem auto;
padding:0 1rem}}input,button{{font:inherit;padding:.6rem;width:100%;box-sizing:border-box;margin:.4rem 0}}</style>
<main><h1>{html.escape(title)}</h1><p role="alert">{html.escape(below)}</p>{form}</main></html>"""


def cookie_name(scope: Scope) -> str:
    """Return the cookie's name: cookies are shared by all ports of a machine."""
    return f"hoodtrace_{(scope.get('server') or ('', 0))[1]}"


def _new_code() -> str:
    return "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))


def _is_here(scope: Scope) -> bool:
    """Whether the caller is this machine."""
    client = scope.get("client")
    return client is not None and ipaddress.ip_address(client[0]).is_loopback


def _is_called(scope: Scope, host: str) -> bool:
    """Whether `host` is the very address that was called: a foreign name that points here is none."""
    address, port = scope.get("server") or ("", 0)
    names = {f"{address}:{port}", f"[{address}]:{port}"}
    if _is_here(scope):
        names |= {f"localhost:{port}", f"127.0.0.1:{port}"}
    return host in names or (port == 80 and f"{host}:80" in names)


def _is_own(scope: Scope, headers: dict[bytes, str], host: str) -> bool:
    """Whether the page itself asks, not a foreign one through this browser."""
    origin = headers.get(b"origin")
    if origin is not None:
        return origin == f"http://{host}"
    if scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD"):
        return False
    site = headers.get(b"sec-fetch-site", "none")
    return site in ("none", "same-origin") or headers.get(b"sec-fetch-mode") == "navigate"


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            named = {name.lower() for name, _ in message["headers"]}
            more = [(name, value) for name, value in HEADERS if name not in named]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending
