"""Pictures of why a reading is what it is, as SVG: the budget as bars, and the correlation of its air.

Same input, same bytes. Drawn as `pictures` draws, 360 px wide or more. What is new in each reading, shared in the visit
or by the hood differs by filling, so it can be told in grey. Dark ink on nothing; a browser that likes it dark gets
light ink by a style inside the picture, which the PDF and print leave alone. Ids begin with the picture's name, so
that several can stand in one page.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.why import Why
from hoodtrace.dwelling.why_budget import Line
from hoodtrace.reporting.pictures import INK, SOFT, WIDTH_IN, drawn

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, BAND, GRID = "#1f5c7a", "#ccd3d9", "#d9dfe4"
DARK = {INK: "#f1f4f5", SOFT: "#9aa6b0", BLUE: "#86c6e6", BAND: "#39434c", GRID: "#313b44"}
SIZE = 7.6
ROW_IN, HEAD_IN, FOOT_IN = 0.29, 0.04, 0.62
LOOKS: dict[str, tuple[str, dict[str, Any]]] = {
    "reading": ("new in each reading", {"facecolor": BLUE, "edgecolor": BLUE}),
    "terminal": ("shared at the terminal", {"facecolor": "none", "edgecolor": BLUE, "hatch": "....."}),
    "visit": ("shared in the visit", {"facecolor": "none", "edgecolor": BLUE, "hatch": "//////"}),
    "hood": ("shared by the hood", {"facecolor": "none", "edgecolor": BLUE}),
}
MINUS = "\N{MINUS SIGN}"
_NOT_IN_XML = re.compile(
    "[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]"
)  # XML 1.0, 2.2 Char (memory)


def budget_picture(why: Why) -> bytes:
    """Return the share of the variance of each line of the budget as bars, with its uncertainty in m3/h, as SVG.

    A negative share (of a covariance) goes to the left of the line at 0. Without a budget the picture says so.
    """
    words = f"Budget of {why.id}: " + (
        "; ".join(f"{line.name} {_percent(line)}" for line in why.terms) or "there is none"
    )
    return themed(drawn(why, _budget), "budget", words)


def correlation_picture(why: Why) -> bytes:
    """Return the autocorrelation of the reading's air over lag, the model, and the reach of chance, as SVG."""
    one = why.correlation
    words = f"Autocorrelation of the flow of {why.id}: " + (
        f"correlation {one.of.correlation_s:.2g} s, N/g {one.n_over_g:.3g}" if one is not None else "none to show"
    )
    return themed(drawn(why, _correlation), "correlation", words)


def _budget(figure: Figure, why: Why) -> None:
    n = max(len(why.terms), 1)
    height = HEAD_IN + ROW_IN * n + FOOT_IN
    figure.set_size_inches(WIDTH_IN, height)
    axes = figure.add_axes((0.025, FOOT_IN / height, 0.95, ROW_IN * n / height))
    if not why.terms:
        _nothing(axes, "no budget")
        return
    shares = [100.0 * line.share for line in why.terms]
    low, high = min(0.0, *shares), max(shares)
    axes.set_xlim(low, max(high, low + 1.0) * 1.02)
    axes.set_ylim(n, 0.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    for row, line in enumerate(why.terms):
        look = LOOKS.get(line.scope, LOOKS["reading"])[1]
        axes.barh(row + 0.72, 100.0 * line.share, height=0.26, linewidth=0.8, **look)
        axes.plot([0.0, 0.0], [row + 0.52, row + 0.92], color=INK, linewidth=0.9)
        number = "" if line.u_m3h is None else f"{_flow(line.u_m3h)} m³/h"
        for x, words, side in ((0.0, line.name, "left"), (0.72, _percent(line), "right"), (1.0, number, "right")):
            axes.text(x, row + 0.44, words, transform=axes.get_yaxis_transform(), color=INK, fontsize=SIZE, ha=side)
    axes.set_xlabel("share of the variance, %", fontsize=SIZE, color=INK)
    _ticks(axes)
    handles = [_patch(scope) for scope in LOOKS if any(line.scope == scope for line in why.terms)]
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.0, -0.01), ncols=len(handles), fontsize=6.2,
                  labelcolor=INK, columnspacing=0.9, handletextpad=0.4, handlelength=1.4)  # fmt: skip


