"""Time of all pictures of a report of 20 terminals, in a fresh process, with matplotlib's import.

    python tests/bench/bench_report_pictures.py [--terminals 20] [--readings 1] [--runs 5] [--profile] [--seed N]

Contract: draws flows and traces anew (100 samples a second, a minute each) and prints the seed. Each run is a process
of its own, on one thread, that imports and draws the picture of the terminals, for page and phone, and the trace of
each reading; the samples are made before the clock starts. Prints each run and the median, and ends with 1 where it is
over 1.5 s (of 20 terminals with a reading each). `--profile` prints where the time goes.
"""

from __future__ import annotations

import argparse
import os
import secrets
import subprocess
import sys
from statistics import median

LIMIT_S = 1.5
CHILD = """
import cProfile, pstats, sys, time
import numpy as np
n, n_readings, seed, profile = (int(text) for text in sys.argv[1:])
rng = np.random.default_rng(seed)
t_s = np.arange(0.0, 80.0, 0.01)
held = ((t_s > 10.0) & (t_s < 70.0)).astype(float)
flows = rng.uniform(15.0, 60.0, n)
swing = np.convolve(rng.normal(size=len(t_s)), np.ones(50) / 7.0, "same")
traces = [(flow * held * (1 + 0.03 * swing), flow * held + 2.0 * rng.normal(size=len(t_s))) for flow in flows]
chart = cProfile.Profile() if profile else None
start_s = time.perf_counter()
if chart:
    chart.enable()
from hoodtrace.reporting import report_pictures as p
words = p.TerminalsWords("supply", "extract", "before", "after", "design", "allowed", "bars: 95 %", "no reading",
                         "flow, m\\u00b3/h", "all terminals", "{0:.{1}f}".format)
rows = [p.TerminalBar(f"S{i}", "living room", "extract" if i % 2 else "supply", f, 0.85 * f, 1.15 * f,
                      (1.2 * f, 2.0), (f, 1.5), "within") for i, f in enumerate(flows)]
made = p.terminals_picture(rows, words) + p.terminals_picture(rows, words, name="phone", width_in=p.PHONE_IN)
said = p.TraceWords("vane", "taps", "mean, 95 %", "averaged", "cut out", "hood on", "m\\u00b3/h", "s", "a trace",
                    "{0:.{1}f}".format)
for i, (flow, (vane, taps)) in enumerate(zip(flows, traces)):
    for k in range(n_readings):
        made.append(p.trace_picture(t_s, vane, taps, (15.0, 68.0), [p.Cut(30.0, 33.0, "gust")], said,
                                    hold=(10.0, 70.0), mean=(flow, 1.5), name=f"trace-{i}-{k}"))
took_s = time.perf_counter() - start_s
if chart:
    chart.disable()
    pstats.Stats(chart, stream=sys.stderr).sort_stats("cumulative").print_stats(40)
print(took_s, len(made), sum(map(len, made)))
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--terminals", type=int, default=20)
    parser.add_argument("--readings", type=int, default=1)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--seed", type=int)
    asked = parser.parse_args()
    seed = secrets.randbelow(2**31) if asked.seed is None else asked.seed
    print(f"seed {seed}; {asked.terminals} terminals, {asked.readings} readings each")
    times_s = []
    for run in range(asked.runs):
        argv = [sys.executable, "-c", CHILD, *map(str, (asked.terminals, asked.readings, seed, int(asked.profile)))]
        done = subprocess.run(argv, stdout=subprocess.PIPE, env={**os.environ, "OMP_NUM_THREADS": "1"}, check=True)
        took_s, n_pictures, n_bytes = done.stdout.split()
        times_s.append(float(took_s))
        print(f"run {run + 1}: {float(took_s):.2f} s, {int(n_pictures)} pictures, {int(n_bytes) / 1e6:.2f} MB")
    print(f"median {median(times_s):.2f} s, limit {LIMIT_S} s for 20 terminals with a reading each")
    is_the_case = (asked.terminals, asked.readings) == (20, 1) and not asked.profile
    return int(is_the_case and median(times_s) > LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
