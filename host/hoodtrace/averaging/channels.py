"""One plateau seen through both channels: two flows of every sample, their means, and what each mean is worth.

`observe` turns the samples of a plateau into an `Observed`: series in m3/s on one time axis with the cuts taken out,
the direction, which channels say something, and the flags for what they don't. No averaging over the correlation
yet; that is `mean` and `reading`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.frames import FloatArray, IntArray
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Hood, Taps
from hoodtrace.physics.taps import by_exponent_m3_s, pressure_factor, steady_dp_pa, u_air_rel
from hoodtrace.physics.vane import speed_m_s
from hoodtrace.wire.lines import FROM_LOG

MOST_INVALID = 0.01
MOST_SLOW = 0.10
"""The vane's mean counts while at most this part of the time is under its start speed (own choice)."""
MOST_REVERSED = 0.05
LONGEST_STEP_US = 1_000_000
"""A hole between two samples longer than this is not part of the record."""
CLEAR = 0.5
"""The signs of three samples in four agree."""
USUAL_EDGES = 8
"""Of a turn, where the hood file does not say: many vanes have 1, 2, 4 or 8 (own choice)."""
SAYS = 2.0
"""A pressure under so many of its standard uncertainties says nothing."""


@dataclass(frozen=True, slots=True)
class Plane:
    """The samples of one plateau, shape (n,), as they came; `kept` is False where an event was cut out.

    `edges_at` is the vane's position in edges, `dp_pa` the chip's reading without the zero error (NaN not valid),
    `over` the sign where it was beyond the chip's
    range and 0 elsewhere, `air_index` points into `airs`.
    """

    t_us: IntArray
    edges_at: FloatArray
    dp_pa: FloatArray
    over: NDArray[np.int8]
    flags: NDArray[np.uint8]
    kept: NDArray[np.bool_]
    air_index: IntArray
    airs: tuple[Air, ...]

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which steps from one sample to the next are part of the record, shape (n - 1,)."""
        step_us = np.diff(self.t_us)
        used: NDArray[np.bool_] = self.kept[1:] & self.kept[:-1] & (step_us > 0) & (step_us <= LONGEST_STEP_US)
        return used


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel's view: series (m3/s, shape (n,), mean = `mean_m3_s`), and its own standard uncertainties (m3/s).

    `dof_scale` are the degrees of freedom of the hood's constants in `u_scale_m3_s`.
    """

    series_m3_s: FloatArray
    mean_m3_s: float
    u_scale_m3_s: float
    u_own_m3_s: dict[str, float]
    dof_scale: float = math.inf

    @property
    def u_systematic_m3_s(self) -> float:
        """All but the random part, m3/s."""
        return math.hypot(self.u_scale_m3_s, *self.u_own_m3_s.values())


@dataclass(frozen=True, slots=True)
class Observed:
    """A plateau through both channels; `dt_s` weighs the series, `limit_m3_s` is the
    flow that both channels together could have missed; `window_s` is the time over which the vane's series is smoothed.
    """

    dt_s: FloatArray
    direction: str
    vane: Channel | None
    taps: Channel | None
    turbulence_rel: float
    limit_m3_s: float
    taps_limit_m3_s: float
    flags: tuple[str, ...]
    reverses: bool
    speed_m_s: float
    dp_mean_pa: float
    air: Air
    window_s: float = 0.0

    @property
    def used_s(self) -> float:
        """Time that the series cover, s."""
        return float(self.dt_s.sum())


