"""The bus's two lines, and the sensor chips on it: each answers byte by byte, and refuses what the real one refuses.

Sources: SDP8xx data sheet (commands, CRC-8, averaging until read; as used by open autopilot drivers),
BME280 data sheet (registers, floating-point compensation formulas, here turned round by bisection); both from
memory. The firmware's own formulas are not used here.
"""

import gc
import struct


def _crc_table():
    table = bytearray(256)
    for i in range(256):
        crc = i
        for _ in range(8):
            crc = (crc << 1) & 0xFF ^ (0x31 if crc & 0x80 else 0)
        table[i] = crc
    return table


class Lines:
    """SDA and SCL as what is soldered to them sees them: low where anybody pulls.

    Fault `i2c_stuck` with a number up to 9: a chip was left in the middle of a byte and pulls SDA until so many pulses
    came on SCL. With a larger number the line is down for so many microseconds, and no pulses help.
    """

    def __init__(self, world):
        self.world = world
        self.scl = 1
        self.sda = 1  # as the board drives it; 1: released
        self.joined = False  # the board's I2C unit has the pins
        self.pulses_left = 0
        self.n_pulses = 0  # on SCL, in all, made by hand
        self.n_stops = 0  # SDA rising while SCL is high, made by hand
        self._looked_us = -1
        self._down_until_us = 0

    def sda_level(self):
        """Level of SDA."""
        return self.sda if not self.held() else 0

    def held(self):
        """Whether a chip, or a fault in the wiring, pulls SDA down."""
        now_us = self.world.now_us
        for start_us, kind, stop_us in self.world.faults:
            if kind == "i2c_stuck" and self._looked_us < start_us <= now_us:
                if stop_us - start_us <= 9:
                    self.pulses_left = stop_us - start_us
                else:
                    self._down_until_us = stop_us
        self._looked_us = now_us
        return self.pulses_left > 0 or now_us < self._down_until_us

    def drive_sda(self, level):
        """The board pulls SDA down or lets it go."""
        before = self.sda_level()
        self.sda = level
        if self.scl and not before and self.sda_level():
            self.n_stops += 1

    def drive_scl(self, level):
        """The board pulls SCL down or lets it go."""
        if level and not self.scl:
            self.n_pulses += 1
            if self.held() and self.pulses_left:
                self.pulses_left -= 1
        self.scl = level


