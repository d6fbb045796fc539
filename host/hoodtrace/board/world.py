"""A simulated house for the board: from the steps of a visit to what the sensors would feel, and the truth beside it.

`write_world` writes a folder that the fake machine layer under the real firmware reads; time 0 is the board's boot,
one tick is 5 ms, all numbers are little-endian:

    world.json   tick_us, n_ticks, dp_counts_per_pa, air steps, button, faults
    dp.i32       mean differential pressure of each tick, 1/256 counts, with chip noise, zero and barometric error
    temp.i16     the chip's temperature, one a second, 200 counts per kelvin
    edges.i64    times of the vane's edges [us], missed ones left out
    truth.json   seed, holds with their plateaus and events (board time in seconds), zero error, true hood

One seed gives the same bytes. Shares no code with physics and averaging, which are tested against it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hoodtrace.board.air_motion import (
    TICK_S,
    Carry,
    Direction,
    Door,
    DoorSlam,
    Floats,
    Gust,
    Hold,
    Knock,
    Rest,
    Step,
    Turn,
    Wobble,
    motion,
    n_ticks,
    n_ticks_of,
)

__all__ = [
    "Air", "Carry", "Door", "DoorSlam", "Gust", "Hold", "HoldTruth", "Knock", "Rest", "Scenario", "TrueHood", "Truth",
    "Turn", "Wobble", "write_world",
]  # fmt: skip

TICK_US = 5000
DP_COUNTS_PER_PA = 240
FINE_PER_COUNT = 256
TEMP_COUNTS_PER_K = 200
AIR_STEP_S = 5.0
AIR_SENSOR_LAG_S = 6.0
CHIP_LAG_S = 60.0
CHIP_WARMER_K = 1.5


@dataclass(frozen=True, slots=True)
class Air:
    """The room's air: temperature [degC], relative humidity [%], barometric pressure [Pa]."""

    temp_c: float = 21.0
    rh_pct: float = 45.0
    pressure_pa: float = 98_000.0


@dataclass(frozen=True, slots=True)
class TrueHood:
    """The hood as it really is: the words of the hood file, and what no file knows.

    `k_extract` and `c_extract` hold for air going into the hood (None: as for supply). `zero_pa` is the zero error
    of the chip's reading at boot; `reference_pressure_pa` is None for a chip that needs no barometric correction.
    """

    bore_mm: float = 104.0
    offset_m_s: float = 0.14
    gain_m_s_per_hz: float = 0.047
    start_m_s: float = 0.25
    k: float = 0.93
    c: float = 0.71
    k_extract: float | None = None
    c_extract: float | None = None
    zero_pa: float = 0.0
    reference_pressure_pa: float | None = 96_600.0
    response_length_m: float = 0.4
    edges_per_rev: int = 8
    magnet_uneven_rel: float = 0.03
    missed_edge_probability: float = 1e-4

    @property
    def area_m2(self) -> float:
        """Cross-section of the pipe [m2]."""
        return float(np.pi / 4 * (self.bore_mm / 1000.0) ** 2)

    @property
    def stop_m_s(self) -> float:
        """Speed under which a turning vane sticks [m/s]: 0.7 of the start speed (common practice, no source)."""
        return max(0.7 * self.start_m_s, self.offset_m_s)


