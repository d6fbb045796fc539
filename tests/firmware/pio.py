"""A PIO state machine: runs a program's words, one cycle of its clock at a time, on a pin that changes at given times.

Knows the instructions that counting programs need and stops at any other. Written from the RP2040 data sheet, chapter
3 (instruction encodings 3.4; JMP X-- tests before it counts; a push into a full FIFO leaves the FIFO, clears ISR). The
pin's synchroniser, two cycles of the system clock, is left out. While the pin rests and the machine comes back to a
state that it was in, whole rounds of that loop are skipped, which changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

ALL = 0xFFFFFFFF
FIFO_WORDS = 4


@dataclass
class Done:
    """What a run gave: words pushed, and at which cycle each interrupt was raised."""

    words: list[int] = field(default_factory=list)
    interrupts: list[int] = field(default_factory=list)
    x: int = 0


def run(
    words: Sequence[int],
    wrap_target: int,
    wrap: int,
    changes_us: np.ndarray,
    freq_hz: int,
    until_us: float,
    x: int = 0x1234,
    drained: bool = True,
    skip: bool = True,
) -> Done:
    """Run from the first word; the pin is high at first and toggles at each of the sorted `changes_us`.

    X and Y begin as garbage, as on the chip. The FIFO is emptied at once, or, not `drained`, never. Without `skip` not
    one cycle is left out.
    """
    # The first cycle at or behind each change; a change and its return within one cycle are not seen.
    changes = [*np.ceil(changes_us * freq_hz / 1e6).astype(int).tolist(), 1 << 62]
    stop = int(until_us * freq_hz / 1e6)
    done = Done()
    pc, y, isr, cycle, i_change, high = 0, 0x5678, 0, 0, 0, True
    mark, mark_cycle, next_mark = None, 0, 0
    while cycle < stop:
        if changes[i_change] <= cycle:
            while changes[i_change] <= cycle:
                i_change += 1
                high = not high
            mark, next_mark = None, cycle
        state = (pc, x, y, isr)
        if skip and state == mark:
            period = cycle - mark_cycle
            cycle += (min(changes[i_change], stop) - cycle) // period * period
            mark, next_mark = None, 1 << 62
            continue
        if cycle >= next_mark:
            mark, mark_cycle, next_mark = state, cycle, cycle + 8
        word = words[pc]
        kind, delay, which, low = word >> 13, word >> 8 & 31, word >> 5 & 7, word & 31
        jumped = False
        if kind == 0:  # JMP
            if which == 0:
                jumped = True
            elif which == 2:
                jumped, x = x != 0, (x - 1) & ALL
            elif which == 4:
                jumped, y = y != 0, (y - 1) & ALL
            elif which == 6:
                jumped = high
            else:
                raise NotImplementedError(f"jmp {which}")
        elif kind == 2 and which == 1:  # IN from X, to the left
            n_bits = low or 32
            isr = (isr << n_bits | x & ((1 << n_bits) - 1)) & ALL
        elif word & ~0x1F00 == 0x8000:  # PUSH NOBLOCK
            if drained or len(done.words) < FIFO_WORDS:
                done.words.append(isr)
            isr = 0
        elif word & ~0x1F00 == 0xA02B:  # MOV X, ~NULL
            x = ALL
        elif word & ~0x1F00 == 0xC010:  # IRQ, own number, without waiting
            done.interrupts.append(cycle)
        elif kind == 7 and which == 2:  # SET Y
            y = low
        else:
            raise NotImplementedError(f"{word:04x}")
        pc = low if jumped else wrap_target if pc == wrap else pc + 1
        cycle += 1 + delay
    done.x = x
    return done
