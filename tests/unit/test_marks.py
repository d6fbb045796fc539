"""What happened in a trace besides its flow: each mark from lines that are written here by the format alone.

Contract: `spoken` writes whole lines as the format says; times expected are those of the lines, worked out by hand.
"""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from hoodtrace.averaging.kept import KeptTrace, Mark, keep
from hoodtrace.averaging.session import Session
from hoodtrace.board.link import open_board
from hoodtrace.board.recorder import Recorder
from hoodtrace.physics.hood import read_hood
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.trace import TraceWriter
from scripted_board import ScriptedBoard, good_lines, spoken, wait_for
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace

FIRST_US = 5_000_000
STEP_US = 10_000


class Board:
    """Lines of one boot, one after the other; a sample each 10 ms."""

    def __init__(self, boot: str, seq: int = 100, with_air: bool = True) -> None:
        self.lines: list[bytes] = []
        self.seq, self.t_us = seq, FIRST_US - STEP_US
        self.says("hello", protocol=1, boot=boot, rate_hz=100, dp_counts_per_pa=240)
        if with_air:
            self.says("air", temp_c=20.0, rh_pct=50.0, pressure_pa=101325.0)

    def says(self, kind: str, **more: object) -> None:
        self.lines.append(spoken("J", self.seq, max(self.t_us, 0), json.dumps({"kind": kind} | more)))
        self.seq = (self.seq + 1) % (1 << 28)

    def notes(self, kind: str, **more: object) -> None:
        self.lines.append(spoken("H", self.seq - 1, self.t_us, json.dumps({"kind": kind} | more)))

    def samples(self, n: int, lose: tuple[int, ...] = ()) -> None:
        for i in range(n):
            self.t_us += STEP_US
            if i not in lose:
                self.lines.append(spoken("S", self.seq, self.t_us, "000000 ffffff 0000 12c0 00"))
            self.seq = (self.seq + 1) % (1 << 28)

    @property
    def data(self) -> bytes:
        return b"".join(self.lines)


def kept_of(folder: Path, data: bytes, hood: Hood | None = None) -> KeptTrace:
    (folder / "01.trace").write_bytes(data)
    (folder / "hood.toml").write_text(hood_toml(hood or Hood()), encoding="utf-8")
    return keep(folder / "01.trace", *read_hood(folder / "hood.toml"))


def told(mark: Mark) -> tuple[str, float, float, str]:
    return mark.kind, round(mark.start_s, 6), round(mark.end_s, 6), mark.text


def marks_of(folder: Path, data: bytes) -> list[tuple[str, float, float, str]]:
    return [told(mark) for mark in kept_of(folder, data).marks]


def test_a_quiet_trace_has_no_marks(tmp_path: Path) -> None:
    board = Board("00000001")
    board.samples(500)
    assert marks_of(tmp_path, board.data) == []


def test_what_the_board_says_is_marked_when_it_said_it(tmp_path: Path) -> None:
    board = Board("00000001")
    board.samples(101)
    board.says("button", down=1)
    board.says("button", press="long")
    board.samples(100)
    board.says("fault", sensor="dp", state="lost")
    board.samples(100)
    board.says("zero")
    board.says("reply", to=4, ok=True)
    board.samples(100)
    assert marks_of(tmp_path, board.data) == [
        ("press", 1.0, 1.0, "long"),
        ("fault", 2.0, 2.0, "dp lost"),
        ("bridged", 3.0, 3.0, ""),
    ]


def test_a_gap_says_why_if_the_recorder_did(tmp_path: Path) -> None:
    board = Board("00000001")
    board.samples(101)
    board.notes("gap", why="unplugged")
    board.t_us += 3_000_000
    board.says("hello", protocol=1, boot="00000001", rate_hz=100, dp_counts_per_pa=240)
    board.samples(101)
    board.t_us += 600_000
    board.samples(101)
    board.t_us += 480_000
    board.samples(101)
    # 0.49 s between two samples is no gap; 3.01 and 0.61 s are.
    assert marks_of(tmp_path, board.data) == [("gap", 1.0, 4.01, "unplugged"), ("gap", 5.01, 5.62, "")]


@pytest.mark.parametrize("seq", [100, (1 << 28) - 150])
def test_lost_lines_are_counted_messages_are_not_lost(tmp_path: Path, seq: int) -> None:
    board = Board("00000001", seq)
    board.samples(200, lose=(50, 51, 52, 80, 190))
    board.says("status", mem_free=1)
    board.samples(200)
    kept = kept_of(tmp_path, board.data)
    assert kept.table is not None
    assert kept.table.trace["lost_samples"] == 5
    # 0.49 to 0.53 and 0.79 to 0.81 s lie together; 1.89 to 1.91 s is more than a second behind.
    assert list(map(told, kept.marks)) == [
        ("lost", 0.49, 0.81, "4"),
        ("lost", 1.89, 1.91, "1"),
    ]


def test_a_line_that_comes_again_is_not_lost(tmp_path: Path) -> None:
    board = Board("00000001")
    board.samples(300)
    late = board.lines.pop(50)
    board.lines.append(late)
    board.samples(10)
    assert marks_of(tmp_path, board.data) == []


