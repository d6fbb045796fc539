"""A scripted board that holds logs: it answers `logs`, `fetch` and `forget`, with faults set as attributes."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from scripted_board import ScriptedBoard, spoken

Lines = list[bytes]


@dataclass
class HeldLog:
    """A file of a board's log."""

    boot: str
    blocks: list[Lines]
    damaged: set[int] = field(default_factory=set)

    @property
    def whole(self) -> bytes:
        """All that is good in it."""
        return b"".join(b"".join(lines) for i, lines in enumerate(self.blocks) if i not in self.damaged)


def block_of(seed: int, n: int, seq: int = 0, t_us: int = 1_000_000) -> Lines:
    """A block of lines with SEQs from `seq` on: a hello, then samples, a few messages among them."""
    rng = np.random.default_rng(seed)
    lines = []
    for i in range(n):
        t_us += int(rng.integers(190_000, 210_000))
        if i % 50 == 0:
            lines.append(spoken("J", seq + i, t_us, '{"kind":"hello","protocol":1,"boot":"0000000a"}'))
            continue
        edges, age, dp, temp = (int(rng.integers(0, 1 << bits)) for bits in (24, 24, 16, 16))
        lines.append(spoken("S", seq + i, t_us, f"{edges:06x} {age:06x} {dp:04x} {temp:04x} 20"))
    return lines


class LoggingBoard(ScriptedBoard):
    """Its `logs` by number; `on_the_way(number, block, nth, lines)` may change what the nth asking gives."""

    def __init__(self, port: Path) -> None:
        super().__init__(port)
        self.logs: dict[int, HeldLog] = {}
        self.on_the_way: Callable[[int, int, int, Lines], Lines] = lambda number, block, nth, lines: lines
        self.before_forget: Callable[[int], None] = lambda number: None
        self.unplug_in: tuple[int, int] | None = None
        self.refusals: list[str] = []  # of the next fetches
        self.short_lists = 0  # so many lists miss a file
        self.knows_logs = True
        self.odd: dict[str, dict[str, object]] = {}  # fields, by kind, that are said in place of its own
        self.replies_to_fetch = True
        self.streams_each = 0  # a line in so many cycles, for ever, once a block was asked for; 0: as it should be
        self.n_asked: dict[tuple[int, int], int] = {}

    def tell(self, kind: str, **fields: object) -> bytes:
        return spoken("J", self._seq, self._t_us, json.dumps({"kind": kind, **fields, **self.odd.get(kind, {})}))

    def _cycle(self) -> None:
        super()._cycle()
        if self.streams_each and self.n_asked and self._seq % self.streams_each == 0:
            self._write(self.lines[self.boot, self._seq - 1])

    def _obey(self, seq: int, words: str) -> None:
        word, *rest = words.split(" ")
        if word not in ("logs", "fetch", "forget"):
            super()._obey(seq, words)
            return
        self.commands.append(words)
        refusal = "" if self.knows_logs else "unknown command"
        if word == "logs" and not refusal:
            self._reply(seq)
            for number, held in sorted(self.logs.items())[self.short_lists > 0 :]:
                self._made(self.tell("log", number=number, of_boot=held.boot, blocks=len(held.blocks)), True)
            self.short_lists -= 1
            self._made(self.tell("logs", count=len(self.logs), free_kib=1000), True)
        elif word == "fetch" and not refusal:
            self._give(seq, int(rest[0]), int(rest[1]))
        elif word == "forget" and not refusal:
            number = int(rest[0])
            self.before_forget(number)
            self._reply(seq, "" if self.logs.pop(number, None) else "no such log")
        else:
            self._reply(seq, refusal)

    def _give(self, seq: int, number: int, block: int) -> None:
        held = self.logs[number]
        if self.refusals or block in held.damaged:
            self._reply(seq, self.refusals.pop(0) if self.refusals else "no such block, or it is damaged")
            return
        if self.replies_to_fetch:
            self._reply(seq)
        nth = self.n_asked[number, block] = self.n_asked.get((number, block), 0) + 1
        lines = held.blocks[block]
        if self.streams_each:
            return
        if self.unplug_in == (number, block):
            self.unplug_in = None
            self._write(b"".join(lines[: len(lines) // 2]))
            self.unplug()
            return
        self._write(b"".join(self.on_the_way(number, block, nth, lines)))
        self._made(self.tell("fetched", number=number, block=block, lines=len(lines)), True)

    def _reply(self, seq: int, why: str = "") -> None:
        fields = {"to": seq, "ok": not why} | ({"why": why} if why else {})
        self._made(self.tell("reply", **fields), True)
