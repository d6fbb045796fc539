"""Bookkeeping of missing lines, with a clock that the test holds; expected values are counted by hand."""

from __future__ import annotations

import numpy as np

from hoodtrace.board.missing import ANSWER_S, MAX_HOLES, TRIES, Missing


def came(missing: Missing, *seq: int, now_s: float = 0.0) -> list[bool]:
    return [bool(new) for new in missing.take(np.array(seq, np.int64), now_s)]


def test_nothing_is_missing_before_the_first_line() -> None:
    missing = Missing()
    came(missing, 1000, 1001)
    assert missing.n_missing == 0
    assert missing.due(0.0) is None


def test_the_oldest_hole_is_asked_for_first_and_only_one_at_a_time() -> None:
    missing = Missing()
    came(missing, 0, 3, 4, 10)
    assert missing.n_missing == 2 + 5
    assert missing.due(0.0) == (1, 2)
    assert missing.due(0.1) is None
    came(missing, 1, 2, now_s=0.2)
    assert missing.due(0.2) == (5, 9)


def test_a_long_hole_is_asked_for_whole_and_what_was_named_is_not_asked_for_again() -> None:
    missing = Missing()
    came(missing, 0, 500_000)
    assert missing.due(0.0) == (1, 499_999)
    missing.asked(1)
    missing.refused(1, f"0000001..{490_000:07x} not held", 0.1)
    assert (missing.n_missing, missing.n_lost) == (9_999, 490_000)
    assert missing.due(ANSWER_S) == (490_001, 499_999)


def test_lines_of_one_block_in_any_order() -> None:
    missing = Missing()
    assert came(missing, 5, 9, 6, 8, 7, 7) == [True, True, True, True, True, False]
    assert missing.n_missing == 0


def test_over_the_wrap() -> None:
    missing = Missing()
    came(missing, 2**28 - 2)
    came(missing, 3)
    assert missing.n_missing == 4
    assert missing.due(0.0) == (2**28 - 1, 2)
    assert came(missing, 2**28 - 1, 0, 1, 2) == [True] * 4
    assert missing.n_missing == 0


def test_an_unanswered_request_is_made_again_for_what_is_left_then_given_up() -> None:
    missing = Missing()
    came(missing, 0, 5)
    assert missing.due(0.0) == (1, 4)
    came(missing, 1, 3, now_s=0.5)
    assert missing.due(0.6) is None  # a line of it came at 0.5 s
    asked = [missing.due(0.5 + ANSWER_S * n) for n in range(1, TRIES)]
    assert asked == [(2, 4)] * (TRIES - 1)
    assert missing.n_lost == 0
    assert missing.due(0.5 + ANSWER_S * TRIES) is None
    assert (missing.n_missing, missing.n_lost) == (0, 2)


def test_the_board_names_what_it_no_longer_holds() -> None:
    missing = Missing()
    came(missing, 0x10, 0x20)
    assert missing.due(0.0) == (0x11, 0x1F)
    missing.asked(77)
    missing.refused(76, "0000011..000001f not held", 0.1)  # another command
    assert missing.n_lost == 0
    missing.refused(77, "0000011..0000014 not held", 0.1)
    assert (missing.n_missing, missing.n_lost) == (11, 4)
    assert came(missing, *range(0x15, 0x20)) == [True] * 11
    assert missing.due(0.2) is None


def test_a_refusal_without_a_range_ends_in_giving_up() -> None:
    missing = Missing()
    came(missing, 0, 2)
    now_s, n_asked = 0.0, 0
    while missing.n_missing:
        if missing.due(now_s) is not None:
            n_asked += 1
            missing.asked(n_asked)
            missing.refused(n_asked, "older than the ring", now_s)
        now_s += 0.05
    assert (n_asked, missing.n_lost) == (TRIES, 1)
    assert now_s < ANSWER_S * TRIES  # sooner than one that is not answered


def test_a_new_boot_begins_again() -> None:
    missing = Missing()
    came(missing, 100, 105)
    missing.new_boot()
    assert missing.n_lost == 4
    assert came(missing, 3, 4) == [True, True]
    assert missing.n_missing == 0
    missing.new_boot(0)
    came(missing, 6)
    assert missing.due(0.0) == (0, 5)


def test_memory_is_bounded() -> None:
    missing = Missing()
    came(missing, *range(0, 2 * (MAX_HOLES + 51), 2))
    assert missing.n_missing == MAX_HOLES
    assert missing.n_lost == 50
