# ruff: noqa
"""The flash log on a plain folder: what goes in comes out, what is damaged is refused, nothing allocates."""

import gc
import os

import micropython

import flog
from flog import BLOCK, BLOCKS_A_FILE, Log
from log_bench import Draw, Maker, lines_of

draw = Draw(20240607)


def passed(what):
    print("passed", what)


def contents(number, new=None):
    """The bytes of a file, after they were replaced where `new` is given."""
    path = "log/%04d.log" % number
    if new is not None:
        with open(path, "wb") as file:
            file.write(new)
    with open(path, "rb") as file:
        return file.read()


def everything(log):
    return [lines_of(log, number, i) for number, n_blocks in log.files() for i in range(n_blocks)]


def numbers(log):
    return [number for number, _ in log.files()]


def about(log, number):
    return log.boot_of(number), dict(log.files()).get(number, 0)


assert (BLOCK, BLOCKS_A_FILE) == (4096, 16)
# An empty folder, and one that is not there.
log = Log("0badcafe")
assert numbers(log) == [] and about(log, 1) == (b"", 0) and log.open_block(1, 0) == -1 and not log.forget(1)
assert log.write() and not log.failed and log.block_done and log.next_line_into(bytearray(600), 0) == 0
passed("nothing there")

# Lines come back byte for byte, as the ring itself and as `%` and zlib write them; SEQ wraps on the way.
maker = Maker(draw, seq=0xFFFFF80)
expected = []
out = bytearray(512)
while len(expected) < 20:
    lines = maker.fill(log, 1 << 30)  # until the block is full
    for i in range(len(lines)):
        seq = (maker.ring.seq - 1 - len(lines) + i) & 0xFFFFFFF  # the last one made did not fit
        n = maker.ring.line_into(out, 0, seq)
        assert bytes(out[:n]) == lines[i]
    assert log.n_waiting == len(lines) > 100
    assert log.write() and log.n_waiting == 0
    expected.append(lines)
assert any(line.startswith(b"S fffffff") for lines in expected for line in lines)
assert any(line.startswith(b"S 0000001") or line.startswith(b"J 0000001") for lines in expected for line in lines)
assert numbers(log) == [1, 2] and about(log, 1) == (b"0badcafe", BLOCKS_A_FILE) and about(log, 2) == (b"0badcafe", 4)
assert [os.stat("log/%04d.log" % n)[6] for n in (1, 2)] == [BLOCKS_A_FILE * BLOCK, 4 * BLOCK]
assert everything(log) == expected
passed("byte for byte, sixteen blocks a file, wrap of SEQ")

# A part of a block; the end of a file; the longest and the shortest J line; an entry that just fits.
log.close()
seq, line = maker.message(0)
assert log.n_to_fetch() == 2
assert log.take(maker.ring, seq) and log.n_waiting == 1 and log.n_to_fetch() == 3 and log.write()
assert log.n_to_fetch() == 3
expected.append([line])
lines, room = [], flog.CRC_AT - flog.HEAD
while room >= 3 + 448:
    seq, line = maker.message(380)
    assert log.take(maker.ring, seq)
    lines.append(line)
    room -= 3 + len(line)
while room >= flog.RECORD:
    seq, line = maker.sample()
    assert log.take(maker.ring, seq)
    lines.append(line)
    room -= flog.RECORD
seq, line = maker.sample()
assert not log.take(maker.ring, seq) and not log.take(maker.ring, seq)
assert log.write()
expected.append(lines)
assert numbers(log) == [1, 2, 3] and everything(log) == expected
# What the ring does not hold any more is left out and does not stop the log.
small = Maker(draw, 64, 1024)
gone, _ = small.message(300)
for _ in range(5):
    small.message(300)
assert log.take(small.ring, gone) and log.n_waiting == 0
for _ in range(64):
    seq, line = small.sample()
assert log.take(small.ring, gone) and log.n_waiting == 0 and log.take(small.ring, seq) and log.n_waiting == 1
assert log.write()
expected.append([line])
assert everything(log) == expected
# No room in the caller's buffer: nothing is lost, the line comes when there is.
assert log.open_block(3, 1) == len(lines)
assert log.next_line_into(bytearray(100), 80) == 0 and log.next_line_into(out, 0) == len(lines[0])
passed("parts of blocks")

# Another boot goes on behind the last file, also behind ones it cannot read.
for name in ("0009.log", "notes.txt", "1.log", "x.log", "-001.log", "00012.log", "0000012.log", "7777.log.bak"):
    with open("log/" + name, "w") as file:
        file.write("garbage" * (BLOCK if name == "0009.log" else 1))
with open("log/0004.log", "w") as file:
    pass  # cut between its beginning and its first block
os.mkdir("log/0003x")
os.mkdir("log/8888.log")  # a folder
with open("log/99999999.log", "w") as file:
    file.write("x" * BLOCK)
log = Log("12345678")
assert "0004.log" not in os.listdir("log")
lines = maker.fill(log, 7)
assert log.write()
assert numbers(log) == [1, 2, 3, 9, 10], numbers(log)
assert about(log, 9) == (b"", 7) and lines_of(log, 9, 0) is None
assert about(log, 10) == (b"12345678", 1) and lines_of(log, 10, 0) == lines
assert about(log, 3) == (b"0badcafe", 3) and lines_of(log, 3, 2) == expected[-1]
log.forget(9)
passed("several boots and garbage")

