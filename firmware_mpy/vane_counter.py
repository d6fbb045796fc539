"""The vane's edges, counted by the ESP32's pulse counter: it goes on while flash is written.

Its own filter takes 12.8 us at most: it is for spikes. Bounce must be gone before the pin (the RC filter of the wiring
page), for each bounce counts. The handler of the pin's interrupt stamps; it is a scheduled one there, so a stamp may
be late by a few ms of work, but never by more than one period of the edges, because the count is taken at
the same moment. A callback that got lost loses its stamp and no edge.
"""

from time import ticks_us

import machine

from vane import COUNT, MASK_24, Pairs

FILTER_NS = 12_800


class CounterVane(Pairs):
    """Counter of falling edges on a pin."""

    kind = b"counter"

    def __init__(self, pin):
        super().__init__()
        self.pin = pin
        self.counter = machine.Counter(0, pin, edge=machine.Counter.FALLING, filter_ns=FILTER_NS)
        self._arm()

    def _edge(self, pin):
        now = ticks_us()
        n = self.counter.value(0)  # read and begin anew at 0: so it never grows beyond 30 bits
        if n:
            self.stamp((self.state[COUNT] + n) & MASK_24, now)

    def release(self):
        """Count what came meanwhile, so that callbacks that still wait find nothing."""
        self._edge(self.pin)
        super().release()

    def _waiting(self):
        return self.counter.value() > 0

    def _arm(self):
        self.pin.irq(self._edge, self.pin.IRQ_FALLING)
