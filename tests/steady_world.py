"""A virtual board's world in which nothing changes for two minutes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

SECONDS = 120


def write_steady_world(folder: Path, dp_counts: int, edges_per_s: int) -> Path:
    """Make `folder` the world of a chip of 240 counts a pascal that reads `dp_counts`, and of evenly spaced edges."""
    folder.mkdir()
    n_ticks = SECONDS * 200
    fields = {"tick_us": 5000, "n_ticks": n_ticks, "dp_counts_per_pa": 240, "button": [], "faults": []}
    air = [[t_s * 1_000_000, 21.0, 45.0, 100000.0] for t_s in range(0, SECONDS, 10)]
    (folder / "world.json").write_text(json.dumps(fields | {"air": air}))
    np.full(n_ticks, dp_counts * 256, "<i4").tofile(folder / "dp.i32")
    np.full(SECONDS, 4200, "<i2").tofile(folder / "temp.i16")
    edges = np.arange(SECONDS * edges_per_s, dtype="<i8")
    (edges * 1_000_000 // max(edges_per_s, 1) + 500).tofile(folder / "edges.i64")
    return folder
