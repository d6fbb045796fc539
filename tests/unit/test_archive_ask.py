"""Questions to an archive: what may be asked, what can't be reached, how it is printed.

Contract: the answers of the ready questions are worked out here from the journals that were written, with numpy's own
quantiles; what hostile SQL tries is looked for on the disk afterwards.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from typer.testing import CliRunner

import many_visits
import reviewed_visit
from hoodtrace.archive.ask import READY, ask, ready_questions
from hoodtrace.archive.columns import ALL
from hoodtrace.cli.app import app
from hoodtrace.errors import FileError, HoodtraceError, UsageError

N_VISITS = 7


def run(*words: object) -> tuple[str, str]:
    """What `hoodtrace archive ask` prints on both its streams; its errors are raised."""
    done = CliRunner().invoke(app, ["archive", "ask", *map(str, words)])
    if isinstance(done.exception, HoodtraceError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.stdout, done.stderr


def rows(*words: object) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(run(*words, "--format", "json")[0])["rows"]
    return found


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Visits without traces, and one with them; an archive of all, in a folder whose name is a trap."""
    home = tmp_path_factory.mktemp("it's [a] *?")
    rng = np.random.default_rng(20300102)
    for number in range(N_VISITS):
        many_visits.make(home / f"{number}", rng, number, n_terminals=4 + 2 * (number % 2))
    reviewed_visit.made(home / "traced")
    CliRunner().invoke(app, ["archive", str(home), "--samples", "--jobs", "1"])
    return home


@pytest.fixture(scope="module")
def journals(home: Path) -> list[list[dict[str, Any]]]:
    return [
        [json.loads(line) for line in (home / f"{number}/journal.jsonl").read_text().splitlines()]
        for number in range(N_VISITS)
    ]


def of(journal: list[dict[str, Any]], last: bool) -> dict[str, dict[str, Any]]:
    """The first or the last reading of each terminal."""
    read = [entry for entry in journal if entry["kind"] == "reading"]
    return {entry["terminal"]: entry for entry in (read if last else reversed(read))}


def test_imbalance_is_that_of_the_last_readings(home: Path, journals: list[list[dict[str, Any]]]) -> None:
    gaps = []
    for journal in journals:
        sums = {way: sum(e["flow_m3h"] for e in of(journal, True).values() if e["direction"] == way) for way in WAYS}
        gaps.append(100.0 * (sums["supply"] - sums["extract"]) / max(sums.values()))
    (row,) = rows(home, "--ready", "imbalance")
    assert row["n_visits"] == N_VISITS  # a terminal of the traced one was not read
    for name, share in (("p10", 0.1), ("median", 0.5), ("p90", 0.9)):
        assert row[f"{name}_percent"] == pytest.approx(np.quantile(gaps, share), abs=0.051)
    assert row["within_percent"] == pytest.approx(100 * np.mean(np.abs(gaps) <= 10.0), abs=0.051)


WAYS = ("supply", "extract")


def test_hold_times_are_those_of_the_journals(home: Path, journals: list[list[dict[str, Any]]]) -> None:
    traced = [json.loads(line) for line in (home / "traced/journal.jsonl").read_text().splitlines()]
    held: dict[str, list[float]] = {way: [] for way in WAYS}
    for entry in (e for journal in (*journals, traced) for e in journal if e["kind"] == "reading"):
        held[entry["direction"]].append(entry["hold_end_s"] - entry["hold_start_s"])
    for row in rows(home, "--ready", "hold-times"):
        mine = held.pop(row["direction"])
        assert row["n_holds"] == len(mine)
        assert row["median_s"] == pytest.approx(np.median(mine), abs=0.051)
        assert row["p90_s"] == pytest.approx(np.quantile(mine, 0.9), abs=0.051)
    assert not held


def test_as_found_is_the_first_reading_against_design(home: Path, journals: list[list[dict[str, Any]]]) -> None:
    off: dict[str, list[float]] = {way: [] for way in WAYS}
    for entry in (e for journal in journals for e in of(journal, False).values()):
        off[entry["direction"]].append(100.0 * (entry["flow_m3h"] / 40.0 - 1.0))
    (home / "traced/visit.toml").read_text()
    sql = ready_questions()["as-found"].sql.replace("from terminals where", "from terminals where design_m3h = 40 and")
    for row in rows(home, sql):
        mine = off[row["direction"]]
        assert row["n_terminals"] == len(mine)
        assert row["median_percent"] == pytest.approx(np.median(mine), abs=0.051)
        assert row["n_within"] + row["n_outside"] + row["n_undecided"] == len(mine)


