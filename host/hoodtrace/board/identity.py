"""Who the board is and how it does, asked over a conversation, and what of it is amiss.

`ask_about` gathers what the board says of itself; a firmware that is older than these questions leaves `identity` and
`state` None, and what the hello tells remains. What a board does not say is None, never a guess. `faults` puts into
words what a person should do something about; it knows no port and no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self, TypeGuard

from hoodtrace.board.talk import Talk, older
from hoodtrace.errors import LinkError, LinkReason, UsageError

SETTINGS_FILE, PUT_ASIDE = "settings.json", "settings.bad"
"""What `refused` may name beside settings: a file that can't be read, and choices that the firmware did not start with.
"""
SELDOM = 1e-3
"""Share of samples that may be late or not valid before it is called a fault: own choice; from 1e-2 on the pressure
channel of a reading is left out."""

Value = bool | int | float | str


@dataclass(frozen=True, slots=True)
class Identity:
    """What runs on the board: versions, `build` (16 hex digits, over its files), chip number, boot id, last start."""

    firmware: str | None
    protocol: int | None
    build: str | None
    board: str | None
    micropython: str | None
    mpy: int | None
    id: str | None
    boot: str | None
    reset: str | None

    @classmethod
    def said(cls, body: dict[str, Any]) -> Self:
        """Return what the `identity` message says."""
        names = ("firmware", "build", "board", "micropython", "id", "boot", "reset")
        texts = {name: _text(body, name) for name in names}
        return cls(protocol=_count(body, "protocol"), mpy=_count(body, "mpy"), **texts)


@dataclass(frozen=True, slots=True)
class State:
    """How the board does since its boot.

    `counting` is "pio", "counter" or "pin"; `dp` and `air` are "found", "absent" or "off"; `mem_free` in bytes;
    `ring_lines` that memory can hold; `log` is "off", "ok", "full" or "error", `logs` are files to fetch, `free_kib`
    the room on flash [KiB]; `n_late` samples; `n_stalls` times that flash was written, the longest taking `stall_us`;
    `refused` are names of settings that the board did not take, or `SETTINGS_FILE` or `PUT_ASIDE`.
    """

    counting: str | None
    dp: str | None
    air: str | None
    field: bool | None
    mem_free: int | None
    ring_lines: int | None
    log: str | None
    logs: int | None
    free_kib: int | None
    n_late: int | None
    n_stalls: int | None
    stall_us: int | None
    n_bad_dp: int | None
    n_bad_commands: int | None
    n_bus_recoveries: int | None
    supply_low: bool | None
    crash: bool | None
    refused: tuple[str, ...]

    @classmethod
    def said(cls, body: dict[str, Any]) -> Self:
        """Return what the `state` message says."""
        return cls(
            counting=_text(body, "counting"),
            dp=_text(body, "dp"),
            air=_text(body, "air"),
            field=_truth(body, "field"),
            mem_free=_count(body, "mem_free"),
            ring_lines=_count(body, "ring_lines"),
            log=_text(body, "log"),
            logs=_count(body, "logs"),
            free_kib=_count(body, "free_kib"),
            n_late=_count(body, "late"),
            n_stalls=_count(body, "stalls"),
            stall_us=_count(body, "stall_us"),
            n_bad_dp=_count(body, "bad_dp"),
            n_bad_commands=_count(body, "bad_commands"),
            n_bus_recoveries=_count(body, "bus_recoveries"),
            supply_low=_truth(body, "supply_low"),
            crash=_truth(body, "crash"),
            refused=tuple((_text(body, "refused") or "").split()),
        )


@dataclass(frozen=True, slots=True)
class Setting:
    """One choice on the board, what it would be by default, and in words what it may be (None: an older board)."""

    name: str
    value: Value
    default: Value
    rule: str | None = None


@dataclass(frozen=True, slots=True)
class About:
    """All that a board says of itself; `t_us` is microseconds since its boot, `crash` the note of what ended it."""

    port: str
    hello: dict[str, Any]
    t_us: int
    identity: Identity | None = None
    state: State | None = None
    crash: str = ""

    @property
    def rate_hz(self) -> float | None:
        """Samples per second, as the hello says."""
        rate_hz = self.hello.get("rate_hz")
        return number_within(rate_hz, 1e-3, 1e6)

    @property
    def ring_s(self) -> float | None:
        """Seconds of samples that memory can hold; the few messages among them take a little off."""
        lines = self.state.ring_lines if self.state is not None else None
        return lines / self.rate_hz if lines is not None and self.rate_hz else None


@dataclass(frozen=True, slots=True)
class Fault:
    """What is amiss, and what to do about it."""

    what: str
    do: str


def ask_about(talk: Talk) -> About:
    """Ask the board who it is and how it does.

    Raises
    ------
    LinkError
        The board is gone or does not answer.
    """
    answer = talk.ask("identity", last="state")
    if not answer.ok:
        return About(talk.port, talk.hello, talk.t_us)
    identity = Identity.said(_last(answer.messages, "identity"))
    state = State.said(_last(answer.messages, "state"))
    crash = ""
    if state.crash:
        crash = str(_last(talk.ask("crash", last="crash").messages, "crash").get("text", ""))
    return About(talk.port, talk.hello, talk.t_us, identity, state, crash)


def ask_settings(talk: Talk) -> tuple[Setting, ...]:
    """Ask for all choices, by name; empty where the firmware is older than settings.

    Raises
    ------
    LinkError
        The board is gone, or the list came with a hole.
    """
    answer = talk.ask("settings", last="settings")
    if not answer.ok:
        return ()
    found = {
        body["name"]: Setting(body["name"], body["value"], body["default"], _text(body, "rule"))
        for body in answer.messages
        if body.get("kind") == "setting"
        and isinstance(body.get("name"), str)
        and isinstance(body.get("value"), Value)
        and isinstance(body.get("default"), Value)
    }
    count = _last(answer.messages, "settings").get("count")
    if type(count) is not int or count != len(found):
        raise LinkError(
            LinkReason.SILENT, f"{talk.port}: {len(found)} of {count} settings came: try again; if it stays, the cable"
        )
    return tuple(found[name] for name in sorted(found))


def order(talk: Talk, words: str) -> None:
    """Have the board do something.

    Raises
    ------
    UsageError
        The board refuses; its reason stands in the text in full.
    LinkError
        OTHER_FIRMWARE: the firmware is older and does not know the command; or the board is gone.
    """
    answer = talk.ask(words)
    if answer.unknown:
        raise older(talk, words.split(" ")[0])
    if not answer.ok:
        raise UsageError(f"{talk.port}: the board refuses `{words}`: {answer.why}")


def faults(about: About, shipped_build: str | None) -> tuple[Fault, ...]:
    """Return what is amiss, the worst first.

    Parameters
    ----------
    about : About
    shipped_build : str or None
        Build of the firmware that this program brings; None where that can't be told.

    Examples
    --------
    >>> old = About("port", {"firmware": "0.1.0"}, 0)
    >>> [fault.do for fault in faults(old, None)]
    ['run `hoodtrace install`']
    """
    identity, state = about.identity, about.state
    if identity is None or state is None:
        version = about.hello.get("firmware", "of unknown version")
        return (Fault(f"the firmware ({version}) is older than this program and can't say more", _INSTALL),)
    found: list[Fault] = []

    def add(amiss: object, what: str, do: str) -> None:
        if amiss:
            found.append(Fault(what, do))

    add(about.crash, f"the firmware ended by an error: {about.crash}", _CRASH)
    add(state.supply_low, "the supply voltage is low; the board writes no log", "charge or change the battery")
    add(
        identity.reset == "brownout",
        "the supply broke down and the board started anew",
        "check battery, cable and their contacts",
    )
    add(state.dp == "absent", "the pressure chip does not answer: no flow from the taps, no direction", _wires("dp"))
    add(state.air == "absent", "the air sensor does not answer: density is then an assumption", _wires("air"))
    add(state.log == "full", *LOG_FULL)
    add(state.log == "error", *LOG_ERROR)
    found += [refused_fault(name) for name in state.refused]
    differs = shipped_build is not None and identity.build is not None and identity.build != shipped_build
    add(differs, f"the board runs build {identity.build}, this program ships build {shipped_build}", _INSTALL)
    n_samples = about.t_us * 1e-6 * (about.rate_hz or 0.0)
    bad, late = state.n_bad_dp or 0, state.n_late or 0
    add(bad > SELDOM * n_samples, f"{bad} pressure values were not valid, of about {n_samples:.0f}", _wires("dp"))
    add(
        state.n_bus_recoveries,
        f"the sensors' bus hung and was freed {state.n_bus_recoveries} times",
        "shorten the sensors' wires, check their pull-ups, keep them away from mains and motors",
    )
    add(
        late - (state.n_stalls or 0) > SELDOM * n_samples,
        f"{late} samples were late, of about {n_samples:.0f}",
        "choose a lower rate: --set rate_hz=50",
    )
    return tuple(found)


def refused_fault(name: str) -> Fault:
    """Return what it means that `state` has this name in `refused`.

    Examples
    --------
    >>> refused_fault("rate_hz").do
    'choose it with --set rate_hz=VALUE'
    """
    if name == SETTINGS_FILE:
        return Fault(f"{name} can't be read; all settings are at their defaults", "choose them with --set")
    if name == PUT_ASIDE:
        return Fault(
            "the firmware could not start with the settings that were chosen; they are put aside as "
            f"{name}, and all are at their defaults",
            "choose them anew one by one with `hoodtrace board --set NAME=VALUE`; the last one was probably wrong",
        )
    return Fault(f"the setting {name} was refused; its default counts", f"choose it with --set {name}=VALUE")


def number_within(value: object, lowest: float, highest: float) -> float | None:
    """Return what a board said as a number, None where it is none or can't be meant.

    Examples
    --------
    >>> number_within(50, 1, 1000), number_within(-1, 1, 1000), number_within("50", 1, 1000)
    (50.0, None, None)
    """
    return float(value) if _is_number(value) and lowest <= value <= highest else None


LOG_FULL = (
    "the board's flash is full: nothing more is logged while nobody listens",
    "run `hoodtrace fetch`, which gets the logs and makes room",
)
LOG_ERROR = (
    "the board's flash refuses the log: what is measured while nobody listens can be lost",
    "run `hoodtrace fetch`, then unplug the board and plug it in again; if it stays, the flash is worn out: "
    "record with the computer, or take another board",
)
_INSTALL = "run `hoodtrace install`"
_CRASH = (
    "write it down, then clear it with `hoodtrace board --forget-crash`; if it comes again, the firmware has a bug or "
    "the supply is weak"
)


def _wires(setting: str) -> str:
    return f"check its four wires and pull-ups, then unplug and plug in again; if none is fitted: --set {setting}=none"


def _last(messages: tuple[dict[str, Any], ...], kind: str) -> dict[str, Any]:
    return next((body for body in reversed(messages) if body.get("kind") == kind), {})


def _is_number(value: object) -> TypeGuard[int | float]:
    # Beyond 2^53 nothing that a board counts; NaN and infinities fall out here too.
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1 << 53


def _text(body: dict[str, Any], key: str) -> str | None:
    value = body.get(key)
    return value if isinstance(value, str) else None


def _count(body: dict[str, Any], key: str) -> int | None:
    value = body.get(key)
    return int(value) if _is_number(value) and value >= 0 else None


def _truth(body: dict[str, Any], key: str) -> bool | None:
    value = body.get(key)
    return value if isinstance(value, bool) else None
