"""The board's screen: who it is and how it does, faults first, in words for people."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import typer

from hoodtrace.board.identity import PUT_ASIDE, SETTINGS_FILE
from hoodtrace.cli.printable import printable

if TYPE_CHECKING:
    from rich.table import Table

    from hoodtrace.board.identity import About, Fault, Setting

COUNTING = {
    "pio": "in hardware (PIO) behind a glitch filter, also while flash is written",
    "counter": "in hardware (pulse counter), also while flash is written",
    "pin": "by a pin interrupt; edges during a flash write are lost",
}
RESET = {
    "pwron": "power came on",
    "hard": "its reset pin",
    "wdt": "its watchdog, or a restart by command: some boards can't tell one from the other",
    "deepsleep": "it woke from deep sleep",
    "soft": "a soft restart",
    "brownout": "the supply broke down",
    "unknown": "it can't tell",
}
LOG = {
    "ok": "well",
    "off": "off by the settings",
    "full": "FULL: nothing more is logged while nobody listens",
    "error": "REFUSED by the flash",
}
SENSOR = {"found": "found", "absent": "ABSENT", "off": "off by the settings"}
REFUSED = {
    SETTINGS_FILE: f"all: {SETTINGS_FILE} can't be read",
    PUT_ASIDE: f"all: the firmware did not start with them, they are put aside as {PUT_ASIDE}",
}
NOT_SAID = "not said: older firmware"


def print_about(about: About, shipped_build: str | None, faults: Sequence[Fault], as_json: bool) -> None:
    """Print the screen, or one JSON object."""
    if as_json:
        write_json(_as_json(about, shipped_build, faults))
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    if not faults:
        console.print("no faults")
    for fault in faults:
        console.print(f"FAULT: {printable(fault.what)}", style="bold red", markup=False)
        console.print(f"       what to do: {printable(fault.do)}", markup=False)
    table = two_columns()
    for name, words in rows(about, shipped_build):
        table.add_row(name, Text(printable(words)))
    console.print(table)


def rows(about: About, shipped_build: str | None) -> list[tuple[str, str]]:
    """Return the screen's lines as name and words."""
    hello, identity, state = about.hello, about.identity, about.state
    rate_hz = about.rate_hz
    found = [
        ("port", about.port),
        ("board", str(hello.get("board", NOT_SAID))),
        ("MicroPython", NOT_SAID if identity is None else _or(identity.micropython)),
        ("firmware", str(hello.get("firmware", NOT_SAID))),
        ("build", _build(None if identity is None else identity.build, shipped_build)),
        ("boot id", f"{hello.get('boot', NOT_SAID)}, running for {about.t_us / 1e6:.0f} s"),
        ("last started by", NOT_SAID if identity is None else RESET.get(identity.reset or "", _or(identity.reset))),
        ("samples", NOT_SAID if rate_hz is None else f"{rate_hz:g} a second"),
    ]
    if state is None:
        return found
    ring = _or(state.ring_lines) + " lines"
    ring += "" if about.ring_s is None else f", {about.ring_s:.0f} s at this rate"
    stalls = _or(state.n_stalls)
    stalls += f", the longest {state.stall_us / 1000:.0f} ms" if state.n_stalls and state.stall_us is not None else ""
    return [
        *found,
        ("edges counted", COUNTING.get(state.counting or "", _or(state.counting))),
        ("pressure chip", SENSOR.get(state.dp or "", _or(state.dp))),
        ("air sensor", SENSOR.get(state.air or "", _or(state.air))),
        ("field mode", {True: "on: the watchdog restarts it", False: "off", None: NOT_SAID}[state.field]),
        ("free memory", NOT_SAID if state.mem_free is None else f"{state.mem_free / 1024:.0f} KiB"),
        ("kept in memory", ring),
        ("log on flash", LOG.get(state.log or "", _or(state.log))),
        ("room on flash", NOT_SAID if state.free_kib is None else f"{state.free_kib} KiB"),
        ("logs to fetch", f"{state.logs}: `hoodtrace fetch` gets them" if state.logs else _or(state.logs)),
        ("late cycles", _late(state.n_late, state.n_stalls)),
        ("flash writes", stalls),
        ("bad pressures", _or(state.n_bad_dp)),
        ("bad commands", _bad_commands(state.n_bad_commands)),
        ("bus recoveries", _or(state.n_bus_recoveries)),
        ("supply", {True: "LOW", False: "not low, or not watched", None: NOT_SAID}[state.supply_low]),
        ("settings refused", ", ".join(REFUSED.get(name, name) for name in state.refused) or "none"),
    ]


def print_settings(settings: Sequence[Setting], as_json: bool) -> None:
    """Print all settings with what they mean and may be, those that are not at their default marked."""
    if as_json:
        write_json({"settings": [asdict(setting) for setting in settings]})
        return
    from hoodtrace.cli.setting_words import meaning

    for setting in settings:
        chosen = "" if setting.value == setting.default else f"  (chosen; default {shown(setting.default)})"
        typer.echo(printable(f"{setting.name} = {shown(setting.value)}{chosen}"))
        words = "; ".join(part for part in (meaning(setting.name), setting.rule) if part)
        if words:
            typer.echo(printable(f"    {words}"))
    typer.echo("`hoodtrace board --set NAME=VALUE` changes one; the board restarts for it.")


def shown(value: object) -> str:
    """Return a setting's value as it is given to --set.

    Examples
    --------
    >>> shown(True), shown(50), shown("pin")
    ('true', '50', 'pin')
    """
    return value if isinstance(value, str) else json.dumps(value)


def write_json(fields: dict[str, Any]) -> None:
    """Write one JSON object to standard output, in ASCII: a board may say halves of letters that no encoding has."""
    sys.stdout.write(json.dumps(fields, allow_nan=False) + "\n")
    sys.stdout.flush()


def two_columns() -> Table:
    """Return an empty table of names and words, without lines."""
    from rich.table import Table

    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    return table


def _as_json(about: About, shipped_build: str | None, faults: Sequence[Fault]) -> dict[str, Any]:
    build = None if about.identity is None else about.identity.build
    return asdict(about) | {
        "rate_hz": about.rate_hz,
        "ring_s": about.ring_s,
        "build_shipped": shipped_build,
        "build_same": None if build is None or shipped_build is None else build == shipped_build,
        "faults": [asdict(fault) for fault in faults],
    }


def _build(build: str | None, shipped_build: str | None) -> str:
    if build is None:
        return NOT_SAID + "; run `hoodtrace install`"
    if shipped_build is None:
        return f"{build}; this program has no firmware files to compare with"
    if build == shipped_build:
        return f"{build}; this program ships build {shipped_build}: same"
    return f"{build}; this program ships build {shipped_build}: they differ, run `hoodtrace install`"


def _bad_commands(n: int | None) -> str:
    if not n:
        return _or(n)
    return f"{n}: another program typed on this port (often one that looks for modems), or the cable is bad"


def _late(n_late: int | None, n_stalls: int | None) -> str:
    normal = n_late and n_stalls and n_late <= n_stalls
    return f"{n_late}, while flash was written: normal" if normal else _or(n_late)


def _or(value: object) -> str:
    return NOT_SAID if value is None else str(value)