class DpChip:
    """Thermal differential-pressure chip, continuous mode."""

    PRODUCT = b"\x03\x02\x0b\x01" + bytes(8)

    def __init__(self, world):
        self.world = world
        self.table = _crc_table()
        self.measuring = False
        self.averaging = False
        self.asked_product = 0
        self.ready_us = 0  # deaf until then
        self.next_tick = 0
        self.last_dp = 0
        self.command = 0
        self.n_written = 0
        self.words = bytearray(18)  # what the next reading shifts out, without the CRCs
        self.at = 0
        self.crc = 0
        self.bad_crc = False

    def address(self, reading):
        """Whether it acknowledges its address."""
        world = self.world
        if world.now_us < self.ready_us or world.faulty("dp_nack"):
            return False
        self.at = 0
        self.n_written = 0
        if not reading:
            return True
        if self.measuring:
            self._latch()
            return True
        if self.asked_product == 2:
            self.asked_product = 0
            self.words[: len(self.PRODUCT)] = self.PRODUCT
            return True
        return False

    def write(self, byte):
        """Take a byte; whether it acknowledges it."""
        self.command = (self.command << 8 | byte) & 0xFFFF
        self.n_written += 1
        if self.n_written < 2:
            return True
        command, now_us = self.command, self.world.now_us
        if command == 0x3FF9:
            self.measuring = False
            self.ready_us = now_us + 500
            return True
        if self.measuring:
            return False  # only a stop is heard
        if command in (0x3615, 0x361E):
            self.measuring = True
            self.averaging = command == 0x3615
            self.ready_us = now_us + 8000
            self.next_tick = self.world.tick()
        elif command == 0x367C:
            self.asked_product = 1
        elif command == 0xE102 and self.asked_product == 1:
            self.asked_product = 2
        else:
            return False
        return True

    def read(self):
        """Give the next byte: two of a word, then their CRC-8."""
        word, part = self.at // 3, self.at % 3
        self.at += 1
        if part == 2:
            return self.crc ^ 0x55 if self.bad_crc and word == 0 else self.crc
        byte = self.words[2 * word + part] if word < 9 else 0xFF
        self.crc = self.table[(self.crc if part else 0xFF) ^ byte]
        return byte

    def _latch(self):
        # The mean of all ticks since the last reading, rounded; still air behind the end of the world.
        world = self.world
        stop = world.tick()
        start = self.next_tick
        if stop > start:
            if not self.averaging:
                start = stop - 1
            total = 0
            for i in range(start, stop):
                total += world.dp.get(i, 0)
            n = 256 * (stop - start)
            self.last_dp = min(max((2 * total + n) // (2 * n), -32768), 32767)
            self.next_tick = stop
        words = self.words
        temp = world.temp_counts()
        words[0] = (self.last_dp >> 8) & 255
        words[1] = self.last_dp & 255
        words[2] = (temp >> 8) & 255
        words[3] = temp & 255
        words[4] = world.dp_counts_per_pa >> 8
        words[5] = world.dp_counts_per_pa & 255
        self.bad_crc = world.faulty("dp_crc")


class AirChip:
    """Temperature, humidity and pressure chip with a data-sheet example's calibration words."""

    T = (27504, 26435, -1000)
    P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    H = (75, 362, 0, 324, 50, 30)  # plausible; the sheet has no example

    def __init__(self, world):
        self.world = world
        registers = bytearray(256)
        registers[0xD0] = 0x60
        registers[0x88:0xA0] = struct.pack("<Hhh", *self.T) + struct.pack("<Hhhhhhhhh", *self.P)
        h1, h2, h3, h4, h5, h6 = self.H
        registers[0xA1] = h1
        registers[0xE1:0xE4] = struct.pack("<hB", h2, h3)
        registers[0xE4] = h4 >> 4
        registers[0xE5] = (h4 & 15) | ((h5 & 15) << 4)
        registers[0xE6] = h5 >> 4
        registers[0xE7] = h6
        registers[0xF7:0xFF] = b"\x80\x00\x00\x80\x00\x00\x80\x00"  # not measured yet
        self.registers = registers
        self.pointer = 0
        self.n_written = 0
        self.humidity_on = False
        self.row = -1

    def address(self, reading):
        """Whether it acknowledges its address."""
        self.n_written = 0
        if reading and self.registers[0xF4] & 3 == 3 and self.row != self.world.air_row():
            self.row = self.world.air_row()
            self._measure(*self.world.air[4 * self.row + 1 : 4 * self.row + 4])
        return True

    def write(self, byte):
        """Take a byte: register address, contents, register address, contents..."""
        if self.n_written % 2 == 0:
            self.pointer = byte
        else:
            self.registers[self.pointer] = byte
            if self.pointer == 0xF4:
                self.humidity_on = self.registers[0xF2] & 7 != 0
        self.n_written += 1
        return True

    def read(self):
        """Give the byte of the register that is due."""
        byte = self.registers[self.pointer]
        self.pointer = (self.pointer + 1) & 255
        return byte

    def _measure(self, temp_c, rh_pct, pressure_pa):
        raw_t = _where(lambda raw: self.fine(raw) / 5120 >= temp_c, 20)
        fine = self.fine(raw_t)
        raw_p = _where(lambda raw: self.pressure(raw, fine) <= pressure_pa, 20)
        raw_h = _where(lambda raw: self.humidity(raw, fine) >= rh_pct, 16) if self.humidity_on else 0x8000
        for at, raw in ((0xF7, raw_p), (0xFA, raw_t)):
            self.registers[at : at + 3] = bytes([raw >> 12, (raw >> 4) & 255, (raw & 15) << 4])
        self.registers[0xFD:0xFF] = bytes([raw_h >> 8, raw_h & 255])
        gc.collect()  # a heap full of dead floats makes every later search for memory slow

    def fine(self, raw):
        """Temperature in 1/5120 C."""
        t1, t2, t3 = self.T
        return (raw / 16384 - t1 / 1024) * t2 + (raw / 131072 - t1 / 8192) ** 2 * t3

    def pressure(self, raw, fine):
        """Pressure in Pa."""
        p1, p2, p3, p4, p5, p6, p7, p8, p9 = self.P
        a = fine / 2 - 64000
        b = (a * a * p6 / 32768 + a * p5 * 2) / 4 + p4 * 65536
        a = (1 + (p3 * a * a / 524288 + p2 * a) / 524288 / 32768) * p1
        p = (1048576 - raw - b / 4096) * 6250 / a
        return p + (p9 * p * p / 2147483648 + p * p8 / 32768 + p7) / 16

    def humidity(self, raw, fine):
        """Relative humidity in %."""
        h1, h2, h3, h4, h5, h6 = self.H
        v = fine - 76800
        v = (raw - (h4 * 64 + h5 / 16384 * v)) * (
            h2 / 65536 * (1 + h6 / 67108864 * v * (1 + h3 / 67108864 * v))
        )
        return v * (1 - h1 * v / 524288)


def _where(reached, bits):
    """The lowest number of so many bits from which on `reached` holds."""
    low, high = 0, (1 << bits) - 1
    while low < high:
        middle = (low + high) // 2
        if reached(middle):
            high = middle
        else:
            low = middle + 1
    return low
