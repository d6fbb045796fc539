"""Serve the page of a visit: on this machine only, or in the local network with a code; nothing comes from elsewhere.

One server a process. It writes no file: NiceGUI's own storage is turned to a folder that never comes to be.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import tempfile
import webbrowser
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from hoodtrace.errors import UsageError
from hoodtrace.pages.guard import Guard, Scope
from hoodtrace.reporting.texts import Words

if TYPE_CHECKING:
    from fastapi import FastAPI

    from hoodtrace.pages.pulse import DeskLike

STATIC = Path(__file__).with_name("static")
HERE, EVERYWHERE = "127.0.0.1", "0.0.0.0"


def serve(
    desk: DeskLike,
    host: str | None = None,
    port: int = 8137,
    lan: bool = False,
    language: str | None = None,
    open_browser: bool = True,
    tell: Callable[[str], None] = print,
) -> None:
    """Serve the page until Ctrl-C.

    Parameters
    ----------
    desk : Desk
        Started; the caller stops it afterwards.
    host : str or None
        Where to listen; None: this machine only, with `lan` every network of it.
    port : int
        0 takes any free one.
    lan : bool
        Let phones in with a one-time code.
    language : str or None
        None: that of the system.
    open_browser : bool
    tell : callable
        Gets the lines for the person at the terminal.

    Raises
    ------
    UsageError
        The port is taken.
    """
    words = Words(language)
    listener = listener_at(host or (EVERYWHERE if lan else HERE), port)
    port = listener.getsockname()[1]
    app = nicegui_app_of(words)
    guard = Guard(app, words, lan)
    _add_page(desk, words, guard, app)

    def tell_phone() -> None:
        _tell_phone(guard, port, tell)

    if lan:
        guard.on_code.append(tell_phone)
    run(guard, listener, words, open_browser, tell, "wsproto", tell_phone if lan else None)


def run(
    guard: Guard,
    listener: socket.socket,
    words: Words,
    open_browser: bool,
    tell: Callable[[str], None],
    ws: Literal["wsproto", "none"],
    told: Callable[[], None] | None = None,
) -> None:
    """Tell where the page is, open it, and serve it until Ctrl-C; `told` is called once the address is told."""
    import uvicorn

    url = f"http://{HERE}:{listener.getsockname()[1]}/enter?key={guard.key}"
    if words.missing:
        tell(words("page.language_missing", wanted=words.missing))
    tell(f"Page: {url}")
    if told is not None:
        told()
    if open_browser:
        webbrowser.open(url)
    config = uvicorn.Config(
        guard, log_level="warning", ws=ws, proxy_headers=False, server_header=False, timeout_graceful_shutdown=1
    )
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listener])


def listener_at(host: str, port: int) -> socket.socket:
    """Return a socket that listens there.

    Raises
    ------
    UsageError
        The port is taken.
    """
    try:
        return socket.create_server((host, port))
    except OverflowError as error:
        raise UsageError(f"--page-port {port}: a port is a number from 0 to 65535") from error
    except OSError as error:
        raise UsageError(
            f"the page can't be served at {host}:{port} ({error.strerror}): is another visit open? Give --page-port"
        ) from error


def nicegui_app_of(words: Words) -> FastAPI:
    """Return the application that the guard stands before."""
    nowhere = Path(tempfile.gettempdir()) / f"hoodtrace-no-storage-{os.getpid()}"
    os.environ["NICEGUI_STORAGE_PATH"] = str(nowhere)
    os.environ.setdefault("MATPLOTLIB", "false")  # spares NiceGUI's import of it
    from fastapi import FastAPI
    from nicegui import app as nicegui_app
    from nicegui import ui

    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    nicegui_app.add_static_files("/static", STATIC)
    ui.run_with(
        app,
        title="hoodtrace",
        dark=None,
        language="en-US" if words.language == "en" else words.language,  # type: ignore[arg-type]
        viewport="width=device-width, initial-scale=1, viewport-fit=cover",
        favicon=STATIC / "icon.svg",
        reconnect_timeout=10.0,
        binding_refresh_interval=None,
        tailwind=False,
        show_welcome_message=False,
    )
    return app


def _add_page(desk: DeskLike, words: Words, guard: Guard, app: FastAPI) -> None:
    from nicegui import Client, core, ui

    from hoodtrace.pages.live import LivePage
    from hoodtrace.pages.pulse import Pulse
    from hoodtrace.pages.sockets import Sockets

    pulse = Pulse(desk, words, guard, Sockets(guard).close)
    ui.add_head_html(
        '<link rel="stylesheet" href="/static/page.css">'
        '<script src="/static/sound.js"></script><script src="/static/page.js"></script>',
        shared=True,
    )

    @ui.page("/")
    def visit(client: Client) -> None:
        scope: Scope = client.request.scope
        LivePage(pulse, client, guard.token(client.request.headers.get("cookie", ""), scope))

    # NiceGUI forgets its start-up handlers' errors; the beat is a task of the server's own life.
    around = app.router.lifespan_context

    @contextlib.asynccontextmanager
    async def life(inner: FastAPI) -> AsyncIterator[object]:
        async with around(inner) as state:
            beat = asyncio.create_task(pulse.run())
            try:
                yield state
            finally:
                beat.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await beat

    app.router.lifespan_context = life  # type: ignore[assignment]
    assert core.app is not None


def _tell_phone(guard: Guard, port: int, tell: Callable[[str], None]) -> None:
    """Print the phone's address with its code, also as a picture."""
    import io

    import segno

    from hoodtrace.pages.phone import own_addresses, phone_url

    if not guard.code:
        return
    addresses = own_addresses()
    if not addresses:
        tell(f"No local network is there: join one, then open the laptop's address in it. Code {guard.code}")
        return
    drawn = io.StringIO()
    segno.make(phone_url(guard, port, addresses[0]), micro=False).terminal(out=drawn, compact=True)
    tell(drawn.getvalue())
    for address in addresses:
        tell(f"Phone: http://{address}:{port}  code {guard.code} (works once; the first phone decides, others watch)")
