# ruff: noqa
"""Plays the cues named in `plan.json` (rows of cycle, name) on a grid of so many us.

`plan.json`: {"grid_us", "jitter_us", "n_cycles", "plays": [[cycle, name], ...],
"without": [pins that are not there], "stall": [cycle, us]}.
What is heard goes to the file that HOODTRACE_HEARD names; writing it allocates, so only without it is the heap locked.
"""

import json
import os
import random

import gc
import micropython
import settings
from cues import CUES, Cues
from time import sleep_us
from world import world

with open("plan.json") as file:
    plan = json.load(file)
for name in plan["without"]:
    settings.values[name] = -1


def run(cues, n_cycles, grid_us, jitter_us, due, names, stall_at, stall_us):
    i = 0
    for cycle in range(n_cycles):
        elapsed_us = grid_us + (random.randint(-jitter_us, jitter_us) if jitter_us else 0)
        if cycle == stall_at:
            elapsed_us += stall_us
        sleep_us(elapsed_us)
        while i < len(due) and due[i] == cycle:
            started = cues.play(names[i])
            assert started
            i += 1
        cues.step(elapsed_us)


cues = Cues()
due = tuple(row[0] for row in plan["plays"])
names = tuple(row[1].encode() for row in plan["plays"])
stall_at, stall_us = plan["stall"]
random.seed(5)
locked = not os.getenv("HOODTRACE_HEARD")
gc.collect()
if locked:
    micropython.heap_lock()
run(cues, plan["n_cycles"], plan["grid_us"], plan["jitter_us"], due, names, stall_at, stall_us)
if locked:
    micropython.heap_unlock()
for wrong in (b"", b"low", b"Done", b"done ", b"doneX", b"turn", b"turn-more\n"):
    assert not cues.play(wrong), wrong
line = b"C cue turn-less 00"
assert cues.play_named(line, 6, 15) and not cues.play_named(line, 6, 14)
print("all right", " ".join(cue[0].decode() for cue in CUES))
