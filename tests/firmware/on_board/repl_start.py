# ruff: noqa
"""Starts a board that has a prompt: its main.py runs if it is there.

Its file system is the current folder, or with HOODTRACE_FLASH the littlefs in that image, mounted at the root as on a
board (the computer's files are then under /host). It tells its keeper by files whose names begin with HOODTRACE_SIGNS:
`up` once it listens, `reset` at a reset, whereupon it waits for its end (MicroPython would go to its prompt instead).
With HOODTRACE_SOFT main.py does not run (a soft reset into the raw prompt). A watchdog bites only while the firmware
runs, not at the prompt.
"""

import os
import sys

fake = os.getenv("HOODTRACE_FAKE")
image = os.getenv("HOODTRACE_FLASH")
sys.path[:] = [fake, "", ".frozen"]
if image:
    import flash
    import vfs

    device = flash.Flash(image)
    vfs.mount(vfs.VfsPosix("/"), "/host")
    vfs.umount("/")
    try:
        system = vfs.VfsLfs2(device, progsize=flash.PAGE)
    except OSError:
        vfs.VfsLfs2.mkfs(device, progsize=flash.PAGE)
        system = vfs.VfsLfs2(device, progsize=flash.PAGE)
    vfs.mount(system, "/")
    os.chdir("/")
    sys.path[0] = "/host" + fake

import machine
import time
import select
import utime


def sign(name):
    with open(os.getenv("HOODTRACE_SIGNS") + name, "w"):
        pass


def reset(cause="reset", off_us=0):
    sign("reset")
    while True:
        utime.sleep_ms(10)


machine.reset = machine.world.reboot = reset
sign("up")
if not os.getenv("HOODTRACE_SOFT"):
    try:
        os.stat("main.py")
        there = True
    except OSError:
        there = False
    if there:
        import main
