"""How the air moves through a capture hood while a person uses it: the steps of a simulated visit.

A visit is a list of steps: the hood rests in still air, is carried, or is held on a terminal. `motion` turns one
step into arrays at `TICK_S`: the flow through the pipe (positive = out of the terminal into the room, supply), the
pressure at the taps that comes from no flow (walking, knocks), and the air temperature. Random numbers come only from
the generator that is passed in. This is the truth that averaging is tested against, so it shares no code with it.

Shapes (bumps, swings, ramps, the gait) are common practice for test signals, with no source; turbulence is a sum of
Ornstein-Uhlenbeck processes, whose correlations are known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Direction: TypeAlias = Literal["supply", "extract"]

TICK_S = 0.005
M3_H_PER_M3_S = 3600.0


def n_ticks(seconds: float) -> int:
    """Count of 5 ms ticks in `seconds`, to the nearest.

    Examples
    --------
    >>> n_ticks(1.0)
    200
    """
    return round(seconds / TICK_S)


def ramp(t_s: Floats, start_s: float, seconds: float) -> Floats:
    """Smooth rise from 0 to 1 (half a cosine) that starts at `start_s` and takes `seconds`.

    Examples
    --------
    >>> ramp(np.array([0.0, 1.0, 2.0, 3.0]), 1.0, 2.0).round(3).tolist()
    [0.0, 0.0, 0.5, 1.0]
    """
    part = np.clip((t_s - start_s) / max(seconds, 1e-9), 0.0, 1.0)
    return 0.5 - 0.5 * np.cos(np.pi * part)


def bump(t_s: Floats, start_s: float, seconds: float) -> Floats:
    """Smooth hump between `start_s` and `start_s` + `seconds`, 1 at its middle and 0 outside."""
    part = np.clip((t_s - start_s) / seconds, 0.0, 1.0)
    return np.sin(np.pi * part) ** 2


@dataclass(frozen=True, slots=True)
class Gust:
    """Wind or a draught for some seconds: the flow goes up (or down) by `rise_rel` and comes back."""

    kind: ClassVar[str] = "gust"
    at_s: float
    seconds: float = 2.0
    rise_rel: float = 0.45

    def factor(self, t_s: Floats) -> Floats:
        """What the flow is multiplied by, [-], at `t_s` seconds after the hood was seated."""
        return 1.0 + self.rise_rel * bump(t_s, self.at_s, self.seconds)


@dataclass(frozen=True, slots=True)
class Wobble:
    """The rim lifts for a moment on one side: a part of the air goes past the hood."""

    kind: ClassVar[str] = "wobble"
    at_s: float
    seconds: float = 1.5
    leak_rel: float = 0.5

    def factor(self, t_s: Floats) -> Floats:
        """What the flow is multiplied by, [-], at `t_s` seconds after the hood was seated."""
        return 1.0 - self.leak_rel * bump(t_s, self.at_s, self.seconds)


@dataclass(frozen=True, slots=True)
class Knock:
    """A knock on the hood: a short damped ringing of the pressure, nothing lasting."""

    kind: ClassVar[str] = "knock"
    at_s: float
    seconds: float = 0.4
    spike_pa: float = 4.0

    def factor(self, t_s: Floats) -> Floats:
        """What the flow is multiplied by: 1, a knock moves no air."""
        return np.ones_like(t_s)

    def dp_pa(self, t_s: Floats) -> Floats:
        """Pressure of the ringing [Pa]: 12 Hz, gone to 2 % at the end."""
        since_s = np.clip(t_s - self.at_s, 0.0, self.seconds)
        ringing = np.exp(-4.0 * since_s / self.seconds) * np.sin(2 * np.pi * 12.0 * since_s)
        return np.where(since_s < self.seconds, self.spike_pa * ringing, 0.0)


@dataclass(frozen=True, slots=True)
class DoorSlam:
    """A door slams: the flow jumps one way, then the other, and is what it was."""

    kind: ClassVar[str] = "slam"
    at_s: float
    seconds: float = 0.9
    spike_rel: float = 0.6

    def factor(self, t_s: Floats) -> Floats:
        """What the flow is multiplied by, [-], at `t_s` seconds after the hood was seated."""
        since = np.clip((t_s - self.at_s) / self.seconds, 0.0, 1.0)
        return 1.0 + self.spike_rel * np.sin(2 * np.pi * since) * (1.0 - since)


@dataclass(frozen=True, slots=True)
class Door:
    """A door opens or closes: a damped swing over `seconds`, then a level that stays `level_rel` higher."""

    kind: ClassVar[str] = "door"
    at_s: float
    seconds: float = 4.0
    swing_rel: float = 0.3
    level_rel: float = 0.03

    def factor(self, t_s: Floats) -> Floats:
        """The swing alone, [-]: three half-damped waves that end with `seconds`."""
        since = np.clip((t_s - self.at_s) / self.seconds, 0.0, 1.0)
        return 1.0 + self.swing_rel * np.sin(6 * np.pi * since) * np.exp(-3.0 * since) * (1.0 - since)


@dataclass(frozen=True, slots=True)
class Turn:
    """The valve is turned during the hold: in `seconds` the mean goes over to `to_flow_m3h`."""

    kind: ClassVar[str] = "turn"
    at_s: float
    to_flow_m3h: float
    seconds: float = 2.0

    def factor(self, t_s: Floats) -> Floats:
        """1: a turn changes the level, see `Hold.level_m3h`."""
        return np.ones_like(t_s)


Event: TypeAlias = Gust | Wobble | Knock | DoorSlam | Door | Turn


@dataclass(frozen=True, slots=True)
class Rest:
    """The hood hangs free or stands in still air for `seconds`."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Carry:
    """The hood is carried for `seconds`: air goes to and fro through the pipe, nothing steady about it."""

    seconds: float
    speed_rms_m_s: float = 0.6
    dp_rms_pa: float = 0.15


