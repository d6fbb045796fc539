"""The log on flash: blocks of lines as the ring held them. A block that `write` said yes to outlives any loss of power.

Files `log/0001.log` to `log/9999.log`, of at most 16 blocks and one boot each. A block is 4096 bytes: b"HTL1", boot id
(4), length of the payload (2), payload, zeros, and the CRC-32 of all that as 8 hex digits. The payload is a row of
entries: a sample is its record (22 bytes, the first 00..0f), a J line is b"J", its length (2) and its bytes with LF.
Numbers are big-endian. Only whole blocks are written, since flash is erased in blocks: a flush for each line would
erase it a hundred times as often. `take` and `next_line_into` allocate nothing, `write` only where it begins a file.
What flash refuses never raises: `failed` says why.
"""

import os

from core import LONGEST_NOTE, SAMPLE
from fast import RECORD, crc_into, text_into

FOLDER = "log"
ENDING = ".log"
MAGIC = b"HTL1"
BLOCK = 4096
HEAD = 10  # bytes before the payload
CRC_AT = BLOCK - 8
BLOCKS_A_FILE = 16
KEEP_FREE_KIB = 128  # with less, no new file: settings and the crash note need room, and littlefs needs it to copy
MOST_BLOCKS = 1 << 17  # of free ones that are counted: within 30 bits as bytes
MOST_NUMBER = 9999
NOTE = 74  # J
NO_SPACE = 28  # ENOSPC
A_FILE = 0x8000


def path_of(number):
    """Where that file lies."""
    return "%s/%04d%s" % (FOLDER, number, ENDING)


def _removed(number):
    """Remove that file; whether it was there to be removed."""
    try:
        os.remove(path_of(number))
    except OSError:
        return False
    return True


