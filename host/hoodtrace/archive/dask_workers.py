"""Visits read by the workers of dask.distributed, on this machine or on others.

Each visit is sent whole, so workers need no disk in common with this machine; they need the same versions of hoodtrace,
numpy and scipy, which is checked. What a worker had when it was lost, the scheduler gives to another. Who can reach a
scheduler can run programs on its workers: keep it in a network of your own.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any
from urllib.parse import urlsplit

from hoodtrace.archive.gather import Workers
from hoodtrace.archive.work import Done, Job, made_with, work
from hoodtrace.errors import UsageError

WAIT_S = 10.0
AHEAD = 2
"""So many visits a thread of the workers are on their way, so that none waits and memory stays small."""


def by_dask(address: str) -> Workers:
    """Return the workers of the scheduler at `address`, such as tcp://host:8786.

    Raises
    ------
    UsageError
        Dask is not installed, no scheduler answers there, or (while they work) it has no worker, or one with other
        versions.
    """
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "--scheduler needs dask.distributed, which is not installed: in the clone, pip install -e '.[archive]'; or "
            "leave the option out and let this machine's processes do it"
        ) from error
    try:
        _reach(address)
        client = distributed.Client(address, timeout=WAIT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--scheduler {address}: no scheduler of dask answers there ({_first_line(error)}). Start one with "
            "`dask scheduler` and workers with `dask worker ADDRESS`"
        ) from error

    def workers(jobs: Sequence[Job]) -> Iterator[Done]:
        import dask

        with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"}):
            yield from _done(client, jobs, address)

    return workers


def _done(client: Any, jobs: Sequence[Job], address: str) -> Iterator[Done]:
    import distributed

    try:
        client.wait_for_workers(1, timeout=WAIT_S)
    except TimeoutError as error:
        raise UsageError(
            f"--scheduler {address}: it has no worker. Start one: dask worker {address} --nthreads 1"
        ) from error
    waiting = iter(jobs)
    n = AHEAD * max(1, sum(client.nthreads().values()))
    first = [_sent(client, job) for job in islice(waiting, n)]
    running = distributed.as_completed(first, loop=client.loop)
    mine = made_with()
    for future in running:
        try:
            done: Done = future.result()
        except OSError as error:  # `work` lets none of its own through
            raise UsageError(
                f"--scheduler {address}: the scheduler is gone ({_first_line(error)}). What was read is kept: start it "
                "and give the command again"
            ) from error
        except Exception as error:  # what a worker could not do comes back as whatever it raised there
            raise UsageError(
                f"--scheduler {address}: a worker can't do the work ({type(error).__name__}: {_first_line(error)}). It "
                f"needs {mine}"
            ) from error
        if done.made_with != mine:
            raise UsageError(
                f"--scheduler {address}: a worker has {done.made_with}, this program {mine}; the results would not be "
                "the same. Install the same versions everywhere"
            )
        yield done
        for job in islice(waiting, 1):
            running.add(_sent(client, job))


def _reach(address: str) -> None:
    """See at once whether anything answers: dask itself would ask for long, and complain when nobody does.

    Raises
    ------
    OSError, ValueError
        Nothing does, or it is no address.
    """
    parts = urlsplit(address)
    if not parts.scheme or parts.hostname is None or parts.port is None:
        raise ValueError("an address has a protocol, a host and a port, such as tcp://host:8786")
    if parts.scheme in ("tcp", "tls"):
        socket.create_connection((parts.hostname, parts.port), WAIT_S).close()


def _sent(client: Any, job: Job) -> Any:
    """Return the future of a job that goes out with the bytes of its traces; one that can't be read is left out."""
    sent = {}
    for name, path in job.files.traces.items():
        try:
            sent[name] = path.read_bytes()
        except OSError:
            continue
    # With the task, not scattered: what is scattered is gone with the worker that it lay on.
    return client.submit(work, replace(job, sent=sent), pure=False)


def _first_line(error: BaseException) -> str:
    return str(error).strip().partition("\n")[0]
