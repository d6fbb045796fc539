"""One axis for the traces of a visit: order by the time of day, voids shortened; every x is added up by hand."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from hoodtrace.averaging.kept import Strip
from hoodtrace.dwelling.axis import LONGEST_VOID_S, SHORTENED_S, UNKNOWN_S, Axis, Break, Timed, axis_of
from hoodtrace.dwelling.view import View, series_bytes
from hoodtrace.errors import UsageError

NINE_S = 1893488400.0
"""2030-01-01T09:00:00Z, seconds of the epoch."""
DAY_S = 86400.0


def boot(trace: str, number: int, t_s: list[float], utc_s: float | None) -> Timed:
    return Timed(trace, number, np.array(t_s), utc_s)


def steady(trace: str, seconds: float, utc_s: float | None, number: int = 1, start_s: float = 0.0) -> Timed:
    """A sample a second from `start_s` on."""
    return Timed(trace, number, start_s + np.arange(seconds + 1.0), utc_s)


def places(axis: Axis) -> list[tuple[str, int, float, float]]:
    return [(p.trace, p.boot, p.x0, p.x1) for p in axis.pieces]


def test_traces_stand_in_the_order_of_the_time_of_day_whatever_their_names() -> None:
    axis = axis_of([steady("a", 100, NINE_S + 400), steady("b", 200, NINE_S), steady("c", 50, NINE_S + 210)])
    # b 0..200; c begins 10 s behind its end; a 400 - 260 = 140 s behind that.
    assert places(axis) == [("b", 1, 0, 200), ("c", 1, 210, 260), ("a", 1, 400, 500)]
    assert axis.breaks == ()
    assert axis.stop == 500
    assert [p.utc_s for p in axis.pieces] == [NINE_S, NINE_S + 210, NINE_S + 400]
    assert axis.shift_s("a", 1, 33.0) == 400
    assert axis.shift_s("a", 2, 33.0) is None


def test_a_visit_that_goes_on_the_next_day_is_a_break_of_known_length() -> None:
    axis = axis_of([steady("01", 100, NINE_S), steady("02", 60, NINE_S + DAY_S)])
    assert places(axis) == [("01", 1, 0, 100), ("02", 1, 100 + SHORTENED_S, 160 + SHORTENED_S)]
    assert axis.breaks == (Break(100, 100 + SHORTENED_S, DAY_S - 100),)


def test_without_clocks_traces_follow_by_name_and_nobody_claims_to_know_how_long_the_void_was() -> None:
    axis = axis_of([steady("02", 60, None), steady("01", 100, None)])
    assert places(axis) == [("01", 1, 0, 100), ("02", 1, 100 + UNKNOWN_S, 160 + UNKNOWN_S)]
    assert axis.breaks == (Break(100, 100 + UNKNOWN_S, None),)
    assert [p.utc_s for p in axis.pieces] == [None, None]


def test_a_trace_without_a_clock_stands_behind_the_one_before_it_by_name() -> None:
    axis = axis_of([steady("a", 10, NINE_S + 900), steady("b", 10, None), steady("c", 10, NINE_S)])
    assert [p.trace for p in axis.pieces] == ["c", "a", "b"]
    assert [b.seconds for b in axis.breaks] == [890, None]
    first = axis_of([steady("a", 10, None), steady("b", 10, NINE_S)])
    assert [p.trace for p in first.pieces] == ["a", "b"]


def test_a_restart_of_the_board_is_another_piece_of_the_same_trace() -> None:
    known = axis_of([steady("01", 100, NINE_S), steady("01", 50, NINE_S, number=2, start_s=130.0)])
    assert places(known) == [("01", 1, 0, 100), ("01", 2, 130, 180)]
    assert known.breaks == ()
    # Without a clock the trace's own seconds tell it.
    unknown = axis_of([steady("01", 100, None), steady("01", 50, None, number=2, start_s=130.0)])
    assert places(unknown) == places(known)
    assert unknown.shift_s("01", 2, 150.0) == 0.0


def test_silences_in_one_boot_are_shortened_and_shifts_hold_on_both_sides() -> None:
    longest = LONGEST_VOID_S
    t_s = [0.0, 10.0, 10.0 + longest, 20.0 + longest, 20.0 + longest + 1000.0, 30.0 + longest + 1000.0]
    axis = axis_of([boot("01", 1, t_s, NINE_S)])
    # A silence of just the longest length is drawn as it was; the one of 1000 s is not.
    assert places(axis) == [
        ("01", 1, 0, 20 + longest),
        ("01", 1, 20 + longest + SHORTENED_S, 30 + longest + SHORTENED_S),
    ]
    assert [(p.start, p.stop) for p in axis.pieces] == [(0, 4), (4, 6)]
    assert axis.breaks == (Break(20 + longest, 20 + longest + SHORTENED_S, 1000.0),)
    assert axis.pieces[1].utc_s == NINE_S + 20 + longest + 1000
    assert axis.shift_s("01", 1, 5.0) == 0.0
    assert axis.shift_s("01", 1, 25.0 + longest + 1000.0) == SHORTENED_S - 1000.0
    # In the silence: as the nearer end.
    assert axis.shift_s("01", 1, 30.0 + longest) == 0.0
    assert axis.shift_s("01", 1, 20.0 + longest + 999.0) == SHORTENED_S - 1000.0


def test_clocks_that_overlap_are_laid_end_to_end() -> None:
    axis = axis_of([steady("01", 100, NINE_S), steady("02", 60, NINE_S + 40)])
    assert places(axis) == [("01", 1, 0, 100), ("02", 1, 100, 160)]
    assert axis.breaks == ()


def test_a_single_sample_is_a_piece_of_no_length_and_no_samples_are_none() -> None:
    axis = axis_of([boot("01", 1, [0.0], NINE_S), boot("02", 1, [], NINE_S + 5), boot("03", 1, [2.0], NINE_S + 5)])
    assert places(axis) == [("01", 1, 0, 0), ("03", 1, 7, 7)]
    assert axis.breaks == ()
    assert axis_of([]) == Axis((), ())
    assert axis_of([]).stop == 0.0


def test_a_void_that_is_drawn_as_long_as_it_was_is_no_break_whatever_the_rounding() -> None:
    rng = np.random.default_rng(6)
    for _ in range(200):
        first_s, void_s = rng.uniform(0, 9000), rng.uniform(0, LONGEST_VOID_S - 1)
        first = Timed("01", 1, np.linspace(0.0, first_s, 40), NINE_S)
        axis = axis_of([first, boot("02", 1, [0.0, 9.0], NINE_S + first_s + void_s)])
        assert axis.breaks == (), (first_s, void_s)
        # The epoch in doubles is good to a quarter of a microsecond.
        assert axis.pieces[1].x0 == pytest.approx(first_s + void_s, abs=1e-6)


def drawn(view: View, x0: float, x1: float, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What a page reads out of the bytes."""
    found = series_bytes(view, x0, x1, n)
    k, zero = struct.unpack("<II", found[:8])
    assert zero == 0
    assert len(found) == 8 + 16 * k
    x = np.frombuffer(found, "<f8", k, 8)
    return x, np.frombuffer(found, "<f4", k, 8 + 8 * k), np.frombuffer(found, "<f4", k, 8 + 12 * k)


