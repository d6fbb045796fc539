"""The board's `machine`: pins that know what is soldered to them, an I2C bus with chips, buzzer, watchdog, resets.

What is on which pin the firmware's own settings say. The vane's pin gives edges, the button's its contact, the two of
the bus the level of a wired-and line, LED and buzzer what a person at the board would see and hear: written to the file
that HOODTRACE_HEARD names, a row `t_us kind value` at each change, kind `tone` (Hz, 0 for silence) or `led` (0, 1).
Objects of the bus's units exist once, as on the board, and nothing here allocates once its object is made, but the
writing of that file. Numbers, names and limits as MicroPython's rp2 port has them (its stubs and sources; seen).
"""

import os

from chips import AirChip, DpChip, Lines
from world import world

if world.counting == "counter":
    from counting import Counter

PWRON_RESET = 1
WDT_RESET = 3
EIO = 5
ETIMEDOUT = 110
ADC_FULL_MV = 3300
WDT_LONGEST_MS = 8388
N_PINS = 30
ANALOG_PINS = (26, 27, 28, 29)


def role_of(number):
    """What is soldered to that pin, by the settings; None for nothing."""
    import settings  # not above: the file that it reads is on a file system that is not there yet

    for role in ("vane", "button", "buzzer", "led", "sda", "scl", "supply"):
        if settings.values.get("pin_" + role) == number:
            return role
    return None


class Heard:
    """What a person at the board hears and sees."""

    def __init__(self, path):
        self.file = open(path, "w") if path else None
        self.tone_hz = self.led = 0

    def tone(self, hz):
        """The buzzer sounds, or is silent (0)."""
        if hz != self.tone_hz:
            self.tone_hz = hz
            self._write("tone", hz)

    def light(self, on):
        """The LED."""
        if on != self.led:
            self.led = on
            self._write("led", on)

    def power_off(self):
        """A board without power is dark and silent, and so is one that resets."""
        self.tone(0)
        self.light(0)

    def _write(self, kind, value):
        if self.file:
            self.file.write("%d %s %d\n" % (world.now_us, kind, value))
            self.file.flush()


class Pin:
    """A pin. Several objects for one number are the same pin."""

    IN, OUT, OPEN_DRAIN = 0, 1, 2
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_FALLING, IRQ_RISING = 4, 8

    def __init__(self, number, mode=-1, pull=-1, value=None):
        if not 0 <= number < N_PINS:
            raise ValueError("invalid pin")
        self.number = number
        self.role = role_of(number)
        self._handler = None
        self._latched = False
        if mode >= 0 or value is not None:
            self.init(mode, pull, value)

    def init(self, mode=-1, pull=-1, value=None):
        """Set the pin's mode; the unit that had it (the bus's) has it no longer."""
        if self.role == "sda" or self.role == "scl":
            lines.joined = False
        if value is not None:
            outputs[self.number] = value
        elif mode != Pin.OUT:
            outputs[self.number] = 1  # nobody pulls it down
        self._drive()

    def value(self, level=None):
        """The pin's level, or set it."""
        if level is not None:
            outputs[self.number] = level
            self._drive()
            return None
        if self.role == "button":
            return 0 if world.button_down() else 1
        if self.role == "sda":
            return lines.sda_level()
        if self.role == "scl":
            return lines.scl
        if self.role == "vane":
            return 1
        return outputs[self.number]

    def _drive(self):
        level = 1 if outputs[self.number] else 0
        if self.role == "led":
            heard.light(level)
        elif self.role == "sda":
            lines.drive_sda(level)
        elif self.role == "scl":
            lines.drive_scl(level)

    def irq(self, handler=None, trigger=IRQ_FALLING, hard=False):
        """Call handler(pin) at each falling edge, with the heap locked, as a hard interrupt does; None: no more."""
        self._handler = handler
        self._latched = False
        if self.role == "vane":
            world.attach(self if handler else None)

    def edge(self):
        """The vane gave an edge. While interrupts are off all that come leave one mark."""
        if world.interrupts_off:
            self._latched = True
        else:
            world.run_interrupt(self._handler, self)

    def interrupt(self):
        """Interrupts are on again."""
        if self._latched:
            self._latched = False
            world.run_interrupt(self._handler, self)


class PWM:
    """A square wave; on the buzzer's pin a tone."""

    def __init__(self, pin, freq=0, duty_u16=0):
        self._sounds = pin.role == "buzzer"
        self._hz = freq
        self._duty = duty_u16
        self._show()

    def freq(self, hz=None):
        """The frequency, or set it."""
        if hz is None:
            return self._hz
        if hz < 8:
            raise ValueError("freq too small")
        self._hz = hz
        self._show()
        return None

    def duty_u16(self, duty=None):
        """The share of the time that the output is high, of 65535, or set it."""
        if duty is None:
            return self._duty
        self._duty = duty
        self._show()
        return None

    def deinit(self):
        """Stop."""
        self._duty = 0
        self._show()

    def _show(self):
        if self._sounds:
            heard.tone(self._hz if 0 < self._duty < 65535 else 0)


