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
    # Choices that the firmware cannot start with twice in a row are set aside; once it has run they are not.
    def no_such_pin():
        raise ValueError("invalid pin")

    def nothing():
        pass

    assert settings.choose("rate_hz", "20") == ""
    fake_app(no_such_pin)
    for _ in range(3):
        assert run_main() and "settings.json" in os.listdir()
    for _ in range(3):
        fake_app(nothing, no_such_pin)
        assert run_main() and "settings.json" in os.listdir()
        fake_app(no_such_pin)  # it started well: no row
        assert run_main() and "settings.json" in os.listdir()
    fake_app(nothing, no_such_pin)
    assert run_main() and "settings.json" in os.listdir()
    assert run_main() and "settings.json" not in os.listdir()
    settings.load()
    assert settings.refused == ["settings.bad"] and settings.values["rate_hz"] == 50
    assert settings.choose("rate_hz", "20") == ""
    settings.load()
    assert settings.refused == [] and settings.values["rate_hz"] == 20
    os.remove("settings.json")
    settings.load()
    # Whatever is wrong with the LED, with the note, with flash: the board starts again, and does not stop at the prompt.
    import crash

    for name, value in (("pin_led", 40), ("pin_button", 40)):
        settings.values[name] = value
        assert run_main(), name
    crash_note, crash.note = crash.note, no_such_pin
    assert run_main()
    crash.note = crash_note
    settings.load()
    # What `choose` takes counts from the next boot, what it refuses never.
    for name, value in (("pin_led", "40"), ("pin_button", "30"), ("pin_supply", "22"), ("pin_vane", "16")):
        assert settings.choose(name, value).startswith("does not fit"), name
    assert settings.choose("pin_supply", "27") == "" and settings.choose("pin_led", "22") == ""
    assert settings.choose("pin_buzzer", "22").startswith("does not fit") and settings.choose("pin_vane", "17") == ""
    assert settings.values["pin_supply"] == -1 and settings.chosen["pin_supply"] == 27
    settings.load()
    assert not settings.refused and [settings.values["pin_" + name] for name in ("supply", "led", "vane")] == [
        27,
        22,
        17,
    ]
    # In whatever order a file says it, the same is taken, and no pin twice.
    rows = [[]]
    for name in ("pin_button", "pin_led", "pin_vane", "rate_hz"):
        rows = [row[:i] + [name] + row[i:] for row in rows for i in range(len(row) + 1)]
    assert len(rows) == 24
    for wanted, refused in (
        ({"pin_button": 20, "pin_vane": 14, "pin_led": 15, "rate_hz": 25}, []),
        ({"pin_button": 20, "pin_vane": 14, "pin_led": 14, "rate_hz": 25}, ["pin_led"]),
        ({"pin_button": 15, "pin_vane": 14, "pin_led": 16, "rate_hz": 25}, ["pin_led"]),
        ({"pin_button": 99, "pin_vane": 14, "pin_led": 15, "rate_hz": 25}, ["pin_button", "pin_vane", "pin_led"]),
    ):
        for row in rows:
            with open("settings.json", "w") as file:
                file.write("{%s}" % ", ".join('"%s": %d' % (name, wanted[name]) for name in row))
            settings.load()
            assert settings.refused == refused, (row, settings.refused)
            for name in wanted:
                value = settings.CHOICES[name][0] if name in refused else wanted[name]
                assert settings.values[name] == value, (row, name)
    os.remove("settings.json")
elif WHAT == "memory":
    # No memory for the note of a crash: the board starts again.
    import crash

    def short():
        raise MemoryError

    fake_app(short)
    crash.open = lambda *_: short()
    assert run_main() and "crash.txt" not in os.listdir()
elif WHAT == "countdowns":
    # Days with nobody there: nothing that counts time leaves what a board holds without allocating.
    import app as board
    from bus import Bus
    from cues import Cues
    from vane import open_vane

    pin = machine.Pin
    app = board.App(
        micropython.RingIO(64), None, open_vane(), Bus(), pin(settings.values["pin_button"], pin.IN), Cues()
    )
    app.begin()
    unheard = app.unheard
    for resting in (True, False):
        for step_us in (20_000, 1 << 24):
            for _ in range(300):
                unheard.resting = resting
                unheard.sample(step_us, 0, 0, 3)
                unheard.step(step_us)
                app.button.feed(False, step_us)
                app.cues.step(step_us)
                app._say_in_turn(step_us)
                for part in (app, unheard, unheard.log, app.button, app.cues, app.supply, app.dp, app.air, app.outbox):
                    for name, value in part.__dict__.items():
                        assert type(value) is not int or abs(value) < 1 << 30, (name, value)
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
    ring, out, begun = app.outbox.ring, bytearray(512), 0
    for seq in range(ring.seq - ring.held, ring.seq):
        begun += b'"state":"begins"' in bytes(out[: ring.line_into(out, 0, seq)])
    assert begun == 1, begun
    assert played == [b"trouble"], played
elif WHAT == "means":
    # Means are rounded to the nearest count, over both signs, and leave out what is not valid.
    from unheard import Unheard

    class Parts:
        raw_dp = raw_temp = n_waiting = 0
        counts_per_pa = 240
        failed = b""

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
    log = app.unheard.log
    # Asked again after 10 s, 20 s, 40 s, not in each cycle; the board asks for itself and a command at once.
    assert log.failed == b"error" and app.unheard.state() == b"error"
    tries, begin = [], log._begin
    log._begin = lambda: tries.append(world.now_us) or begin()
    for _ in range(5000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert [round((b - a) / 20e6) for a, b in zip(tries, tries[1:])] == [2], tries
    log._begin = begin
    ring, faults = app.outbox.ring, 0
    out = bytearray(512)
    for seq in range(ring.seq):
        n = ring.line_into(out, 0, seq)
        faults += b'"sensor":"log"' in bytes(out[:n])
    assert faults == 1, faults
    os.remove("log")
    for _ in range(5000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert log.failed == b"" and app.unheard.state() == b"ok" and log.n_files == 1, (log.failed, log.n_files)
    # Memory that is short is no reason to stop either, and leaves no empty file behind.
    import flog

    def refuse(*_):
        raise MemoryError

    app.unheard.finish()
    log.close()
    names = os.listdir("log")
    flog.open = refuse
    for _ in range(3000):
        world.advance(world.now_us + 20_000)
        app.cycle()
    assert log.failed == b"error" and os.listdir("log") == names

    class Full:
        def write(self, data):
            raise OSError(5)

        def close(self):
            pass

    flog.open = lambda path, mode: open(path, mode).close() or Full()
    assert not app.unheard.finish() and log.failed == b"error" and os.listdir("log") == names
    del flog.open
    assert app.unheard.finish() and log.failed == b"" and len(os.listdir("log")) == len(names) + 1
print("all right")
