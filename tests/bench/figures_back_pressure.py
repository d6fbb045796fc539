"""Figures of the two-resistance correction on houses of the second generator.

    python tests/bench/figures_back_pressure.py [--seed N] [--n N]

Contract: `run(seed, n)` prints the seed, then the tables, and returns whether all judged figures passed: a median error
within 0.3 % and a spread (standard deviation) under 1.5 % at 1 % repeatability where the hood takes up to 10 % of the
branch pressure; the stated 95 % holding the truth in 93 to 97 % of all and 90 to 100 % of a class, its width beside it;
a fan that holds the terminal's flow refused or said to be possible. Duct exponents of 0.5 to 0.65, fan curves and
shared mains are not those of the model that corrects; the errors are drawn as stated. So these are simulations: they
show that method and arithmetic are right, not that a real house is like that.
"""

from __future__ import annotations

import argparse
import secrets
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from hoodtrace.calibration.back_pressure import Correction, Opening, Shared, two_resistances
from worlds.second_dwelling import FANS, Fan, draw_house, flows_m3h, hood_resistance

REPEAT_REL, U_DP_PA, U_ZERO_PA, U_K_REL = 0.01, 0.01, 0.02, 0.02
MEDIAN_LIMIT, SPREAD_LIMIT = 0.3, 1.5
# As in the figures of the averaging: all together within 93 to 97 %, single classes within 90 to 100 %.
COVERAGE_ALL, COVERAGE_CLASS = (93.0, 97.0), (90.0, 100.0)
H = 3600.0


@dataclass(frozen=True, slots=True)
class Row:
    """One terminal: what was drawn and what came out; errors relative to the true un-hooded flow, k's left out."""

    fan: Fan
    share: float
    n_openings: int
    outcome: str
    flags: tuple[str, ...] = ()
    lost: float = np.nan
    error: float = np.nan
    uncorrected: float = np.nan
    half_rel: float = np.nan
    whole_error: float = np.nan
    whole_half_rel: float = np.nan


def one(rng: np.random.Generator, fan: Fan, share: tuple[float, float], n_openings: int) -> Row:
    """Draw a house, hood and readings, and correct."""
    while True:
        bore_mm, loss, q = rng.uniform(80, 125), rng.uniform(1.2, 2.2), rng.uniform(20, 100)
        hood_k = hood_resistance(bore_mm, loss)
        behind_pa = hood_k * q**2 / rng.uniform(*share)
        if 3.0 < behind_pa < 200.0:
            break
    house = draw_house(rng, fan, q, behind_pa)
    truth, _ = flows_m3h(house, 0.0)
    times = [1.0, rng.uniform(4.5, 7.0)] if n_openings == 2 else [1.0, rng.uniform(2.2, 3.2), rng.uniform(4.5, 7.0)]
    zero_pa, k_error = rng.normal(0, U_ZERO_PA), rng.normal(0, U_K_REL)
    plain, scaled = [], []
    taken, lost = 0.0, 0.0
    for i, factor in enumerate(times):
        flow, main_pa = flows_m3h(house, factor * hood_k)
        dp = factor * hood_k * flow**2
        if i == 0:
            taken, lost = dp / main_pa, 1 - flow / truth
        read = flow * (1 + rng.normal(0, REPEAT_REL)) / H
        felt = max(dp + zero_pa + rng.normal(0, U_DP_PA), 1e-3)
        plain.append(Opening(f"{i}", read, REPEAT_REL, felt, U_DP_PA))
        scaled.append(Opening(f"{i}", read * (1 + k_error), REPEAT_REL, felt, U_DP_PA))
    zero = Shared("zero", (0.0,) * len(times), (U_ZERO_PA,) * len(times), scope="visit")
    k = Shared("k", tuple(U_K_REL * o.flow_m3_s for o in scaled), (0.0,) * len(times))
    found, whole = two_resistances(plain, (zero,)), two_resistances(scaled, (zero, k))
    if not isinstance(found, Correction):
        return Row(fan, taken, n_openings, found.kind, uncorrected=plain[0].flow_m3_s * H / truth - 1, lost=lost)
    row = Row(
        fan, taken, n_openings, "corrected", found.flags, lost, found.no_hood_m3_s * H / truth - 1,
        plain[0].flow_m3_s * H / truth - 1, found.total.expanded_m3_s * H / truth,
    )  # fmt: skip
    if not isinstance(whole, Correction):
        return row
    return Row(
        row.fan, row.share, row.n_openings, row.outcome, row.flags, row.lost, row.error, row.uncorrected, row.half_rel,
        whole.no_hood_m3_s * H / truth - 1, whole.total.expanded_m3_s * H / truth,
    )  # fmt: skip


