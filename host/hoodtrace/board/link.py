"""The serial link to the board: list ports, open one, find the board, read bytes, send commands.

`Link` wraps a pyserial port (a device, a pseudo-terminal, `socket://host:port`, `loop://`) and turns every foreign
error into a `LinkError` with its reason and what to do. `open_board` takes only a port that answers `hello` in our
protocol; `find_board` tries the USB serial ports one after the other. What was read while looking for the hello is
handed on (`Board.received`), so that a recorder can store it: no byte is looked at and thrown away.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import select
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from hoodtrace.errors import LinkError, LinkReason, UsageError
from hoodtrace.wire.decoder import Decoder
from hoodtrace.wire.lines import PROTOCOL, SEQ_MODULUS, line

try:
    from termios import error as _TermiosError  # noqa: N812
except ImportError:  # Windows
    _TermiosError = OSError  # type: ignore[assignment,misc]

_FOREIGN = (OSError, _TermiosError)
_BLOCK = 65536
_BAUD = 115200  # counts only for boards behind a UART bridge; USB CDC ignores it
_MAX_LOOK = 1 << 20  # bytes; a board says hello long before
_ASK_EACH_S = 0.5
_PROMPT = b">>>"


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port of this machine: `device` is what opens it; `is_usb` says that a board could be behind it."""

    device: str
    description: str
    is_usb: bool


def ports() -> list[Port]:
    """Return the serial ports of this machine, USB ones first, else by name."""
    found = [Port(p.device, p.description or "", p.vid is not None) for p in list_ports.comports()]
    return sorted(found, key=lambda port: (not port.is_usb, port.device))


class Link:
    """An open port; use `open_link`.

    Attributes
    ----------
    port : str
        What was opened.
    next_seq : int
        SEQ of the next command, the host's own count.
    """

    def __init__(self, port: str, opened: serial.Serial, next_seq: int = 1) -> None:
        self.port = port
        self.next_seq = next_seq
        self._serial = opened
        try:
            self._fd: int | None = opened.fileno()
        except (AttributeError, io.UnsupportedOperation):
            self._fd = None

    def read(self, wait_s: float) -> bytes:
        """Return the bytes that are there, waiting up to `wait_s` seconds for the first; empty if none came.

        Raises
        ------
        LinkError
            UNPLUGGED: the port is gone.
        """
        try:
            if self._fd is not None:
                ready, _, _ = select.select([self._fd], [], [], wait_s)
                return bytes(self._serial.read(_BLOCK)) if ready else b""
            # No descriptor to wait on (Windows, loop://): look every few milliseconds.
            end = time.monotonic() + wait_s
            while not (n := self._serial.in_waiting) and time.monotonic() < end:
                time.sleep(0.004)
            return bytes(self._serial.read(n)) if n else b""
        except _FOREIGN as error:
            raise _unplugged(self.port, error) from error

    def send(self, words: str) -> int:
        """Send the command `words` (``keep``, ``resend FIRST LAST``); return its SEQ, which the reply names.

        A board that takes no bytes just now loses the command: that shows as a reply that never comes.

        Raises
        ------
        LinkError
            UNPLUGGED: the port is gone.
        """
        seq, self.next_seq = self.next_seq, (self.next_seq + 1) % SEQ_MODULUS
        try:
            self._serial.write(line("C", seq, 0, words))
        except serial.SerialTimeoutException:
            pass
        except _FOREIGN as error:
            raise _unplugged(self.port, error) from error
        return seq

    def close(self) -> None:
        """Close the port; one that is gone already is no error."""
        # When the far end is gone already, pyserial leaves its socket open.
        left_open = getattr(self._serial, "_socket", None)
        with contextlib.suppress(*_FOREIGN):
            self._serial.close()
        if left_open is not None:
            left_open.close()


@dataclass(frozen=True, slots=True)
class Board:
    """A link with our board at its end: its `hello`, and all bytes received until that came, in order."""

    link: Link
    hello: dict[str, Any]
    received: bytes


def open_link(port: str, next_seq: int = 1) -> Link:
    """Open `port` (device or pyserial URL), for this program alone where the system can do that.

    The lock is one between programs that ask for it (POSIX `flock`), as pyserial's users do.

    Raises
    ------
    LinkError
        NO_PORT, BUSY or NOT_ALLOWED.
    UsageError
        `port` looks like a URL of an unknown kind.
    """
    is_device = "://" not in port and os.name == "posix"
    try:
        opened = serial.serial_for_url(
            port, baudrate=_BAUD, timeout=0, write_timeout=0.2, exclusive=True if is_device else None
        )
    except ValueError as error:
        raise UsageError(f"port {port}: {error}; give a device, or a URL such as socket://host:port") from error
    except _FOREIGN as error:
        raise _not_opened(port, error) from error
    return Link(port, opened, next_seq)


