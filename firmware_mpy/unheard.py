"""What the board does with its samples when no host listens: wait, then log means to flash.

After the last `keep` everything goes on at the full rate into memory; a host that comes back in time asks for it.
GRACE_US later the log begins: first what memory holds since that last `keep`, then one line each LOG_EVERY_US: means of
DP and TEMP over that time, EDGES and AGE as they are at its end, FROM_LOG set. So the log has no holes in SEQ. Air that
has not moved for REST_US is not worth a line: the log rests until it moves. Flash is written in whole blocks,
and each time takes 50 ms to 1 s with no interrupts; how long is kept, and the next sample that is made is flagged.
"""

from time import ticks_diff, ticks_us

import settings
from core import MASK_28

FROM_LOG, STALLED = 0x20, 0x10  # bits of a line's FLAGS
LINES_A_CYCLE = 8
LINES_AT_ONCE = 1 << 20  # all
STILL_US = 2_000_000  # without an edge: the vane has nothing to lose
RETRY_US = 10_000_000  # after flash refused; each time twice as long
LONGEST_US = 1 << 28  # times are not counted further


class Unheard:
    """The state of that; `sample` stands for Outbox.sample."""

    def __init__(self, outbox, log, vane, dp, log_wanted, watchdog=None):
        self.outbox = outbox
        self.log = log
        self.vane = vane
        self.dp = dp
        self.log_wanted = log_wanted
        self.logging = False  # also while it rests
        self.resting = False
        self.began = False  # since somebody last looked; the looker clears it
        self.watchdog = watchdog
        self.supply_low = False
        self.n_stalls = 0
        self.longest_stall_us = 0
        self._stalled = False
        self._alone_us = 0  # since the last `keep`
        self._wait_us = 0  # until flash that refused is asked again
        self._retry_us = RETRY_US
        self._next_seq = 0  # of the ring, the first that the log does not have
        self._still_us = 0  # since the last edge
        self._calm_us = LONGEST_US  # since air last moved
        self._calm_dp = 0
        self._edges = 0
        self._clear(0)

    def heard(self):
        """The host is there. What waits is written, so that nothing of a log is in memory alone."""
        if self.logging:
            self.finish()
        self.logging = self.resting = False
        self._alone_us = 0
        self._next_seq = self.outbox.ring.seq

    def finish(self):
        """Put all that the log should have on flash; whether that was possible."""
        done = True
        while done and self.logging and not self.resting and self._take(LINES_AT_ONCE):
            done = self.write()
        return done and self.write()

    def state(self):
        """How the log is, in a word."""
        return self.log.failed or b"ok" if self.log_wanted else b"off"

    def sample(self, elapsed_us, edges, age_us, flags):
        """Make this cycle's line, or add it to the mean that is being made."""
        dp = self.dp
        if edges != self._edges:
            self._edges = edges
            self._still_us = self._calm_us = 0
        else:
            self._still_us = min(self._still_us + elapsed_us, LONGEST_US)
            self._calm_us = min(self._calm_us + elapsed_us, LONGEST_US)
        if not self.logging:
            self._line(edges, age_us, dp.raw_dp, dp.raw_temp, flags)
            return
        self._flags |= flags & ~3
        if not flags & 1:
            self._sum_dp += dp.raw_dp - ((dp.raw_dp & 0x8000) << 1)
            self._n_dp += 1
        if not flags & 2:
            self._sum_temp += dp.raw_temp - ((dp.raw_temp & 0x8000) << 1)
            self._n_temp += 1
        self._due_us -= elapsed_us
        if self._due_us <= 0:
            self._make_line(edges, age_us)

    def step(self, elapsed_us):
        """Once a cycle: let time pass, begin the log, rest, write what is full."""
        self._alone_us = min(self._alone_us + elapsed_us, LONGEST_US)
        if not self.logging:
            if self._alone_us < settings.GRACE_US:
                return
            self.begin()
            if not self.logging:
                return
        calm = self._calm_us >= settings.REST_US
        if calm != self.resting:
            if calm:
                self._say(b"rests")
                self.finish()
            else:
                self._say(b"begins")
            self.resting = calm
            self.began = not calm
        self._wait_us = max(self._wait_us - elapsed_us, 0)
        if not self.resting and self._take(LINES_A_CYCLE) and self._may_write() and not self._wait_us:
            if self.write():
                self._retry_us = RETRY_US
            elif self.log.failed == b"full":
                self.logging = False
            elif self.log.failed:
                self._wait_us = self._retry_us
                self._retry_us = min(2 * self._retry_us, LONGEST_US)

    def begin(self):
        """Begin to log, if that is wanted and there is room; in still air it rests at once."""
        if self.log_wanted and not self.logging and self.log.failed != b"full":
            self.logging = True
            self.resting = self._calm_us >= settings.REST_US
            self.began = not self.resting
            self._clear(0)
            if self.began:
                self._say(b"begins")

    def write(self):
        """Put what waits on flash; whether there is nothing left that is in memory alone."""
        log = self.log
        if not log.n_waiting:
            return not log.failed
        if self.supply_low:
            return False  # a supply that fails in the middle of an erase is the worst moment
        self.vane.hold()
        start = ticks_us()
        done = log.write()
        self.stalled(ticks_diff(ticks_us(), start))
        self.vane.release()
        return done

    def stalled(self, us):
        """Note that flash took all interrupts for so long; the next sample that is made is flagged."""
        if self.watchdog is not None:
            self.watchdog.feed()
        self._stalled = True
        self.n_stalls = (self.n_stalls + 1) & 0xFFFFFF
        self.longest_stall_us = max(self.longest_stall_us, us)

    def _take(self, n_lines):
        # Copy so many lines from the ring; whether the block is full before the ring is through.
        ring, log = self.outbox.ring, self.log
        for _ in range(n_lines):
            place = ring.place(self._next_seq)
            if place < 0:
                self._next_seq = (self._next_seq - place) & MASK_28
            elif place >= ring.held:
                return False
            if not log.take(ring, self._next_seq):
                return True
            self._next_seq = (self._next_seq + 1) & MASK_28
        return False

    def _may_write(self):
        # Where edges get lost meanwhile: only while the vane stands still, or when memory is half full.
        ring = self.outbox.ring
        lag = ring.held - ring.place(self._next_seq)
        return not self.vane.may_lose or self._still_us >= STILL_US or 2 * lag >= ring.n_lines

    def _say(self, state):
        self.outbox.start(b"log")
        self.outbox.note.word(b"state", state)
        self.outbox.post()

    def _make_line(self, edges, age_us):
        n, dp = self._n_dp, self.dp
        mean_dp = (2 * self._sum_dp + n) // (2 * n) if n else dp.raw_dp
        # Half a pascal, or a change by as much: air that moves, for a hood without a vane too.
        if n and max(abs(mean_dp), abs(mean_dp - self._calm_dp)) * 2 > max(dp.counts_per_pa, 1):
            self._calm_dp = mean_dp
            self._calm_us = 0
        n_temp = self._n_temp
        mean_temp = (2 * self._sum_temp + n_temp) // (2 * n_temp) if n_temp else dp.raw_temp
        flags = self._flags | FROM_LOG | (0 if n else 1) | (0 if n_temp else 2)
        if not self.resting:
            self._line(edges, age_us, mean_dp & 0xFFFF, mean_temp & 0xFFFF, flags)
        self._clear(self._due_us)

    def _line(self, edges, age_us, raw_dp, raw_temp, flags):
        # Only a line that is made tells of a stall: means while the log rests, and one that a host cuts short, do not.
        if self._stalled:
            self._stalled = False
            flags |= STALLED
        self.outbox.sample(edges, age_us, raw_dp, raw_temp, flags)

    def _clear(self, over_us):
        self._due_us = max(settings.LOG_EVERY_US + over_us, settings.LOG_EVERY_US // 2)
        self._flags = self._sum_dp = self._n_dp = self._sum_temp = self._n_temp = 0
