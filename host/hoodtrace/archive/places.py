"""Where things lie in an archive, for who writes and who asks it."""

from __future__ import annotations

from pathlib import Path

MARK = "hoodtrace-archive.json"
DEFAULT = "hoodtrace-archive"
MADE_OF = "made_of"
"""What each table says in its metadata of the parts it was made of: the same in all tables of an archive."""
PARTS, SAMPLES, DICTIONARY, AGAIN = "parts", "samples", "dictionary.csv", "again"


def table_path(archive: Path, name: str) -> Path:
    """Return where a table lies."""
    return archive / name / f"{name}.parquet"


def is_archive(folder: Path) -> bool:
    """Whether a folder is an archive."""
    return (folder / MARK).is_file()