@dataclass(frozen=True, slots=True)
class Hold:
    """The hood is pressed on a terminal; `seconds` run from fully seated to the start of lifting.

    `flow_m3h` is the true long-run mean with the hood on (positive; `direction` gives the way). The fluctuation has
    the relative rms `turbulence_rel`: a sum of Ornstein-Uhlenbeck processes with correlation times `taus_s` and
    shares `weights` of the variance. `placement_rel` is how far this placement makes both channels read too high.
    Events count from the moment of seating.
    """

    terminal: str
    direction: Direction
    flow_m3h: float
    seconds: float
    turbulence_rel: float = 0.05
    taus_s: tuple[float, ...] = (0.5,)
    weights: tuple[float, ...] = (1.0,)
    events: tuple[Event, ...] = ()
    press_s: float = 0.5
    lift_s: float = 0.3
    air_temp_c: float | None = None
    placement_rel: float = 0.0

    def __post_init__(self) -> None:
        if len(self.taus_s) != len(self.weights) or abs(sum(self.weights) - 1.0) > 1e-9:
            raise ValueError(f"hold on {self.terminal}: weights {self.weights} must match taus_s and sum to 1")
        if self.flow_m3h < 0.0 or self.turbulence_rel < 0.0:
            raise ValueError(f"hold on {self.terminal}: flow and turbulence must not be negative")
        if any(not 0.0 <= event.at_s < self.seconds for event in self.events):
            raise ValueError(f"hold on {self.terminal}: an event is outside 0..{self.seconds} s")

    def levels(self) -> list[tuple[float, float, float]]:
        """Stretches of one mean flow: (start_s, end_s, flow_m3h), from seating; the ways between are left out."""
        start_s, flow_m3h, stretches = 0.0, self.flow_m3h, []
        for event in sorted(self.events, key=lambda event: event.at_s):
            if isinstance(event, Turn | Door):
                stretches.append((start_s, event.at_s, flow_m3h))
                start_s = min(event.at_s + event.seconds, self.seconds)
                flow_m3h = _level_after(event, flow_m3h)
        stretches.append((start_s, self.seconds, flow_m3h))
        return [stretch for stretch in stretches if stretch[1] > stretch[0]]

    def level_m3h(self, t_s: Floats) -> Floats:
        """Mean flow [m3/h] at `t_s` seconds after seating, turns and doors included."""
        level = np.full_like(t_s, self.flow_m3h)
        last_m3h = self.flow_m3h
        for event in sorted(self.events, key=lambda event: event.at_s):
            if isinstance(event, Turn | Door):
                after_m3h = _level_after(event, last_m3h)
                level += (after_m3h - last_m3h) * ramp(t_s, event.at_s, event.seconds)
                last_m3h = after_m3h
        return level


Step: TypeAlias = Rest | Carry | Hold


@dataclass(frozen=True, slots=True)
class Motion:
    """One step as arrays of one length (a value for each tick's middle).

    `flow_m3_s` goes through the pipe, `seen_m3_s` is what the two channels sense of it (placement included),
    `dp_extra_pa` is pressure at the taps from no flow, `air_temp_c` the temperature of the air in the pipe.
    """

    flow_m3_s: Floats
    seen_m3_s: Floats
    dp_extra_pa: Floats
    air_temp_c: Floats


