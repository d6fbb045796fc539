"""A kept trace: any window read again as the session reads it, what is refused, and what is drawn.

Contract: traces come from the second generator, which shares no code with the package, then spoiled; and from the
demo's own house. What a window must say is what `readings`, the other way through the same bytes, says of it.
Outcomes are compared by `repr`, which shows every digit of a float.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from hoodtrace.averaging.kept import Chosen, KeptTrace, Strip, keep
from hoodtrace.averaging.session import Cut
from hoodtrace.averaging.table import readings_of
from hoodtrace.cli.app import app
from hoodtrace.errors import TraceError, UsageError
from hoodtrace.physics.hood import read_hood
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace, visit
from worlds.second_log import logged

STEADY = Fluctuation("ou", 0.0, 1.0)
HOODS = (
    Hood(),
    Hood(k_extract=0.9, c_extract=0.76, zero_pa=0.3),
    Hood(has_taps=False),
    Hood(has_vane=False),
    Hood(start_m_s=0.6),
)


def written(folder: Path, trace: bytes, hood: Hood = HOODS[0]) -> tuple[Path, Path]:
    (folder / "01.trace").write_bytes(trace)
    (folder / "hood.toml").write_text(hood_toml(hood), encoding="utf-8")
    return folder / "01.trace", folder / "hood.toml"


def kept_of(folder: Path, trace: bytes, hood: Hood = HOODS[0]) -> KeptTrace:
    path, hood_path = written(folder, trace, hood)
    return keep(path, *read_hood(hood_path))


def line(kind: bytes, seq: int, t_us: int, rest: bytes) -> bytes:
    """A whole line: CRC-32 of all before the space in front of it, as the format says."""
    head = b"%s %07x %014x %s" % (kind, seq, t_us, rest)
    return b"%s %08x\n" % (head, crc32(head))


def continued(before: bytes, after: bytes, pause_us: int, **hello: object) -> bytes:
    """`after` as the same board run goes on after a pause: boot, SEQ, TIME and edges; keys of its hello may change."""
    lines = [text for text in before.splitlines() if text[:1] in b"SJ"]
    seq, t_us = int(lines[-1][2:9], 16) + 1, int(lines[-1][10:24], 16) + pause_us
    boot = json.loads(next(text for text in lines if b'"hello"' in text)[25:-9])["boot"]
    rows = [text for text in after.splitlines() if text[:1] in b"SJ"]
    seq0, t0_us = int(rows[0][2:9], 16), int(rows[0][10:24], 16)
    newest = next(text for text in reversed(lines) if text[:1] == b"S")
    n_edges, edge_us = int(newest[25:31], 16), int(newest[10:24], 16) - int(newest[32:38], 16)
    n_edges0 = next(int(text[25:31], 16) for text in rows if text[:1] == b"S")
    out = []
    for text in rows:
        rest = text[25:-9]
        if text[:1] == b"S":
            n_new = (int(rest[:6], 16) - n_edges0) % (1 << 24)
            # Until its first edge the vane's newest is the one from before the pause.
            age_us = int(rest[7:13], 16) if n_new else min(int(text[10:24], 16) - t0_us + t_us - edge_us, 0xFFFFFF)
            rest = b"%06x %06x%s" % ((n_edges + n_new) % (1 << 24), age_us, rest[13:])
        if b'"hello"' in rest:
            rest = json.dumps(json.loads(rest) | {"boot": boot} | hello, separators=(",", ":")).encode()
        out.append(line(text[:1], int(text[2:9], 16) - seq0 + seq, int(text[10:24], 16) - t0_us + t_us, rest))
    return before + b"".join(out)


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """Lose single samples and stretches of up to 4 s, send some again up to 90 s later, put noise between lines."""
    out: list[bytes] = []
    again: list[tuple[int, bytes]] = []
    lost_until = 0
    for i, text in enumerate(data.splitlines(keepends=True)):
        while again and again[0][0] <= i:
            out.append(again.pop(0)[1])
        if text.startswith(b"S") and i > 20:
            if rng.random() < 0.0008:
                lost_until = i + int(rng.integers(10, 200))
            if i < lost_until or rng.random() < 0.004:
                if rng.random() < 0.3:
                    again = sorted([*again, (i + int(rng.integers(20, 4500)), text)])
                continue
        out.append(text)
        if rng.random() < 0.002:
            out.append(rng.bytes(int(rng.integers(1, 30))).replace(b"\n", b"?") + b"\n")
    return b"".join([*out, *(text for _, text in again)])


def drawn_hold(rng: np.random.Generator) -> Hold:
    air = Fluctuation("ou", float(rng.uniform(0.02, 0.12)), float(rng.uniform(0.2, 1.5)))
    levels = [Plateau(float(rng.uniform(4, 80)), float(rng.uniform(4, 12.5)), air) for _ in range(rng.integers(1, 4))]
    events = dict(zip(("n_gusts", "n_slams", "n_knocks", "n_leaks"), rng.integers(0, 3, 4).tolist(), strict=True))
    return Hold(tuple(levels), str(rng.choice(["supply", "extract"])), **events)


def drawn(seed: int) -> tuple[bytes, Hood]:
    """A visit with whatever can happen to one: turns, gusts, lost and late lines, the log, restarts, silences."""
    rng = np.random.default_rng([71, seed])
    hood = HOODS[seed % len(HOODS)]

    def one(number: int) -> bytes:
        holds = [drawn_hold(rng) for _ in range(rng.integers(1, 4))]
        spec = visit(holds, rng, hood=hood, errors="drawn", with_air=bool(rng.random() < 0.7), p_missed=0.01)
        return make_trace(spec, 1000 * seed + number)[0]

    # Each boot is spoiled by itself: a board sends no line of an earlier boot again.
    done, data = b"", one(0)
    for number in range(1, int(rng.integers(1, 4))):
        how = rng.choice(["restart", "silence", "other scale", "log"])
        if how == "silence":
            data = continued(data, one(number), 700_000_000)
        elif how == "other scale":
            data = continued(data, one(number), 20_000, dp_counts_per_pa=60)
        else:
            done += spoiled(data, rng)
            data = logged(one(number), rng)[0] if how == "log" and hood.has_vane else one(number)
    return done + spoiled(data, rng), hood


def assert_same(kept: KeptTrace, trace: Path, hood: Path) -> None:
    """Every automatic window read again is what `readings` says, to the last bit."""
    table = readings_of(trace, hood)
    assert kept.table is not None
    assert repr(kept.table) == repr(table)
    for o in table.outcomes:
        assert repr(kept.reading(Chosen.of(o))) == repr(o)


@pytest.mark.slow
# A short hold may be split at a bump that rounds to no frame at all (numpy then warns); not what is tested here.
@settings(max_examples=60)
@given(seed=st.integers(0, 10_000))
def test_an_automatic_plateau_read_again_is_the_same_to_the_last_bit(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    data, hood = drawn(seed)
    folder = tmp_path_factory.mktemp("world")
    assert_same(kept_of(folder, data, hood), *written(folder, data, hood))


@pytest.mark.parametrize("seed", range(len(HOODS)))
def test_each_kind_of_hood_reads_the_same_again(tmp_path: Path, seed: int) -> None:
    data, hood = drawn(seed)
    kept = kept_of(tmp_path, data, hood)
    assert kept.outcomes
    assert_same(kept, *written(tmp_path, data, hood))


def test_the_drawn_worlds_hold_what_they_should(tmp_path: Path) -> None:
    seen: set[str] = set()
    for seed in range(16):
        data, hood = drawn(seed)
        kept = kept_of(tmp_path, data, hood)
        assert kept.table is not None
        seen |= {flag for o in kept.outcomes for flag in o.averaged.flags} | {
            str(o.averaged.refusal) for o in kept.outcomes
        }
        seen |= {"cuts" for o in kept.outcomes if o.cuts} | {"turned" for o in kept.outcomes if o.plateau > 1}
        seen |= {"restart"} if len(kept.boots) > 1 else set()
        seen |= {"lost"} if kept.table.trace["lost_samples"] else set()
        seen |= {"silence"} if any(np.diff(run.t_us).max() > 600_000_000 for run in kept.runs.values()) else set()
        seen |= {"other scale"} if any(len({str(b) for _, b in r.boots}) > 1 for r in kept.runs.values()) else set()
    wanted = {"cuts", "turned", "restart", "lost", "silence", "other scale", "late lines", "air assumed", "from log"}
    assert wanted | {"None", "too short"} <= seen


@pytest.mark.parametrize("seed", [1, 2])
def test_the_demos_house_reads_the_same_again(tmp_path: Path, seed: int) -> None:
    folder = tmp_path / "demo"
    done = CliRunner().invoke(app, ["demo", str(folder), "--seed", str(seed)])
    assert done.exit_code == 0
    trace, hood = folder / "traces" / "visit.trace", folder / "hood.toml"
    kept = keep(trace, *read_hood(hood))
    assert len(kept.outcomes) >= 12  # the demo's house has twelve terminals
    assert_same(kept, trace, hood)


# ---- windows that a person chooses


def one_hold(flow_m3h: float = 36.0, direction: str = "supply", air: Fluctuation = STEADY, **more: object) -> bytes:
    hold = Hold((Plateau(flow_m3h, 40, air),), direction)
    scenes = (Free(6, "still"), Free(4, "carry"), Free(5, "still"), hold, Free(6, "still"))
    return make_trace(Spec(scenes, **more), 5)[0]  # type: ignore[arg-type]


@cache
def gusty() -> bytes:
    return one_hold(air=Fluctuation("ou", 0.06, 0.5))


def chosen_s(kept: KeptTrace, start_s: float, stop_s: float, cuts_s: tuple[tuple[float, float], ...] = ()) -> Chosen:
    (boot, start_us), (_, stop_us) = kept.timeline.us_of(start_s), kept.timeline.us_of(stop_s)
    cuts = tuple(Cut(kept.timeline.us_of(a)[1], kept.timeline.us_of(b)[1], "chosen") for a, b in cuts_s)
    return Chosen(boot, 1, 1, start_us, stop_us, start_us, stop_us, cuts)


@pytest.mark.parametrize("window_s", [(20.0, 45.0), (17.1234, 30.4321), (0.0, 61.0), (21.0, 21.5)])
def test_a_window_says_what_readings_with_a_window_says(tmp_path: Path, window_s: tuple[float, float]) -> None:
    trace, hood = written(tmp_path, gusty())
    kept = keep(trace, *read_hood(hood))
    (forced,) = readings_of(trace, hood, window_s).outcomes
    assert repr(kept.reading(Chosen.of(forced))) == repr(forced)
    assert repr(kept.reading(chosen_s(kept, *window_s))) == repr(forced)


def test_a_cut_takes_its_time_out_and_its_flow(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, gusty())
    whole = chosen_s(kept, 20.0, 50.0)
    halved = chosen_s(kept, 20.0, 50.0, ((30.0, 40.0),))
    left, right = (kept.reading(chosen_s(kept, *ends)).averaged for ends in ((20.0, 30.0), (40.0, 50.0)))
    one = kept.reading(halved)
    assert one.cuts == halved.cuts
    # Two steps are lost at the cut's ends: one that leads into it, one out of it, 20 ms each at 50 samples a second.
    assert one.averaged.used_s == pytest.approx(kept.reading(whole).averaged.used_s - 10.0 - 0.02, abs=0.005)
    assert "much cut out" in one.averaged.flags  # a third of the window, more than a quarter
    vane = one.averaged.vane_m3_s
    assert vane is not None
    assert min(left.vane_m3_s or 0, right.vane_m3_s or 0) < vane < max(left.vane_m3_s or 0, right.vane_m3_s or 0)


def test_the_series_are_what_the_reading_averages(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, one_hold(36.0))
    one = chosen_s(kept, 25.0, 50.0, ((30.0, 33.0),))
    t_s, vane, taps, dt_s = kept.series(one)
    assert vane is not None
    assert taps is not None
    assert len(t_s) == len(vane) == len(taps) == len(dt_s)
    assert dt_s.sum() == pytest.approx(kept.reading(one).averaged.used_s)
    assert np.all((t_s >= 25.0) & (t_s <= 50.0))
    assert not np.any((t_s >= 30.0) & (t_s < 33.0))
    # The true flow is 36 m3/h, with the hood exact; 0.03 Pa of noise on 2 Pa and uneven marks leave some 1 %.
    assert np.average(vane, weights=dt_s) == pytest.approx(36.0, rel=0.01)
    assert np.average(taps, weights=dt_s) == pytest.approx(36.0, rel=0.01)


def test_the_series_leave_a_hole_out(tmp_path: Path) -> None:
    data = one_hold(36.0).splitlines(keepends=True)
    kept = kept_of(tmp_path, b"".join(data[:1500] + data[1575:]))  # some 1.5 s
    one = chosen_s(kept, 25.0, 50.0)
    t_s, vane, taps, dt_s = kept.series(one)
    assert vane is not None
    assert taps is not None
    assert len(t_s) == len(vane) == len(taps) == len(dt_s)
    assert dt_s.max() < 0.04
    assert dt_s.sum() == pytest.approx(kept.reading(one).averaged.used_s)


def test_a_window_with_nothing_left_has_no_series(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, gusty())
    one = chosen_s(kept, 30.0, 31.0, ((30.0, 31.0),))
    t_s, vane, taps, dt_s = kept.series(one)
    assert (len(t_s), vane, taps, len(dt_s)) == (0, None, None, 0)
    assert kept.reading(one).averaged.refusal is not None


def test_what_can_not_be_read_is_refused_with_its_times(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, gusty())
    good = chosen_s(kept, 20.0, 40.0)
    end_s = kept.timeline.duration_s
    for bad, said in (
        (replace(good, stop_us=good.start_us), "20.000 to 20.000 s is empty"),
        (replace(good, start_us=good.stop_us + 1), "is empty"),
        (chosen_s(kept, 20.0, end_s + 0.5), f"20.000 to {end_s + 0.5:.3f} s goes beyond"),
        (chosen_s(kept, -0.1, 20.0), "-0.100 to 20.000 s goes beyond"),
        (replace(good, boot=7), "no samples of boot 7"),
        (chosen_s(kept, 20.0, 40.0, ((19.0, 25.0),)), "cut from 19.000 to 25.000 s"),
        (chosen_s(kept, 20.0, 40.0, ((39.0, 41.0),)), "cut from 39.000 to 41.000 s"),
        (chosen_s(kept, 20.0, 40.0, ((30.0, 30.0),)), "cut from 30.000 to 30.000 s"),
    ):
        with pytest.raises(UsageError, match=said.replace(".", r"\.")):
            kept.reading(bad)
        with pytest.raises(UsageError):
            kept.series(bad)
    with pytest.raises(UsageError, match=r"9\.9"):
        kept.outcome(9, 9)
    assert kept.outcome(1, 1) == kept.outcomes[0]


# ---- the trace


def test_the_file_is_known_by_its_bytes_and_left_alone(tmp_path: Path) -> None:
    trace, hood = written(tmp_path, gusty())
    trace.chmod(0o400)
    kept = keep(trace, *read_hood(hood))
    assert (kept.name, kept.path, kept.n_bytes) == ("01", trace, len(gusty()))
    assert kept.sha256 == hashlib.sha256(gusty()).hexdigest()
    assert trace.read_bytes() == gusty()


@pytest.mark.parametrize("data", [b"", b"noise\n", line(b"J", 1, 5, b'{"kind":"hello","protocol":2}')])
def test_a_file_that_is_no_trace_of_ours_is_refused_before_anything_is_shown(tmp_path: Path, data: bytes) -> None:
    trace, hood = written(tmp_path, data)
    with pytest.raises(TraceError):
        keep(trace, *read_hood(hood), lambda kept: pytest.fail("was shown"))


def test_seconds_go_there_and_back_over_a_restart(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, gusty() + one_hold(50.0))
    assert kept.boots == [1, 2]
    for boot, run in kept.runs.items():
        for t_us in run.t_us[[0, 1, len(run.t_us) // 2, -2]].tolist():
            assert kept.timeline.us_of(kept.timeline.seconds(boot, t_us)) == (boot, t_us)
    # The notes date both boots alike, so the second begins the moment that the first ends: that moment is the second's.
    assert kept.timeline.us_of(kept.timeline.seconds(1, int(kept.runs[1].t_us[-1])))[0] == 2
    # The second generator's notes say 09:00:00 on 1 January 2030 (UTC) at the first sample of each boot, and a clock
    # note comes each 10 s with the time of the sample before it: within one sample, 20 ms.
    begun_s = 1893488400.0  # date -u -d 2030-01-01T09:00:00Z +%s (seen)
    for boot, run in kept.runs.items():
        utc_s = kept.first_utc_s[boot]
        assert utc_s is not None
        assert utc_s + run.t_us[0] * 1e-6 == pytest.approx(begun_s, abs=0.04)


def test_with_no_notes_no_time_of_day_is_known(tmp_path: Path) -> None:
    assert kept_of(tmp_path, one_hold(with_notes=False)).first_utc_s == {1: None}


# ---- strips


def between(strip: Strip, start_s: float, stop_s: float) -> tuple[np.ndarray, np.ndarray]:
    inside = (strip.t_s >= start_s) & (strip.t_s < stop_s)
    return strip.vane_m3h[inside], strip.taps_m3h[inside]


@pytest.mark.parametrize(("direction", "sign"), [("supply", 1), ("extract", -1)])
def test_strips_show_the_flow_of_each_sample(tmp_path: Path, direction: str, sign: int) -> None:
    """The hood is exact and the air steady: each sample shows the true flow, 36 m3/h."""
    hood = replace(HOODS[1], u_zero_pa=0.05)
    trace, hood_path = written(tmp_path, one_hold(36.0, direction, hood=hood, noise_pa=0.0), hood)
    early: list[tuple[Strip, ...]] = []
    kept = keep(trace, *read_hood(hood_path), lambda so_far: early.append((*so_far.strips, so_far.table)))  # type: ignore[arg-type]
    (strip,) = kept.strips
    assert len(early) == 1
    assert early[0][1] is None
    (found,) = kept.outcomes
    start_s, stop_s = (kept.timeline.seconds(1, t_us) for t_us in (found.start_us, found.stop_us))
    vane, taps = between(strip, start_s, stop_s)
    assert (vane.dtype, taps.dtype, strip.t_s.dtype) == (np.float32, np.float32, np.float64)
    # Marks of the vane stand up to 30 % out of place (the generator); the mean over many turns does not.
    assert vane.mean() == pytest.approx(sign * 36.0, rel=0.005)
    assert np.all(np.abs(sign * vane / 36.0 - 1.0) < 0.35)
    # A count is 1/240 Pa of some 2 Pa: half of that in the flow is 0.1 %; the density formula differs by less.
    np.testing.assert_allclose(taps, sign * 36.0, rtol=0.003)
    np.testing.assert_allclose(between(early[0][0], start_s, stop_s)[1], sign * 36.0, rtol=0.003)
    # Still air at the beginning: the vane stands.
    assert np.all(between(strip, 1.0, 5.0)[0] == 0.0)
    assert np.isnan(strip.vane_m3h[0])


def test_a_zero_that_was_found_counts_in_the_strips(tmp_path: Path) -> None:
    """The chip is off by 0.05 Pa that the hood file does not know; the free-hanging air shows it."""
    drifted = replace(HOODS[0], zero_pa=0.05)
    trace, hood_path = written(tmp_path, one_hold(8.0, hood=drifted, noise_pa=0.01), HOODS[0])
    early: list[Strip] = []
    kept = keep(trace, *read_hood(hood_path), lambda so_far: early.extend(so_far.strips))
    # 8 m3/h makes 0.11 Pa (dp goes with the square: 36 m3/h makes 2.2 Pa); 0.05 Pa more reads a fifth more.
    before, after = (np.median(between(strip, 30.0, 50.0)[1]) for strip in (early[0], kept.strips[0]))
    assert before > 9.0
    assert after == pytest.approx(8.0, rel=0.05)
    # Hanging free at the start: 0.05 Pa would be 5.4 m3/h; 0.01 Pa of noise is 2.4 at one standard deviation.
    assert np.median(np.abs(between(kept.strips[0], 1.0, 5.0)[1])) < 3.0


def test_a_zero_that_came_after_the_hold_counts_in_it(tmp_path: Path) -> None:
    """Pressed on from the start for 70 s, so no zero before; the chip is off by 0.05 Pa that the file does not know."""
    drifted = replace(HOODS[0], zero_pa=0.05)
    scenes = (Hold((Plateau(8.0, 70, STEADY),)), Free(8, "still"))
    data, _ = make_trace(Spec(scenes, hood=drifted, noise_pa=0.0), 5)
    kept = kept_of(tmp_path, data)
    (found,) = kept.outcomes
    assert found.averaged.taps_m3_s is not None
    (strip,) = kept.strips
    assert np.median(between(strip, 20.0, 60.0)[1]) == pytest.approx(8.0, rel=0.03)
    # Hanging free: half a count, 2 mPa, is 1.1 m3/h; 0.05 Pa would be 5.4.
    assert np.median(np.abs(between(strip, 73.0, 77.0)[1])) < 1.5


def test_slow_air_stands_still_in_the_vanes_strip_and_holes_are_nothing(tmp_path: Path) -> None:
    data = one_hold(36.0).splitlines(keepends=True)
    holed = b"".join(data[:1500] + data[1560:])
    n_lost = sum(text.startswith(b"S") for text in data[1500:1560])
    kept = kept_of(tmp_path, holed, Hood(start_m_s=1.5))  # 36 m3/h is 1.18 m/s through this bore
    (strip,) = kept.strips
    vane, _ = between(strip, 25.0, 28.0)
    assert np.all(vane == 0.0)
    (i,) = np.flatnonzero(np.isnan(strip.taps_m3h))
    # Neither the hole nor the step over it is a vane's flow of one moment.
    assert np.all(np.isnan(strip.vane_m3h[i : i + 2]))
    assert strip.t_s[i + 1] - strip.t_s[i - 1] == pytest.approx((n_lost + 1) * 0.02, abs=0.013)
    assert len(strip.t_s) == len(kept.runs[1].t_us) + 1


def test_values_that_are_not_valid_are_nothing(tmp_path: Path) -> None:
    lines = one_hold(36.0).splitlines(keepends=True)
    at = [i for i, text in enumerate(lines) if text.startswith(b"S")][1200:1210]
    for i in at:
        seq, t_us = int(lines[i][2:9], 16), int(lines[i][10:24], 16)
        lines[i] = line(b"S", seq, t_us, lines[i][25:39] + b"7fff" + lines[i][43:51])
    (strip,) = kept_of(tmp_path, b"".join(lines)).strips
    assert np.flatnonzero(np.isnan(strip.taps_m3h)).tolist() == list(range(1200, 1210))


def test_a_vane_that_stood_since_a_hole_is_dated_as_the_session_dates_it(tmp_path: Path) -> None:
    """The vane's last edge before the hold lies far back, with a hole since: the session has forgotten both by then."""
    scenes = (Free(2610, "still"), Hold((Plateau(40.0, 40, STEADY),)), Free(120, "still"))
    data, truth = make_trace(Spec(scenes, hood=HOODS[3]), 5)  # writes no edges
    out, n, begins = [], 0, round((truth.holds[0].seated_s + 15.0) * 50)
    for text in data.splitlines(keepends=True):
        if text.startswith(b"S"):
            n += 1
            if 1000 <= n < 1060:
                continue  # lost
            n_edges = max(0, n - begins) // 5
            age_us = (n - begins) % 5 * 20_000 + 3_000 if n_edges else 0xFFFFFF
            rest = b"%06x %06x %s" % (n_edges, age_us, text[39:51])
            text = line(b"S", int(text[2:9], 16), int(text[10:24], 16), rest)
        out.append(text)
    kept = kept_of(tmp_path, b"".join(out))
    assert len(kept.runs[1].t_us) > 131_072  # a session's piece: it forgets after each
    assert any(o.start_us < kept.runs[1].t_us[begins] for o in kept.outcomes)
    assert_same(kept, *written(tmp_path, b"".join(out)))


def test_numbers_of_a_window_are_handed_through(tmp_path: Path) -> None:
    kept = kept_of(tmp_path, gusty())
    (found,) = kept.outcomes
    assert kept.reading(replace(Chosen.of(found), hold=9, plateau=4)) == replace(found, hold=9, plateau=4)
