"""The hood's health over folders of traces, and the two guided checks: on traces that are there, and with a board.

Traces come from the second world, which shares no code with the package; the board is the real firmware.
"""

from __future__ import annotations

import json
import math
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pytest

from hoodtrace.board.air_motion import Hold as SimulatedHold
from hoodtrace.board.scenario import demo_hood_toml, demo_scenario
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.board.world import write_world
from hoodtrace.cli.hood_checks import placement_check, zero_check
from hoodtrace.cli.hood_history import history
from hoodtrace.errors import HoodError, MeasurementError, TraceError, UsageError, VisitError
from hoodtrace.physics.hood import read_hood
from steady_world import write_steady_world
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, TrueHood, hood_toml, make_trace

AIR = Fluctuation("ou", 0.05, 0.6)
FLOWS = (25.0, 40.0, 75.0, 55.0)
OUT = pytest.CaptureFixture[str]


def dated(trace: bytes, day: str) -> bytes:
    """The trace with another day in its notes; without a day, without notes."""
    lines = []
    for text in trace.split(b"\n"):
        if text.startswith(b"H "):
            head = text[:-9].replace(b"2030-01-01", day.encode())
            text = head + b" %08x" % crc32(head)
            if not day:
                continue
        lines.append(text)
    return b"\n".join(lines)


def note(fields: dict[str, Any]) -> bytes:
    head = b"H 0000000 00000000000000 " + json.dumps(fields).encode()
    return head + b" %08x\n" % crc32(head)


