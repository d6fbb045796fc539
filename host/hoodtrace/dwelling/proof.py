"""Whether a visit is still what was written down: its journal's chain, its traces, and each reading made again.

`prove` reads plan, hood file, journal and traces, writes nothing, and says what differs and how much it looked at, so
that "nothing differs" can't mean "nothing was looked at". What it shows is that the parts of the folder belong
together. That a reading was right it can't show; nor that the whole folder was not made anew, unless the newest hash of
the chain, `Proof.newest_sha256`, is kept elsewhere: a report has it.
"""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass, field
from pathlib import Path

import hoodtrace
from hoodtrace.dwelling import journal
from hoodtrace.dwelling.plan import Plan, read_plan
from hoodtrace.dwelling.proof_chain import Chain, chain_of
from hoodtrace.dwelling.proof_chain import Finding as Finding
from hoodtrace.dwelling.proof_readings import LAST_DIGIT, NOTHING, Differs, ReadAgain
from hoodtrace.dwelling.proof_said import Said, said_by
from hoodtrace.dwelling.proof_traces import ProvedTrace as ProvedTrace
from hoodtrace.dwelling.proof_traces import Traces, traces_of
from hoodtrace.dwelling.visit import HOOD, PLAN
from hoodtrace.errors import FileError, VisitError
from hoodtrace.physics.hood import Hood, read_hood

_VERSION = re.compile(r"hoodtrace (\S+)")


@dataclass(frozen=True, slots=True)
class Looked:
    """How much was looked at: lines, traces, readings of the hood and windows of the review that were made again.

    `n_by_hand` are readings that came from no trace, so that there is nothing to make again; `n_withdrawn` of all
    readings no longer count.
    """

    n_lines: int
    n_traces: int
    n_bytes: int
    n_readings: int
    n_windows: int
    n_by_hand: int
    n_withdrawn: int


@dataclass(frozen=True, slots=True)
class Proof:
    """What was found.

    Attributes
    ----------
    findings : tuple of Finding
        What differs, in the order plan, hood file, journal, traces, readings; empty where nothing does.
    notes : tuple of str
        What is no difference and still good to know, in sentences.
    newest_sha256 : str
        Of the last line that counts. It stands for all lines before it, for plan and hood file, and for the traces that
        were closed by then. With no line it is the hash of plan and hood file; empty where these can't be read.
    n_lines : int
        Lines of the journal that count.
    traces : tuple of ProvedTrace
        All that lie there.
    software : tuple of str
        What began the visit and what recorded the traces, as they say.
    version : str
        Of this program, which made the readings again.
    looked : Looked
    """

    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    newest_sha256: str
    n_lines: int
    traces: tuple[ProvedTrace, ...]
    software: tuple[str, ...]
    version: str
    looked: Looked


@dataclass(slots=True)
class _Files:
    """Plan, hood file and journal of one moment; None and empty for those that can't be read, which is said."""

    findings: list[Finding]
    plan: Plan | None = None
    hood: Hood | None = None
    hood_sha256: str = ""
    chain: Chain = field(default_factory=Chain)


def prove(folder: Path, n_lines: int | None = None) -> Proof:
    """Return what of the visit in `folder` is not as it was written down.

    Parameters
    ----------
    folder : Path
    n_lines : int, optional
        Only so many lines of the journal count, as for a report that was made then; those behind must still follow from
        them.

    Raises
    ------
    VisitError
        There is no visit in the folder.
    """
    if not (folder / PLAN).exists() and not (folder / journal.JOURNAL).exists():
        raise VisitError(folder, f"there is no visit in it: neither {PLAN} nor {journal.JOURNAL}")
    files = _files(folder)
    chain, findings = files.chain, files.findings
    n_there = len(chain.hashes)
    n = n_there if n_lines is None else min(n_lines, n_there)
    if n_lines is not None and n_lines > n_there:
        text = "is shorter than it was: lines are missing at its end"
        findings.append(Finding(journal.JOURNAL, text, f"{n_lines} lines", f"{n_there} lines"))
    said = said_by(chain.entries, n, files.plan)
    traces = traces_of(folder, said, files.hood, files.hood_sha256)
    n_readings, n_windows, differing = _made_again(said, traces)
    n_bytes = sum(trace.n_bytes for trace in traces.lying.values())
    software = (said.software, *(trace.software for trace in traces.lying.values()))
    return Proof(
        findings=(*findings, *said.findings, *traces.findings, *differing),
        notes=(*_notes(said, n), *traces.notes),
        newest_sha256=chain.hashes[n - 1] if n else chain.root,
        n_lines=n,
        traces=tuple(traces.lying.values()),
        software=tuple(dict.fromkeys(text for text in software if text)),
        version=hoodtrace.__version__,
        looked=Looked(n, len(traces.lying), n_bytes, n_readings, n_windows, said.n_by_hand, said.n_withdrawn),
    )


