"""Run the real thing on a made trace, and lay its answer beside the truth.

Contract: `report` gives the JSON object of `hoodtrace readings` for one spec (in a temporary folder of its own);
`match` pairs each true plateau with the reading or refusal that covers most of it; `spread` runs a list of tasks in
`jobs` processes, in order. Nothing is taken from the program under test but its answer.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import json
import math
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from worlds.second import Spec, TruePlateau, Truth, hood_toml, make_trace

Report = dict[str, Any]
Entry = dict[str, Any]


def readings_of(trace: Path, hood: Path) -> Report:
    """The JSON object for a trace: the command itself, inside this process where the package allows it."""
    argv = ["readings", str(trace), "--hood", str(hood), "--format", "json"]
    try:
        main = importlib.import_module("hoodtrace.cli.app").main
    except (ImportError, AttributeError):
        done = subprocess.run(
            [Path(sys.executable).with_name("hoodtrace"), *argv], capture_output=True, text=True, check=False
        )
        code, text, wrong = done.returncode, done.stdout, done.stderr
    else:
        out, err, old = io.StringIO(), io.StringIO(), sys.argv
        sys.argv = ["hoodtrace", *argv]
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                code = main() or 0
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        finally:
            sys.argv = old
        text, wrong = out.getvalue(), err.getvalue()
    if code:
        raise RuntimeError(f"hoodtrace readings ended with {code} on {trace.name}: {wrong.strip()[-400:]}")
    return json.loads(text)  # type: ignore[no-any-return]


def report(spec: Spec, seed: int) -> tuple[Report, Truth]:
    """Answer and truth for one made trace; after a crash an empty answer with the key `crash`."""
    trace, truth = make_trace(spec, seed)
    with tempfile.TemporaryDirectory() as folder:
        trace_path, hood_path = Path(folder, "made.trace"), Path(folder, "hood.toml")
        trace_path.write_bytes(trace)
        hood_path.write_text(hood_toml(spec.hood), encoding="utf-8")
        try:
            return readings_of(trace_path, hood_path), truth
        except Exception as wrong:  # a crash of what is measured is a figure too: it is counted and told with its seed
            frames = traceback.extract_tb(wrong.__traceback__)
            ours = [f for f in frames if "/hoodtrace/" in f.filename] or list(frames)
            said = f"{type(wrong).__name__}: {wrong} ({Path(ours[-1].filename).name}:{ours[-1].lineno})"
            return {"readings": [], "refused": [], "crash": f"seed {seed}: {said}"}, truth


def overlap_s(entry: Entry, start_s: float, end_s: float) -> float:
    """Seconds that a reading or refusal shares with a stretch of time."""
    return max(0.0, min(entry["end_s"], end_s) - max(entry["start_s"], start_s))


def entries_of(answer: Report) -> list[Entry]:
    """Readings and refusals in one list."""
    return list(answer["readings"]) + list(answer["refused"])


def match(answer: Report, plateau: TruePlateau) -> Entry | None:
    """The reading or refusal that covers most of a true plateau, at least a third of it; a reading wins a tie."""
    found = [(overlap_s(e, plateau.start_s, plateau.end_s), "flow_m3h" in e, i, e)
             for i, e in enumerate(entries_of(answer))]  # fmt: skip
    best = max(found, default=None, key=lambda f: f[:2])
    return best[3] if best and best[0] > (plateau.end_s - plateau.start_s) / 3 else None


def spread(task: Callable[[Any], Any], arguments: Sequence[Any], jobs: int, what: str) -> list[Any]:
    """Results of a task over its arguments, in their order, with a line of progress on standard error."""
    results: list[Any] = []
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        for i, result in enumerate(pool.map(task, arguments, chunksize=4), start=1):
            results.append(result)
            if i % 50 == 0 or i == len(arguments):
                print(f"\r{what}: {i} of {len(arguments)} traces", end="", file=sys.stderr)
    print(file=sys.stderr)
    return results


def log_uniform(rng: Any, low: float, high: float) -> float:
    """A number whose logarithm is drawn evenly."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def percent(part: int, whole: int) -> float:
    """Part of a whole in percent; NaN of nothing."""
    return 100 * part / whole if whole else math.nan
