"""Everything that leaves the board: lines are made here, kept in the ring, and sent while somebody listens.

All of a cycle's lines go out in one write. A write that comes back short means that nobody reads: the next output
begins with LF, so that the torn line is noise and nothing else.
"""

from core import LONGEST_NOTE, MASK_28, Note, Ring


class Outbox:
    """Writer of lines; `listening` says whether a host does."""

    def __init__(self, writer, clock, n_lines, n_text):
        self.writer = writer
        self.clock = clock
        self.ring = Ring(n_lines, n_text)
        self.note = Note()
        self.listening = False
        self._out = bytearray(2048)
        self._n_out = 0
        self._torn = False

    def sample(self, edges, age_us, raw_dp, raw_temp, flags):
        """Make an S line."""
        self.ring.sample(self.clock, edges, age_us, raw_dp, raw_temp, flags)
        if self.listening:
            self.again(self.ring.newest())

    def start(self, kind):
        """Begin a J line; its keys go into `note`, `post` ends it."""
        self.note.start(kind, self.ring.seq, self.clock)

    def post(self, asked=False):
        """End the J line. What the host asked for goes out with or without a lease."""
        self.note.finish()
        self.ring.note(self.clock, self.note)
        if asked or self.listening:
            self.again(self.ring.newest())

    def again(self, seq):
        """Send a line that the ring holds; its length, 0 where it is not held or does not fit now."""
        n = self.ring.line_into(self._out, self._n_out, seq)
        self._n_out += n
        return n

    def from_log(self, log):
        """Send the next line of the log's open block; its length."""
        n = log.next_line_into(self._out, self._n_out)
        self._n_out += n
        return n

    def has_room(self):
        """Whether two J lines of any length fit."""
        return len(self._out) - self._n_out >= 2 * LONGEST_NOTE

    def send(self):
        """Write what has gathered; False where not all was taken."""
        n_out = self._n_out
        if not n_out:
            return True
        self._n_out = 0
        if self._torn:
            self._torn = False
            self.writer.write(b"\n")
        self._torn = self.writer.write(self._out, n_out) != n_out
        return not self._torn

    # ---- J lines that more than one part says

    def reply(self, to, ok, why=None):
        """Answer the command with that SEQ."""
        self._start_reply(to, ok)
        if why:
            self.note.word(b"why", why)
        self.post(True)

    def reply_range(self, to, first, last, why):
        """Refuse a command because of the lines first..last."""
        self._start_reply(to, False)
        note = self.note
        note.key(b"why")
        note.raw(b'"')
        note.hex(first & MASK_28, 7)
        note.raw(b"..")
        note.hex(last & MASK_28, 7)
        note.raw(why)
        note.raw(b'"')
        self.post(True)

    def fault(self, sensor, state):
        """Say what is amiss, or well again."""
        self.start(b"fault")
        self.note.word(b"sensor", sensor)
        self.note.word(b"state", state)
        self.post()

    def _start_reply(self, to, ok):
        self.start(b"reply")
        self.note.number(b"to", to)
        self.note.truth(b"ok", ok)
