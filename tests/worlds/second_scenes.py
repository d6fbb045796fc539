"""From scenes to flow against time: free and carried, pressed on, held, turned, disturbed, lifted.

Contract: `free_sheet` and `hold_sheet` give one scene's arrays on the sample grid, and a hold's truth with times from
the scene's own start; `moved` shifts them. All chance comes from the generator passed in. Nothing here knows hoodtrace.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from worlds import second_motion as motion
from worlds.second_air import Fluctuation
from worlds.second_board import STOPS_AT
from worlds.second_hood import TrueHood
from worlds.second_spec import Event, Free, Hold, Spec, TrueHold, TruePlateau

Floats = NDArray[np.float64]
S_PER_H = 3600.0


@dataclass(slots=True)
class Sheet:
    """Arrays of one scene on the sample grid, and its truth with times from the scene's own start."""

    flow_m3_s: Floats
    extra_pa: Floats
    seated: NDArray[np.bool_]
    hold: TrueHold | None = field(default=None)


def free_sheet(scene: Free, next_flow_m3_s: float, spec: Spec, rng: np.random.Generator) -> Sheet:
    step_s = 1 / spec.rate_hz
    n = max(2, round(scene.seconds * spec.rate_hz))
    extra_pa = np.zeros(n)
    if scene.style == "approach":
        flow = next_flow_m3_s * motion.approach_share(n, step_s, rng)
    elif scene.style == "carry":
        flow = motion.carried_speed_m_s(n, step_s, rng) * spec.hood.area_m2
        # Wakes round the moving hood reach the taps without going through the pipe.
        extra_pa = Fluctuation("swing", rng.uniform(0.02, 0.15), 0.15).draw(n, step_s, rng) * motion.taper(n, step_s)
    elif scene.style in ("hang", "still"):
        flow = motion.free_speed_m_s(n, step_s, rng, 0.03 if scene.style == "hang" else 0.008) * spec.hood.area_m2
    else:
        raise ValueError(f"no free scene of the style {scene.style!r}")
    return Sheet(flow, extra_pa, np.zeros(n, dtype=bool))


def _free_places(n: int, length_s: float, taken: list[tuple[float, float]], rng: np.random.Generator) -> float | None:
    """Start of a new event somewhere in the seated time, 2 s away from all others; None when there is no room."""
    for _ in range(40):
        at_s = rng.uniform(2.0, max(2.01, n - length_s - 1.5))
        if at_s + length_s < n - 1 and all(at_s > stop + 2 or at_s + length_s + 2 < start for start, stop in taken):
            return float(at_s)
    return None


def _disturb(
    hold: Hold, seated_s: float, t_s: Floats, turns: list[Event], rng: np.random.Generator
) -> tuple[Floats, Floats, list[Event]]:
    """Relative change of flow, pressure (Pa) beside it, and the events (times from the touch)."""
    change, extra_pa, events = np.zeros(len(t_s)), np.zeros(len(t_s)), list(turns)
    wanted = [("gust", hold.n_gusts), ("slam", hold.n_slams), ("knock", hold.n_knocks), ("leak", hold.n_leaks)]
    for kind in [k for k, n in wanted for _ in range(n)]:
        decay_s, hump_s = rng.uniform(0.15, 0.4), rng.uniform(0.8, 3.0)
        shape = str(rng.choice(["cosine", "exponential"]))
        length_s = {"slam": 6 * decay_s, "knock": 0.35, "leak": hump_s}.get(kind, hump_s)
        length_s *= 2 if kind == "gust" and shape == "exponential" else 1
        at_s = _free_places(int(seated_s), length_s, [(e.start_s, e.end_s) for e in events], rng)
        if at_s is None:
            continue
        if kind == "gust":
            size = rng.uniform(*hold.gust_size) * rng.choice(hold.gust_signs)
            change += motion.gust(t_s - at_s, float(size), hump_s, shape)
        elif kind == "slam":
            change += motion.slam(t_s - at_s, rng.uniform(0.4, 1.5), decay_s, rng.uniform(2, 6))
        elif kind == "knock":
            extra_pa += motion.knock_pa(t_s - at_s, rng.uniform(2, 12))
        else:
            change += motion.leak(t_s - at_s, rng.uniform(0.1, 0.4), hump_s)
        events.append(Event(kind, at_s, at_s + length_s))
    return change, extra_pa, sorted(events, key=lambda e: e.start_s)


