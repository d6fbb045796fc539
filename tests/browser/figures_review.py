"""The page of a review on a day's trace: the first picture, zooms, an edge that is dragged, memory.

    python tests/browser/figures_review.py [--hours 8] [--rate 100] [--seed N] [--folder FOLDER]

Makes a visit with one trace of the second generator (or takes the one in FOLDER), starts the real command and looks at
its page in Chromium, which runs already. Prints the time from the start of the process to the first picture on the
screen, the 95 % of 200 zooms and moves and of the previews of dragged edges, each from what the person did to the
frame that shows it, and the peak memory of the command. Ends with 1 where they are over 2 s, 100 ms, 100 ms, 700 MB.
The package is compiled first, as pip does where it installs one: PYTHONDONTWRITEBYTECODE costs a start 0.1 s or more.
"""

from __future__ import annotations

import argparse
import compileall
import os
import re
import secrets
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

import hoodtrace

sys.path.insert(0, str(Path(__file__).parents[1]))
from browser.served import CHROMIUM, COMMAND, FLAGS, wait_for
from hoodtrace.board.scenario import demo_visit_toml
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace

FIRST_S, ZOOM_MS, PREVIEW_MS, MEMORY_MB = 2.0, 100.0, 100.0, 700.0
N_ZOOMS, N_DRAGS, N_STEPS = 200, 8, 15


def make(folder: Path, hours: float, rate_hz: int, seed: int) -> None:
    """Write a visit with one trace: holds of 29 s with 15 s between them all through."""
    (folder / "traces").mkdir(parents=True)
    hood, rng, scenes = Hood(), np.random.default_rng(seed), []
    for _ in range(max(1, round(hours * 80))):
        air = Fluctuation(str(rng.choice(["ou", "two", "karman"])), rng.uniform(0.02, 0.15), rng.uniform(0.3, 2))
        plateau = Plateau(rng.uniform(15, 200), 29.0, air)
        hold = Hold((plateau,), str(rng.choice(["supply", "extract"])), n_gusts=int(rng.choice([0, 0, 1])))
        scenes += [Free(10, "carry"), Free(5, "hang"), hold]
    trace, _ = make_trace(Spec(tuple(scenes), hood, rate_hz=rate_hz), seed)
    (folder / "traces" / "01.trace").write_bytes(trace)
    (folder / "hood.toml").write_text(hood_toml(hood), encoding="utf-8")
    (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")


def until(page: Any, what: str) -> None:
    """Wait; the page's rules forbid the way of Playwright's own waiting."""
    wait_for(lambda: page.evaluate(f"() => Boolean({what})"), what, 60.0)


def look(page: Any, start_s: float, rng: np.random.Generator) -> tuple[float, list[float], list[float]]:
    """Return the first picture's time [s], the zooms' and the previews' [ms]."""
    until(page, "window.hoodtraceReview && hoodtraceReview.drawn.first_ms !== null")
    first_s = page.evaluate("performance.timeOrigin + hoodtraceReview.drawn.first_ms") / 1e3 - start_s
    until(page, "hoodtraceReview.state().loading.done")
    time.sleep(1.0)
    low, high = page.evaluate("hoodtraceReview.whole()")
    n_before = page.evaluate("hoodtraceReview.zooms.length")
    for i in range(N_ZOOMS):
        width = (high - low) * 10.0 ** rng.uniform(-6.0, 0.0)
        x0 = rng.uniform(low, high - width)
        page.evaluate(f"hoodtraceReview.show({x0}, {x0 + width})")
        until(page, f"hoodtraceReview.zooms.length > {n_before + i}")
    zooms = [b - a for a, b in page.evaluate("hoodtraceReview.zooms")][n_before:]
    ids = [w["id"] for w in page.evaluate("hoodtraceReview.state().windows") if w["state"] == "reading"]
    for _ in range(N_DRAGS):
        page.locator(f"#windows button[title^='{rng.choice(ids)}:']").click()
        time.sleep(0.3)
        box = page.locator("#stop").bounding_box()
        x, y = box["x"] + 8, box["y"] + box["height"] / 3
        page.mouse.move(x, y)
        page.mouse.down()
        for step in range(1, N_STEPS + 1):
            page.mouse.move(x - 6 * step, y)
            time.sleep(0.03)
        page.keyboard.press("Escape")  # nothing is kept
        page.mouse.up()
    return first_s, zooms, [b - a for a, b in page.evaluate("hoodtraceReview.previews")]


def peak_mb(pid: int) -> float:
    """Return the highest memory of a process so far [MB]."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    return int(found.group(1)) / 1e3 if found else float("nan")


def main() -> int:
    """Make, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--rate", type=int, default=100)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(2**31))
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    compileall.compile_dir(Path(hoodtrace.__file__).parent, quiet=1)
    with tempfile.TemporaryDirectory() as made, sync_playwright() as playwright:
        folder = given.folder or Path(made) / "visit"
        if given.folder is None:
            make(folder, given.hours, given.rate, given.seed)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        start_s = time.time()
        command = [*COMMAND, "review", str(folder), "--no-browser", "--page-port", "0", "--language", "en"]
        served = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
        )
        try:
            assert served.stdout is not None
            page.goto(served.stdout.readline().split()[-1])
            first_s, zooms, previews = look(page, start_s, rng)
            memory_mb = peak_mb(served.pid)
        finally:
            served.terminate()
            served.wait(20)
            browser.close()
    p95 = [float(np.percentile(each, 95)) for each in (zooms, previews)]
    print(f"seed {given.seed}, {given.hours:g} h at {given.rate} samples/s")
    print(f"first picture {first_s:.2f} s (limit {FIRST_S:g} s)")
    print(f"{len(zooms)} zooms: median {np.median(zooms):.0f} ms, 95 % {p95[0]:.0f} ms, longest {max(zooms):.0f} ms")
    print(f"{len(previews)} previews: median {np.median(previews):.0f} ms, 95 % {p95[1]:.0f} ms")
    print(f"peak memory {memory_mb:.0f} MB (limit {MEMORY_MB:g} MB)")
    good = first_s <= FIRST_S and p95[0] <= ZOOM_MS and p95[1] <= PREVIEW_MS and memory_mb <= MEMORY_MB
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
