"""The cells of a CSV or spreadsheet file (.xlsx) as rows, nothing read into them yet.

Which of the two a file is, its content says. CSV is UTF-8 with or without a byte order mark, separated by semicolons,
commas or tabs, whichever makes more of the row with the wanted headings. A cell that can't be taken (a formula without
a stored result, an error, a date) stands as `Unfit`, so that it is named only where it is needed.

A small packed file can hold a great deal: what it unpacks to and how many marks its XML has are counted before anything
is made of it, and no more rows, columns and cells are read than a plan could need.
"""

from __future__ import annotations

import csv
import datetime
import io
import warnings
import zipfile
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Literal, TypeVar

from hoodtrace.errors import VisitError

_LARGEST_BYTES = 5_000_000
_LARGEST_UNPACKED = 10_000_000
_MOST_MARKS, _MOST_STYLE_MARKS = 200_000, 30_000
"""Of "<": a plan of 500 terminals with 30 columns has 60 000 to 120 000. Each mark of the styles costs far more."""
_STYLES = "xl/styles.xml"
_MOST_ROWS, _MOST_COLUMNS, _MOST_CELLS = 1000, 100, 40_000
_LONGEST_CELL = 2000  # letters; the plan takes at most 1000
_BLOCK = 1 << 16
_ALONE = "Copy the rows of terminals, with their headings, into a new file of their own, or save them as CSV UTF-8."
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
    return grid_of(path, content, wanted)


def grid_of(path: Path | str, content: bytes, wanted: Collection[str]) -> Grid:
    """Return the cells of the file whose bytes are `content`; `path` is what messages call it. See `read_grid`."""
    if len(content) > _LARGEST_BYTES:
        raise VisitError(path, f"has more than {_LARGEST_BYTES} bytes. {_ALONE}")
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


def _of_csv(path: Path | str, text: str, wanted: Collection[str]) -> Grid:
    for separator in _SEPARATORS:
        try:
            lines = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
            rows = tuple(tuple(row[: _MOST_COLUMNS + 1]) for row in islice(lines, _MOST_ROWS + 1))
        except csv.Error as error:
            raise VisitError(path, f"is no whole CSV file ({error}). Save it again as CSV UTF-8.") from error
        heading = _heading(rows, wanted)
        if heading is not None:
            _check_size(path, rows)
            return Grid(rows, heading, "point" if separator == "," else "comma")
    raise _without_heading(path, wanted)


def _of_spreadsheet(path: Path | str, content: bytes, wanted: Collection[str]) -> Grid:
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            _check_packed(path, packed)
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


def _check_packed(path: Path | str, packed: zipfile.ZipFile) -> None:
    """Refuse what is too large to be read; a part never gives more bytes than the size that it says."""
    unpacked = sum(part.file_size for part in packed.infolist())
    if unpacked > _LARGEST_UNPACKED:
        raise VisitError(path, f"unpacks to {unpacked} bytes, more than {_LARGEST_UNPACKED}. {_ALONE}")
    n_marks = 0
    for part in packed.infolist():
        n_part = 0
        with packed.open(part) as file:
            while block := file.read(_BLOCK):
                n_part += block.count(b"<")
        n_marks += n_part
        if n_marks > _MOST_MARKS or (part.filename.casefold() == _STYLES and n_part > _MOST_STYLE_MARKS):
            words = f"holds more than a plan's table needs (by {part.filename[:100]!r}: {n_part} marks of XML)"
            raise VisitError(path, f"{words}. {_ALONE}")


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
    if isinstance(value, str) and len(value) > _LONGEST_CELL:
        return Unfit(f"has {len(value)} letters, more than {_LONGEST_CELL}; shorten it")
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return Unfit(f"holds something that is no text or number ({type(value).__name__})")


def _heading(rows: tuple[tuple[Cell, ...], ...], wanted: Collection[str]) -> int | None:
    for i, row in enumerate(rows[:100]):
        if set(wanted) <= {cell.strip().casefold() for cell in row if isinstance(cell, str)}:
            return i
    return None


def _check_size(path: Path | str, rows: tuple[tuple[Cell, ...], ...]) -> None:
    if len(rows) > _MOST_ROWS or max(map(len, rows)) > _MOST_COLUMNS or sum(map(len, rows)) > _MOST_CELLS:
        most = f"{_MOST_ROWS} rows, {_MOST_COLUMNS} columns or {_MOST_CELLS} cells"
        raise VisitError(path, f"has more than {most}. {_ALONE}")


def _without_heading(path: Path | str, wanted: Collection[str]) -> VisitError:
    return VisitError(path, f"has no row of headings with {', '.join(wanted)}. Write them over the columns.")
