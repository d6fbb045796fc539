"""Questions to an archive in SQL: one SELECT over its tables, read by DuckDB; nothing else can be reached or changed.

The tables are views over the archive's Parquet files. DuckDB is told to open these files and no other, to load nothing
and to keep its settings; a statement that is no question is refused before that. It writes no file, also not where
memory runs short.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.archive.columns import ALL, TABLES
from hoodtrace.archive.places import DEFAULT, MADE_OF, SAMPLES, is_archive, table_path
from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    import duckdb

READY = Path(__file__).parent / "ready"
BATCH = 10_000
_SETTINGS = {
    "python_enable_replacements": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "temp_directory": "",
}


@dataclass(frozen=True, slots=True)
class Ready:
    """A question that is ready: its name, what it says in a sentence, its limits, and the SQL."""

    name: str
    says: str
    limits: str
    sql: str


@dataclass(frozen=True, slots=True)
class Answer:
    """Names of columns, each once, and the rows in batches; values are those that JSON knows."""

    columns: tuple[str, ...]
    batches: Iterator[list[list[Any]]]


@cache
def ready_questions() -> dict[str, Ready]:
    """Return the questions that are ready, by name."""
    return {path.stem: _ready(path) for path in sorted(READY.glob("*.sql"))}


def ready(name: str) -> Ready:
    """Return a ready question.

    Raises
    ------
    UsageError
        There is none of that name.
    """
    questions = ready_questions()
    if name not in questions:
        raise UsageError(f"there is no ready question {name!r}: there are {', '.join(questions)}")
    return questions[name]


def archive_at(folder: Path | None) -> Path:
    """Return the archive in a folder (None: here), or the one that lies in it.

    Raises
    ------
    UsageError
        There is none.
    """
    here = Path() if folder is None else folder
    for path in (here, here / DEFAULT):
        if is_archive(path):
            return path
    where = "here" if folder is None else f"at {folder}"
    raise UsageError(f"there is no archive {where}. Make one: hoodtrace archive FOLDER, and name it: ask ARCHIVE ...")


def ask(archive: Path, sql: str) -> Answer:
    """Return the answer of an archive to one SELECT.

    Raises
    ------
    UsageError
        The SQL is no question, names what is not there, or asks for what is not allowed; also while batches are taken.
    FileError
        The archive is not whole.
    """
    import duckdb

    connection = _opened(archive)
    try:
        statements = connection.extract_statements(sql)
        if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
            raise UsageError(
                "give one question in SQL, a SELECT; an archive can only be asked. " + _tables_in_words(archive)
            )
        found = _while_listening(connection, connection.execute, statements[0])
        columns = _each_once([str(column[0]) for column in found.description or ()])
    except duckdb.Error as error:
        raise _refused(error) from error
    return Answer(columns, _batches(found))


def _batches(found: duckdb.DuckDBPyConnection) -> Iterator[list[list[Any]]]:
    import duckdb

    try:
        while rows := _while_listening(found, found.fetchmany, BATCH):
            yield [[plain(value) for value in row] for row in rows]
    except (duckdb.Error, ValueError) as error:
        raise _refused(error) from error


def _while_listening(connection: duckdb.DuckDBPyConnection, do: Callable[[Any], Any], what: Any) -> Any:
    """Return `do(what)`, done in a thread of its own: DuckDB may be long at work, and would not hear Ctrl-C there."""
    with ThreadPoolExecutor(1) as thread:
        future = thread.submit(do, what)
        try:
            return future.result()
        except KeyboardInterrupt:
            connection.interrupt()
            raise


def plain(value: Any) -> Any:
    """Return a value as JSON knows it: times in ISO 8601, no NaN, no infinity.

    Examples
    --------
    >>> [plain(v) for v in (float("nan"), datetime(2030, 1, 2, 3, 4, 5, tzinfo=UTC), Decimal("12"), b"ab", [1.5, None])]
    [None, '2030-01-02T03:04:05Z', 12, '6162', [1.5, None]]
    """
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else None
        case Decimal():
            return int(value) if value == value.to_integral_value() else float(value)
        case datetime():
            if value.tzinfo is None:
                return value.isoformat()
            return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
        case date() | time():
            return value.isoformat()
        case timedelta():
            return value.total_seconds()
        case bytes():
            return value.hex()
        case dict():
            return {str(key): plain(each) for key, each in value.items()}
        case list() | tuple():
            return [plain(each) for each in value]
        case _:
            return str(value)


def _opened(archive: Path) -> duckdb.DuckDBPyConnection:
    """Return a connection that knows the archive's tables and nothing else."""
    import duckdb

    files = {name: table_path(archive, name).resolve() for name in TABLES}
    missing = [str(path) for path in files.values() if not path.is_file()]
    if missing:
        raise FileError(archive, f"is not whole: {missing[0]} is not there. Give `hoodtrace archive FOLDER` again")
    samples = sorted((archive / SAMPLES).resolve().glob("visit=*/*.parquet"))
    connection = duckdb.connect(":memory:", config=dict(_SETTINGS))
    try:
        for name, path in files.items():
            connection.execute(f"create view {name} as select * from read_parquet({_literal(_literally(path))})")
        listed = ", ".join(_literal(_literally(path)) for path in files.values())
        made_of = f"select count(distinct value) from parquet_kv_metadata([{listed}]) where decode(key) = '{MADE_OF}'"
        if connection.execute(made_of).fetchall() != [(1,)]:  # its making was ended between two tables, or goes on
            raise FileError(archive, "its tables are not of one time. Give `hoodtrace archive FOLDER` again")
        if samples:
            listed = ", ".join(_literal(_literally(path)) for path in samples)
            columns = ", ".join(f'"{column.name}"' for column in ALL["samples"])
            connection.execute(
                f"create view samples as select {columns} from read_parquet([{listed}], hive_partitioning = true, "
                "hive_types = {'visit': varchar})"
            )
        # The name is looked at as it is asked for, and as it is found.
        both = dict.fromkeys(name for path in [*files.values(), *samples] for name in (_literally(path), str(path)))
        allowed = ", ".join(_literal(name) for name in both)
        connection.execute(f"set allowed_paths = [{allowed}]")
        for setting in (
            "TimeZone = 'UTC'",
            "enable_progress_bar = false",
            "enable_external_access = false",
            "lock_configuration = true",
        ):
            connection.execute(f"set {setting}")
    except duckdb.Error as error:
        raise FileError(archive, f"can't be read ({_words(error)}). Give `hoodtrace archive FOLDER` again") from error
    return connection


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _literally(path: Path) -> str:
    """Return a path in which no letter stands for others."""
    return "".join(f"[{letter}]" if letter in "[*?" else letter for letter in str(path))


def _each_once(names: list[str]) -> tuple[str, ...]:
    """Return names of columns with a number behind those that come again."""
    out: list[str] = []
    for name in names:
        new, n = name, 2
        while new in out:
            new, n = f"{name}_{n}", n + 1
        out.append(new)
    return tuple(out)


def _refused(error: Exception) -> UsageError:
    return UsageError(f"the question can't be answered: {_words(error)}")


def _words(error: Exception) -> str:
    """Return DuckDB's words in one line."""
    return " ".join(line.strip() for line in str(error).splitlines() if line.strip())


def _tables_in_words(archive: Path) -> str:
    names = [*TABLES, *([SAMPLES] if (archive / SAMPLES).is_dir() else [])]
    return f"Its tables are {', '.join(names)}; `hoodtrace archive ask --list` shows their columns"


def _ready(path: Path) -> Ready:
    """Return the question in a file: `--` lines on top say what it says, from `Limits:` on what it does not."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    head = " ".join(line.removeprefix("--").strip() for line in lines if line.startswith("--"))
    says, _, limits = head.partition(" Limits: ")
    sql = "\n".join(line for line in lines if not line.startswith("--"))
    return Ready(path.stem, says, limits, sql.strip())
