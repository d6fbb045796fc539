"""What the board tells the person who holds the hood and looks elsewhere: short tone patterns, and the LED with them.

Told apart by rhythm alone (how many tones, which are long), and again by pitch (level, rising, falling), so that a
listener who misses one still has the other; the first two tones are enough. CUES is the table, what each means stands
in the host's `board/cues.py`. All tones are between 800 and 2500 Hz, which older ears hear (test_cues.py names the
sources). `play` begins a cue, `step` once a cycle goes on with it; neither waits or allocates. At a rate too low for a
pattern each tone lasts one cycle.
"""

import machine

import settings

SHORT, LONG = 100, 300
LOW, MIDDLE, HIGH = 880, 1320, 1980  # Hz; fifths apart
GAP_US = 60_000  # between a cue that is broken off and the one that replaces it
LOUDEST = 32768  # half of the time high

# name, and by turns a tone (Hz; 0: silence) and how long it lasts (ms)
CUES = (
    (b"seated", (MIDDLE, SHORT)),
    (b"steady", (MIDDLE, SHORT, 0, 100, MIDDLE, SHORT)),
    (b"done", (LOW, SHORT, 0, 60, MIDDLE, SHORT, 0, 60, HIGH, LONG)),
    (b"again", (HIGH, SHORT, 0, 60, LOW, SHORT, 0, 60, HIGH, SHORT, 0, 60, LOW, SHORT, 0, 60, HIGH, SHORT)),
    (b"turn-more", (MIDDLE, SHORT, 0, 60, HIGH, LONG, 0, 200, MIDDLE, SHORT, 0, 60, HIGH, LONG)),
    (b"turn-less", (MIDDLE, LONG, 0, 60, LOW, SHORT, 0, 200, MIDDLE, LONG, 0, 60, LOW, SHORT)),
    (b"trouble", (LOW, LONG, 0, 140, LOW, LONG, 0, 140, LOW, LONG)),
)


class Cues:
    """The buzzer and the LED; a pin below zero is one that is not there."""

    def __init__(self):
        choice, pin = settings.values, machine.Pin
        buzzer, led = choice["pin_buzzer"], choice["pin_led"]
        self._buzzer = machine.PWM(pin(buzzer), freq=MIDDLE, duty_u16=0) if buzzer >= 0 else None
        self._led = pin(led, pin.OUT, value=0) if led >= 0 else None
        self._pattern = None  # the one that is playing
        self._at = 0  # of its next tone
        self._left_us = 0  # of the tone that sounds
        self._begins = False
        self._sounds = False

    def play(self, name):
        """Begin the cue of this name instead of any other; whether there is one."""
        return self.play_named(name, 0, len(name))

    def play_named(self, line, start, stop):
        """Begin the cue whose name is line[start:stop]; whether there is one."""
        for cue in CUES:
            name = cue[0]
            n = len(name)
            if n == stop - start:
                i = 0
                while i < n and line[start + i] == name[i]:
                    i += 1
                if i == n:
                    self._begin(cue[1])
                    return True
        return False

    def stop(self):
        """Break off what is playing."""
        self._pattern = None
        self._sound(0)

    def step(self, elapsed_us):
        """Go on, once a cycle; `elapsed_us` since the last one."""
        pattern = self._pattern
        if pattern is None:
            return
        if self._begins:
            self._begins = False  # the time of this cycle was before it
        else:
            self._left_us -= elapsed_us
        if self._left_us > elapsed_us >> 1:
            return  # the next cycle is nearer to the end of this tone
        if self._at == len(pattern):
            self._pattern = None
            self._sound(0)
            return
        # What one tone was too long or too short for the grid is given to the next: no drift. But after a cycle that
        # was late (flash was written) the tones that come last as long as ever, and none is left out.
        over_us = self._left_us if self._left_us >= -(elapsed_us >> 1) else 0
        self._left_us = pattern[self._at + 1] * 1000 + over_us
        self._sound(pattern[self._at])
        self._at += 2

    def _begin(self, pattern):
        self._left_us = GAP_US if self._sounds else 0
        self._sound(0)
        self._pattern = pattern
        self._at = 0
        self._begins = True

    def _sound(self, hz):
        self._sounds = hz > 0
        if self._buzzer is not None:
            if hz:
                self._buzzer.freq(hz)
            self._buzzer.duty_u16(LOUDEST if hz else 0)
        if self._led is not None:
            self._led.value(1 if hz else 0)
