"""The archive: what its rows say beside `readings`, the journal and the trace; what never enters it; what is kept.

Contract: traces come from the second generator, journals are read line by line here; Parquet is read back by pyarrow.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

import many_visits
import reviewed_visit
from hoodtrace.archive.columns import ALL, CUSTOMER, TABLES
from hoodtrace.archive.dataset import Dataset
from hoodtrace.archive.found import Options, files_of
from hoodtrace.archive.gather import by_processes
from hoodtrace.archive.part import Part, part_bytes, read_part
from hoodtrace.archive.places import MARK
from hoodtrace.archive.work import Done, Job
from hoodtrace.cli.app import app
from hoodtrace.errors import FileError, HoodtraceError, UsageError, VisitError
from reviewed_visit import CUT, LATER, NEW, REJECT

UNITS = {
    "m3/h": "_m3h", "s": "_s", "us": "_us", "Pa": "_pa", "degC": "_c", "1": "_rel", "m": "_m", "mm": "_mm", "m2": "_m2",
    "m3": "_m3", "cm2": "_cm2", "m/s": "_m_s", "m/s/Hz": "_m_s_per_hz", "1/h": "_per_h",
}  # fmt: skip
NAMES = ("Alder Row 7", "Ottilie Beispiel", "Ahornweg", "ottilie@example.invalid")


def archive(*words: object) -> str:
    """What `hoodtrace archive` says, done by one process; its errors are raised."""
    done = CliRunner().invoke(app, ["archive", *map(str, words), "--jobs", "1"])
    if isinstance(done.exception, HoodtraceError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def rows(archive: Path, name: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(archive / name / f"{name}.parquet").to_pylist()
    return found


def content(archive: Path) -> dict[str, bytes]:
    """All files of an archive."""
    return {str(path.relative_to(archive)): path.read_bytes() for path in archive.rglob("*") if path.is_file()}


def entries(visit: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (visit / "journal.jsonl").read_text(encoding="utf-8").splitlines()]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two visits at different depths: one as it was made, with two traces; one reviewed by a person."""
    home = tmp_path_factory.mktemp("house")
    reviewed_visit.made(home / "one", "01", "02")
    reviewed = reviewed_visit.made(home / "deep" / "er" / "two")
    review = reviewed_visit.opened(reviewed)
    # The hold of the merged change is that of another terminal: a person gives it back afterwards.
    for change in ({**CUT, "why": "Ann opened the door; 1.000..2.000 x"}, REJECT, NEW):
        review.change(change, LATER)
    reviewed_visit.run("enter", reviewed, "E2", "33.3", "--meter", "=x", "--u-m3h", "1.5")
    return home


