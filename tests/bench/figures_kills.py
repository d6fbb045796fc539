"""Kills of the visit's program at random moments, on a virtual visit that goes on.

    python tests/bench/figures_kills.py [--seed N] [--kills N]

Contract: prints the seed, then how many readings were accepted, how many decisions acknowledged, and what was lost,
doubled, asked twice or has no trace behind it; anything of that, or fewer than one reading in ten lives, fails.
"""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from killed_visit import Killed

LONGEST = 1.5
HOLDS_A_LIFE = 2


def run(seed: int, n_kills: int) -> bool:
    """Print the figures; return whether nothing was lost."""
    print(f"seed {seed}, {n_kills} kills, each within {LONGEST} times what a first reading takes")
    faults: list[str] = []
    with tempfile.TemporaryDirectory(prefix="hoodtrace-kills-") as name:
        killed = Killed(Path(name), seed, n_holds=40 + HOLDS_A_LIFE * n_kills, n_terminals=100)
        try:
            acknowledged: dict[str, Any] = {"lines": 0, "readings": []}
            longest_s = LONGEST * killed.first_reading_s()
            for i in range(n_kills):
                said = killed.once(longest_s)
                acknowledged = said if said["lines"] else acknowledged
                faults += [f"after kill {i + 1}: {fault}" for fault in killed.check(acknowledged)]
        finally:
            killed.stop()
        n_readings, unproved = killed.evidence()
        faults += unproved
        n_traces = len(list((killed.folder / "traces").glob("*.trace")))
    print(f"readings accepted {n_readings}, decisions acknowledged {acknowledged['lines']}, traces {n_traces}")
    print(f"lost, doubled, asked twice, or not given again by the trace: {len(faults)}")
    for fault in faults[:20]:
        print(f"  {fault}")
    passed = not faults and n_readings >= n_kills / 10
    print("pass" if passed else "FAIL")
    return passed


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--kills", type=int, default=500)
    chosen = parser.parse_args()
    raise SystemExit(not run(secrets.randbelow(10**9) if chosen.seed is None else chosen.seed, chosen.kills))
