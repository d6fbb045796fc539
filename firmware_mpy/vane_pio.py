"""The vane's edges, counted by a PIO state machine: it goes on while flash is written and takes bounce away.

A low counts once the pin was low at 32 looks in a row, two cycles apart, and before it may do so again the pin must
have been high as long: a level must last for FILTER_CYCLES, and one that is three cycles longer always passes. Even
pulses are all counted up to 0.9 / (2 * filter), none from 1 / (2 * filter) on, and never too many. X counts down from
-1. Each low pushes 24 bits of X and raises the interrupt, whose handler stamps. While interrupts are off the FIFO fills
with the oldest words and drops the newest; a handler that finds more than one word came too late for all of them and
stamps nothing: the next edge brings the whole count. Proved on the program's words in tests/firmware/test_pio.py.
"""

from array import array
from time import ticks_add, ticks_us

import rp2

from vane import MASK_24, Pairs

FILTER_CYCLES = 62  # from the first of 32 looks to the last
LAG_CYCLES = 68  # from the edge to the interrupt, give or take one

TYPE_CHECKING = False  # true for type checkers alone
if TYPE_CHECKING:
    from rp2.asm_pio import *


@rp2.asm_pio()
def count_lows():
    mov(x, invert(null))  # restarting a state machine leaves X as it was
    wrap_target()
    label("high")
    set(y, 31)
    label("perhaps_low")
    jmp(pin, "high")
    jmp(y_dec, "perhaps_low")
    jmp(x_dec, "counted")  # only to count: both ways lead there
    label("counted")
    in_(x, 24)
    push(noblock)
    irq(rel(0))
    label("low")
    set(y, 31)
    label("perhaps_high")
    jmp(pin, "is_high")
    jmp("low")
    label("is_high")
    jmp(y_dec, "perhaps_high")
    wrap()


class PioVane(Pairs):
    """Counter of lows on a pin that last at least `filter_us`, as do the highs between them."""

    kind = b"pio"

    def __init__(self, pin, filter_us):
        super().__init__()
        freq_hz = FILTER_CYCLES * 1_000_000 // filter_us
        self.lag_us = (LAG_CYCLES * 1_000_000 + freq_hz // 2) // freq_hz
        self.word = array("i", [0])
        self.machine = rp2.StateMachine(0, count_lows, freq=freq_hz, jmp_pin=pin)
        self._arm()
        self.machine.active(1)

    def _edge(self, machine):
        now = ticks_us()
        word = self.word
        n = 0
        while machine.rx_fifo():  # get() would wait for ever for a word
            machine.get(word)
            n += 1
        if n == 1:
            self.stamp(word[0] ^ MASK_24, ticks_add(now, -self.lag_us))

    def _waiting(self):
        return self.machine.rx_fifo() > 0

    def _arm(self):
        self.machine.irq(self._edge, hard=True)
