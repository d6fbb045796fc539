"""`hoodtrace backpressure` on traces of the second generator, and guided with the real firmware."""

from __future__ import annotations

import json
import os
from math import sqrt
from pathlib import Path
from typing import Any

import pytest
import typer

from hoodtrace.board.air_motion import Hold as BoardHold
from hoodtrace.board.air_motion import Rest
from hoodtrace.board.scenario import demo_hood_toml, demo_scenario
from hoodtrace.board.virtual import VirtualBoard
from hoodtrace.board.world import Scenario, write_world
from hoodtrace.cli.backpressure import backpressure
from hoodtrace.errors import MeasurementError, UsageError
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, TrueHood, hood_toml, make_trace
from worlds.second_air import moist_density_kg_m3

HOOD = Hood(u_k_rel=0.02, reference_pressure_pa=None)
AIR = Fluctuation("ou", 0.03, 0.5)
FREE_M3H, BRANCH_PA = 75.0, 40.0


def hood_k() -> float:
    """The hood's resistance by its taps, Pa per (m3/h)^2."""
    return moist_density_kg_m3(20.0, 50.0, 101325.0) / 2 / (HOOD.c * HOOD.area_m2 * 3600) ** 2


def with_hood_m3h(times: float) -> float:
    """q of P0 (1 - (q/q0)^2) = times K q^2."""
    return sqrt(BRANCH_PA / (times * hood_k() + BRANCH_PA / FREE_M3H**2))


def holds_at(flows_m3h: list[float], seed: int, c_factor: float = 1.0) -> bytes:
    """A trace of one hold a flow; `c_factor` makes the taps feel 1/c_factor^2 times the pressure."""
    scenes: list[Hold | Free] = [Free(6, "hang")]
    for flow in flows_m3h:
        scenes += [Hold((Plateau(flow, 45, AIR),)), Free(6, "hang")]
    spec = Spec(tuple(scenes), HOOD, TrueHood(c_factor=c_factor), temp_c=20.0, rh_pct=50.0, pressure_pa=101325.0)
    return make_trace(spec, seed)[0]


@pytest.fixture
def hood_file(tmp_path: Path) -> Path:
    path = tmp_path / "hood.toml"
    path.write_text(hood_toml(HOOD) + "\n[placement]\nu_rel = 0.005\n")
    return path


def run(*words: object) -> None:
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(backpressure)
    app([str(word) for word in words], standalone_mode=False)


