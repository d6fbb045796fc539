"""Vane, taps, chip and lines of the second generator: from flow against time to the bytes of a trace.

Contract: `vane_speed_m_s` and `edge_times_s` are the vane, `raw_dp` is the taps with their chip, `sample_lines` and
`line` write the grammar of the wire. Arrays in, arrays out; times in seconds from the first sample. CRC is zlib's.
Nothing here knows hoodtrace.
"""

from __future__ import annotations

import json
import zlib
from math import exp

import numpy as np
from numpy.typing import NDArray

from worlds.second_hood import Hood

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A running vane keeps on down to this share of the speed that it starts at.
STOPS_AT = 0.85
S_BYTES = 61


def vane_speed_m_s(air_m_s: Floats, step_s: float, hood: Hood) -> Floats:
    """Speed (m/s, signed) that the vane shows of the air's speed at the vane.

    dv/dt = |air| (air - v) / L while it runs; under the stop speed friction brings it to rest in about L / start; at
    rest it waits for the start speed. Loops in plain Python: some 0.3 us a sample.

    References
    ----------
    First-order lag with a distance constant: common model of vane anemometers, from memory. The rest: own model.
    """
    length_m, start_m_s, stop_m_s = hood.response_length_m, hood.start_m_s, STOPS_AT * hood.start_m_s
    coast = exp(-start_m_s / length_m * step_s)
    keep = np.exp(-np.abs(air_m_s) * step_s / length_m).tolist()
    out, shown, runs = [], 0.0, False
    for air, kept in zip(air_m_s.tolist(), keep, strict=True):
        size = abs(air)
        if size >= start_m_s:
            runs = True
        if runs and size >= stop_m_s:
            shown = air + (shown - air) * kept
        else:
            shown *= coast
            if abs(shown) < hood.offset_m_s:
                runs = False
        out.append(shown)
    return np.array(out)


def edge_times_s(shown_m_s: Floats, step_s: float, hood: Hood, phase: float, uneven: Floats) -> Floats:
    """Times (s) of the edges: the turned angle passes marks that stand a little uneven round the wheel.

    Parameters
    ----------
    shown_m_s : ndarray
        Speed that the vane shows at each sample, the first at time 0.
    phase : float
        Angle at time 0, in edges, 0 to 1.
    uneven : ndarray
        Displacement of each mark of one turn, in edges; under 0.5.
    """
    frequency_hz = np.maximum(np.abs(shown_m_s) - hood.offset_m_s, 0) / hood.gain_m_s_per_hz
    angle = phase + np.concatenate([[0.0], np.cumsum((frequency_hz[1:] + frequency_hz[:-1]) / 2 * step_s)])
    marks = np.arange(1, int(angle[-1]) + 1, dtype=np.float64)
    displaced = marks + uneven[marks.astype(np.int64) % len(uneven)]
    displaced = displaced[(displaced > angle[0]) & (displaced <= angle[-1])]
    # Where the wheel stands still the angle is flat; a hair of slope keeps the inverse single-valued.
    slope = 1e-12 * np.arange(len(angle))
    return np.asarray(np.interp(displaced, angle + slope, np.arange(len(angle)) * step_s))


def raw_dp(
    flow_m3_s: Floats, extra_pa: Floats, zero_pa: Floats, c: Floats, density_kg_m3: float, pressure_pa: float,
    hood: Hood, counts_per_pa: int,
) -> Ints:  # fmt: skip
    """Raw counts of the chip: mean pressure over the time since the last sample, through-flow error, zero, rounding.

    The mean of the square over a step is that of a flow which changes evenly from sample to sample; the sign is the
    flow's.
    """
    old = np.concatenate([flow_m3_s[:1], flow_m3_s[:-1]])
    square = np.where(
        old * flow_m3_s > 0,
        np.sign(flow_m3_s) * (old**2 + old * flow_m3_s + flow_m3_s**2) / 3,
        (old * np.abs(old) + flow_m3_s * np.abs(flow_m3_s)) / 2,
    )
    true_pa = density_kg_m3 / 2 * square / (c * hood.area_m2) ** 2 + extra_pa
    through = 1.0 if hood.reference_pressure_pa is None else pressure_pa / hood.reference_pressure_pa
    counts = np.rint((true_pa * through + zero_pa) * counts_per_pa)
    return np.clip(counts, -32768, 32767).astype(np.int64)


def line(kind: str, seq: int, t_us: int, body: str) -> bytes:
    """One whole line."""
    head = f"{kind} {seq % (1 << 28):07x} {t_us:014x} {body}".encode("ascii")
    return head + b" %08x\n" % zlib.crc32(head)


def json_line(kind: str, seq: int, t_us: int, body: dict[str, object]) -> bytes:
    """A J or H line."""
    return line(kind, seq, t_us, json.dumps(body, separators=(",", ":")))


_HEX = np.frombuffer(b"0123456789abcdef", dtype=np.uint8)


def hex_digits(values: Ints, n_digits: int) -> NDArray[np.uint8]:
    """Lower-case hex, one row of `n_digits` bytes a value; negative values as two's complement."""
    shifts = np.arange(4 * (n_digits - 1), -1, -4, dtype=np.int64)
    return _HEX[(values[:, None] >> shifts[None, :]) & 15]


def sample_lines(seq: Ints, t_us: Ints, edges: Ints, age_us: Ints, dp: Ints, temp: Ints, flags: Ints) -> bytes:
    """All S lines of the columns, 61 bytes each."""
    n = len(seq)
    text = np.full((n, S_BYTES), ord(" "), dtype=np.uint8)
    text[:, 0] = ord("S")
    columns = ((2, seq, 7), (10, t_us, 14), (25, edges, 6), (32, age_us, 6), (39, dp, 4), (44, temp, 4), (49, flags, 2))
    for place, values, n_digits in columns:
        text[:, place : place + n_digits] = hex_digits(values, n_digits)
    whole = text.tobytes()
    crc32 = zlib.crc32
    crc = [crc32(whole[at : at + 51]) for at in range(0, n * S_BYTES, S_BYTES)]
    text[:, 52:60] = hex_digits(np.array(crc, dtype=np.int64), 8)
    text[:, 60] = ord("\n")
    return text.tobytes()
