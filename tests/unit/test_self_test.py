"""The self-test's steps, fed with lines made here from the format's description (scripted_board.spoken).

What a step must say follows from how the lines were made: a vane whose edges are known, an edge taken out or put in by
hand, pressures and temperatures that were written into the lines.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from hoodtrace.board.self_test import Known, Outcome, Step
from hoodtrace.board.self_test_steps import STEPS, Air, Button, Cues, Direction, Rest, Stream, Tubes, Vane
from hoodtrace.board.vane_check import regularity
from hoodtrace.wire.decoder import Decoder
from scripted_board import spoken

KNOWN = Known(
    boot="0000a001",
    rate_hz=50.0,
    dp_counts_per_pa=240.0,
    temp_counts_per_k=200.0,
    dp="found",
    air="found",
    edges_per_rev=4,
    filter_us=250,
    cues={"first": "One tone: begin.", "last": "Two tones: end."},
)
PERIOD_US = 20_000
Edges = NDArray[np.int64]


def coasting_edges(speed_hz: float = 30.0, uneven: float = 0.1, seed: int = 1) -> Edges:
    """Edges [us] of a vane with four magnets: spun up in 2 s, then slowed by its bearing until it stops.

    Under friction alone the frequency falls as a straight line (own derivation); the magnets' places are drawn.
    """
    t_s = np.arange(0.0, 14.0, 1e-4)
    frequency = np.where(
        t_s < 2.0, speed_hz * np.minimum(t_s / 0.5, 1.0), np.maximum(0.0, speed_hz - 4.0 * (t_s - 2.0))
    )
    turned = np.cumsum(frequency) * 1e-4
    shift = uneven * np.random.default_rng(seed).uniform(-1.0, 1.0, 4)
    number = np.arange(1, int(turned[-1]))
    return np.round(np.interp(number + shift[number % 4], turned, t_s) * 1e6).astype(np.int64)


def lines(
    seconds: float,
    edges_us: Iterable[int] = (),
    dp: Callable[[int], int] = lambda i: 0,
    temp: int = 4200,
    flags: Callable[[int], int] = lambda i: 0,
    said: dict[int, dict[str, object]] | None = None,
) -> list[bytes]:
    """Sample lines at 50 Hz, with messages of the board (`said`, by sample) in between."""
    passed, made, seq = np.array(sorted(edges_us), np.int64), [], 0
    for i in range(round(seconds * 1e6 / PERIOD_US) + 1):
        t_us = 1_000_000 + i * PERIOD_US
        n = int(np.searchsorted(passed, i * PERIOD_US, side="right"))
        age = min(i * PERIOD_US - int(passed[n - 1]), 0xFFFFFF) if n else 0xFFFFFF
        body = f"{n:06x} {age:06x} {dp(i) & 0xFFFF:04x} {temp:04x} {flags(i):02x}"
        made.append(spoken("S", seq, t_us, body))
        seq += 1
        if said and i in said:
            made.append(spoken("J", seq, t_us, json.dumps(said[i])))
            seq += 1
    return made


def outcome(step: Step, made: list[bytes], together: int = 1) -> Outcome:
    """Feed a step with lines, so many at a time, until it has an outcome."""
    decoder = Decoder()
    for start in range(0, len(made), together):
        step.feed(decoder.feed(b"".join(made[start : start + together])))
        if step.outcome is not None:
            return step.outcome
    raise AssertionError(f"no outcome after {len(made)} lines: {step.seen}")


# ---- rest


def test_rest() -> None:
    found = outcome(Rest(KNOWN), lines(4.0))
    assert found.verdict == "as expected"


def test_rest_waits_for_a_vane_that_runs_down() -> None:
    found = outcome(Rest(KNOWN), lines(12.0, range(0, 4_000_000, 200_000)))
    assert found.verdict == "as expected"


def test_rest_with_a_draught() -> None:
    found = outcome(Rest(KNOWN), lines(12.0, range(0, 12_000_000, 500_000)))
    assert found.verdict == "not as expected"
    assert "air moves" in found.means


# ---- vane


@pytest.mark.parametrize("together", [1, 7, 100])
def test_a_good_vane(together: int) -> None:
    edges = coasting_edges()
    found = outcome(Vane(KNOWN), lines(20.0, edges), together)
    assert found.verdict == "as expected", found
    assert found.values["n_edges"] == len(edges)
    assert found.values["revolutions"] == len(edges) / 4


@pytest.mark.parametrize("seed", range(8))
def test_a_good_vane_however_its_magnets_sit(seed: int) -> None:
    assert outcome(Vane(KNOWN), lines(20.0, coasting_edges(uneven=0.1, seed=seed))).verdict == "as expected"


@pytest.mark.parametrize("seed", range(4))
def test_one_missed_edge_in_the_run_down(seed: int) -> None:
    edges = coasting_edges(seed=seed)
    found = outcome(Vane(KNOWN), lines(20.0, np.delete(edges, len(edges) - 20)))
    assert found.verdict == "not as expected"
    assert "missed" in found.means


@pytest.mark.parametrize("seed", range(4))
def test_one_edge_that_bounced(seed: int) -> None:
    edges = coasting_edges(seed=seed)
    found = outcome(Vane(KNOWN), lines(20.0, np.append(edges, edges[-20] + 600)))
    assert found.verdict == "not as expected"
    assert "bounce" in found.means


def test_edges_faster_than_the_filter_lets_through() -> None:
    burst = 5_000_000 + np.arange(500) * 100  # 100 us apart; 200 of them in one sample
    found = outcome(Vane(KNOWN), lines(20.0, burst))
    assert found.verdict == "not as expected"
    assert found.values["shortest_us"] == pytest.approx(100.0)


def test_more_edges_than_any_vane_makes() -> None:
    """Half of the counter's range in each sample: 8 million edges in 20 ms."""
    made = [spoken("S", i, 20_000 * i, f"{i * 0x7FFFFF % (1 << 24):06x} 000000 0000 1068 00") for i in range(1100)]
    found = outcome(Vane(KNOWN), made, 100)
    assert found.verdict == "not as expected"
    assert "no vane turns so fast" in found.means


