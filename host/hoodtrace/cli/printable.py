"""What boards and files say, made fit for a terminal."""

from __future__ import annotations

import shutil
import textwrap

import typer

MOST_COLUMNS = 1000


def printable(text: object) -> str:
    """Return a text as it may go to a terminal: what can't be printed becomes a question mark.

    Examples
    --------
    >>> printable("pipe\x1b[31m hood")
    'pipe?[31m hood'
    """
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in str(text))


def wrapped(text: object, indent: str = "", first: str | None = None, widest: int | None = None) -> str:
    """Return a text broken at blanks to the terminal's width, or `widest`; `first` begins a first line that differs.

    Examples
    --------
    >>> wrapped("one two", "  ", "- ")
    '- one two'
    """
    width = min(max(40, shutil.get_terminal_size().columns), widest or MOST_COLUMNS)
    start = indent if first is None else first
    words = printable(text)
    return textwrap.fill(words, width, initial_indent=start, subsequent_indent=indent, break_on_hyphens=False)


def say(text: object, indent: str = "", first: str | None = None) -> None:
    """Print a text, `wrapped`."""
    typer.echo(wrapped(text, indent, first))