def hold_sheet(hold: Hold, density_kg_m3: float, true: TrueHood, spec: Spec, rng: np.random.Generator) -> Sheet:
    step_s, hood = 1 / spec.rate_hz, spec.hood
    turns, level_ends, at_s = [], [], 0.0
    for i, plateau in enumerate(hold.plateaus):
        if i:
            turns.append(Event("turn", at_s, at_s + hold.turn_s))
            at_s += hold.turn_s
        level_ends.append((at_s, at_s + plateau.seconds))
        at_s += plateau.seconds
    seated_s = at_s
    n = round((hold.press_s + seated_s + hold.lift_s) * spec.rate_hz)
    t_s = np.arange(n) * step_s - hold.press_s
    level = np.full(n, float(hold.plateaus[0].flow_m3h))
    air = hold.plateaus[0].air.draw(n, step_s, rng)
    for turn, before, after in zip(turns, hold.plateaus[:-1], hold.plateaus[1:], strict=True):
        turned = motion.valve_level(t_s - turn.start_s, 0.0, 1.0, hold.turn_s, hold.n_twists)
        level += (after.flow_m3h - before.flow_m3h) * turned
        if after.air != before.air:
            air += turned * (after.air.draw(n, step_s, rng) - air)
    change, extra_pa, events = _disturb(hold, seated_s, t_s, turns, rng)
    gain = motion.pressed_on(t_s + hold.press_s, hold.press_s, hold.overshoot) * motion.lifted(
        t_s - seated_s, hold.lift_s
    )
    sign = 1.0 if hold.direction == "supply" else -1.0
    flow = sign * level * (1 + air) * (1 + change) * gain / S_PER_H
    extra_pa += motion.knock_pa(t_s, rng.uniform(0.2, 2.0))  # the touch itself
    true_plateaus = []
    for plateau, (start_s, end_s) in zip(hold.plateaus, level_ends, strict=True):
        speed = plateau.flow_m3h / S_PER_H / hood.area_m2
        dp_pa = density_kg_m3 / 2 * (speed / (hood.c_of(hold.direction) * true.c_factor)) ** 2
        noise_pa = spec.noise_pa * (hood.reference_pressure_pa or spec.pressure_pa) / spec.pressure_pa
        slowest = speed / (hood.k_of(hold.direction) * true.k_factor) * (1 - 3 * plateau.air.rms_rel)
        vane_runs = hood.has_vane and slowest > STOPS_AT * hood.start_m_s
        noise_m3h = plateau.flow_m3h * noise_pa / (2 * dp_pa)
        true_plateaus.append(
            TruePlateau(start_s, end_s, plateau.flow_m3h, plateau.air, noise_m3h, spec.rate_hz, vane_runs)
        )
    found = TrueHold(hold.direction, 0.0, seated_s, tuple(true_plateaus), tuple(events))
    return Sheet(flow, extra_pa, (t_s >= 0) & (t_s < seated_s), moved(found, hold.press_s))


def moved(hold: TrueHold, by_s: float) -> TrueHold:
    return replace(
        hold,
        seated_s=hold.seated_s + by_s,
        lifted_s=hold.lifted_s + by_s,
        plateaus=tuple(replace(p, start_s=p.start_s + by_s, end_s=p.end_s + by_s) for p in hold.plateaus),
        events=tuple(replace(e, start_s=e.start_s + by_s, end_s=e.end_s + by_s) for e in hold.events),
    )
