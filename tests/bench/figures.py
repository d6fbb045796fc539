"""Figures of the averaging on traces of the second generator, and of the hood's constants, drawn anew each time.

    python tests/bench/figures.py coverage|finding|bias|log|hood|all [--seed N] [--holds N] [--jobs N] [--rows PATH]

`hood` are the calibration's fit, the correction for back pressure and the hood's health, each also a program of its own
(`figures_calibration.py`, `figures_back_pressure.py`, `figures_health.py`), and the whole way from calibrations on
traces to new readings (`figures_hood_path.py`).

Contract: prints the seed first, then the tables; ends with 0 when all figures passed, 1 when one failed. A seed from
an earlier run draws the same worlds again. With fewer holds than the default most classes are too small to be judged.
"""

from __future__ import annotations

import argparse
import os
import secrets
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import figures_back_pressure
import figures_calibration
import figures_health
import figures_hood_path
from figures_coverage import coverage
from figures_finding import bias, finding
from figures_log import from_log


def main() -> int:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description="figures of the averaging on worlds drawn anew")
    parser.add_argument("what", choices=["coverage", "finding", "bias", "log", "hood", "all"])
    parser.add_argument("--seed", type=int, default=None, help="draw the worlds of an earlier run again")
    parser.add_argument("--holds", type=int, default=None, help="holds a figure (default 2400; finding, bias 1200)")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--rows", default=None, help="write each hold of coverage to PATH-a.csv and PATH-b.csv")
    asked = parser.parse_args()
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    print(f"seed {seed}", flush=True)
    passed = True
    if asked.what in ("coverage", "all"):
        passed &= coverage(seed, asked.holds or 2400, asked.jobs, asked.rows)
    if asked.what in ("finding", "all"):
        passed &= finding(seed, asked.holds or 1200, asked.jobs)
    if asked.what in ("bias", "all"):
        passed &= bias(seed, asked.holds or 1200, asked.jobs)
    if asked.what in ("log", "all"):
        passed &= from_log(seed, asked.holds or 2400, asked.jobs)
    if asked.what in ("hood", "all"):
        passed &= figures_calibration.run(seed, asked.holds or 2400, asked.jobs)
        passed &= figures_back_pressure.run(seed, asked.holds or 600)
        passed &= figures_health.run(seed, asked.holds or 300)
        passed &= figures_hood_path.run(seed, asked.holds or 600, asked.jobs)
    print("\nfigures:", "pass" if passed else "FAIL")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
