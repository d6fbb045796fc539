"""What the record rests on, for the expert: rule and model, conditions, decisions, hood, software, checksums."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hoodtrace.balancing.says import rule_say
from hoodtrace.balancing.shown import shown
from hoodtrace.dwelling.why_hood import Constant, constants
from hoodtrace.reporting import blocks
from hoodtrace.reporting.blocks import Block
from hoodtrace.reporting.report_front import found_words, now_words
from hoodtrace.reporting.report_gathered import Gathered, OfTerminal
from hoodtrace.reporting.report_words import DASH, ReportWords
from hoodtrace.reporting.texts import key_of

if TYPE_CHECKING:
    from hoodtrace.dwelling.result import Result
    from hoodtrace.dwelling.state import Entry

Software = list[tuple[str, str]]
_SKIPPED_ANSWERS = ("valve:", "why_not:", "set:")
_OF_PEOPLE = {"event", "fan", "skip", "left out", "withdrawn", "alarm", "terminal added", "review", "review undone",
              "review redone", "finished", "setting"}  # fmt: skip
_MOST_DECISIONS = 200


def judged(g: Gathered, words: ReportWords) -> list[Block]:
    """Return how flows are judged, where every terminal stands by readings and by the model, and what follows."""
    r = words.r
    out = [blocks.heading(r("judged")), blocks.text(words.say(rule_say(g.visit.plan.rule)))]
    if g.balanced is None:
        return [*out, blocks.text(g.why_not or r("not_balanced"), "quiet")]
    unit = words.flow_unit
    rows = [_row(t, words) for t in g.terminals]
    head = [
        r("terminal"),
        r("limits_in", unit=unit),
        r("read_first_in", unit=unit),
        r("read_last_in", unit=unit),
        r("found_in", unit=unit),
        r("now_in", unit=unit),
        r("ratio"),
        r("proportion"),
        r("level"),
        r("from"),
    ]
    align = "l" + "r" * 8 + "l"
    signs = (f"{r(f'sign_{each}')} {words.word('advice', each)}" for each in ("within", "outside", "undecided"))
    out += [blocks.table(head, align, rows, []), blocks.text(f"{', '.join(signs)}. {r('judged_means')}", "quiet")]
    seen = shown(g.visit, g.balanced)
    told = [_told(each.system, each.direction, words.said(each.says), words) for each in seen.evidence]
    if told:
        out += [blocks.heading(words("evidence.title"), 3), blocks.items(told)]
    if seen.house:
        out += [blocks.heading(r("house"), 3), blocks.items([words.said(each) for each in seen.house])]
    return out


def basis(g: Gathered, words: ReportWords, software: Software) -> list[Block]:
    """Return conditions, decisions of people, the hood, software and checksums, and what verifying shows."""
    r = words.r
    out = [blocks.heading(r("conditions")), blocks.facts(_answers(g, words))]
    decisions = _decisions(g, words)
    if decisions:
        out += [
            blocks.heading(r("decisions")),
            blocks.table([r("when"), r("what"), r("which")], "lll", decisions[:_MOST_DECISIONS], [2]),
        ]
        if len(decisions) > _MOST_DECISIONS:
            out.append(blocks.text(r("more_decisions", n=len(decisions) - _MOST_DECISIONS), "quiet"))
    out += _hood(g, words)
    out += [blocks.heading(r("files")), blocks.facts([*software, *_boards(g, words)])]
    rows = [[path, str(n), digest] for path, n, digest in g.traces]
    rows += [["visit.toml", "", g.plan_sha256], ["hood.toml", "", g.hood_sha256]]
    rows.append([r("journal_line", n=g.n_lines), "", g.newest_sha256])
    out.append(blocks.table([r("file"), r("bytes"), "SHA-256"], "lrl", rows, [2]))
    if g.problems:
        out += [blocks.heading(r("problems"), 3), blocks.items([f"{where}: {text}" for where, text in g.problems])]
    out += [blocks.heading(r("verified")), blocks.text(r("verify_how")), blocks.text(r("verify_shows"), "strong")]
    return out


def _row(t: OfTerminal, words: ReportWords) -> list[str]:
    stands = t.stands
    limits = DASH
    if t.low_m3h is not None and t.high_m3h is not None:
        low, high = (words.bare_flow(v) if abs(v) < 1e9 else "" for v in (t.low_m3h, t.high_m3h))
        limits = f"{low}{DASH}{high}" if low and high else words.r("from_flow" if low else "to_flow", flow=low or high)
    return [
        words.isolated(t.terminal.id),
        limits,
        _read(t.first, words),
        _read(t.last, words) + ("" if t.last_hood_on or t.last is None else "*"),
        found_words(t, words),
        now_words(t, words) if stands is not None else DASH,
        words.number(stands.ratio, 2) if stands is not None else DASH,
        words.r(f"sign_{stands.proportion}") if stands is not None else DASH,
        words.r(f"sign_{stands.level}") if stands is not None else DASH,
        words.word("advice", stands.from_) if stands is not None else DASH,
    ]


def _read(result: Result | None, words: ReportWords) -> str:
    return DASH if result is None else words.interval(result.flow_m3h, result.expanded_m3h)


def _told(system: str, direction: str, said: str, words: ReportWords) -> str:
    if not system:
        return said
    side = words.word("direction", direction)
    return words.r("told", system=system, side=side, what=said)


def _answers(g: Gathered, words: ReportWords) -> list[tuple[str, str]]:
    out = []
    for question, value in g.visit.state.answers.items():
        if question.startswith(_SKIPPED_ANSWERS) or not words.of("question").get(f"question.{question}"):
            continue
        head = words.of("question")[f"question.{question}"].strip("\n").split("\n", 1)[0]
        out.append((head, _answer(words, question, value)))
    return out


def _answer(words: ReportWords, question: str, value: Any) -> str:
    if value is None:
        return words.r("left_open")
    if isinstance(value, bool):
        return words.word("answer", "yes" if value else "no")
    if isinstance(value, int | float):
        return f"{words.number(float(value), 1)}\u00a0°C"
    if question == "controls_note":
        return words.typed(str(value))
    return words.r("confirmed") if value in ("", "confirm", "read") else words.word("answer", str(value))


def _decisions(g: Gathered, words: ReportWords) -> list[list[str]]:
    out = []
    for entry in g.entries:
        kind = str(entry.get("kind"))
        if kind in _OF_PEOPLE:
            out.append([words.when(entry.get("utc")), words.r(f"kind_{key_of(kind)}"), _which(entry, kind, words)])
    return out


def _which(entry: Entry, kind: str, words: ReportWords) -> str:
    if kind == "fan":
        side = str(entry.get("side") or "")
        parts = [words.isolated(str(entry.get("system", ""))), words.word("direction", side) if side else ""]
        return ", ".join([*filter(None, parts), words.number(float(entry["ratio"]), 2)])
    if kind == "review":
        change = entry.get("change", {})
        ids = ", ".join(str(one.get("id")) for one in entry.get("windows", ()))
        reason = next((str(change[key]) for key in ("why", "text", "reason") if change.get(key)), "")
        return " ".join(filter(None, [words("review.do_" + str(change.get("do"))), ids, words.typed(reason)]))
    if kind in ("review undone", "review redone", "withdrawn"):
        return words.r("of_line", n=int(entry.get("line", 0)))
    parts = [str(entry.get("terminal") or ""), str(entry.get("setting") or ""), str(entry.get("system") or "")]
    typed = words.typed(str(entry.get("why") or entry.get("what") or ""))
    state = {"stop": words.r("alarm_stop"), "go on": words.r("alarm_go_on")}.get(str(entry.get("state")), "")
    return ", ".join(filter(None, [*(words.isolated(part) for part in parts), typed, state]))


def _hood(g: Gathered, words: ReportWords) -> list[Block]:
    r, hood = words.r, g.hood
    said = hood.calibration
    rows = [
        (r("hood_name"), words.isolated(hood.name)),
        (r("bore"), f"{words.number(hood.pipe.bore_mm, 1)}\u00a0mm"),
    ]
    if said is None:
        rows.append((r("calibration"), r("no_calibration")))
    else:
        rows += [
            (r("calibration"), r("calibrated", date=str(said.date), due=str(said.due))),
            (r("method"), words.typed(said.method)),
            (r("made_by"), words.typed(said.made_by)),
            (r("calibration_record"), words.isolated(str(said.record or ""))),
            (r("record_sha256"), str(said.record_sha256 or "")),
        ]
    out = [blocks.heading(r("hood")), blocks.facts(rows)]
    for direction in ("supply", "extract"):
        cells = [_constant(each, words) for each in constants(hood, direction)]
        head = [words.word("direction", direction), r("value"), r("u"), r("dof")]
        out.append(blocks.table(head, "lrrr", cells, [0]))
    out.append(blocks.text(r("hood_means"), "quiet"))
    return out


def _constant(each: Constant, words: ReportWords) -> list[str]:
    unit = "" if each.unit == "1" else f"\u00a0{each.unit.replace(' per ', '/')}"
    if each.name == "placement":
        return [words.word("constant", each.name), DASH, words.percent(each.u or 0.0), _dof(each, words)]
    u = "" if each.u is None else f"{_figures(each.u, words)}{unit}"
    return [words.word("constant", each.name), f"{_figures(each.value, words)}{unit}", u, _dof(each, words)]


def _dof(each: Constant, words: ReportWords) -> str:
    return "" if each.u is None else "\N{INFINITY}" if each.dof is None else words.number(each.dof, 0)


def _figures(value: float, words: ReportWords) -> str:
    return words.number(value, 4).rstrip("0").rstrip(words.decimal) if value else "0"


def _boards(g: Gathered, words: ReportWords) -> list[tuple[str, str]]:
    """Return board and firmware of each trace, said once where they are the same."""
    found: dict[str, list[str]] = {}
    for path, trace in g.review.traces.all.items():
        for run in trace.kept.runs.values() if trace.kept is not None else ():
            for _, boot in run.boots:
                hello = boot.hello
                said = words.r(
                    "board_is",
                    board=words.isolated(str(hello.get("board", "?"))),
                    firmware=words.isolated(str(hello.get("firmware", "?"))),
                    build=words.isolated(str(hello.get("build", "?"))),
                    rate=words.isolated(str(hello.get("rate_hz", "?"))),
                )
                names = found.setdefault(said, [])
                names += [path] if path not in names else []
    return [(f"{words.r('board')} ({words.named(names, 4)})", said) for said, names in found.items()]
