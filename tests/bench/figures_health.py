"""Figures of the hood's health, on histories drawn anew: what the control chart notices, and the placement's interval.

    python tests/bench/figures_health.py [--seed N] [--histories N]

Contract: prints the seed first, then counts; `run` returns whether all figures passed. Histories come from this file's
own numpy generator: visits of eight readings whose ratios scatter by 1 % inside a visit and 0.5 % between visits;
placements of 0.5 to 3 % in air of 0.3 to 2 %. Nothing is taken from the program but its verdicts.
"""

from __future__ import annotations

import argparse
import secrets
import sys
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hoodtrace.calibration.chart import chart
from hoodtrace.calibration.placement import Repeats, found, pooled

WITHIN, BETWEEN, N_READINGS = 0.01, 0.005, 8
DRAG, IN_VISITS = 0.05, 3
N_SOUND = 200
MOST_ALARMS, FEWEST_SEEN = 1.0, 0.99
BEFORE = (1, 2, 3, 5, 8, 12, 20)
"""Sound visits before the drag begins."""


def visits(rng: np.random.Generator, n: int, level: float = 0.0) -> NDArray[np.float64]:
    """Logarithms of the ratio, shape (n, 8)."""
    return level + rng.normal(0, BETWEEN, (n, 1)) + rng.normal(0, WITHIN, (n, N_READINGS))


def alarms(rng: np.random.Generator, n: int) -> bool:
    """Sound histories of 200 visits: how often is anything wrong said of the ratio?"""
    level, irregular, starts = 0, 0, 0
    for _ in range(n):
        marks = chart(visits(rng, N_SOUND, rng.normal(0, 0.03)).tolist())
        level += sum(m.alarm for m in marks)
        irregular += sum(m.irregular and not m.alarm for m in marks)
        starts += sum(m.alarm or m.irregular for m in marks[:20])
    each = (level + irregular) / n
    print(f"false alarms: {level} of the level and {irregular} of the scatter in {n * N_SOUND} sound visits = "
          f"{each:.2f} in {N_SOUND} visits (at most {MOST_ALARMS:g}); {starts} of them in the first 20")  # fmt: skip
    return each <= MOST_ALARMS


def seen(rng: np.random.Generator, n: int, drag: float = DRAG) -> float:
    """The vane loses `drag` after some sound visits: how often is that said within three visits?"""
    n_seen, n_all = 0, 0
    parts = []
    for before in BEFORE:
        here = 0
        for _ in range(n):
            sound = visits(rng, before, 0.0)
            slow = visits(rng, IN_VISITS, np.log1p(-drag))
            marks = chart([*sound.tolist(), *slow.tolist()])
            here += any(m.alarm and m.average < (m.centre or 0.0) for m in marks[before:])
        parts.append(f"{before}: {here}/{n}")
        n_seen, n_all = n_seen + here, n_all + n
    print(f"a drag of {100 * drag:g} % noticed within {IN_VISITS} visits: {n_seen} of {n_all} = "
          f"{100 * n_seen / n_all:.2f} % (after so many sound visits: {', '.join(parts)})")  # fmt: skip
    return n_seen / n_all


def placement(rng: np.random.Generator, n: int, n_visits: int, n_repeats: int) -> tuple[int, int, list[float]]:
    """How often t times u holds a new placement and its air, and the half-width over that of one who knows."""
    from scipy.stats import t

    held, widths = 0, []
    for _ in range(n):
        true, air = rng.uniform(0.005, 0.03), rng.uniform(0.003, 0.02)
        groups = []
        for _ in range(n_visits):
            u = air * rng.uniform(0.7, 1.4, n_repeats)
            flow = rng.uniform(0.005, 0.03)
            flows = flow * (1 + rng.normal(0, true, n_repeats) + rng.normal(0, 1, n_repeats) * u)
            groups.append(Repeats("one", tuple(flows.tolist()), tuple((flow * u).tolist())))
        one = found(groups[:1])
        u_rel, dof = one.u_rel, one.dof
        for group in groups[1:]:
            u_rel, dof = pooled((u_rel, dof), found([group]))
        # The reading's budget: placement with its dof and the air known, degrees of freedom by Welch-Satterthwaite.
        whole = np.hypot(u_rel, air)
        half = t.ppf(0.975, max(dof * (whole / u_rel) ** 4, 1.0)) * whole if u_rel else 1.96 * air
        held += abs(rng.normal(0, true) + rng.normal(0, air)) <= half
        widths.append(half / (1.96 * np.hypot(true, air)))
    return held, n, widths


def run(seed: int, n: int) -> bool:
    """Print all figures from `n` histories each; return whether they passed."""
    print(f"seed {seed}, {n} histories each; visits of {N_READINGS}, {100 * WITHIN:g} % within", end="")
    print(f" and {100 * BETWEEN:g} % between them")
    rng = np.random.default_rng(seed)
    passed = alarms(rng, n)
    passed &= seen(rng, n) >= FEWEST_SEEN
    for drag in (0.03, 0.02):
        seen(rng, n, drag)
    for n_visits, n_repeats in ((1, 4), (1, 6), (3, 4)):
        held, of, widths = placement(rng, 5 * n, n_visits, n_repeats)
        share = held / of
        print(f"placement from {n_visits} visit(s) of {n_repeats} repeats: 95 % interval held {held} of {of} = "
              f"{100 * share:.1f} % (at least 93), half-width {np.median(widths):.2f} times the known one")  # fmt: skip
        passed &= share >= 0.93
    print("figures of the health:", "pass" if passed else "FAIL")
    return passed


def main(words: Sequence[str] | None = None) -> int:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description="figures of the hood's health on histories drawn anew")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--histories", type=int, default=400)
    asked = parser.parse_args(words)
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    return 0 if run(seed, asked.histories) else 1


if __name__ == "__main__":
    sys.exit(main())