class TestThePictureOfIt:
    @pytest.fixture
    def view(self) -> View:
        """Two traces a day apart, and one of a single sample behind them."""
        strips = {
            (name, 1): Strip(1, np.arange(n) / 10.0, np.arange(n, dtype=np.float32), -np.arange(n, dtype=np.float32))
            for name, n in (("01", 1001), ("02", 501), ("03", 1))
        }
        begins = {"01": NINE_S, "02": NINE_S + DAY_S, "03": NINE_S + 2 * DAY_S}
        axis = axis_of([Timed(*place, strip.t_s, begins[place[0]]) for place, strip in strips.items()])
        return View(axis, strips)

    def test_has_every_sample_where_there_is_room_and_nothing_between_the_pieces(self, view: View) -> None:
        x, vane, taps = drawn(view, 0.0, view.axis.stop, 8192)
        assert np.array_equal(x[:1001], np.arange(1001) / 10.0)
        assert np.array_equal(vane[:1001], np.arange(1001.0))
        assert np.array_equal(taps[:1001], -np.arange(1001.0))
        assert np.isnan(vane[1001])
        assert x[1002] == 100.0 + SHORTENED_S
        assert x[-2] == view.axis.stop == 100 + SHORTENED_S + 50 + SHORTENED_S
        assert np.isnan(vane).sum() == 3
        assert np.all(np.diff(x) >= 0)

    def test_has_the_ends_of_what_is_shown_and_the_extremes_when_thinned(self, view: View) -> None:
        x, vane, _ = drawn(view, 20.0, 60.0, 20)
        inside = (x >= 20.0) & (x <= 60.0)
        assert (np.nanmin(vane[inside]), np.nanmax(vane[inside])) == (200.0, 600.0)
        assert len(x) < 401

    def test_a_column_is_never_wider_than_a_pixel(self, view: View) -> None:
        """Rising values: of each column its first and its last stay, so no step is wider than the column."""
        n = 10
        pixel = view.axis.stop / n
        assert 2.0 < 50.0 / pixel < 2.5  # the second trace is 50 s long
        x, _, _ = drawn(view, 0.0, view.axis.stop, n)
        for first, last in ((0.0, 100.0), (100.0 + SHORTENED_S, 150.0 + SHORTENED_S)):
            here = np.unique(x[(x >= first) & (x <= last)])
            assert np.diff(here).max() <= pixel

    def test_is_empty_in_a_break_and_a_single_sample_can_be_looked_at(self, view: View) -> None:
        assert len(drawn(view, 110.0, 120.0, 100)[0]) == 0
        x, vane, _ = drawn(view, view.axis.stop - 5.0, view.axis.stop + 5.0, 100)
        assert (x[0], vane[0]) == (view.axis.stop, 0.0)

    @pytest.mark.parametrize(
        ("x0", "x1", "n"), [(5.0, 5.0, 10), (6.0, 5.0, 10), (0.0, 9.0, 0), (0.0, 9.0, 10**6), (np.nan, 9.0, 10)]
    )
    def test_is_refused_where_it_can_not_be_drawn(self, view: View, x0: float, x1: float, n: int) -> None:
        with pytest.raises(UsageError, match="can't be drawn"):
            series_bytes(view, x0, x1, n)

    @pytest.mark.parametrize(("x0", "x1"), [(-np.inf, 50.0), (0.0, np.inf), (-1e300, 1e300)])
    def test_of_everything_and_more_is_still_a_picture(self, view: View, x0: float, x1: float) -> None:
        assert len(drawn(view, x0, x1, 100)[0]) > 1
