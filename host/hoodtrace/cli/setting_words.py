"""What each setting of the board is for, in a few words; what it may be the board says itself."""

from __future__ import annotations

_MEANING = {
    "rate_hz": "samples a second",
    "edges_per_rev": "pulses of the vane's pickup in one turn: count its blades or magnets",
    "counting": "how pulses are counted: best, or by pin interrupt alone",
    "filter_us": "microseconds that a pulse must last to be counted; shorter ones are bounce",
    "dp": "kind of pressure chip",
    "air": "kind of air sensor (temperature, humidity, pressure)",
    "log": "whether the board logs to its flash while no computer listens",
    "field": "field mode: a watchdog restarts a board that hangs",
    "i2c_id": "which of the chip's I2C units the sensors' bus is on",
    "i2c_hz": "clock of the sensors' bus, Hz; slower for long wires",
    "supply_low_mv": "supply voltage under which no flash is written, mV",
    "supply_parts": "divider in front of pin_supply: the voltage there times this is the supply",
    "pin_supply": "pin (GPIO number) that watches the supply voltage through a divider",
    "pin_vane": "pin (GPIO number) of the vane's pickup",
    "pin_button": "pin (GPIO number) of the button",
    "pin_buzzer": "pin (GPIO number) of the buzzer",
    "pin_led": "pin (GPIO number) of the LED",
    "pin_sda": "pin (GPIO number) of the sensors' bus, data",
    "pin_scl": "pin (GPIO number) of the sensors' bus, clock",
}


def meaning(name: str) -> str:
    """Return what the setting is for; empty for one that this program does not know."""
    return _MEANING.get(name, "")