def test_climbs_are_changes_of_terminal(home: Path, journals: list[list[dict[str, Any]]]) -> None:
    mine = [len(of(journal, True)) for journal in journals if len(of(journal, True)) == 6]
    (row,) = [row for row in rows(home, "--ready", "climbs") if row["n_terminals"] == 6]
    assert (row["n_visits"], row["median_climbs"]) == (len(mine), 6)


def test_hood_history_is_the_ratio_of_the_channels(home: Path) -> None:
    found = reviewed_visit.readings(home / "traced", "--automatic")["readings"]
    mine = [100 * r["vane_m3h"] / r["taps_m3h"] for r in found if r["direction"] == "supply"]
    (row,) = [row for row in rows(home, "--ready", "hood-history") if row["direction"] == "supply"]
    assert (row["n"], row["since_first_percent"]) == (len(mine), 0)
    assert row["ratio_percent"] == pytest.approx(np.median(mine), abs=0.0051)
    assert row["bare_percent"] == pytest.approx(np.median(mine) / row["k"] * row["c"], abs=0.0051)


def test_again_says_that_nothing_has_changed(home: Path, journals: list[list[dict[str, Any]]]) -> None:
    found = {row.pop("kept_software"): row for row in rows(home, "--ready", "again")}
    without = found.pop("bench")  # those have no trace
    n_read = sum(entry["kind"] == "reading" for journal in journals for entry in journal)
    assert (without["n_readings"], without["n_not_found"], without["median_percent"]) == (n_read, n_read, None)
    (row,) = found.values()
    assert [row[f"n_{name}"] for name in ("readings", "not_found", "now_refused", "other_flow")] == [3, 0, 0, 0]


def read_at(
    number: int, at_s: float, terminal: str, flow: float, setting: str = "normal", **more: Any
) -> dict[str, Any]:
    """A line of the journal: a reading of a terminal."""
    u = 0.02 * flow
    return {
        "kind": "reading", "utc": many_visits.utc(number, at_s), "terminal": terminal, "setting": setting, "by": "hood",
        "stage": "round", "trace": "traces/01.trace", "hold": int(at_s), "plateau": 1, "hold_start_s": at_s,
        "hold_end_s": at_s + 20, "start_s": at_s + 2, "end_s": at_s + 19, "used_s": 17.0, "flow_m3h": flow,
        "direction": "supply" if terminal[0] == "S" else "extract", "u_flow_m3h": u, "dof": None, "confidence": 0.95,
        "expanded_m3h": 1.96 * u, "u_random_m3h": 0.4, "expanded_random_m3h": 0.84, "rejected": [], "flags": [],
        "terms": [["fluctuation of the air", 0.4, 20.0, "reading"], ["k-factor", u, None, "hood"]], **more,
    }  # fmt: skip


def told(folder: Path, number: int, *lines: dict[str, Any], plan: str = "") -> None:
    """Write a visit of two terminals, S1 and E2, without its trace, designs 40 m3/h."""
    (folder / "traces").mkdir(parents=True)
    (folder / "visit.toml").write_text(many_visits.plan(2) + plan, encoding="utf-8")
    (folder / "hood.toml").write_text(many_visits.HOOD.format(number=1, k=0.93), encoding="utf-8")
    begun = {"kind": "begun", "utc": many_visits.utc(number), "what": "visit", "software": "0.0.9"}
    many_visits.write_journal(folder, [begun, *lines])


def asked(home: Path, name: str) -> list[dict[str, Any]]:
    """Archive visits whose traces are gone, and ask."""
    done = CliRunner().invoke(app, ["archive", str(home), "--jobs", "1"])
    assert isinstance(done.exception, FileError)
    return rows(home, "--ready", name)


