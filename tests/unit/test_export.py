"""What `export` writes: as `readings` and the trace's own bytes say it, whole, described, and never over others.

Contract: traces come from the second generator, which shares no code with the package. CSV is read back by pandas and
Parquet by pyarrow; sample lines are read by slicing their digits here.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from hoodtrace.averaging.kept import keep
from hoodtrace.cli.export import export
from hoodtrace.dwelling.journal import append
from hoodtrace.dwelling.review import Review
from hoodtrace.errors import FileError, UsageError
from hoodtrace.physics.hood import read_hood
from hoodtrace.reporting.export_columns import FILES
from hoodtrace.reporting.export_files import MADE, Folder, table_of
from hoodtrace.reporting.export_samples import sample_tables
from visits_over_time import by_hand, plan_toml
from worlds.second import Fluctuation, Free, Hold, Hood, Plateau, Spec, hood_toml, make_trace
from worlds.second_board import line

COMMAND = Path(sys.executable).with_name("hoodtrace.exe" if sys.platform == "win32" else "hoodtrace")
UTC = "2030-01-01T10:00:00+00:00"
EVIL = '=HYPERLINK("http://example.invalid","x")'
ROOMS = {"S1": (EVIL.replace('"', "'"), "supply", 45.0), "E1": ("Küche", "extract", 30.0)}
UNITS = {"m3/h": "_m3h", "s": "_s", "us": "_us", "Pa": "_pa", "degC": "_c", "1": "_rel"}


def spec() -> Spec:
    """Two holds: supply, then extract; with a gust each."""
    air = Fluctuation("ou", 0.05, 0.5)
    holds = [Hold((Plateau(45.0, 40.0, air),), n_gusts=1), Hold((Plateau(30.0, 30.0, air),), "extract", n_gusts=1)]
    return Spec((Free(5, "still"), Free(4, "hang"), holds[0], Free(6, "hang"), holds[1], Free(4, "hang")))


@pytest.fixture(scope="module")
def trace() -> bytes:
    return make_trace(spec(), 61)[0]


@pytest.fixture
def visit(tmp_path: Path, trace: bytes) -> Path:
    folder = tmp_path / "v"
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(plan_toml(ROOMS), encoding="utf-8")
    (folder / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    (folder / "traces" / "01.trace").write_bytes(trace)
    append(folder, {"kind": "begun", "utc": UTC, "what": "visit"})
    return folder


def changed(visit: Path, *changes: dict[str, Any]) -> None:
    review = Review(visit)
    review.load()
    for change in changes:
        review.change(change, UTC)


def sheet(path: Path, **more: Any) -> pd.DataFrame:
    return pd.read_csv(path, encoding="utf-8-sig", dtype={"trace": str}, **more)


def said_by_readings(visit: Path, n: int = 2) -> list[dict[str, Any]]:
    words = [COMMAND, "readings", visit / "traces/01.trace", "--hood", visit / "hood.toml", "--format", "json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)
    rows: list[dict[str, Any]] = json.loads(done.stdout)["readings"]
    assert len(rows) == n
    return rows


@pytest.mark.parametrize("n_boots", [1, 2])
def test_readings_come_back_as_readings_says_them(visit: Path, n_boots: int) -> None:
    with (visit / "traces/01.trace").open("ab") as file:
        file.write(b"".join(make_trace(spec(), 62 + i)[0] for i in range(n_boots - 1)))
    export(visit)
    said = said_by_readings(visit, 2 * n_boots)
    table = sheet(visit / "export/readings.csv")
    parquet = pq.read_table(visit / "export/readings.parquet").to_pylist()
    assert len(table) == len(parquet) == len(said)
    for row, (_, cells), whole in zip(said, table.iterrows(), parquet, strict=True):
        assert whole["window"] == f"01:{row['hold']}.{row['plateau']}"
        assert (whole["flags"] or "") == "; ".join(row["flags"])
        assert whole["confidence_rel"] == row["confidence"]
        for name in set(row) - {"rejected", "flags", "confidence"}:
            assert whole[name] == row[name], name
            assert (cells[name] == row[name]) or (row[name] is None and pd.isna(cells[name])), name


@pytest.mark.parametrize("what", ["readings", "samples", "all"])
def test_every_column_stands_in_the_dictionary_and_the_reverse(visit: Path, what: Any) -> None:
    changed(visit, {"do": "note", "id": "01:1.1", "text": "n"})
    export(visit, what=what)
    said = sheet(visit / "export/dictionary.csv", keep_default_na=False)
    assert said.ne("").all(axis=None)
    files = {path.stem for path in (visit / "export").glob("*.csv")}
    assert set(said["file"]) == files
    for name in files:
        header = (visit / f"export/{name}.csv").read_text(encoding="utf-8-sig").splitlines()[0]
        mine = said[said["file"] == name]
        assert header.replace('"', "").split(",") == mine["column"].tolist()
        if name != "dictionary":
            fields = pq.read_schema(visit / f"export/{name}.parquet")
            assert fields.names == mine["column"].tolist()
            for field, unit, meaning in zip(fields, mine["unit"], mine["meaning"], strict=True):
                assert (field.metadata[b"unit"].decode(), field.metadata[b"description"].decode()) == (unit, meaning)


def test_a_name_ends_in_its_unit_and_in_no_other() -> None:
    for columns in FILES.values():
        for column in columns:
            ends = [unit for unit, end in UNITS.items() if column.name.endswith(end)]
            assert ends[:1] == ([] if column.unit == "none" else [column.unit]), column
            assert column.meaning


def test_a_row_with_other_columns_is_no_row() -> None:
    with pytest.raises(ValueError, match="other columns"):
        table_of(FILES["journal"], [{"line": 1}])


def lines_of(trace: bytes) -> dict[str, np.ndarray[Any, Any]]:
    """The sample lines of a trace, by slicing their digits (FORMATS: KIND SEQ TIME EDGES AGE DP TEMP FLAGS CRC)."""
    rows = [text for text in trace.decode("ascii").splitlines() if text.startswith("S ") and len(text) == 60]
    places = {"t": (10, 24), "edges": (25, 31), "age": (32, 38), "dp": (39, 43), "temp": (44, 48), "flags": (49, 51)}
    found = {name: np.array([int(row[a:b], 16) for row in rows]) for name, (a, b) in places.items()}
    for name in ("dp", "temp"):
        found[name] = found[name] - ((found[name] >> 15) << 16)
    return found


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_samples_come_back_as_the_trace_has_them(visit: Path, trace: bytes, ending: str) -> None:
    export(visit, what="samples")
    raw = lines_of(trace)
    path = visit / f"export/samples.{ending}"
    table = sheet(path) if ending == "csv" else pq.read_table(path).to_pandas()
    assert len(table) == len(raw["t"])
    np.testing.assert_allclose(table["t_s"], (raw["t"] - raw["t"][0]) * 1e-6, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(table["edges"], (raw["edges"] - raw["edges"][0]) % (1 << 24))
    np.testing.assert_array_equal(table["age_us"], raw["age"])
    # The hello of the second world: 240 counts a pascal, 200 a kelvin.
    np.testing.assert_array_equal(np.rint(table["dp_pa"].to_numpy(np.float64) * 240), raw["dp"])
    np.testing.assert_array_equal(np.rint(table["temp_c"].to_numpy(np.float64) * 200), raw["temp"])
    assert table["flags"].isna().all() == (raw["flags"] == 0).all()
    begun = pd.to_datetime(table["utc"].iloc[0])
    assert (pd.to_datetime(table["utc"]) - begun).dt.total_seconds().to_numpy() == pytest.approx(
        table["t_s"].to_numpy(), abs=2e-6
    )
    for row in said_by_readings(visit):
        inside = (table["t_s"] >= row["start_s"] - 5e-7) & (table["t_s"] < row["end_s"] - 5e-7)
        out = np.zeros(len(table), bool)
        for cut in row["rejected"]:
            out |= (table["t_s"] >= cut["start_s"] - 5e-4) & (table["t_s"] < cut["end_s"] - 5e-4)
        mine = table["window"] == f"01:{row['hold']}.{row['plateau']}"
        assert mine.equals(inside.rename("window"))
        np.testing.assert_array_equal(table["use"][inside] == "cut out", out[inside])
        # The mean of the instantaneous flow is the vane's mean but for its corrections, which are far under 2 %.
        used = mine & (table["use"] == "used")
        sign = -1.0 if row["direction"] == "extract" else 1.0
        assert table["vane_m3h"][used].mean() == pytest.approx(sign * row["vane_m3h"], rel=0.02)
        assert np.sign(table["taps_m3h"][used].mean()) == (1 if row["direction"] == "supply" else -1)


def test_a_persons_choice_stands_beside_what_was_found(visit: Path) -> None:
    export(visit, to=visit / "before", output="parquet")
    found = pq.read_table(visit / "before/readings.parquet").to_pylist()[0]
    start, end = found["start_s"] + 2.0, found["end_s"] - 3.0
    changed(
        visit,
        {"do": "give", "id": "01:1.1", "terminal": "S1"},
        {"do": "edges", "id": "01:1.1", "start_s": start, "end_s": end},
        {"do": "cut", "id": "01:1.1", "start_s": start + 5, "end_s": start + 7, "why": "+cmd"},
        {"do": "note", "id": "01:1.1", "text": "=1+1"},
        {"do": "note", "id": "01:1.1", "text": "-2"},
        {"do": "reject", "id": "01:2.1", "why": "@home"},
    )
    export(visit, output="both", what="all")
    first, second = pq.read_table(visit / "export/readings.parquet").to_pylist()
    assert (first["by"], first["given"], first["terminal"], first["room"]) == ("person", True, "S1", ROOMS["S1"][0])
    assert first["start_s"] == pytest.approx(start, abs=1e-6)
    assert f"{start + 5:.3f}..{start + 7:.3f} +cmd" in first["cuts"].split("; ")
    ends = [map(float, text.split(" ")[0].split("..")) for text in first["cuts"].split("; ")]
    assert first["cut_s"] == pytest.approx(sum(stop - begin for begin, stop in ends), abs=2e-3)
    assert first["notes"] == "=1+1; -2"
    assert first["design_m3h"] == 45.0
    for name in ("start_s", "end_s", "flow_m3h", "expanded_m3h"):
        assert first[f"automatic_{name}"] == found[name]
    assert (second["state"], second["why"], second["given"]) == ("rejected", "@home", False)
    samples = pq.read_table(visit / "export/samples.parquet").to_pandas()
    inside = samples[samples["t_s"].between(start + 5.001, start + 6.999)]
    assert set(inside["use"]) == {"cut out"}
    assert set(samples["use"][samples["window"] == "01:1.1"]) == {"used", "cut out"}
    decided = pq.read_table(visit / "export/journal.parquet").to_pylist()
    assert [row["kind"] for row in decided] == ["begun", *["review"] * 6]
    assert json.loads(decided[-1]["fields"])["change"]["why"] == "@home"


def test_no_text_of_people_is_a_formula(visit: Path) -> None:
    changed(
        visit,
        {"do": "give", "id": "01:1.1", "terminal": "S1"},
        {"do": "note", "id": "01:1.1", "text": "good; =2+5"},
        {"do": "reject", "id": "01:2.1", "why": "\N{FULLWIDTH EQUALS SIGN}1"},
    )
    export(visit, what="all")
    assert pq.read_table(visit / "export/readings.parquet").to_pylist()[0]["room"] == ROOMS["S1"][0]
    first = sheet(visit / "export/readings.csv").iloc[0]
    assert first["room"] == "'" + ROOMS["S1"][0]
    assert first["notes"] == "good;' =2+5"
    for path in (visit / "export").glob("*.csv"):
        for line_ in path.read_text(encoding="utf-8-sig").splitlines():
            # As a comma file, and as one that a reader cuts at semicolons.
            assert not re.search(r'(^|[,;]|^"|,"|;")\s*[=+@\N{FULLWIDTH EQUALS SIGN}]', re.sub(r'""', "", line_)), line_


def test_readings_of_other_meters_stand_below(visit: Path) -> None:
    append(visit, {**by_hand("E1", 31.0, 1.5, hood_on=False, meter="=meter"), "utc": UTC})
    export(visit)
    row = pq.read_table(visit / "export/readings.parquet").to_pylist()[-1]
    assert (row["window"], row["terminal"], row["room"], row["flow_m3h"]) == (None, "E1", "Küche", 31.0)
    assert (row["meter"], row["hood_on"], row["given"]) == ("=meter", False, True)
    # Normal distribution: 1.959964 standard uncertainties, from any table.
    assert row["expanded_m3h"] == pytest.approx(1.959964 * 1.5, rel=1e-6)
    assert sheet(visit / "export/readings.csv").iloc[-1]["room"] == "Küche"
    # A spreadsheet knows UTF-8 by this mark alone.
    assert (visit / "export/readings.csv").read_bytes().startswith(b'\xef\xbb\xbf"window"')


def test_the_same_visit_is_the_same_bytes_and_export_writes_over_its_own(visit: Path) -> None:
    export(visit, what="all")
    before = {path.name: path.read_bytes() for path in (visit / "export").iterdir()}
    export(visit, what="all")
    assert {path.name: path.read_bytes() for path in (visit / "export").iterdir()} == before
    assert len(before) == 9
    done = subprocess.run(["sha256sum", "-c", MADE], cwd=visit / "export", capture_output=True, check=False)
    assert done.returncode == 0


def test_a_file_of_somebody_else_is_left_alone(visit: Path) -> None:
    (visit / "export").mkdir()
    (visit / "export/readings.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"readings\.csv is not as export made it"):
        export(visit)
    assert [path.name for path in (visit / "export").iterdir()] == ["readings.csv"]
    assert (visit / "export/readings.csv").read_text(encoding="utf-8") == "mine"
    export(visit, replace=True)
    with (visit / "export/readings.csv").open("a", encoding="utf-8") as file:
        file.write("my own row\n")
    with pytest.raises(UsageError, match="--replace"):
        export(visit)


def test_what_fails_half_way_leaves_what_was_there(tmp_path: Path) -> None:
    columns = FILES["dictionary"]
    row = dict.fromkeys([column.name for column in columns], "a")
    folder = Folder(tmp_path, ["x.csv", "x.parquet"])
    assert folder.put_tables("x", columns, [table_of(columns, [row])], ("csv", "parquet")) == 1
    folder.close()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def failing() -> Any:
        yield table_of(columns, [row] * 2)
        raise FileError(tmp_path, "gone")

    with pytest.raises(FileError, match="gone"):
        Folder(tmp_path, ["x.csv", "x.parquet"]).put_tables("x", columns, failing(), ("csv", "parquet"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_trace_that_is_gone_or_changed_is_said_and_the_rest_is_there(
    visit: Path, trace: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    append(visit, {"kind": "trace closed", "utc": UTC, "trace": "traces/02.trace", "bytes": 1, "sha256": "0" * 64})
    append(visit, {"kind": "trace closed", "utc": UTC, "trace": "traces/03.trace", "bytes": 1, "sha256": "0" * 64})
    (visit / "traces/03.trace").write_bytes(trace)
    with pytest.raises(FileError, match="2 of its files") as caught:
        export(visit, what="all")
    assert caught.value.exit_code == 4
    said = capsys.readouterr().err
    assert "02.trace" in said
    assert "03.trace" in said
    assert set(pq.read_table(visit / "export/samples.parquet")["trace"].to_pylist()) == {"01"}
    assert [row["window"] for row in pq.read_table(visit / "export/readings.parquet").to_pylist()] == [
        "01:1.1",
        "01:2.1",
    ]
    with pytest.raises(UsageError, match="03:1"):
        export(visit, window="03:1..2")


def test_samples_of_one_window_or_stretch(visit: Path) -> None:
    found = said_by_readings(visit)[0]
    export(visit, window="01:1.1", output="parquet", to=visit / "w")
    table = pq.read_table(visit / "w/samples-01-1.1.parquet").to_pandas()
    assert set(table["window"]) == {"01:1.1"}
    assert table["t_s"].iloc[[0, -1]].to_list() == pytest.approx([found["start_s"], found["end_s"]], abs=0.021)
    export(visit, window="01:2.5..4", output="csv", to=visit / "w")
    t_s = sheet(visit / "w/samples-01-2.5..4.csv")["t_s"]
    assert t_s.between(2.5, 4.0, inclusive="left").all()
    raw = lines_of((visit / "traces/01.trace").read_bytes())["t"]
    assert len(t_s) == np.sum((raw - raw[0] >= 2.5e6) & (raw - raw[0] < 4e6))
    for words in ("01:9.9", "01:4..2", "02:1..2", "01:5000..5001", "01:a..b"):
        with pytest.raises(UsageError, match=re.escape(words)):
            export(visit, window=words, to=visit / "no")
    assert not (visit / "no").exists()


def two_boots() -> tuple[bytes, list[list[int]]]:
    """Two runs of a board whose samples differ in nothing but the temperature."""
    hello = '{"kind":"hello","protocol":1,"boot":"%s","rate_hz":50,"dp_counts_per_pa":240,"dp_temp_counts_per_k":200}'
    out, temps = [], []
    for number, first in enumerate((4000, 4400)):
        out.append(line("J", 0, 1000, hello % f"0000000{number}"))
        temps.append(list(range(first, first + 300)))
        body = [f"000001 ffffff 0004 {temp:04x} 00" for temp in temps[-1]]
        out += [line("S", i + 1, 2000 + 20_000 * i, text) for i, text in enumerate(body)]
    return b"".join(out), temps


def test_temperatures_find_their_samples_where_two_boots_are_alike(tmp_path: Path) -> None:
    content, temps = two_boots()
    (tmp_path / "01.trace").write_bytes(content)
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    kept = keep(tmp_path / "01.trace", *read_hood(tmp_path / "hood.toml"))
    table = [row for part in sample_tables(kept, []) for row in part.to_pylist()]
    assert [row["boot"] for row in table] == [1] * 300 + [2] * 300
    assert [round(row["temp_c"] * 200) for row in table] == temps[0] + temps[1]
    assert all(row["utc"] is None and row["flags"] is None for row in table)


def test_a_hello_that_changes_what_counts_mean_is_followed(tmp_path: Path) -> None:
    hello = '{"kind":"hello","protocol":1,"boot":"00000001","rate_hz":50,"dp_counts_per_pa":%d}'
    out = []
    for number, per_pa in enumerate((240, 60)):
        first = 301 * number
        out.append(line("J", first, 1000 + 20_000 * first, hello % per_pa))
        out += [line("S", first + i, 2000 + 20_000 * (first + i), "000001 ffffff 0004 0fa0 00") for i in range(1, 301)]
    (tmp_path / "01.trace").write_bytes(b"".join(out))
    (tmp_path / "hood.toml").write_text(hood_toml(Hood()), encoding="utf-8")
    kept = keep(tmp_path / "01.trace", *read_hood(tmp_path / "hood.toml"))
    table = [row for part in sample_tables(kept, []) for row in part.to_pylist()]
    # 4 counts of 240 a pascal, then of 60; no scale of the temperature was ever told.
    assert [round(row["dp_pa"], 6) for row in table] == [0.016667] * 300 + [0.066667] * 300
    assert all(row["temp_c"] is None for row in table)


def test_a_window_over_a_rejected_one_has_the_samples(visit: Path) -> None:
    start = said_by_readings(visit)[0]["start_s"]
    changed(
        visit,
        {"do": "reject", "id": "01:1.1", "why": "leak"},
        {"do": "new", "trace": "01", "start_s": start + 1.0, "end_s": start + 21.0},
    )
    export(visit, what="samples", output="parquet")
    table = pq.read_table(visit / "export/samples.parquet").to_pandas()
    new = table["t_s"].between(start + 1.001, start + 20.999)
    assert set(table["window"][new]) == {"01:9001.1"}
    assert set(table["window"][table["t_s"].between(start + 21.021, start + 30)]) == {"01:1.1"}
