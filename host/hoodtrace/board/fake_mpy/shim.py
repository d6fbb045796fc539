"""Runs run.py under CPython: gives it the few things that only MicroPython has, then starts it.

Slower than MicroPython and with no proof about memory or 30 bits, but the same firmware files.
"""

import sys

here = sys.path.pop(0)  # or `select` and `time` would already be this folder's

import builtins
import gc
import importlib.util
import os
import select as real_select
import time as real_time
import traceback
import types


class Poll:
    """select.poll with MicroPython's ipoll."""

    def __init__(self):
        self._real = real_select.poll()

    def register(self, stream, events):
        self._real.register(stream, events)

    def ipoll(self, timeout):
        return self._real.poll(timeout)


class Raw:
    """A byte stream without a buffer, as MicroPython's are."""

    def __init__(self, fd):
        self._fd = fd

    def fileno(self):
        return self._fd

    def readinto(self, data):
        got = os.read(self._fd, len(data))
        data[: len(got)] = got
        return len(got)

    def write(self, data, n=None):
        return os.write(self._fd, data if n is None else memoryview(data)[:n])


def module(name, **contents):
    """Make a module and put it in place."""
    made = types.ModuleType(name)
    made.__dict__.update(contents)
    sys.modules[name] = made


def ilistdir(path="."):
    """Name, type, inode and size of what is in a folder."""
    for each in os.scandir(path):
        yield each.name, 0x4000 if each.is_dir() else 0x8000, each.inode(), each.stat().st_size


def start():
    """Replace, then run."""
    sys.path[:0] = [here, os.environ["HOODTRACE_FIRMWARE"]]
    builtins.ptr8 = builtins.ptr16 = lambda data: data
    gc.mem_free = lambda: 0
    os.ilistdir = ilistdir
    sys.print_exception = lambda error, file: traceback.print_exception(error, file=file)
    module("micropython", viper=lambda f: f, const=lambda x: x, heap_lock=lambda: 0, heap_unlock=lambda: 0)
    module("uselect", poll=Poll, POLLIN=real_select.POLLIN, POLLHUP=real_select.POLLHUP)
    module(
        "utime",
        ticks_us=lambda: real_time.monotonic_ns() // 1000,
        ticks_diff=lambda later, earlier: later - earlier,
        sleep_us=lambda us: real_time.sleep(us / 1e6),
    )
    sys.stdin = types.SimpleNamespace(buffer=Raw(0))
    sys.stdout = types.SimpleNamespace(
        buffer=Raw(1), flush=lambda: None, write=lambda text: os.write(1, text.encode())
    )
    for name in ("time", "select", "machine"):
        sys.modules.pop(name, None)
        spec = importlib.util.spec_from_file_location(name, os.path.join(here, name + ".py"))
        made = importlib.util.module_from_spec(spec)
        sys.modules[name] = made
        spec.loader.exec_module(made)
    import run  # noqa: F401


start()