def n_ticks_of(step: Step) -> int:
    """Count of ticks that a step takes; the press and the lift of a hold are part of it."""
    if isinstance(step, Hold):
        return n_ticks(step.press_s) + n_ticks(step.seconds) + n_ticks(step.lift_s)
    return n_ticks(step.seconds)


def ou_noise(rng: np.random.Generator, n: int, tau_s: float) -> Floats:
    """Ornstein-Uhlenbeck process of unit variance, correlation exp(-lag / tau_s), stationary from its first value.

    Parameters
    ----------
    rng : numpy.random.Generator
    n : int
        Count of values, one for each tick of 5 ms.
    tau_s : float
        Correlation time [s], positive.

    Returns
    -------
    ndarray of float, shape (n,), [-]

    References
    ----------
    Exact discretisation x[k+1] = phi x[k] + sqrt(1 - phi^2) e, phi = exp(-dt / tau): own derivation.
    """
    from scipy.signal import lfilter

    phi = float(np.exp(-TICK_S / tau_s))
    steps = rng.standard_normal(n)
    steps[1:] *= np.sqrt(1.0 - phi * phi)
    return np.asarray(lfilter([1.0], [1.0, -phi], steps), dtype=np.float64)


def motion(step: Step, rng: np.random.Generator, area_m2: float, room_temp_c: float) -> Motion:
    """Turn one step into the air's motion at each tick.

    Parameters
    ----------
    step : Rest, Carry or Hold
    rng : numpy.random.Generator
        Where all random numbers come from; a step with none of them draws none.
    area_m2 : float
        Cross-section of the pipe [m2].
    room_temp_c : float
        Air temperature in the room [degC].

    Returns
    -------
    Motion
    """
    n = n_ticks_of(step)
    if isinstance(step, Hold):
        return _hold(step, rng, n, room_temp_c)
    still = np.zeros(n)
    room = np.full(n, room_temp_c)
    if isinstance(step, Rest):
        return Motion(still, still, still, room)
    return _carry(step, rng, n, area_m2, room)


def _middles_s(n: int, zero_tick: int) -> Floats:
    """Middle of each of `n` ticks [s], counted from the start of tick `zero_tick`."""
    return np.asarray((np.arange(n) + 0.5 - zero_tick) * TICK_S, dtype=np.float64)


def _level_after(event: Turn | Door, before_m3h: float) -> float:
    return event.to_flow_m3h if isinstance(event, Turn) else before_m3h * (1.0 + event.level_rel)


def _carry(step: Carry, rng: np.random.Generator, n: int, area_m2: float, room: Floats) -> Motion:
    """Walking: slow sways, quick sways and the gait at 1.8 steps a second, faded in and out over 0.3 s."""
    t_s = _middles_s(n, 0)
    fade = ramp(t_s, 0.0, 0.3) * (1.0 - ramp(t_s, step.seconds - 0.3, 0.3))
    phase = rng.uniform(0.0, 2 * np.pi)
    sway = (
        np.sqrt(0.4) * ou_noise(rng, n, 1.5)
        + np.sqrt(0.3) * ou_noise(rng, n, 0.3)
        + np.sqrt(0.6) * np.sin(2 * np.pi * 1.8 * t_s + phase)
    )
    flow = area_m2 * step.speed_rms_m_s * sway * fade
    return Motion(flow, flow, step.dp_rms_pa * fade * ou_noise(rng, n, 0.15), room)


def _hold(step: Hold, rng: np.random.Generator, n: int, room_temp_c: float) -> Motion:
    """Pressed on (with a leak that flutters until it is closed), held, lifted off."""
    t_s = _middles_s(n, n_ticks(step.press_s))
    caught = ramp(t_s, -step.press_s, step.press_s) * (1.0 - ramp(t_s, step.seconds, step.lift_s))
    part = np.ones(n)
    if step.turbulence_rel > 0.0:
        for tau_s, weight in zip(step.taus_s, step.weights, strict=True):
            part += step.turbulence_rel * np.sqrt(weight) * ou_noise(rng, n, tau_s)
    flutter = 1.0 + 0.8 * (1.0 - caught) * ou_noise(rng, n, 0.1)
    dp_extra_pa = np.zeros(n)
    for event in step.events:
        part *= event.factor(t_s)
        if isinstance(event, Knock):
            dp_extra_pa += event.dp_pa(t_s)
    way = 1.0 if step.direction == "supply" else -1.0
    flow = way * step.level_m3h(t_s) / M3_H_PER_M3_S * part * caught * flutter
    temp_c = room_temp_c if step.air_temp_c is None else step.air_temp_c
    air_temp_c = room_temp_c + (temp_c - room_temp_c) * caught
    return Motion(flow, flow * (1.0 + step.placement_rel), dp_extra_pa, air_temp_c)