def made(seed: int, day: str, k: float = 1.0, flows: tuple[float, ...] = FLOWS, air: Fluctuation = AIR) -> bytes:
    scenes: list[Free | Hold] = []
    for flow in flows:
        scenes += [Free(4, "still"), Free(3, "carry"), Free(4, "hang"), Hold((Plateau(flow, 18.0, air),))]
    spec = Spec((*scenes, Free(4, "still")), errors=TrueHood(k_factor=k))
    return dated(make_trace(spec, seed)[0], day)


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five sound visits a week apart, then two whose vane reads 6 % less; each a visit folder."""
    folder = tmp_path_factory.mktemp("visits")
    for number in range(7):
        home = folder / f"house {number}"
        (home / "traces").mkdir(parents=True)
        (home / "hood.toml").write_text(hood_toml(Hood()))
        day = str(np.datetime64("2030-01-29") + 7 * number)
        (home / "traces" / "a.trace").write_bytes(made(number, day, 1.0 if number < 5 else 1.0 / 0.94))
    return folder


def asked(capsys: OUT, folder: Path, hood: Path | None = None) -> dict[str, Any]:
    history(folder, hood, "json")

    def refuse(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    found = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def test_a_drag_in_the_sixth_visit(visits: Path, capsys: OUT) -> None:
    found = asked(capsys, visits)
    assert [row["visit"] for row in found["visits"]] == [f"house {n}" for n in range(7)]
    assert [row["date"] for row in found["visits"]][:2] == ["2030-01-29", "2030-02-05"]
    alarms = [row["ratio"]["supply"]["alarm"] for row in found["visits"]]
    assert alarms == [False] * 5 + [True, True]
    assert {sign["visit"] for sign in found["signs"]} == {"house 5", "house 6"}
    assert {sign["kind"] for sign in found["signs"]} <= {"drag", "fouling"}
    last = found["visits"][-1]
    assert last["ratio"]["supply"]["mean"] == pytest.approx(0.94, abs=0.012)
    assert len(last["readings"]) == len(FLOWS)
    assert last["readings"][0]["ratio"] == pytest.approx(0.94, abs=0.03)
    assert 0.0 < last["readings"][0]["u_ratio"] < 0.02
    assert last["zero"]["mean_pa"] == pytest.approx(0.0, abs=0.02)
    assert found["notes"] == []


def test_the_text_fits_80_columns_and_names_the_cause(visits: Path, capsys: OUT) -> None:
    history(visits, None)
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert "against the taps than it used to" in text
    drawn = [line for line in text.splitlines() if line.startswith("house 5")]
    assert "!" in drawn[0]
    assert "x" in drawn[1]
    assert "safe" not in text


def test_traces_in_one_folder_are_grouped_by_day(tmp_path: Path, capsys: OUT) -> None:
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()))
    for name, day, seed in (("b", "2030-03-02", 1), ("a", "2030-03-09", 2), ("c", "2030-03-02", 3), ("d", "", 4)):
        (tmp_path / f"{name}.trace").write_bytes(made(seed, day, flows=FLOWS[:2]))
    found = asked(capsys, tmp_path)
    rows = [(row["visit"], row["date"], [r["name"] for r in row["readings"]]) for row in found["visits"]]
    assert rows == [
        ("2030-03-02", "2030-03-02", ["b 1.1", "b 2.1", "c 1.1", "c 2.1"]),
        ("2030-03-09", "2030-03-09", ["1.1", "2.1"]),
        ("d", None, ["1.1", "2.1"]),
    ]
    assert any("no day in the notes of d" in words for words in found["notes"])


def test_what_can_not_be_used_is_said_and_the_rest_goes_on(visits: Path, tmp_path: Path, capsys: OUT) -> None:
    for number in range(2):
        (tmp_path / f"v{number}.trace").write_bytes((visits / f"house {number}" / "traces" / "a.trace").read_bytes())
    whole = (tmp_path / "v0.trace").read_bytes()
    (tmp_path / "noise.trace").write_bytes(b"no trace\n" * 50)
    (tmp_path / "empty.trace").write_bytes(b"")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "hood.toml").write_text(hood_toml(replace(Hood(), bore_mm=125.0), "wide hood"))
    (tmp_path / "other" / "x.trace").write_bytes(whole)
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "hood.toml").write_text("name = 3")
    # Cut in the middle of a line, with noise inside: read up to there.
    (tmp_path / "broken" / "cut.trace").write_bytes(whole[:5000] + b"\xff\x00" * 40 + whole[5000 : len(whole) // 2])
    hood = tmp_path / "hood.toml"
    hood.write_text(hood_toml(Hood()))
    found = asked(capsys, tmp_path, hood)
    notes = " ".join(found["notes"])
    assert "noise.trace: holds no good line" in notes
    assert "empty.trace: holds no good line" in notes
    assert 'different hoods are mixed: 1 trace(s) of the hood "wide hood", bore 125 mm' in notes
    assert [row["visit"] for row in found["visits"]] == ["2030-01-29", "broken", "2030-02-05"]
    assert 1 <= len(found["visits"][1]["readings"]) < len(FLOWS)


def test_the_newest_hood_file_reads_them_all(visits: Path, tmp_path: Path, capsys: OUT) -> None:
    for number, k in ((0, 0.93), (1, 0.90)):
        home = tmp_path / f"v{1 - number}"
        home.mkdir()
        (home / "a.trace").write_bytes((visits / f"house {number}" / "traces" / "a.trace").read_bytes())
        (home / "hood.toml").write_text(hood_toml(Hood(k=k)))
    found = asked(capsys, tmp_path)
    assert found["hood"]["file"] == str(tmp_path / "v0" / "hood.toml")
    assert "hood files of the visits differ" in found["notes"][0]
    assert found["visits"][0]["ratio"]["supply"]["mean"] == pytest.approx(0.90 / 0.93, abs=0.012)


def test_before_the_calibration_nothing_is_charted(visits: Path, tmp_path: Path, capsys: OUT) -> None:
    hood = tmp_path / "hood.toml"
    hood.write_text(
        hood_toml(Hood()) + "\n[calibration]\ndate = 2030-02-12\ndue = 2031-02-12\nmethod = 'bag'\nmade_by = 'me'\n"
    )
    found = asked(capsys, visits, hood)
    assert [bool(row["ratio"]) for row in found["visits"]] == [False, False, True, True, True, True, True]
    assert "before the calibration of 2030-02-12, so not charted: house 0, house 1" in found["notes"]


def test_one_visit_and_one_channel(visits: Path, tmp_path: Path, capsys: OUT) -> None:
    hood = tmp_path / "hood.toml"
    hood.write_text(hood_toml(Hood(has_taps=False)))
    found = asked(capsys, visits / "house 0", hood)
    notes = " ".join(found["notes"])
    assert "one visit only" in notes
    assert "no [taps]: there is no ratio" in notes
    assert found["visits"][0]["verdict"] == "no ratio to judge"
    assert found["visits"][0]["zero"] is None
    history(visits / "house 0", hood)
    assert "one channel only" in capsys.readouterr().out


def test_folders_that_can_not_serve(visits: Path, tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="no such folder"):
        history(tmp_path / "none", None)
    with pytest.raises(VisitError, match=r"holds no \*\.trace"):
        history(tmp_path, None)
    (tmp_path / "a.trace").write_bytes(b"x\n")
    with pytest.raises(VisitError, match=r"no hood\.toml lies beside"):
        history(tmp_path, None)
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()))
    with pytest.raises(VisitError, match="none of the traces"):
        history(tmp_path, None)
    with pytest.raises(HoodError):
        history(visits, tmp_path / "missing.toml")


# ---- the checks, on traces


@pytest.fixture
def hood(tmp_path: Path) -> Path:
    path = tmp_path / "hood.toml"
    path.write_text("# my hood\n" + hood_toml(Hood()))
    return path


def repeats(path: Path, flows: tuple[float, ...], air: Fluctuation = AIR) -> Path:
    path.write_bytes(made(8, "2030-01-01", flows=flows, air=air))
    return path


def test_placements_on_a_trace(hood: Path, tmp_path: Path, capsys: OUT) -> None:
    """By hand: the standard deviation of 49, 51, 49, 51, 50 is 1, so 2 %.

    Calm air, 1 % at 0.6 s of correlation, leaves sqrt(2 * 0.6 / 16) * 1 % = 0.27 % in each hold of 16 s: four of that
    on a flow, and on the deviation of five (one over sqrt 8 of it) three.
    """
    trace = repeats(tmp_path / "a.trace", (49.0, 51.0, 49.0, 51.0, 50.0), replace(AIR, rms_rel=0.01))
    placement_check(hood, trace=trace, holds="1.1,2.1,3.1,4,5", write=True, output="json")
    found = json.loads(capsys.readouterr().out)
    one = found["placement"]
    assert one["flows_m3h"] == pytest.approx([49.0, 51.0, 49.0, 51.0, 50.0], rel=0.011)
    assert one["estimate_rel"] == pytest.approx(0.02, abs=0.003)
    assert one["low_rel"] < 0.02 < one["high_rel"]
    assert found["written"]
    kept = read_hood(hood)[0].placement
    assert kept is not None
    assert kept.u_rel == pytest.approx(one["u_rel"], rel=0.005)
    assert kept.dof == 4.0
    assert hood.read_text().startswith("# my hood\n")
    placement_check(hood, trace=trace, holds="1,2,3,4", write=True)
    assert "pooled with the hood file's" in capsys.readouterr().out
    again = read_hood(hood)[0].placement
    assert again is not None
    assert again.dof == 7.0


def test_a_leak_is_said_and_nothing_written(hood: Path, tmp_path: Path) -> None:
    hood.write_text(hood.read_text() + "\n[placement]\nu_rel = 0.01\ndof = 12.0\n")
    before = hood.read_bytes()
    trace = repeats(tmp_path / "a.trace", (40.0, 50.0, 38.0, 48.0))
    with pytest.raises(MeasurementError, match="look at the seal"):
        placement_check(hood, trace=trace, holds="1,2,3,4", write=True)
    assert hood.read_bytes() == before


def test_repeats_that_a_note_names_are_in_the_history(hood: Path, tmp_path: Path, capsys: OUT) -> None:
    hood.write_text(hood.read_text() + "\n[placement]\nu_rel = 0.01\ndof = 12.0\n")
    trace = repeats(tmp_path / "a.trace", (40.0, 50.0, 38.0, 48.0))
    found = asked(capsys, tmp_path)
    assert found["visits"][0]["placement"] is None  # nobody said that they were repeats
    trace.write_bytes(trace.read_bytes() + note({"kind": "repeats", "holds": ["1.1", "2.1", "3.1", "4.1"]}))
    found = asked(capsys, tmp_path)
    assert found["visits"][0]["placement"]["n_readings"] == 4
    assert [sign["kind"] for sign in found["signs"]] == ["leaking seal"]


def test_holds_that_are_no_repeats(hood: Path, tmp_path: Path) -> None:
    trace = repeats(tmp_path / "a.trace", (30.0, 31.0, 30.0, 60.0))
    with pytest.raises(MeasurementError, match="no repeats of one terminal"):
        placement_check(hood, trace=trace, holds="1,2,3,4")
    with pytest.raises(MeasurementError, match="3 placement"):
        placement_check(hood, trace=trace, holds="1,2,3")
    for holds in ("1,2,3,9", "1,1,2,3"):
        with pytest.raises(UsageError, match=r"1\.1, 2\.1, 3\.1, 4\.1"):
            placement_check(hood, trace=trace, holds=holds)
    with pytest.raises(UsageError, match="go together"):
        placement_check(hood, trace=trace)
    with pytest.raises(UsageError, match="too few"):
        placement_check(hood, n=3)


def bridged(path: Path, zero_pa: float, noise_pa: float = 0.03, drift_pa: float = 0.0) -> Path:
    spec = Spec((Free(30, "still"),), hood=Hood(zero_pa=zero_pa), noise_pa=noise_pa, drift_pa=drift_pa)
    path.write_bytes(make_trace(spec, 12)[0])
    return path


def test_a_zero_on_a_trace(hood: Path, tmp_path: Path, capsys: OUT) -> None:
    """1000 readings with 0.03 Pa of noise leave 0.001 Pa; the room's still air in that world adds as much."""
    zero_check(hood, trace=bridged(tmp_path / "a.trace", 0.02), output="json")
    found = json.loads(capsys.readouterr().out)
    assert found["zero"]["zero_pa"] == pytest.approx(0.02, abs=0.004)
    assert found["zero"]["noise_pa"] == pytest.approx(0.03, rel=0.1)
    assert found["zero"]["seconds"] == pytest.approx(20.0, abs=0.1)
    assert found["zero"]["agrees"]
    assert not found["written"]
    zero_check(hood, trace=bridged(tmp_path / "b.trace", 0.12), window="2..20", write=True)
    assert re.search(r"moved by \+0\.1[12]\d Pa", capsys.readouterr().out)
    taps = read_hood(hood)[0].taps
    assert taps is not None
    assert taps.zero_pa == pytest.approx(0.12, abs=0.004)
    assert taps.u_zero_pa == 0.02


