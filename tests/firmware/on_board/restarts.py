# ruff: noqa
"""What ends the firmware, and what happens then. Argument: crash, interrupt, watchdog or log."""

import os
import sys

import machine
import micropython
import settings
from world import Restart, world

WHAT = sys.argv[1]


class Ended(Exception):
    pass


def fake_app(run, build=lambda: None):
    class made:
        pass

    made.run = run
    made.build = build
    sys.modules["app"] = made


def run_main():
    """Whether main.py asked for a restart."""
    sys.modules.pop("main", None)
    try:
        import main
    except Restart:
        return True
    return False


if WHAT == "crash":
    import crash

    def broken():
        {}['a key that is not there, and a "quote"']

    fake_app(broken)
    start_us = world.now_us
    assert run_main()
    text = crash.read()
    assert "KeyError" in text and "restarts.py" in text, text
    assert '"' not in text and "\n" not in text and len(text) <= 240
    assert world.now_us - start_us >= 2_000_000  # time to see the LED
    # The same crash is not written again; another one is.
    os.remove("crash.txt")
    with open("crash.txt", "w") as file:
        file.write(text)
    before = os.stat("crash.txt")
    assert run_main() and crash.read() == text
    fake_app(lambda: 1 // 0)
    assert run_main() and "ZeroDivisionError" in crash.read()
    crash.forget()
    assert crash.read() == ""
elif WHAT == "settings":
    # Choices that the firmware cannot start with are set aside, once it has run they are not.
    def no_such_pin():
        raise ValueError("invalid pin")

    assert settings.choose("rate_hz", "20") == ""
    fake_app(no_such_pin)
    assert run_main() and "settings.json" in os.listdir()
    fake_app(None, no_such_pin)
    assert run_main() and "settings.json" not in os.listdir()
    settings.load()
    assert settings.refused == ["settings.bad"] and settings.values["rate_hz"] == 50
    assert settings.choose("rate_hz", "20") == ""
    settings.load()
    assert settings.refused == [] and settings.values["rate_hz"] == 20
    os.remove("settings.json")
elif WHAT == "interrupt":
    # Ctrl-C passes through to the prompt: no note, no restart.
    def interrupted():
        raise KeyboardInterrupt

    fake_app(interrupted)
    try:
        run_main()
        raise Ended("Ctrl-C was swallowed")
    except KeyboardInterrupt:
        pass
    assert "crash.txt" not in os.listdir()
elif WHAT == "watchdog":
    # In field mode a loop that hangs is started again; without it nothing is.
    import app as board
    from bus import Bus
    from cues import Cues
    from vane import open_vane

    def made():
        pin = machine.Pin
        return board.App(
            micropython.RingIO(64), None, open_vane(), Bus(), pin(settings.values["pin_button"], pin.IN), Cues()
        )

    app = made()
    app.begin()
    app.cycle()
    world.advance(world.now_us + 20_000_000)  # no watchdog: nothing happens
    app.watchdog = machine.WDT(timeout=settings.WATCHDOG_MS)
    for _ in range(1000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    try:
        world.advance(world.now_us + settings.WATCHDOG_MS * 1000 + 1)
        raise Ended("no watchdog")
    except Restart:
        pass
    assert machine.reset_cause() == machine.WDT_RESET

    # A log that takes 3 s for each of many blocks does not bring it on.
    app = made()
    app.begin()
    app.watchdog = app.unheard.watchdog = machine.WDT(timeout=settings.WATCHDOG_MS)
    log, left = app.unheard.log, [6]

    def slow_write():
        world.advance(world.now_us + 3_000_000)
        log.n_waiting = left[0] = left[0] - 1
        return True

    log.n_waiting, log.write, log.take = 6, slow_write, lambda ring, seq: left[0] == 0
    app.unheard.logging, app.unheard.resting = True, False
    assert app.unheard.finish() and left[0] == 0
elif WHAT == "full":
    # A log that is full is told once, with a cue; the full rate goes on in memory, and flash is not asked again.
    import app as board
    from bus import Bus
    from cues import Cues
    from vane import open_vane

    pin = machine.Pin
    app = board.App(
        micropython.RingIO(64), None, open_vane(), Bus(), pin(settings.values["pin_button"], pin.IN), Cues()
    )
    asked = []
    app.unheard.log.free_kib = lambda: asked.append(1) or 100
    app.begin()
    played = []
    app.cues.play = lambda name: played.append(name)
    for _ in range(2000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    before = app.outbox.ring.seq
    for _ in range(1000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert app.outbox.ring.seq - before >= 1000  # the full rate, not means
    assert app.unheard.log.failed == b"full" and not app.unheard.logging
    assert len(asked) == 1, asked
    assert played == [b"trouble"], played
elif WHAT == "means":
    # Means are rounded to the nearest count, over both signs, and leave out what is not valid.
    from unheard import Unheard

    class Parts:
        raw_dp = raw_temp = n_waiting = 0
        counts_per_pa = 240
        failed = b""

        def files(self):
            return []

    made = []
    parts = Parts()
    parts.sample = lambda *fields: made.append(fields)
    for counts in ((100, 101, 101), (-100, -101, -101), (32767, 32767, 32766), (-32767, -32767, -32766), (1, -1, 1)):
        alone = Unheard(parts, parts, parts, parts, True)
        alone.logging = True
        for i, dp in enumerate(counts + (999,)):
            parts.raw_dp, parts.raw_temp = dp & 0xFFFF, -dp & 0xFFFF
            alone.sample(50_000, 0, 0, 3 if i == 3 else 0)
        wanted = round(sum(counts) / 3)
        assert made[-1][2:] == (wanted & 0xFFFF, -wanted & 0xFFFF, 0x20), (counts, made[-1])
    alone = Unheard(parts, parts, parts, parts, True)
    alone.logging = True
    for i in range(4):
        alone.sample(50_000, 0, 0, 3)
    assert made[-1][4] == 0x23
else:
    # Flash that refuses: said once, sampling goes on at the full rate.
    import app as board
    from bus import Bus
    from cues import Cues
    from vane import open_vane

    with open("log", "w") as file:
        file.write("a file where the folder should be")
    pin = machine.Pin
    app = board.App(
        micropython.RingIO(64), None, open_vane(), Bus(), pin(settings.values["pin_button"], pin.IN), Cues()
    )
    app.begin()
    for _ in range(1500):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert app.unheard.log.failed
    ring, faults = app.outbox.ring, 0
    out = bytearray(512)
    for seq in range(ring.seq):
        n = ring.line_into(out, 0, seq)
        faults += b'"sensor":"log"' in bytes(out[:n])
    assert faults == 1, faults
    os.remove("log")
print("all right")
