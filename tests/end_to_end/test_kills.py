"""The program is killed again and again in the middle of a visit: what it acknowledged stays, nothing comes twice.

The 500 kills of the figures are in tests/bench/figures_kills.py; these are a dozen of the same.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from killed_visit import Killed

SEED, N_KILLS = 5, 12


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and a pseudo-terminal")
def test_no_accepted_reading_is_lost_or_doubled_and_each_has_its_trace(tmp_path: Path) -> None:
    killed = Killed(tmp_path, SEED, n_holds=200, n_terminals=40)
    try:
        longest_s = 1.5 * killed.first_reading_s()
        for _ in range(N_KILLS):
            said = killed.once(longest_s)
            assert killed.check(said) == []
    finally:
        killed.stop()
    n_readings, faults = killed.evidence()
    assert faults == []
    assert n_readings >= N_KILLS / 2
