"""What a person may do to windows, change by change and refusal by refusal; nothing is averaged here.

The ground is laid by hand: one trace whose second 0 is 5 s after the boot, so that a mix-up of the two times shows.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from hoodtrace.averaging.session import Cut
from hoodtrace.dwelling.change_kinds import CHANGES, MOST_NOTES
from hoodtrace.dwelling.changes import as_said, changed
from hoodtrace.dwelling.ground import MOST_NAMED, Ground, named
from hoodtrace.dwelling.window import Window
from hoodtrace.errors import UsageError

FIRST_US = 5_000_000
GUST = Cut(FIRST_US + 14_000_000, FIRST_US + 16_000_000, "gust")
KNOCK = Cut(FIRST_US + 25_000_000, FIRST_US + 26_000_000, "knock")


def us(seconds: float) -> int:
    return FIRST_US + round(seconds * 1e6)


def window(hold: int, plateau: int, start_s: float, end_s: float, **more: Any) -> Window:
    ends = us(start_s - 1), us(end_s + 1), us(start_s), us(end_s)
    fields = {"reading": {"flow_m3h": 50.0 + hold}, "cuts": (), **more}
    return Window("traces/01.trace", hold, plateau, 1, *ends, **fields)


AUTOMATIC = {
    w.id: w
    for w in (
        window(1, 1, 10, 30, cuts=(GUST, KNOCK), terminal="S1", setting="normal", line=20),
        window(2, 1, 40, 50),
        window(2, 2, 52, 60, terminal="E1", setting="normal", line=21),
        window(3, 1, 70, 80),
        replace(window(1, 1, 10, 20), trace="traces/02.trace"),
    )
}


class Review:
    """The windows after some changes, as a review keeps them."""

    def __init__(self) -> None:
        self.chosen: dict[str, Window] = {}

    def ground(self) -> Ground:
        windows = {**AUTOMATIC, **self.chosen}
        gone = {name: w for name, w in windows.items() if w.gone}
        stand = {name: w for name, w in windows.items() if not w.gone}
        terminals = {"S1": "supply", "S2": "supply", "E1": "extract"}
        return Ground(stand, AUTOMATIC, gone, terminals, ("normal", "boost"), self.place, self.seconds)

    def place(self, trace: str, seconds: float) -> tuple[int, int]:
        if trace not in ("traces/01.trace", "traces/02.trace"):
            raise UsageError(f"there is no trace {trace}")
        return 1, us(seconds)

    def seconds(self, trace: str, boot: int, t_us: int) -> float:
        return (t_us - FIRST_US) * 1e-6

    def do(self, do: str, name: object = None, **more: Any) -> list[Window]:
        said = {"do": do, **({} if name is None else {"id": name}), **more}
        touched = changed(self.ground(), said)
        assert as_said(said) == said
        self.chosen |= {w.id: w for w in touched}
        return list(touched)

    def at(self, name: str) -> Window:
        return {**AUTOMATIC, **self.chosen}[name]


@pytest.fixture
def review() -> Review:
    return Review()


def ends_s(window: Window) -> tuple[float, float]:
    return (window.start_us - FIRST_US) * 1e-6, (window.stop_us - FIRST_US) * 1e-6


def cuts_s(window: Window) -> list[tuple[float, float, str]]:
    return [
        (round((c.start_us - FIRST_US) * 1e-6, 6), round((c.stop_us - FIRST_US) * 1e-6, 6), c.why) for c in window.cuts
    ]


class TestEdges:
    def test_move_in_and_the_cuts_outside_go_the_ones_on_the_edge_are_clipped(self, review: Review) -> None:
        (now,) = review.do("edges", "01:1.1", start_s=15.0, end_s=24.0)
        assert ends_s(now) == (15.0, 24.0)
        assert cuts_s(now) == [(15.0, 16.0, "gust")]
        assert (now.by, now.terminal, now.line) == ("person", "S1", 20)
        assert (now.hold_start_us, now.hold_stop_us) == (us(9), us(31))

    def test_moved_out_again_the_automatic_cuts_in_the_new_air_are_cut_out_as_they_were(self, review: Review) -> None:
        review.do("edges", "01:1.1", start_s=17.0, end_s=20.0)
        (now,) = review.do("edges", "01:1.1", start_s=12.0, end_s=28.0)
        assert cuts_s(now) == [(14.0, 16.0, "gust"), (25.0, 26.0, "knock")]
        # All the way back, nothing is left of a choice.
        assert review.do("edges", "01:1.1", start_s=10.0, end_s=30.0) == [AUTOMATIC["01:1.1"]]

    def test_air_that_was_in_all_the_time_stays_as_the_person_left_it(self, review: Review) -> None:
        review.do("uncut", "01:1.1", start_s=14.0, end_s=16.0)
        review.do("cut", "01:1.1", start_s=18.0, end_s=19.0)
        (now,) = review.do("edges", "01:1.1", start_s=12.0, end_s=24.0)
        assert cuts_s(now) == [(18.0, 19.0, "by hand")]
        (now,) = review.do("edges", "01:1.1", start_s=10.0, end_s=30.0)
        assert cuts_s(now) == [(18.0, 19.0, "by hand"), (25.0, 26.0, "knock")]

    def test_beyond_what_was_found_the_hold_grows_with_them(self, review: Review) -> None:
        (now,) = review.do("edges", "01:1.1", start_s=5.0, end_s=35.0)
        assert (now.hold_start_us, now.hold_stop_us) == (us(5), us(35))
        assert cuts_s(now) == [(14.0, 16.0, "gust"), (25.0, 26.0, "knock")]

    def test_may_meet_the_neighbour_but_not_overlap_it(self, review: Review) -> None:
        review.do("edges", "01:2.1", start_s=40.0, end_s=52.0)
        with pytest.raises(UsageError, match=r"01:2.1 would overlap 01:2.2.*counts twice"):
            review.do("edges", "01:2.1", start_s=40.0, end_s=52.001)
        with pytest.raises(UsageError, match="overlap"):
            review.do("edges", "01:2.1", start_s=35.0, end_s=85.0)

    def test_may_go_where_a_rejected_window_was_which_then_can_not_come_back(self, review: Review) -> None:
        review.do("reject", "01:2.2", why="wrong valve")
        review.do("edges", "01:2.1", start_s=40.0, end_s=60.0)
        with pytest.raises(UsageError, match="overlap"):
            review.do("restore", "01:2.2")

    def test_same_seconds_in_another_trace_are_other_air(self, review: Review) -> None:
        review.do("edges", "02:1.1", start_s=12.0, end_s=45.0)


class TestCuts:
    def test_a_cut_takes_out_and_has_a_reason(self, review: Review) -> None:
        (now,) = review.do("cut", "01:2.1", start_s=42.0, end_s=43.0)
        assert cuts_s(now) == [(42.0, 43.0, "by hand")]
        (now,) = review.do("cut", "01:2.1", start_s=45.0, end_s=46.0, why="a door  slammed")
        assert cuts_s(now) == [(42.0, 43.0, "by hand"), (45.0, 46.0, "a door slammed")]

    def test_that_touches_or_overlaps_others_becomes_one_with_them(self, review: Review) -> None:
        (now,) = review.do("cut", "01:1.1", start_s=16.0, end_s=17.0)
        assert cuts_s(now) == [(14.0, 17.0, "by hand"), (25.0, 26.0, "knock")]
        (now,) = review.do("cut", "01:1.1", start_s=16.5, end_s=25.5, why="smoke")
        assert cuts_s(now) == [(14.0, 26.0, "smoke")]

    def test_that_sticks_out_of_the_window_is_cut_at_its_edge(self, review: Review) -> None:
        (now,) = review.do("cut", "01:2.1", start_s=30.0, end_s=41.0)
        assert cuts_s(now) == [(40.0, 41.0, "by hand")]

    @pytest.mark.parametrize(
        ("start_s", "end_s", "text"),
        [(14.0, 16.0, "already"), (14.5, 15.5, "already"), (60.0, 69.0, "not in the window"), (8.0, 10.1, "not in"),
         (12.0, 12.1, "0.2 s behind"), (13.0, 12.0, "0.2 s behind")],
    )  # fmt: skip
    def test_that_takes_nothing_out_is_refused(self, review: Review, start_s: float, end_s: float, text: str) -> None:
        with pytest.raises(UsageError, match=text):
            review.do("cut", "01:1.1", start_s=start_s, end_s=end_s)

    def test_a_part_of_one_can_be_taken_back(self, review: Review) -> None:
        (now,) = review.do("uncut", "01:1.1", start_s=14.5, end_s=15.0)
        assert cuts_s(now) == [(14.0, 14.5, "gust"), (15.0, 16.0, "gust"), (25.0, 26.0, "knock")]
        (now,) = review.do("uncut", "01:1.1", start_s=14.2, end_s=25.3)
        assert cuts_s(now) == [(14.0, 14.2, "gust"), (25.3, 26.0, "knock")]

    def test_a_whole_one_taken_back_and_cut_again_is_a_choice_by_hand(self, review: Review) -> None:
        (now,) = review.do("uncut", "01:1.1", start_s=14.0, end_s=16.0)
        assert cuts_s(now) == [(25.0, 26.0, "knock")]
        (now,) = review.do("cut", "01:1.1", start_s=14.0, end_s=16.0, why="gust")
        assert now == AUTOMATIC["01:1.1"]

    def test_even_the_shortest_leftover_can_be_taken_back(self, review: Review) -> None:
        review.do("uncut", "01:1.1", start_s=14.05, end_s=16.0)
        (now,) = review.do("uncut", "01:1.1", start_s=14.0, end_s=14.05)
        assert cuts_s(now) == [(25.0, 26.0, "knock")]

    def test_where_nothing_is_cut_out_nothing_can_be_taken_back(self, review: Review) -> None:
        with pytest.raises(UsageError, match="nothing is cut out there"):
            review.do("uncut", "01:1.1", start_s=16.0, end_s=25.0)


class TestSplitAndMerge:
    def test_a_split_gives_each_half_its_cuts_and_the_second_a_new_name_and_no_terminal(self, review: Review) -> None:
        review.do("note", "01:1.1", text="first")
        first, second = review.do("split", "01:1.1", at_s=20.0)
        assert [w.id for w in (first, second)] == ["01:1.1", "01:1.2"]
        assert [ends_s(w) for w in (first, second)] == [(10.0, 20.0), (20.0, 30.0)]
        assert [cuts_s(w) for w in (first, second)] == [[(14.0, 16.0, "gust")], [(25.0, 26.0, "knock")]]
        assert [(w.terminal, w.line, w.notes) for w in (first, second)] == [("S1", 20, ("first",)), (None, None, ())]

    def test_a_name_is_never_given_twice(self, review: Review) -> None:
        review.do("split", "01:2.1", at_s=45.0)
        assert [w.id for w in review.do("split", "01:2.1", at_s=42.0)] == ["01:2.1", "01:2.4"]
        review.do("merge", "01:2.1", **{"with": "01:2.4"})
        assert [w.id for w in review.do("split", "01:2.1", at_s=43.0)] == ["01:2.1", "01:2.5"]

    @pytest.mark.parametrize("at_s", [10.0, 10.1, 29.9, 30.0, 5.0, 99.0])
    def test_a_split_at_the_edge_or_outside_is_refused(self, review: Review, at_s: float) -> None:
        with pytest.raises(UsageError, match="not inside the window"):
            review.do("split", "01:1.1", at_s=at_s)

    @pytest.mark.parametrize("at_s", [20.0, 15.0, 14.0])
    def test_split_and_merged_again_it_is_what_was_found(self, review: Review, at_s: float) -> None:
        """Also where the split went through a cut, or along its edge."""
        review.do("split", "01:1.1", at_s=at_s)
        whole, gone = review.do("merge", "01:1.1", **{"with": "01:1.2"})
        assert whole == AUTOMATIC["01:1.1"]
        assert (gone.id, gone.gone) == ("01:1.2", True)

    def test_merged_windows_have_what_lies_between_them_cut_out(self, review: Review) -> None:
        whole, gone = review.do("merge", "01:2.1", **{"with": "01:2.2"})
        # The one with a terminal keeps its name, whichever was named first.
        assert (whole.id, whole.terminal, whole.line, gone.id, gone.gone) == ("01:2.2", "E1", 21, "01:2.1", True)
        assert ends_s(whole) == (40.0, 60.0)
        assert cuts_s(whole) == [(50.0, 52.0, "between")]
        assert (whole.hold_start_us, whole.hold_stop_us) == (us(39), us(61))

    def test_the_earlier_keeps_its_name_and_two_terminals_are_not_made_one(self, review: Review) -> None:
        whole, gone = review.do("merge", "01:2.2", **{"with": "01:3.1"})
        assert (whole.id, gone.id) == ("01:2.2", "01:3.1")
        review = Review()
        review.do("give", "01:2.1", terminal="S2")
        with pytest.raises(UsageError, match="of two terminals"):
            review.do("merge", "01:2.2", **{"with": "01:2.1"})
        review.do("give", "01:2.1", terminal="E1")
        whole, gone = review.do("merge", "01:2.2", **{"with": "01:2.1"})
        assert (whole.id, whole.terminal, gone.id) == ("01:2.1", "E1", "01:2.2")

    def test_notes_of_both_are_kept_once(self, review: Review) -> None:
        for name, text in (("01:2.1", "draught"), ("01:2.1", "stood still"), ("01:2.2", "draught")):
            review.do("note", name, text=text)
        whole, _ = review.do("merge", "01:2.1", **{"with": "01:2.2"})
        assert whole.notes == ("draught", "stood still")

    @pytest.mark.parametrize(
        ("one", "other", "text"),
        [("01:1.1", "01:2.2", "other windows stand between"), ("01:1.1", "01:1.1", "can't be merged"),
         ("01:1.1", "02:1.1", "can't be merged"), ("01:1.1", "01:9.9", "no window"), ("01:1.1", None, "no window")],
    )  # fmt: skip
    def test_what_can_not_be_merged_is_said(self, review: Review, one: str, other: object, text: str) -> None:
        with pytest.raises(UsageError, match=text):
            review.do("merge", one, **{"with": other})

    def test_a_rejected_window_between_them_is_no_hindrance(self, review: Review) -> None:
        review.do("reject", "01:2.1", why="door")
        review.do("give", "01:2.2", terminal=None)
        whole, _ = review.do("merge", "01:1.1", **{"with": "01:2.2"})
        assert cuts_s(whole)[-1] == (30.0, 52.0, "between")

    def test_a_rejected_window_is_merged_with_nothing(self, review: Review) -> None:
        """It may lie inside the other, where others were merged over it."""
        review.do("reject", "01:2.2", why="smoke")
        review.do("merge", "01:2.1", **{"with": "01:3.1"})
        for one, other in (("01:2.1", "01:2.2"), ("01:2.2", "01:2.1")):
            with pytest.raises(UsageError, match=r"01:2.2 is rejected: restore it first"):
                review.do("merge", one, **{"with": other})

    def test_windows_of_two_runs_of_the_board_stay_two(self, review: Review) -> None:
        review.chosen["01:2.2"] = replace(AUTOMATIC["01:2.2"], boot=2, by="person")
        with pytest.raises(UsageError, match="one run of the board"):
            review.do("merge", "01:2.1", **{"with": "01:2.2"})


class TestBackToWhatWasFound:
    def test_after_a_merge_both_are_back_with_their_notes(self, review: Review) -> None:
        review.do("note", "01:2.1", text="mine")
        review.do("merge", "01:2.1", **{"with": "01:2.2"})
        back = review.do("automatic", "01:2.2")
        assert {w.id: replace(w, notes=()) for w in back} == {n: AUTOMATIC[n] for n in ("01:2.1", "01:2.2")}
        assert review.at("01:2.1").notes == ("mine",)

    def test_one_that_was_merged_away_can_be_named_itself_when_its_place_is_free(self, review: Review) -> None:
        review.do("merge", "01:2.1", **{"with": "01:2.2"})
        with pytest.raises(UsageError, match="overlap"):
            review.do("automatic", "01:2.1")
        review.do("edges", "01:2.2", start_s=52.0, end_s=60.0)
        assert review.at("01:2.2") == AUTOMATIC["01:2.2"]
        assert review.do("automatic", "01:2.1") == [AUTOMATIC["01:2.1"]]

    def test_one_that_a_person_made_goes(self, review: Review) -> None:
        (made,) = review.do("new", trace="01", start_s=90.0, end_s=95.0)
        (gone,) = review.do("automatic", made.id)
        assert gone.gone
        with pytest.raises(UsageError, match="no window"):
            review.do("automatic", made.id)

    def test_half_of_a_split_must_make_room_first(self, review: Review) -> None:
        review.do("split", "01:1.1", at_s=20.0)
        with pytest.raises(UsageError, match=r"01:1.1 would overlap 01:1.2"):
            review.do("automatic", "01:1.1")
        review.do("automatic", "01:1.2")
        assert review.do("automatic", "01:1.1") == [AUTOMATIC["01:1.1"]]

    def test_everything_but_the_notes_is_as_it_was(self, review: Review) -> None:
        review.do("note", "01:1.1", text="a note")
        review.do("cut", "01:1.1", start_s=20.0, end_s=21.0)
        review.do("give", "01:1.1", terminal="S2")
        review.do("reject", "01:1.1", why="door")
        assert review.do("automatic", "01:1.1") == [replace(AUTOMATIC["01:1.1"], notes=("a note",))]
        with pytest.raises(UsageError, match="changes nothing"):
            review.do("automatic", "01:1.1")


class TestTerminalsReasonsNotes:
    def test_given_to_another_terminal_to_none_and_back(self, review: Review) -> None:
        assert review.do("give", "01:1.1", terminal="S2")[0].terminal == "S2"
        assert review.do("give", "01:1.1", terminal=None)[0].terminal is None
        assert review.do("give", "01:1.1", terminal="S1") == [AUTOMATIC["01:1.1"]]

    def test_one_without_a_terminal_gets_the_usual_setting_or_the_one_that_is_named(self, review: Review) -> None:
        assert review.do("give", "01:2.1", terminal="S2")[0].setting == "normal"
        assert review.do("give", "01:2.1", terminal="S2", setting="boost")[0].setting == "boost"
        # Taken from it, nothing is left of a choice.
        assert review.do("give", "01:2.1", terminal=None)[0].by == "automatic"

    @pytest.mark.parametrize("terminal", ["S9", "", 5, True, [], {}, ["S1"], math.nan, "s1", "S1\n"])
    def test_an_unknown_terminal_is_refused(self, review: Review, terminal: object) -> None:
        with pytest.raises(UsageError, match=r"no terminal.*S1, S2, E1"):
            review.do("give", "01:1.1", terminal=terminal)

    @pytest.mark.parametrize("setting", ["full", 3, ["normal"], {"a": 1}])
    def test_an_unknown_setting_is_refused(self, review: Review, setting: object) -> None:
        with pytest.raises(UsageError, match=r"no setting.*normal, boost"):
            review.do("give", "01:1.1", terminal="S2", setting=setting)

    def test_rejected_with_a_reason_and_restored(self, review: Review) -> None:
        (now,) = review.do("reject", "01:1.1", why=" the door\nwas open ")
        assert (now.rejected, now.counts, now.by) == ("the door was open", False, "person")
        assert review.do("restore", "01:1.1") == [AUTOMATIC["01:1.1"]]
        with pytest.raises(UsageError, match="is not rejected"):
            review.do("restore", "01:1.1")

    def test_500_letters_in_any_script_are_a_reason_and_501_are_not(self, review: Review) -> None:
        hebrew = "\u05d0" * 500
        assert review.do("reject", "01:1.1", why=hebrew)[0].rejected == hebrew
        with pytest.raises(UsageError, match="at most 500"):
            review.do("reject", "01:1.1", why=hebrew + "x")

    @pytest.mark.parametrize("text", [None, "", "  \n", 5, ["a"], "a\x00b", "a\x1b[31m", "\u202egnorw", "\ud800"])
    @pytest.mark.parametrize("do", ["reject", "note"])
    def test_what_is_no_line_of_text_is_refused(self, review: Review, do: str, text: object) -> None:
        with pytest.raises(UsageError, match=r"give some words|a letter that can't be seen"):
            review.do(do, "01:1.1", **{"why" if do == "reject" else "text": text})

    def test_a_note_is_no_choice_and_markup_is_text(self, review: Review) -> None:
        (now,) = review.do("note", "01:1.1", text="<b>see [red]photo[/red]</b> & =1+1")
        assert now.notes == ("<b>see [red]photo[/red]</b> & =1+1",)
        assert now.by == "automatic"

    def test_notes_are_not_without_end(self, review: Review) -> None:
        for i in range(MOST_NOTES):
            review.do("note", "01:1.1", text=f"note {i}")
        with pytest.raises(UsageError, match=f"has {MOST_NOTES} notes already"):
            review.do("note", "01:1.1", text="one more")


class TestNew:
    def test_is_a_hold_of_its_own_with_a_number_that_no_hold_found_will_have(self, review: Review) -> None:
        (now,) = review.do("new", trace="01", start_s=90.0, end_s=95.0)
        assert (now.id, now.by, now.terminal, ends_s(now)) == ("01:9001.1", "person", None, (90.0, 95.0))
        assert (now.hold_start_us, now.hold_stop_us) == (now.start_us, now.stop_us)
        (given,) = review.do("new", trace="traces/01.trace", start_s=96.0, end_s=99.0, terminal="S2")
        assert (given.id, given.terminal, given.setting) == ("01:9002.1", "S2", "normal")

    def test_is_refused_over_another_in_an_unknown_trace_and_for_an_unknown_terminal(self, review: Review) -> None:
        with pytest.raises(UsageError, match=r"01:9001.1 would overlap 01:3.1"):
            review.do("new", trace="01", start_s=75.0, end_s=95.0)
        for trace in ("07", None, ["01"], 1):
            with pytest.raises(UsageError, match="no trace"):
                review.do("new", trace=trace, start_s=90.0, end_s=95.0)
        with pytest.raises(UsageError, match="no terminal"):
            review.do("new", trace="01", start_s=90.0, end_s=95.0, terminal="S9")
        assert review.chosen == {}


NUMBERS = [math.nan, math.inf, -math.inf, 1e9, 10**400, -1, -1e-9, "x", "", "1_0", True, None, [5.0], {}]


@pytest.mark.parametrize("value", NUMBERS, ids=repr)
@pytest.mark.parametrize("do", ["edges", "cut", "uncut", "split", "new"])
@pytest.mark.parametrize("key", ["start_s", "end_s", "at_s"])
def test_what_is_no_number_in_bounds_is_refused_and_named(review: Review, do: str, key: str, value: object) -> None:
    if (key == "at_s") != (do == "split"):
        return
    said = {"at_s": 20.0} if do == "split" else {"start_s": 14.0, "end_s": 20.0}
    with pytest.raises(UsageError, match=f"{key}: .* is no number from 0"):
        review.do(do, None if do == "new" else "01:1.1", **{"trace": "01", **said, key: value})


@pytest.mark.parametrize("do", sorted(set(CHANGES) - {"automatic", "restore"}))
def test_missing_keys_are_named_not_guessed(review: Review, do: str) -> None:
    with pytest.raises(UsageError, match=r"no window None|no number|give some words|no trace|which terminal"):
        review.do(do, None if do == "new" else "01:1.1")


@pytest.mark.parametrize("do", sorted(set(CHANGES) - {"new"}))
@pytest.mark.parametrize("name", [None, "01:9.9", "", 3.9, [], "01:1.1 ", "1.1.1"])
def test_an_unknown_window_is_refused_with_those_that_there_are(review: Review, do: str, name: object) -> None:
    with pytest.raises(UsageError, match=r"no window.*01:1.1, 01:2.1"):
        changed(review.ground(), {"do": do, "id": name})


@pytest.mark.parametrize("do", [None, "", "Edges", "delete", 5, [], {"do": "edges"}])
def test_an_unknown_change_is_refused_with_those_that_there_are(review: Review, do: object) -> None:
    with pytest.raises(UsageError, match="is no change: there are edges, cut"):
        changed(review.ground(), {"do": do, "id": "01:1.1"})


def test_the_trace_may_be_left_out_of_a_name_where_one_trace_has_it(review: Review) -> None:
    assert [w.id for w in review.do("note", "2.1", text="here")] == ["01:2.1"]
    with pytest.raises(UsageError, match=r"'1.1' is the name of several windows: say 01:1.1 or 02:1.1"):
        review.do("note", "1.1", text="where?")


@pytest.mark.parametrize(
    "change",
    [
        {"do": "edges", "id": "01:1.1", "start_s": 10.0, "end_s": 30.0},
        {"do": "give", "id": "01:1.1", "terminal": "S1"},
        {"do": "give", "id": "01:2.1", "terminal": None},
        {"do": "automatic", "id": "01:1.1"},
    ],
)
def test_what_changes_nothing_is_refused(review: Review, change: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="changes nothing"):
        changed(review.ground(), change)


def test_of_what_was_said_only_what_the_change_needs_is_kept() -> None:
    said = {"do": "note", "id": "01:1.1", "text": "a", "start_s": math.nan, "junk": object(), "why": "\ud800"}
    assert as_said(said) == {"do": "note", "id": "01:1.1", "text": "a"}


def test_of_many_windows_the_first_are_named_and_the_rest_counted() -> None:
    many = {str(hold): window(hold, 1, 10 * hold, 10 * hold + 5) for hold in range(1, MOST_NAMED + 4)}
    with pytest.raises(UsageError, match=rf"{MOST_NAMED} and 3 more$"):
        named(many, "99.1")
