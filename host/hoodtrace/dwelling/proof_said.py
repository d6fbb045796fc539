"""What a visit's journal says that can be proved: its traces, its readings of the hood, the windows of its review.

`said_by` sorts the lines that count; one that makes no sense, in spite of its good checksum, is a finding and is left
out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from hoodtrace.dwelling.plan import Plan
from hoodtrace.dwelling.proof_chain import Finding, line_name
from hoodtrace.dwelling.reviewed import Change, Reviewed
from hoodtrace.dwelling.state import State, fold
from hoodtrace.errors import UsageError

Entry = Mapping[str, Any]
_REVIEW = ("review", "review undone", "review redone")
_NO_SENSE = (LookupError, TypeError, ValueError, AttributeError, OverflowError, UsageError)


@dataclass(frozen=True, slots=True)
class Given:
    """A reading of the hood as the journal keeps it: where, its fields, the line of its hold (None: it names none)."""

    where: str
    fields: Entry
    held: Entry | None


@dataclass(slots=True)
class Said:
    """The lines that count, sorted.

    `opened` and `closed` are traces by name, with the line that says so (0: a line behind those that count); `changes`
    are those of the review that stand; `software` is what the visit was begun with.
    """

    opened: dict[str, int] = field(default_factory=dict)
    closed: dict[str, tuple[int, Entry]] = field(default_factory=dict)
    given: list[Given] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    software: str = ""
    n_by_hand: int = 0
    n_withdrawn: int = 0
    findings: list[Finding] = field(default_factory=list)


def said_by(entries: Sequence[Entry | None], n_lines: int, plan: Plan | None) -> Said:
    """Return what the first `n_lines` of a journal say; of those behind only which traces they name.

    Without a `plan` no line is looked at for whether the visit could go on from it.
    """
    said, state, reviewed, held = Said(), State(), Reviewed(), dict[str, Entry]()
    for number, entry in enumerate(entries[:n_lines], 1):
        if entry is None:
            continue
        try:
            if plan is not None:
                state.n_lines = number - 1
                fold(state, plan, {key: value for key, value in entry.items() if key not in ("prev", "crc")})
            _sort(said, number, entry, held)
            if entry.get("kind") in _REVIEW:
                reviewed.take(number, entry)
        except _NO_SENSE as error:
            text = f"has a right checksum, but says nothing that this program understands ({error})"
            said.findings.append(Finding(line_name(number), text, "", ""))
    for entry in entries[n_lines:]:
        if entry is not None and entry.get("kind") in ("trace opened", "trace closed"):
            said.opened.setdefault(str(entry.get("trace")), 0)
    said.changes, said.n_withdrawn = reviewed.done, len(state.withdrawn)
    return said


def _sort(said: Said, number: int, entry: Entry, held: dict[str, Entry]) -> None:
    kind = entry.get("kind")
    if kind == "begun":
        said.software = said.software or str(entry.get("software", ""))
    elif kind == "trace opened":
        said.opened[str(entry["trace"])] = number
    elif kind == "trace closed":
        said.closed[str(entry["trace"])] = number, entry
    elif kind == "held":
        held[str(entry["key"])] = entry
    elif kind == "doubt":
        _reading(said, number, entry["reading"], held)
    elif kind == "reading":
        _reading(said, number, entry, held)


def _reading(said: Said, number: int, entry: Entry, held: Mapping[str, Entry]) -> None:
    if entry.get("by") != "hood":
        said.n_by_hand += 1
        return
    where, key = f"{line_name(number)}, the reading of {entry.get('terminal')}", entry.get("key")
    if key is not None and str(key) not in held:
        text = "is of a hold that the journal did not call enough before"
        said.findings.append(Finding(where, text, str(key), "none"))
    said.given.append(Given(where, entry, None if key is None else held.get(str(key))))
