"""Obeys the host's commands. Each good one gets a reply; an unknown one changes nothing.

The commands of a measurement are obeyed here, at once, and allocate nothing. Those that look after the board
(upkeep.py) are looked up in a table, may allocate, and answer over as many cycles as it takes.
"""

import select
from time import ticks_diff, ticks_us

import settings
import upkeep
from commands import Commands

US_A_BYTE = 150  # of input, at most: 64 bytes in a cycle of 10 ms
STALL_US = 10_000  # what takes this long wrote flash


class Orders:
    """Reads commands from a byte stream."""

    def __init__(self, reader, app):
        self.reader = reader
        self.app = app
        self.commands = Commands()
        self.job = None  # a generator: the rest of a long answer
        self._to = 0  # the command that it answers
        self._poll = select.poll()
        self._poll.register(reader, select.POLLIN)
        self._poll.ipoll(0)  # makes, once, the tuple that it gives
        self._byte = bytearray(1)

    def read(self):
        """Take what has come in, up to a bound and while answers fit."""
        for _ in range(self.app.period_us // US_A_BYTE):
            any_input = False
            for _ in self._poll.ipoll(0):
                any_input = True
            if not any_input or not self.reader.readinto(self._byte):
                return
            if self.commands.feed(self._byte[0]):
                self._obey()
                if not self.app.outbox.has_room():
                    return

    def step(self):
        """Go on with a long answer while there is room."""
        vane, unheard = self.app.vane, self.app.unheard
        while self.job is not None and self.app.outbox.has_room():
            vane.hold()  # it may write flash
            start = ticks_us()
            try:
                next(self.job)
            except StopIteration:
                self.job = None
            except Exception:
                # Whatever is wrong with flash or memory: a measurement does not end for it.
                self.job = None
                self.app.outbox.reply(self._to, False, b"it failed on the board")
            vane.release()
            took_us = ticks_diff(ticks_us(), start)
            if took_us >= STALL_US:
                unheard.stalled(took_us)

    def _obey(self):
        app, command = self.app, self.commands
        outbox, to = app.outbox, command.seq
        if command.named(b"keep") and command.bare():
            outbox.reply(to, True)
            app.keep()
        elif command.named(b"hello") and command.bare():
            outbox.reply(to, True)
            app.say_hello(True)
        elif command.named(b"zero") and command.bare():
            outbox.reply(to, True)
            outbox.start(b"zero")  # the tubes are bridged now; the host does the averaging
            outbox.post(True)
        elif command.named(b"rate"):
            rate_hz = command.rate()
            if 1 <= rate_hz <= settings.RATE_MAX_HZ:
                outbox.reply(to, True)
                app.set_rate(rate_hz)
                app.say_hello(True)
            else:
                outbox.reply(to, False, b"rate wants one whole number of Hz from 1 up to the board's limit")
        elif command.named(b"resend"):
            app.again.ask(to, command.first(), command.last())
        elif command.named(b"cue"):
            if app.cues.play_named(command.line, command.argument(), command.stop):
                outbox.reply(to, True)
            else:
                outbox.reply(to, False, b"no such cue")
        elif self.job is not None:
            outbox.reply(to, False, b"busy with another command: ask again")
        else:
            self._to = to
            self.job = upkeep.answer(app, to, command.words())
            if self.job is None:
                outbox.reply(to, False, b"unknown command")
