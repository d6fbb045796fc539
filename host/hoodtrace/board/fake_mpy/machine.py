"""The board's `machine`: a pin with the vane on it, one with the button, and an I2C bus with chips."""

from chips import AirChip, DpChip
from world import world


class Pin:
    """An input. The one that gets an interrupt handler is the vane's; the one that is read is the button's."""

    IN = 0
    PULL_UP = 1
    IRQ_FALLING = 4

    def __init__(self, number, mode=IN, pull=PULL_UP):
        self.number = number

    def irq(self, handler, trigger, hard):
        """Call handler(pin) at each edge, with the heap locked, as a hard interrupt does."""
        world.attach(self, handler)

    def value(self):
        """Low while the button is pressed."""
        return 0 if world.button_down() else 1


class I2C:
    """A bus on which each byte takes its time and each refusal is an OSError, as on the board."""

    def __init__(self, bus, scl, sda, freq, timeout):
        self._byte_us = 9_000_000 // freq
        self._chips = {}
        if world.dp_address is not None:
            self._chips[world.dp_address] = dp_chip
        if world.air:
            self._chips[0x76] = air_chip

    def _address(self, address, reading, n_bytes):
        world.advance(world.now_us + self._byte_us * (n_bytes + 1))
        chip = self._chips.get(address)
        if chip is None or not chip.address(reading):
            raise OSError(5)
        return chip

    def writeto(self, address, data):
        """Address, bytes, stop."""
        chip = self._address(address, False, len(data))
        for byte in data:
            if not chip.write(byte):
                raise OSError(5)

    def readfrom_into(self, address, data):
        """Address, fill `data`, stop."""
        chip = self._address(address, True, len(data))
        for i in range(len(data)):
            data[i] = chip.read()

    def readfrom_mem_into(self, address, register, data):
        """Register's address, then as many bytes as `data` holds."""
        if not self._address(address, False, 1).write(register):
            raise OSError(5)
        self.readfrom_into(address, data)

    def writeto_mem(self, address, register, data):
        """Register's address and its new contents."""
        chip = self._address(address, False, 1 + len(data))
        chip.write(register)
        for byte in data:
            chip.write(byte)


# Chips keep their power when the board restarts.
dp_chip = DpChip(world)
air_chip = AirChip(world)