@pytest.fixture(scope="module")
def made(house: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    to = tmp_path_factory.mktemp("to") / "archive"
    archive(house, "--to", to, "--samples")
    return to


def two(made: Path) -> str:
    """The id of the reviewed visit."""
    (found,) = [row["visit"] for row in rows(made, "visits") if row["n_by_person"]]
    return str(found)


def test_every_column_says_its_unit_in_its_name_and_in_the_file(made: Path) -> None:
    for name, columns in TABLES.items():
        shape = pq.read_schema(made / name / f"{name}.parquet")
        assert shape.names == [column.name for column in columns]
        for column in columns:
            kept = shape.field(column.name).metadata
            assert kept[b"unit"].decode() == column.unit
            assert kept[b"description"]
            assert column.name.endswith(UNITS.get(column.unit, "")), column.name
            assert column.unit == "none" or column.unit in UNITS
    listed = (made / "dictionary.csv").read_text(encoding="utf-8-sig").splitlines()
    assert len(listed) == 1 + sum(len(columns) for columns in ALL.values())


def test_readings_are_those_of_the_journal_word_for_word(house: Path, made: Path) -> None:
    given = {n: e for n, e in enumerate(entries(house / "one"), 1) if e["kind"] == "reading"}
    mine = [row for row in rows(made, "readings") if row["visit"] != two(made) and row["given"]]
    assert [row["line"] for row in mine] == list(given)
    for row in mine:
        entry = given[row["line"]]
        assert (row["terminal"], row["kept"], row["by"]) == (entry["terminal"], True, "automatic")
        for key in ("flow_m3h", "u_flow_m3h", "expanded_m3h", "dof", "start_s", "end_s", "used_s"):
            assert row[key] == entry[key], key


def test_plateaus_are_what_readings_prints_with_the_journals_beside_them(house: Path, made: Path) -> None:
    for name in ("01", "02"):
        said = reviewed_visit.readings(house / "one", "--automatic", name=name)
        mine = [row for row in rows(made, "plateaus") if row["visit"] != two(made) and row["trace"] == name]
        assert {row["trace_sha256"] for row in mine} == {said["trace"]["sha256"]}
        assert len(mine) == len(said["readings"]) + len(said["refused"])
        for reading in said["readings"]:
            (row,) = [r for r in mine if (r["hold"], r["plateau"]) == (reading["hold"], reading["plateau"])]
            for key in ("flow_m3h", "u_flow_m3h", "dof", "expanded_m3h", "start_s", "end_s", "used_s"):
                assert row[key] == reading[key]
            if row["kept_line"] is not None:
                assert row["kept_flow_m3h"] == entries(house / "one")[row["kept_line"] - 1]["flow_m3h"]
        assert {row["kept_terminal"] for row in mine} >= set(reviewed_visit.GIVEN[name].values())


def test_what_the_journal_kept_stands_and_what_comes_of_it_now_is_beside(house: Path, tmp_path: Path) -> None:
    """As if another version had read the trace: one flow much higher, one hold that is not found any more."""
    visit = Path(shutil.copytree(house / "one", tmp_path / "v"))
    lines = [{k: v for k, v in e.items() if k not in ("prev", "crc")} for e in entries(visit)]
    changed, moved = [line for line in lines if line["kind"] == "reading"][:2]
    fresh = dict(changed)
    changed |= {"flow_m3h": 1.3 * fresh["flow_m3h"], "rejected": [{"start_s": 1.0, "end_s": 1.5, "why": "gust"}]}
    moved |= {"start_s": 900.0, "end_s": 910.0, "hold_start_s": 899.0, "hold_end_s": 911.0, "hold": 77}
    many_visits.write_journal(visit, lines)
    archive(tmp_path, "--to", tmp_path / "to")
    found = {row["window"]: row for row in rows(tmp_path / "to", "readings")}
    row = found["01:1.1"]
    assert (row["flow_m3h"], row["cuts"], row["cut_s"]) == (1.3 * fresh["flow_m3h"], "1.000..1.500 gust", 0.5)
    assert row["verdict"] == "outside"  # 60 m3/h are wanted, 66 are the most
    (plateau,) = [r for r in rows(tmp_path / "to", "plateaus") if r["kept_line"] == row["line"]]
    assert (plateau["flow_m3h"], plateau["kept_flow_m3h"]) == (fresh["flow_m3h"], 1.3 * fresh["flow_m3h"])
    lost = found[f"01:77.{moved['plateau']}"]
    assert (lost["flow_m3h"], lost["terminal"], lost["given"]) == (moved["flow_m3h"], moved["terminal"], True)
    assert len([r for r in found.values() if r["given"]]) == len([e for e in lines if e["kind"] == "reading"])


def test_what_is_refused_now_still_counts_where_the_journal_gave_it(house: Path, tmp_path: Path) -> None:
    """As if another version had taken the hold of 02 that this one finds too short."""
    visit = Path(shutil.copytree(house / "one", tmp_path / "v"))
    lines = [{k: v for k, v in e.items() if k not in ("prev", "crc")} for e in entries(visit)]
    last = [e for e in lines if e["kind"] == "reading"][-1]
    last |= {"hold": 1, "hold_start_s": 6.2, "hold_end_s": 13.8, "start_s": 8.8, "end_s": 13.2, "rejected": []}
    many_visits.write_journal(visit, lines)
    archive(tmp_path)
    to = tmp_path / "hoodtrace-archive"
    (row,) = [row for row in rows(to, "readings") if row["window"] == "02:1.1"]
    assert (row["state"], row["kept"], row["given"], row["flow_m3h"]) == ("reading", True, True, last["flow_m3h"])
    assert [row["state"] for row in rows(to, "plateaus") if row["kept_flow_m3h"] == last["flow_m3h"]] == ["refused"]
    given = sum(bool(row["given"]) for row in rows(to, "readings"))
    assert (
        given
        == sum(row["n_readings"] for row in rows(to, "terminals"))
        == len([e for e in lines if e["kind"] == "reading"])
    )


def test_what_a_person_chose_is_marked_with_the_automatic_one_beside(house: Path, made: Path) -> None:
    mine = [row for row in rows(made, "readings") if row["visit"] == two(made)]
    by_person = {row["window"]: row for row in mine if row["by"] == "person"}
    given = {e["terminal"]: e for e in entries(house / "deep" / "er" / "two") if e["kind"] == "reading"}
    cut = by_person["01:3.1"]
    assert cut["automatic_flow_m3h"] == given["E1"]["flow_m3h"] != cut["flow_m3h"]
    (line,) = [n for n, e in enumerate(entries(house / "deep" / "er" / "two"), 1) if "01:3.1" in str(e.get("change"))]
    assert (cut["line"], cut["decided_utc"].isoformat()) == (line, LATER.replace(".000", ""))
    assert cut["cuts"].endswith(" by hand")
    rejected = by_person["01:2.2"]
    assert (rejected["state"], rejected["given"], rejected["why"]) == ("rejected", False, None)
    assert rejected["automatic_terminal"] == "S2"
    assert [row["window"] for row in mine if row["hold"] and row["hold"] > 9000] == [w for w in by_person if ":9" in w]
    (hand,) = [row for row in mine if row["window"] is None]
    assert (hand["terminal"], hand["flow_m3h"], hand["u_flow_m3h"], hand["by"]) == ("E2", 33.3, 1.5, "hand")
    assert (hand["meter"], hand["kept"], hand["stage"]) == ("=x", True, "round")


def test_terminals_are_what_compare_says(house: Path, made: Path) -> None:
    from hoodtrace.dwelling.compare import compare
    from hoodtrace.dwelling.visit import Visit

    found = compare([Visit(house / "one"), Visit(house / "deep" / "er" / "two")])
    ends = {(row["visit"] == two(made), row["terminal"]): row for row in rows(made, "terminals")}
    for row in found.rows:
        for person, cell in zip((False, True), found_in_order(found, row.cells), strict=True):
            mine = ends[person, row.terminal]
            assert mine["end_m3h"] == (None if cell.result is None else cell.result.flow_m3h)
            assert mine["end_expanded_m3h"] == (None if cell.result is None else cell.result.expanded_m3h)


def found_in_order(found: Any, cells: Any) -> list[Any]:
    """The cells of a comparison's row: of `one`, then of `two`."""
    folders = [Path(head.folder).name for head in found.visits]
    return [cells[folders.index(name)] for name in ("one", "two")]


def test_first_flows_end_with_the_first_turn(tmp_path: Path) -> None:
    many_visits.make(tmp_path / "v", np.random.default_rng(3), 1, n_terminals=4)
    with pytest.raises(FileError, match="could not be used"):  # there is no trace
        archive(tmp_path)
    given = [e for e in entries(tmp_path / "v") if e["kind"] == "reading"]
    for row in rows(tmp_path / "hoodtrace-archive", "terminals"):
        mine = [e for e in given if e["terminal"] == row["terminal"]]
        assert (row["first_m3h"], row["end_m3h"]) == (mine[0]["flow_m3h"], mine[-1]["flow_m3h"])
        assert (row["n_turns"], row["n_readings"], row["end_n"]) == (len(mine) - 1, len(mine), 1)
    (visit,) = rows(tmp_path / "hoodtrace-archive", "visits")
    assert (visit["n_climbs"], visit["n_readings"], visit["n_turns"], visit["finished"]) == (4, 6, 2, True)


def test_samples_are_those_of_the_trace(house: Path, made: Path) -> None:
    found = pq.read_table(made / "samples")
    lines = [line for line in (house / "one/traces/02.trace").read_bytes().splitlines() if line[:2] == b"S "]
    mine = [r for r in found.to_pylist() if r["trace"] == "02"]
    assert len(mine) == len(lines)
    assert set(found["visit"].to_pylist()) == {row["visit"] for row in rows(made, "visits")}


def test_customer_data_enters_only_where_it_is_asked_for_and_goes_again(house: Path, tmp_path: Path) -> None:
    shutil.copytree(house, tmp_path / "ottilie")
    visit = tmp_path / "ottilie" / "deep" / "er" / "two"
    (visit / "customer.toml").write_text(
        'name = "Ottilie Beispiel"\naddress = "Ahornweg 3"\ncontact = "ottilie@example.invalid"\n', encoding="utf-8"
    )
    review = reviewed_visit.opened(visit)
    review.change({"do": "note", "id": "01:1.1", "text": "Ahornweg: neighbour looked in"}, LATER)
    to = tmp_path / "to"
    archive(tmp_path, "--to", to, "--samples")
    words = [name.encode() for name in (*NAMES, "ottilie", "Ann opened", "smoke", "neighbour")]
    # Texts in Parquet are compressed: what was put in is looked at as it comes out, and the parts as they lie there.
    plain = [json.dumps(rows(to, name), default=str).encode() for name in TABLES]
    for text in (*plain, *content(to).values()):
        assert not any(word in text for word in words)
    for table, columns in CUSTOMER.items():
        assert all(row[column] is None for row in rows(to, table) for column in columns)
    archive(tmp_path, "--to", to, "--customers")
    asked = {row["site"]: row for row in rows(to, "visits") if row["customer"]}["Alder Row 7"]
    assert (asked["customer"], asked["customer_address"]) == (NAMES[1], "Ahornweg 3")
    assert asked["customer_contact"] == NAMES[3]
    assert asked["folder"] == "ottilie/deep/er/two"
    assert any(row["why"] == "smoke" for row in rows(to, "readings"))
    assert any(row["notes"] and "neighbour" in row["notes"] for row in rows(to, "readings"))
    assert any("Ann opened the door" in (row["cuts"] or "") for row in rows(to, "readings"))
    archive(tmp_path, "--to", to)
    assert all(row["site"] is None and row["folder"] is None for row in rows(to, "visits"))
    assert not (to / "samples").exists() or not list((to / "samples").rglob("*.parquet"))
    assert not any(b"ottilie" in text or b"Ahornweg" in text for text in content(to).values())


def test_customers_go_also_from_visits_that_cant_be_read_now(house: Path, tmp_path: Path) -> None:
    shutil.copytree(house / "one", tmp_path / "house" / "one")
    archive(tmp_path / "house", "--customers")
    to = tmp_path / "house" / "hoodtrace-archive"
    assert json.loads((to / MARK).read_text())["customers"]
    journal = tmp_path / "house" / "one" / "journal.jsonl"
    journal.unlink()
    journal.mkdir()
    with pytest.raises(FileError, match="1 things"):  # asked for, so it stays
        archive(tmp_path / "house", "--customers")
    assert [row["site"] for row in rows(to, "visits")] == ["Alder Row 7"]
    with pytest.raises(FileError, match="1 things"):
        archive(tmp_path / "house")
    assert rows(to, "visits") == []
    assert not any(b"Alder Row" in text for text in content(to).values())
    assert not json.loads((to / MARK).read_text())["customers"]


def test_the_mark_says_what_is_still_in_the_tables(house: Path, tmp_path: Path) -> None:
    """As after a kill: customers are not wanted any more, the tables are still the old ones."""
    archive(house, "--to", tmp_path / "to", "--customers")
    with Dataset(tmp_path / "to", Options()).at_work():
        pass
    assert json.loads((tmp_path / "to" / MARK).read_text())["customers"]
    archive(house, "--to", tmp_path / "to")
    assert not json.loads((tmp_path / "to" / MARK).read_text())["customers"]


def test_what_has_not_changed_is_not_read_again(house: Path, tmp_path: Path) -> None:
    shutil.copytree(house, tmp_path / "house")
    assert "2 visits read" in archive(tmp_path / "house")
    to = tmp_path / "house" / "hoodtrace-archive"
    before = content(to)
    stamps = {path: path.stat().st_mtime_ns for path in to.rglob("*.parquet")}
    assert "0 visits read" in archive(tmp_path / "house")
    assert "2 visits read" in archive(tmp_path / "house", "--again")
    assert content(to) == before
    assert {path: path.stat().st_mtime_ns for path in stamps} == stamps
    reviewed_visit.run("enter", tmp_path / "house/one", "E2", "30")
    assert "1 visits read" in archive(tmp_path / "house")
    with (tmp_path / "house/deep/er/two/hood.toml").open("a") as file:
        file.write("# a word more\n")
    with pytest.raises(FileError, match="1 things"):  # the journal builds on another hood file
        archive(tmp_path / "house")
    assert len(rows(to, "visits")) == 2
    with pytest.raises(FileError, match="1 things"):  # said again, although it is not read again
        archive(tmp_path / "house")


def test_visits_that_are_gone_go_and_files_of_others_stay(house: Path, tmp_path: Path) -> None:
    shutil.copytree(house, tmp_path / "house")
    to = tmp_path / "house" / "hoodtrace-archive"
    archive(tmp_path / "house", "--samples")
    (gone,) = {row["visit"] for row in rows(to, "visits")} - {two(to)}
    foreign = [to / "mine.txt", to / "parts" / "mine.part", to / "readings" / "mine.parquet"]
    foreign.append(to / "samples" / f"visit={gone}" / "mine.txt")
    for path in foreign:
        path.write_text("mine")
    shutil.rmtree(tmp_path / "house" / "one")
    assert "1 that is gone removed" in archive(tmp_path / "house", "--samples")
    assert [row["visit"] for row in rows(to, "visits")] == [two(to)]
    assert not (to / "parts" / f"{gone}.part").exists()
    assert all(path.read_text() == "mine" for path in foreign)
    assert not list((to / "samples" / f"visit={gone}").glob("*.parquet"))


def test_copies_are_named_and_left_out_and_what_differs_is_a_visit(house: Path, tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        shutil.copytree(house / "one", tmp_path / name)
    said = archive(tmp_path)
    assert said.count("left out: ") == 2
    assert "1 visits" in said
    first = rows(tmp_path / "hoodtrace-archive", "visits")[0]["visit"]
    for name in ("b", "c"):
        reviewed_visit.run("enter", tmp_path / name, "E2", "30", "--meter", name)
    said = archive(tmp_path)
    assert "2 visits" in said  # b and c differ; a is an older state of both
    assert first in [row["visit"] for row in rows(tmp_path / "hoodtrace-archive", "visits")]
    (tmp_path / "a/traces/02.trace").write_bytes(b"other")
    with pytest.raises(FileError, match="1 things"):  # a copy no more, and its trace is damaged
        archive(tmp_path)
    assert len(rows(tmp_path / "hoodtrace-archive", "visits")) == 3


def test_links_that_go_round_end(house: Path, tmp_path: Path) -> None:
    (tmp_path / "visits").mkdir()
    (tmp_path / "visits" / "linked").symlink_to(house / "one")
    (tmp_path / "visits" / "round").symlink_to(tmp_path / "visits")
    (tmp_path / "visits" / "other").symlink_to(house / "one")
    (tmp_path / "visits" / "nowhere").symlink_to(tmp_path / "nowhere")
    said = archive(tmp_path / "visits")
    assert "1 visits, " in said
    assert "left out" not in said


@pytest.mark.parametrize("what", ["file", "folder", "visit", "other", "version"])
def test_a_folder_that_is_no_archive_is_refused(house: Path, tmp_path: Path, what: str) -> None:
    to = tmp_path / "to"
    if what == "file":
        to.write_text("mine")
    elif what == "visit":
        shutil.copytree(house / "one", to)
    else:
        to.mkdir()
        (to / ("mine.txt" if what == "folder" else MARK)).write_text("1" if what == "other" else '{"a": 1}')
    before = content(to) if to.is_dir() else {"": to.read_bytes()}
    with pytest.raises(UsageError, match="archive"):
        archive(house, "--to", to)
    assert (content(to) if to.is_dir() else {"": to.read_bytes()}) == before


def test_no_visit_is_said_and_nothing_is_made(tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="holds no visit"):
        archive(tmp_path)
    with pytest.raises(VisitError, match="can't be searched"):
        archive(tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_visit_is_named_and_the_others_are_there(house: Path, tmp_path: Path) -> None:
    shutil.copytree(house, tmp_path / "house")
    for name, text in (("plan", "[site]\nname = 3\n"), ("hood", "name = "), ("journal", "{}")):
        folder = shutil.copytree(house / "one", tmp_path / "house" / name)
        file = {"plan": "visit.toml", "hood": "hood.toml", "journal": "journal.jsonl"}[name]
        (folder / file).write_text(text)
    (tmp_path / "house" / "link").mkdir()
    for name in ("visit.toml", "hood.toml"):
        (tmp_path / "house" / "link" / name).symlink_to(tmp_path / "nowhere")
    done = CliRunner().invoke(app, ["archive", str(tmp_path / "house"), "--jobs", "1"])
    assert isinstance(done.exception, FileError)
    for name in ("plan", "hood", "journal", "link"):
        assert f"not in it: {tmp_path / 'house' / name}: " in done.stderr
    assert str(tmp_path / "house" / "one") not in done.stderr
    assert len({row["visit"] for row in rows(tmp_path / "house/hoodtrace-archive", "visits")}) >= 2
    assert "hoodtrace-visit-" not in done.stderr


def test_a_visit_is_never_written_to(house: Path, tmp_path: Path) -> None:
    """Not even its torn last line is mended, as other commands do."""
    shutil.copytree(house / "one", tmp_path / "v")
    with (tmp_path / "v" / "journal.jsonl").open("ab") as file:
        file.write(b'{"kind":"reading","torn')
    before = content(tmp_path / "v")
    with pytest.raises(FileError, match="1 things"):
        archive(tmp_path, "--to", tmp_path / "to")
    assert content(tmp_path / "v") == before
    given = [row["line"] for row in rows(tmp_path / "to", "readings") if row["given"]]
    whole = before["journal.jsonl"].splitlines()[:-1]
    assert given == [n for n, line in enumerate(whole, 1) if b'"kind":"reading"' in line]


def test_a_damaged_part_is_made_again(house: Path, tmp_path: Path) -> None:
    archive(house, "--to", tmp_path / "to")
    before = content(tmp_path / "to")
    part = next((tmp_path / "to" / "parts").glob("*.part"))
    spoiled = bytearray(part.read_bytes())
    spoiled[len(spoiled) // 2] ^= 1
    part.write_bytes(bytes(spoiled))
    (tmp_path / "to" / "readings" / "readings.parquet").write_bytes(b"PAR1")
    assert "1 visits read" in archive(house, "--to", tmp_path / "to")
    assert content(tmp_path / "to") == before


def test_what_is_read_again_gets_into_the_tables(house: Path, tmp_path: Path) -> None:
    """Also where another numpy made other numbers of the same files."""
    archive(house, "--to", tmp_path / "to")
    before = content(tmp_path / "to")
    path = next((tmp_path / "to" / "parts").glob("*.part"))
    part = read_part(path.read_bytes())
    assert part is not None
    fewer = {name: table.slice(1) if name == "plateaus" else table for name, table in part.tables.items()}
    path.write_bytes(part_bytes(replace(part, tables=fewer)))
    assert "0 visits read" in archive(house, "--to", tmp_path / "to")
    n_rows = sum(len(rows(tmp_path / "to", name)) for name in TABLES)
    archive(house, "--to", tmp_path / "to", "--again")
    assert content(tmp_path / "to") == before
    assert n_rows == sum(len(rows(tmp_path / "to", name)) for name in TABLES) - 1


def test_samples_that_a_kill_left_go(house: Path, tmp_path: Path) -> None:
    """As if `--samples` had been ended between the samples of a visit and its part, and not asked for again."""
    archive(house, "--to", tmp_path / "with", "--samples")
    archive(house, "--to", tmp_path / "to")
    before = content(tmp_path / "to")
    shutil.copytree(tmp_path / "with" / "samples", tmp_path / "to" / "samples")
    assert "0 visits read" in archive(house, "--to", tmp_path / "to")
    assert content(tmp_path / "to") == before
    assert not (tmp_path / "to" / "samples").exists()


def test_an_archive_that_was_killed_with_its_first_file_goes_on(house: Path, tmp_path: Path) -> None:
    (tmp_path / "to").mkdir()
    (tmp_path / "to" / f"{MARK}.part").write_bytes(b"{")
    archive(house, "--to", tmp_path / "to")
    assert len(rows(tmp_path / "to", "visits")) == 2
    assert not list((tmp_path / "to").rglob(f"{MARK}.part"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
@pytest.mark.parametrize("name", ["journal.jsonl", "traces/03.trace"])
def test_what_never_ends_is_not_read(house: Path, tmp_path: Path, name: str) -> None:
    shutil.copytree(house, tmp_path / "house")
    path = tmp_path / "house" / "one" / name
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    with pytest.raises(FileError, match="1 things"):
        archive(tmp_path / "house")
    assert len(rows(tmp_path / "house" / "hoodtrace-archive", "visits")) == 1
    path.unlink()
    path.symlink_to("/dev/zero")
    with pytest.raises(FileError, match="1 things"):
        archive(tmp_path / "house")


def test_processes_keep_nothing_of_what_they_gave(house: Path) -> None:
    visits = [files_of(house / "one"), files_of(house / "deep" / "er" / "two")] * 2
    held = []
    for done in by_processes(2)([Job(files, Options()) for files in visits]):
        assert done.part
        held.append(sum(isinstance(one, Done) for one in gc.get_objects()))
    assert len(held) == len(visits)
    assert held[-1] == 1


def test_a_part_of_other_tables_is_not_taken() -> None:
    import pyarrow as pa

    part = Part("a" * 20, "b", (), {name: pa.table({"visit": ["a"]}) for name in TABLES})
    assert read_part(part_bytes(part)) is None
    assert read_part(b"") is None