def test_no_zero(hood: Path, tmp_path: Path) -> None:
    before = hood.read_bytes()
    with pytest.raises(MeasurementError, match="Bridge the two ports"):
        zero_check(hood, trace=bridged(tmp_path / "far.trace", 0.9), write=True)
    with pytest.raises(MeasurementError, match="Bridge the two ports"):
        zero_check(hood, trace=bridged(tmp_path / "restless.trace", 0.0, noise_pa=0.3), write=True)
    short = tmp_path / "short.trace"
    short.write_bytes(make_trace(Spec((Free(6, "still"),)), 1)[0])
    with pytest.raises(TraceError, match="needs 10 s"):
        zero_check(hood, trace=short, write=True)
    with pytest.raises(UsageError, match="--window"):
        zero_check(hood, window="1..20")
    assert hood.read_bytes() == before
    hood.write_text(hood_toml(Hood(has_taps=False)))
    with pytest.raises(HoodError, match=r"no \[taps\]"):
        zero_check(hood, trace=short)


def test_a_drifting_zero_is_not_written(hood: Path, tmp_path: Path, capsys: OUT) -> None:
    """A ramp of 0.3 Pa over the trace's 30 s, put into its DP fields: 0.2 Pa in the 20 s that are looked at."""
    lines = bridged(tmp_path / "a.trace", 0.0).read_bytes().split(b"\n")
    total = sum(text.startswith(b"S ") for text in lines)
    n = 0
    for i, text in enumerate(lines):
        if text.startswith(b"S "):
            raw = int(text[39:43], 16)
            raw = (raw + round(0.3 * 240 * (n / total - 0.5))) & 0xFFFF
            head = text[:39] + b"%04x" % raw + text[43:51]
            lines[i], n = head + b" %08x" % crc32(head), n + 1
    (tmp_path / "a.trace").write_bytes(b"\n".join(lines))
    before = hood.read_bytes()
    with pytest.raises(MeasurementError, match="drifts by"):
        zero_check(hood, trace=tmp_path / "a.trace", write=True, output="json")
    assert json.loads(capsys.readouterr().out)["zero"]["drift_pa"] == pytest.approx(0.2, abs=0.01)
    assert hood.read_bytes() == before


