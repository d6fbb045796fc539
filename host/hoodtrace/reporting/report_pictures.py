"""Pictures of a visit's report as SVG: all terminals before and after against design, and the trace of a reading.

Same input, same bytes. All words come in, so that a report in any language can be drawn; numbers are written by a
function that comes with them. Readable in grey and, on a screen, in the dark. Each picture is one `<svg>` element
whose ids begin with the name that it is given, so hundreds can stand in one page.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from hoodtrace.reporting.canvas import ELLIPSIS, POINTS_PER_IN, fitted, reads_from_the_right, text_width
from hoodtrace.reporting.pdf import missing_letters
from hoodtrace.reporting.pictures import plain_style
from hoodtrace.reporting.terminals_sheet import (
    BETWEEN,
    FOOT,
    GAP,
    HEAD,
    LEGEND_MOST,
    NARROW_PT,
    SIZE,
    SMALL,
    Sheet,
    TerminalBar,
    TerminalsWords,
    row_heights,
    verdicts,
)
from hoodtrace.reporting.trace_layers import Cut
from hoodtrace.reporting.trace_picture import TraceWords, trace_picture

__all__ = ["Cut", "TerminalBar", "TerminalsWords", "TraceWords", "terminals_picture", "trace_picture"]

MOST_HEIGHT_PT = 648.0  # 9 in, of an A4 page
PAGE_IN, PHONE_IN = 6.9, 3.0


def terminals_picture(
    rows: Sequence[TerminalBar], words: TerminalsWords, *, name: str = "terminals", width_in: float = PAGE_IN
) -> list[bytes]:
    """Return the picture of all terminals as SVG sheets of about as many rows each, none higher than 9 in.

    Parameters
    ----------
    rows : sequence of TerminalBar
        Supply and extract in any order; each side's rows stay in theirs.
    words : TerminalsWords
        All that is written.
    name : str
        What ids begin with (letters, digits, "-"); with several sheets "-1", "-2", ... is added.
    width_in : float
        `PAGE_IN`, or `PHONE_IN`: under 5 in words stand above their row.

    Returns
    -------
    list of bytes
        Empty without rows. The axis begins at 0 and is the same on all sheets. Where an id has letters that can't be
        drawn as they are written, the row's number in `rows` stands for it, "(3)"; the number also stands in front of
        ids that can't be told apart once they are cut. A room that reads from the right is left out.

    Raises
    ------
    ValueError
        `name` has other letters.
    """
    if not rows:
        return []
    width = POINTS_PER_IN * width_in
    with plain_style():
        sheet = Sheet(rows, _labels(rows, words, width), words, width)
        ordered = [(i, row) for side in ("supply", "extract") for i, row in enumerate(rows) if row.direction == side]
        fixed = LEGEND_MOST + 2 * HEAD + BETWEEN + FOOT
        capacity = int((MOST_HEIGHT_PT - fixed) / row_heights(width)[0]) - 2  # parts may have two rows more
        parts = _parts([row.direction for _, row in ordered], capacity)
        if len(parts) == 1:
            return [sheet.drawn(ordered).svg(name, words.description)]
        return [
            sheet.drawn(ordered[start:stop]).svg(f"{name}-{k}", f"{words.description} {k}/{len(parts)}")
            for k, (start, stop) in enumerate(parts, 1)
        ]


def _parts(sides: Sequence[str], capacity: int) -> list[tuple[int, int]]:
    """Return where parts of about as many rows start and stop; no group leaves one row alone in another part.

    >>> _parts(["supply"] * 19 + ["extract"] * 17, 35)
    [(0, 19), (19, 36)]
    """
    n_parts = -(-len(sides) // capacity)
    change = sides.index("extract") if "extract" in sides else len(sides)
    stops = [round(len(sides) * k / n_parts) for k in range(1, n_parts)]
    stops = [change if abs(stop - change) == 1 else stop for stop in stops]
    return list(zip([0, *stops], [*stops, len(sides)], strict=True))


def _labels(rows: Sequence[TerminalBar], words: TerminalsWords, width: float) -> list[tuple[str, str]]:
    """Return id and room of each row as they can be drawn beside each other."""
    narrow = width < NARROW_PT
    said = verdicts(rows, words, width) if narrow else [""] * len(rows)
    most = [width - 14.0 - text_width(verdict, SIZE) if narrow else 0.31 * width for verdict in said]
    rooms = ["" if reads_from_the_right(row.room) else row.room.strip() for row in rows]
    names = []
    for number, (row, room, space) in enumerate(zip(rows, rooms, most, strict=True), 1):
        is_plain = row.id.strip() and not missing_letters(row.id) and not reads_from_the_right(row.id)
        names.append(fitted(row.id, (0.6 if room else 1.0) * space, SIZE) if is_plain else f"({number})")
    alike = Counter(names)
    for i, name in enumerate(names):
        if alike[name] > 1 and name.endswith(ELLIPSIS):
            names[i] = fitted(f"({i + 1}) {rows[i].id}", (0.6 if rooms[i] else 1.0) * most[i], SIZE)
    left = [space - text_width(name, SIZE) - GAP for name, space in zip(names, most, strict=True)]
    return [(name, fitted(room, space, SMALL)) for name, room, space in zip(names, rooms, left, strict=True)]
