"""The cells of a CSV or spreadsheet file (.xlsx) as rows, nothing read into them yet.

Which of the two a file is, its content says. CSV is UTF-8 with or without a byte order mark, separated by semicolons,
commas or tabs, whichever makes more of the row with the wanted headings. A cell that can't be taken (a formula without
a stored result, an error, a date) stands as `Unfit`, so that it is named only where it is needed.
"""

from __future__ import annotations

import csv
import datetime
import io
import warnings
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

from hoodtrace.errors import VisitError

_LARGEST_BYTES = 5_000_000
_LARGEST_UNPACKED = 100_000_000
_MOST_ROWS, _MOST_COLUMNS = 2000, 100
_SEPARATORS = (";", ",", "\t")
Decimals = Literal["point", "comma", "either"]


@dataclass(frozen=True, slots=True)
class Unfit:
    """A cell that can't be taken, and why."""

    why: str


Cell = str | int | float | bool | Unfit | None
_Part = TypeVar("_Part")


@dataclass(frozen=True, slots=True)
class Grid:
    """The rows of a file (row 1 first), where its headings stand (index), and which decimal sign its texts have."""

    rows: tuple[tuple[Cell, ...], ...]
    heading: int
    decimals: Decimals
    notes: tuple[str, ...] = ()


def read_grid(path: Path, wanted: Collection[str]) -> Grid:
    """Return the cells of the file `path`; the first row that has all `wanted` cells, in any case, is its heading.

    Raises
    ------
    VisitError
        The file can't be read, is neither kind, is not UTF-8, too large, or has no such row.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise VisitError(path, f"the table can't be read ({error.strerror}). Give its path.") from error
    if len(content) > _LARGEST_BYTES:
        raise VisitError(path, f"has more than {_LARGEST_BYTES} bytes. Is it a table of terminals?")
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise VisitError(path, "is a spreadsheet of the old kind, or has a password. Save it as .xlsx or as CSV.")
    if content.startswith(b"PK"):
        return _of_spreadsheet(path, content, wanted)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        words = f"is not a text file in UTF-8 (byte {error.start}); it may be Windows-1252."
        raise VisitError(path, f"{words} Save it as CSV UTF-8, or as .xlsx.") from error
    return _of_csv(path, text, wanted)


def _of_csv(path: Path, text: str, wanted: Collection[str]) -> Grid:
    for separator in _SEPARATORS:
        try:
            rows = tuple(tuple(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator))
        except csv.Error as error:
            raise VisitError(path, f"is no whole CSV file ({error}). Save it again as CSV UTF-8.") from error
        heading = _heading(rows, wanted)
        if heading is not None:
            _check_size(path, rows)
            return Grid(rows, heading, "point" if separator == "," else "comma")
    raise _without_heading(path, wanted)


def _of_spreadsheet(path: Path, content: bytes, wanted: Collection[str]) -> Grid:
    import zipfile

    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            unpacked = sum(part.file_size for part in packed.infolist())
        if unpacked > _LARGEST_UNPACKED:
            raise VisitError(path, f"unpacks to {unpacked} bytes. Is it a table of terminals?")
        with warnings.catch_warnings():  # openpyxl warns of drawings and the like, which are no concern here
            warnings.simplefilter("ignore")
            results, formulas = (
                openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=only) for only in (True, False)
            )
            sheets = [each.title for each in results.worksheets]
            for name in sheets:
                rows = _trimmed(
                    _trimmed(_cell(cell, formula) for cell, formula in zip(*pair, strict=True))
                    for pair in zip(_rows(results[name]), _rows(formulas[name]), strict=True)
                )
                heading = _heading(rows, wanted)
                if heading is not None:
                    _check_size(path, rows)
                    notes = (f'the sheet "{name}" was read, of {len(sheets)}',) if len(sheets) > 1 else ()
                    return Grid(rows, heading, "either", notes)
    except VisitError:
        raise
    except Exception as error:  # openpyxl lets through whatever its XML and ZIP parts raise
        words = f"can't be read as a spreadsheet ({type(error).__name__}: {str(error)[:200]}). Save it as CSV UTF-8."
        raise VisitError(path, words) from error
    raise _without_heading(path, wanted)


def _rows(sheet: Any) -> Any:
    sheet.reset_dimensions()  # what the file says of its size may be wrong; then only the cells count
    return sheet.iter_rows(max_row=_MOST_ROWS + 1, max_col=_MOST_COLUMNS + 1)


def _trimmed(cells: Iterable[_Part]) -> tuple[_Part, ...]:
    """Return the cells of a row, or the rows, without what is empty behind the last one."""
    kept = list(cells)
    while kept and kept[-1] in (None, ()):
        kept.pop()
    return tuple(kept)


def _cell(result: Any, formula: Any) -> Cell:
    if formula.data_type == "f" and result.value is None:
        return Unfit("is a formula without a stored result; open the file in the spreadsheet program and save it")
    value = result.value
    if result.data_type == "e":
        return Unfit(f"shows the error {value}")
    if isinstance(value, datetime.date | datetime.time | datetime.timedelta):
        return Unfit(f"is a date or time ({value}); give the cell the format text and write it again")
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return Unfit(f"holds something that is no text or number ({type(value).__name__})")


def _heading(rows: tuple[tuple[Cell, ...], ...], wanted: Collection[str]) -> int | None:
    for i, row in enumerate(rows[:100]):
        if set(wanted) <= {cell.strip().casefold() for cell in row if isinstance(cell, str)}:
            return i
    return None


def _check_size(path: Path, rows: tuple[tuple[Cell, ...], ...]) -> None:
    if len(rows) > _MOST_ROWS or max(map(len, rows)) > _MOST_COLUMNS:
        raise VisitError(path, f"has more than {_MOST_ROWS} rows or {_MOST_COLUMNS} columns. Is it a plan's table?")


def _without_heading(path: Path, wanted: Collection[str]) -> VisitError:
    return VisitError(path, f"has no row of headings with {', '.join(wanted)}. Write them over the columns.")
