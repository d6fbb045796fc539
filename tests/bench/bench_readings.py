"""Speed of `hoodtrace readings` on a day's work, against pandas reading the same columns from a decimal CSV.

    python tests/bench/bench_readings.py [--hours 8] [--pairs 5] [--seed N] [--keep FOLDER]

Contract: makes a trace of the second generator (50 samples/s, holds of 29 s with 15 s between them all through) and
its columns as CSV, then times whole processes in turn, side by side: the ratio of each pair, its median, the peak
memory of each, and how time grows from a quarter of the length to the whole. Ends with 1 when the ratio is over 5,
the memory over 500 MB, or four times the length takes over 4.8 times the time. No timing is kept between runs.
"""

from __future__ import annotations

import argparse
import os
import secrets
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

RATIO_LIMIT, RATIO_AIM, MEMORY_LIMIT_MB, GROWTH_LIMIT = 5.0, 3.0, 500.0, 4.8
READ_CSV = "import sys, pandas; print(len(pandas.read_csv(sys.argv[1])))"


def make(folder: Path, hours: float, seed: int) -> None:
    """Write whole.trace, quarter.trace, hood.toml and whole.csv; runs in a process of its own, see `timed`."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    import numpy as np

    from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace

    hood = Hood()
    (folder / "hood.toml").write_text(hood_toml(hood), encoding="utf-8")
    rng = np.random.default_rng(seed)
    for name, part in (("whole", 1.0), ("quarter", 0.25)):
        scenes: list[Hold | Free] = []
        for _ in range(round(hours * part * 80)):
            air = Fluctuation(str(rng.choice(["ou", "two", "karman"])), rng.uniform(0.02, 0.15), rng.uniform(0.3, 2))
            plateau = Plateau(rng.uniform(15, 200), 29.0, air)
            hold = Hold((plateau,), str(rng.choice(["supply", "extract"])), n_gusts=int(rng.choice([0, 0, 1])))
            scenes += [Free(10, "carry"), Free(5, "hang"), hold]
        trace, _ = make_trace(Spec(tuple(scenes), hood), seed)
        (folder / f"{name}.trace").write_bytes(trace)
        if name == "whole":
            _write_csv(trace, folder / "whole.csv")


def _write_csv(trace: bytes, path: Path) -> None:
    """The S lines' columns in decimal."""
    with path.open("w", encoding="ascii") as out:
        out.write("seq,t_us,edges,age_us,raw_dp,raw_temp,flags\n")
        for line in trace.split(b"\n"):
            if line[:1] == b"S":
                _, seq, t_us, edges, age_us, dp, temp, flags, _ = line.split(b" ")
                signed = (int(dp, 16) + 0x8000) % 0x10000 - 0x8000
                out.write(f"{int(seq, 16)},{int(t_us, 16)},{int(edges, 16)},{int(age_us, 16)},{signed},"
                          f"{int(temp, 16)},{int(flags, 16)}\n")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Run:
    """One whole process: wall time (s), processor time (s), peak memory (MB)."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def timed(argv: list[str], out: Path) -> Run:
    """Run a process to its end. This one stays small: a child's peak is never under its parent's at the fork."""
    with out.open("wb") as sink:
        start_s = time.perf_counter()
        child = subprocess.Popen(argv, stdout=sink, env={**os.environ, "OMP_NUM_THREADS": "1"})
        _, status, usage = os.wait4(child.pid, 0)
        wall_s = time.perf_counter() - start_s
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(argv[:3])} … ended with {child.returncode}")
    return Run(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1024))


def bench(folder: Path, n_pairs: int) -> bool:
    """Time and print; True when all limits hold."""
    readings = [str(Path(sys.executable).with_name("hoodtrace")), "readings"]
    options = ["--hood", str(folder / "hood.toml"), "--format", "json"]
    whole = [*readings, str(folder / "whole.trace"), *options]
    quarter = [*readings, str(folder / "quarter.trace"), *options]
    csv = [sys.executable, "-c", READ_CSV, str(folder / "whole.csv")]
    timed(csv, folder / "rows.txt")  # both files into the system's cache before anything counts
    timed(whole, folder / "answer.json")
    ratios, growths, ours, theirs = [], [], [], []
    for i in range(n_pairs):
        order = [whole, csv] if i % 2 else [csv, whole]
        runs = {id(argv): timed(argv, folder / ("answer.json" if argv is whole else "rows.txt")) for argv in order}
        short = timed(quarter, folder / "quarter.json")
        ours.append(runs[id(whole)])
        theirs.append(runs[id(csv)])
        ratios.append(ours[-1].wall_s / theirs[-1].wall_s)
        growths.append(ours[-1].wall_s / short.wall_s)
        print(f"pair {i + 1}: ratio {ratios[-1]:.2f} (processor time {ours[-1].cpu_s / theirs[-1].cpu_s:.2f}), "
              f"whole over quarter {growths[-1]:.2f}", flush=True)  # fmt: skip
    size_mb = (folder / "whole.trace").stat().st_size / 1e6
    answer = (folder / "answer.json").read_text(encoding="utf-8")
    peak_mb, ratio, growth = max(r.peak_mb for r in ours), median(ratios), median(growths)
    print(f"{size_mb:.0f} MB of trace, {(folder / 'rows.txt').read_text().strip()} samples, "
          f"{answer.count('flow_m3h')} readings, {answer.count('estimate_m3h')} refused")  # fmt: skip
    pandas_mb = max(r.peak_mb for r in theirs)
    checks = (
        (f"time over pandas.read_csv, median of {n_pairs} (<= {RATIO_LIMIT:g}, aim {RATIO_AIM:g})", ratio, RATIO_LIMIT),
        (f"peak memory, MB (<= {MEMORY_LIMIT_MB:g}; pandas {pandas_mb:.0f})", peak_mb, MEMORY_LIMIT_MB),
        (f"time of four times the length over its quarter (<= {GROWTH_LIMIT:g})", growth, GROWTH_LIMIT),
    )
    for name, value, limit in checks:
        print(f"{name:<72}{value:>8.2f}  {'pass' if value <= limit else 'FAIL'}")
    return all(value <= limit for _, value, limit in checks)


def main() -> int:
    """Make the files in a child process, then time."""
    parser = argparse.ArgumentParser(description="speed of readings against pandas.read_csv")
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="make the files here, or use those that are here")
    parser.add_argument("--make", type=Path, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    if asked.make is not None:
        make(asked.make, asked.hours, seed)
        return 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / "whole.csv").exists():
            print(f"seed {seed}", flush=True)
            argv = [sys.executable, __file__, "--make", str(folder), "--hours", str(asked.hours), "--seed", str(seed)]
            made = timed(argv, folder / "made.txt")
            print(f"made in {made.wall_s:.0f} s", flush=True)
        return 0 if bench(folder, asked.pairs) else 1


if __name__ == "__main__":
    sys.exit(main())
