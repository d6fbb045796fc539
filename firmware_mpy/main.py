"""Runs when the board gets power. Ctrl-C ends it and gives the prompt, which is how new files get in.

With the button held, or after `maintain`, the firmware does not start and there is no watchdog: the prompt is there at
once, whatever is wrong with the rest. An error that nobody caught is written down and the board starts again.
"""

import os
from time import sleep_ms

import machine

import settings


def wanted():
    """Whether the firmware is to start."""
    try:
        os.remove(settings.MAINTAIN_FILE)
        return False
    except OSError:
        pass
    try:
        button = machine.Pin(settings.values["pin_button"], machine.Pin.IN, machine.Pin.PULL_UP)
    except ValueError:
        return True  # a pin without a pull-up, say: `start` tells
    for _ in range(4):
        if button.value():
            return True
        sleep_ms(10)
    return False


def start():
    """Run until something breaks; then note it, show it, and start again."""
    started = False
    try:
        import app

        app.build()
        started = True
        settings.did_start()
        app.run()
    except Exception as error:
        try:
            tell(error, started)
        except Exception:
            pass  # starting again matters more
        machine.reset()


def tell(error, started):
    """Note what happened, and show it for two seconds."""
    import crash

    crash.note(error)
    if not started:
        settings.did_not_start()
    pin = settings.values["pin_led"]
    led = machine.Pin(pin, machine.Pin.OUT) if pin >= 0 else None
    for i in range(20):
        if led is not None:
            led.value(i & 1)
        sleep_ms(100)


if wanted():
    start()
else:
    print("hoodtrace does not start: this is the prompt")