def open_board(port: str, wait_s: float = 3.0, next_seq: int = 1, stopped: Callable[[], bool] = lambda: False) -> Board:
    """Open `port` and ask `hello` until our board answers.

    Parameters
    ----------
    port : str
        Device or pyserial URL.
    wait_s : float
        Seconds to wait for the answer.
    next_seq : int
        SEQ of the first command.
    stopped : callable
        Looked at while waiting: true ends the waiting early, as if the time were over.

    Raises
    ------
    LinkError
        As `open_link`; SILENT: no byte came; NOT_OURS: bytes came, but no hello; OTHER_PROTOCOL; UNPLUGGED.
    """
    link = open_link(port, next_seq)
    decoder, received, n_good = Decoder(), bytearray(), 0
    end, ask_at = time.monotonic() + wait_s, 0.0
    try:
        while (now := time.monotonic()) < end and len(received) < _MAX_LOOK and not stopped():
            if now >= ask_at:
                link.send("hello")
                ask_at = now + _ASK_EACH_S
            block = link.read(min(0.1, end - now))
            received += block
            decoded = decoder.feed(block)
            n_good += sum(m.kind == "J" for m in decoded.messages) + len(decoded.samples)
            for message in decoded.messages:
                if message.kind == "J" and message.body.get("kind") == "hello":
                    _check_protocol(port, message.body)
                    return Board(link, message.body, bytes(received))
    except BaseException:
        link.close()
        raise
    link.close()
    raise _no_hello(port, wait_s, bytes(received), n_good)


def find_board(
    devices: Iterable[str] | None = None,
    wait_s: float = 1.5,
    next_seq: int = 1,
    stopped: Callable[[], bool] = lambda: False,
) -> Board:
    """Try `devices` (None: the USB serial ports) in their order; return the first that is our board.

    Raises
    ------
    LinkError
        NO_PORT: there is none to try; else the reason of the port that came closest, and the others in the text.
    """
    if devices is None:
        devices = [port.device for port in ports() if port.is_usb]
    refused: list[LinkError] = []
    for device in devices:
        try:
            return open_board(device, wait_s, next_seq, stopped)
        except LinkError as error:
            refused.append(error)
    if not refused:
        raise LinkError(
            LinkReason.NO_PORT,
            "no USB serial port found: plug the board in with a cable that carries data, not only power, "
            "or name the port with --port",
        )
    closest = min(refused, key=lambda error: _CLOSENESS.index(error.reason))
    text = "; ".join(str(error) for error in [closest, *(e for e in refused if e is not closest)])
    raise LinkError(closest.reason, text) from closest


# A board of ours that can't be used says more than a port that is something else.
_CLOSENESS = (
    LinkReason.OTHER_PROTOCOL,
    LinkReason.OTHER_FIRMWARE,
    LinkReason.BUSY,
    LinkReason.NOT_ALLOWED,
    LinkReason.NOT_OURS,
    LinkReason.UNPLUGGED,
    LinkReason.SILENT,
    LinkReason.NO_PORT,
)


def _check_protocol(port: str, hello: dict[str, Any]) -> None:
    protocol = hello.get("protocol", PROTOCOL)
    if protocol != PROTOCOL:
        raise LinkError(
            LinkReason.OTHER_PROTOCOL,
            f"{port}: the board speaks protocol {protocol!r}, this program {PROTOCOL}: "
            "install the firmware that belongs to this program, or the program that belongs to the firmware",
        )


def _no_hello(port: str, wait_s: float, received: bytes, n_good: int) -> LinkError:
    if not received:
        return LinkError(
            LinkReason.SILENT,
            f"{port}: not one byte within {wait_s:g} s: check that it is the board's port and that the firmware is "
            "installed, then unplug the board and plug it in again",
        )
    if n_good:
        what = f"{n_good} good lines came, but no hello within {wait_s:g} s: unplug the board and plug it in again"
        return LinkError(LinkReason.NOT_OURS, f"{port}: {what}")
    if _PROMPT in received:
        what = "a MicroPython prompt answers, so the firmware does not run: unplug the board and plug it in again"
    else:
        what = f"{len(received)} bytes came and no line of ours: it is another device, name the board's port"
    return LinkError(LinkReason.NOT_OURS, f"{port}: {what}")


def _unplugged(port: str, error: BaseException) -> LinkError:
    return LinkError(LinkReason.UNPLUGGED, f"{port}: the link broke ({error}): check the cable and plug it in again")


def _not_opened(port: str, error: BaseException) -> LinkError:
    cause = error.__context__  # pyserial says some numbers in its text alone
    number = getattr(error, "errno", None) or (cause.args[0] if cause is not None and cause.args else None)
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or (
        os.name == "nt" and "PermissionError" in str(error)
    ):
        text = f"{port}: another program uses it: end that program (a terminal, a second recording) and try again"
        return LinkError(LinkReason.BUSY, text)
    if number in (errno.EACCES, errno.EPERM):
        text = f"{port}: you are not allowed to open it: join the group {_group(port)} and log in again"
        return LinkError(LinkReason.NOT_ALLOWED, text)
    if number == errno.ENOENT and re.fullmatch(r"[\w.-]+:\d+", port):
        text = f"{port}: there is no such port; a board on the network is socket://{port}"
    elif number == errno.ENOENT:
        text = f"{port}: there is no such port: plug the board in, see `hoodtrace ports`"
    else:
        known = {errno.ENOTTY: "it is no serial port", errno.ECONNREFUSED: "nobody serves it"}
        why = known.get(number or 0, str(error))
        text = f"{port}: can't be opened: {why}. See `hoodtrace ports`"
    return LinkError(LinkReason.NO_PORT, text)


def _group(port: str) -> str:
    """Return the group that may use `port`, as well as can be told."""
    try:
        return f"'{Path(port).group()}' that owns it"
    except (OSError, KeyError, NotImplementedError):
        return "that owns it"
