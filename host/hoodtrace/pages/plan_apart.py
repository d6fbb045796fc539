"""Read an uploaded file in a process of its own, so that the page stays alive whatever the file holds.

The process has a time limit everywhere, and limits of memory and processor time where the system can. It hands back
only cells; the plan is made of them in the page, from what is typed by then.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
from multiprocessing.connection import Connection

from hoodtrace.dwelling.plan_grid import Grid, grid_of
from hoodtrace.dwelling.plan_table import HEADED
from hoodtrace.errors import VisitError

LIMIT_S = 10.0
MOST_BYTES = 1 << 30
"""Of memory, in addresses: the libraries alone take about a third of it."""
_END_S = 2.0


class TooMuchError(Exception):
    """The file took too long, or too much memory."""


def read_apart(name: str, content: bytes, limit_s: float = LIMIT_S, most_bytes: int = MOST_BYTES) -> Grid:
    """Return the cells of an uploaded file; `name` is what messages call it. Waits: call it beside the page's loop.

    Parameters
    ----------
    name : str
    content : bytes
    limit_s : float
        So long the process may take, its own start included [s].
    most_bytes : int
        So much memory it may have, where the system can limit it.

    Raises
    ------
    VisitError
        The file is no table; see `plan_grid.read_grid`.
    TooMuchError
        It took too long or too much memory.
    """
    spawning = multiprocessing.get_context("spawn")
    here, there = spawning.Pipe(duplex=False)
    process = spawning.Process(target=_read, args=(there, name, content, limit_s, most_bytes), daemon=True)
    process.start()
    there.close()
    try:
        answer = here.recv() if here.poll(limit_s) else None
    except (EOFError, OSError):  # it was ended by a limit
        answer = None
    finally:
        here.close()
        process.terminate()
        process.join(_END_S)
        if process.is_alive():
            process.kill()
            process.join()
    if answer is None:
        raise TooMuchError(name)
    if isinstance(answer, str):
        raise VisitError(name, answer)
    return answer  # type: ignore[no-any-return]


def _read(pipe: Connection, name: str, content: bytes, limit_s: float, most_bytes: int) -> None:
    answer: Grid | str | None
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the program, which ends this one
    _limit(limit_s, most_bytes)
    try:
        answer = grid_of(name, content, HEADED)
    except VisitError as error:
        answer = str(error).removeprefix(f"{name}: ")
    except (MemoryError, RecursionError):
        answer = None
    pipe.send(answer)


def _limit(limit_s: float, most_bytes: int) -> None:
    """Limit this process where the system can; elsewhere the time limit of the page is all there is."""
    try:
        import resource
    except ImportError:  # Windows
        return
    for what, most in ((resource.RLIMIT_AS, most_bytes), (resource.RLIMIT_CPU, max(1, round(limit_s)))):
        _, hard = resource.getrlimit(what)
        with contextlib.suppress(ValueError, OSError):  # a lower limit than this stands already
            resource.setrlimit(what, (most, hard))
