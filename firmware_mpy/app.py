"""The board's one loop: on a fixed grid take a sample, keep it, send it, answer the host.

The board always samples. It streams only while it hears `keep` (the lease), and answers every good command; with nobody
listening it logs (unheard.py). A write that comes back short means that nobody reads: the lease ends at once. From
the first sample on a cycle of a measurement allocates nothing; memory is tidied only when a lease ends. A cycle that is
late by more than a period is flagged and the grid starts anew: no bursts.
"""

import gc
import os
import sys
from time import sleep_us, ticks_add, ticks_diff, ticks_us

import machine

import crash
import identity
import settings
from again import Again
from air import Air
from bus import Bus
from button import DOUBLE, LONG, SHORT, Button
from core import Clock
from cues import Cues
from dp import Dp
from fast import RECORD
from flog import Log
from orders import Orders
from outbox import Outbox
from supply import Supply
from unheard import Unheard
from vane import open_vane
from version import FIRMWARE, PROTOCOL

BUTTON_DOWN, LATE, SUPPLY_LOW = 0x04, 0x08, 0x40  # bits of a line's FLAGS
TEMP_COUNTS_PER_K = 200
CHECK_EVERY_US = 1_000_000
PRESSES = {SHORT: b"short", LONG: b"long", DOUBLE: b"double"}


def ring_lines():
    """As many lines as leave enough memory for the rest: a power of two."""
    n = settings.RING_LINES
    free = gc.mem_free()
    while n > 256 and free and n * RECORD + settings.RING_TEXT + settings.KEEP_FREE > free:
        n >>= 1
    return n


