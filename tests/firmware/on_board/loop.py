# ruff: noqa
"""The loop when it is late and when nobody reads: one flag and a new grid, a lease that ends, a line feed first."""

import binascii

import micropython

import app as board
import machine
import settings
from bus import Bus
from cues import Cues
from vane import open_vane
from world import world


class Enough(Exception):
    pass


class Writer:
    """Takes everything, except where `plan` says what happens at that write."""

    def __init__(self, plan, enough):
        self.plan = plan
        self.enough = enough
        self.taken = []

    def write(self, data, n=None):
        n = len(data) if n is None else n
        if len(self.taken) == self.enough:
            raise Enough
        what = self.plan.get(len(self.taken))
        if what == "short":
            n -= 20
        elif what == "none":
            self.taken.append(b"")
            return None
        elif what:
            world.advance(world.now_us + what)  # the write took that long
        self.taken.append(bytes(data[:n]))
        return n


def started(reader, writer, lease_us):
    pin = machine.Pin
    button = pin(settings.values["pin_button"], pin.IN, pin.PULL_UP)
    app = board.App(reader, writer, open_vane(), Bus(), button, Cues())
    app.begin()
    app.keep()
    app.lease_us = lease_us
    return app


def samples(stream):
    for line in stream.split(b"\n"):
        if line[:1] == b"S" and len(line) == 60:
            yield int(line[10:24], 16), int(line[49:51], 16)


# A write of 130 ms in a 20 ms grid: exactly the next sample is late, then the grid goes on from there, without a burst.
# One of 30 ms is late by less than a period: no flag, the grid stays.
writer = Writer({50: 130_000, 80: 30_000}, 120)
app = started(micropython.RingIO(1024), writer, 1 << 29)
try:
    app.loop()
except Enough:
    pass
times = list(samples(b"".join(writer.taken)))
late = [i for i, (_, flags) in enumerate(times) if flags & 8]
assert len(late) == 1 and app.n_late == 1, late
steps = [b[0] - a[0] for a, b in zip(times, times[1:])]
i = late[0]
assert 130_000 <= steps[i - 1] < 131_000, steps[i - 1]
assert all(19_000 < step < 21_000 for step in steps[i : i + 20]), steps
assert min(steps) >= 9_000, min(steps)  # after the 30 ms one the grid catches up once
assert abs(times[-1][0] - times[i][0] - 20_000 * (len(times) - 1 - i)) < 1000

# A short write: the lease ends at once, nothing more is said.
settings.LEASE_US = 3_000_000
with open("keep.txt", "rb") as file:
    keep = file.read()
for what in ("short", "none"):
    reader, writer = micropython.RingIO(1024), Writer({20: what}, 10**6)
    app = started(reader, writer, 3_000_000)
    for _ in range(60):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert len(writer.taken) == 21 and app.lease_us == 0
    made = app.outbox.ring.seq
    assert made > 60  # sampling went on
    # The next `keep` brings it back, and the torn line cannot swallow the first good one.
    reader.write(keep)
    app.cycle()
    assert writer.taken[21] == b"\n", writer.taken[21]
    assert writer.taken[22].startswith(b"J "), writer.taken[22]
    assert app.lease_us == 3_000_000


def command(body):
    head = "C 0000007 00000000000000 " + body
    return ("%s %08x\n" % (head, binascii.crc32(head.encode()))).encode()


# A host that reads nothing for five seconds in the middle of a line: not one later write is tried, and everything that
# it missed comes when it asks, byte for byte once, beside the live lines.
reader, writer = micropython.RingIO(1024), Writer({20: "short"}, 10**6)
app = started(reader, writer, 3_000_000)
for _ in range(20 + 250):
    world.advance(world.now_us + 20_000)
    app.cycle()
assert len(writer.taken) == 21
heard = b"".join(writer.taken)
last = [line for line in heard.split(b"\n")[:-1] if line][-1]
first_missing = (int(last[2:9], 16) + 1) & 0xFFFFFFF
reader.write(command("keep"))
app.cycle()
reader.write(command("resend %07x %07x" % (first_missing, app.outbox.ring.newest())))
n_before = len(writer.taken)
for _ in range(200):
    world.advance(world.now_us + 20_000)
    app.cycle()
lines = {}
for line in b"".join(writer.taken).split(b"\n"):
    if len(line) > 33 and ("%08x" % binascii.crc32(line[:-9])).encode() == line[-8:]:
        seq = int(line[2:9], 16)
        assert lines.get(seq, line) == line
        lines[seq] = line
missing = [seq for seq in range(first_missing, max(lines)) if seq not in lines]
assert missing == [], missing
assert len([line for line in lines.values() if line[:1] == b"S"]) >= 19 + 250 + 145  # the lease lasted 150 cycles more

# Ranges that wait: the ninth is refused, a lease that ends forgets them, and what fell out of memory while it waited is
# named up to the end of its range, not beyond.
settings.RING_LINES = 256
reader, writer = micropython.RingIO(4096), Writer({}, 10**6)
app = started(reader, writer, 1 << 29)
for _ in range(300):
    app.cycle()
newest = app.outbox.ring.newest()
for first in (newest - 200, newest - 250):
    reader.write(command("resend %07x %07x" % (first, first + 5 if first == newest - 250 else newest)))
for _ in range(8):
    reader.write(command("resend %07x %07x" % (newest, newest)))
before = len(writer.taken)
for _ in range(90):
    app.cycle()
said = b"".join(writer.taken[before:])
assert said.count(b"too many resends are waiting") == 2, said.count(b"too many")
named = [text[:16] for text in said.split(b'"why":"')[1:] if b" not held any more" in text[:40]]
assert named == [b"%07x..%07x" % (newest - 250, newest - 245)], named
newest = app.outbox.ring.newest()
reader.write(command("resend %07x %07x" % (newest - 60, newest)))
for _ in range(4):
    app.cycle()
assert app.again.n_ranges == 1
app.end_lease()
before = len(writer.taken)
reader.write(command("keep"))
for _ in range(40):
    app.cycle()
assert b"S %07x " % newest not in b"".join(writer.taken[before:])
print("all right")
