"""How `hoodtrace archive` uses two cores, and how fast an archive of 1,000 visits answers.

    python tests/bench/bench_archive.py [--hours 1] [--visits 160] [--many 1000] [--seed N] [--pairs 3]

Contract: draws traces of the second generator and visits around them, archives all with one process and with two, whole
commands, in turn, and prints T1 / (2 T2), T being the shortest wall time of each: other work on the machine can only
make it longer, while the best of the pairs' ratios would gain by whatever disturbs T1. Then makes an archive of many
small visits and prints the time of each ready question, a new process each. Ends with 1 where the efficiency is under
0.85 or a question takes over 1 s. It means something only on a machine that does nothing else. No timing is kept.
"""

from __future__ import annotations

import argparse
import filecmp
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

EFFICIENCY_LIMIT, ANSWER_LIMIT_S = 0.85, 1.0
N_TRACES = 6
COMMAND = "import sys; from hoodtrace.cli.app import main; sys.argv[0] = 'hoodtrace'; main()"


def timed(*words: object) -> tuple[float, float]:
    """Run a hoodtrace command; return its wall time and the processor time of all its processes (s)."""
    start_s, before_s = time.perf_counter(), _children_s()
    argv = [sys.executable, "-c", COMMAND, *map(str, words)]
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    wall_s = time.perf_counter() - start_s
    if done.returncode:
        raise SystemExit(f"{words} ended with {done.returncode}: {done.stderr}")
    return wall_s, _children_s() - before_s


def _children_s() -> float:
    times = os.times()
    return times.children_user + times.children_system


def make_traced(folder: Path, hours: float, n_visits: int, seed: int) -> None:
    """Write visits around a few drawn traces of about `hours` at 100 samples a second."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    import numpy as np

    from many_visits import make
    from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, make_trace

    rng = np.random.default_rng(seed)
    (folder.parent / "traces").mkdir(parents=True)
    traces = []
    for number in range(N_TRACES):
        scenes: list[Hold | Free] = []
        for _ in range(max(1, round(hours * 80 * rng.uniform(0.5, 1.5)))):
            air = Fluctuation("ou", rng.uniform(0.02, 0.15), rng.uniform(0.3, 2))
            direction = str(rng.choice(["supply", "extract"]))
            scenes += [Free(10, "carry"), Free(5, "hang"), Hold((Plateau(rng.uniform(15, 200), 29.0, air),), direction)]
        path = folder.parent / "traces" / f"{number}.trace"
        path.write_bytes(make_trace(Spec(tuple(scenes), Hood(), rate_hz=100), seed + number)[0])
        traces.append(path)
    for number in range(n_visits):
        make(folder / f"{number:03d}", rng, number, trace=traces[number % N_TRACES])


def make_many(folder: Path, n_visits: int, seed: int) -> None:
    """Write visits with journals of their own around one small trace."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    import numpy as np

    from many_visits import make
    from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, make_trace

    rng, scenes = np.random.default_rng(seed), []
    for direction in ("supply", "extract") * 3:
        hold = Hold((Plateau(rng.uniform(20, 60), 14.0, Fluctuation("ou", 0.05, 0.5)),), direction)
        scenes += [Free(5, "carry"), Free(5, "hang"), hold]
    trace = folder.parent / "small.trace"
    trace.write_bytes(make_trace(Spec(tuple(scenes), Hood(), rate_hz=20), seed)[0])
    for number in range(n_visits):
        make(folder / f"{number:04d}", rng, number, n_terminals=int(rng.integers(4, 15)), trace=trace)


def alike(first: Path, second: Path) -> bool:
    """Whether two archives have the same tables, byte for byte."""
    tables = sorted(path.relative_to(first) for path in first.rglob("*.parquet"))
    others = sorted(path.relative_to(second) for path in second.rglob("*.parquet"))
    return tables == others and all(filecmp.cmp(first / path, second / path, shallow=False) for path in tables)


def main() -> int:
    """Make the visits in child processes, then time."""
    parser = argparse.ArgumentParser(description="efficiency of the archive on two cores, and time of its answers")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--visits", type=int, default=160)
    parser.add_argument("--many", type=int, default=1000)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--make", nargs=2, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    seed = secrets.randbelow(1 << 32) if asked.seed is None else asked.seed
    if asked.make is not None:
        what, where = asked.make
        if what == "traced":
            make_traced(Path(where), asked.hours, asked.visits, seed)
        else:
            make_many(Path(where), asked.many, seed)
        return 0
    print(f"seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as temporary:
        home, numbers = Path(temporary), ["--seed", seed, "--hours", asked.hours, "--visits", asked.visits]
        for what in ("traced", "many"):
            argv = [sys.executable, __file__, "--make", what, home / what, "--many", asked.many, *numbers]
            subprocess.run([str(word) for word in argv], check=True)
        size_mb = sum(os.path.getsize(path) for path in (home / "traced").rglob("*.trace")) / 1e6
        print(f"{asked.visits} visits with {size_mb:.0f} MB of traces", flush=True)
        walls_s: dict[int, list[float]] = {1: [], 2: []}
        for pair in range(1, asked.pairs + 1):
            for n, walls in walls_s.items():
                wall_s, cpu_s = timed("archive", home / "traced", "--to", home / f"by{n}", "--jobs", n)
                walls.append(wall_s)
                print(f"pair {pair}, {n} at work: {wall_s:.1f} s (processor time {cpu_s:.1f} s)", flush=True)
            if not alike(home / "by1", home / "by2"):
                print("one process and two gave different tables: FAIL")
                return 1
            for n in (1, 2):
                shutil.rmtree(home / f"by{n}")
        efficiency = min(walls_s[1]) / (2.0 * min(walls_s[2]))
        made_s, _ = timed("archive", home / "many")
        print(f"{asked.many} small visits: archived in {made_s:.1f} s, again in ", end="", flush=True)
        print(f"{timed('archive', home / 'many')[0]:.1f} s", flush=True)
        ready = sorted(path.stem for path in (Path(_package()) / "archive" / "ready").glob("*.sql"))
        answers_s = {name: timed("archive", "ask", home / "many", "--ready", name)[0] for name in ready}
    for name, answer_s in answers_s.items():
        print(f"  {name:<16}{answer_s:6.2f} s")
    checks = (
        (f"efficiency on two cores, shortest of {asked.pairs} each", efficiency, EFFICIENCY_LIMIT, 1),
        ("slowest ready question, s", max(answers_s.values()), ANSWER_LIMIT_S, -1),
    )
    good = [sign * (value - limit) >= 0.0 for _, value, limit, sign in checks]
    for (name, value, limit, sign), passed in zip(checks, good, strict=True):
        word = "at least" if sign > 0 else "at most"
        print(f"{name:<48}{value:7.3f}  ({word} {limit:g})  {'pass' if passed else 'FAIL'}")
    return 0 if all(good) else 1


def _package() -> str:
    import hoodtrace

    return str(Path(hoodtrace.__file__).parent)


if __name__ == "__main__":
    sys.exit(main())