@dataclass(frozen=True, slots=True)
class Scenario:
    """All of a visit but its random numbers.

    `noise_pa` is the chip's white noise in each 5 ms tick (standard deviation); the zero error walks away by
    `zero_drift_pa_per_sqrt_h` (standard deviation after one hour). `faults`: (at_s, kind, seconds) with kind
    "dp_crc", "dp_nack" or "restart". `button`: (down_s, up_s).
    """

    hood: TrueHood
    steps: tuple[Step, ...]
    room: Air = Air()
    noise_pa: float = 0.045
    zero_drift_pa_per_sqrt_h: float = 0.03
    faults: tuple[tuple[float, str, float], ...] = ()
    button: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class PlateauTruth:
    """One level of a hold; `weights` are the shares of the variance that the correlation times `taus_s` have."""

    start_s: float
    end_s: float
    flow_m3h: float
    turbulence_rel: float
    taus_s: tuple[float, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class EventTruth:
    """One thing that happened during a hold."""

    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class HoldTruth:
    """One hold in board time: fully seated at `seated_s`, lifting begins at `lifted_s`."""

    terminal: str
    direction: Direction
    seated_s: float
    lifted_s: float
    plateaus: tuple[PlateauTruth, ...]
    events: tuple[EventTruth, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """What truth.json says; `zero_pa` is the zero error of the chip's reading at boot, `zero_end_pa` at the end."""

    seed: int
    duration_s: float
    holds: tuple[HoldTruth, ...]
    zero_pa: float
    zero_end_pa: float
    hood: TrueHood


def write_world(visit: Scenario, folder: Path, seed: int) -> Truth:
    """Simulate a visit and write its World folder (made if missing, files in it overwritten).

    Parameters
    ----------
    visit : Scenario
    folder : Path
        Where world.json, dp.i32, temp.i16, edges.i64 and truth.json go.
    seed : int
        Of numpy's default_rng; the same visit and seed give the same bytes.

    Returns
    -------
    Truth
        The same as in truth.json.

    Examples
    --------
    >>> import tempfile
    >>> visit = Scenario(TrueHood(), (Rest(5.0), Hold("S1", "supply", 45.0, 20.0), Rest(5.0)))
    >>> with tempfile.TemporaryDirectory() as name:
    ...     truth = write_world(visit, Path(name), seed=1)
    >>> hold = truth.holds[0]
    >>> hold.seated_s, hold.lifted_s, hold.plateaus[0].flow_m3h
    (5.5, 25.5, 45.0)
    """
    rng = np.random.default_rng(seed)
    hood, room = visit.hood, visit.room
    moves = [motion(step, rng, hood.area_m2, room.temp_c) for step in visit.steps]
    seen_m3_s = np.concatenate([move.seen_m3_s for move in moves])
    air_temp_c = np.concatenate([move.air_temp_c for move in moves])
    n = len(seen_m3_s)

    zero_pa = _zero_pa(visit, rng, n)
    density_kg_m3 = moist_density_kg_m3(air_temp_c, room.rh_pct, room.pressure_pa)
    dp_pa = taps_pa(seen_m3_s, hood, density_kg_m3) + np.concatenate([move.dp_extra_pa for move in moves])
    if hood.reference_pressure_pa is not None:
        dp_pa *= room.pressure_pa / hood.reference_pressure_pa
    dp_pa += zero_pa
    if visit.noise_pa > 0.0:
        dp_pa += visit.noise_pa * rng.standard_normal(n)
    edge_us = edge_times_us(vane_m_s(seen_m3_s, hood), hood, rng)

    truth = Truth(seed, n * TICK_S, _hold_truths(visit.steps), float(zero_pa[0]), float(zero_pa[-1]), hood)
    world = {
        "tick_us": TICK_US,
        "n_ticks": n,
        "dp_counts_per_pa": DP_COUNTS_PER_PA,
        "edges_per_rev": hood.edges_per_rev,
        "air": _air_steps(air_temp_c, room),
        "button": [[round(t_s * 1e6), down] for pair in visit.button for t_s, down in zip(pair, (1, 0), strict=True)],
        "faults": [[round(at_s * 1e6), kind, round(seconds * 1e6)] for at_s, kind, seconds in visit.faults],
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "world.json").write_text(json.dumps(world) + "\n", encoding="ascii")
    (folder / "truth.json").write_text(json.dumps(asdict(truth), indent=1) + "\n", encoding="ascii")
    (folder / "dp.i32").write_bytes(np.rint(dp_pa * (DP_COUNTS_PER_PA * FINE_PER_COUNT)).astype("<i4").tobytes())
    (folder / "temp.i16").write_bytes(_chip_counts(air_temp_c, rng).astype("<i2").tobytes())
    (folder / "edges.i64").write_bytes(edge_us.astype("<i8").tobytes())
    return truth


def moist_density_kg_m3(temp_c: Floats, rh_pct: float, pressure_pa: float) -> Floats:
    """Density of moist air [kg/m3] from temperature [degC], relative humidity [%] and pressure [Pa].

    References
    ----------
    Gas mixture with the Magnus vapour pressure (Alduchov and Eskridge 1996) and the leading virial term of dry air;
    from memory. Within 50 ppm of CIPM-2007 at 5 to 30 degC.
    """
    temp_k = temp_c + 273.15
    vapour_pa = rh_pct / 100.0 * 610.94 * np.exp(17.625 * temp_c / (temp_c + 243.04))
    compressibility = 1.0 - pressure_pa / temp_k * (1.58123e-6 - 2.9331e-8 * temp_c)
    return np.asarray((pressure_pa - 0.378 * vapour_pa) / (287.05 * temp_k * compressibility), dtype=np.float64)


def taps_pa(flow_m3_s: Floats, hood: TrueHood, density_kg_m3: Floats) -> Floats:
    """Pressure at the taps [Pa] from the flow [m3/s]: density/2 (flow / (c area))^2 with the flow's sign."""
    c = np.where(flow_m3_s < 0.0, hood.c if hood.c_extract is None else hood.c_extract, hood.c)
    speed_m_s = flow_m3_s / (c * hood.area_m2)
    return np.asarray(density_kg_m3 / 2 * speed_m_s * np.abs(speed_m_s), dtype=np.float64)


def vane_m_s(flow_m3_s: Floats, hood: TrueHood) -> Floats:
    """Speed that the vane turns for [m/s, signed, 0 at rest] at the end of each tick, from the flow [m3/s].

    The vane follows the air by d v_i/dt = |v| (v - v_i) / L, exact over a tick of constant air. It starts when the
    air is over the start speed and sticks when it turns for less than `stop_m_s`. Under the start speed the air no
    longer sets the rate: then the blades' own drag does, as if the air went at the start speed, so that in still air
    the vane coasts to rest in a few seconds.

    References
    ----------
    First-order vane with a distance constant L: classical (Kristensen and Busch 1976 for cups), from memory. Start,
    stop and coasting: common practice, no source.
    """
    k = np.where(flow_m3_s < 0.0, hood.k if hood.k_extract is None else hood.k_extract, hood.k)
    air_m_s = flow_m3_s / (k * hood.area_m2)
    rate_m_s = np.maximum(np.abs(air_m_s), hood.start_m_s)
    shares = -np.expm1(-rate_m_s * (TICK_S / hood.response_length_m))
    start, stop = hood.start_m_s, hood.stop_m_s
    turning = 0.0
    turned = []
    for air, share in zip(air_m_s.tolist(), shares.tolist(), strict=True):
        if turning != 0.0:
            turning += (air - turning) * share
            if -stop < turning < stop:
                turning = 0.0
        elif air > start:
            turning = stop
        elif air < -start:
            turning = -stop
        turned.append(turning)
    return np.array(turned)


def edge_times_us(turned_m_s: Floats, hood: TrueHood, rng: np.random.Generator) -> NDArray[np.int64]:
    """Sorted edge times [us since boot] of a vane that turns for `turned_m_s` at each tick's end.

    The edge frequency is that at which offset + gain * frequency is the vane's speed. Magnets sit unevenly by up to
    `magnet_uneven_rel` of their spacing; an edge is missed with `missed_edge_probability`.
    """
    frequency_hz = np.maximum((np.abs(turned_m_s) - hood.offset_m_s) / hood.gain_m_s_per_hz, 0.0)
    mean_hz = (np.concatenate([[0.0], frequency_hz[:-1]]) + frequency_hz) / 2
    passed = rng.uniform() + np.concatenate([[0.0], np.cumsum(mean_hz * TICK_S)])
    uneven = hood.magnet_uneven_rel * rng.uniform(-1.0, 1.0, hood.edges_per_rev)
    edge = np.arange(1, int(passed[-1]) + 1)
    place = edge + uneven[edge % hood.edges_per_rev]
    place = place[(place > passed[0]) & (place < passed[-1])]
    place = place[rng.uniform(size=len(place)) >= hood.missed_edge_probability]
    ticks_us = np.arange(len(passed)) * float(TICK_US)
    times_us: NDArray[np.int64] = np.rint(np.interp(place, passed, ticks_us)).astype(np.int64)
    return times_us


def _lagged(values: Floats, lag_s: float) -> Floats:
    """First-order lag of a sensor that has settled on the first value."""
    from scipy.signal import lfilter

    share = float(-np.expm1(-TICK_S / lag_s))
    settled = values[0] + lfilter([share], [1.0, share - 1.0], values - values[0])
    return np.asarray(settled, dtype=np.float64)


def _zero_pa(visit: Scenario, rng: np.random.Generator, n: int) -> Floats:
    """Zero error at each tick: a random walk in steps of a second, straight in between."""
    if visit.zero_drift_pa_per_sqrt_h == 0.0:
        return np.full(n, visit.hood.zero_pa)
    n_seconds = int(n * TICK_S) + 2
    walk = np.cumsum(visit.zero_drift_pa_per_sqrt_h / 60.0 * rng.standard_normal(n_seconds))
    walked_pa = np.interp(np.arange(n) * TICK_S, np.arange(n_seconds), walk - walk[0])
    return np.asarray(visit.hood.zero_pa + walked_pa, dtype=np.float64)


def _air_steps(air_temp_c: Floats, room: Air) -> list[list[float]]:
    """What the air sensor says, every `AIR_STEP_S`: its temperature lags behind the air in the pipe."""
    felt_c = _lagged(air_temp_c, AIR_SENSOR_LAG_S)[:: n_ticks(AIR_STEP_S)]
    return [
        [round(i * AIR_STEP_S * 1e6), round(float(temp_c), 2), room.rh_pct, room.pressure_pa]
        for i, temp_c in enumerate(felt_c)
    ]


def _chip_counts(air_temp_c: Floats, rng: np.random.Generator) -> Floats:
    """The pressure chip's own temperature each second, in counts: slow, warmer than the air, a little noisy."""
    chip_c = _lagged(air_temp_c, CHIP_LAG_S)[:: n_ticks(1.0)] + CHIP_WARMER_K
    return np.rint((chip_c + 0.02 * rng.standard_normal(len(chip_c))) * TEMP_COUNTS_PER_K)


def _hold_truths(steps: tuple[Step, ...]) -> tuple[HoldTruth, ...]:
    truths = []
    tick = 0
    for step in steps:
        if isinstance(step, Hold):
            seated_tick = tick + n_ticks(step.press_s)
            truths.append(_hold_truth(step, seated_tick, seated_tick + n_ticks(step.seconds)))
        tick += n_ticks_of(step)
    return tuple(truths)


def _hold_truth(hold: Hold, seated_tick: int, lifted_tick: int) -> HoldTruth:
    def board_s(since_seated_s: float) -> float:
        return round(min(seated_tick * TICK_S + since_seated_s, lifted_tick * TICK_S), 6)

    plateaus = tuple(
        PlateauTruth(board_s(start_s), board_s(end_s), m3h, hold.turbulence_rel, hold.taus_s, hold.weights)
        for start_s, end_s, m3h in hold.levels()
    )
    events = tuple(
        EventTruth(event.kind, board_s(event.at_s), board_s(event.at_s + event.seconds)) for event in hold.events
    )
    return HoldTruth(hold.terminal, hold.direction, board_s(0.0), board_s(np.inf), plateaus, events)
