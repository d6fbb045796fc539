"""Readings from decimated lines of the board's flash log: what is flagged, and what their zero is worth.

Contract: traces come from the second generator, which shares no code with the package; sources stand beside each
check value.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.physics.hood import read_hood
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace
from worlds.second_board import json_line, sample_lines
from worlds.second_log import FROM_LOG, logged


def outcomes(trace: bytes, hood: Hood, folder: Path) -> list[Outcome]:
    """What the session makes of a whole trace."""
    path = folder / "hood.toml"
    path.write_text(hood_toml(hood), encoding="utf-8")
    known, _ = read_hood(path)
    session = Session(known)
    return session.feed(trace) + session.finish()


def decimated_share(trace: bytes, start_us: int, stop_us: int) -> float:
    """Part of a stretch that lines of the log cover, counted line by line: each from the line before to its TIME."""
    lines = [text for text in trace.split(b"\n") if text[:1] == b"S"]
    at_us = [int(text[10:24], 16) for text in lines]
    from_log_us = sum(
        at_us[i] - at_us[i - 1]
        for i in range(1, len(lines))
        if start_us <= at_us[i] < stop_us and int(lines[i][49:51], 16) & FROM_LOG
    )
    return from_log_us / (stop_us - start_us)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_most_of_the_time_from_the_log_is_said(seed: int, tmp_path: Path) -> None:
    """Nine seconds at 50 lines a second, then two thirds of the time at five: more lines of the first kind."""
    hold = Hold((Plateau(30.0, 30.0, Fluctuation("ou", 0.05, 0.5)),))
    spec = Spec((Free(4, "hang"), hold, Free(4, "hang")), Hood())
    log, _ = logged(make_trace(spec, seed)[0], np.random.default_rng(seed), left_s=3.0)
    (one,) = outcomes(log, spec.hood, tmp_path)
    assert decimated_share(log, one.start_us, one.stop_us) > 0.6
    # The project's format, hood file: decimated lines have the flag `from log` (seen).
    assert "from log" in one.averaged.flags


def test_noise_at_the_full_rate_is_no_turbulence_of_the_log(tmp_path: Path) -> None:
    """Where both are mixed, the turbulence index is that of the air, not of the chip's noise on single readings."""
    # 12 m3/h in 104 mm makes 0.18 Pa at the taps; noise of 0.06 Pa on each reading looks like an index of 0.17.
    hold = Hold((Plateau(12.0, 40.0, Fluctuation("ou", 0.05, 1.0)),))
    spec = Spec((Free(4, "hang"), hold, Free(4, "hang")), Hood(), noise_pa=0.06)
    log, _ = logged(make_trace(spec, 5)[0], np.random.default_rng(5), left_s=3.0)
    (one,) = outcomes(log, spec.hood, tmp_path)
    assert "from log" in one.averaged.flags
    # The air's own 0.05 and the noise of a mean of ten, 0.06 / sqrt(10) / (2 * 0.18) = 0.053: together 0.073.
    assert one.averaged.fluctuation_rel < 0.10


def test_the_zero_of_slow_lines_is_as_doubtful_as_their_noise_lets_it_be(tmp_path: Path) -> None:
    """A free stretch off by 1.5 of its own standard uncertainties is no doubt, also with one line a frame."""
    n_free, n_hold = 21, 160  # four seconds and half a minute, a line each 0.2 s
    n = n_free + n_hold + 20
    at = np.arange(n)
    t_us = 5_000_000 + 200_000 * at
    seated = (at >= n_free) & (at < n_free + n_hold)
    steps = np.where(seated, 6, 0)  # 30 edges a second: 0.14 + 0.047 * 30 = 1.55 m/s
    edges = np.cumsum(steps)
    last_us = np.maximum.accumulate(np.where(steps > 0, t_us, 0))
    age_us = np.where(last_us > 0, t_us - last_us, 0xFFFFFF)
    # Free: 1 count off (0.0042 Pa) with a noise of 3 counts a line, so known to 3 / sqrt(21) = 0.65 counts = 0.0027 Pa.
    # Seated: 1.55 m/s * 0.93 = 1.44 m/s, so 0.6 * (1.44 / 0.71)^2 = 2.47 Pa times 240 counts, and a slow ripple.
    wave = np.where(at % 2 == 0, 3, -3)
    dp = np.where(seated, 593 + np.rint(20 * np.sin(at / 5.0)).astype(np.int64), 1 + wave)
    hello = {"kind": "hello", "protocol": 1, "boot": "0000000a", "dp_counts_per_pa": 240}
    trace = json_line("J", 0, 4_900_000, hello) + sample_lines(
        1 + at, t_us, edges, np.minimum(age_us, 0xFFFFFF), dp, np.full(n, 4000), np.full(n, FROM_LOG)
    )
    (one,) = outcomes(trace, Hood(u_zero_pa=0.001, reference_pressure_pa=None), tmp_path)
    # The rule (zero.py, own choice): doubt beyond three of the greater of u_zero_pa and what noise leaves, 0.0082 Pa.
    assert "from log" in one.averaged.flags
    assert "zero doubtful" not in one.averaged.flags
