"""The cues that the board can play, and what each tells the person who holds the hood.

The patterns themselves are the firmware's (`cues.py` there); names and order are the same, which a test compares.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

__all__ = ["CUES"]

CUES: Final = MappingProxyType(
    {
        "seated": "One short tone: the hood is on the terminal, hold it still.",
        "steady": "Two short tones: the flow has settled and is being averaged, keep holding.",
        "done": "Three tones going up, the last one long: the reading is final, take the hood off.",
        "again": "Five quick tones, high and low by turns: that was not long or not calm enough, hold it once more.",
        "turn-more": "Two pairs going up, short and long: open the valve further.",
        "turn-less": "Two pairs going down, long and short: close the valve a little.",
        "trouble": "Three long low tones: look at the board or the host, something needs you before it goes on.",
    }
)
"""Meaning by name, in the firmware's order."""
