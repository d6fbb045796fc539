"""The report's readings, for the expert: of each one its interval, method, window, channels, air, budget and picture.

What was read and does not count follows in a table, with the reason; what people chose stands beside what was found.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.state import Placement
from hoodtrace.dwelling.verdict import verdict_on
from hoodtrace.dwelling.why_budget import Line, lines
from hoodtrace.reporting import blocks
from hoodtrace.reporting.blocks import Block
from hoodtrace.reporting.report_gathered import Gathered, OfReading
from hoodtrace.reporting.report_words import DASH, ReportWords
from hoodtrace.reporting.texts import NO_BREAK, key_of
from hoodtrace.units import m3h

if TYPE_CHECKING:
    from hoodtrace.averaging.session import Outcome

APART = " · "
"""Between things in a row: a semicolon is a question mark in Greek."""
SMALL_SHARE = 0.005
"""Terms with less of the variance stand together in one row."""


def readings(g: Gathered, words: ReportWords, pictures: dict[int, Block]) -> list[Block]:
    """Return the cards of the readings that count; `pictures` are the places of their traces, by number."""
    out = [
        blocks.heading(words.r("readings")),
        blocks.text(f"{words.r('readings_means')} {words('review.key_n_over_g')}.", "intro"),
    ]
    order = {t.terminal.id: n for n, t in enumerate(g.terminals)}
    counting = [(n, one) for n, one in enumerate(g.readings) if one.counts and one.entry is not None]
    counting.sort(key=lambda pair: (order.get(pair[1].terminal, len(order)), pair[1].utc, pair[0]))
    seen: dict[str, int] = {}
    for n, one in counting:
        seen[one.terminal] = seen.get(one.terminal, 0) + 1
        out.append(_card(g, words, one, seen[one.terminal], pictures.get(n)))
    if not counting:
        out.append(blocks.text(words.r("no_readings")))
    return [*out, *_not_counting(g, words)]


def _card(g: Gathered, words: ReportWords, one: OfReading, number: int, picture: Block | None) -> Block:
    entry = one.entry or {}
    terminal = next((t.terminal for t in g.terminals if t.terminal.id == one.terminal), None)
    room = f", {words.isolated(terminal.room)}" if terminal is not None and terminal.room else ""
    expanded = result([Placement(0, one.terminal, one.setting, "", (0, 0), entry)]).expanded_m3h
    flow = float(entry["flow_m3h"])
    title = words.r(
        "reading_title",
        terminal=f"{words.isolated(one.terminal)}{room}",
        n=number,
        flow=f"{words.interval(flow, expanded)} {words.flow_unit}",
    )
    rows = [
        (words.r("when"), words.when(one.utc)),
        (words.r("method"), _method(words, one)),
        (words.r("window"), _window(words, one)),
        (words.r("cut_out"), _cuts(words, one)),
        (words.r("channels"), _channels(words, one)),
        (words.r("unrest"), _unrest(words, one)),
        (words.r("air_there"), _air(words, one.outcome)),
        (words.r("judged_alone"), _judged(g, words, one)),
        (words.r("by_person"), _by_person(words, one)),
        (words.r("doubts"), APART.join(_flag(words, flag) for flag in entry.get("flags", ()))),
    ]
    budget = _budget(words, one, g.hood.r_k_c)
    out = [blocks.heading(title, 3), blocks.pair([blocks.facts(rows)], budget) if budget else blocks.facts(rows)]
    return blocks.card([*out, picture] if picture is not None else out)


def _method(words: ReportWords, one: OfReading) -> str:
    entry = one.entry or {}
    by = str(entry.get("by", "hood"))
    parts = [words.r(f"by_{key_of(by)}") if by in ("hood", "hand", "parts", "traverse") else by]
    if entry.get("meter"):
        parts.append(words.typed(str(entry["meter"])))
    parts.append(words.r("hood_on" if entry.get("hood_on", True) else "hood_off"))
    if entry.get("after_turn"):
        parts.append(words.r("after_turn"))
    if entry.get("at_stop"):
        parts.append(words.r(f"at_stop_{entry['at_stop']}"))
    if one.setting:
        parts.append(words.r("at_setting", setting=one.setting))
    if entry.get("by") == "hand" and entry.get("u_stated") is False:
        parts.append(words.r("u_taken"))
    return APART.join(parts)


def _window(words: ReportWords, one: OfReading) -> str:
    if one.window is None or one.shown is None:
        return ""
    ends = [words.seconds(float(one.shown[key])) for key in ("start_s", "end_s")]
    used = float(one.shown.get("used_s") or 0.0)
    return words.r("window_is", id=one.window.id, start=ends[0], end=ends[1], used=words.seconds(used))


def _cuts(words: ReportWords, one: OfReading) -> str:
    cuts = one.shown["cuts"] if one.shown is not None else ()
    return APART.join(
        words.r(
            "cut_is",
            start=words.seconds(cut["start_s"]),
            end=words.seconds(cut["end_s"]),
            what=words.cut(cut["why"]),
        )
        for cut in cuts
    )


def _channels(words: ReportWords, one: OfReading) -> str:
    if one.outcome is None:
        return ""
    averaged, out = one.outcome.averaged, []
    for name, flow, u in (
        ("vane", averaged.vane_m3_s, averaged.u_vane_m3_s),
        ("taps", averaged.taps_m3_s, averaged.u_taps_m3_s),
    ):
        if flow is None or u is None:
            out.append(words.r(f"no_{name}"))
        else:
            out.append(words.r(f"by_{name}", flow=f"{words.bare_flow(m3h(flow))} (u\u00a0{_u(words, m3h(u))})"))
    return APART.join(out)


def _unrest(words: ReportWords, one: OfReading) -> str:
    entry = one.entry or {}
    if one.window is None or entry.get("fluctuation_rel") is None:
        return ""
    used, correlation = float(entry.get("used_s") or 0.0), float(entry.get("correlation_s") or 0.0)
    said = words.r(
        "unrest_is",
        fluctuation_rel=float(entry["fluctuation_rel"]),
        correlation=words.number(correlation, 2),
    )
    looks = words.number(used / (2.0 * correlation), 0) if correlation > 0.0 else "\N{INFINITY}"
    return f"{said}, N/g{NO_BREAK}{looks}"


def _air(words: ReportWords, outcome: Outcome | None) -> str:
    air = None if outcome is None else outcome.averaged.air
    if air is None:
        return ""
    return words.r(
        "air_assumed" if air.assumed else "air_is",
        temp=words.number(air.temp_c, 1),
        rh=words.number(air.rh_pct, 0),
        hpa=words.number(air.pressure_pa / 100.0, 0),
        density=words.number(air.density_kg_m3, 3),
    )


def _judged(g: Gathered, words: ReportWords, one: OfReading) -> str:
    """Say the verdict on this reading alone, the hood's back pressure not taken out."""
    entry = one.entry or {}
    terminal = next((t.terminal for t in g.terminals if t.terminal.id == one.terminal), None)
    if terminal is None:
        return ""
    numbers = float(entry["flow_m3h"]), float(entry["u_flow_m3h"]), entry.get("dof")
    judged = verdict_on(terminal, one.setting, g.visit.plan.rule, *numbers, entry.get("flags", ()))
    return "" if judged is None else words.word("advice", judged)


