# ruff: noqa
"""One kind of vane counter through what `plan.json` says; prints what it read, for the test to judge.

Arguments: `kind` prints which kind the board has. `stalls` reads each 5 ms, heap locked, and stalls as planned, with
`unheld` without hold and release, with `late` the callbacks of a stall come after release; with `wrap` the count begins just below its end. `days` reads in long steps.
`dead` takes the interrupt handler away at 2.5 s. Rows: time, count, age, what check() said (1: well, or not asked).
"""

import json
import sys
from array import array
from time import ticks_us

import gc
import machine
import micropython

machine.N_PINS = 48  # of the largest RP2350
machine.outputs = bytearray(48)

from vane import open_vane
from world import world

STEP_US = 5000
with open("plan.json") as file:
    plan = json.load(file)
vane = open_vane()
start_us = world.now_us
if "kind" in sys.argv:
    print(vane.kind.decode(), int(vane.may_lose))
if "wrap" in sys.argv:
    if vane.kind == b"pio":
        vane.machine.x = 5  # the register itself is about to wrap
    else:
        vane.state[0] = 0xFFFFFA


def stalls(held, late):
    n_rows = plan["n_steps"]
    rows = array("i", [0] * (4 * n_rows))
    n_stalls = len(plan["stalls"])
    at = array("i", [t for t, _ in plan["stalls"]])
    duration = array("i", [d for _, d in plan["stalls"]])
    i = 0
    gc.collect()
    gc.disable()
    micropython.heap_lock()
    for row in range(n_rows):
        world.advance(max(world.now_us, start_us + (row + 1) * STEP_US))
        well = vane.check() if row % 200 == 0 else True
        vane.read()
        now = ticks_us()
        rows[4 * row] = world.now_us
        rows[4 * row + 1] = vane.edges
        rows[4 * row + 2] = vane.age_us(now)
        rows[4 * row + 3] = 1 if well else 0
        if i < n_stalls and world.now_us >= at[i]:
            if held:
                vane.hold()
            source = world.source
            if late:
                world.attach(None)
            world.stall(duration[i])
            if held:
                vane.read()
                assert vane.edges == rows[4 * row + 1], "a held pair changed"
                vane.release()
            if late:
                world.attach(source)
                for _ in range(8):
                    vane._edge(None)
            i += 1
    micropython.heap_unlock()
    assert i == n_stalls
    for row in range(n_rows):
        print(rows[4 * row], rows[4 * row + 1], rows[4 * row + 2], rows[4 * row + 3])


def long_steps():
    for step_us in plan["steps_us"]:
        world.advance(world.now_us + step_us)
        well = vane.check()
        vane.read()
        print(world.now_us, vane.edges, vane.age_us(ticks_us()), int(well))


def dead():
    for second in range(20):
        for part in range(10):
            if second == 2 and part == 5:
                (vane.pin if vane.kind == b"counter" else vane.machine).irq(None)
            world.advance(world.now_us + 100_000)
            vane.read()
        print(world.now_us, vane.edges, vane.age_us(ticks_us()), int(vane.check()))


if "stalls" in sys.argv:
    stalls("unheld" not in sys.argv, "late" in sys.argv)
elif "days" in sys.argv:
    long_steps()
elif "dead" in sys.argv:
    dead()
