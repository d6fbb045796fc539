"""Pictures of a calibration as SVG: how far each point lies from the fit, and the factor over flow with its band.

Same record, same bytes: letters are drawn as outlines of the shipped font, ids come from a fixed salt, no date.
Readable in grey: supply and extract, vane and taps differ by mark and line, never by colour alone.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Literal

from hoodtrace.calibration.record import Channel, Fit, Record, Signal
from hoodtrace.reporting.pdf import FONT_FILES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FAMILY = "hoodtrace sans"  # a name of our own, so that no other font of the machine is taken
WIDTH_IN = 3.45
HEIGHT_IN = 2.3
INK = "#1b2733"
SOFT = "#8894a0"

# Mark, filled?, line, colour of each channel and direction.
_LOOK: dict[tuple[str, str], tuple[str, bool, Literal["-", "--"], str]] = {
    ("vane", "supply"): ("o", True, "-", "#1f5c7a"),
    ("vane", "extract"): ("s", False, "--", "#a3521b"),
    ("taps", "supply"): ("^", True, "-", "#1f5c7a"),
    ("taps", "extract"): ("D", False, "--", "#a3521b"),
}
STYLE: dict[str, Any] = {
    "font.family": FAMILY,
    "font.size": 6.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "hoodtrace",
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.useoffset": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "legend.frameon": False,
    "legend.fontsize": 6.0,
    "hatch.linewidth": 0.4,
}


def residual_picture(record: Record) -> bytes:
    """Return the relative residual of every point over flow, with its 95 % bar, as SVG."""
    return drawn(record, _residuals)


def factor_picture(record: Record) -> bytes:
    """Return k and c over flow, with the 95 % band of each fit and the points, as SVG: one panel a channel."""
    return drawn(record, _factors)


def drawn(record: Any, draw: Callable[[Figure, Any], None]) -> bytes:
    """Return what `draw` draws of `record` on a figure, as SVG; same input, same bytes."""
    from matplotlib.figure import Figure

    with plain_style():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        draw(figure, record)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    return out.getvalue()


@contextlib.contextmanager
def plain_style() -> Iterator[None]:
    """Hold matplotlib to `STYLE` and the shipped font; a user's own settings of it shall not change the page."""
    import matplotlib as mpl

    know_the_font()
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)  # type: ignore[arg-type]
        yield


def know_the_font() -> None:
    """Make the shipped font known to matplotlib."""
    from matplotlib.font_manager import FontEntry, fontManager

    if not any(entry.name == FAMILY for entry in fontManager.ttflist):
        fontManager.ttflist.append(FontEntry(fname=str(FONT_FILES[0]), name=FAMILY, weight=400, size="scalable"))


def _residuals(figure: Figure, record: Record) -> None:
    axes = figure.add_axes((0.155, 0.165, 0.83, 0.70))
    axes.axhline(0.0, color=INK, linewidth=0.7)
    fits = record.fits
    span = max(s.range_m3h[1] for s in fits) - min(s.range_m3h[0] for s in fits)
    for index, fit in enumerate(fits):
        shift = (index - (len(fits) - 1) / 2.0) * 0.008 * span  # so that bars of one flow stand beside each other
        marks = [(flow + shift, s) for flow, s in _signals(record, fit)]
        _marks(axes, fit, [(x, 100.0 * s.residual_rel, 100.0 * s.half_rel) for x, s in marks], _words(fit))
    axes.set_ylabel("reference over fit \N{MINUS SIGN} 1, %")
    _finish(figure, axes, record, fits)


def _factors(figure: Figure, record: Record) -> None:
    channels: list[Channel] = [c for c in ("vane", "taps") if any(f.channel == c for f in record.fits)]
    height = 0.70 / len(channels) - (0.03 if len(channels) > 1 else 0.0)
    for place, channel in enumerate(channels):
        fits = [fit for fit in record.fits if fit.channel == channel]
        bottom = 0.165 + (len(channels) - 1 - place) * (height + 0.06)
        axes = figure.add_axes((0.155, bottom, 0.83, height))
        for fit in fits:
            _band(axes, fit)
            points = [(flow, s.factor, s.factor * s.half_rel) for flow, s in _signals(record, fit)]
            _marks(axes, fit, points, _words(fit))
        axes.set_ylabel(f"{fits[0].symbol} ({channel})")
        _finish(figure, axes, record, record.fits if place == 0 else ())
        if place < len(channels) - 1:
            axes.set_xlabel("")
            axes.tick_params(labelbottom=False)


def _band(axes: Axes, fit: Fit) -> None:
    _, filled, line, colour = _LOOK[fit.channel, fit.direction]
    low = [k - h for k, h in zip(fit.band.factor, fit.band.half, strict=True)]
    high = [k + h for k, h in zip(fit.band.factor, fit.band.half, strict=True)]
    face = {"facecolor": colour, "alpha": 0.16} if filled else {"facecolor": "none", "hatch": "////", "alpha": 0.45}
    axes.fill_between(fit.band.flow_m3h, low, high, edgecolor=colour, linewidth=0.0, **face)  # type: ignore[arg-type]
    axes.plot(fit.band.flow_m3h, fit.band.factor, line, color=colour, linewidth=1.0)


def _marks(axes: Axes, fit: Fit, points: list[tuple[float, float, float]], label: str) -> None:
    mark, filled, _, colour = _LOOK[fit.channel, fit.direction]
    x, y, half = zip(*points, strict=True) if points else ((), (), ())
    axes.errorbar(
        x, y, yerr=half, fmt=mark, label=label, color=colour, markersize=3.6, markeredgewidth=0.8,
        markerfacecolor=colour if filled else "white", elinewidth=0.8, capsize=1.8, capthick=0.8,
    )  # fmt: skip


def _finish(figure: Figure, axes: Axes, record: Record, named: tuple[Fit, ...]) -> None:
    flows = [flow for fit in record.fits for flow in (*fit.band.flow_m3h, *fit.range_m3h)]
    flows += [point.flow_m3h for point in record.points]
    margin = 0.03 * (max(flows) - min(flows))
    axes.set_xlim(min(flows) - margin, max(flows) + margin)
    axes.set_xlabel("flow, m³/h")
    axes.grid(visible=True, axis="y", color="#d9dfe4", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.locator_params(axis="y", nbins=5)
    if named:
        handles = [_handle(fit) for fit in named]
        figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.14, 1.02), ncols=2,
                      columnspacing=1.2, handletextpad=0.3)  # fmt: skip


def _handle(fit: Fit) -> Any:
    from matplotlib.lines import Line2D

    mark, filled, line, colour = _LOOK[fit.channel, fit.direction]
    return Line2D([], [], color=colour, linestyle=line, linewidth=1.0, marker=mark, markersize=3.6, label=_words(fit),
                  markerfacecolor=colour if filled else "white", markeredgewidth=0.8)  # fmt: skip


def _words(fit: Fit) -> str:
    return f"{fit.channel}, {fit.direction}"


def _signals(record: Record, fit: Fit) -> list[tuple[float, Signal]]:
    both = [
        (p.flow_m3h, p.vane if fit.channel == "vane" else p.taps) for p in record.points if p.direction == fit.direction
    ]
    return [(flow, signal) for flow, signal in both if signal is not None]
