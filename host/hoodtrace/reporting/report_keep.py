"""The page to keep (valves, filters, settings, when to look again), and what the record is good for."""

from __future__ import annotations

import datetime
import math
from typing import TYPE_CHECKING

from hoodtrace.averaging.budget import Term, coverage_factor, total
from hoodtrace.balancing.says import caution_says
from hoodtrace.dwelling.questions import FLUE, flue_not_excluded
from hoodtrace.dwelling.result import result
from hoodtrace.reporting import blocks
from hoodtrace.reporting.blocks import Block
from hoodtrace.reporting.report_front import BOTH_WAYS, as_read_note, goes_both_ways, now_words
from hoodtrace.reporting.report_gathered import Gathered, OfTerminal
from hoodtrace.reporting.report_words import DASH, ReportWords
from hoodtrace.reporting.texts import key_of

if TYPE_CHECKING:
    from collections.abc import Mapping

_CAUTIONS = ("ladder", "ladder_second", "isolate", "dust", "asbestos")


def keep(g: Gathered, words: ReportWords) -> list[Block]:
    """Return the page to keep."""
    r = words.r
    head = [r("terminal"), r("room"), r("valve_stands"), r("locked"), r("flow_in", unit=words.flow_unit)]
    rows = []
    for t in g.terminals:
        said = g.visit.state.answers.get(f"valve:{t.terminal.id}")
        position, locked = _valve(words, said if isinstance(said, dict) else None)
        rows.append(
            [words.isolated(t.terminal.id), words.isolated(t.terminal.room), position, locked, now_words(t, words)]
        )
    out = [
        blocks.heading(r("keep")),
        blocks.text(r("keep_means")),
        blocks.table(head, "llllr", rows, [1, 2]),
        *as_read_note(g, words),
    ]
    out += _settings(g, words)
    out += [
        blocks.heading(r("look_again"), 3),
        blocks.facts(
            [
                (r("filters"), _filters(g, words)),
                (r("filters_next"), r("filters_often")),
                (r("flows_next"), r("flows_when", date=_year_after(g.date))),
                (r("hood_next"), _hood_due(g, words)),
            ]
        ),
        blocks.items([r(f"again_if_{each}") for each in ("works", "damp", "noise", "valve")]),
    ]
    return out


def trust(g: Gathered, words: ReportWords) -> list[Block]:
    """Return how to repeat a reading, how far two honest ones may lie apart, and what the record can't be used for."""
    r = words.r
    read = [t for t in g.terminals if t.last is not None]
    rows = [_apart(t, g, words) for t in read]
    head = [
        r("terminal"),
        r("last_reading_in", unit=words.flow_unit),
        r("apart_same_in", unit=words.flow_unit),
        r("apart_other_in", unit=words.flow_unit),
    ]
    out = [
        blocks.heading(r("dispute")),
        blocks.items([r(f"repeat_{n}") for n in range(1, 7)]),
        blocks.text(r("apart_means")),
    ]
    if rows:
        out.append(blocks.table(head, "lrrr", rows, [0]))
    out += [
        blocks.heading(r("limits")),
        blocks.items([r("no_certificate"), *_accredited(g, words), *[r(f"limit_of_{n}") for n in range(1, 6)]]),
        blocks.heading(r("cautions")),
        blocks.items(_cautions(g, words), "caution"),
        blocks.lines_to_sign([r("sign_who"), r("sign_when")]),
    ]
    return out


def _filters(g: Gathered, words: ReportWords) -> str:
    """Return how the filters were, and on which day that was noted."""
    noted = [e for e in g.entries if e.get("kind") == "answer" and e.get("question") == "filters" and e.get("value")]
    if not noted:
        return words.r("not_noted")
    return f"{words.word('answer', str(noted[-1]['value']))}, {str(noted[-1].get('utc', ''))[:10]}"


