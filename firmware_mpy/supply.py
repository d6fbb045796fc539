"""The supply's voltage at an analog pin behind a divider; no pin, no opinion."""

import machine

import settings

FULL_MV = 3300
HYSTERESIS_MV = 100


class Supply:
    """`low` says whether it is under what was chosen."""

    def __init__(self):
        pin = settings.values["pin_supply"]
        self._adc = machine.ADC(machine.Pin(pin)) if pin >= 0 else None
        if self._adc is not None and hasattr(machine.ADC, "ATTN_11DB"):
            self._adc.atten(machine.ADC.ATTN_11DB)  # the ESP32 measures up to 1 V without it
        self.low = False

    def read(self):
        """Look; whether `low` changed."""
        if self._adc is None:
            return False
        mv = (self._adc.read_u16() * FULL_MV >> 16) * settings.values["supply_parts"]
        was_low = self.low
        self.low = mv < settings.values["supply_low_mv"] + (HYSTERESIS_MV if was_low else 0)
        return self.low != was_low