def _by_person(words: ReportWords, one: OfReading) -> str:
    if one.shown is None:
        return ""
    out, automatic = [], one.shown.get("automatic")
    if one.shown.get("by") == "person":
        if automatic is None:
            out.append(words.r("chosen_new"))
        elif automatic.get("flow_m3h") is None:
            out.append(words.r("chosen_refused", why=words.why(str(automatic.get("why", "")))))
        elif all(automatic.get(key) == one.shown.get(key) for key in ("start_s", "end_s", "cuts")):
            out.append(words.r("chosen_given"))
        else:
            ends = [words.seconds(float(automatic[key])) for key in ("start_s", "end_s")]
            flow = words.interval(float(automatic["flow_m3h"]), float(automatic["expanded_m3h"]))
            out.append(words.r("chosen", start=ends[0], end=ends[1], flow=flow))
    out += [words.typed(note) for note in one.shown.get("notes", ())]
    return " ".join(out)


def _flag(words: ReportWords, flag: str) -> str:
    return words.word("flag", "channels disagree" if flag.startswith("channels disagree") else flag)


def _budget(words: ReportWords, one: OfReading, r_k_c: float) -> list[Block]:
    if one.outcome is None:
        return []
    found = lines(one.outcome.averaged, r_k_c)
    large = [line for line in found if abs(line.share) >= SMALL_SHARE]
    small = [line for line in found if abs(line.share) < SMALL_SHARE]
    rows = [_row(words, line) for line in large]
    if small:
        share = math.fsum(line.share for line in small)
        u = math.sqrt(math.fsum((line.u_m3h or 0.0) ** 2 for line in small))
        rows.append([words.r("small_terms", n=len(small)), "", _u(words, u), words.percent(share), ""])
    total = one.outcome.averaged.total
    dof = "\N{INFINITY}" if math.isinf(total.dof) else words.number(total.dof, 0)
    rows.append([words.r("whole"), "", _u(words, m3h(total.u_m3_s)), words.percent(1.0), dof])
    head = [words.r("term"), words.r("shared"), words.r("u_in", unit=words.flow_unit), words.r("share"), words.r("dof")]
    return [blocks.table(head, "llrrr", rows, [0])]


