# ruff: noqa
"""Runs the whole loop with the heap locked: any allocation is a MemoryError.

Argument `control`: the writer allocates once, which must be caught, or the proof proves nothing. Argument `alone`: the
lease ends while the heap is locked, and the air is still, so that nothing is logged.
"""

import sys

import gc
import micropython

import app as board
import machine
import settings
from bus import Bus
from cues import Cues
from time import AT_BOOT
from vane import open_vane
from world import world

N_WRITES = 900
CONTROL, ALONE = "control" in sys.argv, "alone" in sys.argv


class Enough(Exception):
    pass


ENOUGH = Enough()


class Writer:
    def __init__(self):
        self.n_writes = 0
        self.n_bytes = 0

    def write(self, data, n):
        self.n_writes += 1
        self.n_bytes += n
        if CONTROL and self.n_writes == 400:
            self.last = data[:n]
        if self.n_writes == N_WRITES:
            raise ENOUGH
        return n


settings.LEASE_US = 5_000_000 if ALONE else 1 << 29
settings.STATUS_EVERY_US = 5_000_000
reader, writer = micropython.RingIO(2048), Writer()
pin = machine.Pin
button = pin(settings.values["pin_button"], pin.IN, pin.PULL_UP)
app = board.App(reader, writer, open_vane(), Bus(), button, Cues())
app.begin()
with open("commands.txt", "rb") as file:
    reader.write(file.read())
if ALONE:
    looked = app.supply.read

    def look():
        if world.now_us > 30_000_000:
            raise ENOUGH
        return looked()

    app.supply.read = look
gc.collect()
gc.disable()
before = gc.mem_alloc()
micropython.heap_lock()
try:
    app.loop()
except Enough:
    pass
finally:
    micropython.heap_unlock()
grown = gc.mem_alloc() - before
print("writes", writer.n_writes, "bytes", writer.n_bytes, "edges", app.vane.edges, "seq", app.outbox.ring.seq)
print("late", app.n_late, "bad", app.orders.commands.n_bad, "wraps", (world.now_us + AT_BOOT) >> 30, "grown", grown)
