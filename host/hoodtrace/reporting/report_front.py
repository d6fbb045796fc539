"""The report's first pages, for the customer: what was asked, is, was done and is to be done, and every terminal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from hoodtrace.balancing.says import balance_says, caution_says, pressure_says, waited_for
from hoodtrace.balancing.shown import shown
from hoodtrace.balancing.standing import K_95
from hoodtrace.dwelling.rate_table import is_shipped
from hoodtrace.dwelling.rates import BY_HAND
from hoodtrace.dwelling.screen import Say
from hoodtrace.dwelling.window import OTHER_WAY
from hoodtrace.reporting import blocks
from hoodtrace.reporting.blocks import Block
from hoodtrace.reporting.report_gathered import Gathered, OfTerminal
from hoodtrace.reporting.report_words import DASH, PLUS_MINUS, ReportWords
from hoodtrace.reporting.texts import NO_BREAK, key_of

if TYPE_CHECKING:
    from hoodtrace.balancing.whole import SideNow, Whole
    from hoodtrace.dwelling.customer import Customer
    from hoodtrace.dwelling.state import Entry

AS_READ = "\N{DAGGER}"
"""Marks a flow that is as read with the hood on."""
_LONGEST_WHY = 3
BOTH_WAYS = ("house.under_pressure", "house.over_pressure")
_BACK = ("controls_back", "covers_back", "filters_back")


def front(g: Gathered, words: ReportWords, customer: Customer | None, pictures: list[Block]) -> list[Block]:
    """Return the blocks of the first pages; `pictures` are the places of those of the terminals."""
    r, plan = words.r, g.visit.plan
    return [
        blocks.heading(words.typed(plan.site.name) if words.names else r("no_name"), 1),
        blocks.facts(
            [
                *(_customer(customer, words) if customer is not None and words.names else ()),
                (r("date"), g.date),
                (r("read_with"), _meters(g, words)),
            ]
        ),
        blocks.lead(lead_words(g, words)),
        blocks.boxes(
            *((r(name), make(g, words)) for name, make in _BOXES),
        ),
        *pictures,
        blocks.page_if_long(),
        blocks.heading(r("every_terminal")),
        _terminals(g, words),
        *([blocks.text(r("now_means"), "quiet")] if any(t.stands is not None for t in g.terminals) else ()),
        *as_read_note(g, words),
    ]


def lead_words(g: Gathered, words: ReportWords) -> str:
    """Return in one line how many terminals have what was asked."""
    asked = [t for t in g.terminals if t.design_m3h]
    if not asked:
        return words.r("lead_no_design", n=sum(t.last is not None for t in g.terminals), n_all=len(g.terminals))
    n = {judged: sum(t.verdict == judged for t in asked) for judged in ("within", "outside", "undecided")}
    parts = [words.r("lead_within", n=n["within"], n_all=len(asked))]
    parts += [words.r(f"lead_{judged}", n=n[judged]) for judged in ("outside", "undecided") if n[judged]]
    if unread := len(asked) - sum(n.values()):
        parts.append(words.r("lead_unread", n=unread))
    return " ".join(parts)


def found_words(t: OfTerminal, words: ReportWords) -> str:
    """Return a terminal's flow as found with its 95 % half-width, no hood on; what was read where that is not known."""
    if t.found is not None:
        return words.interval(t.found.flow_m3h, K_95 * t.found.u_flow_m3h)
    if t.stands is not None or t.first is None:
        return DASH
    return words.interval(t.first.flow_m3h, t.first.expanded_m3h)


def now_words(t: OfTerminal, words: ReportWords) -> str:
    """Return a terminal's flow now with its 95 % half-width; one that the hood's reading alone tells is marked."""
    if t.stands is not None:
        return words.interval(t.stands.now_m3h, K_95 * t.stands.u_now_m3h)
    if t.last is None:
        return words.r("not_read")
    return words.interval(t.last.flow_m3h, t.last.expanded_m3h) + (AS_READ if _is_as_read(t) else "")


def as_read_note(g: Gathered, words: ReportWords) -> list[Block]:
    """Return what the mark behind a flow means, where one is marked."""
    marked = any(_is_as_read(t) for t in g.terminals)
    return [blocks.text(f"{AS_READ} {words.r('now_means_read')}", "quiet")] if marked else []


def _is_as_read(t: OfTerminal) -> bool:
    return t.stands is None and t.last is not None and t.last_hood_on


