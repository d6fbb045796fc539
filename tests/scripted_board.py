"""A board for tests: a thread that speaks the line format on a real pseudo-terminal (or a TCP socket).

Written from the format's description alone, without the package's own line writer, so that it is an outside source:
what it sent (`lines`, by boot and SEQ) is what tests compare a trace with. Faults are set as attributes. The port is a
symbolic link, so that a board that is plugged in again is found under the same name.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from zlib import crc32


def wait_for(condition: Callable[[], object], what: str, limit_s: float = 15.0) -> None:
    """Return when `condition` is true; fail after `limit_s`, which only a broken program reaches."""
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, f"never came: {what}"
        time.sleep(0.004)


def spoken(kind: str, seq: int, t_us: int, body: str) -> bytes:
    """Return a whole line, as the format says: CRC-32 of all before the space in front of it."""
    head = f"{kind} {seq:07x} {t_us:014x} {body}".encode()
    return b"%s %08x\n" % (head, crc32(head))


def good_lines(data: bytes) -> list[tuple[str, int, int, str, bytes]]:
    """Return the good lines in `data` as (kind, seq, t_us, body, line), read by splitting only."""
    found = []
    for stretch in data.split(b"\n")[:-1]:
        parts = stretch.split(b" ")
        if len(parts) < 5 or parts[0] not in (b"S", b"J", b"C", b"H") or len(parts[-1]) != 8:
            continue
        if b"%08x" % crc32(stretch[:-9]) == parts[-1]:
            body = stretch[25:-9].decode()
            found.append((parts[0].decode(), int(parts[1], 16), int(parts[2], 16), body, stretch + b"\n"))
    return found


_NOBODY = (BlockingIOError, BrokenPipeError, ConnectionResetError)


class ScriptedBoard:
    """Samples at `rate_hz` of its own time; sends while it hears `keep`; answers commands; keeps `ring` lines.

    With `fast` it does not wait for the wall clock, but never runs 0.5 s ahead of the last thing it heard.
    """

    def __init__(self, port: Path | None, rate_hz: int = 500, ring: int = 8192, fast: bool = False) -> None:
        self.port, self.rate_hz, self.n_ring, self.fast = port, rate_hz, ring, fast
        self.boot, self.protocol, self.says_hello = "0000a001", 1, True
        self.drop: Callable[[int], bool] = lambda seq: False
        self.noise: Callable[[int], bytes] = lambda seq: b""
        self.refuse_resend = ""
        self.paused = False  # nothing is made or sent, commands are not read
        self.lines: dict[tuple[str, int], bytes] = {}
        self.commands: list[str] = []
        self.sent = bytearray()
        self.fault: BaseException | None = None
        self._ring: dict[int, bytes] = {}
        self._again: list[int] = []
        self._out = bytearray()
        self._seq = self._t_us = 0
        self._lease_us = -1
        self._heard_us = 0
        self._fds: tuple[int, ...] = ()
        self._input = b""
        self._ending = False
        self._lock = threading.RLock()
        self._thread = threading.Thread(target=self._live, daemon=True)

    def plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        assert self.port is not None
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(slave))
        with self._lock:
            self._fds, self._input = (master, slave), b""

    def unplug(self) -> None:
        with self._lock:
            fds, self._fds, self._lease_us = self._fds, (), -1
            self._out.clear()
            for fd in fds:
                os.close(fd)
            if self.port is not None:
                self.port.unlink(missing_ok=True)

    def restart(self, boot: str) -> None:
        with self._lock:
            self.boot, self._seq, self._t_us, self._lease_us, self._heard_us = boot, 0, 0, -1, 0
            self._ring.clear()
            self._again.clear()
            self._say("hello")

    def drop_next(self, n: int) -> range:
        """Never send the `n` lines that are made next, but when asked again; return their SEQs."""
        with self._lock:
            first = self._seq
            self.drop = lambda seq: first <= seq < first + n
        return range(first, first + n)

    def raw(self, data: bytes) -> None:
        """Send bytes as they are."""
        with self._lock:
            self._write(data)

    def line(self, seq: int) -> bytes:
        return self.lines[self.boot, seq]

    def of_boot(self, boot: str) -> dict[int, bytes]:
        with self._lock:
            return {seq: line for (its, seq), line in self.lines.items() if its == boot}

    @contextlib.contextmanager
    def living(self) -> Iterator[ScriptedBoard]:
        if self.port is not None:
            self.plug()
        self._thread.start()
        try:
            yield self
        finally:
            self._ending = True
            self._thread.join(5)
            self.unplug()
        if self.fault is not None:
            raise self.fault

    def serve(self) -> int:
        """Listen on a TCP port of this machine; return its number. The first caller becomes the host."""
        server = socket.create_server(("127.0.0.1", 0))

        def accept() -> None:
            caller, _ = server.accept()
            server.close()
            caller.setblocking(False)
            with self._lock:
                self._fds = (caller.detach(),)

        threading.Thread(target=accept, daemon=True).start()
        return int(server.getsockname()[1])

    # ---- the board's own life

    def _live(self) -> None:
        try:
            self._say("hello")
            due = time.monotonic()
            while not self._ending:
                due = max(due + 1.0 / self.rate_hz, time.monotonic() - 0.1)
                with self._lock:
                    fds = self._fds
                if not self.fast or self.paused:
                    time.sleep(max(0.0, due - time.monotonic()))
                with self._lock:
                    self._write(b"")
                if self.paused:
                    continue
                self._hear(fds, 0.01 if self.fast and self._t_us - self._heard_us >= 500_000 else 0.0)
                with self._lock:
                    if not self.paused and (not self.fast or self._t_us - self._heard_us < 500_000):
                        self._cycle()
        except BaseException as error:
            self.fault = error

    def _cycle(self) -> None:
        self._t_us += 1_000_000 // self.rate_hz
        n = self._t_us // 10_000
        body = f"{n & 0xFFFFFF:06x} {self._t_us % 10_000:06x} {960 + n % 7:04x} 125c 00"
        self._made(spoken("S", self._seq, self._t_us, body))
        if self._t_us % 5_000_000 == 0:
            self._say("air", temp_c=21.5, rh_pct=40, pressure_pa=100000)
        for seq in self._again[:4]:
            if seq in self._ring:
                self._write(self._ring[seq])
        del self._again[:4]

    def _say(self, kind: str, **fields: object) -> None:
        if kind == "hello":
            fields = {"protocol": self.protocol, "firmware": "0", "board": "scripted", "boot": self.boot}
            fields |= {"rate_hz": self.rate_hz, "dp_counts_per_pa": 240, "dp_temp_counts_per_k": 200}
        asked = kind in ("hello", "reply")
        self._made(spoken("J", self._seq, self._t_us, json.dumps({"kind": kind, **fields})), asked)

    def _made(self, line: bytes, asked: bool = False) -> None:
        seq, self._seq = self._seq, (self._seq + 1) & 0xFFFFFFF
        self.lines[self.boot, seq] = self._ring[seq] = line
        self._ring.pop(seq - self.n_ring, None)
        if (asked or self._t_us < self._lease_us) and not self.drop(seq):
            self._write(self.noise(seq) + line)

    def _write(self, data: bytes) -> None:
        """Send, in order; what a slow host does not take yet waits, so that only faults set by a test lose lines."""
        if not self._fds:
            return
        self._out += data
        with contextlib.suppress(*_NOBODY):
            n = os.write(self._fds[0], self._out) if self._out else 0
            self.sent += self._out[:n]
            del self._out[:n]

    def _hear(self, fds: tuple[int, ...], wait_s: float) -> None:
        if not fds:
            return
        try:
            if not select.select([fds[0]], [], [], wait_s)[0]:
                return
            self._input += os.read(fds[0], 4096)
        except (OSError, ValueError):
            return
        with self._lock:
            if self.paused:
                return
            *whole, self._input = self._input.split(b"\n")
            for stretch in whole:
                for kind, seq, _, body, _ in good_lines(stretch + b"\n"):
                    if kind == "C":
                        self._heard_us = self._t_us
                        self._obey(seq, body)

    def _obey(self, seq: int, words: str) -> None:
        self.commands.append(words)
        word, *rest = words.split(" ")
        if word == "keep":
            self._lease_us = self._t_us + 3_000_000
        if word == "hello" and not self.says_hello:
            return
        if word == "resend" and self.refuse_resend:
            self._say("reply", to=seq, ok=False, why=self.refuse_resend.format(*rest))
            return
        self._say("reply", to=seq, ok=True)
        if word == "hello":
            self._say("hello")
        if word == "resend":
            first, last = (int(text, 16) for text in rest)
            self._again += range(first, last + 1)