# Forgetting: also the running file, then the next write begins another.
assert log.forget(1) and not log.forget(1) and numbers(log) == [2, 3, 10]
assert log.forget(10) and numbers(log) == [2, 3]
again = maker.fill(log, 3)
# Its number is a new one: saying `forget 10` again must not hit it.
assert log.write() and numbers(log) == [2, 3, 11] and lines_of(log, 11, 0) == again
assert not log.forget(10)
passed("forget")

# Any damaged byte is noticed, a cut file gives its whole blocks, a damaged first block does not hide the boot.
log.close()
whole = contents(3)
for place in (0, 3, 4, 7, 8, 9, 10, 100, BLOCK - 9, BLOCK - 8, BLOCK - 1):
    damaged = bytearray(whole)
    damaged[BLOCK + place] ^= 1 << draw(8)
    contents(3, damaged)
    assert lines_of(log, 3, 1) is None, place
    assert log.block_done and log.next_line_into(out, 0) == 0
    assert lines_of(log, 3, 0) == expected[-3] and lines_of(log, 3, 2) == expected[-1]
for filler in (b"\0", b"\xff"):
    contents(3, filler * BLOCK + whole[BLOCK:])
    assert about(log, 3) == (b"0badcafe", 3) and lines_of(log, 3, 0) is None
    assert lines_of(log, 3, 1) == expected[-2]
contents(3, whole[:-1])
assert about(log, 3) == (b"0badcafe", 2) and log.open_block(3, 2) == -1 and log.open_block(3, 99) == -1
contents(3, whole)
# An entry that no board wrote, in a block with a right CRC: it would never fit into the output.
foreign = bytearray(whole[:BLOCK])
for n_text, good in ((flog.LONGEST_NOTE, True), (flog.LONGEST_NOTE + 1, False), (3000, False)):
    foreign[flog.HEAD : flog.HEAD + 3] = bytes((flog.NOTE, n_text >> 8, n_text & 255))
    foreign[8:10] = bytes((n_text + 3 >> 8, n_text + 3 & 255))
    flog.crc_into(foreign, flog.CRC_AT, foreign, 0, flog.CRC_AT)
    contents(3, foreign)
    assert log.open_block(3, 0) == (1 if good else -1), n_text
contents(3, whole)
passed("damage")


# Flash that is full, or refuses.
class Refusing:
    def __init__(self, errno, at):
        self.errno, self.at = errno, at

    def write(self, data):
        if self.at == "write":
            raise OSError(self.errno)
        return len(data) if self.at != "short" else 100

    def flush(self):
        if self.at == "flush":
            raise OSError(self.errno)

    def close(self):
        raise OSError(self.errno)


before = everything(log)
for errno, at, why in ((5, "write", b"error"), (5, "flush", b"error"), (28, "write", b"full"), (28, "short", b"full")):
    lines = maker.fill(log, 9)
    flog.open = lambda path, mode: Refusing(errno, at)
    assert not log.write() and log.failed == why and log.n_waiting == 9
    del flog.open
    if why == b"full":
        assert not log.write() and log.failed == why  # not tried again, though there would be room now
        with open("log/0099.log", "w") as file:
            file.write("x" * BLOCK)
        assert log.forget(99)
    assert log.failed == (b"" if why == b"full" else why)
    assert log.write() and not log.failed and lines_of(log, log.files()[-1][0], log.files()[-1][1] - 1) == lines
    before.append(lines)
    log.close()
assert everything(log) == before
asked = []


class Os:
    """The module with another amount of free space."""

    def __init__(self, n_free):
        self.n_free = n_free

    def statvfs(self, path):
        asked.append(path)
        return (4096, 4096, 352, self.n_free, self.n_free, 0, 0, 0, 0, 255)

    def __getattr__(self, name):
        return getattr(os, name)


lines = maker.fill(log, 5)
flog.os = Os(31)  # 124 KiB
assert not log.write() and log.failed == b"full" and log.n_waiting == 5 and log.free_kib() == 124
flog.os = Os(32)
assert not log.write() and log.forget(2) and log.write() and lines_of(log, log.files()[-1][0], 0) == lines
flog.os = Os(0)  # a file that has begun goes on
del asked[:]
lines = maker.fill(log, 5)
assert log.write() and not asked
flog.os = Os(1 << 29)
assert 0 < log.free_kib() < 1 << 30
flog.os = os
# Something else where the folder should be.
os.rename("log", "elsewhere")
with open("log", "w") as file:
    file.write("no folder")
other = Log("00000001")
maker.fill(other, 5)
assert not other.write() and other.failed == b"error" and numbers(other) == []
assert not other.write() and other.n_waiting == 5
os.remove("log")
assert other.write() and not other.failed and numbers(other) == [1]
passed("full and refused")

# With the heap locked: taking, writing to a file that is open, giving lines out.
maker.fill(log, 3)
assert log.write()
n_calls = n_out = 0
ring = maker.ring
for _ in range(400):
    maker.make()
first = ring.seq - 400
assert other.open_block(1, 0) == 5
flog.crc_into(out, 0, out, 0, 8)
gc.collect()
gc.disable()
before = gc.mem_alloc()
micropython.heap_lock()
try:
    seq = first
    n_blocks = 0
    while seq < ring.seq:
        if other.take(ring, seq):
            seq += 1
        else:
            n_blocks += other.write()
    n_blocks += other.write()
    while not other.block_done:
        n_out += other.next_line_into(out, 0) > 0
finally:
    micropython.heap_unlock()
print("blocks", n_blocks, "lines", n_out, "grown", gc.mem_alloc() - before)
gc.enable()
assert n_blocks >= 3 and n_out == 5
passed("heap locked")