def there():
    """Number and whole blocks of each file that is there, by number; raises what the file system raises."""
    found = []
    for entry in os.ilistdir(FOLDER):
        name = entry[0]
        digits = name[: -len(ENDING)]
        if entry[1] == A_FILE and name.endswith(ENDING) and len(digits) == 4 and all("0" <= c <= "9" for c in digits):
            n_bytes = entry[3] if len(entry) > 3 else os.stat(FOLDER + "/" + name)[6]
            found.append((int(digits), n_bytes // BLOCK))
    return sorted(found)


class Log:
    """The block that is being filled, the file that it goes to, and another block that is being read."""

    def __init__(self, boot):
        self._newest = 0  # number of this boot's last file
        self.failed = b""  # b"full": nothing is tried until a file is forgotten; b"error": the next write tries again
        self.n_files = 0  # with something in them
        self.n_waiting = 0  # lines taken and not yet on flash
        self.block_done = True  # no more lines in the open block
        self._block = bytearray(BLOCK)
        self._block[:4] = MAGIC
        for i in range(4):
            self._block[4 + i] = int(boot[2 * i : 2 * i + 2], 16)
        self._end = HEAD  # of the payload
        self._file = None
        self._number = 0  # of the running file
        self._n_written = 0  # blocks in it
        self._open = bytearray(BLOCK)
        self._at = self._stop = HEAD  # next entry in the open block, end of its payload
        self._crc = bytearray(8)
        self._sweep()

    # ---- writing

    def take(self, ring, seq):
        """Copy that line of the ring into the block; False where it does not fit: write first."""
        if not 0 <= ring.place(seq) < ring.held:
            return True  # gone from the ring: its SEQ will be missing in the log
        block, end, records = self._block, self._end, ring.records
        record = (seq & (ring.n_lines - 1)) * RECORD
        if records[record] & 0x10:
            n = records[record + 15] << 8 | records[record + 16]
            if end + 3 + n > CRC_AT:
                return False
            if ring.line_into(block, end + 3, seq) != n:
                return True  # its text is gone
            block[end] = NOTE
            block[end + 1] = n >> 8
            block[end + 2] = n & 255
            self._end = end + 3 + n
        else:
            if end + RECORD > CRC_AT:
                return False
            for i in range(RECORD):
                block[end + i] = records[record + i]
            self._end = end + RECORD
        self.n_waiting += 1
        return True

    def write(self):
        """Put the block on flash, full or not; whether nothing waits any more."""
        if not self.n_waiting:
            return True
        if self.failed == b"full":
            return False
        self._seal()
        try:
            file = self._file or self._begin()
            if file is None:
                self.failed = b"full"
                return False
            # Only flush makes it last: until then littlefs would show the file as it was before.
            if file.write(self._block) != BLOCK:
                raise OSError(NO_SPACE)
            file.flush()
        except (OSError, MemoryError) as error:
            self.failed = b"full" if getattr(error, "errno", 0) == NO_SPACE else b"error"
            self._give_up()
            return False
        self.failed = b""
        self.n_waiting = 0
        self._end = HEAD
        self._n_written += 1
        self.n_files += self._n_written == 1
        if self._n_written == BLOCKS_A_FILE:
            self.close()
        return True

    def close(self):
        """End the running file; the next write begins another."""
        file, self._file, self._number = self._file, None, 0
        if file is not None:
            try:
                file.close()
            except OSError:
                pass  # all that was written is flushed already

    def _give_up(self):
        # The block goes whole into a new file; a part of it here is not counted.
        number = self._number
        self.close()
        if number and not self._n_written:
            _removed(number)

    def _seal(self):
        block, n = self._block, self._end - HEAD
        block[8] = n >> 8
        block[9] = n & 255
        for i in range(self._end, CRC_AT):
            block[i] = 0
        crc_into(block, CRC_AT, block, 0, CRC_AT)

    def _begin(self):
        # A new file; None where there is too little room, or no number left.
        if self.free_kib() < KEEP_FREE_KIB:
            return None
        try:
            os.mkdir(FOLDER)
        except OSError:
            pass  # is there
        # Never a number again that was seen: a host that says `forget` twice must not hit a newer file.
        if self._newest == MOST_NUMBER:
            return None
        self._file = open(path_of(self._newest + 1), "wb")
        self._newest += 1
        self._number = self._newest
        self._n_written = 0
        return self._file

    def _sweep(self):
        # Power was cut after a file was begun, before its first block: it holds nothing that anybody was promised.
        for number, n_blocks in self._look():
            if n_blocks == 0:
                _removed(number)

    # ---- reading

    def n_to_fetch(self):
        """Files with something in them, the one counted that what waits will begin."""
        return self.n_files + (self.n_waiting > 0 and not (self._file is not None and self._n_written))

    def files(self):
        """Number and whole blocks of the files with something in them, by number."""
        return [each for each in self._look() if each[1]]

    def _look(self):
        # All files; what is remembered of them is set right.
        try:
            found = there()
        except OSError:
            found = []
        self.n_files = sum(n_blocks > 0 for _, n_blocks in found)
        if found:
            self._newest = max(self._newest, found[-1][0])
        return found

    def boot_of(self, number):
        """Boot id of a file, as 8 hex digits; empty where no block is good, or there is none."""
        boot = b""
        for index in range(BLOCKS_A_FILE):
            if self.open_block(number, index) >= 0:
                boot = ("%02x%02x%02x%02x" % tuple(self._open[4:8])).encode()
                break
        self.block_done = True
        return boot

    def open_block(self, number, index):
        """Read a block; how many lines it has, -1 where there is no such block or it is damaged."""
        self.block_done = True
        try:
            with open(path_of(number), "rb") as file:
                file.seek(index * BLOCK)
                if file.readinto(self._open) != BLOCK:
                    return -1
        except OSError:
            return -1
        n_lines = self._check()
        self._at = HEAD
        self.block_done = n_lines <= 0
        return n_lines

    def _check(self):
        # Lines in the open block, -1 where it is damaged.
        block, crc = self._open, self._crc
        crc_into(crc, 0, block, 0, CRC_AT)
        if block[:4] != MAGIC or block[CRC_AT:] != crc:
            return -1
        self._stop = HEAD + (block[8] << 8 | block[9])
        at, n_lines = HEAD, 0
        while at < self._stop <= CRC_AT:
            entry = self._entry(at)
            if entry > 3 + LONGEST_NOTE:
                return -1  # with a right CRC, but not written here: no line is as long
            at += entry
            n_lines += 1
        return n_lines if at == self._stop else -1

    def _entry(self, at):
        # Length of the entry there.
        block = self._open
        return 3 + (block[at + 1] << 8 | block[at + 2]) if block[at] == NOTE else RECORD

    def next_line_into(self, out, at):
        """Write the open block's next line; its length with LF, 0 where it does not fit or there is none left."""
        if self.block_done:
            return 0
        block, entry = self._open, self._at
        if block[entry] == NOTE:
            n = self._entry(entry) - 3
            if at + n > len(out):
                return 0
            for i in range(n):
                out[at + i] = block[entry + 3 + i]
        else:
            n = SAMPLE
            if at + n > len(out):
                return 0
            text_into(out, at, block, entry)
            crc_into(out, at + 52, out, at, at + 51)
            out[at + 60] = 10
        self._at = entry + self._entry(entry)
        self.block_done = self._at >= self._stop
        return n

    def forget(self, number):
        """Remove a file; whether it was there."""
        if number == self._number:
            self.close()
        if not _removed(number):
            return False
        self.failed = b""
        self._look()
        return True

    def free_kib(self):
        """Room that is left on flash; beyond 512 MiB it is not counted."""
        about = os.statvfs(".")
        return about[1] * min(about[3], MOST_BLOCKS) // 1024
