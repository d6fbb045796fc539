"""Any sequence of changes, sensible or not, on a small real review: what must hold after each of them.

Contract: the visit is of the second generator; the changes are drawn. Its readings are checked against another way
through the same bytes (`KeptTrace.reading` of a trace that was read anew, and `readings --window`).
"""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

import reviewed_visit
from hoodtrace.averaging.kept import KeptTrace, keep
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.reckoned import BEYOND, CHOSEN
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.visit import Visit
from hoodtrace.dwelling.window import OTHER_WAY, Window
from hoodtrace.errors import UsageError
from hoodtrace.physics.hood import read_hood
from hoodtrace.units import m3h
from reviewed_visit import UTC, made, opened, table

SECONDS = 130
Change = dict[str, Any]

# Times on a grid, so that edges, cuts and windows often meet; some of no use at all.
_time = st.one_of(
    st.integers(0, SECONDS * 2).map(lambda half: half / 2),
    st.floats(0, SECONDS),
    st.sampled_from([22.2, 36.2, 60.2, 71.6, 74.0, 88.2, 107.8, 121.6, 22.6, 27.6]),
)
_odd = st.sampled_from([None, float("nan"), float("inf"), -5.0, 1e7, "x", True, []])
_moment = st.one_of(*[_time] * 12, _odd)
_name = st.one_of(
    *[st.sampled_from(["01:1.1", "01:2.1", "01:2.2", "01:3.1", "2.2"])] * 3,
    st.sampled_from(["01:1.2", "01:2.3", "01:3.2", "01:4.1", "01:5.1", "9.9"]),
    st.none(),
)
_words = st.one_of(*[st.sampled_from(["door", "<b>gust</b>", "\u05e9"])] * 5, st.sampled_from(["", None, "x" * 501]))


@st.composite
def changes(draw: st.DrawFn) -> Change:
    """A change that may fit, or not."""
    do = draw(st.sampled_from(
        ["edges", "edges", "cut", "cut", "uncut", "split", "merge", "merge", "give", "give", "reject", "restore",
         "automatic", "note", "new", "new", "undo", "undo", "redo", "nothing"]
    ))  # fmt: skip
    if do in ("undo", "redo"):
        return {"do": do}
    start, end = draw(_moment), draw(_moment)
    if isinstance(start, float) and isinstance(end, float) and start > end:
        start, end = end, start
    of_kind = {
        "edges": {"start_s": start, "end_s": end},
        "cut": {"start_s": start, "end_s": end, "why": draw(_words)},
        "uncut": {"start_s": start, "end_s": end},
        "split": {"at_s": draw(_moment)},
        "merge": {"with": draw(_name)},
        "give": {"terminal": draw(st.sampled_from(["S1", "S2", "E1", "E2", None, "X9", []]))},
        "reject": {"why": draw(_words)},
        "note": {"text": draw(_words)},
        "new": {"trace": "01", "start_s": start, "end_s": end, "terminal": draw(st.sampled_from([None, "S1", "E2"]))},
    }
    name = {} if do == "new" else {"id": draw(_name)}
    return {"do": do, **name, **of_kind.get(do, {})}


def fitting(data: st.DataObject, review: Review) -> Change:
    """A change of a window that stands, at times in and near it: most of them fit."""
    draw, here = data.draw, review.state()["windows"]
    do = draw(st.sampled_from(
        ["edges", "edges", "cut", "cut", "uncut", "split", "split", "merge", "merge", "give", "reject", "restore",
         "automatic", "note", "new", "new", "undo", "redo"]
    ))  # fmt: skip
    meant = {"restore": lambda w: w["state"] == "rejected", "uncut": lambda w: w["cuts"]}.get(do, lambda w: True)
    window = draw(st.sampled_from([w for w in here if meant(w)] or here))
    start_s, end_s = window["start_s"], window["end_s"]
    middle_s, half_s = (start_s + end_s) / 2, (end_s - start_s) / 2
    part = st.integers(-10, 12).map(lambda tenths: tenths / 10)
    said: Change = {"do": do, "id": window["id"]}
    if do in ("edges", "cut", "new"):
        said |= {"start_s": middle_s - half_s * draw(part), "end_s": middle_s + half_s * draw(part)}
    elif do == "uncut" and window["cuts"]:
        cut = draw(st.sampled_from(window["cuts"]))
        said |= {"start_s": cut["start_s"], "end_s": cut["end_s"] - draw(st.sampled_from([0.0, 0.3]))}
    elif do == "split":
        said |= {"at_s": middle_s + half_s * draw(part)}
    elif do == "merge":
        said |= {"with": draw(st.sampled_from([w["id"] for w in here]))}
    elif do == "give":
        said |= {"terminal": draw(st.sampled_from(["S1", "S2", "E1", "E2", None]))}
    elif do in ("reject", "note"):
        said |= {"why": "door", "text": "door"}
    if do == "new":
        void_s = draw(st.sampled_from([1.0, 5.0, 15.0]))
        said |= {"trace": "01", "start_s": end_s + void_s - 0.9, "end_s": end_s + void_s + 4.0, "terminal": "S2"}
    return said


@cache
def fresh() -> tuple[Review, KeptTrace, bytes]:
    """A review that was read once, in a folder of its own, the same trace read anew, and the journal."""
    above = Path(tempfile.mkdtemp(prefix="review-property-"))
    atexit.register(shutil.rmtree, above, ignore_errors=True)
    folder = made(above / "v")
    kept = keep(folder / "traces" / "01.trace", *read_hood(folder / "hood.toml"))
    return opened(folder), kept, (folder / JOURNAL).read_bytes()


