"""Driver of a BME280-type chip: temperature, humidity and pressure of the air, as integers.

Compensation is the 32-bit form of the data sheet (BMP280 1.14 section 8.2, BME280 1.6 section 8.2; from
memory, checked against the sheet's worked example), its products regrouped so that between 0 and 50 C nothing
leaves 30 bits and nothing is allocated; outside that Python's integers only get longer, never wrong.
`read` never raises: a chip that does not answer is looked for again at the next call. Only finding one allocates.
"""

from struct import unpack_from

ADDRESSES = b"\x76\x77"
CHIP_ID = 0x60
NOT_MEASURED = 0x80000


def signed(value, bits):
    """The two's complement number in so many bits."""
    return value - (1 << bits) if value >> (bits - 1) else value


def fine_temp(raw, t):
    """Temperature in 1/5120 C from the raw one and the chip's three words."""
    fine = (((raw >> 3) - (t[0] << 1)) * t[1]) >> 11
    half = (raw >> 4) - t[0]
    return fine + ((((half * half) >> 12) * t[2]) >> 14)


def temp_centi_c(fine):
    """Temperature in 0.01 C."""
    return (fine * 5 + 128) >> 8


def pressure_pa(raw, fine, p):
    """Pressure in Pa from the raw one, the fine temperature and the chip's nine words; 0 where they are void."""
    a = (fine >> 1) - 64000
    square = (a >> 2) * (a >> 2)
    b = (((square >> 11) * p[5] + ((a * p[4]) << 1)) >> 2) + (p[3] << 16)
    a = (((p[2] * (square >> 13)) >> 3) + ((p[1] * a) >> 1)) >> 18
    divisor = p[0] + ((a * p[0]) >> 15)
    if divisor == 0:
        return 0
    # The sheet's (x * 3125 * 2) / divisor, with the quotient taken in two steps that stay small.
    x = (1048576 - raw - (b >> 12)) * 625
    pa = x // divisor * 10 + x % divisor * 10 // divisor
    eighth = pa >> 3
    a = (p[8] * ((eighth * eighth) >> 13)) >> 12
    b = ((pa >> 2) * p[7]) >> 13
    return pa + ((a + b + p[6]) >> 4)


def humidity_centi_pct(raw, fine, h):
    """Relative humidity in 0.01 % from the raw one, the fine temperature and the chip's six words."""
    v = fine - 76800
    wet = ((raw << 14) - (h[3] << 20) - h[4] * v + 16384) >> 15
    slope = ((((v * h[5]) >> 10) * (((v * h[2]) >> 11) + 32768)) >> 10) + 2097152
    v = wet * ((slope * h[1] + 8192) >> 14)
    v -= ((((v >> 15) * (v >> 15)) >> 7) * h[0]) >> 4
    return ((min(max(v, 0), 419430400) >> 12) * 100) >> 10


class Air:
    """The chip on this bus."""

    def __init__(self, bus, fitted=True):
        self.bus = bus
        self.fitted = fitted
        self.running = False
        self.temp_centi_c = 0
        self.humidity_centi_pct = 0
        self.pressure_pa = 0
        self._address = 0
        self._t = self._p = self._h = None
        self._data = bytearray(8)
        self._one = bytearray(1)

    def read(self):
        """Take the newest values; whether there are any."""
        if not self.fitted:
            return False
        was_running = self.running
        try:
            if not was_running and not self._open():
                return False
            self.bus.readfrom_mem_into(self._address, 0xF7, self._data)
        except OSError:
            if was_running:
                self.bus.recover()
            self.running = False
            return False
        self.running = True
        d = self._data
        raw_p = d[0] << 12 | d[1] << 4 | d[2] >> 4
        raw_t = d[3] << 12 | d[4] << 4 | d[5] >> 4
        if not was_running or raw_t == NOT_MEASURED or raw_p == NOT_MEASURED:
            return False  # just started: the first values come with the next call
        fine = fine_temp(raw_t, self._t)
        self.temp_centi_c = temp_centi_c(fine)
        self.pressure_pa = pressure_pa(raw_p, fine, self._p)
        self.humidity_centi_pct = humidity_centi_pct(d[6] << 8 | d[7], fine, self._h)
        return True

    def _open(self):
        # Finds the chip, reads its calibration words, starts continuous measuring once a second; whether it is there.
        one = self._one
        for address in ADDRESSES:
            try:
                self.bus.readfrom_mem_into(address, 0xD0, one)
            except OSError:
                continue
            if one[0] == CHIP_ID:
                break
        else:
            return False
        low, high = bytearray(26), bytearray(7)
        self.bus.readfrom_mem_into(address, 0x88, low)
        self.bus.readfrom_mem_into(address, 0xE1, high)
        self._t = unpack_from("<Hhh", low, 0)
        self._p = unpack_from("<Hhhhhhhhh", low, 6)
        self._h = (
            low[25],
            signed(high[1] << 8 | high[0], 16),
            high[2],
            signed(high[3] << 4 | high[4] & 15, 12),
            signed(high[5] << 4 | high[4] >> 4, 12),
            signed(high[6], 8),
        )
        self._address = address
        self.bus.writeto_mem(address, 0xF2, b"\x01")  # humidity once; counts from the next write of F4
        self.bus.writeto_mem(address, 0xF5, b"\xa0")  # one second between measurements, no filter
        self.bus.writeto_mem(address, 0xF4, b"\x27")  # temperature and pressure once, continuous
        return True
