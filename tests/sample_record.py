"""A calibration record for tests: `sample_record(n_points, ...)`, made by formulas from stated constants, no chance.

No part of it is computed by the package; the numbers need not come from any fit.
"""

from __future__ import annotations

import datetime
import math

from hoodtrace.calibration.record import (
    Band,
    Channel,
    Conditions,
    Direction,
    Fit,
    HoodWords,
    OtherDirection,
    Record,
    RecordPoint,
    Reference,
    SecondTerm,
    Signal,
    Term,
    Trace,
)

AREA_M2 = math.pi / 4.0 * 0.104**2
VANE_K = 0.9312
TAPS_C = 0.7135


def sample_record(
    n_points: int,
    *,
    name: str = "pipe hood 1",
    kinds: tuple[str, ...] = ("timed bag",),
    both: bool = False,
    taps: bool = True,
    words: str = "scale of the volume",
) -> Record:
    """Return a record of `n_points` points from 20 to 75 m3/h, references of `kinds` in turn, one direction or both."""
    points = tuple(_point(i, n_points, kinds, both=both, taps=taps) for i in range(n_points))
    directions: tuple[Direction, ...] = ("supply", "extract") if both else ("supply",)
    channels: tuple[Channel, ...] = ("vane", "taps") if taps else ("vane",)
    return Record(
        hood=HoodWords(name, 104.0, 200.0),
        method="points fitted with errors in both axes, the reference's shared errors kept apart",
        date=datetime.date(2026, 3, 14),
        due=datetime.date(2027, 3, 14),
        points=points,
        fits=tuple(_fit(direction, channel) for direction in directions for channel in channels),
        other=None if both else OtherDirection("extract", "checked", 45.0, -0.0234, 0.031),
        references=tuple(
            Reference(
                kind,
                tuple(p.number for p in points if p.kind == kind),
                (
                    Term(words, 0.01, 0.01),
                    Term("start and stop of the clock", 0.003, 0.012),
                    Term("air warmed", 0.002, 0.002),
                ),
            )
            for kind in kinds
        ),
        conditions=Conditions(21.4, 98_765.0, 0.437),
        traces=tuple(Trace(f"point{i + 1}.trace", f"{i:x}" * 64) for i in range(n_points)),
        software="hoodtrace 0.1.0",
    )


def _point(index: int, n_points: int, kinds: tuple[str, ...], *, both: bool, taps: bool) -> RecordPoint:
    flow_m3h = 20.0 + 55.0 * index / (n_points - 1)
    direction: Direction = "extract" if both and index % 2 else "supply"
    off = 0.01 * math.sin(2.0 * index + 1.0)
    speed_m_s = flow_m3h / 3600.0 / AREA_M2 / VANE_K / (1.0 + off)
    taps_m_s = flow_m3h / 3600.0 / AREA_M2 / TAPS_C / (1.0 - off)
    return RecordPoint(
        index + 1,
        direction,
        kinds[index % len(kinds)],
        flow_m3h,
        0.0081,
        0.0112,
        Signal(speed_m_s, 0.01, VANE_K * (1.0 + off), off, 0.0193),
        Signal(taps_m_s, 0.01, TAPS_C * (1.0 - off), -off, 0.0177) if taps else None,
    )


def _fit(direction: Direction, channel: Channel) -> Fit:
    flows = tuple(20.0 + 70.0 * i / 40 for i in range(41))
    factor = (VANE_K if channel == "vane" else TAPS_C) * (0.97 if direction == "extract" else 1.0)
    bend = 0.3 if channel == "vane" else 0.1
    return Fit(
        direction=direction,
        channel=channel,
        factor=factor,
        u_factor_rel=0.0142,
        dof=6.4 if channel == "vane" else math.inf,
        second=SecondTerm("d_offset", -0.0312, 0.0187, -0.87) if channel == "vane" else None,
        range_m3h=(20.0, 90.0),
        band=Band(
            flows, tuple(factor * (1.0 - bend / f) for f in flows), tuple(factor * (0.02 + 0.2 / f) for f in flows)
        ),
        lack_of_fit="The points lie no farther from the line than their errors explain (chance 41 %).",
        leave_one_out="Without any one of them k moves by 0.6 % at most (point 3).",
    )