def test_imbalance_is_judged_as_balance_does(tmp_path: Path) -> None:
    """By supply over extract (the plan's balance_rel is 10 %): 110.5 over 100 and 89.5 over 100 are outside."""
    for number, supply in enumerate((110.5, 109.5, 90.5, 89.5)):
        told(tmp_path / f"{number}", number, read_at(number, 60, "S1", supply), read_at(number, 100, "E2", 100.0))
    (row,) = asked(tmp_path, "imbalance")
    assert (row["n_visits"], row["within_percent"]) == (4, 50.0)


def test_air_that_went_the_other_way_is_in_no_sum(tmp_path: Path) -> None:
    other = {"direction": "extract", "flags": ["direction is not the plan's"]}
    told(tmp_path / "0", 0, read_at(0, 60, "S1", 40.0, **other), read_at(0, 100, "E2", 40.0))
    assert asked(tmp_path, "imbalance") == []
    assert [row["direction"] for row in rows(tmp_path, "--ready", "as-found")] == ["extract"]


def test_a_terminal_that_was_not_read_at_another_fan_setting_is_still_within(tmp_path: Path) -> None:
    plan = '[[setting]]\nname = "normal"\n[[setting]]\nname = "boost"\n'
    lines = read_at(0, 60, "S1", 40.0), read_at(0, 100, "E2", 40.0), read_at(0, 140, "S1", 40.0, "boost")
    told(tmp_path / "0", 0, *lines, plan=plan)
    (row,) = asked(tmp_path, "climbs")
    assert row["within_percent"] == 100.0
    told(tmp_path / "1", 1, *lines[:2], read_at(0, 140, "S1", 80.0, "boost"), plan=plan)
    told(tmp_path / "2", 2, *lines[:2], read_at(0, 140, "S1", 80.0, "boost"), plan=plan)
    (row,) = asked(tmp_path, "climbs")
    assert row["within_percent"] == 50.0


def test_again_counts_what_is_not_found_any_more(tmp_path: Path) -> None:
    visit = reviewed_visit.made(tmp_path / "v")
    path = visit / "journal.jsonl"
    lines = [
        {k: v for k, v in json.loads(x).items() if k not in ("prev", "crc")} for x in path.read_text().splitlines()
    ]
    gone = next(line for line in lines if line["kind"] == "reading" and line["terminal"] == "E1")
    # As if another version had seen a hold where this one sees none.
    gone |= {"hold": 7, "hold_start_s": 1.0, "hold_end_s": 3.0, "start_s": 1.2, "end_s": 2.8, "rejected": []}
    many_visits.write_journal(visit, lines)
    CliRunner().invoke(app, ["archive", str(tmp_path), "--jobs", "1"])
    (row,) = rows(tmp_path, "--ready", "again")
    assert (row["n_readings"], row["n_not_found"], row["n_now_refused"], row["n_other_flow"]) == (3, 1, 0, 0)


def test_windows_made_by_a_person_have_no_hold_time(tmp_path: Path) -> None:
    visit = reviewed_visit.made(tmp_path / "v", "01", "02")
    review = reviewed_visit.opened(visit)
    review.change({"do": "reject", "id": "02:3.1", "why": "mine is better"}, reviewed_visit.LATER)
    review.change({"do": "new", "trace": "02", "start_s": 67.0, "end_s": 76.0}, reviewed_visit.LATER)
    review.change({"do": "give", "id": "02:9001.1", "terminal": "E2"}, reviewed_visit.LATER)
    CliRunner().invoke(app, ["archive", str(tmp_path), "--jobs", "1"])
    sql = """select "window" from readings where given and "by" = 'person'"""
    assert rows(tmp_path, sql) == [{"window": "02:9001.1"}]
    assert sum(row["n_holds"] for row in rows(tmp_path, "--ready", "hold-times")) == 4


def test_every_ready_question_says_what_it_says(home: Path) -> None:
    assert {path.stem for path in READY.glob("*.sql")} >= {"hood-history", "imbalance", "hold-times"}
    for name, one in ready_questions().items():
        assert one.says.endswith(".")
        assert len(one.limits) > 40
        printed, _ = run(home, "--ready", name)
        assert " ".join(printed.split()).endswith(f"Limits: {one.limits}")
    listed = " ".join(run("--list")[0].split())
    for one in ready_questions().values():
        assert one.limits in listed
    for name, columns in ALL.items():
        assert f"Table {name}:" in listed
        assert all(column.meaning in listed for column in columns)
    assert len(json.loads(run("--list", "--format", "json")[0])["columns"]) == sum(map(len, ALL.values()))


