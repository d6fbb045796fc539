"""The I2C bus, and how it comes free again.

A chip that was left in the middle of a byte holds SDA low, for ever if nobody clocks the rest of the byte out. So a
transfer that fails and leaves SDA low is followed by the bus clear of the I2C specification (UM10204 3.1.16; seen
quoted): up to nine pulses on SCL until SDA is high, then a STOP. This takes a quarter of a millisecond, never raises,
and is tried at most once a second. The four transfers are those of machine.I2C; they allocate nothing.
"""

from time import sleep_us, ticks_add, ticks_diff, ticks_us

import machine

import settings

PULSES = 9
HALF_US = 5  # half a period of 100 kHz
AT_MOST_EVERY_US = 1_000_000


class Bus:
    """The bus as the settings say it is wired; what hangs on it at boot is freed."""

    def __init__(self):
        choice, pin = settings.values, machine.Pin
        self._sda = pin(choice["pin_sda"])
        self._scl = pin(choice["pin_scl"])
        self.n_recoveries = 0  # times that SDA was found low and pulses were given
        self._tried = ticks_add(ticks_us(), -AT_MOST_EVERY_US)
        self._i2c = self._opened()
        sleep_us(HALF_US)  # until the pull-ups have lifted the lines
        self._look()

    def recover(self):
        """Free the lines where that is needed, and set the bus up anew; nothing if that was done in the last second."""
        now = ticks_us()
        if 0 <= ticks_diff(now, self._tried) < AT_MOST_EVERY_US:
            return
        self._tried = now
        if not self._sda.value():
            self.n_recoveries = (self.n_recoveries + 1) & 0xFFFFFF
            self._clear()
        self._i2c = self._opened()

    def _clear(self):
        sda, scl = self._sda, self._scl
        pin = machine.Pin
        sda.init(pin.OPEN_DRAIN, pin.PULL_UP, value=1)
        scl.init(pin.OPEN_DRAIN, pin.PULL_UP, value=1)
        for _ in range(PULSES):
            scl.value(0)
            sleep_us(HALF_US)
            scl.value(1)
            sleep_us(HALF_US)
            if sda.value():
                break
        scl.value(0)
        sda.value(0)
        sleep_us(HALF_US)
        scl.value(1)
        sleep_us(HALF_US)
        sda.value(1)  # rising while SCL is high: STOP
        sleep_us(HALF_US)

    def _opened(self):
        choice = settings.values
        hz, wait_us = choice["i2c_hz"], settings.I2C_TIMEOUT_US
        try:
            return machine.I2C(choice["i2c_id"], scl=self._scl, sda=self._sda, freq=hz, timeout=wait_us)
        except ValueError:
            # Pins that this unit cannot have. The processor can work any two: slower, but the chips are there.
            return machine.SoftI2C(scl=self._scl, sda=self._sda, freq=hz, timeout=wait_us)

    def _look(self):
        # Between transfers, and after a refusal, both lines are high: SDA low means that somebody holds it.
        if not self._sda.value():
            self.recover()

    def writeto(self, address, data):
        """Address, bytes, stop."""
        try:
            self._i2c.writeto(address, data)
        except OSError:
            self._look()
            raise

    def readfrom_into(self, address, data):
        """Address, fill `data`, stop."""
        try:
            self._i2c.readfrom_into(address, data)
        except OSError:
            self._look()
            raise

    def readfrom_mem_into(self, address, register, data):
        """Register's address, then as many bytes as `data` holds."""
        try:
            self._i2c.readfrom_mem_into(address, register, data)
        except OSError:
            self._look()
            raise

    def writeto_mem(self, address, register, data):
        """Register's address and its new contents."""
        try:
            self._i2c.writeto_mem(address, register, data)
        except OSError:
            self._look()
            raise
