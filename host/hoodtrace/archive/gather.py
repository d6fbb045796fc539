"""From a folder of visits to its archive: what has to be read, who reads it, what is kept.

A visit whose files, and the version of hoodtrace, are those that its part was made of is not read again, unless asked.
The visits with the longest traces are read first, by this process, by several on this machine, or by dask.distributed's
workers; each comes out the same to the last bit, and is on the disk as soon as it is read.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context, parent_process
from pathlib import Path

import hoodtrace
from hoodtrace.archive.dataset import Dataset
from hoodtrace.archive.found import Files, Options, files_of, fingerprint, search, told_apart, trace_hashes
from hoodtrace.archive.work import Done, Job, NoRoomError, work
from hoodtrace.errors import FileError, HoodtraceError, VisitError

Workers = Callable[[Sequence[Job]], Iterator[Done]]


@dataclass(slots=True)
class Gathered:
    """What an archive came to: visits in it, those read now, ids of those removed, rows by table.

    `wrong` are folders or files with what is the matter with each; `notes` what else is to be known.
    """

    n_visits: int = 0
    n_read: int = 0
    removed: list[str] = field(default_factory=list)
    rows: dict[str, int] = field(default_factory=dict)
    wrong: list[tuple[Path, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def gather(
    folder: Path,
    archive: Path,
    options: Options,
    workers: Workers,
    again: bool = False,
    on_done: Callable[[int, int], None] | None = None,
) -> Gathered:
    """Bring the archive of all visits below `folder` to what they are now.

    Parameters
    ----------
    folder, archive : Path
    options : Options
    workers : callable
        Who reads visits: `by_processes`, or `by_dask` of `dask_workers`.
    again : bool
        Read every visit again, whether it has changed or not; where that was ended before its time, the rest of them.
    on_done : callable, optional
        Called with the number of visits read so far and of all that are read.

    Raises
    ------
    UsageError, FileError
        There is no visit, the archive's folder is another's, or the disk does not take it; what was read stays.
    """
    dataset = Dataset(archive, options)
    found, out = search(folder), Gathered()
    out.wrong += [(path, f"can't be searched ({why})") for path, why in found.shut]
    if not found.visits:
        raise VisitError(
            folder,
            "holds no visit (a folder with visit.toml and hood.toml), nor does any folder in it"
            + ("; some of them can't be looked into" if found.shut else ""),
        )
    with dataset.at_work():
        there, all_read = _read_all(found.visits, out)
        if again and not dataset.begin_again():
            out.notes.append("going on where reading all visits again was ended before its time")
        parts = dataset.parts()
        jobs: list[Job] = []
        for files in there:
            names = _names(folder, files, options, out)
            part = parts.get(files.id)
            if part is not None:
                hashes = trace_hashes(files.traces)
                if part.key == fingerprint(files, options, hoodtrace.__version__, names, hashes):
                    out.wrong += [(files.folder, problem) for problem in part.problems]
                    continue
            jobs.append(Job(files, options, names))
        jobs.sort(key=lambda job: (-job.files.n_bytes, str(job.files.folder)))
        unusable = set()
        for done in _each(workers(jobs)):
            out.n_read += 1
            out.wrong += [(done.folder, problem) for problem in done.problems]
            if done.part:
                dataset.keep(done.visit, done.part, done.samples)
            else:
                unusable.add(done.visit)
            if on_done is not None:
                on_done(out.n_read, len(jobs))
        if found.shut or not all_read:
            out.notes.append("nothing was removed from the archive, since not every folder and file could be read")
            if not options.customers:
                out.removed = _drop_words(dataset, out)
        else:
            out.removed = dataset.drop_all_but({files.id for files in there} - unusable)
        out.rows = dataset.close()
        out.n_visits = out.rows["visits"]
    out.wrong.sort(key=lambda one: (str(one[0]), one[1]))
    return out


def _each(all_done: Iterator[Done]) -> Iterator[Done]:
    try:
        yield from all_done
    except NoRoomError as error:
        where, _, why = str(error).rpartition(": ")
        raise FileError(
            where,
            f"visits can't be copied there to be read ({why}). Make room, or set TMPDIR to another folder; what was "
            "read is kept",
        ) from error


def _drop_words(dataset: Dataset, out: Gathered) -> list[str]:
    """Remove what still has customers in it and can't be read without them now; return these visits' ids."""
    parts = dataset.parts()
    removed = dataset.drop_all_but({visit for visit, part in parts.items() if not part.customers})
    if removed:
        out.notes[-1] = f"{out.notes[-1]}, but for {len(removed)} with customers in it, which were not asked for"
    return removed


def _read_all(folders: Sequence[Path], out: Gathered) -> tuple[list[Files], bool]:
    """Return the files of the visits in `folders`, copies left out, and whether all could be read."""
    there: list[Files] = []
    for folder in folders:
        try:
            there.append(files_of(folder))
        except VisitError as error:
            out.wrong.append((folder, str(error).removeprefix(f"{folder}/")))
    visits, copies = told_apart(there)
    out.notes += [f"left out: {copy.folder} is the visit in {twin.folder} again" for copy, twin in copies]
    return visits, len(there) == len(folders)


def _names(folder: Path, files: Files, options: Options, out: Gathered) -> Mapping[str, str | None] | None:
    """Return the customer columns of a visit; None where they were not asked for."""
    if not options.customers:
        return None
    from hoodtrace.dwelling.customer import read_customer

    where = files.folder.relative_to(folder).as_posix()
    names: dict[str, str | None] = {"folder": files.folder.resolve().name if where == "." else where}
    try:
        customer = read_customer(files.folder)
    except HoodtraceError as error:
        out.wrong.append((files.folder, str(error).removeprefix(f"{files.folder}/")))
        customer = None
    if customer is not None:
        names |= {"customer": customer.name or None, "customer_address": customer.address or None}
        names |= {"customer_contact": customer.contact or None}
    return names


def by_processes(n: int) -> Workers:
    """Return workers on this machine: `n` processes, this one where `n` is 1.

    FileError (while they work) where a process is ended from outside.
    """

    def workers(jobs: Sequence[Job]) -> Iterator[Done]:
        if n == 1 or len(jobs) < 2:
            yield from map(work, jobs)
            return
        with ProcessPoolExecutor(min(n, len(jobs)), get_context("spawn"), _end_with_parent) as pool:
            try:
                # No list of futures: each would keep what it gave, samples and all, until the end.
                for future in as_completed([pool.submit(work, job) for job in jobs]):
                    yield future.result()
            except BrokenProcessPool as error:
                raise FileError(
                    jobs[0].files.folder.parent,
                    "a process that read visits was ended from outside (is memory short? fewer --jobs take less). What "
                    "was read is kept: give the command again",
                ) from error
            finally:
                pool.shutdown(cancel_futures=True)

    return workers


def _end_with_parent() -> None:
    """End this process when the one that started it is gone: a kill of that one must leave nothing at work."""

    def wait() -> None:
        parent = parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
