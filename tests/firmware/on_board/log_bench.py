# ruff: noqa
"""What the runs on the flash log share: seeded draws, lines in a ring beside the same lines made by `%` and zlib's CRC."""

import binascii

from core import Note, Ring

NOTES = (b"air", b"hello", b"reply", b"fetched")


class Draw:
    """Seeded numbers (linear congruential, constants of Numerical Recipes)."""

    def __init__(self, seed):
        self.state = seed & 0xFFFFFFFF

    def __call__(self, below):
        """A whole number from 0 on."""
        self.state = (self.state * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self.state >> 8) * below >> 24


class Moment:
    """Stands for core.Clock."""

    hi = lo = 0

    def set(self, t_us):
        self.hi, self.lo = t_us >> 28, t_us & 0xFFFFFFF


def whole(head):
    """The line with its CRC."""
    return b"%s %08x\n" % (head, binascii.crc32(head))


class Maker:
    """Makes lines in a ring; `make` gives SEQ and what that line must be."""

    def __init__(self, draw, n_lines=512, n_text=16384, seq=0):
        self.draw = draw
        self.ring = Ring(n_lines, n_text)
        self.ring.seq = seq
        self.moment = Moment()
        self.note = Note()
        self.t_us = draw(1 << 24) << 20

    def sample(self):
        draw, seq = self.draw, self.ring.seq
        self.t_us += 1 + draw(400_000)
        self.moment.set(self.t_us)
        fields = (draw(1 << 24), draw(1 << 24), draw(1 << 16), draw(1 << 16), draw(256))
        self.ring.sample(self.moment, *fields)
        return seq, whole(b"S %07x %014x %06x %06x %04x %04x %02x" % ((seq, self.t_us) + fields))

    def message(self, n=None):
        draw, seq, note = self.draw, self.ring.seq, self.note
        self.t_us += 1 + draw(400_000)
        self.moment.set(self.t_us)
        kind, value = NOTES[draw(len(NOTES))], b"x" * (draw(60) if n is None else n)
        note.start(kind, seq, self.moment)
        note.word(b"value", value)
        note.finish()
        self.ring.note(self.moment, note)
        return seq, whole(b'J %07x %014x {"kind":"%s","value":"%s"}' % (seq, self.t_us, kind, value))

    def make(self):
        return self.sample() if self.draw(10) else self.message()

    def fill(self, log, most):
        """Make lines and have the log take them, as many as fit or `most`; the lines as they must come out."""
        lines = []
        while len(lines) < most:
            seq, line = self.make()
            if not log.take(self.ring, seq):
                break
            lines.append(line)
        return lines


def lines_of(log, number, index):
    """The lines of a block as the log gives them; None where it refuses the block."""
    n_lines = log.open_block(number, index)
    if n_lines < 0:
        return None
    out, lines = bytearray(512), []
    while not log.block_done:
        n = log.next_line_into(out, 0)
        if n == 0:
            break
        lines.append(bytes(out[:n]))
    assert len(lines) == n_lines, (len(lines), n_lines)
    return lines
