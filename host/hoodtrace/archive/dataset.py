"""The archive's folder: one Parquet file a table, samples in files of their own, and the parts that it was made of.

    hoodtrace-archive.json      says that the folder is an archive, and what goes into it
    TABLE/TABLE.parquet         all visits, in the order of their ids
    samples/visit=ID/TRACE.parquet
    parts/ID.part               the rows of one visit and the fingerprint of what they were made of
    dictionary.csv

Each file is there whole or not at all. A part is written when its visit has been read, the tables at the end from all
parts; whoever is killed in between goes on from the parts. Tables are written anew only where a part has changed. Only
files of these names are ever removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import hoodtrace
from hoodtrace.archive.columns import TABLES, dictionary_rows
from hoodtrace.archive.found import ID_LENGTH, Options
from hoodtrace.archive.part import Part, joined, read_part
from hoodtrace.archive.places import AGAIN, DICTIONARY, MADE_OF, MARK, PARTS, SAMPLES, is_archive, table_path
from hoodtrace.errors import FileError, UsageError
from hoodtrace.sheet_cells import csv_text
from hoodtrace.wire.whole_file import write_whole

FORMAT = 1
_PART = re.compile(rf"([0-9a-f]{{{ID_LENGTH}}})\.part")
_VISIT = re.compile(rf"visit=([0-9a-f]{{{ID_LENGTH}}})")


class Dataset:
    """The archive at `path`.

    Raises
    ------
    UsageError
        Something else lies there, or an archive of another version.
    FileError
        It can't be made or read.
    """

    def __init__(self, path: Path, options: Options) -> None:
        self.path, self.options = path, options
        try:
            if not is_archive(path):
                if path.exists() and (not path.is_dir() or any(one.name != f"{MARK}.part" for one in path.iterdir())):
                    raise UsageError(f"{path}: is there and is no archive. Name another with --to, or move it away")
            elif (made := _format(path / MARK)) != FORMAT:
                raise UsageError(
                    f"{path}: is an archive of another version of hoodtrace (format {made}, this one writes {FORMAT}). "
                    "Name another with --to, or remove it: it can be made again"
                )
        except OSError as error:
            raise _failed(path, error) from error

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """Make the folder and keep other programs from writing into it meanwhile.

        Raises
        ------
        FileError
            Another one is at work there, or the disk does not allow it.
        """
        mark = self.path / MARK
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            if not mark.exists():  # before all else: what is left of a kill must be known as an archive
                write_whole(mark, self._about())
            (self.path / PARTS).mkdir(exist_ok=True)
        except OSError as error:
            raise _failed(self.path, error) from error
        with _locked(self.path / PARTS / "lock"):
            # Until the tables are made anew, what the archive had is still in it.
            self._put(mark, self._about(before=_read_mark(mark)))
            yield

    def _about(self, before: object = None) -> bytes:
        """Return what the mark says; where there is one `before`, what that says is in it too."""
        had = before if isinstance(before, dict) else {}
        about: dict[str, object] = {"hoodtrace_archive": FORMAT, "software": hoodtrace.__version__}
        about["samples"] = self.options.samples or bool(had.get("samples"))
        about["customers"] = self.options.customers or bool(had.get("customers"))
        return (json.dumps(about, indent=1) + "\n").encode()

    def parts(self) -> dict[str, Part]:
        """Return the parts that are there and whole, by visit."""
        found: dict[str, Part] = {}
        for name, path in self._part_files().items():
            with contextlib.suppress(OSError, ValueError, KeyError):  # pyarrow's errors are ValueErrors
                part = read_part(path.read_bytes())
                if part is not None and part.visit == name:
                    found[name] = part
        return found

    def begin_again(self) -> bool:
        """Forget all parts, so that every visit is read again; return False where an earlier such try goes on.

        That one was ended before its time: what it read since then counts. The tables stay until the new ones are made.
        """
        mark = self.path / PARTS / AGAIN
        if mark.exists():
            return False
        for path in self._part_files().values():
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                raise _failed(path, error) from error
        self._put(mark, b"")
        return True

    def keep(self, visit: str, part: bytes, samples: Mapping[str, bytes]) -> None:
        """Put a visit that was read on the disk; its part comes last, so that what has a part is whole.

        Raises
        ------
        FileError
            The disk does not take it.
        """
        folder = self.path / SAMPLES / f"visit={visit}"
        self._remove_samples(visit, keep={f"{name}.parquet" for name in samples})
        for name, content in samples.items():
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise _failed(folder, error) from error
            self._put(folder / f"{name}.parquet", content)
        self._put(self.path / PARTS / f"{visit}.part", part)

    def drop_all_but(self, visits: set[str]) -> list[str]:
        """Remove the parts and samples of other visits; return these visits' ids."""
        files = self._part_files()
        gone = sorted({*files, *self._sampled()} - visits)
        for visit in gone:
            try:
                if visit in files:
                    files[visit].unlink(missing_ok=True)
            except OSError as error:
                raise _failed(files[visit], error) from error
            self._remove_samples(visit)
        return gone

    def close(self) -> dict[str, int]:
        """Make the tables of the parts that are there; return how many rows each has.

        Raises
        ------
        FileError
            The disk does not take them.
        """
        import pyarrow.parquet as pq  # type: ignore[import-untyped]

        parts = [part for _, part in sorted(self.parts().items())]
        made_of = hashlib.sha256("\n".join(f"{part.visit} {part.digest}" for part in parts).encode()).hexdigest()
        sizes = {}
        for name, columns in TABLES.items():
            path = table_path(self.path, name)
            sizes[name] = sum(part.tables[name].num_rows for part in parts)
            if _made_of(path) == made_of:
                continue
            table = joined(parts, name)
            table = table.replace_schema_metadata({MADE_OF.encode(): made_of, b"hoodtrace_archive": str(FORMAT)})
            file = io.BytesIO()
            often = [column.name for column in columns if column.kind == "text"]
            pq.write_table(table, file, compression="zstd", use_dictionary=often)
            try:
                path.parent.mkdir(exist_ok=True)
            except OSError as error:
                raise _failed(path, error) from error
            self._put(path, file.getvalue())
        self._put(self.path / DICTIONARY, _dictionary())
        if not self.options.samples:  # a kill may have left some beside a part that was made without them
            for visit in self._sampled():
                self._remove_samples(visit)
            with contextlib.suppress(OSError):
                (self.path / SAMPLES).rmdir()
        self._put(self.path / MARK, self._about())
        try:
            (self.path / PARTS / AGAIN).unlink(missing_ok=True)
        except OSError as error:
            raise _failed(self.path / PARTS / AGAIN, error) from error
        return sizes

    def _put(self, path: Path, content: bytes) -> None:
        """Write a file, unless it holds just that."""
        try:
            if not (path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content):
                write_whole(path, content)
        except OSError as error:
            raise _failed(path, error) from error

    def _part_files(self) -> dict[str, Path]:
        """Return the parts' files by visit; what a kill left half written goes."""
        here = self.path / PARTS
        try:
            for path in here.glob("*.part.part"):
                path.unlink(missing_ok=True)
            return {match[1]: path for path in here.iterdir() if (match := _PART.fullmatch(path.name))}
        except OSError as error:
            raise _failed(here, error) from error

    def _sampled(self) -> set[str]:
        here = self.path / SAMPLES
        return {match[1] for path in here.glob("visit=*") if (match := _VISIT.fullmatch(path.name))}

    def _remove_samples(self, visit: str, keep: set[str] | None = None) -> None:
        """Remove a visit's samples but for the files in `keep`; a folder with anything else in it stays."""
        here = self.path / SAMPLES / f"visit={visit}"
        try:
            for path in [*here.glob("*.parquet"), *here.glob("*.parquet.part")]:
                if keep is None or path.name not in keep:
                    path.unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                here.rmdir()
        except OSError as error:
            raise _failed(here, error) from error


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold a lock where the system can (POSIX flock)."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    try:
        file = path.open("ab")
    except OSError as error:
        raise _failed(path, error) from error
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise FileError(
                path.parent.parent, "another hoodtrace archive is at work here. Wait for its end"
            ) from error
        yield


def _failed(path: Path, error: OSError) -> FileError:
    return FileError(path, f"can't be written or read ({error.strerror}). Make room, or name another archive: --to")


def _format(mark: Path) -> object:
    found = _read_mark(mark)
    return found.get("hoodtrace_archive", "unknown") if isinstance(found, dict) else "unknown"


def _read_mark(mark: Path) -> object:
    try:
        return json.loads(mark.read_text(encoding="utf-8"))
    except ValueError:
        return None


def _made_of(path: Path) -> str:
    """Return what a table was made of; empty where it is not there or not whole."""
    import pyarrow.parquet as pq

    try:
        metadata = pq.read_schema(path).metadata or {}
    except (OSError, ValueError):
        return ""
    return str(metadata.get(MADE_OF.encode(), b"").decode())


def _dictionary() -> bytes:
    columns = ("table", "column", "unit", "type", "meaning")
    return b"\xef\xbb\xbf" + csv_text(columns, dictionary_rows()).encode()
