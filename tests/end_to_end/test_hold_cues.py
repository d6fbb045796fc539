"""The person on the ladder hears what became of each hold: real firmware, recorder, averaging, and the buzzer."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from hoodtrace.averaging.table import readings_of
from hoodtrace.board.air_motion import Hold
from hoodtrace.board.hold_cues import MEANT_US, HoldCues
from hoodtrace.board.link import open_board
from hoodtrace.board.recorder import Recorder, Status
from hoodtrace.board.scenario import demo_hood_toml, demo_scenario
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.board.world import write_world
from hoodtrace.physics.hood import read_hood
from hoodtrace.wire.trace import TraceWriter

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

LOW, MIDDLE, HIGH = 880, 1320, 1980
TONES = {(LOW, MIDDLE, HIGH): "done", (HIGH, LOW, HIGH, LOW, HIGH): "again"}


def cues_heard(rows: str) -> list[str]:
    """Cues by their tones; silence of 0.4 s and more lies between two."""
    tones = [(int(at), int(hz)) for at, kind, hz in (row.split() for row in rows.splitlines()) if kind == "tone"]
    groups: list[list[int]] = []
    silent_us = -1_000_000
    for at_us, hz in tones:
        if hz == 0:
            silent_us = at_us
            continue
        if not groups or at_us - silent_us > 400_000:
            groups.append([])
        groups[-1].append(hz)
    # A cue that another replaced is there only in part: what counts is how a group ends.
    return [next(name for tones, name in TONES.items() if tuple(group[-len(tones) :]) == tones) for group in groups]


def test_each_hold_is_answered(tmp_path: Path) -> None:
    hood_toml = tmp_path / "hood.toml"
    hood_toml.write_text(demo_hood_toml())
    visit = demo_scenario(4)
    steps = list(visit.steps)
    place = [i for i, step in enumerate(steps) if isinstance(step, Hold)][1]
    steps[place] = replace(steps[place], seconds=7.0, events=())  # meant, and too short for a reading
    truth = write_world(replace(visit, steps=tuple(steps)), tmp_path / "world", 4)
    trace = tmp_path / "a.trace"
    said: list[str] = []
    with VirtualBoard(tmp_path / "world", "fast", "pty", boot_seed=1) as board:

        def enough(status: Status) -> None:
            if status.last is not None and status.last["t_us"] > truth.duration_s * 1e6 + 5e6:
                recorder.stop()

        def say(words: str) -> None:
            said.append(words)
            recorder.say(words)

        recorder = Recorder(
            open_board(board.port), TraceWriter(trace), on_status=enough, patience_s=10.0,
            on_decoded=lambda decoded: cues.feed(decoded),
        )  # fmt: skip
        cues = HoldCues(read_hood(hood_toml)[0], say)
        recorder.run()
        heard = cues_heard(board.heard())
    found = readings_of(trace, hood_toml)
    read = {row["hold"] for row in found.readings}
    refused = {row["hold"]: row["hold_end_s"] - row["hold_start_s"] for row in found.refused if row["hold"] not in read}
    assert said.count("cue done") == len(read) == len(truth.holds) - 2
    assert said.count("cue again") == sum(seconds * 1e6 >= MEANT_US for seconds in refused.values()) >= 1
    # On the fast clock the host is seconds late, and a cue can be cut short by the next; all that is heard was said.
    told = iter(words.removeprefix("cue ") for words in said)
    assert all(name in told for name in heard)
    assert len(heard) >= len(said) - 2
