"""`hoodtrace hood` as a person and as a program call it: text in 80 columns, JSON, exit codes, messages.

The command runs in a process of its own. Traces come from the second world, which shares no code with the package.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from worlds.second import Hood, carrying, hood_toml, make_trace, one_hold

# The command line's own entry, with the command added where it is not registered under this name.
MAIN = """
from hoodtrace.cli import app
from hoodtrace.cli.hood_describe import describe
names = {command.name or command.callback.__name__ for command in app.app.registered_commands}
if "hood" not in names:
    app.app.command("hood")(describe)
app.main()
"""
PLAN = ("--bore-mm", "100", "--flows", "15,30,60")


def run(*words: object, columns: int = 80) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "hood", *map(str, words)],
        capture_output=True, text=True, timeout=60, check=False, env=os.environ | {"COLUMNS": str(columns)},
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done


def found(*words: object) -> dict[str, Any]:
    def refuse(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    done = run(*words, "--format", "json")
    assert done.returncode == 0, done.stderr
    content = json.loads(done.stdout, parse_constant=refuse)
    assert isinstance(content, dict)
    return content


def topics(content: dict[str, Any]) -> list[str]:
    for warning in content["warnings"]:
        assert set(warning) == {"topic", "value", "limit", "unit", "text", "reason", "source"}
        assert warning["reason"]
        assert warning["source"]
    return [warning["topic"] for warning in content["warnings"]]


@pytest.fixture(scope="module")
def hood(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hood") / "hood.toml"
    path.write_text(hood_toml(Hood()), encoding="utf-8")
    return path


@pytest.mark.parametrize("columns", [80, 200])
def test_text_keeps_to_80_columns_and_says_all(hood: Path, columns: int) -> None:
    for words in (
        PLAN,
        (*PLAN, "--natural", "--stack-m", 5, "--outside-c", 0, "--inside-c", 20),
        (hood, "--flows", "15,110"),
    ):
        done = run(*words, columns=columns)
        assert done.returncode == 0, done.stderr
        assert max(map(len, done.stdout.splitlines())) <= 80
        assert "safe" not in done.stdout.lower()
        content = found(*words)
        flat = " ".join(done.stdout.split())
        for warning in content["warnings"]:
            assert " ".join(warning["text"].split()) in flat
            assert warning["source"] in flat
        for gap in content["missing"]:
            assert gap["key"] in flat


def test_a_planned_hood_has_the_worked_figures() -> None:
    """30 m3/h in 100 mm: Re 7017, 1.061 m/s (worked figures of a table; arithmetic)."""
    content = found(*PLAN, "--gain-m-s-per-hz", 0.05)
    assert content["hood"] is None
    assert [row["flow_m3h"] for row in content["flows"]] == pytest.approx([15.0, 30.0, 60.0])
    row = content["flows"][1]
    assert row["reynolds"] == pytest.approx(7017, abs=1.5)
    assert row["speed_m_s"] == pytest.approx(1.061, abs=5e-4)
    assert row["edge_hz"] == pytest.approx(1.061 / 0.05, rel=1e-3)
    assert row["lost_rel"] is None
    assert content["bore"] is None
    assert [loss["name"] for loss in content["losses"]] == ["entry", "straightener", "vane", "wall", "exit"]
    assert all(loss["source"] for loss in content["losses"])


def test_a_share_of_the_branch_gives_a_bore() -> None:
    content = found("--bore-mm", 100, "--flows", "40,60", "--branch-pa", 100)
    assert content["limit_pa"] == pytest.approx(2.0)
    assert content["bore"]["advised_mm"] in (75, 80, 90, 100, 110, 125, 150, 160, 200)
    assert content["bore"]["least_mm"] <= content["bore"]["advised_mm"] <= content["bore"]["most_mm"]
    assert found("--bore-mm", 100, "--flows", "40,60", "--branch-pa", 100, "--most-share", 0.1)["limit_pa"] == 10.0


def test_natural_ventilation_allows_a_fifth_of_a_pascal() -> None:
    """5 m, 0 and 20 C: 4.32 Pa (worked figure, arithmetic)."""
    content = found(*PLAN, "--natural", "--stack-m", 5, "--outside-c", 0, "--inside-c", 20)
    assert content["limit_pa"] == 0.2
    assert content["available_pa"] == pytest.approx(4.32, abs=0.005)
    assert content["bore"]["least_mm"] > content["bore"]["most_mm"]
    assert "back pressure" in topics(content)
    done = run(*PLAN, "--natural")
    assert "Both can't be had" in done.stdout
    for key in ("least_mm", "most_mm"):
        assert f"{content['bore'][key]:.0f} mm" in done.stdout


def test_a_hood_file_is_described(hood: Path) -> None:
    content = found(hood, "--flows", "30")
    assert content["plan"] is None
    assert content["hood"]["pipe"]["bore_mm"] == Hood().bore_mm
    assert "calibration" in [gap["key"] for gap in content["missing"]]
    done = run(hood)
    assert done.returncode == 0
    assert f"bore {Hood().bore_mm:g} mm" in done.stdout


def test_the_extra_tables_of_a_calibrated_hood(hood: Path, tmp_path: Path) -> None:
    path = tmp_path / "hood.toml"
    more = '\n[calibration]\ndate = 2001-01-01\ndue = 2002-01-01\nmethod = "timed bag"\nmade_by = "the user"\n'
    path.write_text(hood.read_text(encoding="utf-8") + more, encoding="utf-8")
    content = found(path)
    assert topics(content) == ["calibration overdue"]
    assert content["hood"]["calibration"]["due"] == "2002-01-01"
    assert "2002-01-01" in run(path).stdout
    path.write_text(path.read_text(encoding="utf-8").replace("due = 2002", "due = 2999"), encoding="utf-8")
    assert topics(found(path)) == []


def test_a_hood_file_in_centimetres(hood: Path, tmp_path: Path) -> None:
    """10.4 in place of 104 mm is asked back; 0.104 is refused by the hood file's own bounds."""
    path = tmp_path / "hood.toml"
    words = hood.read_text(encoding="utf-8")
    line = next(line for line in words.splitlines() if line.startswith("bore_mm"))
    path.write_text(words.replace(line, "bore_mm = 10.4"), encoding="utf-8")
    content = found(path)
    assert topics(content) == ["bore in cm?"]
    assert "104" in content["warnings"][0]["text"]
    path.write_text(words.replace(line, "bore_mm = 0.104"), encoding="utf-8")
    done = run(path)
    assert done.returncode == 4
    assert "pipe.bore_mm" in done.stderr