def again() -> Review:
    """The review with the journal that it began with: its traces stay in memory, all else is read from the disk."""
    review, _, journal = fresh()
    (review.folder / JOURNAL).write_bytes(journal)
    review.visit = Visit(review.folder, past_damage=True)
    for trace in review.traces.all.values():
        trace.found_at = -1
    return review


def done(review: Review, change: Change) -> bool:
    """Make a change, undo or redo; whether it was taken. One that is refused leaves the journal as it was."""
    path = review.folder / JOURNAL
    before = path.read_bytes()
    try:
        if change["do"] in ("undo", "redo"):
            getattr(review, change["do"])(UTC)
        else:
            seen = review.preview(change)
            assert path.read_bytes() == before
            said = review.change(change, UTC)
            assert (said["before"], said["after"]) == (seen["before"], seen["after"])
    except UsageError:
        assert path.read_bytes() == before
        return False
    assert path.read_bytes().startswith(before)
    assert len(path.read_bytes()) > len(before)
    return True


def assert_apart(windows: list[Window]) -> None:
    """No sample counts twice."""
    ordered = sorted((w for w in windows if not w.rejected), key=lambda w: w.start_us)
    for one, other in pairwise(ordered):
        assert one.stop_us <= other.start_us, (one.id, other.id)
    for window in windows:
        assert window.start_us < window.stop_us
        assert window.hold_start_us <= window.start_us
        assert window.stop_us <= window.hold_stop_us
        cuts = window.cuts
        assert all(window.start_us <= c.start_us < c.stop_us <= window.stop_us for c in cuts)
        assert all(a.stop_us <= b.start_us for a, b in pairwise(cuts))


def assert_read(window: Window, kept: KeptTrace) -> None:
    """A window's numbers are those of its place in the trace."""
    averaged = kept.reading(window.place).averaged
    if averaged.refusal is not None:
        assert (window.reading["why"], window.is_reading) == (averaged.refusal, False)
        return
    total = averaged.total
    assert window.reading["flow_m3h"] == round(m3h(averaged.flow_m3_s), 6)
    assert window.reading["u_flow_m3h"] == round(m3h(total.u_m3_s), 6)
    assert window.reading["expanded_m3h"] == round(m3h(total.expanded_m3_s), 6)
    assert window.reading["used_s"] == round(averaged.used_s, 6)
    said = (OTHER_WAY, CHOSEN, BEYOND)
    assert [flag for flag in window.reading["flags"] if flag not in said] == list(averaged.flags)
    assert len(window.reading["terms"]) == len(averaged.terms)


def assert_counts_follow(review: Review) -> None:
    """What counts for terminals is what the windows say that they are given to."""
    shown = sorted((w["terminal"], w["flow_m3h"]) for w in review.state()["windows"] if w["given"])
    assert sorted((p.terminal, p.flow_m3h) for p in review.visit.state.placements) == shown


@settings(max_examples=50)
@given(data=st.data())
def test_whatever_people_do(data: st.DataObject) -> None:
    review, kept = again(), fresh()[1]
    found = review.state()["windows"]
    for _ in range(data.draw(st.integers(1, 16))):
        change = data.draw(changes()) if data.draw(st.integers(0, 4)) == 0 else fitting(data, review)
        if not done(review, change):
            continue
        windows = list(review.windows().values())
        assert_apart(windows)
        assert_counts_follow(review)
        json.dumps(review.state(), allow_nan=False)
        # In memory it is as a restart finds it.
        assert Visit(review.folder).state == review.visit.state
    for window in review.windows().values():
        if window.by == "person":
            assert_read(window, kept)
    shown, n_undone = review.state(), 0
    while done(review, {"do": "undo"}):
        n_undone += 1
    assert review.state()["windows"] == found
    assert review.visit.state.placements == review.visit.state.given
    if n_undone:
        # What was undone before the end can be made again too, and comes behind: only so many.
        for _ in range(n_undone):
            assert done(review, {"do": "redo"})
    assert review.state()["windows"] == shown["windows"]
    assert (review.state()["undo"], review.state()["redo"]) == (shown["undo"], shown["redo"])


@settings(max_examples=12)
@given(data=st.data())
def test_a_window_without_cuts_inside_a_hold_is_what_readings_says_of_that_window(
    data: st.DataObject,
) -> None:
    review = again()
    window = review.window(data.draw(st.sampled_from(["01:2.1", "01:2.2", "01:3.1"])))
    first_s, last_s = (review.traces.seconds(window.trace, 1, t_us) for t_us in (window.start_us, window.stop_us))
    n = int((last_s - first_s) / 0.2)
    start = data.draw(st.integers(0, n - 25))
    end = data.draw(st.integers(start + 25, n))
    ends = round(first_s + 0.2 * start, 6), round(first_s + 0.2 * end, 6)
    for change in (
        {"do": "edges", "id": window.id, "start_s": ends[0], "end_s": ends[1]},
        {"do": "uncut", "id": window.id, "start_s": 0.0, "end_s": 1e6},
    ):
        done(review, change)
    now = next(w for w in review.state()["windows"] if w["id"] == window.id)
    assert now["cuts"] == []
    said = table(review.folder, "01", (now["start_s"], now["end_s"]))
    (row,) = said.readings + said.refused
    for key in ("flow_m3h", "u_flow_m3h", "expanded_m3h", "used_s", "direction"):
        assert now[key] == row.get(key), (key, ends)


def test_the_folder_of_all_this_has_nothing_in_it_but_a_visit() -> None:
    """The drawn changes went through one folder: what lies in it is what a visit has."""
    folder = fresh()[0].folder
    assert {path.name for path in folder.iterdir()} <= {JOURNAL, "hood.toml", "visit.toml", "traces"}
    assert (folder / "traces" / "01.trace").read_bytes() == reviewed_visit.trace_bytes("01")
