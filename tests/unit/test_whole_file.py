"""A file is there whole or not at all, and nothing is written through a link."""

from __future__ import annotations

from pathlib import Path

import pytest

from hoodtrace.wire.whole_file import write_whole


@pytest.mark.parametrize("name", ["report.pdf", "report.pdf.part"])
def test_nothing_is_written_through_a_link(tmp_path: Path, name: str) -> None:
    other = tmp_path / "other.txt"
    other.write_bytes(b"not yours")
    folder = tmp_path / "visit"
    folder.mkdir()
    (folder / name).symlink_to(other)
    write_whole(folder / "report.pdf", b"new")
    assert other.read_bytes() == b"not yours"
    assert not (folder / "report.pdf").is_symlink()
    assert (folder / "report.pdf").read_bytes() == b"new"
    assert [path.name for path in folder.iterdir()] == ["report.pdf"]


def test_what_a_kill_left_half_written_is_written_anew(tmp_path: Path) -> None:
    (tmp_path / "report.pdf.part").write_bytes(b"a longer half of an older one")
    write_whole(tmp_path / "report.pdf", b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("report.pdf", b"new")]
