"""Coverage and width of the intervals, in one table: either failing fails both.

Contract: `coverage(seed, n_holds, jobs)` prints the tables of (a) the random interval with the hood exactly known and
(b) the whole interval with the hood's errors drawn anew for each visit of at most 3 holds, and tells whether all
passed. Judged: 93 to 97 % overall, no class of at least 300 readings under 90 %; half-width over the oracle's at most
1.5, 1.25, 1.15 (median) at N/g about 10, 20, 50, where N/g = used time / (2 * true correlation).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import nan, sqrt
from statistics import median
from typing import Any

import numpy as np
from figures_run import log_uniform, match, percent, report, spread

from worlds.second import Fluctuation, Hold, Hood, Plateau, visit

Z95 = 1.959964
JUDGED_FROM = 300
KINDS = (("ou", 0.22), ("two", 0.30), ("karman", 0.16), ("swing", 0.16), ("lognormal", 0.16))
WIDTHS = ((10, 8.0, 12.5, 1.5), (20, 16.0, 25.0, 1.25), (50, 40.0, 62.5, 1.15))


@dataclass(frozen=True, slots=True)
class Row:
    """One simulated hold and what was said of it; NaN where no reading was given."""

    kind: str
    tau_s: float
    rms_rel: float
    seconds: float
    flow_m3h: float
    n_gusts: int
    noise_pa: float
    direction: str
    hood_file: str
    outcome: str
    error_m3h: float = nan
    random_m3h: float = nan
    whole_m3h: float = nan
    used_s: float = nan
    oracle_m3h: float = nan
    flags: str = ""

    @property
    def n_over_g(self) -> float:
        """Independent stretches in the record, by the true correlation."""
        return (self.seconds if np.isnan(self.used_s) else self.used_s) / (2 * self.tau_s)


def one_visit(task: tuple[str, int, int]) -> list[Row]:
    """Rows of one visit of `n` holds; part `a` or `b`."""
    part, n, seed = task
    rng = np.random.default_rng(seed)
    exact = part == "a" and rng.random() < 0.5
    length_m = rng.uniform(0.2, 0.6)
    hood = Hood(
        bore_mm=float(rng.choice([100.0, 104.0, 125.0])), response_length_m=length_m,
        response_given=part == "a" or rng.random() < 0.8, k_extract=0.90, c_extract=0.68,
        u_k_rel=0.0 if exact else 0.02, u_c_rel=0.0 if exact else 0.025, u_zero_pa=0.0 if exact else 0.02,
    )  # fmt: skip
    hood_file = "u = 0" if exact else ("usual u" if hood.response_given else "no response length")
    noise_pa = 0.0 if rng.random() < 0.2 else rng.uniform(0.01, 0.08)
    holds, n_gusts = [], []
    for _ in range(n):
        kind = str(rng.choice([k for k, _ in KINDS], p=[p for _, p in KINDS]))
        air = Fluctuation(kind, rng.uniform(0.02, 0.15), log_uniform(rng, 0.3, 3.0), rng.uniform(4, 8))
        n_gusts.append(int(rng.choice([0, 0, 1, 2])))
        holds.append(
            Hold(
                (Plateau(log_uniform(rng, 8, 250), rng.uniform(20, 60), air),),
                str(rng.choice(["supply", "extract"])),
                n_gusts=n_gusts[-1],
                press_s=rng.uniform(0.3, 1.0),
                overshoot=rng.uniform(0, 0.3),
            )
        )
    spec = visit(
        holds, rng, hood=hood, errors="exact" if part == "a" else "drawn", noise_pa=noise_pa,
        rate_hz=int(rng.choice([50, 50, 100])), temp_c=rng.uniform(17, 25), pressure_pa=rng.uniform(94e3, 103e3),
    )  # fmt: skip
    answer, truth = report(spec, seed)
    rows = []
    for hold, gusts in zip(truth.holds, n_gusts, strict=True):
        plateau = hold.plateaus[0]
        about: dict[str, Any] = {
            "kind": plateau.air.kind, "tau_s": plateau.correlation_s, "rms_rel": plateau.air.rms_rel,
            "seconds": plateau.end_s - plateau.start_s, "flow_m3h": plateau.flow_m3h, "n_gusts": gusts,
            "noise_pa": noise_pa, "direction": hold.direction, "hood_file": hood_file,
        }  # fmt: skip
        entry = match(answer, plateau)
        if "crash" in answer:
            rows.append(Row(**about, outcome=f"crashed, {answer['crash']}"))
        elif entry is None:
            rows.append(Row(**about, outcome="not found"))
        elif "flow_m3h" not in entry:
            rows.append(Row(**about, outcome=f"refused: {entry['why']}"))
        else:
            sign = {"supply": 1, "extract": -1}
            same = entry["direction"] == "unknown" or sign[entry["direction"]] == sign[hold.direction]
            error = (entry["flow_m3h"] if same else -entry["flow_m3h"]) - plateau.flow_m3h
            rows.append(
                Row(
                    **about,
                    outcome="reading",
                    error_m3h=error,
                    random_m3h=entry["expanded_random_m3h"],
                    whole_m3h=entry["expanded_m3h"],
                    used_s=entry["used_s"],
                    oracle_m3h=Z95 * plateau.u_oracle_m3h(entry["used_s"]),
                    flags=", ".join(entry["flags"]),
                )
            )
    return rows


def classes(rows: list[Row]) -> dict[str, list[Row]]:
    """Named classes of holds, all of them first."""
    out: dict[str, list[Row]] = {"all": rows}

    def add(name: str, key: Any) -> None:
        out[name] = [r for r in rows if key(r)]

    for kind, _ in KINDS:
        add(f"process {kind}", lambda r, kind=kind: r.kind == kind)
    add("process two, with noise", lambda r: r.kind == "two" and r.noise_pa > 0)
    bands: tuple[tuple[str, str, tuple[float, ...]], ...] = (
        ("correlation, s", "tau_s", (0.3, 0.65, 1.4, 3.0)),
        ("fluctuation", "rms_rel", (0.02, 0.06, 0.10, 0.15)),
        ("length, s", "seconds", (20, 30, 45, 60)),
        ("flow, m3/h", "flow_m3h", (8, 16, 40, 100, 250)),
        ("N/g", "n_over_g", (0, 5, 10, 20, 50, 1000)),
    )
    for title, name, edges in bands:
        for low, high in pairwise(edges):
            add(f"{title} {low:g}-{high:g}", lambda r, n=name, a=low, b=high: a <= getattr(r, n) < b)
    add("gusts none", lambda r: r.n_gusts == 0)
    add("gusts 1 or 2", lambda r: r.n_gusts > 0)
    add("chip noise none", lambda r: r.noise_pa == 0)
    add("chip noise to 0.04 Pa", lambda r: 0 < r.noise_pa < 0.04)
    add("chip noise over 0.04 Pa", lambda r: r.noise_pa >= 0.04)
    for direction in ("supply", "extract"):
        add(direction, lambda r, d=direction: r.direction == d)
    for hood_file in sorted({r.hood_file for r in rows}):
        add(f"hood file: {hood_file}", lambda r, h=hood_file: r.hood_file == h)
    return out


def table(part: str, rows: list[Row]) -> bool:
    """Print one part's table; True when coverage (and width, part a) passed."""
    what = "random interval, hood and zero exactly known" if part == "a" else "whole interval, hood drawn anew a visit"
    print(f"\n({part}) {what}: {len(rows)} holds")
    print(f"{'class':<32}{'holds':>6}{'refused':>8}{'missed':>7}{'read':>6}{'coverage %':>12}{'s.e.':>5}"
          f"{'width':>7}{'mean error %':>14}{'s.e.':>6}")  # fmt: skip
    passed = True

    def show(name: str, members: list[Row], low: float, high: float, limit: float | None = None) -> bool:
        read = [r for r in members if r.outcome == "reading"]
        refused = sum(r.outcome.startswith("refused") for r in members)
        half = [r.random_m3h if part == "a" else r.whole_m3h for r in read]
        inside = sum(abs(r.error_m3h) <= h for r, h in zip(read, half, strict=True))
        share, n = percent(inside, len(read)), max(len(read), 1)
        width = median(h / r.oracle_m3h for r, h in zip(read, half, strict=True)) if read else nan
        relative = np.array([100 * r.error_m3h / r.flow_m3h for r in read] or [nan])
        good = low <= share <= high and (limit is None or width <= limit)
        verdict = ("pass" if good else "FAIL") if len(read) >= JUDGED_FROM or name == "all" or limit else "few"
        print(f"{name:<32}{len(members):>6}{refused:>8}{len(members) - refused - len(read):>7}{len(read):>6}"
              f"{share:>12.1f}{sqrt(max(share * (100 - share), 0) / n):>5.1f}{width:>7.2f}{relative.mean():>14.2f}"
              f"{relative.std() / sqrt(n):>6.2f}  {verdict}")  # fmt: skip
        return verdict != "FAIL"

    for name, members in classes(rows).items():
        passed &= show(name, members, *((93.0, 97.0) if name == "all" else (90.0, 100.0)))
    if part == "a":
        for about, low, high, limit in WIDTHS:
            members = [r for r in rows if low <= r.n_over_g < high]
            # The width figure is stated for processes of one and of two time scales; a damped oscillation is neither,
            # and is printed along, not judged. Coverage is judged with the width: a short interval that misses is no
            # success.
            stated = [r for r in members if r.kind != "swing"]
            passed &= show(f"width, N/g about {about} (<= {limit:g})", stated, 90.0, 100.0, limit)
            show(f"  swings too, N/g about {about}", members, 0.0, 100.0)
    print("outcomes:", "; ".join(f"{k} {v}" for k, v in Counter(r.outcome.split(",")[0] for r in rows).most_common()))
    crashes = sorted({r.outcome for r in rows if r.outcome.startswith("crashed")})
    print(f"crashes: {len(crashes)}", *crashes[:10], sep="\n    ")
    passed &= not crashes
    flags = Counter(f for r in rows if r.flags for f in r.flags.split(", "))
    print("flags:", "; ".join(f"{k} {v}" for k, v in flags.most_common()) or "none")
    return passed


def coverage(seed: int, n_holds: int, jobs: int, rows_path: str | None = None) -> bool:
    """Both parts; True when everything passed."""
    passed = True
    for i, part in enumerate("ab"):
        seeds = np.random.SeedSequence([seed, i]).generate_state((n_holds + 2) // 3, np.uint64)
        visits = spread(one_visit, [(part, 3, int(s)) for s in seeds], jobs, f"coverage {part}")
        rows = [row for visit_rows in visits for row in visit_rows]
        passed &= table(part, rows)
        if rows_path:
            import pandas as pd

            pd.DataFrame([asdict(r) for r in rows]).to_csv(f"{rows_path}-{part}.csv", index=False)
    print("\ncoverage and width together:", "pass" if passed else "FAIL")
    return passed