def test_edges_that_all_have_one_time() -> None:
    t_us = np.arange(1, 101) * 20_000
    found = regularity(t_us, np.arange(1, 101), t_us - 20_000, 4)
    assert (found.n_judged, found.spread_rel, found.shortest_us) == (0, None, 0.0)


def test_a_missing_magnet_is_uneven() -> None:
    edges = coasting_edges(uneven=0.0)
    found = outcome(Vane(KNOWN), lines(20.0, edges[np.arange(len(edges)) % 4 != 0]))
    assert found.verdict == "not as expected"


def test_a_vane_that_does_not_turn_and_one_that_rubs() -> None:
    assert "not one edge" in outcome(Vane(KNOWN), lines(21.0)).means
    assert "rubs" in outcome(Vane(KNOWN), lines(21.0, range(0, 1_000_000, 100_000))).means


def test_edges_per_revolution_that_the_board_does_not_say_are_said_to_be_taken() -> None:
    found = outcome(Vane(replace(KNOWN, edges_per_rev=None)), lines(20.0, coasting_edges()))
    assert "taking 4 edges" in found.seen


def test_a_vane_that_only_rubs_stays_in_line() -> None:
    """Frequency as the square root of the way left, down to 0: the last interval would give 0.57, those judged 0.93."""
    left = np.arange(60, -1, -1, dtype=float)
    edges = np.round(8e6 * (1 - np.sqrt(left / 60))).astype(np.int64) + 1
    t_us = np.arange(0, 12_000_000, PERIOD_US)
    n = np.searchsorted(edges, t_us, side="right")
    found = regularity(t_us, n, t_us - edges[np.maximum(n - 1, 0)], 4)
    assert found.n_judged > 20
    assert (found.n_short, found.n_long) == (0, 0)


# ---- pressure


def noise(i: int) -> int:
    return (i * 7919) % 9 - 4  # +-4 counts are +-0.017 Pa at 240 counts/Pa


def test_bridged_tubes() -> None:
    found = outcome(Tubes(KNOWN), lines(6.0, dp=lambda i: 24 + noise(i)))
    assert found.verdict == "as expected"
    assert found.values["zero_pa"] == pytest.approx(0.1, abs=0.002)
    assert found.values["temp_c"] == 21.0


@pytest.mark.parametrize(
    ("dp", "flags", "words"),
    [
        (lambda i: 130 + noise(i), lambda i: 0, "not bridged"),  # 0.54 Pa
        (lambda i: 80 * (i % 2) - 40, lambda i: 0, "draught"),  # 0.17 Pa of noise
        (noise, lambda i: int(i % 50 == 0), "wires"),  # 2 % not valid
        (lambda i: 0, lambda i: 1, "wires"),
    ],
)
def test_tubes_not_as_expected(dp: Callable[[int], int], flags: Callable[[int], int], words: str) -> None:
    found = outcome(Tubes(KNOWN), lines(6.0, dp=dp, flags=flags))
    assert found.verdict == "not as expected"
    assert words in found.means