def observe(plane: Plane, hood: Hood) -> Observed | None:
    """Return what the channels see on a plateau; None where no two samples are kept in a row."""
    use = plane.used
    if not use.any():
        return None
    dt_s = np.diff(plane.t_us)[use] * 1e-6
    hz = np.diff(plane.edges_at)[use] / dt_s
    air = plane.airs[int(plane.air_index[len(plane.air_index) // 2])]
    flags: list[str] = []
    if any(air.assumed for air in plane.airs):
        flags.append("air assumed")
    taps_missing, dp_pa = _valid_dp(plane, use, hood, dt_s)
    direction, reverses, mean_pa, u_mean_pa = _direction(dp_pa, dt_s, hood)
    if taps_missing == "taps over range":
        # Beyond the range the size is not known, the sign is: most samples decide.
        votes = np.sign(np.where(plane.over != 0, plane.over, np.nan_to_num(plane.dp_pa))).mean()
        direction = "unknown" if abs(votes) < CLEAR else ("supply" if votes > 0 else "extract")
    vane, speed, slow_limit = _vane(hz, dt_s, hood, direction)
    if reverses:
        flags.append("reversing")
        vane = None
    taps = None
    fluctuation = 0.0
    taps_limit = math.inf
    table = hood.taps_for(direction)
    if dp_pa is not None and table is not None:
        per_pa = np.array([_flow2_per_pa(a, hood, table) for a in plane.airs])[plane.air_index[1:][use]]
        scale = math.sqrt(float(np.average(per_pa, weights=dt_s)))
        taps_limit = by_exponent_m3_s(scale * math.sqrt(abs(mean_pa) + SAYS * u_mean_pa), hood.area_m2, table)
        if abs(mean_pa) >= SAYS * u_mean_pa:
            if reverses:
                taps = _reversing_taps(dp_pa * per_pa, dt_s, hood.area_m2, table, mean_pa)
            else:
                means = (plane.flags[1:][use] & FROM_LOG) != 0
                # By time: ten lines at the full rate cover no more of it than one of the log.
                from_log = bool(np.average(means, weights=dt_s) > 0.5)
                flow2 = dp_pa * per_pa
                taps, fluctuation = _taps(flow2, dt_s, hood.area_m2, table, air, mean_pa, means if from_log else None)
                flags += ["from log"] if from_log else []
    window_s = 0.0
    if taps is None and vane is not None and vane.mean_m3_s > 0.0:
        vane, window_s = _over_a_turn(vane, hz, dt_s, hood)
        fluctuation = float(np.std(vane.series_m3_s)) / vane.mean_m3_s
    if taps_missing is not None:
        flags.append(taps_missing)
    return Observed(
        dt_s,
        direction,
        vane,
        taps,
        fluctuation,
        min(slow_limit, taps_limit),
        taps_limit,
        tuple(flags),
        reverses,
        speed,
        mean_pa,
        air,
        window_s,
    )


def _valid_dp(
    plane: Plane, use: NDArray[np.bool_], hood: Hood, dt_s: FloatArray
) -> tuple[str | None, FloatArray | None]:
    """Return dp over the used steps with short invalid stretches bridged, or the flag that says why there is none."""
    if hood.taps is None:
        return None, None
    dp_pa = plane.dp_pa[1:][use]
    if float(np.sum(dt_s[plane.over[1:][use] != 0]) / np.sum(dt_s)) > MOST_INVALID:
        return "taps over range", None
    bad = np.isnan(dp_pa)
    if bad.mean() > MOST_INVALID:
        return "taps not valid", None
    if bad.any():
        at = np.flatnonzero(~bad)
        dp_pa = dp_pa.copy()
        dp_pa[bad] = np.interp(np.flatnonzero(bad), at, dp_pa[at])
    return None, dp_pa


def _direction(dp_pa: FloatArray | None, dt_s: FloatArray, hood: Hood) -> tuple[str, bool, float, float]:
    """Return direction, whether the air reverses, mean dp and its standard uncertainty (Pa)."""
    if dp_pa is None or hood.taps is None:
        return "unknown", False, 0.0, 0.0
    mean_pa = float(np.average(dp_pa, weights=dt_s))
    blocks, length = short_means(dp_pa, 60)
    noise = math.sqrt(_noise_variance(dp_pa) / length)
    # Neighbouring blocks are correlated: twice the naive standard error (own choice; it only decides the sign).
    u_pa = math.hypot(hood.taps.u_zero_pa, 2.0 * float(np.std(blocks)) / math.sqrt(len(blocks)))
    if abs(mean_pa) < SAYS * u_pa:
        direction = "unknown"
    else:
        direction = "supply" if mean_pa > 0 else "extract"
    forth, back = np.mean(blocks > 2.0 * noise), np.mean(blocks < -2.0 * noise)
    floor = hood.taps.u_zero_pa
    against = np.mean(blocks < -floor) if mean_pa > 0 else np.mean(blocks > floor)
    reverses = bool(min(forth, back) > MOST_REVERSED and against > MOST_REVERSED)
    return direction, reverses, mean_pa, u_pa


def _vane(hz: FloatArray, dt_s: FloatArray, hood: Hood, direction: str) -> tuple[Channel | None, float, float]:
    """Return the vane's channel if it says something, the mean speed (m/s), and the flow at its start speed."""
    vane = hood.vane_for(direction)
    limit = hood.start_flow_m3_s(direction)
    if vane is None or limit is None:
        return None, 0.0, math.inf
    speed = speed_m_s(hz, vane)
    mean = float(np.average(speed, weights=dt_s))
    slow = float(np.sum(dt_s[speed < vane.start_m_s]) / np.sum(dt_s))
    if mean <= vane.start_m_s or slow > MOST_SLOW:
        return None, mean, limit
    series = vane.k * hood.area_m2 * speed
    flow = vane.k * hood.area_m2 * mean
    u_scale = vane.k * hood.area_m2 * vane.u_scale_m_s(mean)
    return Channel(series, flow, u_scale, {}, vane.dof_k or math.inf), mean, limit


def _over_a_turn(vane: Channel, hz: FloatArray, dt_s: FloatArray, hood: Hood) -> tuple[Channel, float]:
    """Return the vane's channel with its series smoothed over one turn, and that time, s.

    Blades and magnets are never spaced evenly: edge by edge that looks like fast air, which a vane alone can't tell
    apart. Over a whole turn it is gone; the mean stays.
    """
    edges = hood.vane.edges_per_rev if hood.vane is not None else None
    turn_s = (edges or USUAL_EDGES) / max(float(np.average(hz, weights=dt_s)), 1e-6)
    n = min(round(turn_s / float(np.median(dt_s))), len(hz) // 4)
    if n < 2 or np.ptp(vane.series_m3_s) < 1e-6 * vane.mean_m3_s:  # rounding is no air
        return vane, 0.0
    sums = np.concatenate([[0.0], np.cumsum(vane.series_m3_s * dt_s)])
    times = np.concatenate([[0.0], np.cumsum(dt_s)])
    at = np.arange(len(hz))
    low, high = np.maximum(at - n // 2, 0), np.minimum(at - n // 2 + n, len(hz))
    smooth = (sums[high] - sums[low]) / (times[high] - times[low])
    smooth += vane.mean_m3_s - np.average(smooth, weights=dt_s)
    return replace(vane, series_m3_s=smooth), n * float(np.median(dt_s))


def _taps(
    flow2: FloatArray,
    dt_s: FloatArray,
    area_m2: float,
    taps: Taps,
    air: Air,
    mean_pa: float,
    from_log: NDArray[np.bool_] | None,
) -> tuple[Channel | None, float]:
    """Return the taps' channel from `flow2` and the turbulence index.

    `flow2` is the flow squared with the sign of dp (m6/s2) that an exponent of 0.5 would give; another exponent, which
    is near that, is put on the mean, and on the series as a straight line about it. `from_log` says which values are
    means of the log, where most of the time is; else None.
    """
    sign = math.copysign(1.0, mean_pa)
    mean2 = sign * float(np.average(flow2, weights=dt_s))
    variance2 = 0.0 if from_log is not None else max(0.0, min(_smooth_variance(flow2), float(np.var(flow2))))
    steady2 = steady_dp_pa(mean2, variance2)
    if steady2 <= 0.0:
        return None, 0.0
    flow = math.sqrt(steady2)
    turbulence = math.sqrt(max(mean2 / steady2 - 1.0, 0.0))
    own: dict[str, float] = {}
    if from_log is not None:
        # Means over the log's intervals hide the fast part: half its square is the correction, and its own doubt.
        # Values at the full rate among them would bring the chip's noise in.
        turbulence = math.sqrt(max(0.0, float(np.var(flow2[from_log])))) / (2.0 * steady2)
        own["fluctuation in the log"] = flow * turbulence**2 / 2.0
        flow *= 1.0 - turbulence**2 / 2.0
    root, n = flow, taps.exponent
    speed2 = (root / (taps.c * area_m2)) ** 2
    flow = by_exponent_m3_s(root, area_m2, taps)
    own = {name: 2.0 * n * flow / root * u for name, u in own.items()}
    own["zero"] = flow * n * taps.u_zero_pa / abs(mean_pa)
    u_density_rel, u_pressure_rel = u_air_rel(taps, air)
    own["temperature and humidity"], own["pressure"] = flow * u_density_rel, flow * u_pressure_rel
    series = flow + n * flow / root * (sign * flow2 - mean2) / root
    return Channel(series, flow, taps.u_scale_rel(speed2) * flow, own, taps.dof_c or math.inf), turbulence


def _reversing_taps(flow2: FloatArray, dt_s: FloatArray, area_m2: float, taps: Taps, mean_pa: float) -> Channel | None:
    """Return the taps' channel where the air turns round: the signed root of short means, then their mean."""
    n = max(1, len(flow2) // max(1, round(0.2 / float(np.median(dt_s)))))
    pieces = np.array_split(np.arange(len(flow2)), n)
    root = np.empty(len(flow2))
    for piece in pieces:
        mean2 = float(np.mean(flow2[piece]))
        root[piece] = math.copysign(by_exponent_m3_s(math.sqrt(abs(mean2)), area_m2, taps), mean2)
    series = math.copysign(1.0, mean_pa) * root
    flow = float(np.average(series, weights=dt_s))
    if flow <= 0.0:
        return None
    typical = float(np.average(np.abs(series), weights=dt_s))
    zero = typical * taps.exponent * taps.u_zero_pa / abs(mean_pa)
    speed2 = (typical / (taps.c * area_m2)) ** (1.0 / taps.exponent)
    return Channel(series, flow, taps.u_scale_rel(speed2) * flow, {"zero": zero}, taps.dof_c or math.inf)


def _flow2_per_pa(air: Air, hood: Hood, taps: Taps) -> float:
    """Flow squared over the chip's reading, m6/s2/Pa."""
    return (taps.c * hood.area_m2) ** 2 * 2.0 * pressure_factor(taps, air) / air.density_kg_m3


def short_means(x: FloatArray, n: int) -> tuple[FloatArray, int]:
    """Return means of up to `n` equal pieces of `x` (the rest at the end falls away), and a piece's length."""
    length = max(1, len(x) // n)
    means: FloatArray = x[: len(x) // length * length].reshape(-1, length).mean(axis=1)
    return means, length


def _noise_variance(x: FloatArray) -> float:
    """Variance of the white part, from the covariance at lags 0, 1 and 2 (straight line to lag 0)."""
    return max(0.0, float(np.var(x)) - _smooth_variance(x))


def _smooth_variance(x: FloatArray) -> float:
    """Variance of `x` without its white part: the covariance at lags 1 and 2 carried on to lag 0."""
    if len(x) < 4:
        return 0.0
    d = x - x.mean()
    return float(2.0 * np.sum(d[1:] * d[:-1]) - np.sum(d[2:] * d[:-2])) / len(x)
