"""The process that serves the form of a plan: address, guard, one NiceGUI page, an end.

Sends up its pipe ("address", (words, address)), then ("plan", text of visit.toml, empty for none); or ("error",
exception). It ends with its page, with Ctrl-C, and when the program that started it is gone.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import multiprocessing
import socket
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from hoodtrace.errors import FileError, UsageError
from hoodtrace.pages.guard import Guard
from hoodtrace.pages.plan_draft import Draft
from hoodtrace.pages.server import HERE, listener_at, nicegui_app_of
from hoodtrace.reporting.texts import Words

_LAST_PAGE_S = 3.0
"""So long the browser has for fetching the page that says it is over."""


def serve_form(pipe: Connection, draft_path: Path, port: int, language: str | None) -> None:
    """Serve the form; see the module."""
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):  # stopped, or nobody waits for it any more
        try:
            draft = Draft(draft_path)
            listening = listener_at(HERE, port)
        except (FileError, UsageError) as error:
            pipe.send(("error", UsageError(str(error))))
            return
        pipe.send(("plan", _serve(draft, listening, Words(language), pipe)))


def _serve(draft: Draft, listening: socket.socket, words: Words, pipe: Connection) -> str:
    import uvicorn
    from fastapi.responses import HTMLResponse
    from nicegui import app as pages
    from nicegui import ui

    from hoodtrace.pages.plan_page import PlanPage

    app = nicegui_app_of(words)
    guard = Guard(app, words)
    server = uvicorn.Server(
        uvicorn.Config(
            guard,
            log_level="warning",
            ws="wsproto",
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=1,
        )
    )
    made: list[str] = []

    def end() -> None:
        server.should_exit = True

    def over(toml: str) -> None:
        """Take the plan, or none; the browser goes to the last page."""
        if not made:
            made.append(toml)
            asyncio.get_running_loop().call_later(_LAST_PAGE_S, end)

    @pages.get("/over")
    async def last_page() -> HTMLResponse:
        if made:
            asyncio.get_running_loop().call_later(0.2, end)
        return HTMLResponse(_last_page(words, bool(made and made[0])))

    @ui.page("/", title=words("form.title"))
    def form() -> None:
        PlanPage(draft, words, over).build()

    threading.Thread(target=_with_parent, args=(end,), daemon=True).start()
    address = f"http://{HERE}:{listening.getsockname()[1]}/enter?key={guard.key}"
    pipe.send(("address", (words("form.address", address=address), address)))
    server.run(sockets=[listening])
    return made[0] if made else ""


def _with_parent(end: Callable[[], None]) -> None:
    """End the page once the program that started it is gone."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        end()


def _last_page(words: Words, made: bool) -> str:
    said = words("form.over_made" if made else "form.over_cancelled")
    head, _, rest = (html.escape(part) for part in said.partition("\n"))
    return f"""<!doctype html><html lang="{words.language}"><meta charset="utf-8"><title>hoodtrace</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark">
<style>body{{font:1.2rem/1.5 system-ui,sans-serif;max-width:34rem;margin:3rem auto;padding:0 1rem}}</style>
<main><h1>{head}</h1><p>{rest}</p></main></html>"""
