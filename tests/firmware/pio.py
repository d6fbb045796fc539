"""A PIO state machine, one cycle at a time, for the instructions that the vane's program uses.

Behaviour from the RP2040 data sheet, chapter 3.4 (from memory): one instruction a cycle; `jmp x--` tests before it
counts; `push noblock` on a full FIFO drops the word and clears ISR all the same; `irq` raises a flag and goes on.
"""

from __future__ import annotations

import importlib.util
import sys
import types
from collections.abc import Sequence
from dataclasses import dataclass, field

from hoodtrace.board.firmware_files import fake_folder, firmware_folder

FIFO = 4
MASK = 0xFFFFFFFF


@dataclass
class Machine:
    """Runs `words` at `freq_hz` on a pin that is high at first and changes at each of `changes_s`."""

    words: Sequence[int]
    wrap_target: int
    wrap: int
    freq_hz: int
    drained: bool = True  # whether a handler empties the FIFO at each interrupt
    pc: int = 0
    x: int = 0x12345678  # a restart leaves it as it was
    y: int = 0x9ABCDEF0
    isr: int = 0
    fifo: list[int] = field(default_factory=list)
    interrupts: list[tuple[float, int]] = field(default_factory=list)  # time (s), newest word

    def run(self, changes_s: Sequence[float], until_s: float) -> None:
        """Run from time 0 on."""
        words, x, y, pc, isr = self.words, self.x, self.y, self.pc, self.isr
        level, at = True, 0
        n_changes = len(changes_s)
        for cycle in range(int(until_s * self.freq_hz)):
            now_s = cycle / self.freq_hz
            while at < n_changes and changes_s[at] <= now_s:
                level = not level
                at += 1
            word = words[pc]
            goes_to = self.wrap_target if pc == self.wrap else pc + 1
            kind = word >> 13
            if kind == 0:  # jmp
                condition = word >> 5 & 7
                if condition == 0:
                    goes_to = word & 31
                elif condition == 2:
                    goes_to = word & 31 if x else goes_to
                    x = (x - 1) & MASK
                elif condition == 4:
                    goes_to = word & 31 if y else goes_to
                    y = (y - 1) & MASK
                elif condition == 6:
                    goes_to = word & 31 if level else goes_to
                else:
                    raise NotImplementedError(hex(word))
            elif word == 0xA02B:  # mov x, ~null
                x = MASK
            elif word & 0xFFE0 == 0xE040:  # set y
                y = word & 31
            elif word == 0x4038:  # in x, 24, to the left
                isr = (isr << 24 | x & 0xFFFFFF) & MASK
            elif word == 0x8000:  # push noblock
                if len(self.fifo) < FIFO:
                    self.fifo.append(isr)
                isr = 0
            elif word == 0xC010:  # irq 0 rel
                self.interrupts.append((now_s, self.fifo[-1]))
                if self.drained:
                    self.fifo.clear()
            else:
                raise NotImplementedError(hex(word))
            pc = goes_to
        self.x, self.y, self.pc, self.isr = x, y, pc, isr


def vane_module() -> types.ModuleType:
    """firmware_mpy/vane_pio.py, its program assembled by the virtual board's assembler."""
    stubs = {
        "world": types.ModuleType("world"), "vane": types.ModuleType("vane"), "time": types.ModuleType("time"),
    }  # fmt: skip
    stubs["world"].world = types.SimpleNamespace(counting="pio")  # type: ignore[attr-defined]
    stubs["vane"].__dict__.update(MASK_24=0xFFFFFF, Pairs=object)
    stubs["time"].__dict__.update(ticks_us=None, ticks_add=None)
    before = {name: sys.modules.get(name) for name in (*stubs, "rp2")}
    try:
        sys.modules.update(stubs)
        sys.modules["rp2"] = _loaded("rp2", f"{fake_folder()}/rp2.py")
        return _loaded("vane_pio", f"{firmware_folder()}/vane_pio.py")
    finally:
        for name, module in before.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module


def _loaded(name: str, path: str) -> types.ModuleType:
    spec = importlib.util.spec_from_file_location(f"pio_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
