"""The board's `select`: the real one, that also tells the world when the host speaks or hangs up."""

import uselect
from uselect import POLLIN
from world import world

READY = ((None, POLLIN),)
NOTHING = ()


class poll:
    """As select.poll, for one stream and POLLIN."""

    def __init__(self):
        self._real = uselect.poll()

    def register(self, stream, events):
        """Watch this stream."""
        self._real.register(stream, events)

    def ipoll(self, timeout):
        """One event where input waits, else none."""
        for _, events in self._real.ipoll(timeout):
            world.hear(events)
            return READY
        return NOTHING
