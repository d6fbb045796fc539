"""The board's one loop: on a fixed grid take a sample, keep it, send it, answer the host.

The board always samples and keeps; it streams only while it hears `keep` (the lease), and answers every good
command. A write that comes back short means that nobody reads: the lease ends at once and the next output begins with
LF, so that the torn line is noise and nothing else. From the first sample on a cycle allocates nothing; memory is
tidied only when a lease ends. A cycle that is late by more than a period is flagged and the grid starts anew: no bursts.
"""

import gc
import os
import select
import sys
from array import array
from time import sleep_us, ticks_add, ticks_diff, ticks_us

import machine

import settings
from air import Air
from commands import Commands
from core import LONGEST_NOTE, MASK_28, Clock, Note, Ring
from dp import Dp
from vane import PinVane
from version import FIRMWARE, PROTOCOL

BUTTON_DOWN, LATE = 4, 8  # bits of a line's FLAGS
TEMP_COUNTS_PER_K = 200
RESENDS_A_CYCLE = 4
RANGES = 8  # resend ranges that can wait
BYTES_A_CYCLE = 64  # of input


class App:
    """The loop's state; `cycle` is one pass. Its parts are handed in, so that others can stand in their place."""

    def __init__(self, reader, writer, vane, dp, air, button):
        self.reader = reader
        self.writer = writer
        self.vane = vane
        self.dp = dp
        self.air = air
        self.button = button
        self.clock = Clock()
        self.ring = Ring(settings.RING_LINES, settings.RING_TEXT)
        self.note = Note()
        self.commands = Commands()
        self.period_us = 1_000_000 // settings.RATE_HZ
        self.rate_hz = settings.RATE_HZ
        self.lease_us = 0
        self.late = False
        self.n_late = 0
        self.down = False
        self.boot = settings.BOOT or "%02x%02x%02x%02x" % tuple(os.urandom(4))
        self.board = settings.BOARD or getattr(sys.implementation, "_machine", sys.platform)
        self._poll = select.poll()
        self._poll.register(reader, select.POLLIN)
        self._poll.ipoll(0)  # makes, once, the tuple that it gives
        self._byte = bytearray(1)
        self._out = bytearray(2048)
        self._n_out = 0
        self._torn = False
        self._ranges = array("i", [0] * (3 * RANGES))  # next SEQ, last SEQ, SEQ of the command
        self._n_ranges = 0
        self._air_ok = True
        self._hello_us = 0  # until the next of each
        self._air_us = 0
        self._status_us = settings.STATUS_EVERY_US
        # Text that the loop sends is made bytes once.
        self._firmware, self._board, self._boot = FIRMWARE.encode(), self.board.encode(), self.boot.encode()

    def begin(self):
        """Give the pressure chip its time to start, so that the first line, SEQ 0, can say its scale."""
        self.air.read()
        for _ in range(20):
            self.dp.read(self.clock.read())
            if self.dp.running:
                break
            sleep_us(10_000)
        self._say_hello()
        self.dp.changed = not self.dp.running
        gc.collect()

    def loop(self):
        """Cycles for ever, on the grid."""
        due = ticks_us()
        while True:
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
        vane, dp, clock = self.vane, self.dp, self.clock
        vane.read()  # before the time is taken: no edge is younger than its line
        now = clock.read()
        flags = dp.read(now)
        if self.late:
            flags |= LATE
            self.late = False
        down = self.button.value() == 0
        if down:
            flags |= BUTTON_DOWN
        ring = self.ring
        ring.sample(clock, vane.edges, vane.age_us(now), dp.raw_dp, dp.raw_temp, flags)
        if self.lease_us > 0:
            self.lease_us -= clock.elapsed_us
            if self.lease_us > 0:
                self._n_out += ring.line_into(self._out, self._n_out, (ring.seq - 1) & MASK_28)
            else:
                self._end_lease()
        self._read_commands()
        if down != self.down:
            self.down = down
            self._start(b"button")
            self.note.truth(b"down", down)
            self._post()
        if dp.changed:
            dp.changed = False
            self._say_fault(b"dp", dp.running)
            if dp.running:
                self._say_hello()
        self._say_in_turn(clock.elapsed_us)
        if self._n_ranges and self.lease_us > 0:
            self._send_again()
        if self._n_out:
            self._write()

    # ---- to the host

    def _write(self):
        if self._torn:
            self._torn = False
            self.writer.write(b"\n")
        n_written = self.writer.write(self._out, self._n_out)
        if n_written != self._n_out:
            self._torn = True
            self._end_lease()
        self._n_out = 0

    def _end_lease(self):
        self.lease_us = 0
        self._n_ranges = 0
        gc.collect()

    def _start(self, kind):
        self.note.start(kind, self.ring.seq, self.clock)

    def _post(self, asked=False):
        # What the host asked for goes out with or without a lease.
        note = self.note
        note.finish()
        self.ring.note(self.clock, note)
        if asked or self.lease_us > 0:
            self._n_out += self.ring.line_into(self._out, self._n_out, (self.ring.seq - 1) & MASK_28)

    def _say_hello(self, asked=False):
        self._hello_us = settings.HELLO_EVERY_US
        note = self.note
        self._start(b"hello")
        note.number(b"protocol", PROTOCOL)
        note.word(b"firmware", self._firmware)
        note.word(b"board", self._board)
        note.word(b"boot", self._boot)
        note.number(b"rate_hz", self.rate_hz)
        if self.dp.counts_per_pa:
            note.number(b"dp_counts_per_pa", self.dp.counts_per_pa)
            note.number(b"dp_temp_counts_per_k", TEMP_COUNTS_PER_K)
        if self.dp.product:
            note.key(b"dp_product")
            note.raw(b'"')
            note.hex(self.dp.product[0], 4)
            note.hex(self.dp.product[1], 4)
            note.raw(b'"')
        self._post(asked)

    def _say_fault(self, sensor, found):
        self._start(b"fault")
        self.note.word(b"sensor", sensor)
        self.note.word(b"state", b"found" if found else b"lost")
        self._post()

    def _say_in_turn(self, elapsed_us):
        self._hello_us -= elapsed_us
        self._air_us -= elapsed_us
        self._status_us -= elapsed_us
        note = self.note
        if self._hello_us <= 0:
            self._say_hello()
        if self._air_us <= 0:
            self._air_us = settings.AIR_EVERY_US
            air = self.air
            if air.read():
                self._start(b"air")
                note.number(b"temp_c", air.temp_centi_c, 2)
                note.number(b"rh_pct", air.humidity_centi_pct, 2)
                note.number(b"pressure_pa", air.pressure_pa)
                self._post()
            if air.running != self._air_ok:
                self._air_ok = air.running
                self._say_fault(b"air", air.running)
        if self._status_us <= 0:
            self._status_us = settings.STATUS_EVERY_US
            self._start(b"status")
            note.number(b"mem_free", gc.mem_free())
            note.number(b"late", self.n_late)
            note.number(b"bad_commands", self.commands.n_bad)
            note.number(b"bad_dp", self.dp.n_bad)
            self._post()

    # ---- from the host

    def _read_commands(self):
        for _ in range(BYTES_A_CYCLE):
            any_input = False
            for _ in self._poll.ipoll(0):
                any_input = True
            if not any_input or not self.reader.readinto(self._byte):
                return
            if self.commands.feed(self._byte[0]):
                self._obey()

    def _obey(self):
        command = self.commands
        if command.named(b"keep") and command.bare():
            self._reply(True)
            if self.lease_us <= 0:
                self._hello_us = 0  # whoever begins to listen hears first who speaks
            self.lease_us = settings.LEASE_US
        elif command.named(b"hello") and command.bare():
            self._reply(True)
            self._say_hello(True)
        elif command.named(b"zero") and command.bare():
            self._reply(True)
            self._start(b"zero")  # the tubes are bridged now; the host does the averaging
            self._post(True)
        elif command.named(b"rate"):
            rate_hz = command.rate()
            if 1 <= rate_hz <= settings.RATE_MAX_HZ:
                self._reply(True)
                self.rate_hz = rate_hz
                self.period_us = 1_000_000 // rate_hz
                self._say_hello(True)
            else:
                self._reply(False, b"rate wants one whole number of Hz from 1 up to the board's limit")
        elif command.named(b"resend"):
            self._resend(command.first(), command.last())
        else:
            self._reply(False, b"unknown command")

    def _start_reply(self, to, ok):
        self._start(b"reply")
        self.note.number(b"to", to)
        self.note.truth(b"ok", ok)

    def _reply(self, ok, why=None):
        self._start_reply(self.commands.seq, ok)
        if why:
            self.note.word(b"why", why)
        self._post(True)

    def _reply_range(self, to, first, last, why):
        self._start_reply(to, False)
        note = self.note
        note.key(b"why")
        note.raw(b'"')
        note.hex(first, 7)
        note.raw(b"..")
        note.hex(last, 7)
        note.raw(why)
        note.raw(b'"')
        self._post(True)

    # ---- lines again

    def _resend(self, first, last):
        ring, to = self.ring, self.commands.seq
        if first < 0 or last < 0:
            self._reply(False, b"resend wants two SEQs of 7 hex digits")
            return
        start, stop = ring.place(first), ring.place(last) + 1
        n_held = ring.held
        if stop <= start:
            self._reply(False, b"resend wants FIRST not after LAST")
        elif self._n_ranges == RANGES:
            self._reply(False, b"too many resends are waiting")
        else:
            oldest = first - start  # Places move on with each line that is made, SEQs do not.
            end = oldest + n_held
            if start < 0:
                self._reply_range(to, first, last if stop <= 0 else oldest - 1, b" not held any more")
                first = oldest & MASK_28
            elif stop > n_held:
                self._reply_range(to, first if start >= n_held else end, last, b" not made yet")
            else:
                self._reply(True)
            if start < n_held and stop > 0:
                at = 3 * self._n_ranges
                self._ranges[at] = first
                self._ranges[at + 1] = last if stop <= n_held else (end - 1) & MASK_28
                self._ranges[at + 2] = to
                self._n_ranges += 1

    def _send_again(self):
        ring, ranges = self.ring, self._ranges
        for _ in range(RESENDS_A_CYCLE):
            seq, last = ranges[0], ranges[1]
            n = ring.line_into(self._out, self._n_out, seq)
            if n == 0:
                if len(self._out) - self._n_out < 2 * LONGEST_NOTE:
                    return  # no room in this cycle
                # It fell out of the ring while it waited. All that did so is named at once.
                n_gone = max(1, min(-ring.place(seq), ((last - seq) & MASK_28) + 1))
                self._reply_range(ranges[2], seq, seq + n_gone - 1, b" not held any more")
                seq = (seq + n_gone - 1) & MASK_28
            self._n_out += n
            if seq != last:
                ranges[0] = (seq + 1) & MASK_28
                continue
            self._n_ranges -= 1
            for i in range(3 * self._n_ranges):
                ranges[i] = ranges[i + 3]
            if not self._n_ranges:
                return


def run():
    """Build the board from its settings and loop for ever."""
    pin = machine.Pin
    i2c = machine.I2C(
        settings.I2C_ID,
        scl=pin(settings.PIN_SCL),
        sda=pin(settings.PIN_SDA),
        freq=settings.I2C_HZ,
        timeout=settings.I2C_TIMEOUT_US,
    )
    vane = PinVane(pin(settings.PIN_VANE, pin.IN, pin.PULL_UP), settings.VANE_DEAD_US)
    button = pin(settings.PIN_BUTTON, pin.IN, pin.PULL_UP)
    # The byte streams: the text ones would turn LF into CR LF.
    app = App(sys.stdin.buffer, sys.stdout.buffer, vane, Dp(i2c), Air(i2c), button)
    app.begin()
    app.loop()
