"""The one button: what its contact does, told as short, long and double presses.

A long press is told as soon as it has lasted 0.8 s, a double one at its second press, a short one when it is clear that
no second press comes. Whatever one holds down longer, leans on, or holds while the board boots, is told once or not at
all until it is let go.
"""

SHORT, LONG, DOUBLE = 1, 2, 3

LONG_US = 800_000
SECOND_US = 400_000  # a second press begins within this of the first one's end
SETTLED_US = 10_000  # contacts bounce for less than this (common practice, no source)
SLOW_US = 50_000  # on a grid as slow as this one look is as good as two

UP, DOWN, WAITING, TOLD = 0, 1, 2, 3  # nothing; a first press; let go, perhaps a second comes; told, until let go


class Button:
    """Looks at the contact once a cycle."""

    def __init__(self):
        self._down = True  # as if held since ever: whoever holds it at boot means something else
        self._state = TOLD
        self._differs_us = -1  # since the contact was first seen other than `_down`; -1: it is not
        self._since_us = 0  # since the press or the release that the state is about

    def feed(self, down, elapsed_us):
        """Take the contact as it is, `elapsed_us` after the last look; SHORT, LONG, DOUBLE once clear, else 0."""
        self._debounce(down, elapsed_us)
        down = self._down
        state = self._state
        self._since_us = min(self._since_us + elapsed_us, LONG_US)
        if state == DOWN:
            if not down:
                self._enter(WAITING)
            elif self._since_us >= LONG_US:
                self._enter(TOLD)
                return LONG
        elif state == WAITING:
            if down and self._since_us <= SECOND_US:
                self._enter(TOLD)
                return DOUBLE
            if down or self._since_us >= SECOND_US:
                self._enter(DOWN if down else UP)
                return SHORT
        elif down != (state == TOLD):
            self._enter(DOWN if down else UP)
        return 0

    def _debounce(self, down, elapsed_us):
        if down == self._down:
            self._differs_us = -1
            return
        self._differs_us = 0 if self._differs_us < 0 else self._differs_us + elapsed_us
        if self._differs_us >= SETTLED_US or elapsed_us >= SLOW_US:
            self._down = down
            self._differs_us = -1

    def _enter(self, state):
        self._state = state
        self._since_us = 0