def test_the_direction_s_sign() -> None:
    breath = lines(8.0, dp=lambda i: 2400 if i > 200 else noise(i))
    found = outcome(Direction(KNOWN), breath)
    assert found.verdict == "as expected"
    swapped = outcome(Direction(KNOWN), lines(8.0, dp=lambda i: -2400 if i > 200 else noise(i)))
    assert swapped.verdict == "not as expected"
    assert "swapped" in swapped.means
    nothing = outcome(Direction(KNOWN), lines(21.0, dp=noise))
    assert "no pressure arrives" in nothing.means
    dead = outcome(Direction(KNOWN), lines(21.0, flags=lambda i: 1))
    assert "wires" in dead.means


def test_one_knock_is_no_breath() -> None:
    found = outcome(Direction(KNOWN), lines(21.0, dp=lambda i: -2000 if 100 <= i < 104 else noise(i)))
    assert "swapped" not in found.means


# ---- air


def air(**fields: object) -> dict[int, dict[str, object]]:
    return {60: {"kind": "air", "pressure_pa": 98_000, "temp_c": 20.5, "rh_pct": 40.0} | fields}


def test_air() -> None:
    found = outcome(Air(KNOWN), lines(16.0, said=air()))
    assert found.verdict == "as expected"
    assert found.values == {"pressure_pa": 98_000.0, "temp_c": 20.5, "rh_pct": 40.0, "chip_temp_c": 21.0}


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"pressure_pa": 0}, "pressure"),
        ({"pressure_pa": 120_000}, "pressure"),
        ({"temp_c": 85.0}, "temperature"),
        ({"rh_pct": 140}, "humidity"),
        ({"rh_pct": None}, "humidity"),
        ({"temp_c": 26.5}, "same air"),  # the pressure chip says 21.0
    ],
)
def test_air_not_as_expected(fields: dict[str, object], words: str) -> None:
    found = outcome(Air(KNOWN), lines(16.0, said=air(**fields)))
    assert found.verdict == "not as expected"
    assert words in found.means
    json.dumps(dict(found.values), allow_nan=False)


def test_air_that_never_comes() -> None:
    assert outcome(Air(KNOWN), lines(16.0)).verdict == "not as expected"


# ---- button


def presses(*kinds: str) -> dict[int, dict[str, object]]:
    return {50 + 20 * i: {"kind": "button", "press": kind} for i, kind in enumerate(kinds)}


def test_all_presses() -> None:
    found = outcome(Button(KNOWN), lines(31.0, said=presses("long", "short", "short", "double")))
    assert found.verdict == "as expected"
    assert found.values == {"n_short": 2, "n_long": 1, "n_double": 1}


def test_presses_that_are_missing() -> None:
    assert "not seen: long, double" in outcome(Button(KNOWN), lines(31.0, said=presses("short"))).means
    assert "not pressed" in outcome(Button(KNOWN), lines(31.0)).means
    assert "held all the time" in outcome(Button(KNOWN), lines(31.0, flags=lambda i: 4)).means
    older = outcome(Button(KNOWN), lines(31.0, flags=lambda i: 4 * (100 < i < 120)))
    assert "hoodtrace install" in older.means


# ---- cues


def played(answers: list[dict[str, object]]) -> tuple[Outcome, list[str]]:
    """Run the cues with a host that gives each command the next of `answers`."""
    step, decoder, asked = Cues(KNOWN), Decoder(), []
    seq = 0
    for i in range(2000):
        t_us = i * PERIOD_US
        made = spoken("S", seq, t_us, "000000 ffffff 0000 1068 00")
        seq += 1
        for words in step.commands():
            step.asked_seq = 100 + len(asked)
            if len(asked) < len(answers):
                reply = {"kind": "reply", "to": step.asked_seq} | answers[len(asked)]
                made += spoken("J", seq, t_us, json.dumps(reply))
                seq += 1
            asked.append(words)
        step.feed(decoder.feed(made))
        if step.outcome is not None:
            return step.outcome, asked
    raise AssertionError(step.seen)


