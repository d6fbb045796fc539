"""Driver of an SDP8xx-type differential-pressure chip: continuous mode, averaging from one reading to the next.

One call a cycle that never waits and never raises: `read` takes the newest values or goes one step further in
starting the chip. A value that did not come, or came with a wrong CRC-8, leaves the last one standing and sets its
flag. Three bad readings in a row free the bus and start the chip anew; a chip that does not answer is asked again each
second. A chip that is not fitted is never asked.
"""

from array import array
from time import ticks_add, ticks_diff

ADDRESSES = b"\x25\x26\x21\x22\x23"
STOP = b"\x3f\xf9"
PRODUCT = (b"\x36\x7c", b"\xe1\x02")
START_AVERAGING = b"\x36\x15"
SETTLE_US = 20_000
BACK_OFF_US = 1_000_000
BAD_IN_A_ROW = 3

DP_BAD, TEMP_BAD = 1, 2  # bits of a line's FLAGS
RESTING, STOPPED, STARTED, RUNNING = 0, 1, 2, 3


def crc_table():
    """CRC-8, polynomial 31, by byte."""
    table = bytearray(256)
    for i in range(256):
        crc = i
        for _ in range(8):
            crc = ((crc << 1) ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
        table[i] = crc
    return table


CRC_TABLE = crc_table()


def word_ok(data, at):
    """Whether the two bytes at `at` have the CRC-8 (first value ff) that follows them."""
    return CRC_TABLE[CRC_TABLE[0xFF ^ data[at]] ^ data[at + 1]] == data[at + 2]


class Dp:
    """The chip on this bus, at whichever of its addresses it answers."""

    def __init__(self, bus, fitted=True):
        self.bus = bus
        self.fitted = fitted
        self.raw_dp = 0  # 16-bit patterns, two's complement
        self.raw_temp = 0
        self.counts_per_pa = 0  # 0: not known yet
        self.product = array("i", [0, 0])  # 16-bit words of the product number, where the chip tells
        self.running = False
        self.changed = False  # found or lost since somebody last looked; the looker clears it
        self.n_bad = 0  # bad readings since boot
        self._in_a_row = 0
        self._state = RESTING
        self._which = 0
        self._due = None  # ticks of the next step; None: at once
        self._word = bytearray(6)
        self._words = bytearray(9)
        self._number = bytearray(18)

    def read(self, now):
        """Take this cycle's values at the ticks `now`; the flags of what is not valid."""
        if not self.fitted:
            return DP_BAD | TEMP_BAD
        if self._state != RUNNING:
            self._step(now)
            return DP_BAD | TEMP_BAD
        data = self._word
        flags = 0
        try:
            self.bus.readfrom_into(ADDRESSES[self._which], data)
        except OSError:
            flags = DP_BAD | TEMP_BAD
        if not flags:
            if word_ok(data, 0):
                self.raw_dp = data[0] << 8 | data[1]
            else:
                flags = DP_BAD
            if word_ok(data, 3):
                self.raw_temp = data[3] << 8 | data[4]
            else:
                flags |= TEMP_BAD
        if not flags:
            self._in_a_row = 0
            return 0
        self.n_bad = (self.n_bad + 1) & 0xFFFFFF
        self._in_a_row += 1
        if self._in_a_row == BAD_IN_A_ROW:
            self.running = False
            self.changed = True
            self.bus.recover()
            self._rest(now, BACK_OFF_US)
        return flags

    def _rest(self, now, wait_us):
        self._state = RESTING
        self._due = ticks_add(now, wait_us)

    def _next(self, now):
        self._which = (self._which + 1) % len(ADDRESSES)
        self._rest(now, 0 if self._which else BACK_OFF_US)

    def _step(self, now):
        if self._due is not None and ticks_diff(self._due, now) > 0:
            return
        address = ADDRESSES[self._which]
        self._due = ticks_add(now, SETTLE_US)
        try:
            if self._state == RESTING:
                self._state = STOPPED
                self.bus.writeto(address, STOP)
            elif self._state == STOPPED:
                self._ask_product(address)
                self._state = STARTED
                self.bus.writeto(address, START_AVERAGING)
            else:
                data = self._words
                self.bus.readfrom_into(address, data)
                if word_ok(data, 0) and word_ok(data, 3) and word_ok(data, 6):
                    self.raw_dp = data[0] << 8 | data[1]
                    self.raw_temp = data[3] << 8 | data[4]
                    self.counts_per_pa = data[6] << 8 | data[7]
                    self._in_a_row = 0
                    self._state = RUNNING
                    self.running = self.changed = True
                else:
                    self._next(now)
        except OSError:
            # A chip that measures already answers nothing but the stop; one that does not may refuse that.
            if self._state != STOPPED:
                self._next(now)

    def _ask_product(self, address):
        data = self._number
        try:
            for command in PRODUCT:
                self.bus.writeto(address, command)
            self.bus.readfrom_into(address, data)
        except OSError:
            return
        if word_ok(data, 0) and word_ok(data, 3):
            self.product[0] = data[0] << 8 | data[1]
            self.product[1] = data[3] << 8 | data[4]
