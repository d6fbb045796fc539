"""The flash log under the real MicroPython: on a plain folder, and on a real littlefs whose power is cut anywhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from firmware.bench_host import run_on_board, small_world

N_CUTS = 1200


def numbers(printed: str) -> dict[str, int]:
    return {name: int(value) for name, value in re.findall(r"(\w+) (\d+)", printed)}


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_world(tmp_path_factory.mktemp("flash") / "world", 1.0)


@pytest.mark.usefixtures("micropython")
def test_on_a_plain_folder(world: Path) -> None:
    printed = run_on_board("flog_run.py", world)
    assert printed.splitlines()[-1] == "passed heap locked", printed
    assert numbers(printed)["grown"] == 0


@pytest.mark.slow
@pytest.mark.usefixtures("micropython")
def test_power_cuts_lose_nothing_that_was_written(world: Path) -> None:
    found = numbers(run_on_board("power_cuts.py", world, str(N_CUTS), "20240607"))
    assert (found["cuts"], found["lost"], found["torn"], found["settings_broken"]) == (N_CUTS, 0, 0, 0)
    # It was a life worth the name: cuts in everything that writes, also soon after another cut, also on full flash.
    doings = ("write", "rotate", "forget", "settings", "boot")
    assert all(found["cut_at_" + doing] >= 20 for doing in doings), found
    assert found["soon_again"] > N_CUTS / 5
    assert found["synced"] > N_CUTS
    assert found["full"] > 0


@pytest.mark.usefixtures("micropython")
def test_control_a_yes_before_the_flush_is_caught(world: Path) -> None:
    found = numbers(run_on_board("power_cuts.py", world, "100", "1", "control"))
    assert found["cuts"] == 100
    assert found["lost"] > 10


@pytest.mark.usefixtures("micropython")
def test_flash_is_erased_less_than_once_a_kib(world: Path) -> None:
    # A flush for each record erased it 44.7 times a KiB, whole blocks 0.51 times (measured elsewhere on a littlefs).
    found = numbers(run_on_board("power_cuts.py", world, "wear"))
    print(f"{found['erases'] / found['kib']:.3f} erases a KiB, {found['erases'] / found['flushes']:.2f} a flush")
    assert found["kib"] == 4 * found["flushes"] > 1408  # more than all of it
    assert found["erases"] < found["kib"]
    assert found["worst"] <= 4  # 45 ms each: far within the watchdog's 8 s
