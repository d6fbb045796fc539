"""The house behind the board: its clock, the vane's edges, the pressure at the taps, the air, the button, the faults.

Read from a world folder (see the description of `world.json` in hoodtrace.board.world). Time 0 is the first boot;
microseconds as plain integers, which this side of the pins may let grow beyond 30 bits. Files are read forwards,
a block at a time, so that an hour needs no more memory than a minute. After the last tick the air is still.

Clocks: `real` follows the machine's clock; `fast` jumps from one sleep to the next, but never gets more than 0.5 s
ahead of the host's last word: then it waits for one; `free` jumps and never waits.
"""

import gc
import json
import os
import sys
from array import array

import uselect
import utime
from micropython import heap_lock, heap_unlock

LEAD_US = 500_000
PATIENCE_MS = 30_000
NEVER = 1 << 60


class Restart(SystemExit):
    """The board lost its power for a moment."""


class Blocks:
    """Numbers of a file by index, asked for in rising order."""

    def __init__(self, path, typecode, n=1024):
        # 64-bit numbers as pairs: MicroPython's "q" gives long integers, which allocate wherever they go.
        self.pairs = typecode == "q"
        self.block = array("I" if self.pairs else typecode, [0] * n)
        self.size = 8 if self.pairs else 4 if typecode == "i" else 2
        self.file = open(path, "rb")
        self.start = self.stop = 0

    def get(self, i, beyond):
        """The number at index i; `beyond` behind the end."""
        while i >= self.stop:
            n = self.file.readinto(self.block) // self.size
            if n == 0:
                return beyond
            self.start = self.stop
            self.stop += n
        i -= self.start
        return self.block[2 * i] | self.block[2 * i + 1] << 32 if self.pairs else self.block[i]


