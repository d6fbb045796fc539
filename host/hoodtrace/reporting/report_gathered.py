"""Everything that a report says of a visit, gathered once: plan, readings with what is behind each, balancing, hashes.

Numbers are those of the commands: a flow now is `balance`'s, a reading `readings`'. Nothing is computed or written
here, no clock is asked; what can't be used is named in `problems`, and the rest is reported.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.balancing.as_found import Found
from hoodtrace.balancing.standing import Standing
from hoodtrace.balancing.whole import Whole, whole
from hoodtrace.dwelling import journal
from hoodtrace.dwelling.result import Result, result
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.verdict import Verdict, limits_m3h, verdict
from hoodtrace.dwelling.visit import PLAN, Visit
from hoodtrace.dwelling.window import OTHER_WAY, Window
from hoodtrace.errors import TraceError, UsageError, VisitError

if TYPE_CHECKING:
    from hoodtrace.averaging.kept import KeptTrace
    from hoodtrace.averaging.session import Outcome
    from hoodtrace.dwelling.plan import Terminal
    from hoodtrace.dwelling.state import Entry, Placement
    from hoodtrace.physics.hood import Hood

Fields = dict[str, Any]


@dataclass(frozen=True, slots=True)
class OfTerminal:
    """A terminal at the plan's first setting, flows in m3/h.

    `found` is its flow as found, no hood on; `stands` its flow now and its verdicts, no hood on; both None where
    balancing knows nothing of it. `first` and `last` are what was read, the hood on unless `last_hood_on` says not.
    `left_out` is why nobody read it; `other_way`: its air goes against the plan's direction, so its flow is no answer.
    """

    terminal: Terminal
    design_m3h: float | None
    low_m3h: float | None
    high_m3h: float | None
    found: Found | None
    stands: Standing | None
    first: Result | None
    last: Result | None
    last_hood_on: bool
    verdict: Verdict | None
    left_out: str
    other_way: bool


@dataclass(frozen=True, slots=True)
class OfReading:
    """A reading, or a window that gives none: `window` and `shown` (as review shows it) where it is of a trace.

    `entry` is the journal's line (or a person's choice), None of a window that no terminal got. `outcome` is the
    averaging's own, None where the trace can't be used.
    """

    terminal: str
    setting: str
    entry: Entry | None
    window: Window | None
    shown: Fields | None
    outcome: Outcome | None
    utc: str
    counts: bool


@dataclass(frozen=True, slots=True)
class Gathered:
    """A visit as a report needs it.

    `date` is the day of the journal's last line; `newest_sha256` that line's hash, `n_lines` how many there are.
    `traces` are path, bytes and SHA-256 of each; `entries` the journal; `balanced` None with `why_not` where nothing
    can be balanced. `turned`: any valve was turned, a fan set or something changed in the house.
    """

    visit: Visit
    review: Review
    hood: Hood
    setting: str
    date: str
    newest_sha256: str
    n_lines: int
    plan_sha256: str
    hood_sha256: str
    traces: tuple[tuple[str, int, str], ...]
    entries: tuple[Entry, ...]
    terminals: tuple[OfTerminal, ...]
    readings: tuple[OfReading, ...]
    balanced: Whole | None
    why_not: str
    turned: bool
    problems: tuple[tuple[str, str], ...]

    def kept(self, window: Window) -> KeptTrace | None:
        """Return the trace of a window; None where it can't be used."""
        try:
            return self.review.kept(window)
        except TraceError:
            return None


def gathered(folder: Path) -> Gathered:
    """Return what a report of the visit in `folder` is made of.

    Raises
    ------
    UsageError
        The visit has not begun.
    VisitError, HoodError, FileError
        Plan, journal or hood file can't serve.
    """
    if not (folder / PLAN).exists():
        raise UsageError(f"{folder}: there is no visit. `hoodtrace visit {folder} --hood HOOD.toml` makes one")
    if not (folder / journal.JOURNAL).exists():
        raise UsageError(f"{folder}: the visit has not begun, there is nothing to report. `hoodtrace visit {folder}`")
    review = Review(folder)
    review.load()
    visit = Visit(folder)  # refuses a damaged journal, which a review goes on with
    if not visit.begun:
        raise UsageError(f"{folder}: the visit has not begun, there is nothing to report. `hoodtrace visit {folder}`")
    # The report is of what the plan's design flows are for, whatever setting was read last.
    first = visit.plan.settings[0]
    if any(p.setting == first for p in visit.state.placements):
        visit.state = replace(visit.state, setting=first)
    lines, entries = journal.read_lines(folder), journal.entries(folder)
    balanced, why_not = _balanced(visit, review.hood)
    sides = balanced.sides if balanced is not None else ()
    found = {each.id: each for one in sides for each in one.advice.found}
    return Gathered(
        visit,
        review,
        review.hood,
        visit.state.setting,
        _date(folder, entries),
        hashlib.sha256(lines[-1]).hexdigest(),
        len(lines),
        _sha256(folder / PLAN),
        review.hood_sha256,
        tuple((path, t.kept.n_bytes, t.kept.sha256) for path, t in review.traces.all.items() if t.kept is not None),
        tuple(entries),
        tuple(_of_terminal(visit, balanced, found.get(t.id), t) for t in visit.state.terminals(visit.plan)),
        tuple(_readings(review)),
        balanced,
        why_not,
        bool(visit.state.turns or visit.state.of_house),
        tuple((each["where"], _inside(each["text"], folder, each["where"])) for each in review.unusable()),
    )


