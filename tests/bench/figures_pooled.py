"""Figures of repeat placements made one result, on terminals drawn anew: does the pooled 95 % interval hold the flow?

    python tests/bench/figures_pooled.py [--seed N] [--terminals N]

Contract: prints the seed first, then one line for each number of placements and each true scatter; ends with 0 when
coverage (93 to 97 %) and width (at most 1.3 times that of one who knows all) passed in each, 1 else. The errors come
from this file's own numpy generator. Each stated uncertainty is an estimate of the true one with as many degrees of
freedom as it claims; holds last 12 to 120 s, drawn anew for each placement. The one who knows all uses the true
standard deviations and the best weights. Without what the hood shares the same is printed, not judged: there a pair of
placements has nothing to lean on when they scatter twice as much as stated.
"""

from __future__ import annotations

import argparse
import math
import secrets
import sys
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hoodtrace.averaging.budget import Term
from hoodtrace.averaging.pooled import Placement, pooled

FloatArray = NDArray[np.float64]
NS = (2, 3, 5)
LEAST, MOST, WIDEST = 0.93, 0.97, 1.3
LONGEST_S, SHORTEST_S, REFERENCE_S = 120.0, 12.0, 30.0


def stated(rng: np.random.Generator, true: float, dof: float) -> float:
    """An estimate of `true` with `dof` degrees of freedom."""
    return true * math.sqrt(rng.chisquare(dof) / dof)


def terminal(rng: np.random.Generator, n: int, times: float, common: bool) -> tuple[bool, float, bool]:
    """Pool `n` placements: does the interval hold the flow, its width over the one who knows, flagged?"""
    flow = rng.uniform(0.003, 0.02)
    k, dof_k = rng.uniform(0.015, 0.025) * common, rng.uniform(8, 30)
    zero = rng.uniform(0.003, 0.01) * common
    place, dof_place = rng.uniform(0.005, 0.015), rng.uniform(3, 10)
    u_place = stated(rng, place, dof_place)
    place *= times
    length_s = np.exp(rng.uniform(math.log(SHORTEST_S), math.log(LONGEST_S), n))
    air = rng.uniform(0.005, 0.02) * np.sqrt(REFERENCE_S / length_s)
    dof_air = rng.uniform(0.3, 0.6) * length_s + 4.0
    shared = rng.normal(0, k) + rng.normal(0, zero)
    rel = 1 + shared + rng.normal(0, place, n) + rng.normal(0, air)
    u_k = stated(rng, k, dof_k)
    placements = []
    for one, sigma, dof in zip(rel, air, dof_air, strict=True):
        q, u_air = flow * one, flow * stated(rng, sigma, dof)
        terms = (
            Term("fluctuation of the air", u_air, dof, "reading"),
            Term("placement", u_place * q, dof_place, "reading"),
            Term("k-factor", u_k * q, dof_k, "hood"),
            Term("zero", zero * q, math.inf, "visit"),
        )
        placements.append(Placement(q, u_air, dof, terms))
    found = pooled(placements)
    knows = 1.96 * flow * math.sqrt(k**2 + zero**2 + 1.0 / np.sum(1.0 / (place**2 + air**2)))
    held = abs(found.flow_m3_s - flow) <= found.total.expanded_m3_s
    return held, found.total.expanded_m3_s / knows, "placements disagree" in found.flags


def cell(seed: int, n: int, times: float, common: bool, n_terminals: int) -> bool:
    """Print and judge one line."""
    rng = np.random.default_rng([seed, n, int(times), common])
    rows = [terminal(rng, n, times, common) for _ in range(n_terminals)]
    held, width, flagged = (np.array(column, float) for column in zip(*rows, strict=True))
    passed = LEAST <= held.mean() <= MOST and float(np.median(width)) <= WIDEST
    words = ("pass" if passed else "FAIL") if common else "not judged"
    print(
        f"{n} placements, scatter {times:g} times the stated one{'' if common else ', nothing shared'}: "
        f"{100 * held.mean():.1f} % held ({100 * math.sqrt(held.mean() * (1 - held.mean()) / len(held)):.1f}), "
        f"half-width {np.median(width):.2f} (90 %: {np.quantile(width, 0.9):.2f}), "
        f"flagged {100 * flagged.mean():.1f} %: {words}"
    )
    return passed or not common


def price_of_weights(seed: int, n: int, times: float, n_terminals: int) -> None:
    """Print how much larger the error of the part that shrinks is than with the best weights, which nobody knows."""
    rng = np.random.default_rng([seed, n, int(times), 9])
    place, dof_place = rng.uniform(0.005, 0.015, (n_terminals, 1)), rng.uniform(3, 10, (n_terminals, 1))
    length_s = np.exp(rng.uniform(math.log(SHORTEST_S), math.log(LONGEST_S), (n_terminals, n)))
    air = rng.uniform(0.005, 0.02, (n_terminals, 1)) * np.sqrt(REFERENCE_S / length_s)
    dof_air = rng.uniform(0.3, 0.6, (n_terminals, 1)) * length_s + 4.0
    said = (place**2 * rng.chisquare(dof_place) / dof_place) + air**2 * rng.chisquare(dof_air) / dof_air
    true = (times * place) ** 2 + air**2
    error = rng.normal(0, np.sqrt(true))

    def rms(weights: FloatArray) -> float:
        return float(np.sqrt(np.mean(((weights * error).sum(1) / weights.sum(1)) ** 2)))

    best = rms(1.0 / true)
    print(
        f"{n} placements, scatter {times:g} times the stated one: error of the part that shrinks over that of the best "
        f"weights: equal {rms(np.ones_like(true)) / best:.3f}, inverse variance {rms(1.0 / said) / best:.3f}"
    )


def run(seed: int, n_terminals: int) -> bool:
    """Print all figures; return whether the judged ones passed."""
    print(f"seed {seed}, {n_terminals} terminals a line; {100 * LEAST:g} to {100 * MOST:g} % and at most {WIDEST:g}")
    cells = [(n, times, common) for common in (True, False) for times in (1.0, 2.0) for n in NS]
    failed = [line for line in cells if not cell(seed, *line, n_terminals)]
    for n, times in ((n, times) for times in (1.0, 2.0) for n in NS):
        price_of_weights(seed, n, times, n_terminals)
    passed = not failed
    print("figures of pooled placements:", "pass" if passed else "FAIL")
    return passed


def main(words: Sequence[str] | None = None) -> int:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description="figures of pooled placements on terminals drawn anew")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--terminals", type=int, default=4000)
    asked = parser.parse_args(words)
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    return 0 if run(seed, asked.terminals) else 1


if __name__ == "__main__":
    sys.exit(main())
