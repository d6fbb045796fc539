"""`hoodtrace readings` as programs call it: exit codes, what stands on which stream, JSON, CSV and the table.

Contract: the installed command runs in a process of its own; traces come from the second world, which shares no code
with the package. Keys and exit codes are those of the fixed interface.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
from math import pi
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest

from worlds.second import Hood, Truth, carrying, hood_toml, make_trace, one_hold

COMMAND = Path(sys.executable).with_name("hoodtrace.exe" if sys.platform == "win32" else "hoodtrace")
TRACE_KEYS = {"file", "sha256", "duration_s", "lines", "bad_lines", "lost_samples", "boots"}
READING_KEYS = {
    "hold", "plateau", "hold_start_s", "hold_end_s", "start_s", "end_s", "used_s", "direction", "flow_m3h",
    "u_flow_m3h", "dof", "confidence", "expanded_m3h", "u_random_m3h", "expanded_random_m3h", "fluctuation_rel",
    "correlation_s", "vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h", "rejected", "flags",
}  # fmt: skip
REFUSED_KEYS = {"hold", "plateau", "start_s", "end_s", "direction", "why", "estimate_m3h"}


def run(*words: object) -> subprocess.CompletedProcess[str]:
    """The command's end, with what every end must keep to."""
    done = subprocess.run([COMMAND, *map(str, words)], capture_output=True, text=True, timeout=120, check=False)
    assert "Traceback" not in done.stderr
    if done.returncode:
        assert done.stderr.strip()
    return done


