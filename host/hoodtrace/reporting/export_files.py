"""Export's files: CSV and Parquet of the same tables, streamed, each whole or not at all.

A list of checksums lies beside them. What stands in it, unchanged, export may write over; any other file it leaves
alone. Same input, same bytes, no time of day in them. A text in CSV is guarded against being taken for a formula;
Parquet keeps it as it is.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from hoodtrace.errors import FileError, UsageError
from hoodtrace.reporting.export_columns import Column, schema
from hoodtrace.sheet_cells import guarded
from hoodtrace.wire.whole_file import write_whole

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

MADE = "made-by-hoodtrace-export.sha256"
BOM = b"\xef\xbb\xbf"


class Folder:
    """Where an export goes.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    names : sequence of str
        All files that will be written.
    replace : bool
        Write over files that export did not make, or that were changed since.

    Raises
    ------
    UsageError
        A file is there that must not be written over; nothing was written.
    FileError
        The folder can't be made or read.
    """

    def __init__(self, path: Path, names: Sequence[str], replace: bool = False) -> None:
        self.path = path
        try:
            path.mkdir(parents=True, exist_ok=True)
            self._made = _listed(path / MADE)
            foreign = [name for name in names if (path / name).exists() and not self._is_ours(name)]
        except OSError as error:
            raise FileError(path, f"can't be an export's folder ({error.strerror}). Name another: --to") from error
        if foreign and not replace:
            raise UsageError(
                f"{path}: {', '.join(foreign)} {'is' if len(foreign) == 1 else 'are'} not as export made it. Name "
                "another folder with --to, or say --replace"
            )

    def put(self, name: str, content: bytes) -> None:
        """Write a small file."""
        with self._writing(name) as file:
            file.write(content)

    def put_tables(
        self, stem: str, columns: tuple[Column, ...], tables: Iterable[pa.Table], formats: Sequence[str]
    ) -> int:
        """Write tables one below the other as STEM.csv and STEM.parquet; return the number of rows."""
        import pyarrow.csv  # type: ignore[import-untyped]
        import pyarrow.parquet  # type: ignore[import-untyped]

        shape, n = schema(columns), 0
        with contextlib.ExitStack() as stack:
            parquet = sheet = None
            if "csv" in formats:
                file = stack.enter_context(self._writing(f"{stem}.csv"))
                file.write(BOM)
                sheet = stack.enter_context(pyarrow.csv.CSVWriter(file, shape))
            if "parquet" in formats:
                file = stack.enter_context(self._writing(f"{stem}.parquet"))
                # Numbers that seldom repeat grow by a dictionary, and take longer.
                often = [column.name for column in columns if column.kind == "text"]
                writer = pyarrow.parquet.ParquetWriter(file, shape, compression="zstd", use_dictionary=often)
                parquet = stack.enter_context(writer)
            for table in tables:
                n += table.num_rows
                if sheet is not None:
                    sheet.write_table(_for_sheet(table).cast(shape))
                if parquet is not None:
                    parquet.write_table(table.cast(shape))
        return n

    def close(self) -> None:
        """Say of each file what it is now, and of no other."""
        self._made = {name: digests[-1:] for name, digests in self._made.items() if (self.path / name).exists()}
        self._note()

    def _is_ours(self, name: str) -> bool:
        return _digest(self.path / name) in self._made.get(name, [])

    @contextlib.contextmanager
    def _writing(self, name: str) -> Iterator[BinaryIO]:
        """Give a file to write to that takes its place only when all is on the disk."""
        path = self.path / name
        part = path.with_name(f"{name}.part")
        try:
            with part.open("wb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            # Old and new are both named before the one becomes the other: a kill between leaves a file of ours.
            self._made[name] = [*self._made.get(name, []), _digest(part)]
            self._note()
            part.replace(path)
        except OSError as error:
            raise FileError(path, f"can't be written ({error.strerror}). Make room, or name another: --to") from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)

    def _note(self) -> None:
        lines = [f"{digest}  {name}\n" for name, digests in sorted(self._made.items()) for digest in digests]
        try:
            write_whole(self.path / MADE, "".join(lines).encode())
        except OSError as error:
            raise FileError(self.path / MADE, f"can't be written ({error.strerror}). Make room") from error


def table_of(columns: tuple[Column, ...], rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Return rows, each with exactly the keys of `columns`, as a table.

    Raises
    ------
    ValueError
        A row has another key, or lacks one.
    """
    import pyarrow as pa

    names = {column.name for column in columns}
    for row in rows:
        if set(row) != names:
            raise ValueError(f"a row with other columns: {sorted(set(row) ^ names)}")
    texts = {column.name for column in columns if column.kind == "text"}
    whole = [{key: _text(value) if key in texts else value for key, value in row.items()} for row in rows]
    return pa.Table.from_pylist(whole, schema=schema(columns))


def _for_sheet(table: pa.Table) -> pa.Table:
    """Return a table with every text guarded, each different one once."""
    import pyarrow as pa

    for index, name in enumerate(table.column_names):
        column = table.column(index)
        if pa.types.is_string(column.type):
            column = column.dictionary_encode()
        if pa.types.is_dictionary(column.type):
            chunks = [
                pa.DictionaryArray.from_arrays(
                    c.indices, pa.array([_guarded(text) for text in c.dictionary.to_pylist()], pa.string())
                )
                for c in column.chunks
            ]
            table = table.set_column(index, name, pa.chunked_array(chunks, pa.dictionary(pa.int32(), pa.string())))
    return table


def _text(value: Any) -> str | None:
    """Return a text that can be written as UTF-8."""
    return None if value is None else str(value).encode("utf-8", "replace").decode()


def _guarded(text: str | None) -> str | None:
    return None if text is None else guarded(text)


def _listed(path: Path) -> dict[str, list[str]]:
    """Return the checksums that an earlier export noted, by file."""
    found: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        digest, _, name = line.partition("  ")
        found.setdefault(name, []).append(digest)
    return found


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
