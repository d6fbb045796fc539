"""Who this board is: a hash over its own files, what started it, what runs it."""

import hashlib
import os
import sys

import machine

import version

CAUSES = ("PWRON_RESET", "HARD_RESET", "WDT_RESET", "DEEPSLEEP_RESET", "SOFT_RESET", "BROWNOUT_RESET")


def digits(data):
    """Bytes as hex digits."""
    return "".join("%02x" % byte for byte in data)


def build():
    """The first 16 hex digits of the SHA-256 over names and contents of all files of this firmware."""
    folder = version.__file__
    folder = folder[: folder.rfind("/") + 1]
    whole = hashlib.sha256()
    block = bytearray(512)
    for name in sorted(version.FILES):
        whole.update(name.encode() + b"\0")
        try:
            with open(folder + name, "rb") as file:
                n = file.readinto(block)
                while n:
                    whole.update(block[:n])
                    n = file.readinto(block)
        except OSError:
            whole.update(b"missing")
        whole.update(b"\0")
    return digits(whole.digest()[:8])


def cause():
    """What started the board, in the port's own word."""
    if not hasattr(machine, "reset_cause"):
        return "unknown"
    code = machine.reset_cause()
    for name in CAUSES:
        if getattr(machine, name, None) == code:
            return name[:-6].lower()
    return "unknown"


def micropython():
    """Version of MicroPython."""
    return ".".join(str(part) for part in sys.implementation.version[:3])


def board_id():
    """The chip's own number, where it has one."""
    return digits(machine.unique_id()) if hasattr(machine, "unique_id") else ""


def mpy():
    """What .mpy files it would take."""
    return getattr(sys.implementation, "_mpy", 0) & 0xFFFF