def _valve(words: ReportWords, said: Mapping[str, object] | None) -> tuple[str, str]:
    if said is None:
        return words.r("not_noted"), DASH
    locked = said.get("locked")
    is_locked = DASH if locked is None else words.word("answer", str(locked))
    return words.typed(str(said.get("position") or "")) or words.r("not_noted"), is_locked


def _settings(g: Gathered, words: ReportWords) -> list[Block]:
    """Return what each fan setting gives, where more than one was read; the hood on."""
    state, settings = g.visit.state, g.visit.plan.settings
    read = [s for s in settings if any(p.setting == s for p in state.placements)]
    if len(read) < 2:
        return []
    rows = []
    for t in g.terminals:
        here = {s: state.at(t.terminal.id, s) for s in read}
        if any(here.values()):
            cells = [(result(ps) if ps else None) for ps in here.values()]
            flows = [DASH if c is None else words.interval(c.flow_m3h, c.expanded_m3h) for c in cells]
            rows.append([words.isolated(t.terminal.id), *flows])
    head = [words.r("terminal"), *(f"{words.isolated(s)}, {words.flow_unit}" for s in read)]
    return [
        blocks.heading(words.r("settings"), 3),
        blocks.table(head, "l" + "r" * len(read), rows, [0]),
        blocks.text(words.r("settings_mean"), "quiet"),
    ]


def _hood_due(g: Gathered, words: ReportWords) -> str:
    calibration = g.hood.calibration
    if calibration is None:
        return words.r("hood_not_calibrated")
    return words.r("hood_due", date=str(calibration.due), calibrated=str(calibration.date))


def _year_after(date: str) -> str:
    try:
        day = datetime.date.fromisoformat(date)
    except ValueError:
        return DASH
    return f"{day.year + 1}-{day.month:02d}"


def _apart(t: OfTerminal, g: Gathered, words: ReportWords) -> list[str]:
    """Return how far another reading may lie from the newest one of a terminal, 95 of 100 times.

    Which part of an uncertainty is new in each reading is known of the hood's alone; of others that stays open.

    References
    ----------
    The difference of two independent results has the root of the sum of their variances, and twice the degrees of
    freedom (JCGM 100:2008, G.4.1); repeatability and reproducibility limits as in ISO 5725-6:1994, 4.1 (from memory),
    with Student's t for their 2 of 2 sqrt(2).
    """
    newest = result(g.visit.state.at(t.terminal.id, g.setting)[-1:])
    # Units do not matter to `total`: m3/h go in and come out.
    own = [Term(name, u, dof or math.inf, scope) for name, u, dof, scope in newest.terms if scope != "hood"]
    same, other = total((*own, *own)).expanded_m3_s, math.sqrt(2.0) * newest.u_flow_m3h
    other *= coverage_factor(2.0 * newest.dof if newest.dof is not None else math.inf)
    row = [words.isolated(t.terminal.id), words.interval(newest.flow_m3h, newest.expanded_m3h)]
    return [*row, words.difference(same) if own else DASH, words.difference(other)]


def _accredited(g: Gathered, words: ReportWords) -> list[str]:
    from hoodtrace.dwelling.rate_table import ask_accredited

    rules = ask_accredited(t.terminal.design_from for t in g.terminals)
    return [*(words.r("accredited", rule=rule) for rule in rules), words.r("accredited_elsewhere")]


def _cautions(g: Gathered, words: ReportWords) -> list[str]:
    flue = FLUE if flue_not_excluded(g.visit.plan, g.visit.state) else ("flue_stop",)
    out = [words("caution." + key_of(each)) for each in (*flue, *_CAUTIONS)]
    for said in g.balanced.cautions if g.balanced is not None else ():
        if said.key in BOTH_WAYS and goes_both_ways(g.balanced):
            out.append(words.r("either_way"))
        out += [words.flat(each) for each in caution_says(said)]
    return [*dict.fromkeys(out), words.r("caution_damp"), words.r("caution_codes")]