def _correlation(figure: Figure, why: Why) -> None:
    axes = figure.add_axes((0.135, 0.175, 0.83, 0.66))
    one = why.correlation
    if one is None:
        _nothing(axes, "no correlation to show")
        return
    lag_s, longest_s = one.of.lag_s, one.of.lag_s[-1]
    axes.axhspan(-one.of.band_95, one.of.band_95, facecolor=BAND, edgecolor="none", label="chance alone (95 %)")
    axes.axhline(0.0, color=INK, linewidth=0.7)
    axes.plot(lag_s, one.of.model, "--", color=BLUE, linewidth=1.3, label="exponential, same integral")
    axes.plot(lag_s, one.of.r, "-", color=INK, linewidth=1.1, label=f"measured ({one.channel})")
    axes.set_xlim(0.0, longest_s if longest_s > 0.0 else 1.0)
    axes.set_ylim(min(-0.4, *one.of.r) - 0.02, 1.04)
    axes.set_yticks([-0.5, 0.0, 0.5, 1.0] if min(one.of.r) < -0.48 else [0.0, 0.5, 1.0])
    axes.set_xlabel("lag, s", fontsize=SIZE, color=INK)
    axes.set_ylabel("autocorrelation", fontsize=SIZE, color=INK)
    axes.grid(visible=True, axis="y", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    _ticks(axes)
    said = f"correlation {one.of.correlation_s:.2g} s, record {one.used_s:.3g} s\nN/g {one.n_over_g:.3g}"
    axes.text(0.985, 0.97, said, transform=axes.transAxes, ha="right", va="top", color=INK, fontsize=SIZE,
              linespacing=1.5)  # fmt: skip
    figure.legend(loc="upper left", bbox_to_anchor=(0.0, 1.02), ncols=2, fontsize=6.4, labelcolor=INK,
                  columnspacing=1.0, handletextpad=0.4, handlelength=2.0)  # fmt: skip


def _ticks(axes: Axes) -> None:
    axes.locator_params(axis="x", nbins=6)
    axes.tick_params(labelsize=SIZE - 0.6, labelcolor=INK, color=SOFT)


def _nothing(axes: Axes, words: str) -> None:
    axes.set_axis_off()
    axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", color=INK, fontsize=SIZE)


def _patch(scope: str) -> Any:
    from matplotlib.patches import Patch

    words, look = LOOKS[scope]
    return Patch(label=words, linewidth=0.8, **look)


def _percent(line: Line) -> str:
    percent = 100.0 * line.share
    return "< 0.1 %" if 0.0 <= percent < 0.05 else f"{percent:.1f} %".replace("-", MINUS)


def _flow(u_m3h: float) -> str:
    return f"{u_m3h:.3f}" if u_m3h >= 0.0005 else "< 0.001"


def themed(svg: bytes, name: str, words: str, colours: Mapping[str, str] = DARK) -> bytes:
    """Return the picture with ids of its own, words for those who don't see it, and light ink where it is dark.

    Parameters
    ----------
    svg : bytes
        As matplotlib makes it.
    name : str
        What its ids and its class begin with, unlike that of any other picture of the page: letters, digits, "-".
    words : str
        Shown as typed, but for control characters, which no XML may hold: each becomes U+FFFD.
    colours : mapping
        What each colour becomes on a screen that is dark.

    Raises
    ------
    ValueError
        `name` has other letters, which would end the style or a reference too early.
    """
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]*", name):
        raise ValueError(f"a picture can't be called {name!r}: use letters, digits and - from a letter on")
    text = svg.decode("utf-8")
    text = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", text)
    rules = "".join(
        f'.hoodtrace-{name} [style*="{kind}: {light}"]{{{kind}:{dark}!important}}'
        for light, dark in colours.items()
        for kind in ("fill", "stroke")
    )
    style = f"<style>@media screen and (prefers-color-scheme: dark){{{rules}}}</style>"
    label = html.escape(_NOT_IN_XML.sub("\N{REPLACEMENT CHARACTER}", words))
    head = f'<svg class="hoodtrace-{name}" role="img" aria-label="{label}" '
    start = text.index("<svg ")
    end = text.index(">", start) + 1
    opened = text[start:end].replace("<svg ", head, 1)
    return (text[:start] + opened + f"<title>{label}</title>{style}" + text[end:]).encode("utf-8")
