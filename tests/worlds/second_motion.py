"""What a person does with the hood, and what doors and wind do to the air: shapes in time for the second generator.

Contract: each function gives an array on the sample grid, in the unit of its name, and changes nothing. Speeds are
those of the air in the pipe, signed; positive is the way that supply air goes.
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

from worlds.second_air import Fluctuation

Floats = NDArray[np.float64]


def rise(x: Floats) -> Floats:
    """From 0 at x <= 0 to 1 at x >= 1 along half a cosine."""
    return np.asarray(0.5 - 0.5 * np.cos(pi * np.clip(x, 0, 1)))


def taper(n: int, step_s: float, end_s: float = 0.4) -> Floats:
    """One in the middle, zero at both ends of a stretch of `n` samples."""
    t_s = np.arange(n) * step_s
    return rise(t_s / end_s) * rise((n * step_s - t_s) / end_s)


def carried_speed_m_s(n: int, step_s: float, rng: np.random.Generator) -> Floats:
    """Air speed in the pipe (m/s) while a person walks with the hood through a home.

    Legs of 1.5 to 6 s between turns and pauses; 0.8 to 2 steps a second; the hood swings in the hand and turns with
    the person, so that the wind of walking (up to 1.5 m/s) comes in at any angle.
    """
    t_s = np.arange(n) * step_s
    pace_m_s, angle, n_steps_per_s = np.zeros(n), np.zeros(n), np.zeros(n)
    at_s, heading = 0.0, rng.uniform(0, 2 * pi)
    while at_s < n * step_s:
        leg_s, pause_s = rng.uniform(1.5, 6.0), rng.choice([0.0, rng.uniform(0.4, 2.5)])
        inside = (t_s >= at_s) & (t_s < at_s + leg_s)
        x_s = t_s[inside] - at_s
        pace_m_s[inside] = rng.uniform(0.4, 1.4) * rise(x_s / 0.5) * rise((leg_s - x_s) / 0.5)
        turned = heading + rng.normal(0, 1.2)
        reached = (t_s >= at_s) & (t_s < at_s + leg_s + pause_s)
        angle[reached] = heading + (turned - heading) * rise((t_s[reached] - at_s) / rng.uniform(0.4, 1.5))
        n_steps_per_s[reached] = rng.uniform(0.8, 2.0)
        heading, at_s = turned, at_s + leg_s + pause_s
    stepping = np.cumsum(n_steps_per_s) * step_s * 2 * pi
    swing = rng.uniform(0.2, 0.7) * np.sin(stepping / 2 + rng.uniform(0, 2 * pi))
    bob_m_s = rng.uniform(0.1, 0.35) * np.sin(stepping + rng.uniform(0, 2 * pi)) * np.minimum(pace_m_s / 0.4, 1)
    rough = 1 + Fluctuation("karman", 0.25, 0.3).draw(n, step_s, rng)
    speed = (pace_m_s * np.cos(angle + swing) * rough + bob_m_s) * rng.uniform(0.5, 1.0) + free_speed_m_s(
        n, step_s, rng
    )
    return np.asarray(np.clip(speed, -1.5, 1.5) * taper(n, step_s))


def free_speed_m_s(n: int, step_s: float, rng: np.random.Generator, rms_m_s: float = 0.03) -> Floats:
    """Air speed in the pipe (m/s) of a hood hanging free: draughts of the room, too weak for most vanes."""
    return Fluctuation("ou", rms_m_s, 2.0).draw(n, step_s, rng) * taper(n, step_s)


def approach_share(n: int, step_s: float, rng: np.random.Generator) -> Floats:
    """Share of the terminal's flow that goes through a hood held under it, not yet pressed on."""
    share = rng.uniform(0.05, 0.35) * (1 + Fluctuation("karman", 0.45, 0.4).draw(n, step_s, rng))
    return np.maximum(share, 0) * taper(n, step_s)


def pressed_on(t_s: Floats, touch_s: float, overshoot: float) -> Floats:
    """Gain of the flow while the hood is pressed on: rises until `touch_s`, overshoots, settles in half a second."""
    after_s = t_s - touch_s
    extra = np.where(after_s >= 0, np.exp(-np.maximum(after_s, 0) / 0.2), rise(t_s / touch_s))
    return rise(t_s / touch_s) * (1 + overshoot * extra)


def lifted(t_s: Floats, lift_s: float) -> Floats:
    """Gain of the flow from the moment that the seal opens (time 0)."""
    return 1 - rise(t_s / lift_s)


def gust(t_s: Floats, size: float, length_s: float, shape: str) -> Floats:
    """Relative change of the flow; `shape` is `cosine` (a whole hump) or `exponential` (sudden, dying out).

    The hump ends after `length_s`; the exponential is down to 5 % then and fades to nothing within as long again.
    """
    if shape == "cosine":
        inside = (t_s >= 0) & (t_s <= length_s)
        return np.where(inside, size * (0.5 - 0.5 * np.cos(2 * pi * t_s / length_s)), 0.0)
    fade = rise((2 * length_s - t_s) / length_s)
    return np.where(t_s >= 0, size * np.exp(-3 * np.maximum(t_s, 0) / length_s) * fade, 0.0)


def slam(t_s: Floats, size: float, decay_s: float, frequency_hz: float) -> Floats:
    """Relative change of the flow after a door slams: a damped oscillation, nothing after 6 `decay_s`."""
    inside = (t_s >= 0) & (t_s < 6 * decay_s)
    return np.where(inside, size * np.exp(-t_s / decay_s) * np.sin(2 * pi * frequency_hz * t_s), 0.0)


def knock_pa(t_s: Floats, size_pa: float) -> Floats:
    """Pressure (Pa) of a knock on hood or tubes: a ringing of a tenth of a second that the vane does not see."""
    inside = (t_s >= 0) & (t_s < 0.35)
    return np.where(inside, size_pa * np.exp(-t_s / 0.06) * np.cos(2 * pi * 11.0 * t_s), 0.0)


def leak(t_s: Floats, depth: float, length_s: float) -> Floats:
    """Relative change of the flow while the seal stands open a little."""
    return -depth * rise(t_s / 0.25) * rise((length_s - t_s) / 0.25)


def valve_level(t_s: Floats, before: float, after: float, turn_s: float, n_steps: int) -> Floats:
    """Flow level from `before` to `after`, in `n_steps` twists of the hand spread over `turn_s` seconds."""
    each_s = turn_s / n_steps
    twists = [rise((t_s - i * each_s) / (0.7 * each_s)) for i in range(n_steps)]
    return before + (after - before) * np.mean(twists, axis=0)
