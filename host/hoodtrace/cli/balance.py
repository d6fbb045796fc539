"""`hoodtrace balance`: what to do next, where every terminal stands, and what the readings show of the house."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from hoodtrace.cli.printable import printable, say

if TYPE_CHECKING:
    from hoodtrace.balancing.natural_sides import NaturalSide
    from hoodtrace.balancing.whole import Whole
    from hoodtrace.dwelling.plan import Rule
    from hoodtrace.dwelling.visit import Visit

Row = dict[str, Any]


def balance(
    visit: Annotated[Path, typer.Argument(metavar="VISIT", help="Folder of the visit.")],
    method: Annotated[
        Literal["model", "proportional"],
        typer.Option(help="Steps of the model, or of the textbook's proportional procedure."),
    ] = "model",
    closing: Annotated[bool, typer.Option("--closing", help="Read every terminal once more at the end.")] = False,
    output: Annotated[Literal["table", "json"], typer.Option("--format", help="Print a table or json.")] = "table",
) -> None:
    """Say what to do next until every terminal has its design flow, from all readings so far."""
    from hoodtrace.balancing.whole import whole
    from hoodtrace.dwelling.visit import HOOD, Visit
    from hoodtrace.physics.hood import read_hood

    opened = Visit(visit)
    if opened.torn:
        # Not on standard output: that holds the object alone.
        lost = f"({len(opened.torn)} bytes) and is left out"
        typer.echo(f"{visit}: the last line of its journal was cut off {lost}", err=True)
    hood, _ = read_hood(visit / HOOD)
    found = whole(opened, hood, closing, method == "proportional")
    if output == "json":
        sys.stdout.write(json.dumps(as_json(found, opened.plan.rule), allow_nan=False, ensure_ascii=False) + "\n")
    else:
        _print(opened, found)


def as_json(found: Whole, rule: Rule) -> Row:
    """Return the object that `--format json` prints; "Formats" in DEVELOPERS.md names its keys."""
    from hoodtrace.balancing.says import OTHER_WAYS, waited_for
    from hoodtrace.cli.balance_words import balance_words, caution_words, evidence_words, next_words, unit_words

    step = found.next.step
    following: Row = {"do": step.do, "why": next_words(found.next)}
    if step.do in ("measure", "turn"):
        following |= {"terminal": step.terminal}
    if step.do == "measure":
        following |= {"how": OTHER_WAYS.get(step.why, "as usual")}
    if step.do == "turn":
        following |= {"target_m3h": _round(step.target_m3h), "low_m3h": _round(step.low_m3h)}
        following |= {"high_m3h": _round(step.high_m3h), "until": step.until}
    if step.do == "fan":
        following |= {"ratio": _round(step.ratio), "side": found.next.side}
    if found.next.system:
        following |= {"system": found.next.system}
    return {
        "next": following,
        "terminals": [
            {
                "id": s.id,
                "design_m3h": s.design_m3h,
                "now_m3h": _round(s.now_m3h),
                "u_now_m3h": _round(s.u_now_m3h),
                "u_own_m3h": _round(s.u_own_m3h),
                "ratio": _round(s.ratio),
                "verdict": s.proportion,
                "level_verdict": s.level,
                "from": s.from_,
                "system": one.named.system,
                "side": one.named.direction,
            }
            for one in found.sides
            for s in one.advice.standings
        ],
        "sides": [
            {
                "system": one.named.system,
                "side": one.named.direction,
                "verdict": one.advice.verdict,
                "settles": one.advice.settles or None,
            }
            for one in found.sides
        ],
        "done": found.done,
        "climbs_so_far": found.climbs_so_far,
        "climbs_expected": found.climbs_expected,
        "cautions": [words for words in map(caution_words, found.cautions) if words],
        "evidence": [
            evidence_words(each, one.named.side.fan == "none") for one in found.sides for each in one.advice.evidence
        ],
        "balance": [balance_words(*each, waited_for(found)) for each in found.balances],
        "against_unit": [unit_words(*each) for each in found.against_units],
        "pressure_pa": [
            {"fans": list(e.fans), "pa": _round(e.pa), "low_pa": _round(e.low_pa), "high_pa": _round(e.high_pa)}
            for e in found.pressures.estimates
        ],
        "natural": [_natural(one) for one in found.natural],
        "rule": {"tolerance_rel": rule.tolerance_rel, "risk": rule.risk},
        "refused": [{"why": key.removeprefix("refused."), "terminal": name} for key, name in found.refusals],
    }


def _natural(found: NaturalSide) -> Row:
    from hoodtrace.cli.balance_words import natural_words

    return {
        "system": found.system,
        "side": found.direction,
        "stack_pa": _round(found.stack_pa),
        "missing": list(found.missing),
        "hood": [
            {
                "terminal": one.terminal,
                "hood_pa": _round(one.hood_pa),
                "stack_pa": _round(one.stack_pa),
                "lost_rel": _round(one.lost_rel),
            }
            for one in found.hoods
        ],
        "u_rel": found.u_rel,
        "words": natural_words(found),
    }


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


def _print(visit: Visit, found: Whole) -> None:
    from hoodtrace.balancing.says import waited_for
    from hoodtrace.balancing.standing import K_95
    from hoodtrace.cli import balance_words as words

    say(f"Next: {words.next_words(found.next)}", "      ", "")
    if line := words.by_hand(visit.folder.name, found.next):
        say(f"By hand: {line}", "      ", "")
    more = f"; about {found.climbs_expected} more" if found.climbs_expected and not found.next.refused else ""
    say(f"Climbs so far: {found.climbs_so_far}{more}.")
    rooms = {terminal.id: terminal.room for terminal in visit.state.terminals(visit.plan)}
    if not found.sides:
        return
    typer.echo("\nterminal  room              design  now m3/h  ±95 %  ratio  proportion  level      from")
    for one in found.sides:
        for s in one.advice.standings:
            flows = f"{s.design_m3h:>6.1f}  {s.now_m3h:>8.1f}  {K_95 * s.u_now_m3h:>5.1f}  {s.ratio:>5.2f}"
            name = f"{printable(s.id):<8}  {printable(rooms[s.id])[:16]:<16}"
            typer.echo(f"{name}  {flows}  {s.proportion:<10}  {s.level:<9}  {s.from_}")
    typer.echo("")
    for one in found.sides:
        where = f"{one.named.system}, {one.named.direction}"
        fan = words.fan_words(one.named.side, one.advice.fan, one.advice.p_fan)
        natural = one.named.side.fan == "none"
        evidence = [words.evidence_words(each, natural) for each in one.advice.evidence]
        for line in (words.side_words(one), fan, *evidence, words.level_words(one.advice.level)):
            if line:
                say(f"{where}: {line}", "  ", "- ")
        for name, why in one.named.left_out:
            say(f"{where}: {name} is not balanced: {why}", "  ", "- ")
    for natural_side in found.natural:
        for line in words.natural_words(natural_side):
            say(f"{natural_side.system}, {natural_side.direction}: {line}", "  ", "- ")
    for each in found.balances:
        say(words.balance_words(*each, waited_for(found)), "  ", "- ")
    for unit in found.against_units:
        say(words.unit_words(*unit), "  ", "- ")
    for key, name in found.refusals:
        say(f"{name or 'the fan'}: {words.REFUSED[key]}", "  ", "- ")
    for line in words.pressure_words(found.pressures):
        say(line, "  ", "- ")
    for line in filter(None, map(words.caution_words, found.cautions)):
        say(line, "  ", "! ")
    say(
        "Design, now and ±95 % in m3/h. Now: with no hood on, as expected at this moment; ±95 % with the part that all "
        "readings share."
    )
    say(words.rule_words(visit.plan.rule))
