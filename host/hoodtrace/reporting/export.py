"""A visit as CSV and Parquet files, with a data dictionary: readings, samples, decisions.

`export` writes the files that `What` names into a folder and returns their names. What can't be used of the visit is
among the review's problems; the rest is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.window import stem
from hoodtrace.errors import TraceError, UsageError
from hoodtrace.reporting.export_columns import DICTIONARY, FILES, JOURNAL, READINGS, dictionary_rows
from hoodtrace.reporting.export_files import Folder, table_of
from hoodtrace.reporting.export_rows import journal_rows, reading_rows
from hoodtrace.reporting.export_samples import Span, sample_tables
from hoodtrace.wire.clock import stretch_s

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

Format = Literal["csv", "parquet"]
README = "README.txt"


@dataclass(frozen=True, slots=True)
class What:
    """What is written: any of "readings", "samples" and "journal", and of samples which stretch.

    `stretch` is the id of a window or TRACE:START..END with seconds from the trace's first sample; empty: all.
    """

    files: tuple[str, ...] = ("readings",)
    stretch: str = ""


def export(review: Review, what: What, folder: Path, formats: Sequence[Format], replace: bool = False) -> list[str]:
    """Write the files of a visit whose review has been loaded.

    Parameters
    ----------
    review : Review
    what : What
    folder : Path
        Where to; made if it is not there.
    formats : sequence of str
        "csv", "parquet" or both.
    replace : bool
        Write over files that export did not make, or that were changed since.

    Returns
    -------
    list of str
        The files' names, in the order of writing, the dictionary and a README last.

    Raises
    ------
    UsageError
        No such window or trace, or a file is there that is not export's.
    FileError
        The disk takes no more, or a trace changes meanwhile; what is not whole is not there.
    """
    stretch = _stretch(review, what.stretch) if what.stretch else None
    stems = {name: name for name in what.files}
    if stretch is not None and "samples" in stems:
        stems["samples"] = "samples-" + re.sub(r"[^\w.-]", "-", what.stretch)
    stems["dictionary"] = "dictionary"
    endings = {"dictionary": ("csv",)}
    names = [f"{part}.{end}" for name, part in stems.items() for end in endings.get(name, tuple(formats))]
    target = Folder(folder, [*names, README], replace)
    for name, part in stems.items():
        tables = _tables(review, name, what, stretch)
        target.put_tables(part, FILES[name], tables, endings.get(name, tuple(formats)))
    target.put(README, _readme(names).encode())
    target.close()
    return [*names, README]


def _tables(review: Review, name: str, what: What, stretch: tuple[str, Span] | None) -> Iterator[pa.Table]:
    """Yield what goes into a file."""
    if name == "readings":
        yield table_of(READINGS, list(reading_rows(review)))
    elif name == "journal":
        yield table_of(JOURNAL, list(journal_rows(review)))
    elif name == "dictionary":
        yield table_of(DICTIONARY, dictionary_rows((*what.files, "dictionary")))
    else:
        yield from _samples(review, stretch)


def _samples(review: Review, stretch: tuple[str, Span] | None) -> Iterator[pa.Table]:
    windows = review.windows().values()
    for path, kept in usable_traces(review).items():
        if stretch is None or stretch[0] == path:
            mine = [window for window in windows if window.trace == path]
            yield from sample_tables(kept, mine, stretch[1] if stretch is not None else None)


def usable_traces(review: Review) -> dict[str, KeptTrace]:
    """Return the traces that can be used, by their paths in the visit."""
    wrong = {problem["where"] for problem in review.unusable()}
    return {
        path: trace.kept
        for path, trace in review.traces.all.items()
        if trace.kept is not None and trace.kept.table is not None and path not in wrong
    }


def _stretch(review: Review, words: str) -> tuple[str, Span]:
    """Return the trace and the stretch of it that `words` name."""
    name, _, ends = words.rpartition(":")
    if ".." not in ends:
        window = review.window(words)
        if window.trace not in usable_traces(review):
            raise TraceError(review.folder / window.trace, f"can't be used, so {window.id} has no samples")
        return window.trace, Span(window.boot, window.start_us, window.stop_us)
    traces = {stem(path): (path, kept) for path, kept in usable_traces(review).items()}
    ends_s = stretch_s(ends)
    if name not in traces or ends_s is None:
        raise UsageError(
            f"{words}: give the id of a window, or TRACE:START..END in seconds such as 01:12.5..40; traces that can be "
            f"used: {', '.join(traces) or 'none'}"
        )
    path, kept = traces[name]
    boots = [kept.timeline.us_of(second) for second in ends_s]
    if boots[0][0] != boots[1][0]:
        raise UsageError(f"{words}: the board restarted in between; name a stretch of one run")
    span = Span(boots[0][0], boots[0][1], boots[1][1])
    if not ((kept.runs[span.boot].t_us >= span.start_us) & (kept.runs[span.boot].t_us < span.stop_us)).any():
        raise UsageError(f"{words}: the trace has no sample there; it is {kept.timeline.duration_s:.1f} s long")
    return path, span


def _readme(names: Sequence[str]) -> str:
    return f"""Files of a visit, written by `hoodtrace export`; hoodtrace does not read them back.

{chr(10).join(f"  {name}" for name in names)}

dictionary.csv says of every column what it means and in which unit; a column's name ends in its unit (m3h is m3/h, pa
is Pa, c is degrees Celsius, us is microseconds, rel is a ratio). Parquet carries the same with each column. Times in s
count from the first sample of their trace. Flows are as measured at the terminal, and always positive but for samples.

CSV: UTF-8 with a byte order mark, comma between cells, point in numbers, an empty cell where there is nothing. Read it
with pandas.read_csv(..., encoding="utf-8-sig", dtype={{"trace": str}}). In a spreadsheet import it and say these; let
it take window and trace as text, or it makes times and numbers of ids such as 01:3.1.
A text that a spreadsheet could take for a formula (it begins with = + - @ or the like) has an apostrophe in front of
it, also behind a semicolon inside a text, and a text that begins with an apostrophe has one more. Line ends in texts
are blanks, control characters are left out. Parquet has the texts as they are.

A checksum of each file stands in made-by-hoodtrace-export.sha256. Only files that still agree with it are written over.
"""