HOSTILE = [
    "copy (select 1) to '{out}/a.csv'",
    "copy readings to '{out}/a.parquet' (format parquet)",
    "copy (select 1 as visit) to '{archive}/readings/readings.parquet' (format parquet)",
    "export database '{out}/db'",
    "attach '{out}/a.db'",
    "attach '{out}/a.db' as x; create table x.t as select 1",
    "install httpfs",
    "load httpfs",
    "pragma database_list",
    "pragma threads=1",
    "set enable_external_access = true",
    "set allowed_paths = ['/etc/passwd']",
    "reset enable_external_access",
    "create table t as select 1",
    "create or replace view readings as select 1",
    "drop view readings",
    "insert into readings select * from readings",
    "update visits set site = 'x'",
    "delete from visits",
    "select 1; select 2",
    "select 1; copy (select 1) to '{out}/a.csv'",
    "with x as (delete from visits returning *) select * from x",
    "call pragma_version()",
    "checkpoint",
    "explain analyze select 1",
    "prepare p as select 1",
    "create secret (type s3)",
    "select * from read_csv('/etc/passwd')",
    "select * from '/etc/passwd'",
    "select * from '/etc/hostname.csv'",
    "select * from read_text('/etc/hostname')",
    "select * from read_blob('/proc/self/environ')",
    "select * from glob('/etc/*')",
    "select * from sniff_csv('/etc/passwd')",
    "select * from read_parquet('{archive}/../*/*.parquet')",
    "select * from parquet_metadata('{out}/none.parquet')",
    "select * from read_csv('http://example.invalid/a.csv')",
    "select * from query('copy (select 1) to ''{out}/a.csv''')",
    "select * from query_table('/etc/passwd')",
    "select getenv('HOME')",
    "select * from home",
    "select * from frame",
    "",
    "-- nothing",
    "select",
    "select nothing from readings",
    "\x00",
    "select 1 from",
]


@pytest.mark.parametrize("sql", HOSTILE)
def test_an_archive_can_only_be_asked(home: Path, tmp_path: Path, sql: str) -> None:
    archive = home / "hoodtrace-archive"
    before = {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()}
    frame = pa.table({"a": [1]})  # variables of the program can't be reached either
    with pytest.raises(UsageError) as caught:
        list(ask(archive, sql.format(out=tmp_path, archive=archive).replace("it's", "it''s")).batches)
    assert frame.num_rows
    assert caught.value.exit_code == 2
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    assert {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()} == before


def test_a_question_that_fails_on_the_way_says_so_and_prints_nothing(home: Path) -> None:
    sql = "select case when hold > 0 then error('no') else 1 end from readings where hold is not null"
    for output in ("table", "csv", "json"):
        done = CliRunner().invoke(app, ["archive", "ask", str(home), sql, "--format", output])
        assert isinstance(done.exception, UsageError)
        assert done.stdout == ""