def strict(text: str) -> dict[str, Any]:
    """The JSON object in `text`; NaN and Infinity are no JSON."""

    def refuse(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    content = json.loads(text, parse_constant=refuse)
    assert isinstance(content, dict)
    return content


def empty_or_json(text: str) -> None:
    if text:
        strict(text)


def whole_line(kind: str, body: str) -> bytes:
    head = f"{kind} 0000001 00000000004e20 {body}".encode()
    return head + b" %08x\n" % crc32(head)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("readings")


@pytest.fixture(scope="module")
def hood(folder: Path) -> Path:
    path = folder / "hood.toml"
    path.write_text(hood_toml(Hood()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[Path, Truth]:
    """One hold of 30 s in calm air."""
    content, truth = make_trace(one_hold(60.0, 30.0, tau_s=0.5), 21)
    path = folder / "one hold.trace"
    path.write_bytes(content)
    return path, truth


def test_json_has_the_keys_and_the_truth(made: tuple[Path, Truth], hood: Path) -> None:
    path, truth = made
    done = run("readings", path, "--hood", hood, "--format", "json")
    assert done.returncode == 0
    found = strict(done.stdout)
    assert set(found) >= {"trace", "hood", "readings", "refused"}
    assert set(found["trace"]) >= TRACE_KEYS
    content = path.read_bytes()
    assert found["trace"]["file"] == path.name
    assert found["trace"]["sha256"] == hashlib.sha256(content).hexdigest()
    assert found["trace"]["lines"] == content.count(b"\n")
    assert (found["trace"]["bad_lines"], found["trace"]["lost_samples"], found["trace"]["boots"]) == (0, 0, 1)
    assert found["trace"]["duration_s"] == pytest.approx(truth.duration_s, abs=0.02)
    assert found["hood"]["name"]
    assert found["hood"]["sha256"] == hashlib.sha256(hood.read_bytes()).hexdigest()
    (reading,) = found["readings"]
    assert set(reading) >= READING_KEYS
    assert (reading["hold"], reading["plateau"], reading["direction"]) == (1, 1, "supply")
    assert reading["confidence"] == 0.95
    # The hood's errors are nil in this trace: the truth lies well inside the interval.
    assert abs(reading["flow_m3h"] - truth.holds[0].plateaus[0].flow_m3h) < reading["expanded_m3h"]
    assert reading["hold_start_s"] <= reading["start_s"] < reading["end_s"] <= reading["hold_end_s"]
    assert 0 < reading["used_s"] <= reading["end_s"] - reading["start_s"] + 0.021
    assert 0 < reading["u_random_m3h"] <= reading["u_flow_m3h"] <= reading["expanded_m3h"]


def test_a_hold_cut_short_is_refused_with_its_estimate(folder: Path, hood: Path) -> None:
    path = folder / "short.trace"
    path.write_bytes(make_trace(one_hold(60.0, 8.0, tau_s=3.0, fluctuation_rel=0.1), 22)[0])
    done = run("readings", path, "--hood", hood, "--format", "json")
    assert done.returncode == 0
    found = strict(done.stdout)
    assert found["readings"] == []
    (refused,) = found["refused"]
    assert set(refused) >= REFUSED_KEYS
    assert refused["why"] == "too short"
    assert 30 < refused["estimate_m3h"] < 120


def test_no_hold_is_no_error(folder: Path, hood: Path) -> None:
    path = folder / "carried.trace"
    path.write_bytes(make_trace(carrying(20.0), 23)[0])
    done = run("readings", path, "--hood", hood, "--format", "json")
    assert done.returncode == 0
    assert strict(done.stdout)["readings"] == []


def test_one_channel_missing_is_null(made: tuple[Path, Truth], folder: Path) -> None:
    path = folder / "vane only.toml"
    path.write_text(hood_toml(Hood(has_taps=False)), encoding="utf-8")
    (reading,) = strict(run("readings", made[0], "--hood", path, "--format", "json").stdout)["readings"]
    assert reading["taps_m3h"] is None
    assert reading["u_taps_m3h"] is None
    assert reading["direction"] == "unknown"
    assert reading["flow_m3h"] > 0


def test_csv_is_a_row_a_reading(made: tuple[Path, Truth], hood: Path) -> None:
    done = run("readings", made[0], "--hood", hood, "--format", "csv")
    assert done.returncode == 0
    (row,) = csv.DictReader(io.StringIO(done.stdout))
    assert None not in row
    (reading,) = strict(run("readings", made[0], "--hood", hood, "--format", "json").stdout)["readings"]
    for key in READING_KEYS - {"rejected", "flags", "direction", "dof"}:
        assert float(row[key]) == reading[key]
    assert row["direction"] == "supply"
    assert row["why"] == ""


def test_the_table_shows_flow_and_interval(made: tuple[Path, Truth], hood: Path) -> None:
    done = run("readings", made[0], "--hood", hood)
    assert done.returncode == 0
    (reading,) = strict(run("readings", made[0], "--hood", hood, "--format", "json").stdout)["readings"]
    (line,) = (line for line in done.stdout.splitlines() if line.split()[:1] == ["1.1"])
    assert f"{reading['flow_m3h']:.1f}" in line
    assert f"{reading['expanded_m3h']:.1f}" in line


CALIBRATED = """
[vane]
offset_m_s = {hood.offset_m_s}
gain_m_s_per_hz = {hood.gain_m_s_per_hz}
start_m_s = {hood.start_m_s}
k = {hood.k}
u_k_rel = {hood.u_k_rel}
response_length_m = {hood.response_length_m}
{vane}
[taps]
count = 4
c = {hood.c}
u_c_rel = {hood.u_c_rel}
zero_pa = {hood.zero_pa}
u_zero_pa = {hood.u_zero_pa}
reference_pressure_pa = {hood.reference_pressure_pa}
{taps}
"""


def read_with(made: tuple[Path, Truth], folder: Path, vane: str = "", taps: str = "") -> dict[str, Any]:
    """The reading of the trace by a hood whose file says this too."""
    hood = Hood(response_given=True)
    text = f'name = "calibrated"\n[pipe]\nbore_mm = {hood.bore_mm}\nlength_mm = {hood.length_mm}\n'
    path = folder / "calibrated.toml"
    path.write_text(text + CALIBRATED.format(hood=hood, vane=vane, taps=taps), encoding="utf-8")
    (reading,) = strict(run("readings", made[0], "--hood", path, "--format", "json").stdout)["readings"]
    assert isinstance(reading, dict)
    return reading


def test_what_a_calibration_says_is_used(made: tuple[Path, Truth], folder: Path) -> None:
    plain = read_with(made, folder)
    hood = Hood()
    area = pi / 4 * (hood.bore_mm / 1000) ** 2
    # Another exponent: flow = c A x^n, where c A x^0.5 was the flow before; the vane knows nothing of it.
    scale_m3h = hood.c * area * 3600
    bent = read_with(made, folder, taps="exponent = 0.55")
    assert bent["taps_m3h"] == pytest.approx(scale_m3h * (plain["taps_m3h"] / scale_m3h) ** 1.1, rel=1e-6)
    assert bent["vane_m3h"] == plain["vane_m3h"]
    # An offset that is not known: u^2 grows by (k A u_offset)^2 (JCGM 100:2008 5.1.2).
    loose = read_with(made, folder, vane="u_offset_m_s = 0.05")
    more_m3h = hood.k * area * 0.05 * 3600
    assert loose["u_vane_m3h"] == pytest.approx((plain["u_vane_m3h"] ** 2 + more_m3h**2) ** 0.5, rel=0.02)
    # Few points, few degrees of freedom, a wider interval of the same standard uncertainty.
    few = read_with(made, folder, vane="dof_k = 3.0", taps="dof_c = 3.0")
    assert few["u_flow_m3h"] == plain["u_flow_m3h"]
    assert few["dof"] < 0.5 * (plain["dof"] or 1e9)
    assert few["expanded_m3h"] > 1.05 * plain["expanded_m3h"]


@pytest.mark.parametrize(
    ("lowest", "highest", "flagged"),
    [(0.9, 1.1, False), (1.015, 1.5, False), (1.03, 1.5, True), (0.5, 0.84, False), (0.5, 0.82, True)],
)
def test_outside_its_calibration_a_reading_is_flagged(
    made: tuple[Path, Truth], folder: Path, lowest: float, highest: float, flagged: bool
) -> None:
    """Nothing under the lowest point but 2 % of scatter, 20 % over the highest."""
    flow = read_with(made, folder)["flow_m3h"]
    ends = f"range_m3h = [{lowest * flow}, {highest * flow}]"
    for tables in ({"vane": ends}, {"taps": ends}):
        assert ("outside the calibration" in read_with(made, folder, **tables)["flags"]) == flagged


def test_a_vane_alone_is_not_corrected_for_its_uneven_magnets(folder: Path) -> None:
    """Spacing that is 3 % uneven looks like fast air; at low flow that once took 20 % off the reading."""
    given = Hood(has_taps=False)
    path = folder / "vane alone.toml"
    path.write_text(hood_toml(given), encoding="utf-8")
    off = []
    for seed in range(6):
        content, truth = make_trace(one_hold(22.0, 45.0, tau_s=0.4, hood=given), seed)
        (folder / "vane alone.trace").write_bytes(content)
        found = strict(run("readings", folder / "vane alone.trace", "--hood", path, "--format", "json").stdout)
        off += [row["flow_m3h"] / truth.holds[0].plateaus[0].flow_m3h - 1 for row in found["readings"]]
    assert len(off) == 6
    assert max(abs(each) for each in off) < 0.05


def test_a_window_gives_one_reading(made: tuple[Path, Truth], hood: Path) -> None:
    done = run("readings", made[0], "--hood", hood, "--format", "json", "--window", "12..30")
    assert done.returncode == 0
    found = strict(done.stdout)
    assert found["refused"] == []
    (reading,) = found["readings"]
    assert reading["start_s"] == pytest.approx(12, abs=0.1)
    assert reading["end_s"] == pytest.approx(30, abs=0.1)
    assert abs(reading["flow_m3h"] - 60.0) < reading["expanded_m3h"]


@pytest.mark.parametrize("window", ["12..12.5", "500..600"])
@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_window_that_can_not_be_read_is_5(made: tuple[Path, Truth], hood: Path, window: str, form: str) -> None:
    done = run("readings", made[0], "--hood", hood, "--format", form, "--window", window)
    assert done.returncode == 5
    assert window in done.stderr
    if form == "json":
        assert strict(done.stdout)["readings"] == []


@pytest.mark.parametrize("window", ["", "12", "a..b", "30..12", "12..12", "-3..10", "nan..10", "1..inf", "1..2..3"])
def test_a_bad_window_is_2(made: tuple[Path, Truth], hood: Path, window: str) -> None:
    done = run("readings", made[0], "--hood", hood, "--format", "json", f"--window={window}")
    assert (done.returncode, done.stdout) == (2, "")


def test_bad_words_are_2(made: tuple[Path, Truth], hood: Path) -> None:
    for words in ((), ("readings",), ("readings", made[0]), ("nonsense",)):
        assert run(*words).returncode == 2
    done = run("readings", made[0], "--hood", hood, "--format", "xml")
    assert (done.returncode, done.stdout) == (2, "")


HELLO = '{"kind":"hello","protocol":%s,"boot":"00000001","dp_counts_per_pa":240,"dp_temp_counts_per_k":200}'
BAD_TRACES = {
    "empty": b"",
    "binary": bytes(i * 97 % 251 for i in range(20_000)),
    "foreign text": b"time,flow\n0,12\n1,13\n" * 200,
    "only commands": whole_line("C", "keep") * 5,
    "no hello": whole_line("S", "000007 ffffff fffe 0fa0 00") * 5,
    "other protocol": whole_line("J", HELLO % 2) + whole_line("S", "000007 ffffff fffe 0fa0 00"),
}


@pytest.mark.parametrize("name", BAD_TRACES)
@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_trace_that_can_not_serve_is_4(folder: Path, hood: Path, name: str, form: str) -> None:
    path = folder / f"{name}.trace"
    path.write_bytes(BAD_TRACES[name])
    done = run("readings", path, "--hood", hood, "--format", form)
    assert (done.returncode, done.stdout) == (4, "")
    assert path.name in done.stderr


def test_a_missing_file_is_4_and_named(made: tuple[Path, Truth], folder: Path, hood: Path) -> None:
    none = folder / "none"
    for trace, file in ((none, hood), (made[0], none), (folder, hood), (made[0], folder)):
        done = run("readings", trace, "--hood", file, "--format", "json")
        assert done.returncode == 4
        assert str(none if none in (trace, file) else folder) in done.stderr
        empty_or_json(done.stdout)


def test_a_bad_hood_file_is_4_with_the_keys_path(made: tuple[Path, Truth], folder: Path) -> None:
    whole, path = hood_toml(Hood()), folder / "bad.toml"
    assert "k = 0.93" in whole
    for spoiled, named in (
        (whole.replace("k = 0.93", "k = nan"), "vane.k"),
        (whole.replace("k = 0.93", "k = -0.93"), "vane.k"),
        (whole.replace("k = 0.93", "colour = 1\nk = 0.93"), "vane.colour"),
        (whole[: len(whole) // 2].rpartition("\n")[0] + "\nu_k", "bad.toml"),
    ):
        path.write_text(spoiled, encoding="utf-8")
        done = run("readings", made[0], "--hood", path, "--format", "json")
        assert (done.returncode, done.stdout) == (4, "")
        assert named in done.stderr


def test_noise_and_a_cut_end_are_counted_not_fatal(made: tuple[Path, Truth], folder: Path, hood: Path) -> None:
    content = made[0].read_bytes()
    lines = content.splitlines(keepends=True)
    path = folder / "noisy.trace"
    path.write_bytes(b"".join([*lines[:500], b"\x00\xffgarbage\n", *lines[500:]])[:-20])
    done = run("readings", path, "--hood", hood, "--format", "json")
    assert done.returncode == 0
    found = strict(done.stdout)
    assert (found["trace"]["lines"], found["trace"]["bad_lines"]) == (len(lines) - 1, 2)
    assert len(found["readings"]) == 1
