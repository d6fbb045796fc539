"""Reads command lines, `C SEQ TIME BODY CRC`, from bytes as they come.

Only a whole line with a right CRC and form is a command; everything else is counted and changes nothing. CR in front
of LF is accepted. Nothing here allocates.
"""

from fast import crc_into

LONGEST = 96
SHORTEST = 35  # with a body of one byte
BODY = 25


def digits(data, start, stop, base):
    """The non-negative number written there in lower-case digits; -1 where it is none or beyond 28 bits."""
    if not 0 < stop - start <= 7:
        return -1
    value = 0
    for i in range(start, stop):
        digit = data[i] - 48
        if digit > 9:
            digit -= 39  # a..f
            if digit < 10:
                return -1
        if not 0 <= digit < base:
            return -1
        value = value * base + digit
    return value


class Commands:
    """One line at a time: `feed` each byte; True means that a command stands in `line`."""

    def __init__(self):
        self.line = bytearray(LONGEST)
        self.seq = 0  # the host's own
        self.n_bad = 0
        self._n = 0
        self.stop = BODY  # where the body ends
        self._word_stop = BODY
        self._crc = bytearray(8)

    def feed(self, byte):
        """Take a byte; whether it ended a command."""
        if byte != 10:
            if self._n < LONGEST:
                self.line[self._n] = byte
            self._n += self._n <= LONGEST  # one more than fits marks a line that is too long
            return False
        n, self._n = self._n, 0
        if n and n <= LONGEST and self.line[n - 1] == 13:
            n -= 1
        if n == 0:
            return False
        good = n <= LONGEST and self._check(n)
        if not good:
            self.n_bad = (self.n_bad + 1) & 0xFFFFFF
        return good

    def _check(self, n):
        line = self.line
        if n < SHORTEST or line[0] != 67 or line[1] != 32 or line[9] != 32 or line[24] != 32 or line[n - 9] != 32:
            return False
        crc_into(self._crc, 0, line, 0, n - 9)
        for i in range(8):
            if self._crc[i] != line[n - 8 + i]:
                return False
        self.seq = digits(line, 2, 9, 16)
        if self.seq < 0 or digits(line, 10, 17, 16) < 0 or digits(line, 17, 24, 16) < 0:
            return False
        self.stop = self._word_stop = n - 9
        for i in range(self.stop - 1, BODY - 1, -1):
            if line[i] == 32:
                self._word_stop = i
            elif not 32 < line[i] < 127:
                return False
        return True

    def named(self, word):
        """Whether the command's first word is this one."""
        if self._word_stop - BODY != len(word):
            return False
        for i in range(len(word)):
            if self.line[BODY + i] != word[i]:
                return False
        return True

    def bare(self):
        """Whether there is nothing after the first word."""
        return self._word_stop == self.stop

    def argument(self):
        """Where the text after the first word begins; it ends at `stop`."""
        return min(self._word_stop + 1, self.stop)

    def words(self):
        """The body as a list of words; allocates."""
        return bytes(self.line[BODY : self.stop]).decode().split(" ")

    def rate(self):
        """The only argument as a decimal number, else -1."""
        return digits(self.line, self._word_stop + 1, self.stop, 10)

    def first(self):
        """The first of two arguments that are SEQs of 7 hex digits, else -1."""
        start = self._word_stop + 1
        if self.stop - start != 15 or self.line[start + 7] != 32:
            return -1
        return digits(self.line, start, start + 7, 16)

    def last(self):
        """The second of two SEQs, else -1."""
        return digits(self.line, self.stop - 7, self.stop, 16)
