"""One visit read for the archive: a job in, its part out. Runs in any process, on any machine, and gives the same.

A job works on a copy of the visit's small files as they were when it was made, beside links to its traces, so that the
visit itself is never written to and may be read-only. Where the job comes from another machine it has the traces with
it. Whatever is wrong with a visit becomes a line of words; it never stops the others.
Where this machine has no room for the copy nothing is wrong with the visit, and all stops.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import io
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import hoodtrace
from hoodtrace.archive.columns import TABLES
from hoodtrace.archive.found import Files, Options, fingerprint, trace_hashes
from hoodtrace.archive.part import Part, part_bytes
from hoodtrace.archive.rows import About, rows_of
from hoodtrace.dwelling.journal import JOURNAL
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.visit import TRACES
from hoodtrace.errors import HoodtraceError
from hoodtrace.reporting.export import usable_traces
from hoodtrace.reporting.export_columns import SAMPLES, schema
from hoodtrace.reporting.export_files import table_of
from hoodtrace.reporting.export_samples import sample_tables


class NoRoomError(Exception):
    """A visit can't be copied here; the text says where and why. Not one of the visit's own errors."""


@dataclass(frozen=True, slots=True)
class Job:
    """A visit to be read; `names` as in `About`; `sent` are its traces' bytes where its folder is elsewhere."""

    files: Files
    options: Options
    names: Mapping[str, str | None] | None = None
    sent: Mapping[str, bytes] | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """What a job gave: its part's bytes (empty where the visit can't be used at all), samples by trace, and problems.

    `made_with` are the versions that decide about the last bit.
    """

    visit: str
    folder: Path
    part: bytes
    samples: Mapping[str, bytes]
    problems: tuple[str, ...]
    made_with: str


def made_with() -> str:
    """Return the versions that decide about the last bit of a number."""
    import numpy as np
    import scipy

    return f"hoodtrace {hoodtrace.__version__}, numpy {np.__version__}, scipy {scipy.__version__}"


def work(job: Job) -> Done:
    """Read a visit; see the module.

    Raises
    ------
    NoRoomError
        Its copy can't be made.
    """
    collecting = gc.isenabled()
    gc.disable()  # as in `readings`
    try:
        return _done(job)
    except NoRoomError:
        raise
    except HoodtraceError as error:
        return _nothing(job, str(error))
    except Exception as error:  # a damaged file can say anything, and the other visits must go on
        return _nothing(job, f"says what this program can't take ({type(error).__name__}: {error})")
    finally:
        if collecting:
            gc.enable()
            gc.collect()
            gc.freeze()  # what is left stays, and need not be looked through after the next visit


def _nothing(job: Job, why: str) -> Done:
    return Done(job.files.id, job.files.folder, b"", {}, (why,), made_with())


def _done(job: Job) -> Done:
    try:
        temporary = tempfile.TemporaryDirectory(prefix="hoodtrace-visit-")
    except OSError as error:
        raise NoRoomError(f"{error.filename or 'the folder for temporary files'}: {error.strerror}") from error
    with temporary as name:
        copy = Path(name)
        try:
            _copy(job, copy)
        except OSError as error:
            raise NoRoomError(f"{copy.parent}: {error.strerror}") from error
        try:
            return _read(job, copy)
        except HoodtraceError as error:
            raise HoodtraceError(str(error).replace(f"{copy}/", "")) from error


def _copy(job: Job, copy: Path) -> None:
    """Make a copy of the visit at `copy`."""
    files = job.files
    (copy / TRACES).mkdir()
    for name, content in files.small.items():
        (copy / name).write_bytes(content)
    for name, path in files.traces.items():
        if job.sent is None:
            _link(copy / TRACES / name, path)
        elif name in job.sent:
            (copy / TRACES / name).write_bytes(job.sent[name])


def _read(job: Job, copy: Path) -> Done:
    """Read the visit from its copy at `copy`."""
    files = job.files
    review = Review(copy)
    review.load(ahead=False)
    kept = {trace.kept.path.name: trace.kept.sha256 for trace in review.traces.all.values() if trace.kept is not None}
    unread = {name: copy / TRACES / name for name in files.traces if name not in kept}
    hashes = {**trace_hashes(unread), **kept}
    problems = tuple(problem["text"].replace(f"{copy}/", "") for problem in review.unusable())
    head, newest_utc = _newest(files.small.get(JOURNAL, b""), review)
    about = About(files.id, head, newest_utc, len(problems), job.names)
    tables = {name: table_of(TABLES[name], rows) for name, rows in rows_of(review, about).items()}
    key = fingerprint(files, job.options, hoodtrace.__version__, job.names, hashes)
    part = part_bytes(Part(files.id, key, problems, tables, job.options.customers))
    return Done(files.id, files.folder, part, _samples(job, review), problems, made_with())


def _link(link: Path, path: Path) -> None:
    """Put a link to a trace there, or a copy where links are not to be had; one that can't be read is left out."""
    try:
        link.symlink_to(path.resolve())
    except OSError:
        if path.is_file():
            with contextlib.suppress(PermissionError):
                shutil.copyfile(path, link)


def _newest(journal: bytes, review: Review) -> tuple[str | None, str]:
    """Return the hash of the journal's last whole line, and the time of day that its newest decision says."""
    lines = journal.split(b"\n")[:-1]
    trailing = review.visit.state.trailing or review.visit.state.begun or {}
    return (hashlib.sha256(lines[-1]).hexdigest() if lines else None), str(trailing.get("utc", ""))


def _samples(job: Job, review: Review) -> dict[str, bytes]:
    """Return the samples of each trace that can be used as a Parquet file, where they were asked for."""
    if not job.options.samples:
        return {}
    import pyarrow.parquet as pq  # type: ignore[import-untyped]

    out = {}
    windows, shape = review.windows().values(), schema(SAMPLES)
    often = [column.name for column in SAMPLES if column.kind == "text"]
    for path, kept in usable_traces(review).items():
        file = io.BytesIO()
        with pq.ParquetWriter(file, shape, compression="zstd", use_dictionary=often) as writer:
            for table in sample_tables(kept, [window for window in windows if window.trace == path]):
                writer.write_table(table.cast(shape))
        out[kept.name] = file.getvalue()
    return out
