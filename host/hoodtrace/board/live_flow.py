"""The flow of the last second, for the eye only: no zero found again, no interval, no correction.

Readings come from `averaging`; this shows people that hood, vane and taps are alive and roughly where the flow is.
Keeps the samples of the last second and nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hoodtrace.physics.air import assumed_air, measured_air
from hoodtrace.physics.hood import Hood
from hoodtrace.physics.taps import flow_m3_s, pressure_factor
from hoodtrace.physics.vane import speed_m_s
from hoodtrace.units import m3h
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.lines import AGE_SATURATED_US, DP_INVALID, EDGES_MODULUS

if TYPE_CHECKING:
    from hoodtrace.board.recorder import Status

SPAN_US = 1_000_000
_NAMES = ("t_us", "edges", "age_us", "raw_dp", "flags")


class LiveFlow:
    """Flows of both channels of `hood` over the newest second; `feed` it what the recorder decodes."""

    def __init__(self, hood: Hood) -> None:
        self._hood = hood
        self._rows = np.empty((0, len(_NAMES)), np.int64)

    def feed(self, decoded: Decoded) -> None:
        """Take the next block; lines sent again and those of an earlier boot fall out by their time."""
        samples = decoded.samples
        if not len(samples):
            return
        rows = np.concatenate([self._rows, np.column_stack([getattr(samples, name) for name in _NAMES])])
        # Time that goes back by more than the board's memory can send again is a new boot.
        back = np.flatnonzero(np.diff(rows[:, 0]) < -120_000_000)
        rows = rows[back[-1] + 1 :] if len(back) else rows
        rows = rows[rows[:, 0] >= rows[:, 0].max() - SPAN_US]
        self._rows = rows[np.unique(rows[:, 0], return_index=True)[1]]

    def flows_m3_s(self, status: Status) -> tuple[float | None, float | None]:
        """Return the flows of vane (never negative) and taps (positive: supply), m3/s; None where one says nothing.

        References
        ----------
        Own derivation; the channels' formulas are those of `physics.vane` and `physics.taps`.
        """
        return self._vane_m3_s(), self._taps_m3_s(status)

    def words(self, status: Status) -> str:
        """Return both flows in m3/h for the live line."""
        vane, taps = self.flows_m3_s(status)
        shown = [
            f"{name} {m3h(flow):.1f}" if flow is not None else f"{name} --"
            for name, table, flow in (("vane", self._hood.vane, vane), ("taps", self._hood.taps, taps))
            if table is not None
        ]
        return f"{self.direction} " * (self._hood.taps is not None) + ", ".join(shown) + " m3/h"

    def _vane_m3_s(self) -> float | None:
        vane = self._hood.vane_for(self.direction)
        if vane is None or len(self._rows) < 2:
            return None
        dated = self._rows[self._rows[:, 2] < AGE_SATURATED_US]
        if len(dated) < 2:
            return 0.0
        edge_us = dated[:, 0] - dated[:, 2]
        span_us = int(edge_us[-1] - edge_us[0])
        if span_us <= 0:
            return 0.0
        n_edges = int(dated[-1, 1] - dated[0, 1]) % EDGES_MODULUS
        speed = float(speed_m_s(np.array(n_edges / (span_us / 1e6)), vane))
        return vane.k * self._hood.area_m2 * speed if speed >= vane.start_m_s else 0.0

    def _taps_m3_s(self, status: Status) -> float | None:
        taps = self._hood.taps_for(self.direction)
        counts_per_pa = status.hello.get("dp_counts_per_pa")
        valid = self._rows[(self._rows[:, 4] & DP_INVALID) == 0]
        if taps is None or not isinstance(counts_per_pa, int | float) or counts_per_pa <= 0 or not len(valid):
            return None
        said = status.air or {}
        altitude_m = self._hood.altitude_m
        air = measured_air(said.get("temp_c"), said.get("rh_pct"), said.get("pressure_pa"), altitude_m)
        air = air if air is not None else assumed_air(altitude_m)
        dp_pa = (float(valid[:, 3].mean()) / counts_per_pa - taps.zero_pa) * pressure_factor(taps, air)
        return float(flow_m3_s(np.array(dp_pa), self._hood.area_m2, taps, air.density_kg_m3))

    @property
    def direction(self) -> str:
        """Return the direction by the sign of the raw dp; "supply" where there is none."""
        valid = self._rows[(self._rows[:, 4] & DP_INVALID) == 0]
        return "extract" if len(valid) and valid[:, 3].mean() < 0 else "supply"
