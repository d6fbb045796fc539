"""Readings of a whole trace as a table: what commands print and notebooks load.

`tabulate` turns the outcomes of a session into rows with people's units (m3/h, seconds since the first sample) and
one row format for JSON, CSV and pandas. `readings_of` reads a trace file through a session, a block at a time.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hoodtrace.averaging.mean import CONFIDENCE
from hoodtrace.averaging.session import Outcome, Session
from hoodtrace.errors import TraceError
from hoodtrace.physics.hood import read_hood
from hoodtrace.sheet_cells import guarded
from hoodtrace.units import m3h
from hoodtrace.wire.clock import Timeline
from hoodtrace.wire.decoder import Decoded
from hoodtrace.wire.trace import blocks_of

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]
AHEAD = 4
"""So many blocks of a file are decoded before they are needed."""


@dataclass(frozen=True, slots=True)
class Table:
    """Readings and refusals of a trace, the budgets beside them; "Formats" in DEVELOPERS.md names the rows."""

    trace: Row
    hood: Row
    readings: list[Row]
    refused: list[Row]
    outcomes: list[Outcome]

    def as_json(self) -> Row:
        """Return the object that `readings --format json` prints."""
        return {"trace": self.trace, "hood": self.hood, "readings": self.readings, "refused": self.refused}

    def as_csv(self) -> str:
        """Return the readings and refusals as CSV, one row each; a refused row has `why` and `estimate_m3h`.

        `chosen_by` is empty for what was found automatically; else `automatic_m3h` is what that would be.
        """
        columns = [*_READING_COLUMNS, "rejected_s", "flags", "why", "estimate_m3h", "chosen_by", "automatic_m3h"]
        out = io.StringIO()
        writer = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        rows = [*self.readings, *self.refused]
        for row in sorted(rows, key=lambda r: (r["hold"], r["plateau"])):
            flat = dict(row)
            flat["rejected_s"] = round(sum(r["end_s"] - r["start_s"] for r in row.get("rejected", [])), 3)
            # Reasons come from people: no spreadsheet shall run one.
            flat |= {key: guarded(str(flat[key])) for key in ("why", "direction") if key in flat}
            flat["flags"] = guarded("; ".join(row.get("flags", [])))
            flat["automatic_m3h"] = (row.get("automatic") or {}).get("flow_m3h")
            writer.writerow(flat)
        return out.getvalue()

    def frame(self) -> pd.DataFrame:
        """Return the readings as a pandas table, one row a reading, indexed by hold and plateau (for notebooks)."""
        import pandas as pd

        rows = [{**row, "flags": "; ".join(row["flags"])} for row in self.readings]
        columns = [*_READING_COLUMNS, "rejected", "flags"]
        return pd.DataFrame(rows, columns=columns).set_index(["hold", "plateau"])

    def budget(self) -> pd.DataFrame:
        """Return all budgets as a pandas table: hold, plateau, term, u_m3h, dof, scope."""
        import pandas as pd

        rows = [
            (o.hold, o.plateau, t.name, m3h(t.u_m3_s), t.dof, t.scope)
            for o in self.outcomes
            if o.averaged.refusal is None
            for t in o.averaged.terms
        ]
        return pd.DataFrame(rows, columns=["hold", "plateau", "term", "u_m3h", "dof", "scope"])


_READING_COLUMNS = (
    "hold",
    "plateau",
    "hold_start_s",
    "hold_end_s",
    "start_s",
    "end_s",
    "used_s",
    "direction",
    "flow_m3h",
    "u_flow_m3h",
    "dof",
    "confidence",
    "expanded_m3h",
    "u_random_m3h",
    "expanded_random_m3h",
    "fluctuation_rel",
    "correlation_s",
    "vane_m3h",
    "u_vane_m3h",
    "taps_m3h",
    "u_taps_m3h",
)


def readings_of(trace: Path, hood: Path, window_s: tuple[float, float] | None = None) -> Table:
    """Return the readings of a trace file.

    Parameters
    ----------
    trace, hood : Path
        The files.
    window_s : tuple of float, optional
        Start and end (s since the first sample): average just this as one plateau.

    Raises
    ------
    TraceError
        The file can't be read, holds no good line, no `hello`, or another protocol.
    HoodError
        The hood file is at fault.
    """
    hood_model, hood_sha = read_hood(hood)
    session = Session(hood_model, window_s=window_s)
    outcomes, trace_sha = run_through(session, trace)
    head = {"file": trace.name, "sha256": trace_sha}
    return tabulate(session, outcomes, head, {"name": hood_model.name, "sha256": hood_sha})


def run_through(session: Session, trace: Path, ahead: bool = True) -> tuple[list[Outcome], str]:
    """Feed a trace file to a new session, to its end; return the outcomes and the file's SHA-256.

    `ahead` decodes in a second thread; whoever keeps every core busy with other traces has no use for one.

    Raises
    ------
    TraceError
        The file can't be read, holds no good line, no `hello`, or another protocol.
    """
    digest = hashlib.sha256()
    outcomes: list[Outcome] = []

    def decode(block: bytes) -> Decoded:
        digest.update(block)
        session.n_bytes += len(block)
        return session.decoder.feed(block)

    blocks = blocks_of(trace)
    for decoded in _ahead(decode, blocks) if ahead else map(decode, blocks):
        outcomes += session.take(decoded)
        _refuse_other(session, trace)
    outcomes += session.finish()
    _refuse_other(session, trace)
    if session.n_good == 0:
        why = f" in {session.n_bad} stretches of noise" if session.n_bad else ": it is empty"
        raise TraceError(trace, f"holds no good line{why}. Is it a hoodtrace trace?")
    if not session.has_hello:
        raise TraceError(
            trace, "holds no `hello` of the board, so its counts mean nothing. Record again from the start."
        )
    return outcomes, digest.hexdigest()


def _ahead(decode: Callable[[bytes], Decoded], blocks: Iterator[bytes]) -> Iterator[Decoded]:
    """Yield what `decode` makes of each block, in order; the next ones are being decoded meanwhile."""
    with ThreadPoolExecutor(1) as other:
        waiting: deque[Future[Decoded]] = deque()
        for block in blocks:
            waiting.append(other.submit(decode, block))
            if len(waiting) > AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def tabulate(session: Session, outcomes: list[Outcome], trace: Row, hood: Row) -> Table:
    """Return the outcomes of `session` as a table; `trace` and `hood` are what is known of the files."""
    time = Timeline(session.spans, session.assembler.clocks)
    assembler = session.assembler
    notes = list(time.notes)
    if assembler.n_stray:
        notes.append(f"{assembler.n_stray} good lines fit no boot of the board and were not used")
    head = {
        **trace,
        "duration_s": round(time.duration_s, 3),
        "lines": session.n_good,
        "bad_lines": session.n_bad,
        "lost_samples": assembler.n_lost,
        "boots": assembler.n_boots,
        "notes": notes,
    }
    outcomes = [with_late(o, assembler.late.get(o.boot, [])) for o in outcomes]
    ordered = sorted(outcomes, key=lambda o: (o.hold, o.plateau))
    readings = [reading_row(o, time) for o in ordered if o.averaged.refusal is None]
    refused = [refused_row(o, time) for o in ordered if o.averaged.refusal is not None]
    return Table(head, hood, readings, refused, ordered)


def _refuse_other(session: Session, trace: Path) -> None:
    other = session.assembler.other_protocol
    if other is not None:
        raise TraceError(trace, f"speaks protocol {other}, this program reads protocol 1. Use the matching version.")


def with_late(o: Outcome, late_us: list[int]) -> Outcome:
    """Flag an outcome that used lines which a live view could not have had."""
    if not any(o.hold_start_us <= t_us <= o.hold_stop_us for t_us in late_us):
        return o
    return replace(o, averaged=replace(o.averaged, flags=(*o.averaged.flags, "late lines")))


def reading_row(o: Outcome, time: Timeline) -> Row:
    """Return the row of an outcome that is a reading."""
    a = o.averaged
    row = {
        "hold": o.hold,
        "plateau": o.plateau,
        "hold_start_s": time.seconds(o.boot, o.hold_start_us),
        "hold_end_s": time.seconds(o.boot, o.hold_stop_us),
        "start_s": time.seconds(o.boot, o.start_us),
        "end_s": time.seconds(o.boot, o.stop_us),
        "used_s": a.used_s,
        "direction": a.direction,
        "flow_m3h": m3h(a.flow_m3_s),
        "u_flow_m3h": m3h(a.total.u_m3_s),
        "dof": a.total.dof if a.total.dof < math.inf else None,
        "confidence": CONFIDENCE,
        "expanded_m3h": m3h(a.total.expanded_m3_s),
        "u_random_m3h": m3h(a.u_random_m3_s),
        "expanded_random_m3h": m3h(a.expanded_random_m3_s),
        "fluctuation_rel": a.fluctuation_rel,
        "correlation_s": a.correlation_s,
        "vane_m3h": _m3h(a.vane_m3_s),
        "u_vane_m3h": _m3h(a.u_vane_m3_s),
        "taps_m3h": _m3h(a.taps_m3_s),
        "u_taps_m3h": _m3h(a.u_taps_m3_s),
    }
    row = {key: round(value, 6) if isinstance(value, float) else value for key, value in row.items()}
    row["rejected"] = [
        {
            "start_s": round(time.seconds(o.boot, c.start_us), 3),
            "end_s": round(time.seconds(o.boot, c.stop_us), 3),
            "why": c.why,
        }
        for c in o.cuts
    ]
    row["flags"] = list(a.flags)
    return row


REFUSED_COLUMNS = (
    "hold",
    "plateau",
    "hold_start_s",
    "hold_end_s",
    "start_s",
    "end_s",
    "direction",
    "why",
    "estimate_m3h",
    "flags",
)


def refused_row(o: Outcome, time: Timeline) -> Row:
    """Return the row of an outcome that is a refusal: `REFUSED_COLUMNS`."""
    return {
        "hold": o.hold,
        "plateau": o.plateau,
        "hold_start_s": round(time.seconds(o.boot, o.hold_start_us), 3),
        "hold_end_s": round(time.seconds(o.boot, o.hold_stop_us), 3),
        "start_s": round(time.seconds(o.boot, o.start_us), 3),
        "end_s": round(time.seconds(o.boot, o.stop_us), 3),
        "direction": o.averaged.direction,
        "why": o.averaged.refusal,
        "estimate_m3h": round(m3h(o.averaged.flow_m3_s), 6) if math.isfinite(o.averaged.flow_m3_s) else None,
        "flags": list(o.averaged.flags),
    }


def _m3h(flow_m3_s: float | None) -> float | None:
    return None if flow_m3_s is None else m3h(flow_m3_s)
