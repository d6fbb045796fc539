"""Ask for the plan of a new visit on a page of this machine: `ask_for_plan`.

The page runs in a process of its own: NiceGUI can be set up only once in a process, and the visit's page comes after it
on the same port. That process hands back the plan as the text of visit.toml, and ends with the page.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import webbrowser
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

from hoodtrace.pages.plan_draft import draft_path

if TYPE_CHECKING:
    from hoodtrace.dwelling.plan import Plan

_END_S = 5.0
"""So long the page's process has for ending by itself."""


def ask_for_plan(folder: Path, port: int, language: str | None, open_browser: bool) -> Plan | None:
    """Serve the form until the person makes the visit or cancels.

    What is typed is kept beside the folder the whole time, also after a cancel; `forget_draft` removes it once the
    visit's folder is made.

    Parameters
    ----------
    folder : Path
        Of the visit; not made here.
    port : int
        Of this machine; 0 takes a free one.
    language : str or None
        None: that of the system.
    open_browser : bool
        Open the page, else only print its address.

    Returns
    -------
    Plan or None
        None after "Cancel" or Ctrl-C.

    Raises
    ------
    UsageError
        The port is taken, or what lies where the draft is kept is none.
    """
    from hoodtrace.dwelling.plan import parse_plan
    from hoodtrace.pages.plan_server import serve_form

    here, there = multiprocessing.get_context("spawn").Pipe(duplex=False)
    # Not daemonic: those may start no process of their own, and an uploaded file is read in one. It ends with this one.
    process = multiprocessing.get_context("spawn").Process(
        target=serve_form, args=(there, draft_path(folder), port, language)
    )
    process.start()
    there.close()
    try:
        toml = _wait(here, open_browser)
    except KeyboardInterrupt:
        toml = ""
        process.terminate()
    finally:
        with contextlib.suppress(KeyboardInterrupt):
            process.join(_END_S)
        if process.is_alive():
            process.terminate()
            process.join()
        here.close()
    return parse_plan(toml, "the new visit.toml") if toml else None


def _wait(pipe: Connection, open_browser: bool) -> str:
    """Return the plan's text, empty where there is none; show the page's address first."""
    while True:
        try:
            what, sent = pipe.recv()
        except EOFError:  # the page's process has ended by itself
            return ""
        if what == "plan":
            return str(sent)
        if what == "error":
            raise sent
        words, address = sent
        print(words, flush=True)
        if open_browser:
            webbrowser.open(address)