def _row(words: ReportWords, line: Line) -> list[str]:
    dof = "\N{INFINITY}" if line.dof is None else words.number(line.dof, 0)
    if line.u_m3h is None:
        return [words.term(line.name), words.r(f"scope_{line.scope}"), DASH, words.percent(line.share), ""]
    return [
        words.term(line.name),
        words.r(f"scope_{line.scope}"),
        _u(words, line.u_m3h),
        words.percent(line.share),
        dof,
    ]


def _u(words: ReportWords, u_m3h: float) -> str:
    return words.number(words.in_unit(u_m3h), 3)


def _not_counting(g: Gathered, words: ReportWords) -> list[Block]:
    rows = [_row_not_counting(words, one) for one in g.readings if not one.counts]
    rows += [
        [
            words.isolated(p.terminal),
            "",
            words.bare_flow(p.flow_m3h),
            words.r("taken_back"),
        ]
        for p in g.visit.state.withdrawn
        if p.entry.get("trace") is None
    ]
    if not rows:
        return []
    head = [
        words.r("terminal"),
        words.r("window"),
        words.r("flow_in", unit=words.flow_unit),
        words.r("why_not_counting"),
    ]
    return [
        blocks.heading(words.r("not_counting")),
        blocks.table(head, "llrl", rows, [3]),
    ]


def _row_not_counting(words: ReportWords, one: OfReading) -> list[str]:
    shown: dict[str, Any] = dict(one.shown or {})
    flow = shown.get("flow_m3h")
    estimate = shown.get("estimate_m3h")
    said = words.bare_flow(float(flow)) if flow is not None else ""
    if flow is None and estimate is not None:
        said = words.r("about", flow=words.bare_flow(float(estimate)))
    state, why = str(shown.get("state", "")), str(shown.get("why", ""))
    if state == "rejected":
        reason = words.r("rejected", why=words.typed(why))
    elif state == "taken back":
        reason = words.r("taken_back")
    elif state == "refused":
        reason = words.why(why)
    else:
        reason = words.r("given_to_none")
    notes = " ".join(words.typed(note) for note in shown.get("notes", ()))
    ends = [words.seconds(float(shown[key])) for key in ("start_s", "end_s")]
    window = f"{one.window.id if one.window else ''}, {ends[0]}{DASH}{ends[1]} s"
    return [words.isolated(one.terminal) or DASH, window, said, f"{reason} {notes}".strip()]
