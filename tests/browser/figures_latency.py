"""From a sample's arrival on the host to the changed number in a browser: `python tests/browser/figures_latency.py`.

Real firmware on a real-time clock at 50 samples/s, the real desk and page, Chromium on the same machine (one clock).
Arrival is when the recorder hands a block to the desk. A number that was shown counts from the first block that gave
it. Prints the number of changes, median, 95 % and longest time in ms.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))
from browser.served import CHROMIUM, FLAGS, UTC, answer_all, wait_for
from hoodtrace.board.air_motion import Hold, Rest
from hoodtrace.board.scenario import ROOM, demo_hood_toml, demo_visit_toml, true_hood
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.board.world import Scenario, write_world
from hoodtrace.dwelling.visit import Visit

SERVER = """
import sys, time
from pathlib import Path
from hoodtrace.board.desk import Desk
from hoodtrace.pages.server import serve
folder, port, log = sys.argv[1:]
taken, out = Desk._take, open(log, "w")
def take(self, decoded):
    arrived = time.time()
    taken(self, decoded)
    shown = self.live().flow_m3h
    if shown is not None:
        out.write(f"{arrived:.6f} {shown:.1f}\\n")
        out.flush()
Desk._take = take
desk = Desk(Path(folder), port)
desk.start()
serve(desk, port=0, open_browser=False, language="en", tell=lambda line: print(line, flush=True))
desk.stop()
"""
WATCH = """() => {
  window.seen = [];
  const place = document.querySelector("[data-live=flow]");
  new MutationObserver(() => seen.push([(performance.timeOrigin + performance.now()) / 1000, place.textContent]))
    .observe(place, { childList: true, characterData: true, subtree: true });
}"""


def main(seconds: float) -> None:
    """Measure for so long, and print."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "visit"
        (folder / "traces").mkdir(parents=True)
        (folder / "hood.toml").write_text(demo_hood_toml(), encoding="utf-8")
        (folder / "visit.toml").write_text(demo_visit_toml(), encoding="utf-8")
        visit = Visit(folder)
        visit.decide({"do": "begin"}, UTC)
        answer_all(visit)
        hood = true_hood(tomllib.loads(demo_hood_toml()), np.random.default_rng(1))
        held = Hold("S1", "supply", 50.0, seconds, 0.05, (0.3, 1.0), (0.7, 0.3), (), 0.3, 0.3, 18.0, 0.0)
        world = Path(scratch) / "world"
        write_world(Scenario(hood, (Rest(8.0), held, Rest(5.0)), ROOM), world, 1)
        log = Path(scratch) / "log.txt"
        with VirtualBoard(world, "real", "pty", boot_seed=1) as board:
            command = [sys.executable, "-c", SERVER, str(folder), board.port, str(log)]
            out = Path(scratch) / "out.txt"
            process = subprocess.Popen(command, stdout=out.open("w"), env=os.environ | {"PYTHONUNBUFFERED": "1"})
            try:
                url = wait_for(lambda: out.read_text().partition("Page: ")[2].strip(), "the page")
                seen = watched(url, seconds)
            finally:
                process.terminate()
                process.wait(10)
        report(seen, [(float(a), b) for a, b in (line.split() for line in log.read_text().splitlines())])


def watched(url: str, seconds: float) -> list[tuple[float, str]]:
    """Return when the number in the browser changed, and to what."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page: Any = browser.new_page()
        page.goto(url)
        page.wait_for_function("window.hoodtrace && hoodtrace.version() >= 0")
        page.evaluate(WATCH)
        time.sleep(seconds)
        seen = page.evaluate("seen")
        browser.close()
    return [(float(at), str(text)) for at, text in seen]


def report(seen: list[tuple[float, str]], given: list[tuple[float, str]]) -> None:
    """Print how long the numbers took."""
    took = []
    for at, text in seen:
        before = [i for i, (arrived, value) in enumerate(given) if arrived < at and value == text]
        if not before:
            continue
        first = before[-1]
        while first > 0 and given[first - 1][1] == text:
            first -= 1
        took.append(1000.0 * (at - given[first][0]))
    assert len(took) > 0.9 * len(seen) > 20, (len(took), len(seen))
    quantiles = ", ".join(
        f"{name} {np.quantile(took, q):.0f} ms" for name, q in (("median", 0.5), ("95 %", 0.95), ("longest", 1))
    )
    print(f"{len(took)} changed numbers, {len(given)} blocks: {quantiles}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 40.0)
