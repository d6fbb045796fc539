"""Long holds of both generators as bytes, whose lifting can be put anywhere: for rules that end a hold.

Contract: `second_hold` and `house_hold` draw everything from the generator passed in and give a `Long`: the bytes of a
trace with one hold of `LONGEST_S` in it, its hood file, and what is true. `lifted_at` gives the bytes of the same trace
had the hood been lifted earlier: nothing before that moment differs by a bit. Chance and physics are the generators'
own; the packing of the virtual house's arrays into lines is done here with the second generator's writer.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from math import exp, sqrt
from pathlib import Path
from typing import Any

import numpy as np
from figures_run import log_uniform

from hoodtrace.board import air_motion, world
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, TrueHood, hood_toml, make_trace
from worlds.second_board import json_line, sample_lines
from worlds.second_hood import drawn_errors

LONGEST_S = 66.0
SECOND_KINDS = (("ou", 0.3), ("two", 0.3), ("karman", 0.16), ("swing", 0.12), ("lognormal", 0.12))
RATE_HZ = 50


@dataclass(frozen=True, slots=True)
class Long:
    """One long hold; `u_mean_rel(seconds)` is the true standard deviation of the mean over so long, of the flow.

    `kind` is the process, `correlation_s` its true integral, `rms_rel` its size; `seated_s`, `lifted_s` count from the
    first sample of `trace`.
    """

    generator: str
    kind: str
    correlation_s: float
    rms_rel: float
    flow_m3h: float
    direction: str
    n_events: int
    seated_s: float
    lifted_s: float
    hood_toml: str
    trace: bytes
    u_mean_rel: Callable[[float], float]


def _air(rng: np.random.Generator) -> tuple[float, float]:
    """Correlation 0.2 to 3 s and turbulence 3 to 25 %."""
    return log_uniform(rng, 0.2, 3.0), log_uniform(rng, 0.03, 0.25)


def second_hold(rng: np.random.Generator, exact: bool, seconds: float = LONGEST_S) -> Long:
    """A hold of the second generator; with `exact` the hood is as its file says, else its errors are drawn."""
    correlation_s, rms_rel = _air(rng)
    kind = str(rng.choice([k for k, _ in SECOND_KINDS], p=[p for _, p in SECOND_KINDS]))
    air = Fluctuation(kind, rms_rel, correlation_s, rng.uniform(4.0, 8.0))
    n_gusts = int(rng.choice([0, 0, 1]))
    hold = Hold(
        (Plateau(log_uniform(rng, 15.0, 250.0), seconds, air),), str(rng.choice(["supply", "extract"])),
        n_gusts=n_gusts, press_s=rng.uniform(0.3, 1.0), overshoot=rng.uniform(0.0, 0.3),
    )  # fmt: skip
    hood = Hood(response_length_m=rng.uniform(0.2, 0.6), k_extract=0.90, c_extract=0.68)
    scenes = (Free(5.0, "hang"), Free(1.0, "approach"), hold, Free(4.0, "hang"), Free(3.0, "carry"))
    spec = Spec(scenes, hood, errors="exact" if exact else "drawn", noise_pa=rng.uniform(0.01, 0.06))
    trace, truth = make_trace(spec, int(rng.integers(1 << 62)))
    true = truth.holds[0]
    plateau = true.plateaus[0]
    noise_rel = plateau.noise_m3h / plateau.flow_m3h if not plateau.vane_runs else 0.0

    def u_mean_rel(time_s: float) -> float:
        return sqrt(air.u_mean_rel(time_s) ** 2 + noise_rel**2 / (time_s * RATE_HZ))

    return Long(
        "second", kind, correlation_s, rms_rel, plateau.flow_m3h, true.direction, n_gusts, true.seated_s,
        true.lifted_s, hood_toml(hood), trace, u_mean_rel,
    )  # fmt: skip


def house_hold(rng: np.random.Generator, exact: bool, seconds: float = LONGEST_S) -> Long:
    """The same of the virtual house: one or two Ornstein-Uhlenbeck processes, with a gust now and then."""
    correlation_s, rms_rel = _air(rng)
    n_scales = int(rng.choice([1, 2]))
    taus_s, weights = (correlation_s,), (1.0,)
    if n_scales == 2:
        share, ratio = rng.uniform(0.3, 0.7), rng.uniform(4.0, 8.0)
        fast_s = correlation_s / (share + (1.0 - share) * ratio)
        taus_s, weights = (fast_s, fast_s * ratio), (share, 1.0 - share)
    n_gusts = int(rng.choice([0, 0, 1]))
    gusts = tuple(
        air_motion.Gust(rng.uniform(4.0, 30.0), rng.uniform(1.0, 3.0), rng.uniform(0.3, 1.0)) for _ in range(n_gusts)
    )
    file = Hood(response_length_m=0.4, edges_per_rev=8)
    errors = TrueHood() if exact else drawn_errors(file, rng)
    hood = world.TrueHood(k=file.k * errors.k_factor, c=file.c * errors.c_factor)
    hold = air_motion.Hold(
        "S1", str(rng.choice(["supply", "extract"])), log_uniform(rng, 15.0, 250.0), seconds,  # type: ignore[arg-type]
        rms_rel, taus_s, weights, gusts, press_s=rng.uniform(0.3, 1.0),
    )  # fmt: skip
    steps = (air_motion.Rest(5.0), hold, air_motion.Rest(4.0), air_motion.Carry(3.0))
    scenario = world.Scenario(hood, steps, zero_drift_pa_per_sqrt_h=0.0 if exact else 0.03)
    with tempfile.TemporaryDirectory() as folder:
        truth = world.write_world(scenario, Path(folder), int(rng.integers(1 << 62)))
        trace = _lines(Path(folder))
    true = truth.holds[0]

    def u_mean_rel(time_s: float) -> float:
        return rms_rel * sqrt(
            sum(w * 2.0 * t / time_s * (1.0 - t / time_s * (1.0 - exp(-time_s / t)))
                for t, w in zip(taus_s, weights, strict=True))
        )  # fmt: skip

    first_s = 1.0 / RATE_HZ
    return Long(
        "house", f"{n_scales} scale{'s' * (n_scales - 1)}", correlation_s, rms_rel, hold.flow_m3h, hold.direction,
        n_gusts, true.seated_s - first_s, true.lifted_s - first_s, hood_toml(file), trace, u_mean_rel,
    )  # fmt: skip


def _lines(folder: Path) -> bytes:
    """The arrays of a World folder as a board would send them, 50 samples a second."""
    about = json.loads((folder / "world.json").read_text(encoding="ascii"))
    per_sample = 1_000_000 // RATE_HZ // about["tick_us"]
    fine = np.frombuffer((folder / "dp.i32").read_bytes(), "<i4").astype(np.float64)
    n = len(fine) // per_sample
    dp = np.rint(fine[: n * per_sample].reshape(n, per_sample).mean(axis=1) / world.FINE_PER_COUNT).astype(np.int64)
    edge_us = np.frombuffer((folder / "edges.i64").read_bytes(), "<i8")
    t_us = (np.arange(n, dtype=np.int64) + 1) * (1_000_000 // RATE_HZ)
    edges = np.searchsorted(edge_us, t_us, side="right")
    last_us = np.concatenate([[-(1 << 40)], edge_us])[edges]
    every = 10 * RATE_HZ
    seq = np.arange(n, dtype=np.int64) + 2 * (np.arange(n) // every + 1)
    age_us, temp = np.minimum(t_us - last_us, 0xFFFFFF), np.full(n, 20 * world.TEMP_COUNTS_PER_K)
    whole = sample_lines(seq, t_us, edges, age_us, dp, temp, np.zeros(n, np.int64))
    hello: dict[str, object] = {
        "kind": "hello", "protocol": 1, "firmware": "house", "board": "simulated", "boot": "00000001",
        "rate_hz": RATE_HZ, "dp_counts_per_pa": about["dp_counts_per_pa"], "dp_temp_counts_per_k": 200,
    }  # fmt: skip
    airs: list[list[float]] = about["air"]
    parts = []
    for mark in range(0, n, every):
        at_us = int(t_us[mark])
        _, temp_c, rh_pct, pressure_pa = [a for a in airs if a[0] <= at_us][-1]
        air: dict[str, object] = {"kind": "air", "temp_c": temp_c, "rh_pct": rh_pct, "pressure_pa": pressure_pa}
        parts.append(json_line("J", int(seq[mark]) - 2, at_us - 60, hello))
        parts.append(json_line("J", int(seq[mark]) - 1, at_us - 40, air))
        parts.append(whole[mark * 61 : (mark + every) * 61])
    return b"".join(parts)


def samples_of(trace: bytes) -> list[tuple[int, bytes]]:
    """Lines of a trace with the time of the newest sample line (us), in order; lines before the first sample at 0."""
    out, t_us = [], 0
    for text in trace.splitlines(keepends=True):
        if text.startswith(b"S "):
            t_us = int(text[10:24], 16)
        out.append((t_us, text))
    return out


def lifted_at(long: Long, at_s: float) -> bytes:
    """The bytes of the trace, had the hood been lifted `at_s` after its first sample: what lies between is left out.

    Sequence, time and edge count of what follows go on without a gap.
    """
    first_us = None
    columns: dict[str, int] = {}
    out: list[bytes] = []
    shift_us = shift_seq = shift_edges = 0
    left_out = 0
    last = (0, 0, 0)
    for text in long.trace.splitlines(keepends=True):
        seq, t_us = int(text[2:9], 16), int(text[10:24], 16)
        if text.startswith(b"S "):
            first_us = t_us if first_us is None else first_us
            s = (t_us - first_us) * 1e-6
            edges = int(text[25:31], 16)
            if s < at_s:
                last = seq, t_us, edges
            elif s < long.lifted_s:
                left_out += 1
                columns = {"seq": seq, "t_us": t_us, "edges": edges}
                continue
            elif left_out and not shift_us:
                shift_seq, shift_us = columns["seq"] - last[0], columns["t_us"] - last[1]
                shift_edges = (columns["edges"] - last[2]) % (1 << 24)
            if shift_us:
                one = [np.array([v], np.int64) for v in (
                    seq - shift_seq, t_us - shift_us, (edges - shift_edges) % (1 << 24), int(text[32:38], 16),
                    int(text[39:43], 16), int(text[44:48], 16), int(text[49:51], 16))]  # fmt: skip
                text = sample_lines(*one)
            out.append(text)
        elif not left_out or shift_us:
            if shift_us and text.startswith(b"J "):
                body: dict[str, Any] = json.loads(text[25:-10])
                text = json_line("J", seq - shift_seq, t_us - shift_us, body)
            out.append(text)
    return b"".join(out)