def _date(folder: Path, entries: Sequence[Entry]) -> str:
    """Return the day of the newest line that says one."""
    for entry in reversed(entries):
        try:
            return datetime.fromisoformat(str(entry.get("utc", ""))).date().isoformat()
        except ValueError:
            continue
    raise VisitError(folder / journal.JOURNAL, "no line of it says a day, so the report has no date")


def _balanced(visit: Visit, hood: Hood) -> tuple[Whole | None, str]:
    try:
        return whole(visit, hood), ""
    except UsageError as error:
        return None, _inside(str(error), visit.folder, PLAN)


def _inside(text: str, folder: Path, where: str) -> str:
    """Return what was said of a file of the visit without where the visit lies: that is nobody's business."""
    text = text.removeprefix(f"{folder / where}: ")
    return text if folder == Path() else text.replace(f"{folder}/", "")


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise VisitError(path, f"can't be read ({error.strerror})") from error


def _of_terminal(visit: Visit, balanced: Whole | None, found: Found | None, terminal: Terminal) -> OfTerminal:
    state, rule = visit.state, visit.plan.rule
    design = terminal.design(state.setting)
    low, high = limits_m3h(design, terminal.limit, rule.tolerance_rel) if design else (None, None)
    stands = None
    for side in balanced.sides if balanced is not None else ():
        stands = next((s for s in side.advice.standings if s.id == terminal.id), stands)
    mine = [p for p in state.placements if p.terminal == terminal.id and p.setting == state.setting]
    begun = [p for p in mine if p.epoch == min(q.epoch for q in mine)]
    here = state.at(terminal.id, state.setting)
    last = result(here) if here else None
    other_way = last is not None and bool(design) and OTHER_WAY in here[-1].entry.get("flags", ())
    judged = "outside" if other_way else stands.level if stands is not None and here else None
    if judged is None and last is not None:
        judged = verdict(last.flow_m3h, last.u_flow_m3h, last.dof, design, terminal.limit, rule)
    why = state.why_left_out(terminal)
    return OfTerminal(
        terminal,
        design,
        low,
        high,
        found if here else None,
        stands if here else None,
        result(begun) if begun else None,
        last,
        bool(here[-1].entry.get("hood_on", True)) if here else True,
        judged,
        why if not here else "",
        other_way,
    )


def _readings(review: Review) -> list[OfReading]:
    """Return all windows in the order of traces and time, then what came from no trace."""
    windows, state = review.windows(), review.visit.state
    by_line = {p.line: p for p in (*state.placements, *state.withdrawn)}
    chosen = {_place(p.entry): p for p in state.placements if "reviewed" in p.entry}
    out, of_trace = [], set()
    for shown in review.state()["windows"]:
        window = windows[shown["id"]]
        here = window.trace, window.hold, window.plateau
        placement = by_line.get(window.line) if window.line is not None else chosen.get(here)
        if placement is not None:
            of_trace.add(placement.line)
        out.append(_of_window(review, window, shown, placement))
    for placement in state.placements:
        if placement.line not in of_trace and placement.entry.get("trace") is None:
            utc = str(placement.entry.get("utc", ""))
            out.append(
                OfReading(placement.terminal, placement.setting, placement.entry, None, None, None, utc, counts=True)
            )
    return out


def _place(entry: Entry) -> tuple[object, object, object]:
    return entry.get("trace"), entry.get("hold"), entry.get("plateau")


def _of_window(review: Review, window: Window, shown: Fields, placement: Placement | None) -> OfReading:
    outcome = utc_s = None
    try:
        utc_s = review.kept(window).utc_s(window.boot, window.start_us)
        outcome = review.outcome(window)
    except (TraceError, UsageError):
        pass  # named among the review's problems; the journal's numbers stand
    return OfReading(
        str(window.terminal or ""),
        window.setting,
        None if placement is None else placement.entry,
        window,
        shown,
        outcome,
        _moment(utc_s) if utc_s is not None else str((placement.entry if placement else {}).get("utc", "")),
        window.counts,
    )


def _moment(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
