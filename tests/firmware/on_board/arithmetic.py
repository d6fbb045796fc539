# ruff: noqa
"""Parts of the firmware against other ways to the same result: CRC, numbers, clock, SEQ wrap, text ring, bytecode."""

import binascii
import os
import random

import fast
import time
from core import Clock, Note, Ring
from world import world

random.seed(7)

# CRC-32: the known answer, then binascii's on random bytes of every length.
out = bytearray(8)
fast.crc_into(out, 0, b"123456789", 0, 9)
assert out == b"cbf43926", out
for n in range(300):
    data = bytes([random.getrandbits(8) for _ in range(n)])
    fast.crc_into(out, 0, data, 0, n)
    assert out == b"%08x" % binascii.crc32(data), n

# The same source as bytecode, as it runs where there is no machine code.
with open(os.getenv("HOODTRACE_FIRMWARE") + "/fast.py") as file:
    slow = {"ptr8": lambda data: data, "ptr16": lambda data: data}
    exec(file.read().replace("@micropython.viper", ""), slow)
for _ in range(300):
    fields = [random.getrandbits(n) for n in (28, 28, 28, 24, 24, 16, 16, 8)]
    lines = []
    for name in ("fast", "slow"):
        part = (lambda key: getattr(fast, key)) if name == "fast" else (lambda key: slow[key])
        record, line = bytearray(22), bytearray(61)
        part("pack")(record, 0, *fields)
        part("text_into")(line, 0, record, 0)
        part("crc_into")(line, 52, line, 0, 51)
        lines.append(line)
    seq, hi, lo, edges, age, dp, temp, flags = fields
    head = "S %07x %07x%07x %06x %06x %04x %04x %02x" % (seq, hi, lo, edges, age, dp, temp, flags)
    wanted = ("%s %08x" % (head, binascii.crc32(head))).encode()
    assert lines[0][:60] == lines[1][:60] == wanted, (lines, wanted)

# Decimal numbers.
note = Note()
for value in (0, 5, 9, 10, 99, 100, 1013, -1, -40, 123456789, (1 << 30) - 1):
    for places in (0, 1, 2):
        note.n = 0
        note.decimal(value, places)
        sign, size = "-" if value < 0 else "", abs(value)
        wanted = "%s%d" % (sign, size // 10**places)
        if places:
            wanted += ".%0*d" % (places, size % 10**places)
        assert bytes(note.text[: note.n]).decode() == wanted, (value, places, bytes(note.text[: note.n]))

# The clock over 40 days, in steps of up to 8 minutes: thousands of wraps of its ticks.
clock = Clock()
start_us = world.now_us
while world.now_us < 40 * 86_400_000_000:
    world.advance(world.now_us + 1 + random.getrandbits(29) * 480 // 540)
    clock.read()
    assert (clock.hi << 28 | clock.lo) == world.now_us - start_us
    assert 0 <= clock.lo < 1 << 28
assert world.now_us >> 30 > 3000

# SEQ wraps at 2^28; all that is held comes again, what is older does not.
ring = Ring(64, 1024)
ring.seq = (1 << 28) - 40
made = {}
out = bytearray(400)
for i in range(100):
    seq = ring.seq
    if i % 7 == 0:
        note.start(b"reply", seq, clock)
        note.number(b"to", i)
        note.finish()
        ring.note(clock, note)
    else:
        ring.sample(clock, i, i, i, i, 0)
    n = ring.line_into(out, 0, seq)
    made[i] = (seq, bytes(out[:n]))
assert ring.seq == 60
n_held = 0
for i in range(100):
    seq, line = made[i]
    n = ring.line_into(out, 0, seq)
    if i < 36:
        assert n == 0, i
    else:
        assert bytes(out[:n]) == line and n > 0, i
        n_held += 1
assert n_held == 64
assert ring.line_into(out, 0, ring.seq) == 0
# The J text ring is shorter than the line ring: a J line that was overwritten is not held, never wrong.
ring = Ring(64, 256)
for i in range(20):
    note.start(b"reply", ring.seq, clock)
    note.number(b"to", i)
    note.finish()
    ring.note(clock, note)
held = [seq for seq in range(20) if ring.line_into(out, 0, seq)]
assert held == list(range(20 - 256 // note.n, 20)), held  # all 20 lines from 10 on have one length
print("all right")
