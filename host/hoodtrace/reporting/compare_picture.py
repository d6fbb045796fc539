"""A comparison of visits as one picture: a row a terminal, a dot with its 95 % bar a visit, one panel a direction.

Narrow, so that a phone shows it at full width; longer with more terminals. Readable in grey: visits differ by mark and
by how dark it is, a real change by its arrow. Same input, same bytes, as SVG, PNG or PDF.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.compare import Cell, Comparison, Row
from hoodtrace.errors import UsageError
from hoodtrace.reporting.pdf import spelled_out
from hoodtrace.reporting.pictures import INK, STYLE, know_the_font

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

KINDS = (".svg", ".png", ".pdf")
WIDTH_IN = 3.9
LEFT_IN, RIGHT_IN, TOP_IN, BOTTOM_IN, BETWEEN_IN = 1.02, 0.80, 0.30, 0.50, 0.42
VISIT_IN, LEAST_ROW_IN, ROW_GAP_IN = 0.105, 0.20, 0.10
MOST_LETTERS = 19
PNG_DPI = 240
FAINT = "#5b6770"
DESIGN = "#a3521b"
MARKS = "osD^vP"
MINUS, PLUS_MINUS = "\N{MINUS SIGN}", "\N{PLUS-MINUS SIGN}"


def comparison_svg(found: Comparison) -> bytes:
    """Return the picture as SVG."""
    return comparison_picture(found, ".svg")


def comparison_picture(found: Comparison, suffix: str) -> bytes:
    """Return the picture in the format that a file's `suffix` names: .svg, .png or .pdf.

    Raises
    ------
    UsageError
        Another suffix, or there is nothing to draw.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    if suffix.lower() not in KINDS:
        raise UsageError(f"a picture can't be a {suffix or 'file without a suffix'}: name it {', '.join(KINDS)}")
    if not found.rows:
        raise UsageError("no visit has a terminal, so there is nothing to draw")
    know_the_font()
    with mpl.rc_context():
        mpl.rcdefaults()  # a user's own settings of matplotlib shall not change the picture
        mpl.rcParams.update(STYLE)  # type: ignore[arg-type]
        mpl.rcParams["pdf.fonttype"] = 42
        figure = Figure(figsize=(WIDTH_IN, 1.0))
        _draw(figure, found)
        out = io.BytesIO()
        kind = suffix.lower()[1:]
        figure.savefig(out, format=kind, metadata=_PLAIN[kind], dpi=PNG_DPI, facecolor="white")
    return out.getvalue()


_PLAIN: dict[str, Any] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


def shown_visits(found: Comparison) -> list[str]:
    """Return what each visit is called: its date, with the folder's name where two have the same date."""
    dates = [head.utc[:10] for head in found.visits]
    return [
        date if dates.count(date) == 1 else f"{date} {Path(head.folder).name}"
        for date, head in zip(dates, found.visits, strict=True)
    ]