class World:
    """Everything outside the microcontroller, and the time."""

    def __init__(self, folder, clock):
        with open(folder + "/world.json") as file:
            facts = json.load(file)
        self.tick_us = facts["tick_us"]
        self.dp_counts_per_pa = facts["dp_counts_per_pa"]
        self.edges_per_rev = facts.get("edges_per_rev", 4)  # of the hood's vane, as its owner would have told the board
        self.dp_address = facts.get("dp_address", 0x25)  # None: no such chip
        # Rows of t_us, temp_c, rh_pct, pressure_pa, end to end; empty: no such chip. As one array, since a heap full of
        # small lists makes every later search for memory slow.
        self.air = array("d", [float(value) for row in facts["air"] for value in row])
        self.button = facts.get("button", [])
        self.counting = facts.get("counting", "pio")  # or "counter", "pin": what the microcontroller has
        self.supply = facts.get("supply_mv", [])  # rows of t_us, millivolts
        self.faults = [(int(t), kind, int(t + duration)) for t, kind, duration in facts.get("faults", [])]
        self.restarts = [(start, stop) for start, kind, stop in self.faults if kind == "restart"]
        self.dp = Blocks(folder + "/dp.i32", "i")
        self.temp = Blocks(folder + "/temp.i16", "h", 64)
        self.edges = Blocks(folder + "/edges.i64", "q")
        self.raw_temp = 0
        self.clock = clock
        self.real, self.fast = clock == "real", clock == "fast"
        self.now_us = 0
        self.boot_us = 0
        self.heard_us = 0  # the host's last word
        self.source = None  # what counts the vane's edges
        self.interrupts_off = False
        self.watchdog_us = NEVER  # when it bites
        self.cause = "power"  # of the last start
        self._in_interrupt = False
        self.n_edges = 0
        self._next_edge_us = self.edges.get(0, NEVER)
        self._i_air = 0
        self._i_button = 0
        self._i_supply = 0
        self._real_origin_us = None
        self._poll = uselect.poll()
        self._poll.register(sys.stdin.buffer, uselect.POLLIN)
        del facts
        gc.collect()

    def attach(self, source):
        """From now on call source.edge() at each edge of the vane, and source.interrupt() when interrupts are on again."""
        self.source = source

    def run_interrupt(self, handler, argument):
        """Call handler(argument) as a hard interrupt: it may not allocate, and time stands still."""
        self._in_interrupt = True
        heap_lock()
        try:
            handler(argument)
        finally:
            heap_unlock()
            self._in_interrupt = False

    # ---- time

    def advance(self, to_us):
        """Let time pass, the edges that fall in it each at its moment."""
        while self._next_edge_us <= to_us:
            if self._next_edge_us > self.now_us:
                self.now_us = self._next_edge_us
            self.n_edges += 1
            self._next_edge_us = self.edges.get(self.n_edges, NEVER)
            if self.source is not None:
                self.source.edge()
        if to_us > self.now_us:
            self.now_us = to_us
        if self.now_us >= self.watchdog_us:
            self.reboot("watchdog")

    def stall(self, duration_us):
        """The processor does nothing for so long and takes no interrupts: flash is being erased or written."""
        self.interrupts_off = True
        if self.real:
            utime.sleep_us(duration_us)
            self.advance(self._real_us())
        else:
            self.advance(self.now_us + duration_us)
        self.interrupts_off = False
        if self.source is not None:
            self.source.interrupt()

    def reboot(self, cause, off_us=0):
        """Start again, after so long without power."""
        self.source = None
        self.watchdog_us = NEVER
        self.interrupts_off = False
        if self.real:
            utime.sleep_us(off_us)
        self.advance(self.now_us + off_us)
        self.cause = cause
        self.boot_us = self.now_us
        for _, events in self._poll.ipoll(0):
            self.hear(events)  # a board that only crashes must end, too, when its host is gone
        raise Restart

    def supply_mv(self):
        """The supply's voltage."""
        while self._i_supply < len(self.supply) and self.supply[self._i_supply][0] <= self.now_us:
            self._i_supply += 1
        return self.supply[self._i_supply - 1][1] if self._i_supply else 5000

    def catch_up(self):
        """Under the real clock: let pass what has passed."""
        if self.real and not self._in_interrupt:
            self.advance(self._real_us())

    def _real_us(self):
        ticks = utime.ticks_us()
        if self._real_origin_us is None:
            self._real_origin_us = ticks  # the board's first look at its clock is time 0
        return utime.ticks_diff(ticks, self._real_origin_us)

    def sleep(self, duration_us):
        """The firmware sleeps."""
        target_us = self.now_us + duration_us
        if self.real:
            rest_us = target_us - self._real_us()
            if rest_us > 0:
                utime.sleep_us(rest_us)
            target_us = self._real_us()
        elif self.fast and target_us > self.heard_us + LEAD_US:
            self._wait_for_host()
        self.advance(target_us)
        if self.restarts and self.now_us >= self.restarts[0][0]:
            _, stop_us = self.restarts.pop(0)
            self.reboot("power", max(0, stop_us - self.now_us))

    def _wait_for_host(self):
        for _, events in self._poll.ipoll(PATIENCE_MS):
            self.hear(events)
        self.heard_us = self.now_us  # a host that said nothing for so long: half a second more, and wait again

    def hear(self, events):
        """The host spoke, or hung up: then the board ends."""
        if not events & uselect.POLLIN:
            raise SystemExit
        self.heard_us = self.now_us

    # ---- what sensors feel

    def faulty(self, kind):
        """Whether a fault of this kind is on now."""
        for start_us, a_kind, stop_us in self.faults:
            if kind == a_kind and start_us <= self.now_us < stop_us:
                return True
        return False

    def tick(self):
        """Index of the present tick."""
        return self.now_us // self.tick_us

    def temp_counts(self):
        """The pressure chip's temperature; the last one stays."""
        self.raw_temp = self.temp.get(self.now_us // 1_000_000, self.raw_temp)
        return self.raw_temp

    def air_row(self):
        """Index of the air's present row."""
        while 4 * self._i_air + 4 < len(self.air) and self.air[4 * self._i_air + 4] <= self.now_us:
            self._i_air += 1
        return self._i_air

    def button_down(self):
        """Whether somebody presses the button."""
        while self._i_button < len(self.button) and self.button[self._i_button][0] <= self.now_us:
            self._i_button += 1
        return self._i_button > 0 and self.button[self._i_button - 1][1] == 1


world = World(os.getenv("HOODTRACE_WORLD"), os.getenv("HOODTRACE_CLOCK") or "fast")
