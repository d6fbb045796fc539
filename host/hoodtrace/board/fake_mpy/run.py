"""Powers the virtual board: the firmware's main.py, and again after each loss of power.

Environment: HOODTRACE_WORLD (folder), HOODTRACE_CLOCK (real, fast, free), HOODTRACE_BOOT_SEED (a number; without it
boot ids are random), HOODTRACE_FIRMWARE (its folder), HOODTRACE_FLASH (an image file: the board's file system, a real
littlefs; without it the current folder). sys.path has this folder in front of the firmware's, so that
the firmware's `machine`, `time` and `select` are the ones here.
"""

import gc
import os
import sys

import machine
import select
import time
from world import Restart, world

FLASH = os.getenv("HOODTRACE_FLASH")
if FLASH:
    import flash

    flash.mount()

import settings


def import_fast():
    """Import the firmware's machine-code part; as bytecode where this MicroPython makes no machine code."""
    try:
        import fast
    except SyntaxError:
        import builtins

        builtins.ptr8 = builtins.ptr16 = lambda data: data
        with open(os.getenv("HOODTRACE_FIRMWARE") + "/fast.py") as file:
            text = file.read().replace("@micropython.viper", "")
        fast = type(sys)("fast")
        exec(text, fast.__dict__)
        sys.modules["fast"] = fast
    return fast


def boot_id(seed, n_boots):
    """8 hex digits that depend on both numbers (Knuth's multiplicative hash)."""
    return "%08x" % ((seed * 2654435761 + n_boots * 40503 * 65537 + 1) & 0xFFFFFFFF)


def power():
    """Boot, and boot again after each Restart; ends when the host hangs up."""
    seed = os.getenv("HOODTRACE_BOOT_SEED")
    settings.BOARD = os.getenv("HOODTRACE_RUNTIME")
    settings.CHOICES["edges_per_rev"] = (world.edges_per_rev,) + settings.CHOICES["edges_per_rev"][1:]
    if world.clock == "free":
        settings.LEASE_US = 1 << 60  # one `keep` and nobody needs to say it again
    import_fast()
    stay = set(sys.modules)
    n_boots = 0
    while True:
        settings.load()
        settings.BOOT = boot_id(int(seed), n_boots) if seed else None
        n_boots += 1
        try:
            import main

            return  # the prompt
        except Restart:
            for name in list(sys.modules):
                if name not in stay:
                    del sys.modules[name]
            gc.collect()


power()
