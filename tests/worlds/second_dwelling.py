"""A house with a fan, ducts and terminals of the second generator: what a terminal gives with and without a hood.

Contract: `draw_house` draws a `House`, `terminal_m3h` solves it for a hood of any resistance on the first terminal.
Ducts and terminals follow q = B dp^n with an exponent each; the fan is a curve; nothing here knows hoodtrace. Flows in
m3/h, pressures in Pa, resistances in Pa per (m3/h)^2.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Literal

import numpy as np

Fan = Literal["steep", "flat", "constant total", "held"]
FANS: tuple[Fan, ...] = ("steep", "flat", "constant total", "held")
AIR_KG_M3 = 1.2


@dataclass(frozen=True, slots=True)
class House:
    """Terminals b[i] (m3/h at 1 Pa) with exponents n[i] behind a main of resistance `main`, on one fan.

    The fan gives shut_pa - fall * Q^2, or the flow `total_m3h` whatever it takes; with "held" a regulator keeps the
    first terminal at its flow.
    """

    fan: Fan
    b: tuple[float, ...]
    n: tuple[float, ...]
    main: float
    shut_pa: float
    fall: float
    total_m3h: float
    held_m3h: float


def bisect(rising: object, low: float, high: float) -> float:
    """Zero of a rising function between two ends."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)  # type: ignore[operator]
    return 0.5 * (low + high)


def branch_m3h(house: House, i: int, behind_pa: float, hood_k: float) -> float:
    """Flow of terminal i under a pressure in the main, with a hood of resistance `hood_k` in front of it."""
    open_m3h = house.b[i] * behind_pa ** house.n[i]
    if hood_k == 0.0:
        return open_m3h
    return bisect(lambda q: (q / house.b[i]) ** (1 / house.n[i]) + hood_k * q * q - behind_pa, 0.0, open_m3h)


def flows_m3h(house: House, hood_k: float) -> tuple[float, float]:
    """Flow of the first terminal, and pressure in the main (Pa), with a hood on that terminal."""

    def total(behind_pa: float) -> float:
        own = house.held_m3h if house.fan == "held" else branch_m3h(house, 0, behind_pa, hood_k)
        return own + sum(branch_m3h(house, i, behind_pa, 0.0) for i in range(1, len(house.b)))

    def surplus(behind_pa: float) -> float:
        q = total(behind_pa)
        if house.fan == "constant total":
            return q - house.total_m3h
        return behind_pa + house.main * q * q - (house.shut_pa - house.fall * q * q)

    behind_pa = bisect(surplus, 1e-6, 20 * house.shut_pa)
    own = house.held_m3h if house.fan == "held" else branch_m3h(house, 0, behind_pa, hood_k)
    return own, behind_pa


def hood_resistance(bore_mm: float, loss: float) -> float:
    """Resistance of a pipe with a loss coefficient, Pa per (m3/h)^2: loss * density / 2 * v^2."""
    area_m2 = pi / 4 * (bore_mm / 1000) ** 2
    return loss * AIR_KG_M3 / 2 / (3600 * area_m2) ** 2


def draw_house(rng: np.random.Generator, fan: Fan, first_m3h: float, behind_pa: float) -> House:
    """A house in which the first terminal gives about `first_m3h` from `behind_pa` in the main, with no hood."""
    many = int(rng.integers(3, 13))
    n = rng.uniform(0.5, 0.65, many)
    flows = np.concatenate([[first_m3h], rng.uniform(0.4, 1.6, many - 1) * first_m3h])
    b = flows / behind_pa**n
    q = float(flows.sum())
    main = rng.uniform(0.0, 0.4) * behind_pa / q**2
    at_fan_pa = behind_pa + main * q**2
    # Pressure with everything shut over that at work: 1.05 to 1.4 is flat, 2 to 6 is steep.
    rise = rng.uniform(1.05, 1.4) if fan == "flat" else rng.uniform(2.0, 6.0)
    shut_pa = rise * at_fan_pa
    return House(fan, tuple(b), tuple(n), main, shut_pa, (shut_pa - at_fan_pa) / q**2, q, first_m3h)