def verdict_words(t: OfTerminal, words: ReportWords) -> str:
    """Return a terminal's verdict with its sign."""
    if t.left_out:
        return words.r("left_out", why=words.typed(t.left_out))
    if t.verdict is None:
        return words.r("no_design") if not t.design_m3h else DASH
    said = words.word("flag", OTHER_WAY) if t.other_way else words.word("advice", t.verdict)
    return f"{words.r(f'sign_{t.verdict}')} {said}"


def limit_words(t: OfTerminal, words: ReportWords) -> str:
    """Return what a terminal should have."""
    if not t.design_m3h:
        return DASH
    flow = words.bare_flow(t.design_m3h)
    return flow if t.terminal.limit == "around" else words.r(f"limit_{key_of(t.terminal.limit)}", flow=flow)


def goes_both_ways(found: Whole | None) -> bool:
    """Whether the dwelling's pressure may be either way: both cautions of it are there."""
    return found is not None and {said.key for said in found.cautions}.issuperset(BOTH_WAYS)


def _customer(customer: Customer, words: ReportWords) -> list[tuple[str, str]]:
    address = ", ".join(line.strip() for line in customer.address.splitlines() if line.strip())
    rows = ("customer", customer.name), ("address", address), ("contact", customer.contact)
    return [(words.r(name), words.typed(what)) for name, what in rows]


def _meters(g: Gathered, words: ReportWords) -> str:
    meters = [
        str((words.names and one.entry.get("meter")) or words.r("meter_not_named"))
        for one in g.readings
        if one.counts and one.entry is not None and one.window is None
    ]
    hood = [g.hood.name] if any(one.counts and one.window is not None for one in g.readings) else []
    return words.named(dict.fromkeys([*hood, *meters]), 4)


def _asked(g: Gathered, words: ReportWords) -> list[str]:
    rule, asked = g.visit.plan.rule, [t for t in g.terminals if t.design_m3h]
    out = []
    for direction in ("supply", "extract"):
        designs = [t.design_m3h for t in asked if t.terminal.direction == direction and t.design_m3h]
        if designs:
            out.append(_begun(words.r("asked_side", direction=direction, n=len(designs), sum_m3h=sum(designs))))
    if any(t.terminal.limit == "around" for t in asked):
        out.append(words.r("asked_around", tolerance_rel=rule.tolerance_rel))
    if any(t.terminal.limit != "around" for t in asked):
        out.append(words.r("asked_limits"))
    said = dict.fromkeys(t.terminal.design_from.partition(":")[0] for t in asked if t.terminal.design_from)
    sources = dict.fromkeys(each if each == BY_HAND or is_shipped(each) else words.typed(each) for each in said)
    if sources:
        out.append(words.r("asked_from", sources=words.named(sources, 3)))
    if len(g.visit.plan.settings) > 1:
        out.append(words.r("asked_setting", setting=g.setting))
    return out


def _is(g: Gathered, words: ReportWords) -> list[str]:
    found = g.balanced
    if found is None:
        return [words.r("not_balanced")]
    out = [_side(one, words, len(g.visit.plan.systems) > 1) for one in found.sides if one.sum.reads]
    waiting = waited_for(found)
    out += [words.said(balance_says(system, judged, waiting)) for system, judged in found.balances]
    if found.pressures.estimates:
        out.append(words.said(pressure_says(found.pressures)[:1]))
    return out


def _side(one: SideNow, words: ReportWords, with_system: bool) -> str:
    summed, n_all = one.sum, len(one.sum.reads) + len(one.sum.unread)
    read = {each.terminal for each in summed.reads}
    flow, _, half = words.interval(summed.flow_m3h, summed.expanded_m3h).partition(PLUS_MINUS)
    said = words.r(
        "is_side",
        direction=one.named.direction,
        sum_m3h=f"{flow}{NO_BREAK}{words.flow_unit}",
        expanded_m3h=f"{half}{NO_BREAK}{words.flow_unit}",
        design_m3h=sum(t.design_m3h for t in one.named.side.terminals if t.id in read),
        n=len(summed.reads),
        n_all=n_all,
    )
    return words.r("told_of", system=one.named.system, what=said) if with_system else _begun(said)


