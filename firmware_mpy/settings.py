"""What is soldered and what is chosen.

Upper-case names are constants of this firmware. What a person may choose stands in CHOICES with its limits; `load`
reads the choices made from `settings.json` on the board into `values`, which stay as they are until the next boot;
`choose` checks one against `chosen` and writes the file, so that a cut of power leaves the old file or the new one.
What does not fit its limits, or is no pin of this board, is left at its default and named in `refused`.
"""

import json
import os
import sys

import machine

from pins import PINS, TAKEN

FILE = "settings.json"
NEW_FILE = "settings.new"
BAD_FILE = "settings.bad"  # choices that the firmware could not start with
UNSTARTED_FILE = "unstarted"  # the last start did not get as far as the first sample
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

PIN_HIGHEST = 48  # of any board; `_is_there` asks the one at hand
_PINS = PINS.get(sys.platform, PINS["rp2"])
_TAKEN = TAKEN.get(sys.platform, ())

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

values = {}  # what counts now
chosen = {}  # what counts from the next boot
refused = []  # names in the file, or the file itself, that were not taken


def fits(name, value):
    """Whether that choice may have this value, whatever the others have."""
    rule = CHOICES.get(name)
    if rule is None:
        return False
    if len(rule) == 1:
        return value is True or value is False
    if len(rule) == 2:
        return value in rule[1]
    if type(value) is not int or not rule[1] <= value <= rule[2]:
        return False
    return not name.startswith("pin_") or value < 0 or _is_there(name, value)


def _is_there(name, number):
    # Whether the board has that pin, and for what is wanted of it.
    try:
        pin = machine.Pin(number)
        if name == "pin_supply":
            machine.ADC(pin)
    except ValueError:
        return False
    return number not in _TAKEN


def _twice(of, name):
    # Whether another choice in `of` has the same pin.
    return name.startswith("pin_") and of[name] >= 0 and any(
        of[other] == of[name] for other in of if other != name and other.startswith("pin_")
    )


def load():
    """Take the defaults, then what the file says, in whatever order it says it."""
    _load()
    chosen.update(values)


def _load():
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
    for name in sorted(found):
        if fits(name, found[name]):
            values[name] = found[name]
        else:
            refused.append(name)
    # Each that is taken back has its default, which may be a pin that another one chose: look again from the start.
    again = True
    while again:
        again = False
        for name in sorted(found):
            if name not in refused and _twice(values, name):
                values[name] = CHOICES[name][0]
                refused.append(name)
                again = True
                break


def choose(name, text):
    """Take a choice given as text into the file; it counts from the next boot. Why not, or nothing."""
    try:
        value = json.loads(text)
    except ValueError:
        value = text
    if name not in CHOICES:
        return "no such setting"
    wanted = dict(chosen)
    wanted[name] = value
    if not fits(name, value) or _twice(wanted, name):
        return "does not fit: " + rule_words(name)
    differ = {}
    for other in wanted:
        if wanted[other] != CHOICES[other][0]:
            differ[other] = wanted[other]
    try:
        with open(NEW_FILE, "w") as file:
            json.dump(differ, file)
        os.rename(NEW_FILE, FILE)
    except OSError:
        return "flash refused it"
    chosen[name] = value
    _remove(BAD_FILE)
    return ""


def did_start():
    """The firmware got as far as its first sample."""
    _remove(UNSTARTED_FILE)


def did_not_start():
    """It did not. The second time in a row the choices are taken away from the next start, which tells."""
    try:
        os.stat(UNSTARTED_FILE)
    except OSError:
        open(UNSTARTED_FILE, "w").close()
        return
    _remove(UNSTARTED_FILE)
    try:
        os.rename(FILE, BAD_FILE)
    except OSError:
        pass  # nothing was chosen


def _remove(path):
    try:
        os.remove(path)
    except OSError:
        pass


def rule_words(name):
    """What a choice may be, in words."""
    rule = CHOICES[name]
    if len(rule) == 1:
        return "true or false"
    if len(rule) == 2:
        return " or ".join(rule[1])
    if name.startswith("pin_"):
        return "a pin that this board has and nothing else uses" + ("" if rule[1] else ", or none: -1")
    return "a whole number from %d to %d" % (rule[1], rule[2])


load()