def show(name: str, rows: list[Row], judge_spread: bool) -> bool:
    """Print one class; True where what is judged passed."""
    done = [r for r in rows if r.outcome == "corrected"]
    if len(done) < 100:
        print(f"{name:<34}{len(rows):>6}{len(done):>7}  few")
        return True
    errors = 100 * np.array([r.error for r in done])
    raw = 100 * np.array([r.uncorrected for r in done])
    inside = 100 * np.mean([abs(r.error) <= r.half_rel for r in done])
    whole = [r for r in done if not np.isnan(r.whole_error)]
    whole_inside = 100 * np.mean([abs(r.whole_error) <= r.whole_half_rel for r in whole])
    median, spread = float(np.median(errors)), float(errors.std(ddof=1))
    low, high = COVERAGE_ALL if "all" in name else COVERAGE_CLASS
    good = low <= inside <= high and low <= whole_inside <= high
    if judge_spread:
        good &= abs(median) <= MEDIAN_LIMIT and spread < SPREAD_LIMIT
    print(
        f"{name:<34}{len(rows):>6}{len(done):>7}{np.median(raw):>9.2f}{median:>8.2f}{spread:>8.2f}{inside:>9.1f}"
        f"{100 * np.median([r.half_rel for r in done]):>7.2f}{whole_inside:>9.1f}"
        f"{100 * np.median([r.whole_half_rel for r in whole]):>7.2f}  {'pass' if good else 'FAIL'}"
    )
    return good


def run(seed: int, n: int) -> bool:
    """Draw `n` terminals a class, print, and return whether all passed."""
    rng = np.random.default_rng(seed)
    print(f"seed {seed}; {n} terminals a class; each reading repeats within {100 * REPEAT_REL:g} %, pressure within "
          f"{U_DP_PA} Pa, its zero {U_ZERO_PA} Pa, k {100 * U_K_REL:g} %; bores 80 to 125 mm")  # fmt: skip
    heads = ("median %", "err %", "sd %", "cover %", "+-95 %", "with k", "+-95 %")
    print(f"{'class':<34}{'n':>6}{'corr.':>7}" + "".join(f"{h:>{w}}" for h, w in zip(heads, (9, 8, 8, 9, 7, 9, 7), strict=True)))  # fmt: skip  # noqa: E501
    passed = True
    refused: dict[str, Counter[str]] = {}
    wrongly: list[float] = []
    for openings in (2, 3):
        near: list[Row] = []
        for fan in FANS:
            rows = [one(rng, fan, (0.003, 0.10), openings) for _ in range(n)]
            refused[f"{fan}, {openings} openings"] = Counter(
                r.outcome if r.outcome != "corrected" else
                ("flagged: may hold" if "the fan may hold this flow" in r.flags else "corrected") for r in rows
            )  # fmt: skip
            if fan != "held":
                near += rows
                wrongly += [100 * r.lost for r in rows if r.outcome == "held"]
                passed &= show(f"to 10 %, {fan}, {openings} openings", [r for r in rows if r.share <= 0.1], True)
        passed &= show(f"to 10 %, all, {openings} openings", [r for r in near if r.share <= 0.1], True)
        for low, high in ((0.10, 0.2), (0.2, 0.4)):
            rows = [one(rng, str_fan, (low, high), openings) for str_fan in FANS[:3] for _ in range(n // 3)]
            passed &= show(f"{100 * low:.0f} to {100 * high:.0f} %, all, {openings} openings", rows, False)
    print("\nwhat became of it, hoods to 10 %:")
    for name, counts in refused.items():
        total = sum(counts.values())
        print(f"  {name:<32}" + "; ".join(f"{what} {100 * k / total:.1f} %" for what, k in counts.most_common()))
        wrong = counts["held"] / total
        if name.startswith("held"):
            passed &= (counts["held"] + counts["flagged: may hold"]) / total >= 0.9
        else:
            passed &= wrong <= 0.02
    if wrongly:
        print(f"  wrongly called held: {len(wrongly)}; the hood took {np.median(wrongly):.1f} % of the flow there "
              f"(median), {max(wrongly):.1f} % at most")  # fmt: skip
    print("\nback pressure:", "pass" if passed else "FAIL")
    return passed


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="figures of the two-resistance correction")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--n", type=int, default=600)
    asked = parser.parse_args()
    sys.exit(0 if run(secrets.randbelow(1 << 32) if asked.seed is None else asked.seed, asked.n) else 1)
