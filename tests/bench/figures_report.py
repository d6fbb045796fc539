"""The time of `hoodtrace report` and `hoodtrace verify`, whole commands, beside `hoodtrace readings` of the same trace.

    python tests/bench/figures_report.py [--terminals 20] [--runs 3] [--seed N]

Makes a visit with one trace of the second generator at 100 samples a second, each terminal held for 30 s, draws a new
seed each time and prints it. Ends with 1 where a report takes over 5 s (the limit is for 20 terminals), or `verify`
finds a difference.
"""

from __future__ import annotations

import argparse
import compileall
import secrets
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import hoodtrace

sys.path.insert(0, str(Path(__file__).parents[1]))
from reported_visit import traced

LIMIT_S = 5.0
COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]


def seconds(*words: object) -> float:
    """Run a command to its end; return how long it took [s]."""
    begun = time.perf_counter()
    subprocess.run([*COMMAND, *map(str, words)], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main() -> int:
    """Make, time, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--terminals", type=int, default=20)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(2**31))
    given = parser.parse_args()
    compileall.compile_dir(Path(hoodtrace.__file__).parent, quiet=1)  # as pip does where it installs one
    with tempfile.TemporaryDirectory() as made:
        folder = traced(Path(made) / "visit", given.terminals, given.seed, hold_s=30.0, rate_hz=100)
        trace, hood = folder / "traces" / "01.trace", folder / "hood.toml"
        took: dict[str, list[float]] = {"report": [], "verify": [], "readings": []}
        for _ in range(given.runs):
            took["readings"].append(seconds("readings", trace, "--hood", hood))
            took["report"].append(seconds("report", folder, "--language", "en"))
            took["verify"].append(seconds("verify", folder))
        n_bytes = trace.stat().st_size
    middle = {name: statistics.median(times) for name, times in took.items()}
    print(f"seed {given.seed}: {given.terminals} terminals, a trace of {n_bytes / 1e6:.1f} MB")
    for name, times in took.items():
        ratio = middle[name] / middle["readings"]
        print(f"{name}: {', '.join(f'{t:.2f}' for t in times)} s; {ratio:.1f} times `readings`")
    print(f"limit of a report: {LIMIT_S:g} s")
    return 0 if max(took["report"]) <= LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
