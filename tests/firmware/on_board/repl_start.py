# ruff: noqa
"""Starts a board that has a prompt: the current folder is its file system, its main.py runs if it is there.

The fake machine layer stands in front of the board's own files. `machine.reset()` ends the process with 42, which its
keeper takes for a reset; with HOODTRACE_SOFT in the environment main.py does not run (MicroPython's soft reset into
the raw prompt).
"""

import os
import sys

fake = os.getenv("HOODTRACE_FAKE")
sys.path[:] = [fake, "", ".frozen"]

import machine
import time
import select


def reset():
    sys.stdout.buffer.write(b"")
    sys.exit(42)


machine.reset = reset
if not os.getenv("HOODTRACE_SOFT"):
    try:
        os.stat("main.py")
        there = True
    except OSError:
        there = False
    if there:
        import main