def test_every_warning_that_options_bring() -> None:
    content = found(
        "--bore-mm", 100, "--flows", "6,250", "--length-mm", 300, "--blade-mm", 94, "--turbulence-rel", 0.2,
        "--no-straightener", "--tube-mm", "500,500,500,1000", "--tube-bore-mm", 2, "--branch-pa", 30, "--chip-pa", 50,
    )  # fmt: skip
    assert set(topics(content)) == {
        "flows in L/s?", "vane too slow", "too fast for the chip", "taps too weak", "back pressure", "pipe length",
        "bore and blade", "no straightener", "turbulence", "unequal taps", "tubes too narrow",
    }  # fmt: skip
    assert content["tubes"]["weights"] == pytest.approx([0.2857, 0.2857, 0.2857, 0.1429], abs=5e-5)


@pytest.mark.parametrize(("rms_rel", "warns"), [(0.05, False), (0.30, True)])
def test_turbulence_comes_from_the_readings_of_a_trace(hood: Path, tmp_path: Path, rms_rel: float, warns: bool) -> None:
    """Air of 30 % (known to the generator) is over the threshold of 15 %, air of 5 % is not."""
    path = tmp_path / "a.trace"
    path.write_bytes(make_trace(one_hold(60.0, 60.0, tau_s=0.6, fluctuation_rel=rms_rel), 5)[0])
    content = found(hood, "--trace", path)
    assert content["turbulence_rel"] == pytest.approx(rms_rel, rel=0.35)
    assert ("turbulence" in topics(content)) == warns


def test_a_trace_without_a_reading_says_nothing_of_turbulence(hood: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.trace"
    path.write_bytes(make_trace(carrying(20.0), 6)[0])
    content = found(hood, "--trace", path)
    assert content["turbulence_rel"] is None
    assert any("holds no reading" in note for note in content["notes"])


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("--bore-mm", "0.1", "--flows", "15"), 2, "If that was m, give 100"),
        (("--bore-mm", "10", "--flows", "15"), 2, "If that was cm, give 100"),
        (("--bore-mm", "nan", "--flows", "15"), 2, "--bore-mm nan"),
        (("--bore-mm", "100", "--length-mm", "20", "--flows", "15"), 2, "If that was cm, give 200"),
        (("--bore-mm", "100", "--flows", "-15,30"), 2, "--flows -15"),
        (("--bore-mm", "100", "--flows", "0"), 2, "--flows 0"),
        (("--bore-mm", "100", "--flows", "0.01"), 2, "If that was m3/s, give 36"),
        (("--bore-mm", "100", "--flows", "15;30"), 2, "commas"),
        (("--bore-mm", "100"), 2, "--flows"),
        ((), 2, "Give a hood file"),
        (("no such.toml",), 4, "no such.toml"),
        ((*PLAN, "--most-share", "2"), 2, "If that was percent, give 0.02"),
        ((*PLAN, "--turbulence-rel", "15"), 2, "If that was percent, give 0.15"),
        ((*PLAN, "--natural", "--branch-pa", "30"), 2, "exclude"),
        ((*PLAN, "--stack-m", "5"), 2, "go together"),
        ((*PLAN, "--natural", "--stack-m", "5", "--inside-c", "20"), 2, "go together"),
        ((*PLAN, "--stack-m", "5", "--outside-c", "0", "--inside-c", "20"), 2, "with --natural"),
        ((*PLAN, "--natural", "--stack-m", "5", "--outside-c", "25", "--inside-c", "20"), 2, "not colder"),
        ((*PLAN, "--tube-mm", "500,500"), 2, "go together"),
        ((*PLAN, "--trace", "a.trace"), 2, "needs the hood file"),
        ((*PLAN, "--branch-pa", "-30"), 2, "--branch-pa -30"),
    ],
)
def test_bad_words_are_refused_with_what_to_do(words: tuple[str, ...], code: int, says: str) -> None:
    done = run(*words, "--format", "json")
    assert done.returncode == code
    assert says in done.stderr
    assert done.stdout == ""


def test_options_of_a_plan_beside_a_hood_file(hood: Path) -> None:
    done = run(hood, "--bore-mm", 100)
    assert done.returncode == 2
    assert "--bore-mm: the hood file says that" in done.stderr


def test_as_many_tubes_as_taps(hood: Path) -> None:
    done = run(hood, "--tube-mm", "500,500,500", "--tube-bore-mm", 4)
    assert done.returncode == 2
    assert "3 lengths for the hood's 4 taps" in done.stderr