# ---- the checks, with a board


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_placements_with_a_board(tmp_path: Path, capsys: OUT) -> None:
    """The same simulated hold four times: real firmware, recorder, averaging, hood file."""
    hood = tmp_path / "hood.toml"
    hood.write_text(demo_hood_toml())
    scene = demo_scenario(4)
    steps = list(scene.steps)
    places = [i for i, step in enumerate(steps) if isinstance(step, SimulatedHold)]
    around = steps[places[0] - 1 : places[0] + 2] if places[0] else steps[:2]
    write_world(replace(scene, steps=(*steps[: places[0]], *around * 5, *steps[-1:])), tmp_path / "world", 4)
    out = tmp_path / "p.trace"
    with VirtualBoard(tmp_path / "world", "fast", "pty", boot_seed=1) as board:
        placement_check(hood, port=board.port, n=4, out=out, write=True, output="json")
    said = capsys.readouterr()
    assert "firm ladder" in said.err
    found = json.loads(said.out)
    assert found["written"]
    assert found["placement"]["n_readings"] == 4
    assert math.isfinite(found["placement"]["u_rel"])
    kept = read_hood(hood)[0].placement
    assert kept is not None
    assert asked(capsys, tmp_path, hood)["visits"][0]["placement"]["n_readings"] == 4
    with pytest.raises(UsageError, match="is there already"):
        placement_check(hood, port="none", out=out)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_a_zero_with_a_board(tmp_path: Path, capsys: OUT) -> None:
    """Two minutes of a world at rest whose chip reads 12 counts of 240 a pascal: 0.05 Pa."""
    hood = tmp_path / "hood.toml"
    hood.write_text(hood_toml(Hood()))
    folder = write_steady_world(tmp_path / "world", 12, 0)
    with VirtualBoard(folder, "real", "pty", boot_seed=7) as board:
        zero_check(hood, port=board.port, out=tmp_path / "z.trace", output="json")
    found = json.loads(capsys.readouterr().out)
    assert found["zero"]["zero_pa"] == pytest.approx(0.05, abs=1e-6)
    assert found["zero"]["moved_pa"] == pytest.approx(0.05, abs=1e-6)
    assert not found["zero"]["agrees"]
    assert (tmp_path / "z.trace").stat().st_size > 0
