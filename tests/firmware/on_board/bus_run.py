# ruff: noqa
"""The bus under the pressure chip's driver, on a 20 ms grid: what the faults in the world do to it.

Arguments: number of cycles; `locked`: with the heap locked from the second second on. Prints a row each time that the
flags change: cycle, flags, recoveries; at the end what was counted on the lines.
"""

import sys
from array import array
from time import sleep_us, ticks_diff, ticks_us

import gc
import machine
import micropython
from bus import Bus
from dp import Dp
from world import world


def run(bus, n_cycles, locked):
    dp = Dp(bus)
    rows = array("i", [0] * 3000)
    n_rows, before, longest_us = 0, -1, 0
    gc.collect()
    for cycle in range(n_cycles):
        if locked and cycle == 50:
            micropython.heap_lock()
        start = ticks_us()
        flags = dp.read(start)
        took_us = ticks_diff(ticks_us(), start)
        longest_us = max(longest_us, took_us)
        sleep_us(20_000 - took_us)
        if flags != before:
            rows[n_rows] = cycle
            rows[n_rows + 1] = flags
            rows[n_rows + 2] = bus.n_recoveries
            n_rows += 3
            before = flags
    if locked:
        micropython.heap_unlock()
    for i in range(0, n_rows, 3):
        print("row", rows[i], rows[i + 1], rows[i + 2])
    print("end", bus.n_recoveries, machine.lines.n_pulses, machine.lines.n_stops, longest_us, world.now_us)


bus = Bus()
print("boot", bus.n_recoveries, machine.lines.n_pulses, machine.lines.n_stops, machine.lines.joined)
run(bus, int(sys.argv[1]), "locked" in sys.argv)
