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
    button = machine.Pin(settings.values["pin_button"], machine.Pin.IN, machine.Pin.PULL_UP)
    for _ in range(4):
        if button.value():
            return True
        sleep_ms(10)
    return False


def start():
    """Run until something breaks; then note it, show it, and start again."""
    looping = False
    try:
        import app

        app.build()
        looping = True
        app.run()
    except Exception as error:
        import crash

        crash.note(error)
        if not looping:
            settings.set_aside()  # a pin that is not there, say: the next start has the defaults, and tells
        pin = settings.values["pin_led"]
        led = machine.Pin(pin, machine.Pin.OUT) if pin >= 0 else None
        for i in range(20):
            if led is not None:
                led.value(i & 1)
            sleep_ms(100)
        machine.reset()


if wanted():
    start()
else:
    print("hoodtrace does not start: this is the prompt")
