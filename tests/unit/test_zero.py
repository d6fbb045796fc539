"""Which zero a hold takes: the last good one before it, else the first after it, and when that is in doubt.

Contract: times in us; the rules are those of the fixed format (zero from free-hanging air before the hold, for the
first hold after it; agreement within 3 `u_zero_pa`).
"""

from __future__ import annotations

import pytest

from hoodtrace.averaging.zero import Rest, Zeros
from hoodtrace.physics.hood import Taps

S = 1_000_000
U_ZERO_PA, FILE_PA = 0.02, 0.01


def zeros(older_pa: float | None = None) -> Zeros:
    taps = Taps(count=4, c=0.71, u_c_rel=0.025, zero_pa=FILE_PA, u_zero_pa=U_ZERO_PA)
    return Zeros(taps, 60.0 * S, older_pa)


def rest(start_s: int, stop_s: int, mean_pa: float, u_pa: float = 0.002) -> Rest:
    return Rest(start_s * S, stop_s * S, mean_pa, u_pa)


def test_a_hold_takes_the_last_rest_before_it() -> None:
    z = zeros()
    for found in (rest(0, 4, 0.011), rest(10, 14, 0.022), rest(60, 64, 0.033)):
        z.hang(found)
    z.hold(20 * S, 50 * S)
    assert z.at(20 * S, 50 * S) == (0.022, False)
    assert z.settled(20 * S, 50 * S)
    assert z.newest_pa() == 0.033


def test_the_first_hold_takes_the_rest_after_it() -> None:
    z = zeros()
    z.hold(5 * S, 30 * S)
    assert not z.settled(5 * S, 30 * S)
    z.hang(rest(35, 40, 0.03))
    assert z.at(5 * S, 30 * S) == (0.03, False)
    assert z.settled(5 * S, 30 * S)


def test_a_rest_that_comes_too_late_is_not_waited_for() -> None:
    z = zeros()
    z.hold(5 * S, 30 * S)
    z.hang(rest(88, 91, 0.03))  # ends 61 s after the hold
    assert z.at(5 * S, 30 * S) == (FILE_PA, False)


@pytest.mark.parametrize("around", [(18, 22), (25, 28), (48, 52), (15, 55)])
def test_a_rest_that_overlaps_a_hold_is_none(around: tuple[int, int]) -> None:
    z = zeros()
    z.hang(rest(0, 4, 0.02))
    z.hang(rest(*around, 0.05))
    z.hold(20 * S, 50 * S)
    z.hold(60 * S, 90 * S)
    assert z.at(60 * S, 90 * S) == (0.02, False)


def test_a_rest_that_touches_a_hold_is_one() -> None:
    z = zeros()
    z.hang(rest(0, 4, 0.02))
    z.hang(rest(15, 20, 0.03))
    z.hold(20 * S, 50 * S)
    assert z.at(20 * S, 50 * S) == (0.03, False)


@pytest.mark.parametrize("off", [1, -1])
def test_three_uncertainties_off_is_a_doubt_and_the_older_zero_stays(off: int) -> None:
    z = zeros()
    z.hang(rest(0, 4, 0.02))
    z.hang(rest(6, 10, FILE_PA + off * (3 * U_ZERO_PA + 0.001)))
    z.hold(20 * S, 50 * S)
    assert z.at(20 * S, 50 * S) == (0.02, True)
    assert z.newest_pa() == 0.02
    inside = zeros()
    inside.hang(rest(6, 10, FILE_PA + off * (3 * U_ZERO_PA - 0.001)))
    assert inside.at(20 * S, 50 * S) == (pytest.approx(FILE_PA + off * (3 * U_ZERO_PA - 0.001)), False)


def test_a_good_rest_ends_the_doubt() -> None:
    z = zeros()
    z.hang(rest(0, 4, 0.5))
    z.hold(5 * S, 20 * S)
    z.hang(rest(25, 30, 0.02))
    z.hold(35 * S, 50 * S)
    assert z.at(35 * S, 50 * S) == (0.02, False)
    # The first hold has a doubt before it; the rest after it serves all the same.
    assert z.at(5 * S, 20 * S) == (0.02, True)


def test_a_rest_known_too_badly_is_neither_zero_nor_doubt() -> None:
    z = zeros()
    z.hang(rest(0, 4, 0.06, u_pa=0.03))
    assert z.at(10 * S, 20 * S) == (FILE_PA, False)
    assert z.newest_pa() is None


def test_nothing_found_leaves_the_files_zero() -> None:
    z = zeros()
    assert z.at(10 * S, 20 * S) == (FILE_PA, False)
    assert not z.settled(10 * S, 20 * S)


def test_after_a_restart_the_older_boots_zero_stands_until_a_new_one() -> None:
    z = zeros(older_pa=0.04)
    assert z.settled(5 * S, 9 * S)
    z.hang(rest(12, 16, 0.02))
    assert z.at(5 * S, 9 * S) == (0.04, False)
    assert z.at(20 * S, 30 * S) == (0.02, False)
    assert z.newest_pa() == 0.02
    assert zeros(older_pa=0.04).newest_pa() == 0.04


def test_without_taps_there_is_no_zero() -> None:
    z = Zeros(None, 60.0 * S)
    z.hang(rest(0, 4, 0.5))
    assert z.at(5 * S, 9 * S) == (0.0, False)
    assert z.settled(5 * S, 9 * S)
    assert z.newest_pa() is None
