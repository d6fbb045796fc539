"""The journal: what is appended is read again, and no damage or change goes unnoticed."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from zlib import crc32

import pytest

from hoodtrace.dwelling.journal import JOURNAL, append, entries, read_lines
from hoodtrace.errors import VisitError

ENTRIES = [
    {"kind": "begun", "utc": "2030-01-01T09:00:00+00:00"},
    {"kind": "note", "utc": "2030-01-01T09:05:00+00:00", "text": 'Küche, "S1"\nsecond line ,"crc":"00000000"}'},
    {"kind": "entered", "utc": "2030-01-01T09:06:00+00:00", "terminal": "S1", "flow_m3h": 42.5, "after_turn": False},
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "visit.toml").write_bytes(b'[site]\nname = "Alder Row 7"\n')
    (tmp_path / "hood.toml").write_bytes(b'name = "pipe hood 1"\n')
    return tmp_path


@pytest.fixture
def hashes(folder: Path) -> list[str]:
    return [append(folder, fields) for fields in ENTRIES]


def rewritten(line: bytes, old: bytes, new: bytes) -> bytes:
    """The line changed by someone who knows the CRC (zlib's own is the source)."""
    assert old in line
    body = line[: line.rindex(b',"crc":"')].replace(old, new)
    return body + b',"crc":"%08x"}' % crc32(body + b"}")


def refusal(folder: Path) -> VisitError:
    with pytest.raises(VisitError) as caught:
        entries(folder)
    assert caught.value.path == folder / JOURNAL
    return caught.value


def test_entries_come_back_in_order(folder: Path, hashes: list[str]) -> None:
    found = entries(folder)
    assert [{k: v for k, v in entry.items() if k not in ("prev", "crc")} for entry in found] == ENTRIES
    assert len(set(hashes)) == 3


def test_each_line_is_one_json_object_with_crc_and_the_hash_of_the_one_before(folder: Path, hashes: list[str]) -> None:
    lines = (folder / JOURNAL).read_bytes().split(b"\n")
    assert lines.pop() == b""
    assert len(lines) == 3
    before = hashlib.sha256((folder / "visit.toml").read_bytes() + (folder / "hood.toml").read_bytes()).hexdigest()
    for line, said in zip(lines, hashes, strict=True):
        entry = json.loads(line)
        assert entry["prev"] == before
        body = line[: line.rindex(b',"crc"')] + b"}"
        assert entry["crc"] == f"{crc32(body):08x}"
        before = hashlib.sha256(line).hexdigest()
        assert said == before


def test_append_only_appends(folder: Path, hashes: list[str]) -> None:
    before = (folder / JOURNAL).read_bytes()
    append(folder, {"kind": "note", "utc": "2030-01-01T10:00:00+00:00"})
    assert (folder / JOURNAL).read_bytes().startswith(before)
    assert len(entries(folder)) == len(hashes) + 1


@pytest.mark.parametrize("number", [1, 2, 3])
def test_any_flipped_bit_is_found_and_its_line_named(folder: Path, hashes: list[str], number: int) -> None:
    whole = (folder / JOURNAL).read_bytes()
    lines = whole.split(b"\n")
    start = sum(len(line) + 1 for line in lines[: number - 1])
    for offset in range(0, len(lines[number - 1]), 5):
        damaged = bytearray(whole)
        damaged[start + offset] ^= 0x04
        (folder / JOURNAL).write_bytes(damaged)
        assert refusal(folder).key == str(number)
        with pytest.raises(VisitError):
            append(folder, {"kind": "note", "utc": "2030-01-01T10:00:00+00:00"})
    assert len(hashes) == 3


def test_a_cut_line_is_found_at_each_length(folder: Path, hashes: list[str]) -> None:
    whole = (folder / JOURNAL).read_bytes()
    last = whole.rstrip(b"\n").rindex(b"\n") + 1
    for end in range(last + 1, len(whole)):
        (folder / JOURNAL).write_bytes(whole[:end])
        error = refusal(folder)
        assert error.key == "3"
        assert "cut off" in str(error)
    assert len(hashes) == 3


@pytest.mark.parametrize("number", [1, 2])
def test_a_line_changed_with_its_crc_breaks_the_chain(folder: Path, hashes: list[str], number: int) -> None:
    lines = (folder / JOURNAL).read_bytes().split(b"\n")
    lines[number - 1] = rewritten(lines[number - 1], b"2030-01-01T09:0", b"2031-01-01T09:0")
    (folder / JOURNAL).write_bytes(b"\n".join(lines))
    assert len(read_lines(folder)) == len(hashes)
    assert refusal(folder).key == str(number + 1)


def test_the_last_line_changed_shows_in_the_newest_hash_only(folder: Path, hashes: list[str]) -> None:
    lines = (folder / JOURNAL).read_bytes().split(b"\n")
    lines[2] = rewritten(lines[2], b"42.5", b"24.5")
    (folder / JOURNAL).write_bytes(b"\n".join(lines))
    assert entries(folder)[2]["flow_m3h"] == 24.5
    assert hashlib.sha256(read_lines(folder)[-1]).hexdigest() != hashes[-1]


@pytest.mark.parametrize("gone", [0, 1])
def test_a_line_taken_out_breaks_the_chain(folder: Path, hashes: list[str], gone: int) -> None:
    lines = (folder / JOURNAL).read_bytes().split(b"\n")
    del lines[gone]
    (folder / JOURNAL).write_bytes(b"\n".join(lines))
    assert refusal(folder).key == str(gone + 1)
    assert len(hashes) == 3


@pytest.mark.parametrize("name", ["visit.toml", "hood.toml"])
def test_plan_and_hood_file_are_part_of_the_chain(folder: Path, hashes: list[str], name: str) -> None:
    (folder / name).write_bytes((folder / name).read_bytes() + b"# changed\n")
    assert refusal(folder).key == "1"
    (folder / name).unlink()
    with pytest.raises(VisitError) as caught:
        entries(folder)
    assert caught.value.path == folder / name
    assert len(hashes) == 3


def test_no_journal_is_said(folder: Path) -> None:
    refusal(folder)


@pytest.mark.parametrize("body", [b"hello", b"[1", b"{", b"\xff\xfe"], ids=["word", "list", "brace", "not UTF-8"])
def test_a_line_with_a_right_crc_that_is_no_object_is_refused(folder: Path, hashes: list[str], body: bytes) -> None:
    """Someone wrote it by hand, CRC and all: a message with its line, not an error of the JSON reader."""
    forged = body + b',"crc":"%08x"}' % crc32(body + b"}")
    (folder / JOURNAL).write_bytes((folder / JOURNAL).read_bytes() + forged + b"\n")
    assert refusal(folder).key == str(len(hashes) + 1)