def test_a_restart_is_marked_with_the_reason_of_the_gap(tmp_path: Path) -> None:
    one, two = Board("00000001"), Board("00000002")
    one.samples(101)
    one.notes("cue", cue="seated")
    one.notes("gap", why="silent")
    two.samples(101)
    two.notes("cue", cue="done")
    two.samples(101)
    # No clock notes: the second boot goes on from the last sample of the first, at 1 s.
    assert marks_of(tmp_path, one.data + two.data) == [
        ("cue", 1.0, 1.0, "seated"),
        ("restart", 1.0, 1.0, "silent"),
        ("cue", 2.0, 2.0, "done"),
    ]


def test_air_that_nobody_measured_is_marked(tmp_path: Path) -> None:
    board = Board("00000001", with_air=False)
    board.samples(101)
    assert marks_of(tmp_path, board.data) == [("no air", 0.0, 1.0, "")]


def test_the_zero_of_a_hold_is_marked_with_its_value(tmp_path: Path) -> None:
    """The chip is 0.04 Pa off; the hood hangs free before the first hold, from 0 to 8 s, and before the second."""
    hold = Hold((Plateau(40.0, 30, Fluctuation("ou", 0.03, 0.5)),))
    scenes = (Free(8, "still"), hold, Free(12, "still"), hold, Free(4, "still"))
    data, truth = make_trace(Spec(scenes, hood=Hood(zero_pa=0.04), noise_pa=0.01), 3)
    kept = kept_of(tmp_path, data)
    first, second = [m for m in kept.marks if m.kind == "zero"]
    assert 0.0 <= first.start_s < first.end_s <= truth.holds[0].seated_s
    assert truth.holds[0].lifted_s <= second.start_s < second.end_s <= truth.holds[1].seated_s
    for zero in (first, second):
        # 0.01 Pa of noise over some 300 samples leave 0.6 mPa; the chip counts in 1/240 Pa.
        assert float(zero.text.removesuffix(" Pa")) == pytest.approx(0.04, abs=0.003)


def test_a_hood_without_taps_has_no_zero(tmp_path: Path) -> None:
    hold = Hold((Plateau(40.0, 30, Fluctuation("ou", 0.03, 0.5)),))
    data, _ = make_trace(Spec((Free(6, "still"), hold, Free(4, "still"))), 3)
    assert [m for m in kept_of(tmp_path, data, Hood(has_taps=False)).marks if m.kind == "zero"] == []


def test_marks_are_there_before_the_holds_are(tmp_path: Path) -> None:
    board = Board("00000001")
    board.samples(101)
    board.says("button", press="short")
    board.samples(101)
    (tmp_path / "01.trace").write_bytes(board.data)
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    early: list[Mark] = []
    keep(tmp_path / "01.trace", *read_hood(tmp_path / "hood.toml"), lambda kept: early.extend(kept.marks))
    assert [(m.kind, m.text) for m in early] == [("press", "short")]


# ---- cues in the trace


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_a_cue_that_goes_out_is_noted_and_other_commands_are_not(tmp_path: Path) -> None:
    board = ScriptedBoard(tmp_path / "board")
    path = tmp_path / "a.trace"
    decoded: list[Decoded] = []
    with board.living():
        recorder: list[Recorder] = []
        asked: list[int] = []

        def listen(block: Decoded) -> None:
            decoded.append(block)
            n = recorder[0].status.n_samples
            if n > 50 and not asked:
                asked.append(n)
                recorder[0].say("cue turn-more")
                recorder[0].say("identity")
                recorder[0].say("cue done")
            if n > 200:
                recorder[0].stop()

        clock = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
        recorder.append(
            Recorder(open_board(str(board.port)), TraceWriter(path), clock=lambda t: clock, on_decoded=listen)
        )
        recorder[0].run(30.0)
    wait_for(lambda: "cue done" in board.commands, "the cue")
    lines = good_lines(path.read_bytes())
    assert [c for c in board.commands if c.startswith(("cue", "ident"))] == ["cue turn-more", "identity", "cue done"]
    last, cues = (0, 0), []
    for kind, seq, t_us, body, _ in lines:
        if kind == "H" and json.loads(body)["kind"] == "cue":
            cues.append(json.loads(body)["cue"])
            assert (seq, t_us) == last
        last = (seq, t_us) if kind in "SJ" else last
    assert cues == ["turn-more", "done"]
    # Live had the same bytes: the decoder was given the notes, too.
    assert [m.body["cue"] for block in decoded for m in block.messages if m.body.get("kind") == "cue"] == cues


def test_cue_notes_change_no_reading(tmp_path: Path) -> None:
    hold = Hold((Plateau(40.0, 30, Fluctuation("ou", 0.03, 0.5)),))
    data, _ = make_trace(Spec((Free(6, "still"), hold, Free(4, "still"))), 3)
    noted = []
    for text in data.splitlines(keepends=True):
        noted.append(text)
        if text.startswith(b"S") and len(noted) % 97 == 0:
            noted.append(spoken("H", int(text[2:9], 16), int(text[10:24], 16), '{"kind":"cue","cue":"steady"}'))
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    hood, _ = read_hood(tmp_path / "hood.toml")

    def read(trace: bytes, patience_s: float | None) -> list[str]:
        session = Session(hood, patience_s)
        return [repr(o) for o in session.feed(trace) + session.finish()]

    assert len(noted) > len(data.splitlines()) + 10
    assert read(b"".join(noted), None) == read(data, None) != []
    assert read(b"".join(noted), 60.0) == read(data, 60.0)
