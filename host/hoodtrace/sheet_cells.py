"""Texts that a spreadsheet can't take for a formula.

Names of rooms, notes and reasons come from people; a cell that begins with = or the like is a formula to a spreadsheet
that opens a CSV file. Such a text gets an apostrophe in front of the sign (and of the blanks before it). The same
behind a semicolon inside a text: where that is what separates lists, a comma file is cut there. Who reads the file with
a program takes the apostrophe away again (`unguarded`). Numbers never come here.

References: CWE-1236 and the OWASP page on CSV injection (both from memory): = + - @, tab, carriage return, line feed,
and full-width forms. Own additions: the same behind blanks, which some programs cut off, and small forms.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

STARTERS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b\u2212"
"""What can begin a formula: ASCII signs, their full-width and small forms, the minus sign."""
_BLANK = r"[\s\u200b-\u200f\u2060\ufeff]"
# An apostrophe of the writer's own is guarded too: taking one away then always gives the text back.
_RISKY = re.compile(rf"(?:^|(?<=;))(?={_BLANK}*['{re.escape(STARTERS)}])")
_GUARD = re.compile(r"(?:^|(?<=;))'")
_UNSEEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufeff]")


def guarded(text: str) -> str:
    """Return `text` as it goes into a cell of a CSV file.

    Examples
    --------
    >>> [guarded(text) for text in ("=1+1", "  @cmd", "'tis", "Study; =1", "a\\nb", "Living room")]
    ["'=1+1", "'  @cmd", "''tis", "Study;' =1", 'a b', 'Living room']
    """
    return _RISKY.sub("'", cleaned(text))


def cleaned(text: str) -> str:
    """Return `text` in one line: tabs and line ends as blanks, control characters and those that turn writing out."""
    one_line = re.sub(r"\r\n|[\t\n\r]", " ", text)
    return _UNSEEN.sub("", one_line).encode("utf-8", "replace").decode()


def unguarded(cell: str) -> str:
    """Return the (cleaned) text that `guarded` made `cell` of.

    Examples
    --------
    >>> [unguarded(guarded(text)) for text in ("=1+1", "'tis", "a;;'=b", "plain")]
    ['=1+1', "'tis", "a;;'=b", 'plain']
    """
    return _GUARD.sub("", cell)


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as CSV with every text guarded; None is empty, truth is true or false."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: cell_of(value) for key, value in row.items()})
    return out.getvalue()


def cell_of(value: Any) -> Any:
    """Return a value as a cell of a CSV file has it: texts guarded, truth as true or false."""
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return value
