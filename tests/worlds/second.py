"""A second simulated world, sharing no code with the package: traces whose truth is known.

Contract: `make_trace(spec, seed)` gives the bytes of a whole trace file and the `Truth`. The same spec and seed give
the same bytes. Grammar and hood file are the project's fixed ones; the physics, the motion and the statistics are
this world's own. Builders: `visit`, `one_hold`, `carrying`; the hood file's text: `hood_toml`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from worlds.second_air import Fluctuation, moist_density_kg_m3, slow_drift
from worlds.second_board import edge_times_s, json_line, raw_dp, sample_lines, vane_speed_m_s
from worlds.second_hood import Hood, TrueHood, drawn_errors, hood_toml
from worlds.second_scenes import S_PER_H, Sheet, free_sheet, hold_sheet, moved
from worlds.second_spec import Event, Free, Hold, Plateau, Spec, TrueHold, TruePlateau, Truth

__all__ = ["Event", "Fluctuation", "Free", "Hold", "Hood", "Plateau", "Spec", "TrueHold", "TrueHood", "TruePlateau",
           "Truth", "carrying", "hood_toml", "make_trace", "one_hold", "visit"]  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def make_trace(spec: Spec, seed: int) -> tuple[bytes, Truth]:
    """The bytes of a whole trace file and what is true in it."""
    rng = np.random.default_rng(seed)
    hood, step_s = spec.hood, 1 / spec.rate_hz
    true = spec.errors if isinstance(spec.errors, TrueHood) else TrueHood()
    if spec.errors == "drawn":
        true = drawn_errors(hood, rng)
    density = moist_density_kg_m3(spec.temp_c, spec.rh_pct, spec.pressure_pa)
    sheets: list[Sheet] = []
    for i, scene in enumerate(spec.scenes):
        if isinstance(scene, Hold):
            sheets.append(hold_sheet(scene, density, true, spec, rng))
        else:
            after = spec.scenes[i + 1] if i + 1 < len(spec.scenes) else None
            flow = 0.0
            if isinstance(after, Hold):
                flow = after.plateaus[0].flow_m3h / S_PER_H * (1 if after.direction == "supply" else -1)
            sheets.append(free_sheet(scene, flow, spec, rng))
    starts = np.concatenate([[0], np.cumsum([len(s.flow_m3_s) for s in sheets])])
    holds = tuple(moved(s.hold, at * step_s) for s, at in zip(sheets, starts[:-1], strict=True) if s.hold)
    flow_m3_s = np.concatenate([s.flow_m3_s for s in sheets])
    n = len(flow_m3_s)
    forward = flow_m3_s >= 0
    c = np.where(forward, hood.c_of("supply"), hood.c_of("extract")) * true.c_factor
    k = np.where(forward, hood.k_of("supply"), hood.k_of("extract")) * true.k_factor
    noise = rng.normal(0, spec.noise_pa, n) if spec.noise_pa else np.zeros(n)
    zero_pa = hood.zero_pa + noise + slow_drift(spec.drift_pa, n, step_s, rng)
    zero_pa += true.zero_shift_pa * np.concatenate([s.seated for s in sheets])
    dp = raw_dp(
        flow_m3_s, np.concatenate([s.extra_pa for s in sheets]), zero_pa, c, density, spec.pressure_pa, hood,
        spec.counts_per_pa,
    )  # fmt: skip
    uneven = rng.normal(0, 0.03, hood.edges_per_rev).clip(-0.3, 0.3)
    shown_m_s = vane_speed_m_s(flow_m3_s / (k * hood.area_m2), step_s, hood)
    edges_s = edge_times_s(shown_m_s, step_s, hood, rng.uniform(), uneven)
    if not hood.has_vane:
        edges_s = edges_s[:0]
    if spec.p_missed:
        edges_s = edges_s[rng.random(len(edges_s)) >= spec.p_missed]
    if spec.p_doubled:
        again = edges_s[rng.random(len(edges_s)) < spec.p_doubled]
        edges_s = np.sort(np.concatenate([edges_s, again + rng.uniform(150e-6, 400e-6, len(again))]))
    return _bytes(spec, dp, edges_s, rng), Truth(holds, true, (n - 1) * step_s, n)


def _bytes(spec: Spec, dp: Ints, edges_s: Floats, rng: np.random.Generator) -> bytes:
    """The trace file: S lines with hello and air each 10 s between them, and the host's notes."""
    n = len(dp)
    boot_us = int(rng.integers(1_200_000, 2_000_000_000))
    late = rng.random(n) < spec.p_late
    late[0] = False
    t_us = np.arange(n, dtype=np.int64) * (1_000_000 // spec.rate_hz) + rng.integers(0, 40, n)
    t_us += np.where(late, rng.integers(3000, 12000, n), 0)
    t_us -= t_us[0]
    edges_us = np.floor(edges_s * 1e6).astype(np.int64)
    counted = np.searchsorted(edges_us, t_us, side="right")
    last_us = np.concatenate([[-(1 << 40)], edges_us])[counted]
    age_us = np.minimum(t_us - last_us, 0xFFFFFF)
    edges = (counted + int(rng.integers(0, 1 << 24))) % (1 << 24)
    temp = np.rint((spec.temp_c + 1.5 * (1 - np.exp(-t_us / 6e8))) * 200).astype(np.int64)

    every = 10 * spec.rate_hz
    marks = list(range(0, n, every))
    per_mark = 2 if spec.with_air else 1
    seq0 = int(rng.integers(0, 1 << 27))
    seq = seq0 + np.arange(n, dtype=np.int64) + per_mark * (np.arange(n) // every + 1)
    whole = sample_lines(seq, t_us + boot_us, edges, age_us, dp, temp, late.astype(np.int64) << 3)
    hello: dict[str, object] = {
        "kind": "hello", "protocol": 1, "firmware": "second", "board": "simulated",
        "boot": f"{rng.integers(1 << 32):08x}", "rate_hz": spec.rate_hz,
        "dp_counts_per_pa": spec.counts_per_pa, "dp_temp_counts_per_k": 200,
    }  # fmt: skip
    air: dict[str, object] = {
        "kind": "air", "temp_c": spec.temp_c, "rh_pct": spec.rh_pct, "pressure_pa": spec.pressure_pa,
    }  # fmt: skip
    parts: list[bytes] = []
    if spec.with_notes:
        parts.append(json_line("H", 0, 0, {"kind": "opened", "utc": _utc(0), "software": "second", "port": "none"}))
    for mark in marks:
        at_us, first = int(t_us[mark]) + boot_us - 60, int(seq[mark]) - per_mark
        if spec.with_notes and mark:
            clock: dict[str, object] = {"kind": "clock", "utc": _utc(mark // spec.rate_hz)}
            parts.append(json_line("H", first - 1, int(t_us[mark - 1]) + boot_us, clock))
        parts.append(json_line("J", first, at_us, hello))
        if spec.with_air:
            parts.append(json_line("J", first + 1, at_us + 20, air))
        parts.append(whole[mark * 61 : (mark + every) * 61])
    if spec.with_notes:
        closed: dict[str, object] = {"kind": "closed", "utc": _utc(n // spec.rate_hz)}
        parts.append(json_line("H", int(seq[-1]), int(t_us[-1]) + boot_us, closed))
    return b"".join(parts)


def _utc(seconds: int) -> str:
    return str(np.datetime64("2030-01-01T09:00:00") + np.timedelta64(seconds, "s")) + "Z"


def one_hold(
    flow_m3h: float, seconds: float, tau_s: float = 1.0, fluctuation_rel: float = 0.05, noise_pa: float = 0.03,
    kind: str = "ou", gusts: int = 0, direction: str = "supply", hood: Hood | None = None,
) -> Spec:  # fmt: skip
    """A short trace: the hood hangs free, comes up, holds for `seconds`, is lifted, hangs free."""
    air = Fluctuation(kind, fluctuation_rel, tau_s)
    hold = Hold((Plateau(flow_m3h, seconds, air),), direction, n_gusts=gusts)
    return Spec((Free(5, "hang"), Free(1, "approach"), hold, Free(4, "hang")), hood or Hood(), noise_pa=noise_pa)


def carrying(seconds: float, noise_pa: float = 0.03) -> Spec:
    """A trace with no hold in it: the hood hangs free and is carried about for `seconds`."""
    return Spec((Free(4, "hang"), Free(seconds, "carry"), Free(4, "still")), noise_pa=noise_pa)


def visit(holds: tuple[Hold, ...] | list[Hold], rng: np.random.Generator, **settings: object) -> Spec:
    """A visit: between the given holds the hood hangs free, is carried, stands still, is held under the valve."""
    scenes: list[Hold | Free] = [Free(rng.uniform(4, 8), "still")]
    for hold in holds:
        scenes.append(Free(rng.uniform(3, 15), "carry"))
        if rng.random() < 0.3:
            scenes.append(Free(rng.uniform(2, 8), "still"))
            scenes.append(Free(rng.uniform(2, 8), "carry"))
        scenes.append(Free(rng.uniform(3, 6), "hang"))
        if rng.random() < 0.6:
            scenes.append(Free(rng.uniform(0.6, 2.0), "approach"))
        scenes.append(hold)
        scenes.append(Free(rng.uniform(2, 4), "hang"))
    scenes.append(Free(rng.uniform(3, 8), "carry"))
    return Spec(tuple(scenes), **settings)  # type: ignore[arg-type]
