"""What a browser may send over the web socket: events of its own page in its own session, and nothing else.

NiceGUI takes an event from whoever knows the page's id, prints what a browser wants logged, and prints a traceback for
a message that is none. Its handlers are put behind ones that ask first. At the end of a visit all sockets are closed.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Mapping
from inspect import isawaitable
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from hoodtrace.pages.guard import Guard

if TYPE_CHECKING:
    from nicegui import Client

Handler = Callable[..., Any]
FAREWELL_S = 0.2
"""So long the last words have to get out."""
OF_A_PAGE = ("event", "javascript_response", "ack")
SILENT = ("engineio.server", "socketio.server")
"""Loggers that print what a browser sent when it can't be read."""


class Sockets:
    """Stand before the handlers of NiceGUI's web sockets; make it once a server, before it runs."""

    def __init__(self, guard: Guard) -> None:
        from nicegui import core

        self._guard, self._sio = guard, core.sio
        self._tokens: dict[str, str] = {}
        handlers: dict[str, Handler] = core.sio.handlers["/"]
        handlers |= {
            "connect": self._connecting(handlers["connect"]),
            "handshake": self._handshaking(handlers["handshake"]),
            "disconnect": self._disconnecting(handlers["disconnect"]),
            **{name: self._from_its_page(handlers[name]) for name in OF_A_PAGE},
            "log": _dropped,
        }
        for name in SILENT:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        logging.getLogger("nicegui").setLevel(logging.ERROR)

    async def close(self) -> None:
        """Close all sockets, told first so that no browser tries to come back."""
        for sid in list(self._tokens):
            await self._sio.disconnect(sid)
        await asyncio.sleep(FAREWELL_S)
        self._guard.close()

    def _connecting(self, then: Handler) -> Handler:
        async def connect(sid: str, environ: Mapping[str, Any], *_: Any) -> bool:
            scope = environ.get("asgi.scope") or {}
            token = self._guard.token(str(environ.get("HTTP_COOKIE", "")), scope)
            if self._guard.ended or self._guard.session(token) is None:
                return False
            self._tokens[sid] = token
            named = parse_qs(str(environ.get("QUERY_STRING", ""))).get("client_id", [""])[0]
            client = self._client({"client_id": named})
            if client is not None and not self._owns(sid, client):
                del self._tokens[sid]
                return False
            try:
                await then(sid, environ)
            except Exception:  # refused, or what can't be read
                self._tokens.pop(sid, None)
                raise
            return True

        return connect

    def _handshaking(self, then: Handler) -> Handler:
        async def handshake(sid: str, data: Any = None, *_: Any) -> bool:
            client = self._client(data)
            if client is None or not self._owns(sid, client):
                return False
            with contextlib.suppress(Exception):  # what can't be read
                return bool(await then(sid, data))
            return False

        return handshake

    def _disconnecting(self, then: Handler) -> Handler:
        def disconnect(sid: str, *_: Any) -> None:
            self._tokens.pop(sid, None)
            then(sid)

        return disconnect

    def _from_its_page(self, then: Handler) -> Handler:
        async def taken(sid: str, data: Any = None, *_: Any) -> None:
            client = self._client(data)
            if client is None or client.id not in self._sio.rooms(sid) or not self._owns(sid, client):
                return
            with contextlib.suppress(Exception):  # what can't be read; a handler's own mistakes are logged further in
                found = then(sid, data)
                if isawaitable(found):
                    await found

        return taken

    def _client(self, data: Any) -> Client | None:
        from nicegui import Client

        name = data.get("client_id") if isinstance(data, Mapping) else None
        return Client.instances.get(name) if isinstance(name, str) else None

    def _owns(self, sid: str, client: Client) -> bool:
        """Whether the socket's session is the one that the page was made for, and goes on."""
        request, token = client.request, self._tokens.get(sid, "")
        of_page = self._guard.token(request.headers.get("cookie", ""), request.scope)
        return token != "" and token == of_page and self._guard.session(token) is not None and not self._guard.ended


def _dropped(*_: Any) -> None:
    """What a browser wants in the terminal does not get there."""
