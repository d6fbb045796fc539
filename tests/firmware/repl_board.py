"""A board with a prompt: the real MicroPython on a pseudo-terminal, started again when it resets.

Its file system is a folder, or a littlefs image at the root as on a board. What a board does and a process does not is
done here: a reset starts the process anew, Ctrl-D at the raw prompt is a soft reset that comes back to the raw prompt
without main.py, and `unplug` takes the port away and the power with it.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import termios
import threading
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

from hoodtrace.board.firmware_files import fake_folder

START = Path(__file__).parent / "on_board" / "repl_start.py"
_RUN = "import sys, micropython_run; sys.exit(micropython_run.run_main(['micropython', *sys.argv[1:]]))"


class ReplBoard:
    """The board, with the files in `folder` (or in the image `flash`), in a simulated house."""

    def __init__(
        self, folder: Path, world: Path, port: Path, flash: Path | None = None, cut_after: int | None = None
    ) -> None:
        self.folder, self.world, self.port, self.flash = folder, world, str(port), flash
        self._ended = False
        self._cut_after: int | None = None
        self.n_bytes = 0  # from the host
        self.n_starts = 0
        self._up, self._reset = Path(f"{port}.up"), Path(f"{port}.reset")
        self.plug(cut_after)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    def plug(self, cut_after: int | None = None) -> None:
        """Give it power and a port; `cut_after` so many bytes from the host the plug is pulled."""
        self._ended, self._cut_after, self.n_bytes = False, cut_after, 0
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        Path(self.port).unlink(missing_ok=True)
        Path(self.port).symlink_to(os.ttyname(self._slave))
        self._start(soft=False)
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Take port and power away."""
        self._ended = True
        self._thread.join()

    def _start(self, soft: bool) -> None:
        self.n_starts += 1
        self._up.unlink(missing_ok=True)
        self._reset.unlink(missing_ok=True)
        self._inner, slave = os.openpty()
        tty.setraw(slave)
        modes = termios.tcgetattr(slave)
        modes[3] |= termios.ISIG  # Ctrl-C interrupts what runs, as on a board
        termios.tcsetattr(slave, termios.TCSANOW, modes)
        environment = os.environ | {
            "HOODTRACE_WORLD": f"/host{self.world}" if self.flash else str(self.world),
            "HOODTRACE_CLOCK": "real", "HOODTRACE_RUNTIME": "board with a prompt",
            "HOODTRACE_FAKE": str(fake_folder()), "PYTHONDONTWRITEBYTECODE": "1", "HOODTRACE_HEARD": "",
            "MICROPYPATH": f"{fake_folder()}::.frozen", "HOODTRACE_SOFT": "1" if soft else "",
            "HOODTRACE_SIGNS": f"/host{self.port}." if self.flash else f"{self.port}.",
            "HOODTRACE_FLASH": str(self.flash or ""),
        }  # fmt: skip
        take_terminal = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); " + _RUN
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", take_terminal, "-i", str(START)],
            stdin=slave, stdout=slave, stderr=slave, env=environment, cwd=self.folder, start_new_session=True,
        )  # fmt: skip
        os.close(slave)

    def _carry(self) -> None:
        last = b""
        try:
            while not self._ended:
                sources = [self._inner, self._master] if self._up.exists() else [self._inner]  # deaf until it is up
                readable, _, _ = select.select(sources, [], [], 0.05)
                if self._master in readable:
                    said = os.read(self._master, 4096)
                    if self._cut_after is not None and self.n_bytes + len(said) > self._cut_after:
                        break
                    self.n_bytes += len(said)
                    last = (last + said)[-8:]
                    os.write(self._inner, said)
                if self._reset.exists():
                    self._again(soft=False)
                elif self._inner in readable:
                    try:
                        told = os.read(self._inner, 4096)
                    except OSError:
                        told = b""
                    if told:
                        os.write(self._master, told)
                    else:
                        self._again(soft=last.endswith(b"\x04"))
        finally:
            self._process.kill()
            self._process.wait()
            with contextlib.suppress(OSError):
                os.close(self._inner)
            os.close(self._master)
            os.close(self._slave)
            Path(self.port).unlink(missing_ok=True)

    def _again(self, soft: bool) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._inner)
        if soft:
            os.write(self._master, b"soft reboot\r\n")
        self._start(soft)
        if soft:
            os.write(self._inner, b"\x01")