def test_cues_are_played_in_turn() -> None:
    found, asked = played([{"ok": True}, {"ok": True}])
    assert asked == ["cue first", "cue last"]
    assert found.verdict == "as expected"
    assert "first: One tone" in found.seen


def test_cues_refused_unknown_and_without_reply() -> None:
    found, asked = played([{"ok": False, "why": "no such cue"}, {"ok": True}])
    assert asked == ["cue first", "cue last"]
    assert found.verdict == "not as expected"
    assert "first (no such cue)" in found.means
    older, _ = played([{"ok": False, "why": "unknown command"}])
    assert older.verdict == "not tested"
    silent, _ = played([])
    assert silent.verdict == "not as expected"
    assert "no reply" in silent.means


# ---- stream


def test_stream() -> None:
    found = outcome(Stream(KNOWN), lines(11.0, said=presses("short")))
    assert found.verdict == "as expected"
    assert (found.values["n_lost"], found.values["n_late"], found.values["jitter_us"]) == (0, 0, 0.0)


def test_stream_with_two_lines_lost() -> None:
    made = lines(11.0)
    found = outcome(Stream(KNOWN), made[:100] + made[102:])
    assert found.verdict == "not as expected"
    assert found.values["n_lost"] == 2
    assert "cable" in found.means


def test_stream_over_the_end_of_seq() -> None:
    made = [spoken("S", (0xFFFFFF0 + i) & 0xFFFFFFF, i * PERIOD_US, "000000 ffffff 0000 1068 00") for i in range(520)]
    assert outcome(Stream(KNOWN), made).values["n_lost"] == 0


def test_stream_late_stalled_and_uneven() -> None:
    assert "keep up" in outcome(Stream(KNOWN), lines(11.0, flags=lambda i: 8 * (i == 99))).means
    assert "flash" in outcome(Stream(KNOWN), lines(11.0, flags=lambda i: 16 * (i == 99))).means
    shifted = [
        spoken("S", i, i * PERIOD_US + 10_000 * (i == 99), "000000 ffffff 0000 1068 00") for i in range(520)
    ]  # half a period
    found = outcome(Stream(KNOWN), shifted)
    assert found.verdict == "not as expected"
    assert found.values["jitter_us"] == 10_000.0


# ---- all


@pytest.mark.parametrize("dp", ["absent", "off", None])
def test_without_a_pressure_chip_its_steps_are_not_tested(dp: str | None) -> None:
    known = replace(KNOWN, dp=dp, dp_counts_per_pa=None, temp_counts_per_k=None)
    for kind in (Tubes, Direction):
        found = kind(known).outcome
        assert found is not None
        assert found.verdict == "not tested"
        assert "pressure chip" in found.means
    assert outcome(Air(known), lines(16.0, said=air(), flags=lambda i: 3)).verdict == "as expected"


def test_without_an_air_sensor_its_step_is_not_tested() -> None:
    for state in ("absent", "off"):
        found = Air(replace(KNOWN, air=state)).outcome
        assert found is not None
        assert (found.verdict, "air sensor" in found.means) == ("not tested", True)


@pytest.mark.parametrize("kind", STEPS)
def test_a_restart_in_the_middle_ends_any_step(kind: type[Step]) -> None:
    made = [*lines(0.1), spoken("J", 0, 0, json.dumps({"kind": "hello", "boot": "0000b002"}))]
    found = outcome(kind(KNOWN), made)
    assert found.verdict == "not as expected"
    assert "restarted" in found.seen


@pytest.mark.parametrize("kind", STEPS)
def test_any_step_can_be_stopped_and_takes_no_more(kind: type[Step]) -> None:
    step = kind(KNOWN)
    assert step.stop("skipped").verdict == "not tested"
    step.feed(Decoder().feed(b"".join(lines(40.0))))
    assert step.stop("again").means == "skipped"


@pytest.mark.parametrize("kind", STEPS)
def test_every_step_ends_by_itself(kind: type[Step]) -> None:
    assert outcome(kind(KNOWN), lines(40.0, flags=lambda i: 3)).verdict != "not tested"


@pytest.mark.parametrize("kind", STEPS)
def test_lines_sent_twice_change_nothing(kind: type[Step]) -> None:
    made = lines(40.0, coasting_edges(), said=air() | presses("short"))
    assert outcome(kind(KNOWN), [m for m in made for _ in range(2)]) == outcome(kind(KNOWN), made)
