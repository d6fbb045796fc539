"""Speed of `hoodtrace export --what all` and of its CSV, against pandas writing the same columns; peak memory.

    python tests/bench/bench_export.py [--hours 8] [--rate 100] [--pairs 3] [--seed N] [--keep FOLDER]

Contract: makes a visit with one trace of the second generator and exports it in a process of its own. Then writes the
same table once by pyarrow as export does and once by pandas, in turn, and prints the ratio of each pair, its median,
and the memory. Ends with 1 when the ratio is over 0.5 or the memory over 700 MB. No timing is kept between runs.
"""

from __future__ import annotations

import argparse
import os
import secrets
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

RATIO_LIMIT, MEMORY_LIMIT_MB = 0.5, 700.0
EXPORT = """
import sys
from pathlib import Path
from hoodtrace.cli.export import export
export(Path(sys.argv[1]), what="all", to=Path(sys.argv[2]))
"""


def make(folder: Path, hours: float, rate_hz: int, seed: int) -> None:
    """Write a visit's folder with one trace; runs in a process of its own."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    import numpy as np

    from visits_over_time import ROOMS, plan_toml
    from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace

    hood, rng = Hood(), np.random.default_rng(seed)
    (folder / "traces").mkdir(parents=True)
    (folder / "hood.toml").write_text(hood_toml(hood), encoding="utf-8")
    (folder / "visit.toml").write_text(plan_toml(ROOMS), encoding="utf-8")
    scenes: list[Hold | Free] = []
    for _ in range(round(hours * 80)):
        plateau = Plateau(rng.uniform(15, 200), 29.0, Fluctuation("ou", rng.uniform(0.02, 0.15), rng.uniform(0.3, 2)))
        scenes += [Free(10, "carry"), Free(5, "hang"), Hold((plateau,), str(rng.choice(["supply", "extract"])))]
    trace, _ = make_trace(Spec(tuple(scenes), hood, rate_hz=rate_hz), seed)
    (folder / "traces" / "01.trace").write_bytes(trace)


def exported(visit: Path, to: Path) -> tuple[float, float]:
    """Export everything; return wall time (s) and peak memory (MB) of the whole process."""
    start_s = time.perf_counter()
    argv = [sys.executable, "-c", EXPORT, str(visit), str(to)]
    child = subprocess.Popen(argv, stdout=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1"})
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"export ended with {child.returncode}")
    return time.perf_counter() - start_s, usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1024)


def pairs(to: Path, n_pairs: int) -> list[float]:
    """Return the time of export's CSV writer over that of pandas, for the samples that were exported."""
    import pyarrow.parquet

    from hoodtrace.reporting.export_columns import SAMPLES
    from hoodtrace.reporting.export_files import Folder

    table = pyarrow.parquet.read_table(to / "samples.parquet")
    frame = table.to_pandas()
    print(f"{len(frame)} samples, {(to / 'samples.csv').stat().st_size / 1e6:.0f} MB as CSV", flush=True)
    ratios = []
    for number in range(n_pairs):
        start_s = time.perf_counter()
        chunks = (table.slice(start, 1 << 17) for start in range(0, len(frame), 1 << 17))
        Folder(to / "again", ["samples.csv"], replace=True).put_tables("samples", SAMPLES, chunks, ("csv",))
        ours_s = time.perf_counter() - start_s
        frame.to_csv(to / "pandas.csv", index=False)
        ratios.append(ours_s / (time.perf_counter() - start_s - ours_s))
        print(f"pair {number + 1}: {ratios[-1]:.2f}", flush=True)
    return ratios


def main() -> int:
    """Make the visit in a child process, then export and time."""
    parser = argparse.ArgumentParser(description="speed of export against pandas.to_csv")
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--rate", type=int, default=100)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="make the visit here, or use the one that is here")
    parser.add_argument("--make", type=Path, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    if asked.make is not None:
        make(asked.make, asked.hours, asked.rate, seed)
        return 0
    with tempfile.TemporaryDirectory() as temporary:
        visit, to = asked.keep or Path(temporary) / "visit", Path(temporary) / "export"
        if not (visit / "visit.toml").exists():
            print(f"seed {seed}", flush=True)
            numbers = ["--hours", str(asked.hours), "--rate", str(asked.rate), "--seed", str(seed)]
            subprocess.run([sys.executable, __file__, "--make", str(visit), *numbers], check=True)
        wall_s, peak_mb = exported(visit, to)
        ratio = median(pairs(to, asked.pairs))
    print(f"all of it in {wall_s:.1f} s")
    checks = (
        (f"CSV over pandas.to_csv, median of {asked.pairs} (<= {RATIO_LIMIT:g})", ratio, RATIO_LIMIT),
        (f"peak memory of the whole export, MB (<= {MEMORY_LIMIT_MB:g})", peak_mb, MEMORY_LIMIT_MB),
    )
    for name, value, limit in checks:
        print(f"{name:<72}{value:>8.2f}  {'pass' if value <= limit else 'FAIL'}")
    return 0 if all(value <= limit for _, value, limit in checks) else 1


if __name__ == "__main__":
    sys.exit(main())
