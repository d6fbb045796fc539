"""How a phone gets in: the address of this machine in the local network, and the code as text and as a picture."""

from __future__ import annotations

import contextlib
import socket

import segno
from nicegui import Client, html
from nicegui.element import Element

from hoodtrace.pages.dialogs import Decides, open_dialog
from hoodtrace.pages.guard import Guard
from hoodtrace.reporting.texts import Words

_TOWARDS = ("10.255.255.255", "192.168.255.255", "172.31.255.255", "192.0.2.1")
"""Addresses that nothing is sent to: asking the way there tells this machine's own address."""


def own_addresses() -> list[str]:
    """Return this machine's addresses in local networks, likeliest first; empty with no network."""
    found: dict[str, None] = {}
    for target in _TOWARDS:
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            probe.connect((target, 9))
            found[str(probe.getsockname()[0])] = None
    with contextlib.suppress(OSError):
        for *_, address in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET):
            found[str(address[0])] = None
    return [address for address in found if not address.startswith("127.") and address != "0.0.0.0"]


def phone_url(guard: Guard, port: int, address: str) -> str:
    """Return what a phone opens."""
    return f"http://{address}:{port}/enter?key={guard.code}"


def phone_dialog(guard: Guard, page: Decides, client: Client) -> None:
    """Show the code and its picture; a code that was used is replaced at once."""
    words = page.words
    dialog = open_dialog(words("page.phone"), page)
    with dialog:
        if not guard.lan:
            html.p(words("page.phone_off"))
            return
        html.p(words("page.phone_words"))
        place = html.div().classes("phone")
        html.button(words("page.phone_next"), type="button").classes("button quiet").on(
            "click", guard.next_phone_decides
        )

    def draw() -> None:
        if client.is_deleted or dialog.is_deleted:
            guard.on_code.remove(draw)
            return
        place.clear()
        with place:
            _codes(guard, words, client.request.url.port or 80)

    guard.on_code.append(draw)
    draw()


def _codes(guard: Guard, words: Words, port: int) -> list[Element]:
    drawn = []
    for address in own_addresses()[:2]:
        picture = segno.make(phone_url(guard, port, address), micro=False).svg_data_uri(scale=6, border=4, light="#fff")
        drawn += [
            html.img(src=picture, alt=words("page.phone"), width="260"),
            html.p(f"http://{address}:{port}").classes("address"),
        ]
    return [*drawn, html.p(words("page.phone_code", code=guard.code)).classes("code")]
