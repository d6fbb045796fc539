"""Lines that the host asked for again: ranges of SEQ wait in a queue and go out a few in each cycle."""

from array import array

from core import MASK_28

A_CYCLE = 4
RANGES = 8  # that can wait


class Again:
    """The queue; what the ring does not hold is refused by name."""

    def __init__(self, outbox):
        self.outbox = outbox
        self._ranges = array("i", [0] * (3 * RANGES))  # next SEQ, last SEQ, SEQ of the command
        self.n_ranges = 0

    def clear(self):
        """Forget what waits."""
        self.n_ranges = 0

    def ask(self, to, first, last):
        """Take a range in, and answer the command `to`."""
        outbox = self.outbox
        ring = outbox.ring
        if first < 0 or last < 0:
            outbox.reply(to, False, b"resend wants two SEQs of 7 hex digits")
            return
        start, stop = ring.place(first), ring.place(last) + 1
        n_held = ring.held
        if stop <= start:
            outbox.reply(to, False, b"resend wants FIRST not after LAST")
        elif self.n_ranges == RANGES:
            outbox.reply(to, False, b"too many resends are waiting")
        else:
            oldest = first - start  # Places move on with each line that is made, SEQs do not.
            end = oldest + n_held
            if start < 0:
                outbox.reply_range(to, first, last if stop <= 0 else oldest - 1, b" not held any more")
                first = oldest & MASK_28
            elif stop > n_held:
                outbox.reply_range(to, first if start >= n_held else end, last, b" not made yet")
            else:
                outbox.reply(to, True)
            if start < n_held and stop > 0:
                at = 3 * self.n_ranges
                self._ranges[at] = first
                self._ranges[at + 1] = last if stop <= n_held else (end - 1) & MASK_28
                self._ranges[at + 2] = to
                self.n_ranges += 1

    def step(self):
        """Send the next few."""
        outbox, ranges = self.outbox, self._ranges
        ring = outbox.ring
        for _ in range(A_CYCLE):
            if not self.n_ranges:
                return
            seq, last = ranges[0], ranges[1]
            if outbox.again(seq) == 0:
                if not outbox.has_room():
                    return  # in this cycle
                # It fell out of the ring while it waited. All that did so is named at once.
                n_gone = max(1, min(-ring.place(seq), ((last - seq) & MASK_28) + 1))
                outbox.reply_range(ranges[2], seq, seq + n_gone - 1, b" not held any more")
                seq = (seq + n_gone - 1) & MASK_28
            if seq != last:
                ranges[0] = (seq + 1) & MASK_28
                continue
            self.n_ranges -= 1
            for i in range(3 * self.n_ranges):
                ranges[i] = ranges[i + 3]