def _draw(figure: Figure, found: Comparison) -> None:
    panels = [(name, [row for row in found.rows if row.direction == name]) for name in ("supply", "extract")]
    panels = [(name, rows) for name, rows in panels if rows]
    n_visits = len(found.visits)
    row_in = max(LEAST_ROW_IN, n_visits * VISIT_IN) + ROW_GAP_IN
    legend_in = 0.16 * -(-(n_visits + 1) // 3)
    top_in = TOP_IN + legend_in
    heights = [len(rows) * row_in for _, rows in panels]
    height = top_in + sum(heights) + BETWEEN_IN * (len(panels) - 1) + BOTTOM_IN
    figure.set_size_inches(WIDTH_IN, height)
    limits = _limits(found)
    below = top_in
    for place, ((name, rows), tall) in enumerate(zip(panels, heights, strict=True)):
        bottom = height - below - tall
        width = WIDTH_IN - LEFT_IN - RIGHT_IN
        axes = figure.add_axes((LEFT_IN / WIDTH_IN, bottom / height, width / WIDTH_IN, tall / height))
        axes.set_xlim(*limits)
        _panel(axes, name, rows, n_visits, row_in)
        if place == len(panels) - 1:
            axes.set_xlabel("flow, m³/h")
        below += tall + BETWEEN_IN
    _legend(figure, found, height)
    said = "bars: 95 %; ▲ ▼ a real change; ≈ no larger than its 95 % half-width"
    figure.text(0.05 / WIDTH_IN, 0.05 / height, said, color=FAINT, fontsize=5.5)


def _limits(found: Comparison) -> tuple[float, float]:
    ends = [0.0] if not any(cell.result for row in found.rows for cell in row.cells) else []
    for row in found.rows:
        for cell in row.cells:
            ends += [] if cell.design_m3h is None else [cell.design_m3h]
            if cell.result is not None:
                ends += [cell.result.flow_m3h + s * cell.result.expanded_m3h for s in (-1.0, 1.0)]
    low, high = min(ends), max(ends)
    margin = 0.05 * (high - low) or 1.0
    return max(low - margin, min(0.0, low)), high + margin


def _panel(axes: Axes, name: str, rows: list[Row], n_visits: int, row_in: float) -> None:
    axes.set_ylim(len(rows) * row_in, 0.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(visible=True, axis="x", color="#d9dfe4", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.locator_params(axis="x", nbins=5)
    across = axes.get_yaxis_transform()
    head_in = -0.06
    _text(axes, LEFT_IN, f"{name} air", head_in, "left", INK, 7.5, across)
    _text(axes, -1.0, "change since first", head_in, "right", FAINT, 6.0, across)
    for number, row in enumerate(rows):
        top = number * row_in
        if number % 2 == 0:
            axes.axhspan(top, top + row_in, xmin=-1.0, xmax=3.0, color="#f1f4f6", linewidth=0.0, zorder=0.0)
            width = WIDTH_IN - LEFT_IN - RIGHT_IN
            _band(axes, top, row_in, width, across)
        middle = top + row_in / 2.0
        extra = "".join(f", {word}" for word in _apart(row, rows))
        _text(axes, LEFT_IN, _short(f"{row.terminal}{extra}"), middle - 0.015, "left", INK, 6.5, across)
        _text(axes, LEFT_IN, _short(row.room), middle + 0.105, "left", FAINT, 6.0, across)
        first = top + row_in / 2.0 - (n_visits - 1) * VISIT_IN / 2.0
        for visit, cell in enumerate(row.cells):
            _mark(axes, cell, visit, n_visits, first + visit * VISIT_IN, across)
        newest = next((cell for cell in reversed(row.cells) if cell.first is not None), None)
        if newest is not None and newest.first is not None:
            said, colour = _said(newest)
            _text(axes, -1.0, said, middle + 0.04, "right", colour, 6.5, across)


def _band(axes: Axes, top: float, row_in: float, width: float, across: Any) -> None:
    """Shade a row on both sides of the axes too, so that the eye finds its name and its change."""
    from matplotlib.patches import Rectangle

    for start, stop in ((-LEFT_IN + 0.02, 0.0), (width, width + RIGHT_IN - 0.02)):
        shade = Rectangle((start / width, top), (stop - start) / width, row_in, transform=across, clip_on=False,
                          color="#f1f4f6", linewidth=0.0, zorder=0.0)  # fmt: skip
        axes.add_patch(shade)


def _text(axes: Axes, at_in: float, text: str, y: float, side: str, colour: str, size: float, across: Any) -> None:
    """Write left of the axes (`at_in` inches from their edge) or, for the right side, at the figure's right edge."""
    width = WIDTH_IN - LEFT_IN - RIGHT_IN
    x = (-at_in + 0.05) / width if side == "left" else 1.0 + (RIGHT_IN - 0.05) / width
    text, _ = spelled_out(text)
    axes.text(x, y, text, transform=across, ha="left" if side == "left" else "right", va="bottom", color=colour,
              fontsize=size, clip_on=False, parse_math=False)  # fmt: skip


def _apart(row: Row, rows: list[Row]) -> list[str]:
    """Return what tells a row from others of its terminal: setting, hood off."""
    mine = [other for other in rows if (other.terminal, other.room) == (row.terminal, row.room)]
    words = [row.setting] if any(other.setting != row.setting for other in mine) else []
    return words if row.hood_on else [*words, "hood off"]


def _short(text: str) -> str:
    return text if len(text) <= MOST_LETTERS else f"{text[: MOST_LETTERS - 1].rstrip()}…"


def _mark(axes: Axes, cell: Cell, visit: int, n_visits: int, y: float, across: Any) -> None:
    if cell.design_m3h is not None:
        half = VISIT_IN / 2.0
        axes.plot([cell.design_m3h] * 2, [y - half, y + half], color=DESIGN, linewidth=1.1, zorder=2.5)
    if cell.result is None:
        ground = {"facecolor": "white", "linewidth": 0.0, "pad": 0.4, "alpha": 0.8}
        axes.text(0.01, y, cell.presence, transform=across, va="center_baseline", color=FAINT, fontsize=5.0,
                  bbox=ground, zorder=2.6)  # fmt: skip
        return
    look = _look(visit, n_visits)
    axes.errorbar([cell.result.flow_m3h], [y], xerr=[cell.result.expanded_m3h], ecolor=INK, elinewidth=0.9, capsize=1.4,
                  capthick=0.9, zorder=3.0, linestyle="none", **look)  # fmt: skip


def _look(visit: int, n_visits: int) -> dict[str, Any]:
    """Return the mark of a visit: the newest is filled dark, the oldest white."""
    share = visit / (n_visits - 1)
    face = tuple(1.0 - share * (1.0 - int(INK[i : i + 2], 16) / 255.0) for i in (1, 3, 5))
    return {"marker": MARKS[visit % len(MARKS)], "markersize": 3.6, "markerfacecolor": face, "markeredgecolor": INK,
            "markeredgewidth": 0.7}  # fmt: skip


def _said(cell: Cell) -> tuple[str, str]:
    """Return the change in words and its colour: an arrow where it is real."""
    assert cell.first is not None
    change = cell.first.change
    rel, half = 100.0 * change.rel, 100.0 * change.expanded_rel
    number = f"{rel:+.0f} {PLUS_MINUS} {half:.0f} %".replace("-", MINUS)
    if not change.is_real:
        return f"≈ {number}", FAINT
    return f"{'▲' if rel > 0.0 else '▼'} {number}", INK


def _legend(figure: Figure, found: Comparison, height: float) -> None:
    from matplotlib.lines import Line2D

    names, _ = spelled_out(shown_visits(found))
    n = len(names)
    handles = [
        Line2D([], [], color=INK, linewidth=0.9, label=_short(name), **_look(i, n)) for i, name in enumerate(names)
    ]
    handles.append(
        Line2D([], [], color=DESIGN, linewidth=0.0, marker="|", markersize=6.0, markeredgewidth=1.1, label="design")
    )
    legend = figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, 1.0 - 0.02 / height), ncols=3,
                           columnspacing=1.2, handletextpad=0.4, handlelength=1.6, borderaxespad=0.2)  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)
