"""What tests need around a board: a small world, a host that speaks the line grammar, a way to run files on it.

Lines are made and checked here with str.format and zlib.crc32 alone, not with the package's own wire modules.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

import numpy as np

from hoodtrace.board.firmware_files import fake_folder, firmware_folder
from hoodtrace.board.virtual import VirtualBoard

ON_BOARD = Path(__file__).parent / "on_board"
TICK_US = 5000


def small_world(
    folder: Path, seconds: float = 20.0, dp_counts: float = 1000.0, edge_every_us: int = 10_007, **facts: object
) -> Path:
    """A world in which nothing changes: constant pressure, evenly spaced edges from 0.1 s on."""
    folder.mkdir(parents=True, exist_ok=True)
    n = round(seconds * 1e6 / TICK_US)
    np.full(n, round(dp_counts * 256), "<i4").tofile(folder / "dp.i32")
    np.full(int(seconds) + 1, 4100, "<i2").tofile(folder / "temp.i16")
    np.arange(100_000, seconds * 1e6, edge_every_us).astype("<i8").tofile(folder / "edges.i64")
    world = {"tick_us": TICK_US, "n_ticks": n, "dp_counts_per_pa": 240, "button": [], "faults": []}
    world["air"] = [[0, 21.0, 45.0, 98_700.0]]
    (folder / "world.json").write_text(json.dumps(world | facts))
    return folder


def command(seq: int, body: str) -> bytes:
    """A whole command line."""
    head = f"C {seq:07x} {0:014x} {body}".encode()
    return b"%s %08x\n" % (head, crc32(head))


@dataclass
class BoardLine:
    """One good line as the host took it apart."""

    raw: bytes
    kind: str
    seq: int
    t_us: int
    fields: list[int]  # of a sample: edges, age, dp, temp, flags
    body: dict[str, object]  # of a message


def taken_apart(raw: bytes) -> BoardLine | None:
    """The line's parts; None for noise."""
    if len(raw) < 34 or b"%08x" % crc32(raw[:-9]) != raw[-8:]:
        return None
    text = raw[25:-9].decode()
    head = (raw, chr(raw[0]), int(raw[2:9], 16), int(raw[10:24], 16))
    if raw[:1] == b"S":
        assert len(raw) == 60
        return BoardLine(*head, [int(part, 16) for part in text.split(" ")], {})
    return BoardLine(*head, [], json.loads(text))


class Host:
    """Talks over the board's pipes; on the fast clock time passes only as it says `keep`."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.lines: list[BoardLine] = []
        self.noise: list[bytes] = []
        self.seq = 0
        self._rest = b""
        self._kept_us = 0

    def say(self, body: str) -> int:
        """Send a command; its SEQ."""
        self.seq += 1
        self.board.writer.write(command(self.seq, body))
        return self.seq

    def hear(self) -> list[BoardLine]:
        """The lines of one read."""
        readable, _, _ = select.select([self.board.reader], [], [], 20.0)
        assert readable, f"the board is silent: {self.board.log()}"
        block = os.read(self.board.reader.fileno(), 65536)
        assert block, f"the board is gone: {self.board.log()}"
        *whole, self._rest = (self._rest + block).split(b"\n")
        new = []
        for raw in whole:
            line = taken_apart(raw)
            if line:
                new.append(line)
            elif raw:
                self.noise.append(raw)
        self.lines += new
        return new

    def listen(self, until_s: float) -> list[BoardLine]:
        """Keep the board streaming until its time says so; all lines heard meanwhile."""
        start = len(self.lines)
        self.say("keep")
        while not self.lines or self.lines[-1].t_us < until_s * 1e6:
            for line in self.hear():
                if line.t_us - self._kept_us > 250_000:
                    self._kept_us = line.t_us
                    self.say("keep")
        return self.lines[start:]

    def listen_on(self, seconds: float) -> list[BoardLine]:
        """The same for so long from the newest line on (one sent again may have come after that).

        After `wait_until`, which may end five seconds late, a time given to `listen` may have passed already.
        """
        return self.listen(max(line.t_us for line in self.lines) / 1e6 + seconds)

    def reply(self, to: int) -> dict[str, object]:
        """The reply to that command, waited for."""
        while True:
            for line in self.lines:
                if line.body.get("kind") == "reply" and line.body["to"] == to:
                    return line.body
            self.hear()

    def state(self) -> dict[str, object]:
        """How the board does, asked for now."""
        start = len(self.lines)
        self.say("identity")
        while True:
            for line in self.lines[start:]:
                if line.body.get("kind") == "state":
                    return line.body
            self.hear()

    def samples(self) -> list[BoardLine]:
        """All S lines so far."""
        return [line for line in self.lines if line.kind == "S"]

    def messages(self, kind: str) -> list[BoardLine]:
        """All J lines of a kind so far."""
        return [line for line in self.lines if line.body.get("kind") == kind]


def wait_until(host: Host, board_s: float) -> None:
    """Let time pass until then without ever saying `keep`: noise does that on the fast clock, and changes nothing."""
    reached_s = 0.0
    while reached_s < board_s:
        for _ in range(10):
            host.board.writer.write(b"\n")
            time.sleep(0.01)
        host.reply(host.say("hello"))
        reached_s = host.lines[-1].t_us / 1e6


def run_on_board(script: str, world: Path, *arguments: str, flash: Path | None = None) -> str:
    """Run tests/firmware/on_board/`script` in front of the fake machine layer; its output.

    `flash` is the image that it may mount.
    """
    fake, firmware = fake_folder(), firmware_folder()
    environment = os.environ | ({"HOODTRACE_FLASH": str(flash)} if flash else {})
    environment |= {
        "HOODTRACE_WORLD": str(world),
        "HOODTRACE_CLOCK": "free",
        "HOODTRACE_FIRMWARE": str(firmware),
        "MICROPYPATH": f"{fake}:{firmware}:.frozen",
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    start = "import sys, micropython_run; sys.exit(micropython_run.run_main(['micropython', *sys.argv[1:]]))"
    done = subprocess.run(
        [sys.executable, "-P", "-c", start, str(ON_BOARD / script), *arguments],
        env=environment, cwd=world, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
