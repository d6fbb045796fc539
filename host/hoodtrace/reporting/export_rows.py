"""The rows of readings and of the journal, as export writes them: every window, and what was entered by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from hoodtrace.averaging.mean import CONFIDENCE
from hoodtrace.dwelling import journal
from hoodtrace.dwelling.result import result
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.state import Placement
from hoodtrace.dwelling.verdict import verdict_on
from hoodtrace.dwelling.window import Window
from hoodtrace.errors import TraceError
from hoodtrace.reporting.export_columns import READINGS

Row = dict[str, Any]
_AS_READ = (
    "used_s", "dof", "u_random_m3h", "expanded_random_m3h", "fluctuation_rel", "correlation_s",
    "vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h",
)  # fmt: skip
_AS_SHOWN = (
    "trace", "hold", "plateau", "terminal", "state", "given", "by", "direction", "hold_start_s", "hold_end_s",
    "start_s", "end_s", "flow_m3h", "u_flow_m3h", "expanded_m3h", "estimate_m3h", "verdict",
)  # fmt: skip
_ENDS = ("hold_start_s", "hold_end_s", "start_s", "end_s")
_BEFORE = ("state", "terminal", "start_s", "end_s", "flow_m3h", "expanded_m3h", "verdict", "why")


def reading_rows(review: Review) -> Iterator[Row]:
    """Yield one row a window in the order of traces and time, then one a reading that came from no trace."""
    windows = review.windows()
    for shown in review.state()["windows"]:
        yield _of_window(review, windows[shown["id"]], shown)
    for placement in review.visit.state.placements:
        if placement.entry.get("trace") is None:
            yield entered_row(review, placement)


def _of_window(review: Review, window: Window, shown: Mapping[str, Any]) -> Row:
    reading, automatic = window.reading, shown.get("automatic") or {}
    row = _empty() | {"window": window.id, "boot": window.boot, "hood_on": True, "setting": window.setting or None}
    row |= {name: shown.get(name) for name in _AS_SHOWN}
    row |= {name: reading.get(name) for name in _AS_READ}
    # The ends as `readings` prints them; where the journal alone knows the window, as shown.
    row |= {name: reading[name] for name in _ENDS if reading.get(name) is not None}
    row["confidence_rel"] = reading.get("confidence")
    row["cut_s"] = round(sum(cut["end_s"] - cut["start_s"] for cut in shown["cuts"]), 3)
    row["cuts"], row["flags"] = _cuts(shown["cuts"]), listed(shown["flags"])
    row["notes"] = listed(shown["notes"])
    row["start_utc"], row["why"] = _utc(review, window), shown.get("why") or None
    row |= _of_terminal(review, shown.get("terminal"), window.setting)
    row |= {f"automatic_{name}": automatic.get(name) for name in _BEFORE}
    row["automatic_cuts"], row["automatic_why"] = _cuts(automatic.get("cuts", ())), automatic.get("why") or None
    return row


def entered_row(review: Review, placement: Placement) -> Row:
    """Return the row of a reading that was typed in, or of one that only the journal knows."""
    entry = placement.entry
    row = _empty() | _of_terminal(review, placement.terminal, placement.setting)
    names = ("direction", "flow_m3h", "u_flow_m3h", "dof", "u_random_m3h", "by", "meter")
    row |= {name: entry.get(name) for name in names}
    row |= {"setting": placement.setting, "state": "reading", "given": True, "flags": listed(entry.get("flags", ()))}
    row |= {"confidence_rel": CONFIDENCE, "expanded_m3h": result([placement]).expanded_m3h}
    row |= {"hood_on": bool(entry.get("hood_on", True)), "terminal": placement.terminal}
    where = review.visit.terminal(placement.terminal), placement.setting, review.visit.plan.rule
    numbers = placement.flow_m3h, float(entry["u_flow_m3h"]), entry.get("dof")
    row["verdict"] = verdict_on(*where, *numbers, entry.get("flags", ()))
    return row


def _of_terminal(review: Review, name: object, setting: str) -> Row:
    if name is None:
        return {}
    for terminal in review.visit.state.terminals(review.visit.plan):
        if terminal.id == name:
            return {"room": terminal.room, "system": terminal.system, "design_m3h": terminal.design(setting)}
    return {}


def _empty() -> Row:
    return {column.name: None for column in READINGS}


def _cuts(cuts: Sequence[Mapping[str, Any]]) -> str | None:
    return listed([f"{cut['start_s']:.3f}..{cut['end_s']:.3f} {cut['why']}" for cut in cuts])


def listed(texts: Sequence[str]) -> str | None:
    """Return texts as one cell has them; None where there is none."""
    return "; ".join(texts) if texts else None


def _utc(review: Review, window: Window) -> datetime | None:
    try:
        utc_s = review.kept(window).first_utc_s.get(window.boot)
    except TraceError:
        return None
    if utc_s is None:
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=round(utc_s * 1e6) + window.start_us)


def journal_rows(review: Review) -> Iterator[Row]:
    """Yield one row a line of the journal; damaged lines are left out (they are among the review's problems)."""
    if not (review.folder / journal.JOURNAL).exists():
        return
    entries, _ = journal.sound_entries(review.folder)
    for number, entry in enumerate(entries, 1):
        if entry is None:
            continue
        fields = {key: value for key, value in entry.items() if key not in ("kind", "utc", "prev", "crc")}
        reading = entry.get("reading")
        terminal = entry.get("terminal") or (reading.get("terminal") if isinstance(reading, dict) else None)
        yield {
            "line": number,
            "utc": moment(entry.get("utc")),
            "kind": str(entry.get("kind")),
            "terminal": None if terminal is None else str(terminal),
            "why": str(entry["why"]) if entry.get("why") else None,
            "fields": json.dumps(fields, ensure_ascii=False),
        }


def moment(utc: object) -> datetime | None:
    """Return a time of day of the journal; None where it is none."""
    try:
        moment = datetime.fromisoformat(str(utc))
    except ValueError:
        return None
    return moment.astimezone(UTC) if moment.tzinfo is not None else None
