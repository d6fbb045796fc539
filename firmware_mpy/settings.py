"""What is soldered and what is chosen.

Upper-case names are constants of this firmware. What a person may choose stands in CHOICES with its limits; `load`
reads the choices made from `settings.json` on the board, `choose` checks one and writes the file, so that a cut of
power leaves the old file or the new one. What does not fit its limits is left at its default and named in `refused`.
"""

import json
import os
import sys

from pins import PINS

FILE = "settings.json"
NEW_FILE = "settings.new"
BAD_FILE = "settings.bad"  # choices that the firmware could not start with
MAINTAIN_FILE = "maintain"  # where it is, the next start, and only that, gives the prompt

I2C_TIMEOUT_US = 5_000
RATE_MAX_HZ = 100
AIR_EVERY_US = 5_000_000
HELLO_EVERY_US = 10_000_000
STATUS_EVERY_US = 60_000_000
LEASE_US = 3_000_000  # the board streams this long after each `keep`
GRACE_US = 10_000_000  # then it waits this long for the host to come back before it logs
LOG_EVERY_US = 200_000  # one line of the log, a mean over that time
REST_US = 60_000_000  # with no air moving for so long there is nothing to log
WATCHDOG_MS = 8_000  # the RP2040's longest is 8388

RING_LINES = 4096  # at most; a power of two; 22 bytes each: 82 s at 50 lines a second
RING_TEXT = 16384  # a power of two; bytes for the J lines among them
KEEP_FREE = 49_152  # bytes of memory that the ring leaves to everything else

BOARD = None  # None: what MicroPython calls the board
BOOT = None  # None: random at each boot; else 8 hex digits

PIN_HIGHEST = 48
_PINS = PINS.get(sys.platform, PINS["rp2"])

# name: (default, lowest, highest), or (default, words that may stand there), or (default,) for true and false
CHOICES = {
    "rate_hz": (50, 1, RATE_MAX_HZ),
    "edges_per_rev": (4, 1, 64),
    "counting": ("best", ("best", "pin")),
    "filter_us": (250, 50, 1000),
    "dp": ("sdp", ("sdp", "none")),
    "air": ("bme280", ("bme280", "none")),
    "log": (True,),
    "field": (False,),
    "i2c_id": (0, 0, 1),
    "i2c_hz": (100_000, 10_000, 400_000),
    "pin_supply": (-1, -1, PIN_HIGHEST),
    "supply_low_mv": (3300, 0, 12_000),
    "supply_parts": (2, 1, 10),
}
for _name in _PINS:
    CHOICES["pin_" + _name] = (_PINS[_name], -1 if _name in ("buzzer", "led") else 0, PIN_HIGHEST)

values = {}
refused = []  # names in the file, or the file itself, that were not taken


def fits(name, value):
    """Whether that choice may have this value."""
    rule = CHOICES.get(name)
    if rule is None:
        return False
    if len(rule) == 1:
        return value is True or value is False
    if len(rule) == 2:
        return value in rule[1]
    if type(value) is not int or not rule[1] <= value <= rule[2]:
        return False
    return not name.startswith("pin_") or value < 0 or all(
        values.get(other) != value for other in CHOICES if other != name and other.startswith("pin_")
    )


def load():
    """Take the defaults, then what the file says."""
    for name in CHOICES:
        values[name] = CHOICES[name][0]
    del refused[:]
    try:
        os.stat(BAD_FILE)
        refused.append(BAD_FILE)
    except OSError:
        pass
    try:
        with open(FILE) as file:
            found = json.load(file)
    except OSError:
        return  # nothing was ever chosen
    except ValueError:
        found = None
    if type(found) is not dict:
        refused.append(FILE)
        return
    for name in found:
        if fits(name, found[name]):
            values[name] = found[name]
        else:
            refused.append(name)


def choose(name, text):
    """Take a choice given as text into the file; it counts from the next boot. Why not, or nothing."""
    try:
        value = json.loads(text)
    except ValueError:
        value = text
    if name not in CHOICES:
        return "no such setting"
    if not fits(name, value):
        return "does not fit: " + rule_words(name)
    chosen = {}
    for other in values:
        if values[other] != CHOICES[other][0]:
            chosen[other] = values[other]
    chosen[name] = value
    try:
        with open(NEW_FILE, "w") as file:
            json.dump(chosen, file)
        os.rename(NEW_FILE, FILE)
    except OSError:
        return "flash refused it"
    values[name] = value
    try:
        os.remove(BAD_FILE)
    except OSError:
        pass
    return ""


def set_aside():
    """Take the choices away from the next start; it has the defaults, and names the file in `refused`."""
    try:
        os.rename(FILE, BAD_FILE)
    except OSError:
        pass


def rule_words(name):
    """What a choice may be, in words."""
    rule = CHOICES[name]
    if len(rule) == 1:
        return "true or false"
    if len(rule) == 2:
        return " or ".join(rule[1])
    return "a whole number from %d to %d%s" % (rule[1], rule[2], ", no pin twice" if name.startswith("pin_") else "")


load()
