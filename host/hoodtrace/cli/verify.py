"""`hoodtrace verify`: whether a visit, and its report, are still what was written down."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from hoodtrace.errors import FileError, UsageError

if TYPE_CHECKING:
    from hoodtrace.dwelling.proof import Finding, Proof

REPORTS = ("report.pdf", "report.html")
CHANGED = 4
SHOWS = (
    "This shows that what was looked at belongs together: plan, hood file, journal, traces and the readings made of "
    "them{report}. It does not show that the measurement was right, nor who wrote it."
)
CUSTOMER = (
    "What a report says of its customer is taken from the report itself: nothing in the visit proves a name or address."
)
NO_REPORT = (
    "A folder that somebody made anew from end to end would look the same: to exclude that, compare the newest hash "
    "with the one in a report, or a note, that was given away before."
)


def verify(
    of: Annotated[
        Path, typer.Argument(metavar="REPORT_OR_VISIT", help="A visit's folder, or a report (.pdf or .html) of one.")
    ],
    visit: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="The visit of a report; without it the folder it lies in.")
    ] = None,
    output: Annotated[Literal["table", "json"], typer.Option("--format", help="Print a table or json.")] = "table",
) -> None:
    """Make everything again from traces and journal, and say what differs. Exit code 0: nothing; 4: something."""
    import gc

    gc.disable()  # as in `readings`
    from hoodtrace.dwelling.proof import prove

    folder, reports = _named(of, visit)
    proof = prove(folder)
    differing = {report: _compared(report, folder) for report in reports}
    is_unchanged = not proof.findings and not any(differing.values())
    if output == "json":
        sys.stdout.write(json.dumps(_as_json(folder, proof, differing, is_unchanged), ensure_ascii=False) + "\n")
    else:
        _print(folder, proof, differing, is_unchanged)
    if not is_unchanged:
        raise typer.Exit(CHANGED)


def _named(of: Path, visit: Path | None) -> tuple[Path, list[Path]]:
    """Return the visit's folder and the reports to be compared with it."""
    if not of.exists():
        raise UsageError(f"{of}: is not there. Give a visit's folder, or a report of one")
    if of.is_dir() and visit is not None:
        raise UsageError(f"--visit belongs to a report, and {of} is a folder")
    if not of.is_dir() and of.suffix.lower() not in (".pdf", ".html"):
        raise UsageError(f"{of}: is neither a visit's folder nor a report (.pdf, .html)")
    folder = of if of.is_dir() else of.parent if visit is None else visit
    if not (folder / "visit.toml").exists() and not (folder / "journal.jsonl").exists():
        hint = "" if of.is_dir() else ". Name the visit of the report with --visit FOLDER"
        raise UsageError(f"{folder}: there is no visit{hint}")
    return folder, [of / name for name in REPORTS if (of / name).exists()] if of.is_dir() else [of]


def _compared(report: Path, folder: Path) -> list[Finding]:
    """Return what the visit does not give of a report any more; one that can't be read is such a difference too."""
    from hoodtrace.dwelling.proof import Finding
    from hoodtrace.reporting.reported import compare

    try:
        return compare(report, folder)
    except FileError as error:
        return [Finding(str(error.path), str(error).removeprefix(f"{error.path}: "), "", "")]


def _as_json(folder: Path, proof: Proof, differing: dict[Path, list[Finding]], is_unchanged: bool) -> dict[str, Any]:
    return {
        "visit": str(folder),
        "unchanged": is_unchanged,
        "findings": [asdict(finding) for finding in proof.findings],
        "reports": [
            {"report": str(report), "findings": [asdict(finding) for finding in findings]}
            for report, findings in differing.items()
        ],
        "looked": asdict(proof.looked),
        "newest_sha256": proof.newest_sha256,
        "traces": [asdict(trace) for trace in proof.traces],
        "software": list(proof.software),
        "version": proof.version,
        "notes": list(proof.notes),
    }


def _print(folder: Path, proof: Proof, differing: dict[Path, list[Finding]], is_unchanged: bool) -> None:
    from hoodtrace.cli.printable import printable, say

    looked = proof.looked
    typer.echo(printable(folder))
    say(f"Looked at: plan, hood file, {_n(looked.n_lines, 'line')} of the journal", "  ", "  ")
    say(f"{_n(looked.n_traces, 'trace')}, {looked.n_bytes} bytes", "  ", "  ")
    made = f"{_n(looked.n_readings, 'reading')} of the hood"
    made += f" and {_n(looked.n_windows, 'window')} of the review" if looked.n_windows else ""
    say(f"made again from the traces: {made}", "  ", "  ")
    for report in differing:
        say(f"report: {report}{_by_another(report)}", "  ", "  ")
    for note in proof.notes:
        say(note, "  ", "  ")
    if proof.software:
        say(f"Begun and recorded by {', '.join(proof.software)}; made again by hoodtrace {proof.version}", "  ", "  ")
    typer.echo(f"  Newest hash: {proof.newest_sha256 or 'none'}")
    findings = [*proof.findings, *(finding for found in differing.values() for finding in found)]
    typer.echo()
    if is_unchanged:
        say("Unchanged: nothing differs.")
    else:
        say(f"NOT AS IT WAS WRITTEN DOWN: {_n(len(findings), 'finding')}.")
    for finding in findings:
        say(f"{finding.where}: {finding.what}", "  ", "- ")
        if finding.expected:
            say(f"written down: {finding.expected}", "    ", "  ")
        if finding.found:
            say(f"now: {finding.found}", "    ", "  ")
    typer.echo()
    say(SHOWS.format(report=", and the report" if differing else ""))
    if differing:
        say(CUSTOMER)
    if not differing:
        say(NO_REPORT)


def _by_another(report: Path) -> str:
    from hoodtrace.reporting.reported import other_build

    try:
        by = other_build(report)
    except FileError:
        return ""  # said as a finding
    return f" (says that another build made it: {by})" if by else ""


def _n(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