def _files(folder: Path) -> _Files:
    """Read plan, hood file and journal between two decisions of whoever else is at it."""
    found = _Files([])
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(VisitError):  # a plan that can't be opened is said below
            stack.enter_context(journal.locked(folder))
        try:
            found.plan = read_plan(folder / PLAN)
        except FileError as error:
            found.findings.append(_unread(PLAN, error))
        try:
            found.hood, found.hood_sha256 = read_hood(folder / HOOD)
        except FileError as error:
            found.findings.append(_unread(HOOD, error))
        try:
            found.chain = chain_of(folder)
            found.findings += found.chain.findings
        except FileError as error:
            found.findings.append(_unread(journal.JOURNAL, error))
    return found


def _unread(name: str, error: FileError) -> Finding:
    return Finding(name, str(error).removeprefix(f"{error.path}: "), "", "")


def _notes(said: Said, n_lines: int) -> list[str]:
    notes = [] if n_lines else ["The visit has not begun: its journal has no line yet."]
    if said.n_by_hand:
        which = "1 reading was" if said.n_by_hand == 1 else f"{said.n_by_hand} readings were"
        notes.append(
            f"{which} typed in and came from no trace: there is nothing to make again, the chain alone keeps it."
        )
    return notes


def _made_again(said: Said, traces: Traces) -> tuple[int, int, list[Finding]]:
    """Make every reading of the hood again, and every window of the review; return how many, and what differs."""
    wrote = {name: _version(traces.lying[name].software, said.software) for name in traces.kept if name in traces.lying}
    again = {
        name: ReadAgain(traces.kept[name], 0.0 if by in ("", hoodtrace.__version__) else LAST_DIGIT)
        for name, by in wrote.items()
    }
    findings, n_readings, n_windows = [], 0, 0
    for given in said.given:
        name = str(given.fields.get("trace"))
        if name in again:
            n_readings += 1
            findings += _said(given.where, name, again[name].of_visit(given.fields, given.held), wrote[name])
        else:
            findings.append(Finding(given.where, f"can't be made again without {name}", "", ""))
    for change in said.changes:
        for window in change.windows:
            where = f"{journal.JOURNAL}, line {change.line}, the window {window.id}"
            if window.trace in again:
                n_windows += 1
                findings += _said(where, window.trace, again[window.trace].of_review(window), wrote[window.trace])
            else:
                findings.append(Finding(where, f"can't be made again without {window.trace}", "", ""))
    return n_readings, n_windows, findings


def _version(*software: str) -> str:
    """Return the version that read a trace first, as it says, or else the visit; empty where neither does."""
    found = [match for match in map(_VERSION.fullmatch, software) if match is not None]
    return found[0][1] if found else ""


def _said(where: str, trace: str, differs: Differs, wrote: str) -> list[Finding]:
    what, said, again = differs
    if differs == NOTHING:
        return []
    if wrote not in ("", hoodtrace.__version__):
        what += ". Another version of this program wrote it, and may have read otherwise"
        said, again = f"version {wrote} read {said}", f"this version ({hoodtrace.__version__}) reads {again}"
    return [Finding(f"{where}, {trace}", what, said, again)]