def _done(g: Gathered, words: ReportWords) -> list[str]:
    state = g.visit.state
    n_read = sum(t.last is not None for t in g.terminals)
    counting = sum(one.counts for one in g.readings)
    out = [words.r("done_read", n=n_read, n_all=len(g.terminals), readings=counting)]
    if state.turns:
        out.append(words.r("done_turned", names=words.named(dict.fromkeys(name for _, name in state.turns))))
    out += [_of_house(entry, words) for entry in state.of_house[-4:]]
    if not g.turned:
        out.append(words.r("done_nothing"))
    if state.answers.get("filters") == "changed":
        out.append(words.r("done_filters"))
    if state.finished is False:
        out.append(words.r("done_open"))
    return out


def _of_house(entry: Entry, words: ReportWords) -> str:
    if entry.get("kind") == "fan":
        side = str(entry.get("side") or "")
        system = f"{entry.get('system', '')}{', ' if side else ''}{words.word('direction', side) if side else ''}"
        return words.r("done_fan", system=system, ratio=float(entry["ratio"]))
    return words.r("done_event", what=words.typed(str(entry.get("what", ""))))


def _to_do(g: Gathered, words: ReportWords) -> list[str]:
    found, out = g.balanced, []
    if g.visit.state.stopped:
        out.append(words.flat(Say("refused.stopped")))
    if found is not None:
        # More in than out, or less: only where it can be told which; all of them stand among the cautions.
        judged = [one.verdict for _, one in found.balances]
        aside = BOTH_WAYS if goes_both_ways(found) or (judged and "outside" not in judged) else ()
        out += [words.flat(each) for said in found.cautions if said.key not in aside for each in caution_says(said)]
    out += _not_right(g, words)
    if found is not None:
        told = shown(g.visit, found)
        if g.visit.state.stopped:
            pass  # nobody goes on before the danger is over
        elif not found.done and found.next.step.do != "done":
            out.append(words.r("next"))
        elif not found.done:
            out += [words.flat(each) for each in told.why]
        out += [words.said(each.says) for each in told.evidence if _is_to_do(each.says[0].key)]
    out += [words.r(f"not_{name}") for name in _BACK if g.visit.state.answers.get(name) == "no"]
    return [*out, words.r("see_keep" if out else "nothing_to_do")]


_BOXES = (("asked", _asked), ("is", _is), ("done", _done), ("to_do", _to_do))
_TO_DO = ("stuck_valve", "contradicts", "drift", "scatter", "unreachable", "unreachable_natural", "unit_leak")


def _begun(sentence: str) -> str:
    """Return a sentence with a capital in front, whatever word of the texts it begins with."""
    return sentence[:1].upper() + sentence[1:]


def _is_to_do(key: str) -> bool:
    return key.partition(".")[2] in _TO_DO


def _not_right(g: Gathered, words: ReportWords) -> list[str]:
    outside = [t.terminal.id for t in g.terminals if t.verdict == "outside"]
    out = [words.r("outside_are", names=words.named(outside))] if outside else []
    unread = [t.terminal.id for t in g.terminals if t.last is None and not t.left_out]
    out += [words.r("unread", names=words.named(unread))] if unread else []
    left = [t for t in g.terminals if t.left_out]
    out += [words.r("left_out_of", terminal=t.terminal.id, why=words.typed(t.left_out)) for t in left[:_LONGEST_WHY]]
    return out


def _terminals(g: Gathered, words: ReportWords) -> Block:
    r, unit = words.r, words.flow_unit
    several = len(g.visit.plan.systems) > 1
    cells: list[tuple[str, Callable[[OfTerminal], str]]] = [
        (r("terminal"), lambda t: words.isolated(t.terminal.id)),
        (r("room"), lambda t: words.isolated(t.terminal.room)),
        *([(r("system"), lambda t: words.isolated(t.terminal.system))] if several else []),
        (r("air"), lambda t: words.word("direction", t.terminal.direction)),
        (r("design_in", unit=unit), lambda t: limit_words(t, words)),
        *([(r("found_in", unit=unit), lambda t: found_words(t, words))] if g.turned else []),
        (r("now_in" if g.balanced is not None else "measured_in", unit=unit), lambda t: now_words(t, words)),
        (r("verdict"), lambda t: verdict_words(t, words)),
    ]
    n_right = 3 if g.turned else 2
    return blocks.table(
        [head for head, _ in cells],
        "l" * (len(cells) - n_right - 1) + "r" * n_right + "l",
        [[cell(t) for _, cell in cells] for t in g.terminals],
        [1, len(cells) - 1],
    )
