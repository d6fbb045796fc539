"""The ESP32's `machine.Counter`: counts the vane's edges in hardware, interrupts on or off.

As in MicroPython's documentation of machine.Counter and its ports/esp32/modules/machine.py (seen). A pin interrupt on
the same pin is the Pin's own affair.
"""

from world import world


class Counter:
    """A pulse counter. Only the vane's pin has pulses, one clean falling edge each."""

    RISING, FALLING = 1, 2

    def __init__(self, number, src, edge=RISING, filter_ns=0):
        self._counts = src.role == "vane"
        self._zero = world.n_edges

    def value(self, value=None):
        """The count; where a value is given, go on from there."""
        count = world.n_edges - self._zero if self._counts else 0
        if value is not None:
            self._zero = world.n_edges - value
        return count
