"""Time, lines and the ring: what every line is made from, without allocating and within 30-bit integers.

`Clock` turns wrapping ticks into microseconds since boot, `Note` writes one J line, `Ring` keeps every line that
was made for as long as there is room and writes it again, byte for byte.
"""

from time import ticks_diff, ticks_us

from fast import RECORD, crc_into, hex_into, pack, text_into

MASK_28 = 0xFFFFFFF
HALF_28 = 0x8000000
SAMPLE = 61  # bytes of an S line with its LF
LONGEST_NOTE = 512
NOTE_BIT = 1 << 28  # in a record, in front of SEQ: the line is a J line, kept in the text ring


class Clock:
    """Microseconds since boot as two 28-bit halves; read at least once in nine minutes."""

    def __init__(self):
        self.hi = 0
        self.lo = 0
        self.elapsed_us = 0  # between the last two readings
        self.ticks = ticks_us()

    def read(self):
        """Take the time; the ticks that it was taken at."""
        now = ticks_us()
        self.elapsed_us = ticks_diff(now, self.ticks)
        self.ticks = now
        lo = self.lo + self.elapsed_us
        while lo > MASK_28:
            lo -= MASK_28 + 1
            self.hi += 1
        self.lo = lo
        return now


class Note:
    """Writer of one J line: `start`, keys in any number, `finish`. The line is text[:n]."""

    def __init__(self):
        self.text = bytearray(LONGEST_NOTE)
        self.n = 0

    def raw(self, data):
        """Add bytes as they are."""
        for i in range(len(data)):
            self.text[self.n] = data[i]
            self.n += 1

    def hex(self, value, digits):
        """Add so many hex digits."""
        hex_into(self.text, self.n, value, digits)
        self.n += digits

    def decimal(self, value, places=0):
        """Add value / 10^places as a decimal number."""
        if value < 0:
            self.raw(b"-")
            value = -value
        digits = 1
        power = 10
        while digits <= places or value >= power:
            digits += 1
            if digits > 9:
                break
            power *= 10
        end = self.n + digits + (1 if places else 0)
        self.n = end
        for i in range(digits):
            if places and i == places:
                end -= 1
                self.text[end] = 46
            end -= 1
            self.text[end] = 48 + value % 10
            value //= 10

    def start(self, kind, seq, clock):
        """Begin a line of this kind."""
        self.n = 0
        self.raw(b"J ")
        self.hex(seq, 7)
        self.raw(b" ")
        self.hex(clock.hi, 7)
        self.hex(clock.lo, 7)
        self.raw(b' {"kind":"')
        self.raw(kind)
        self.raw(b'"')

    def key(self, name):
        """Add a key; its value must follow."""
        self.raw(b',"')
        self.raw(name)
        self.raw(b'":')

    def number(self, name, value, places=0):
        """Add a key with the number value / 10^places."""
        self.key(name)
        self.decimal(value, places)

    def word(self, name, value):
        """Add a key with a string that needs no escapes."""
        self.key(name)
        self.raw(b'"')
        self.raw(value)
        self.raw(b'"')

    def truth(self, name, value):
        """Add a key with true or false."""
        self.key(name)
        self.raw(b"true" if value else b"false")

    def finish(self):
        """End the line."""
        self.raw(b"}")
        stop = self.n
        self.raw(b" ")
        crc_into(self.text, self.n, self.text, 0, stop)
        self.n += 8
        self.raw(b"\n")


class Ring:
    """The newest lines, S and J, by SEQ."""

    def __init__(self, n_lines, n_text):
        self.records = bytearray(n_lines * RECORD)
        self.n_lines = n_lines
        self.text = bytearray(n_text)
        self.text_end = 0  # of all J text so far, modulo 2^24
        self.seq = 0  # of the next line
        self.held = 0  # lines that can be written again

    def _add(self, kind_bit, clock, edges, age_us, raw_dp, raw_temp, flags):
        at = (self.seq & (self.n_lines - 1)) * RECORD
        pack(self.records, at, self.seq | kind_bit, clock.hi, clock.lo, edges, age_us, raw_dp, raw_temp, flags)
        self.seq = (self.seq + 1) & MASK_28
        if self.held < self.n_lines:
            self.held += 1

    def sample(self, clock, edges, age_us, raw_dp, raw_temp, flags):
        """Keep a sample; raw_dp and raw_temp as 16-bit patterns."""
        self._add(0, clock, edges, age_us, raw_dp, raw_temp, flags)

    def note(self, clock, note):
        """Keep a finished J line."""
        start = self.text_end
        last = len(self.text) - 1
        for i in range(note.n):
            self.text[(start + i) & last] = note.text[i]
        self.text_end = (start + note.n) & 0xFFFFFF
        self._add(NOTE_BIT, clock, start, note.n, 0, 0, 0)

    def newest(self):
        """SEQ of the last line that was made."""
        return (self.seq - 1) & MASK_28

    def place(self, seq):
        """Where that SEQ stands from the oldest line held (0) on; held up to `held`, negative where it is gone."""
        return ((seq - self.seq + self.held + HALF_28) & MASK_28) - HALF_28

    def record_at(self, seq):
        """Where the record of a line that is held begins in `records`."""
        return (seq & (self.n_lines - 1)) * RECORD

    def is_note(self, r):
        """Whether the record at `r` is that of a J line."""
        return self.records[r] & 0x10 != 0

    def note_length(self, r):
        """Length of that J line with its LF."""
        return self.records[r + 15] << 8 | self.records[r + 16]

    def note_held(self, r):
        """Whether its text is still there."""
        return (self.text_end - self._text_start(r)) & 0xFFFFFF <= len(self.text)

    def note_into(self, out, at, r):
        """Write that J line."""
        start, last = self._text_start(r), len(self.text) - 1
        for i in range(self.note_length(r)):
            out[at + i] = self.text[(start + i) & last]

    def _text_start(self, r):
        records = self.records
        return records[r + 11] << 16 | records[r + 12] << 8 | records[r + 13]

    def line_into(self, out, at, seq):
        """Write the line again; its length with LF, 0 where it is not held or does not fit."""
        if not 0 <= self.place(seq) < self.held:
            return 0
        r = self.record_at(seq)
        if self.is_note(r):
            n = self.note_length(r)
            if not self.note_held(r) or at + n > len(out):
                return 0
            self.note_into(out, at, r)
            return n
        if at + SAMPLE > len(out):
            return 0
        text_into(out, at, self.records, r)
        crc_into(out, at + 52, out, at, at + 51)
        out[at + 60] = 10
        return SAMPLE
