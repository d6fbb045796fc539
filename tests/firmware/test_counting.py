"""Each way to count gives true pairs of count and edge time; what the pin interrupt loses is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.bench_host import run_on_board, small_world


@pytest.mark.usefixtures("micropython")
@pytest.mark.parametrize("edge_us", [2_003, 10_007, 50_021])
@pytest.mark.parametrize("kind", ["pio", "counter", "pin"])
def test_pairs_are_true(tmp_path: Path, kind: str, edge_us: int) -> None:
    world = small_world(tmp_path / "world", 120.0, edge_every_us=edge_us, counting=kind)
    assert run_on_board("counting_run.py", world, kind, str(edge_us)).splitlines()[-1] == "all right"
