"""The vane's edges: how many, and the time of the last one, always as a pair that belongs together.

Edges are counted by a PIO program (vane_pio.py), by a hardware counter (vane_counter.py) or, where there is neither,
by a pin interrupt (here). Each kind stamps count and ticks in an interrupt; `read` takes the last such pair. Writing
flash turns interrupts off: `hold` before it, `release` behind it, and the pair from before stands until an edge comes
that was stamped in its own time. So the mean frequency between any two pairs is true, over such a stall too, except
that the pin interrupt loses the edges of the stall itself (`may_lose`). `check`, once a second, finds a handler that
died. From `read` to `check` nothing allocates and nothing goes beyond 30 bits.
"""

from array import array
from time import ticks_diff, ticks_us

import machine
import micropython

import settings

if hasattr(micropython, "alloc_emergency_exception_buf"):
    micropython.alloc_emergency_exception_buf(100)  # else an error in the interrupt could not be told

OLDEST_US = 0xFFFFFF  # that long or longer, or no edge yet
MASK_24 = 0xFFFFFF
COUNT, TICKS, STAMPS = 0, 1, 2  # in Pairs.state
PIO_PINS = 32  # what a PIO block sees without moving its window


class Pairs:
    """Count and time of the last edge; what counts calls `stamp`, always from one and the same interrupt."""

    kind = b""
    may_lose = False

    def __init__(self):
        self.state = array("i", [0, 0, 0])  # of the last stamp: count, ticks; then how many stamps there were
        self.edges = 0
        self.ticks = 0
        self.turning = False
        self._n_read = 0
        self._n_checked = 0
        self._waited = False
        self._held = False

    def stamp(self, edges, ticks):
        """Note that the edge number `edges` was at `ticks`."""
        state = self.state
        state[COUNT] = edges
        state[TICKS] = ticks
        state[STAMPS] = state[STAMPS] % MASK_24 + 1  # never 0 again

    def read(self):
        """Take count and time of the last edge as they belong together."""
        if self._held:
            return
        state = self.state
        while True:
            n = state[STAMPS]
            edges = state[COUNT]
            ticks = state[TICKS]
            if n == state[STAMPS]:  # else there was an interrupt in between: once more
                break
        if n != self._n_read:
            self._n_read = n
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

    def hold(self):
        """Interrupts are about to go off for long: stay with the pair as it is now."""
        self.read()
        self._held = True

    def release(self):
        """They are on again, and what they had left undone is done: its time is not that of any edge."""
        self._n_read = self.state[STAMPS]
        self._held = False

    def check(self):
        """Whether all is well: False where edges wait a second for a handler that does not come; it is set anew."""
        n = self.state[STAMPS]
        waits = self._waiting()
        dead = waits and self._waited and n == self._n_checked
        self._waited = waits and not dead
        self._n_checked = n
        if dead:
            self._arm()
        return not dead

    def _waiting(self):
        # Whether there are edges that are counted but not stamped.
        return False

    def _arm(self):
        # Set the interrupt handler.
        pass


class PinVane(Pairs):
    """Counter on falling edges of a pin; an edge within `dead_us` of the last one is bounce and not counted.

    A spike counts as an edge, all edges while interrupts are off leave one at most, and nobody would notice a dead
    handler: it can tell of no edge that it does not count. For boards that have nothing better.
    """

    kind = b"pin"
    may_lose = True

    def __init__(self, pin, dead_us):
        super().__init__()
        self.dead_us = dead_us
        try:
            pin.irq(self._edge, pin.IRQ_FALLING, hard=True)
        except TypeError:  # the ESP32 has no hard ones
            pin.irq(self._edge, pin.IRQ_FALLING)

    def _edge(self, pin):
        now = ticks_us()
        state = self.state
        if not state[STAMPS] or not 0 <= ticks_diff(now, state[TICKS]) < self.dead_us:
            self.stamp((state[COUNT] + 1) & MASK_24, now)


def open_vane():
    """The best counter that this board has, on the pin of the settings."""
    choice = settings.values
    pin = machine.Pin(choice["pin_vane"], machine.Pin.IN, machine.Pin.PULL_UP)
    if choice["counting"] == "best":
        try:
            import rp2
        except ImportError:
            rp2 = None
        if rp2 is not None and choice["pin_vane"] < PIO_PINS:
            from vane_pio import PioVane

            return PioVane(pin, choice["filter_us"])
        if hasattr(machine, "Counter"):
            from vane_counter import CounterVane

            return CounterVane(pin)
    return PinVane(pin, choice["filter_us"])
