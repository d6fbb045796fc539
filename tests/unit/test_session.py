"""From spoiled traces to readings: what a hostile or broken stream must not do to a reading."""

from __future__ import annotations

import dataclasses
from zlib import crc32

import pytest

from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.physics.hood import Hood, parse_hood
from hoodtrace.wire.clock import Timeline
from worlds.second import Fluctuation, Free, Plateau, Spec, hood_toml, make_trace
from worlds.second import Hold as Pressed
from worlds.second import Hood as Given

AIR = Fluctuation("ou", 0.05, 0.6)


def made(flow_m3h: float = 40.0, seconds: float = 30.0, hood: Given | None = None, seed: int = 3) -> bytes:
    scenes = (Free(5, "still"), Free(5, "carry"), Free(5, "hang"), Pressed((Plateau(flow_m3h, seconds, AIR),)))
    return make_trace(Spec((*scenes, Free(4, "hang")), hood=hood or Given()), seed)[0]


def hood_of(given: Given | None = None) -> Hood:
    return parse_hood(hood_toml(given or Given()), "hood.toml")


def read(trace: bytes, hood: Hood | None = None, window_s: tuple[float, float] | None = None) -> list[Outcome]:
    session = Session(hood or hood_of(), window_s=window_s)
    return session.feed(trace) + session.finish()


def readings(trace: bytes, hood: Hood | None = None) -> list[Outcome]:
    return [o for o in read(trace, hood) if o.averaged.refusal is None]


def with_dp(trace: bytes, raw: bytes, every: int) -> bytes:
    """Put `raw` in the DP field of every so-many-th sample line."""
    lines, n = trace.split(b"\n"), 0
    for i, text in enumerate(lines):
        if text.startswith(b"S "):
            n += 1
            if n % every == 0:
                text = text[:39] + raw + text[43:51]
                lines[i] = text + b" %08x" % crc32(text)
    return b"\n".join(lines)


@pytest.mark.parametrize("raw", [b"8000", b"7fff"])
def test_a_few_samples_beyond_the_range_do_not_turn_the_direction(raw: bytes) -> None:
    one = readings(with_dp(made(), raw, 30))[0].averaged
    assert one.direction == "supply"
    assert "taps over range" in one.flags
    assert one.taps_m3_s is None


def test_few_enough_samples_beyond_the_range_leave_the_taps_in() -> None:
    one = readings(with_dp(made(), b"7fff", 400))[0].averaged
    assert one.taps_m3_s is not None
    assert "taps over range" not in one.flags


def decimated(trace: bytes, keep: int = 10) -> bytes:
    """Make a flash log of a trace: each so-many-th sample, SEQ counted anew, flag bit 5 set, DP the mean between."""
    out, group, seq = [], [], 0
    for text in trace.split(b"\n"):
        if text.startswith(b"S "):
            group.append(text)
            if len(group) < keep:
                continue
            dp = [int(t[39:43], 16) for t in group]
            mean = round(sum(d - 65536 if d > 32767 else d for d in dp) / keep) & 0xFFFF
            last, group = group[-1], []
            body = b"S %07x " % seq + last[10:39] + b"%04x" % mean + last[43:49] + b"20"
        elif text.startswith(b"J "):
            body = b"J %07x " % seq + text[10:-9]
        else:
            continue
        seq += 1
        out.append(body + b" %08x\n" % crc32(body))
    return b"".join(out)


@pytest.mark.parametrize("has_vane", [True, False])
def test_a_flash_log_is_read(has_vane: bool) -> None:
    given = dataclasses.replace(Given(), has_vane=has_vane)
    trace = make_trace(
        Spec((Free(10, "still"), Pressed((Plateau(40.0, 60.0, AIR),)), Free(6, "still")), hood=given), 4
    )[0]
    found = readings(decimated(trace), hood_of(given))
    assert len(found) == 1
    assert "from log" in found[0].averaged.flags
    assert found[0].averaged.flow_m3_s * 3600 == pytest.approx(40.0, abs=3.0)


def test_a_window_finds_its_boot() -> None:
    first, second = made(seed=5), made(seed=6).replace(b'"boot":"', b'"boot":"f')
    lines = [text[:-8] + b"%08x" % crc32(text[:-9]) for text in second.split(b"\n") if text.startswith(b"J ")]
    rest = [text for text in second.split(b"\n") if text.startswith(b"S ")]
    trace = first + b"\n".join([lines[0], *rest]) + b"\n"
    session = Session(hood_of())
    found = session.feed(trace) + session.finish()
    time = Timeline(session.spans, session.assembler.clocks)
    last = found[-1]
    assert last.boot == 2
    span = time.seconds(2, last.start_us), time.seconds(2, last.stop_us)
    forced = read(trace, window_s=span)
    assert [o.boot for o in forced] == [2]
    assert forced[0].averaged.flow_m3_s == pytest.approx(last.averaged.flow_m3_s, rel=0.05)


def test_a_window_ends_where_the_trace_ends() -> None:
    session = Session(hood_of(), window_s=(20.0, 1e6))
    found = session.feed(made()) + session.finish()
    assert found[0].stop_us == session.spans[1][1]


@pytest.mark.parametrize("ahead", [-1000, 10])
def test_a_leap_of_years_in_time_costs_no_memory_and_no_reading(ahead: int) -> None:
    trace = made()
    last = [text for text in trace.split(b"\n") if text.startswith(b"S ")][-1]
    body = b"S %07x %014x " % (int(last[2:9], 16) + ahead, 1 << 55) + b"000000 000000 0000 0000 00"
    stray = body + b" %08x\n" % crc32(body)
    assert len(readings(trace + stray)) == 1
    assert len(readings(stray + trace)) == 1


def test_seconds_lost_inside_a_hold_leave_one_reading() -> None:
    lines = made(seconds=40.0).split(b"\n")
    samples = [i for i, text in enumerate(lines) if text.startswith(b"S ")]
    lost = set(samples[1300:1500])
    found = readings(b"\n".join(text for i, text in enumerate(lines) if i not in lost))
    assert len(found) == 1
    assert found[0].averaged.flow_m3_s * 3600 == pytest.approx(40.0, abs=2.0)


def test_a_zero_found_long_after_the_first_hold_changes_it_neither_live_nor_in_a_file() -> None:
    """Live has given the reading by then; a replay of the same bytes must give the same number."""
    scenes = (
        Free(5, "carry"),
        Pressed((Plateau(40.0, 30.0, AIR),)),
        Free(75, "carry"),
        Free(8, "hang"),
        Free(3, "carry"),
    )
    trace = make_trace(Spec(scenes), 22)[0]  # in this walk the vane never stands
    live = Session(hood_of(), patience_s=60.0)
    found = [o for i in range(0, len(trace), 3000) for o in live.feed(trace[i : i + 3000])] + live.finish()
    first = [o.averaged.flow_m3_s for o in found if o.averaged.refusal is None]
    assert first
    assert first == [o.averaged.flow_m3_s for o in readings(trace)]