class _I2C:
    """A bus on which each byte takes its time and each refusal is an OSError, as on the board."""

    def __init__(self):
        self._byte_us = 90
        self._timeout_us = 0
        self._chips = {}
        if world.dp_address is not None:
            self._chips[world.dp_address] = dp_chip
        if world.air:
            self._chips[0x76] = air_chip

    def init(self, freq, timeout):
        """Take the pins."""
        self._byte_us = 9_000_000 // freq
        self._timeout_us = timeout
        lines.drive_scl(1)
        lines.drive_sda(1)
        lines.joined = True

    def scan(self):
        """The addresses that answer."""
        return [address for address in range(8, 0x78) if self._answers(address)]

    def _answers(self, address):
        try:
            self._address(address, False, 0)
        except OSError:
            return False
        return True

    def _address(self, address, reading, n_bytes):
        if not lines.joined or not lines.sda_level():
            world.advance(world.now_us + self._timeout_us)
            raise OSError(ETIMEDOUT)
        world.advance(world.now_us + self._byte_us * (n_bytes + 1))
        chip = self._chips.get(address)
        if chip is None or not chip.address(reading):
            raise OSError(EIO)
        return chip

    def writeto(self, address, data):
        """Address, bytes, stop."""
        chip = self._address(address, False, len(data))
        for byte in data:
            if not chip.write(byte):
                raise OSError(EIO)

    def readfrom_into(self, address, data):
        """Address, fill `data`, stop."""
        chip = self._address(address, True, len(data))
        for i in range(len(data)):
            data[i] = chip.read()

    def readfrom_mem_into(self, address, register, data):
        """Register's address, then as many bytes as `data` holds."""
        if not self._address(address, False, 1).write(register):
            raise OSError(EIO)
        self.readfrom_into(address, data)

    def writeto_mem(self, address, register, data):
        """Register's address and its new contents."""
        chip = self._address(address, False, 1 + len(data))
        chip.write(register)
        for byte in data:
            chip.write(byte)


def I2C(bus, scl=None, sda=None, freq=400_000, timeout=50_000):
    """The unit of that number, with these pins; which pins it can have is fixed, as on the RP2040."""
    if bus not in (0, 1):
        raise ValueError("I2C(%d) doesn't exist" % bus)
    if scl is not None and (scl.number & 1 != 1 or scl.number >> 1 & 1 != bus):
        raise ValueError("bad SCL pin")
    if sda is not None and (sda.number & 1 != 0 or sda.number >> 1 & 1 != bus):
        raise ValueError("bad SDA pin")
    units[bus].init(freq, timeout)
    return units[bus]


def SoftI2C(scl=None, sda=None, freq=400_000, timeout=50_000):
    """The same made by the processor, on any pins."""
    unit = _I2C()
    unit.init(freq, timeout)
    return unit


class ADC:
    """An analog input; on the supply's pin its voltage behind the divider, else nothing."""

    def __init__(self, pin):
        if pin.number not in ANALOG_PINS:
            raise ValueError("Pin doesn't have ADC capabilities")
        self._role = pin.role

    def read_u16(self):
        """The voltage in 1/65535 of 3.3 V, in the steps of a 12-bit converter."""
        if self._role != "supply":
            return 0
        import settings

        raw = int(world.supply_mv()) * 4095 // (ADC_FULL_MV * settings.values["supply_parts"])
        raw = min(raw, 4095)
        return raw << 4 | raw >> 8


class WDT:
    """Resets the board when it was not fed for that long; nothing stops it."""

    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= WDT_LONGEST_MS:
            raise ValueError("timeout too long")
        self._timeout_us = timeout * 1000
        self.feed()

    def feed(self):
        """Begin to wait anew."""
        world.watchdog_us = world.now_us + self._timeout_us


def reset():
    """Start the board again."""
    heard.power_off()
    world.reboot("reset")


def reset_cause():
    """What started the board; the RP2040 resets itself by its watchdog, so both causes look alike."""
    return PWRON_RESET if world.cause == "power" else WDT_RESET


def unique_id():
    """The number of its flash chip."""
    return b"\xe6\x61\xfa\x4b\x00\x00\x00\x01"


outputs = bytearray(N_PINS)  # what each pin was last told
heard = Heard(os.getenv("HOODTRACE_HEARD"))
lines = Lines(world)
# Chips keep their power when the board restarts.
dp_chip = DpChip(world)
air_chip = AirChip(world)
units = (_I2C(), _I2C())
