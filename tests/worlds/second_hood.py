"""The hood of the second generator: what its file says, and what is true.

Contract: `Hood` holds the values of a hood file and the physical facts that no file states; errors
drawn from the file's standard uncertainties make the `TrueHood` of one visit. Nothing here knows hoodtrace.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np


@dataclass(frozen=True, slots=True)
class Hood:
    """A pipe hood with a vane and taps; `response_length_m` is true also when the file does not give it."""

    bore_mm: float = 104.0
    length_mm: float = 200.0
    offset_m_s: float = 0.14
    gain_m_s_per_hz: float = 0.047
    start_m_s: float = 0.25
    k: float = 0.93
    k_extract: float | None = None
    u_k_rel: float = 0.02
    response_length_m: float = 0.3
    response_given: bool = True
    edges_per_rev: int = 4
    edges_given: bool = False
    c: float = 0.71
    c_extract: float | None = None
    u_c_rel: float = 0.025
    zero_pa: float = 0.0
    u_zero_pa: float = 0.02
    reference_pressure_pa: float | None = 96600.0
    r_k_c: float = 0.0
    has_vane: bool = True
    has_taps: bool = True

    @property
    def area_m2(self) -> float:
        """Area of the bore (m2)."""
        return pi / 4 * (self.bore_mm / 1000) ** 2

    def k_of(self, direction: str) -> float:
        """The file's k-factor (1) for a direction."""
        return self.k if direction == "supply" or self.k_extract is None else self.k_extract

    def c_of(self, direction: str) -> float:
        """The file's taps coefficient (1) for a direction."""
        return self.c if direction == "supply" or self.c_extract is None else self.c_extract


@dataclass(frozen=True, slots=True)
class TrueHood:
    """What the file does not know: its k and c are off by these factors, the zero in a hold by `zero_shift_pa`."""

    k_factor: float = 1.0
    c_factor: float = 1.0
    zero_shift_pa: float = 0.0


def drawn_errors(hood: Hood, rng: np.random.Generator) -> TrueHood:
    """Errors of one visit, drawn from the file's standard uncertainties, k and c correlated by `r_k_c`."""
    first, second, third = rng.standard_normal(3)
    both = hood.r_k_c * first + sqrt(1 - hood.r_k_c**2) * second
    return TrueHood(1 + hood.u_k_rel * first, 1 + hood.u_c_rel * both, hood.u_zero_pa * third)


def hood_toml(hood: Hood, name: str = "second hood") -> str:
    """Text of the hood file."""
    lines = [f'name = "{name}"']
    if hood.r_k_c:
        lines.append(f"r_k_c = {hood.r_k_c}")
    lines += ["", "[pipe]", f"bore_mm = {hood.bore_mm}", f"length_mm = {hood.length_mm}"]
    if hood.has_vane:
        lines += ["", "[vane]", f"offset_m_s = {hood.offset_m_s}", f"gain_m_s_per_hz = {hood.gain_m_s_per_hz}"]
        lines += [f"start_m_s = {hood.start_m_s}", f"k = {hood.k}", f"u_k_rel = {hood.u_k_rel}"]
        if hood.response_given:
            lines.append(f"response_length_m = {hood.response_length_m}")
        if hood.edges_given:
            lines.append(f"edges_per_rev = {hood.edges_per_rev}")
        if hood.k_extract is not None:
            lines += ["", "[vane.extract]", f"k = {hood.k_extract}"]
    if hood.has_taps:
        lines += ["", "[taps]", "count = 4", f"c = {hood.c}", f"u_c_rel = {hood.u_c_rel}"]
        lines += [f"zero_pa = {hood.zero_pa}", f"u_zero_pa = {hood.u_zero_pa}"]
        if hood.reference_pressure_pa is not None:
            lines.append(f"reference_pressure_pa = {hood.reference_pressure_pa}")
        if hood.c_extract is not None:
            lines += ["", "[taps.extract]", f"c = {hood.c_extract}"]
    return "\n".join(lines) + "\n"
