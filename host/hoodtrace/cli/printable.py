"""What boards and files say, made fit for a terminal."""

from __future__ import annotations


def printable(text: object) -> str:
    """Return a text as it may go to a terminal: what can't be printed becomes a question mark.

    Examples
    --------
    >>> printable("pipe\x1b[31m hood")
    'pipe?[31m hood'
    """
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in str(text))