class App:
    """The loop's state; `cycle` is one pass. What touches the world is handed in, so that others can take its place."""

    def __init__(self, reader, writer, vane, bus, button_pin, cues, watchdog=None):
        choice = settings.values
        self.vane = vane
        self.bus = bus
        self.dp = Dp(bus, choice["dp"] != "none")
        self.air = Air(bus, choice["air"] != "none")
        self.button_pin = button_pin
        self.button = Button()
        self.cues = cues
        self.supply = Supply()
        self.watchdog = watchdog
        self.boot = (settings.BOOT or identity.digits(os.urandom(4))).encode()
        name = settings.BOARD or getattr(sys.implementation, "_machine", sys.platform)
        self.board = crash.plain(name)[:60].encode()
        self.build = identity.build().encode()
        self.cause = identity.cause().encode()
        self.clock = Clock()
        log = Log(self.boot.decode())
        gc.collect()
        self.outbox = Outbox(writer, self.clock, ring_lines(), settings.RING_TEXT)
        self.unheard = Unheard(self.outbox, log, vane, self.dp, choice["log"], watchdog)
        self.again = Again(self.outbox)
        self.orders = Orders(reader, self)
        self.set_rate(choice["rate_hz"])
        self.edges_per_rev = choice["edges_per_rev"]
        self.lease_us = 0
        self.late = False
        self.n_late = 0
        self._new_listener = False
        self.stop = False  # a restart was asked for
        self._down = False
        self._air_ok = True
        self._log_failed = b""
        self._hello_us = 0  # until the next of each
        self._air_us = 0
        self._check_us = 0
        self._status_us = settings.STATUS_EVERY_US
        self._firmware = FIRMWARE.encode()
        self.crashed = crash.read() != ""  # and nobody has read why

    def begin(self):
        """Give the pressure chip its time to start, so that the first line, SEQ 0, can say its scale."""
        self.air.read()
        for _ in range(20):
            self.dp.read(self.clock.read())
            if self.dp.running or not self.dp.fitted:
                break
            sleep_us(10_000)
        self.say_hello()
        self.dp.changed = False
        self._say_standing()
        gc.collect()

    def loop(self):
        """Cycles on the grid until a restart is asked for."""
        due = ticks_us()
        while not self.stop:
            wait_us = ticks_diff(due, ticks_us())
            if wait_us > 0:
                sleep_us(wait_us)
            elif wait_us < -self.period_us:
                self.late = True
                self.n_late = (self.n_late + 1) & 0xFFFFFF
                due = ticks_us()
            self.cycle()
            due = ticks_add(due, self.period_us)

    def cycle(self):
        """Sample, keep, send; then commands, what else there is to say, and lines asked for again."""
        vane, clock = self.vane, self.clock
        vane.read()  # before the time is taken: no edge is younger than its line
        now = clock.read()
        elapsed_us = clock.elapsed_us
        flags = self.dp.read(now)
        if self.late:
            flags |= LATE
            self.late = False
        if self.supply.low:
            flags |= SUPPLY_LOW
        down = self.button_pin.value() == 0
        if down:
            flags |= BUTTON_DOWN
        if self.lease_us > 0:
            self.lease_us -= elapsed_us
            if self.lease_us <= 0:
                self.end_lease()
        self.unheard.sample(elapsed_us, vane.edges, vane.age_us(now), flags)
        self.orders.read()
        self._look_at_button(down, elapsed_us)
        self._say_changes()
        self._say_in_turn(elapsed_us)
        if self.again.n_ranges and self.lease_us > 0:
            self.again.step()
        if self.lease_us <= 0:
            self.unheard.step(elapsed_us)
        self.orders.step()
        if not self.outbox.send():
            self.end_lease()
        self.cues.step(elapsed_us)
        if self.watchdog is not None:
            self.watchdog.feed()

    # ---- the lease

    def keep(self):
        """The host listens."""
        self.unheard.heard()
        if self.lease_us <= 0:
            self._hello_us = 0  # whoever begins to listen hears first who speaks, and then what is amiss
            self._new_listener = True
        self.lease_us = settings.LEASE_US
        self.outbox.listening = True

    def end_lease(self):
        """Nobody listens any more."""
        self.lease_us = 0
        self.outbox.listening = False
        self.again.clear()
        gc.collect()

    def set_rate(self, rate_hz):
        """Samples a second from now on."""
        self.rate_hz = rate_hz
        self.period_us = 1_000_000 // rate_hz

    # ---- what the board says by itself

    def say_hello(self, asked=False):
        """Who speaks, and what raw counts mean."""
        self._hello_us = settings.HELLO_EVERY_US
        outbox, dp = self.outbox, self.dp
        note = outbox.note
        outbox.start(b"hello")
        note.number(b"protocol", PROTOCOL)
        note.word(b"firmware", self._firmware)
        note.word(b"board", self.board)
        note.word(b"boot", self.boot)
        note.number(b"rate_hz", self.rate_hz)
        if dp.counts_per_pa:
            note.number(b"dp_counts_per_pa", dp.counts_per_pa)
            note.number(b"dp_temp_counts_per_k", TEMP_COUNTS_PER_K)
        if dp.product[0]:
            note.key(b"dp_product")
            note.raw(b'"')
            note.hex(dp.product[0], 4)
            note.hex(dp.product[1], 4)
            note.raw(b'"')
        note.word(b"build", self.build)
        note.number(b"logs", self.unheard.log.n_to_fetch())
        note.number(b"edges_per_rev", self.edges_per_rev)
        outbox.post(asked)

    def _look_at_button(self, down, elapsed_us):
        outbox = self.outbox
        if down != self._down:
            self._down = down
            outbox.start(b"button")
            outbox.note.truth(b"down", down)
            outbox.post()
        press = self.button.feed(down, elapsed_us)
        if press:
            outbox.start(b"button")
            outbox.note.word(b"press", PRESSES[press])
            outbox.post()
            if press == LONG and self.lease_us <= 0:
                # Nobody is there to obey it: whoever is about to pull the plug wants to know that all is kept.
                self.unheard.begin()
                self.cues.play(b"done" if self.unheard.finish() else b"trouble")

    def _say_changes(self):
        dp, unheard, outbox = self.dp, self.unheard, self.outbox
        if dp.changed:
            dp.changed = False
            outbox.fault(b"dp", b"found" if dp.running else b"lost")
            if dp.running:
                self.say_hello()
        if unheard.began:
            unheard.began = False
            self.say_hello()
        failed = unheard.log.failed
        if failed != self._log_failed:
            self._log_failed = failed
            outbox.fault(b"log", failed or b"well again")
            if failed:
                self.cues.play(b"trouble")

    def _say_standing(self):
        # What is amiss already, for one who was not there when it began.
        outbox = self.outbox
        if settings.refused:
            outbox.fault(b"settings", b"refused")
        if self.crashed:
            outbox.fault(b"crash", b"noted")
        if self.dp.fitted and not self.dp.running:
            outbox.fault(b"dp", b"lost")
        if not self._air_ok:
            outbox.fault(b"air", b"lost")
        if self.supply.low:
            outbox.fault(b"supply", b"low")
        if self.unheard.log.failed:
            outbox.fault(b"log", self.unheard.log.failed)

    def _say_in_turn(self, elapsed_us):
        # While it rests, nothing is said, and what was due stays due.
        self._hello_us = max(self._hello_us - elapsed_us, 0)
        self._air_us = max(self._air_us - elapsed_us, 0)
        self._check_us = max(self._check_us - elapsed_us, 0)
        self._status_us = max(self._status_us - elapsed_us, 0)
        outbox = self.outbox
        note = outbox.note
        if self._check_us <= 0:
            self._check_us = CHECK_EVERY_US
            if not self.vane.check():
                outbox.fault(b"vane", b"counting had stopped")
            if self.supply.read():
                self.unheard.supply_low = self.supply.low
                outbox.fault(b"supply", b"low" if self.supply.low else b"well again")
        if self.unheard.resting:
            return  # nobody listens and nothing happens
        if self._hello_us <= 0:
            self.say_hello()
        if self._new_listener:
            self._new_listener = False
            self._say_standing()
        if self._air_us <= 0:
            self._air_us = settings.AIR_EVERY_US
            air = self.air
            if air.read():
                outbox.start(b"air")
                note.number(b"temp_c", air.temp_centi_c, 2)
                note.number(b"rh_pct", air.humidity_centi_pct, 2)
                note.number(b"pressure_pa", air.pressure_pa)
                outbox.post()
            if air.fitted and air.running != self._air_ok:
                self._air_ok = air.running
                outbox.fault(b"air", b"found" if air.running else b"lost")
        if self._status_us <= 0:
            self._status_us = settings.STATUS_EVERY_US
            outbox.start(b"status")
            note.number(b"mem_free", gc.mem_free())
            note.number(b"late", self.n_late)
            note.number(b"bad_commands", self.orders.commands.n_bad)
            note.number(b"bad_dp", self.dp.n_bad)
            note.number(b"stalls", self.unheard.n_stalls)
            note.number(b"stall_us", self.unheard.longest_stall_us)
            note.number(b"bus_recoveries", self.bus.n_recoveries)
            outbox.post()


made = []  # the board, once it is built


def build():
    """Build the board from its settings, and say the first lines."""
    choice, pin = settings.values, machine.Pin
    button_pin = pin(choice["pin_button"], pin.IN, pin.PULL_UP)
    watchdog = machine.WDT(timeout=settings.WATCHDOG_MS) if choice["field"] else None
    # The byte streams: the text ones would turn LF into CR LF.
    app = App(sys.stdin.buffer, sys.stdout.buffer, open_vane(), Bus(), button_pin, Cues(), watchdog)
    app.begin()
    made.append(app)


def run():
    """Loop until a restart is asked for."""
    app = made[0]
    try:
        app.loop()
    finally:
        app.cues.stop()
    sleep_us(200_000)  # until the last reply has left over USB
    machine.reset()