def test_memory_that_runs_short_writes_no_file(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = (home / "hoodtrace-archive").resolve()
    monkeypatch.chdir(tmp_path)
    answer = ask(archive, "select current_setting('temp_directory') as t, current_setting('enable_external_access') e")
    assert list(answer.batches) == [[["", False]]]
    assert list(tmp_path.iterdir()) == []


def test_values_are_printed_plainly(home: Path) -> None:
    sql = (
        "select 1 as a, 2 as a, 'inf'::double as big, 0.1::double + 0.2::double as f, [1, null] as l, true as t, "
        "timestamptz '2030-01-02 03:04:05+02' as at, null as nothing, 12::hugeint as h, 123456789.125::double as m, "
        "'two\nlines' as s, '=1+1' as risky"
    )
    printed = run(home, sql)[0].splitlines()
    assert printed[0].split() == ["a", "a_2", "big", "f", "l", "t", "at", "nothing", "h", "m", "s", "risky"]
    assert re.split(r"\s{2,}", printed[1].strip()) == [
        "1", "2", "0.3", "[1, null]", "true", "2030-01-02T01:04:05Z", "12", "123456789", "two lines", "=1+1"
    ]  # fmt: skip
    (row,) = rows(home, sql)
    assert row == {
        "a": 1, "a_2": 2, "big": None, "f": 0.1 + 0.2, "l": [1, None], "t": True, "at": "2030-01-02T01:04:05Z",
        "nothing": None, "h": 12, "m": 123456789.125, "s": "two\nlines", "risky": "=1+1",
    }  # fmt: skip
    (head, cells) = csv.reader(io.StringIO(run(home, sql, "--format", "csv")[0]))
    assert head[:2] == ["a", "a_2"]
    assert cells[-2:] == ["two lines", "'=1+1"]
    assert cells[5:8] == ["true", "2030-01-02T01:04:05Z", ""]


def test_long_answers_are_cut_in_tables_alone(home: Path) -> None:
    printed, said = run(home, "select * from range(5000)")
    assert len(printed.splitlines()) == 1001
    assert "1000" in said
    assert len(run(home, "select * from range(50000)", "--format", "csv")[0].splitlines()) == 50001
    printed, said = run(home, "select visit from visits where false")
    assert (printed.split(), said.strip()) == (["visit"], "No row answers this.")


def test_samples_can_be_asked_for(home: Path) -> None:
    sql = 'select v.visit, count(*) as n, count("use") as used from samples join visits v using (visit) group by all'
    (row,) = rows(home, sql)
    n = sum(line[:2] == b"S " for line in (home / "traced/traces/01.trace").read_bytes().splitlines())
    assert row["n"] == n > row["used"] > 0


@pytest.fixture
def here(home: Path) -> Iterator[Path]:
    """The working folder is the archive's."""
    before = Path.cwd()
    os.chdir(home)
    yield home
    os.chdir(before)


def test_the_archive_here_needs_no_name(here: Path, tmp_path: Path) -> None:
    assert rows("select count(*) as n from visits") == [{"n": N_VISITS + 1}]
    os.chdir(here / "hoodtrace-archive")
    assert rows("select count(*) as n from visits") == [{"n": N_VISITS + 1}]
    os.chdir(tmp_path)
    with pytest.raises(UsageError, match="no archive here"):
        run("select 1")
    with pytest.raises(UsageError, match="no archive at"):
        run(tmp_path, "select 1")


@pytest.mark.parametrize(
    "words", [[], ["a", "b", "c"], ["--ready", "climbs", "a", "b"], ["--ready", "none"], ["--ready", "../climbs"]]
)
def test_words_that_are_off(words: list[str]) -> None:
    with pytest.raises(UsageError):
        run(*words)


def test_an_archive_that_is_not_whole_says_so(home: Path, tmp_path: Path) -> None:
    import shutil

    shutil.copytree(home / "hoodtrace-archive", tmp_path / "a")
    (tmp_path / "a/hoods/hoods.parquet").write_bytes(b"PAR1 no more")
    with pytest.raises(FileError, match="can't be read"):
        run(tmp_path / "a", "select 1")
    (tmp_path / "a/hoods/hoods.parquet").unlink()
    with pytest.raises(FileError, match="not whole"):
        run(tmp_path / "a", "select 1")


def test_tables_of_two_times_are_not_asked(home: Path, tmp_path: Path) -> None:
    """As if the making of the archive had been ended between two tables."""
    import shutil

    for name in ("0", "1"):
        shutil.copytree(home / name, tmp_path / "v" / name)
    CliRunner().invoke(app, ["archive", str(tmp_path / "v"), "--jobs", "1"])
    archive = tmp_path / "v/hoodtrace-archive"
    old = (archive / "readings/readings.parquet").read_bytes()
    shutil.rmtree(tmp_path / "v" / "1")
    CliRunner().invoke(app, ["archive", str(tmp_path / "v"), "--jobs", "1"])
    assert rows(archive, "select count(*) as n from visits") == [{"n": 1}]
    (archive / "readings/readings.parquet").write_bytes(old)
    with pytest.raises(FileError, match="not of one time"):
        run(archive, "select 1")
    CliRunner().invoke(app, ["archive", str(tmp_path / "v"), "--jobs", "1"])
    assert rows(archive, "select count(distinct visit) as n from readings") == [{"n": 1}]
