"""The MicroPython prompt of a board, through mpremote: run a line, look at files, put files there.

Every error of mpremote and of the port becomes a `LinkError`. mpremote's transport is not a documented interface; what
is used of it here is little, and proved against a real MicroPython prompt in tests/end_to_end/test_install.py.
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import struct
import time
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Self

from hoodtrace.errors import LinkError, LinkReason

try:
    from termios import error as _TermiosError  # noqa: N812
except ImportError:  # Windows
    _TermiosError = OSError  # type: ignore[assignment,misc]

_NO_LITERAL = (ValueError, SyntaxError, TypeError, MemoryError, RecursionError)
"""What `ast.literal_eval` raises, here and inside mpremote, and what its value does in hands that expect another."""

ANSWER_S = 10.0
WAIT_S = 15.0  # a second try after one that got no answer
AGAIN_S = 0.3
CHUNK = 1024
FOLDER = 0x4000


class Prompt:
    """The prompt behind `port`; whatever runs there is interrupted. Use it in a ``with`` block.

    Parameters
    ----------
    port : str
        Device.
    wait_s : float
        How long to go on trying, s: a board that restarts is gone for a moment.

    Raises
    ------
    LinkError
        NO_PORT, BUSY, NOT_ALLOWED as `link.open_link`; SILENT: no prompt; UNPLUGGED in the middle, by any method.
    """

    def __init__(self, port: str, wait_s: float = WAIT_S) -> None:
        self.port = port
        self._transport = self._open(wait_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the port; the board stays at its prompt."""
        _close(self._transport)

    def run(self, code: str) -> str:
        """Run lines of Python on the board; return what they print."""
        with self._translated():
            return bytes(self._transport.exec(code)).decode(errors="replace").strip()

    def sizes(self) -> dict[str, int]:
        """Return the files in the board's top folder: name to size in bytes."""
        with self._translated():
            found = self._transport.fs_listdir("")
            if not all(isinstance(e.name, str) and type(e.st_mode) is type(e.st_size) is int for e in found):
                raise TypeError("its list of files is none")
            return {entry.name: entry.st_size for entry in found if not entry.st_mode & FOLDER}

    def told(self, code: str) -> object:
        """Run lines of Python on the board that print one literal; return its value, which can be any.

        Raises
        ------
        LinkError
            SILENT: what came is no literal.
        """
        with self._translated():
            text = self.run(code)
            try:
                return ast.literal_eval(text)
            except _NO_LITERAL as error:
                raise ValueError(f"it says {text[:60]!r}") from error

    def read(self, name: str) -> bytes:
        """Return a file's contents."""
        with self._translated(name):
            return bytes(self._transport.fs_readfile(name))

    def sha256(self, name: str) -> bytes:
        """Return the SHA-256 of a file, computed on the board."""
        with self._translated(name):
            digest = self._transport.fs_hashfile(name, "sha256")
            if not isinstance(digest, bytes | bytearray):
                raise TypeError(f"the SHA-256 of {name} is none")
            return bytes(digest)

    def write(self, name: str, data: bytes) -> None:
        """Put a file there."""
        with self._translated(name):
            self._transport.fs_writefile(name, data, chunk_size=CHUNK)

    def remove(self, name: str) -> None:
        """Remove a file."""
        with self._translated(name):
            self._transport.fs_rmfile(name)

    def rename(self, old: str, new: str) -> None:
        """Rename a file over another: on littlefs that happens whole or not at all."""
        self.run(f"import os\nos.rename({old!r}, {new!r})")

    def restart(self) -> None:
        """Start the board anew, with its main.py."""
        with self._translated():
            # The board acknowledges first; without the pause the answer would go down with its USB port.
            self._transport.exec_raw_no_follow("import machine, time\ntime.sleep_ms(100)\nmachine.reset()")
        time.sleep(AGAIN_S)

    def _open(self, wait_s: float) -> Any:
        from mpremote.transport_serial import SerialTransport

        from hoodtrace.board.link import open_link

        end_s = time.monotonic() + wait_s
        while True:
            try:
                open_link(self.port).close()  # the same errors, in the same words, as everywhere else
                with self._translated(), contextlib.redirect_stdout(io.StringIO()):
                    transport = SerialTransport(self.port, timeout=ANSWER_S)
                    try:
                        transport.enter_raw_repl(timeout_overall=ANSWER_S)
                    except BaseException:
                        _close(transport)
                        raise
                return transport
            except LinkError as error:
                for_good = error.reason in (LinkReason.BUSY, LinkReason.NOT_ALLOWED)
                if for_good or time.monotonic() >= end_s:
                    raise
                time.sleep(AGAIN_S)

    @contextlib.contextmanager
    def _translated(self, name: str | None = None) -> Iterator[None]:
        from mpremote.transport import TransportError, TransportExecError

        try:
            yield
        except TransportExecError as error:
            last = str(error.error_output).strip().splitlines()[-1:] or ["no word"]
            raise self._refused(last[0]) from error
        except (TransportError, struct.error, *_NO_LITERAL) as error:
            raise LinkError(
                LinkReason.SILENT,
                f"{self.port}: no MicroPython prompt answers ({error}): hold the board's button while you plug it in, "
                "and try again; a new board needs MicroPython first, see wiring/README.md",
            ) from error
        except (OSError, _TermiosError) as error:
            if isinstance(error, OSError) and name is not None and error.strerror == name:
                # So mpremote tells what is the board's own error.
                raise self._refused(f"{name}: {os.strerror(error.errno or 0)}") from error
            raise LinkError(
                LinkReason.UNPLUGGED,
                f"{self.port}: the link broke ({error}): check the cable, plug it in again and run this once more",
            ) from error

    def _refused(self, why: str) -> LinkError:
        return LinkError(
            LinkReason.NOT_OURS,
            f"{self.port}: the board's MicroPython refused ({why}): unplug the board, plug it in and try again",
        )


def _close(transport: Any) -> None:
    # mpremote lowers two lines first, which fails where the port is gone.
    with contextlib.suppress(OSError, _TermiosError):
        transport.close()
    with contextlib.suppress(OSError, _TermiosError):
        transport.serial.close()
