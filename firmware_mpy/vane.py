"""The vane's edges, counted in a hard pin interrupt.

Whatever counts edges (a PIO program, a hardware counter) can stand here: `read()` takes count and time of the last
edge together, `edges` is the count modulo 2^24, `age_us(ticks)` the age of the last edge.
"""

from array import array
from time import ticks_add, ticks_diff, ticks_us

import micropython

if hasattr(micropython, "alloc_emergency_exception_buf"):
    micropython.alloc_emergency_exception_buf(100)  # else an error in the interrupt could not be told

OLDEST_US = 0xFFFFFF  # that long or longer, or no edge yet


class PinVane:
    """Counter on falling edges of a pin; an edge within `dead_us` of the last one is bounce and not counted."""

    def __init__(self, pin, dead_us):
        self.dead_us = dead_us
        self.state = array("i", [0, ticks_add(ticks_us(), -dead_us)])  # count, ticks of the last edge
        self.edges = 0
        self.ticks = 0
        self.turning = False
        pin.irq(self._edge, pin.IRQ_FALLING, hard=True)

    def _edge(self, pin):
        # Runs as an interrupt: no allocation, nothing beyond 30 bits.
        state = self.state
        now = ticks_us()
        if not 0 <= ticks_diff(now, state[1]) < self.dead_us:
            state[1] = now
            state[0] = (state[0] + 1) & 0xFFFFFF

    def read(self):
        """Take count and time of the last edge as they belong together."""
        state = self.state
        edges = -1
        while edges != state[0]:  # an interrupt between the two readings: once more
            edges = state[0]
            ticks = state[1]
        if edges != self.edges:
            self.edges = edges
            self.ticks = ticks
            self.turning = True

    def age_us(self, now):
        """Age at the ticks `now`; once too old it stays so until the next edge, however often ticks wrap."""
        if self.turning:
            age = ticks_diff(now, self.ticks)
            if 0 <= age < OLDEST_US:
                return age
            self.turning = False
        return OLDEST_US