def answer(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    run(*words, "--format", "json")
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def test_taps_open_to_the_room(tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trace = tmp_path / "a.trace"
    times = (1.0, 3.0, 6.0)
    # A new boot of the board for each: what the restriction adds is felt by the taps, as it would be with an open port.
    parts = [holds_at([with_hood_m3h(t)], 10 + i, 1 / sqrt(t)) for i, t in enumerate(times)]
    trace.write_bytes(b"".join(parts))
    found = answer(
        capsys, trace, "--hood", hood_file, "--open", "1.1", "--restricted", "2.1", "--restricted", "3",
        "--branch-pa", BRANCH_PA, "--u-branch-pa", 5,
    )  # fmt: skip
    assert found["taps_feel"] == "room"
    assert [o["times"] for o in found["openings"]] == pytest.approx(times, rel=0.05)
    no_hood, guess = found["no_hood"], found["estimate"]
    assert no_hood["method"] == "two resistances"
    # What stays but for the common scale, which is exact here: three readings of about 1 %.
    assert no_hood["flow_m3h"] == pytest.approx(FREE_M3H, rel=0.02)
    assert abs(no_hood["flow_m3h"] - FREE_M3H) < no_hood["expanded_m3h"]
    assert no_hood["branch_pa"] == pytest.approx(BRANCH_PA, abs=2.6 * no_hood["u_branch_pa"])
    assert guess["method"] == "estimate"
    assert abs(guess["flow_m3h"] - FREE_M3H) < guess["expanded_m3h"]
    assert found["with_hood"]["flow_m3h"] == pytest.approx(with_hood_m3h(1.0), rel=0.02)
    assert found["refused"] is None


def test_both_flows_are_labelled(tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([with_hood_m3h(1.0), with_hood_m3h(5.0)], 3))
    run(trace, "--hood", hood_file, "--open", "1.1", "--restricted", "2.1", "--times", 5, "--branch-pa", 50)
    out = capsys.readouterr().out
    for words in ("with the hood on", "with no hood ", "with no hood (estimate)", "hood's own law"):
        assert words in out


def test_stated_pressure_that_can_not_be(tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([with_hood_m3h(1.0), with_hood_m3h(5.0)], 3))
    words = (trace, "--hood", hood_file, "--open", "1.1", "--branch-pa", 4.0)
    found = answer(capsys, *words, "--restricted", "2.1", "--times", 5)
    assert found["estimate"] is None
    assert found["no_hood"]["branch_pa"] > 30.0
    assert "no estimate" in found["cautions"][0]
    with pytest.raises(MeasurementError, match="do not fit together"):
        run(*words)


def test_taps_in_the_pipe(tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([with_hood_m3h(1.0), with_hood_m3h(5.0)], 4))
    words = (trace, "--hood", hood_file, "--open", "1.1", "--restricted", "2.1")
    with pytest.raises(MeasurementError, match="taps feel the flow"):
        run(*words)
    assert "with the hood on" in capsys.readouterr().out
    found = answer(capsys, *words, "--times", 5)
    assert found["taps_feel"] == "flow"
    assert abs(found["ratio_change"][0]) < 0.02
    assert abs(found["no_hood"]["flow_m3h"] - FREE_M3H) < found["no_hood"]["expanded_m3h"]
    assert found["no_hood"]["flow_m3h"] == pytest.approx(FREE_M3H, rel=0.025)
    wide = answer(capsys, *words, "--times", 5, "--u-times-rel", 0.3)
    assert wide["no_hood"]["expanded_m3h"] > found["no_hood"]["expanded_m3h"]


def test_fan_that_holds_the_flow_ends_with_its_reason(
    tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([60.0], 5) + holds_at([60.0], 6, 1 / sqrt(8.0)))
    words = (trace, "--hood", hood_file, "--open", "1.1", "--restricted", "2.1", "--format", "json")
    with pytest.raises(
        MeasurementError, match="the fan holds this flow: no correction is needed and none can be found"
    ):
        run(*words)
    found = json.loads(capsys.readouterr().out)
    assert found["refused"]["reason"] == "held"
    assert found["no_hood"] is None
    assert found["with_hood"]["flow_m3h"] == pytest.approx(60.0, rel=0.03)


def test_stack_gives_an_estimate_and_the_warning(
    tmp_path: Path, hood_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([30.0], 7))
    found = answer(
        capsys, trace, "--hood", hood_file, "--open", "1.1", "--stack-m", 5, "--outside-c", 0, "--inside-c", 20
    )
    assert found["no_hood"] is None
    assert found["estimate"]["branch_pa"] == pytest.approx(4.323, abs=0.001)  # seen: check value of the stack
    assert found["estimate"]["flow_m3h"] > found["with_hood"]["flow_m3h"]
    assert "natural ventilation" in found["cautions"][0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--open", "9.1", "--branch-pa", "50"], "no reading 9.1"),
        (["--open", "1.1"], "--restricted"),
        (["--open", "1.1", "--branch-pa", "-5"], "pascals over 0"),
        (["--open", "1.1", "--stack-m", "5"], "--outside-c"),
        (["--open", "1.1", "--stack-m", "5", "--outside-c", "30"], "warmer inside"),
        (["--open", "1.1", "--restricted", "1.1", "--times", "0.5"], "--times is over 1"),
        (["--open", "1.1", "--branch-pa", "50", "--port", "x"], "not both"),
    ],
)
def test_words_that_are_off(tmp_path: Path, hood_file: Path, words: list[str], says: str) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(holds_at([40.0], 8))
    with pytest.raises(UsageError, match=says):
        run(trace, "--hood", hood_file, *words)


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_guided(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hood = tmp_path / "hood.toml"
    hood.write_text(demo_hood_toml())
    steps = [Rest(12.0)]
    for flow in (60.0, 60.0, 40.0):
        steps += [BoardHold("E", "supply", flow, 25.0), Rest(12.0)]
    visit = demo_scenario(4)
    write_world(Scenario(visit.hood, tuple(steps), visit.room), tmp_path / "world", 4)
    trace = tmp_path / "new.trace"
    with VirtualBoard(tmp_path / "world", "fast", "pty", boot_seed=1) as board, pytest.raises(MeasurementError) as why:
        run("--port", board.port, "--hood", hood, "--out", trace, "--n-restricted", 2)
    said = capsys.readouterr()
    # The board's house knows no restriction: its taps feel the flow alone.
    assert "taps feel the flow" in str(why.value)
    assert "with the hood on" in said.out
    assert "firm ladder" in said.err
    assert "take the restriction off" in " ".join(said.err.split())
    assert said.err.count("Now restrict the outlet") == 2
    found = answer(capsys, trace, "--hood", hood, "--open", "1.1", "--restricted", "3.1", "--times", 6)
    assert [o["reading"] for o in found["openings"]] == ["1.1", "3.1"]
    with pytest.raises(UsageError, match="is there already"):
        run("--port", "none", "--hood", hood, "--out", trace)
