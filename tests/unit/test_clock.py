"""One time axis over restarts of the board: every expected second is added up by hand."""

from __future__ import annotations

import pytest

from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.samples import Clock


def test_inside_a_boot_the_boards_clock_counts_from_the_first_sample() -> None:
    timeline = Timeline({1: (7_000_000, 19_500_000)}, [])
    assert timeline.seconds(1, 7_000_000) == 0.0
    assert timeline.seconds(1, 7_250_000) == pytest.approx(0.25)
    assert timeline.seconds(1, 6_000_000) == pytest.approx(-1.0)
    assert timeline.duration_s == pytest.approx(12.5)
    assert timeline.notes == []


def test_clock_notes_bridge_a_restart() -> None:
    # Boot 1: 1000 s at 5 s of the board, so its first sample (2 s) was at 997 s. Boot 2: 1060 s at 3 s of the board,
    # so its sample at 1 s was at 1058 s, 61 s after the first of all.
    timeline = Timeline({1: (2_000_000, 30_000_000), 2: (1_000_000, 9_000_000)},
                        [Clock(1, 5_000_000, 1000.0), Clock(2, 3_000_000, 1060.0)])  # fmt: skip
    assert timeline.seconds(1, 30_000_000) == pytest.approx(28.0)
    assert timeline.seconds(2, 1_000_000) == pytest.approx(61.0)
    assert timeline.duration_s == pytest.approx(69.0)
    assert timeline.notes == []


@pytest.mark.parametrize("clocks", [[], [Clock(1, 5_000_000, 1000.0)], [Clock(2, 3_000_000, 1060.0)]])
def test_without_both_clock_notes_time_goes_on_from_the_last_sample_and_that_is_said(clocks: list[Clock]) -> None:
    timeline = Timeline({1: (2_000_000, 30_000_000), 2: (1_000_000, 9_000_000)}, clocks)
    assert timeline.seconds(2, 1_000_000) == pytest.approx(28.0)
    assert timeline.duration_s == pytest.approx(36.0)
    assert len(timeline.notes) == 1
    assert "boot 2" in timeline.notes[0]


def test_time_never_goes_back_over_a_restart() -> None:
    # The host's clock was set back: by it, boot 2 would begin before boot 1 ended (28 s).
    timeline = Timeline({1: (2_000_000, 30_000_000), 2: (1_000_000, 9_000_000)},
                        [Clock(1, 5_000_000, 1000.0), Clock(2, 3_000_000, 900.0)])  # fmt: skip
    assert timeline.seconds(2, 1_000_000) == pytest.approx(28.0)


def test_only_the_first_note_of_a_boot_dates_it() -> None:
    notes = [Clock(1, 5_000_000, 1000.0), Clock(1, 6_000_000, 5000.0), Clock(2, 3_000_000, 1060.0)]
    timeline = Timeline({1: (2_000_000, 30_000_000), 2: (1_000_000, 9_000_000)}, notes)
    assert timeline.seconds(2, 1_000_000) == pytest.approx(61.0)


def test_a_third_boot_counts_from_the_second() -> None:
    timeline = Timeline({1: (0, 10_000_000), 2: (500_000, 4_500_000), 4: (0, 1_000_000)}, [])
    assert timeline.seconds(4, 1_000_000) == pytest.approx(15.0)
    assert len(timeline.notes) == 2


def test_a_trace_without_samples_has_no_length() -> None:
    assert Timeline({}, [Clock(1, 5, 6.0)]).duration_s == 0.0
