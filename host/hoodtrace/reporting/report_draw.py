"""The report's pictures: which there are, what stands in them, and where they go."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from hoodtrace.balancing.standing import K_95
from hoodtrace.reporting import blocks
from hoodtrace.reporting.blocks import Block
from hoodtrace.reporting.report_gathered import Gathered, OfReading, OfTerminal
from hoodtrace.reporting.report_words import ReportWords

if TYPE_CHECKING:
    from hoodtrace.averaging.strips import Strip
    from hoodtrace.reporting.report_pictures import TerminalBar, TraceWords

Drawn = dict[str, bytes]
_WIDTHS: tuple[tuple[Literal["wide", "narrow"], float], ...] = (("wide", 6.9), ("narrow", 3.45))


def terminal_pictures(g: Gathered, words: ReportWords) -> tuple[list[Block], Drawn]:
    """Return the places of the pictures of all terminals, and the pictures by name."""
    from hoodtrace.reporting.report_pictures import TerminalsWords, terminals_picture

    said = TerminalsWords(
        supply=words.word("direction", "supply"),
        extract=words.word("direction", "extract"),
        before=words.r("found"),
        after=words.r("now" if g.balanced is not None else "measured"),
        design=words.r("design"),
        allowed=words.r("allowed"),
        bars=words.r("bars"),
        no_reading=words.r("not_read"),
        axis=words.r("flow_in", unit=words.flow_unit),
        description=words.r("terminals_alt"),
        number=words.number,
    )
    rows, drawn, places = [_bar(t, g, words) for t in g.terminals], {}, []
    for on, width_in in _WIDTHS:
        for n, svg in enumerate(terminals_picture(rows, said, name=f"terminals-{on}", width_in=width_in), 1):
            drawn[f"terminals_{on}_{n}"] = svg
            places.append(blocks.picture(f"terminals_{on}_{n}", said.description, on))
    return places, drawn


def reading_pictures(g: Gathered, words: ReportWords) -> tuple[dict[int, Block], Drawn]:
    """Return the places of the pictures of traces by the number of their reading, and the pictures by name."""
    from hoodtrace.reporting.report_pictures import TraceWords

    alike = {
        "vane": words("review.vane"),
        "taps": words("review.taps"),
        "mean": words.r("mean"),
        "used": words.r("used"),
        "cut": words.r("cut_out"),
        "hold": words.r("hold"),
        "flow": words.flow_unit,
        "time": "s",
    }
    places, drawn = {}, {}
    for number, one in enumerate(g.readings):
        if not one.counts or one.shown is None:
            continue
        said = TraceWords(**alike, description=words.r("trace_alt", terminal=one.terminal), number=words.number)
        svg = _trace(g, words, one, said, f"trace-{number}")
        if svg is not None:
            name = f"trace_{number}"
            drawn[name], places[number] = svg, blocks.picture(name, said.description)
    return places, drawn


def _bar(t: OfTerminal, g: Gathered, words: ReportWords) -> TerminalBar:
    from hoodtrace.reporting.report_pictures import TerminalBar

    before = after = None
    if g.turned and t.found is not None:
        before = t.found.flow_m3h, K_95 * t.found.u_flow_m3h
    if t.stands is not None:
        after = t.stands.now_m3h, K_95 * t.stands.u_now_m3h
    elif t.last is not None:
        after = t.last.flow_m3h, t.last.expanded_m3h
    return TerminalBar(
        t.terminal.id,
        t.terminal.room,
        t.terminal.direction,
        _in_unit(words, t.design_m3h or None),
        _in_unit(words, t.low_m3h),
        _in_unit(words, t.high_m3h),
        None if before is None else (words.in_unit(before[0]), words.in_unit(before[1])),
        None if after is None else (words.in_unit(after[0]), words.in_unit(after[1])),
        "" if t.verdict is None else words.word("advice", t.verdict),
    )


def _in_unit(words: ReportWords, flow_m3h: float | None) -> float | None:
    return None if flow_m3h is None or not math.isfinite(flow_m3h) else words.in_unit(flow_m3h)


def _trace(g: Gathered, words: ReportWords, one: OfReading, said: TraceWords, name: str) -> bytes | None:
    """Return the picture of a reading's trace; None where the trace can't be used."""
    from hoodtrace.reporting.report_pictures import Cut, trace_picture

    assert one.window is not None
    assert one.shown is not None
    kept = g.kept(one.window)
    strip = None if kept is None else next((s for s in kept.strips if s.boot == one.window.boot), None)
    if strip is None:
        return None
    shown, entry = one.shown, one.entry or {}
    # The vane's sign is the hold's, the taps' that of the pressure: both are drawn as a flow of the hold's direction.
    scale = words.in_unit(1.0) * (-1.0 if entry.get("direction") == "extract" else 1.0)
    part = _part(strip, float(shown["hold_start_s"]), float(shown["hold_end_s"]))
    flow, half = float(shown["flow_m3h"]), float(shown["expanded_m3h"])
    return trace_picture(
        strip.t_s[part],
        strip.vane_m3h[part].astype(float) * scale,
        strip.taps_m3h[part].astype(float) * scale,
        (float(shown["start_s"]), float(shown["end_s"])),
        [Cut(float(c["start_s"]), float(c["end_s"]), words.cut(str(c["why"]))) for c in shown["cuts"]],
        said,
        hold=(float(shown["hold_start_s"]), float(shown["hold_end_s"])),
        mean=(words.in_unit(flow), words.in_unit(half)),
        name=name,
    )


def _part(strip: Strip, start_s: float, end_s: float) -> slice:
    low, high = strip.t_s.searchsorted([start_s - 6.0, end_s + 6.0]).tolist()
    return slice(int(low), int(high))
