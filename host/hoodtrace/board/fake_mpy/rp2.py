"""The board's `rp2`: an assembler for PIO programs and a state machine that runs the vane's program edge by edge.

The assembler makes real words (encodings: RP2040 data sheet, 3.4; tests compare them with those of MicroPython's own)
of the instructions that the firmware uses, no others. The state machine does not run them: at each edge of the world,
which is one clean pulse and comes no faster than the filter lets pass, it does what the program does at an accepted
low, LAG_CYCLES later as its interrupt is. The words themselves are run cycle by cycle in tests/firmware/pio.py.
"""

from array import array

from world import world

if world.counting != "pio":
    raise ImportError("no module named 'rp2'")

LAG_CYCLES = 68
FIFO_WORDS = 4
SYSTEM_HZ = 125_000_000


class Program:
    """A program's words, and where it wraps."""

    def __init__(self):
        self.words = array("H")
        self.wrap_target = 0
        self.wrap = 0


class Assembler:
    """What the names in a program's function stand for."""

    # Numbers of what stands in several instructions; conditions of jmp, whose `pin` is another one, are text.
    NAMES = {"pins": 0, "x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7, "noblock": 0, "block": 0x20}
    CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "pin": 6}

    def __init__(self):
        self.program = Program()
        self.labels = {}
        self.jumps = []

    def names(self):
        """Everything that a program may say."""
        known = {name: name for name in self.CONDITIONS}
        known.update(self.NAMES)
        for name in ("label", "wrap_target", "wrap", "jmp", "in_", "push", "mov", "irq", "set"):
            known[name] = getattr(self, name)
        known["invert"] = lambda source: 0x08 | source
        known["rel"] = lambda index: 0x10 | index
        return known

    def finish(self):
        """Put in where the jumps go."""
        for index, label in self.jumps:
            self.program.words[index] |= self.labels[label]
        return self.program

    def label(self, name):
        """A name for the next instruction's place."""
        self.labels[name] = len(self.program.words)

    def wrap_target(self):
        """The program goes on here after its last instruction."""
        self.program.wrap_target = len(self.program.words)

    def wrap(self):
        """That last instruction was the one before."""
        self.program.wrap = len(self.program.words) - 1

    def jmp(self, condition, label=None):
        """Go to a label, if."""
        if label is None:
            label, code = condition, 0
        else:
            code = self.CONDITIONS[condition]
        self.jumps.append((len(self.program.words), label))
        self.program.words.append(code << 5)

    def in_(self, source, n_bits):
        """Shift bits into ISR."""
        self.program.words.append(0x4000 | source << 5 | n_bits & 0x1F)

    def push(self, wait=0x20):
        """ISR to the FIFO."""
        self.program.words.append(0x8000 | wait)

    def mov(self, to, source):
        """Copy."""
        self.program.words.append(0xA000 | to << 5 | source)

    def irq(self, index):
        """Raise a flag."""
        self.program.words.append(0xC000 | index)

    def set(self, to, number):
        """A small number into a register."""
        self.program.words.append(0xE000 | to << 5 | number)


def asm_pio():
    """Decorator: assembles the function by running it with those names as its only globals, as on the board."""

    def assembled(function):
        assembler = Assembler()
        names = function.__globals__
        kept = names.copy()
        names.clear()
        names.update(assembler.names())
        function()
        names.clear()
        names.update(kept)
        return assembler.finish()

    return assembled


class StateMachine:
    """One that has the vane's program and the vane's pin."""

    def __init__(self, number, program, freq, jmp_pin):
        if len(program.words) > 32:
            raise OSError(12)  # ENOMEM
        if freq * 65536 <= SYSTEM_HZ or freq > SYSTEM_HZ:
            raise ValueError("freq out of range")
        self.x = 0xFFFFFFFF
        self._pin = jmp_pin
        self._fifo = array("I", [0] * FIFO_WORDS)
        self._n = 0
        self._flag = False
        self._handler = None
        self._lag_us = (LAG_CYCLES * 1_000_000 + freq // 2) // freq

    def active(self, value):
        """Run, or stop."""
        if self._pin.role == "vane":
            world.attach(self if value else None)

    def irq(self, handler=None, trigger=1, hard=False):
        """Call handler(self) at each interrupt of the program, with the heap locked; None: no more."""
        self._handler = handler
        self.interrupt()

    def edge(self):
        """An accepted low: count, push where there is room, interrupt."""
        self.x = (self.x - 1) & 0xFFFFFFFF
        if self._n < FIFO_WORDS:
            self._fifo[self._n] = self.x & 0xFFFFFF
            self._n += 1
        self._flag = True
        if not world.interrupts_off:
            world.now_us += self._lag_us
            self.interrupt()
            world.now_us -= self._lag_us

    def interrupt(self):
        """What is flagged is handled, if interrupts are on; a flag that nobody handles is gone."""
        if self._flag and not world.interrupts_off:
            self._flag = False
            if self._handler is not None:
                world.run_interrupt(self._handler, self)

    def rx_fifo(self):
        """Words in the FIFO."""
        return self._n

    def get(self, buffer):
        """The oldest word into buffer[0]."""
        if not self._n:
            raise RuntimeError("the board would wait here for ever")
        buffer[0] = self._fifo[0]
        self._n -= 1
        for i in range(self._n):
            self._fifo[i] = self._fifo[i + 1]
