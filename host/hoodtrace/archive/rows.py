"""The archive's rows of one visit: what stands in its journal, beside what its traces say now.

The visit comes as a review whose traces have been read. Flows in m3/h, times in s since their trace's first sample.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import hoodtrace
from hoodtrace.averaging.kept import KeptTrace
from hoodtrace.averaging.mean import CONFIDENCE
from hoodtrace.balancing.case import FlowRead, n_climbs
from hoodtrace.dwelling.plan import Terminal
from hoodtrace.dwelling.result import Result, result
from hoodtrace.dwelling.review import Review
from hoodtrace.dwelling.state import Placement
from hoodtrace.dwelling.verdict import verdict_on
from hoodtrace.dwelling.window import Window, stem
from hoodtrace.physics.hood import Hood
from hoodtrace.reporting.export import usable_traces
from hoodtrace.reporting.export_rows import entered_row, listed, moment, reading_rows

Row = dict[str, Any]
OF_PROGRAM = frozenset({"knock", "gust", "leak or gust", "between", "by hand"})
"""Reasons of cuts that the program gives; any other is a person's own words."""
_KEPT = (
    "hold_start_s", "hold_end_s", "start_s", "end_s", "used_s", "direction", "flow_m3h", "u_flow_m3h", "dof",
    "expanded_m3h", "u_random_m3h", "expanded_random_m3h", "fluctuation_rel", "correlation_s", "vane_m3h",
    "u_vane_m3h", "taps_m3h", "u_taps_m3h",
)  # fmt: skip
_CUT = re.compile(r"-?\d+\.\d+\.\.-?\d+\.\d+ ")


@dataclass(frozen=True, slots=True)
class About:
    """What is known of a visit beside its review; `names` are the customer columns of `visits`, None: not asked for."""

    visit: str
    journal_sha256: str | None
    newest_utc: str
    n_problems: int
    names: Mapping[str, str | None] | None = None

    @property
    def with_names(self) -> bool:
        """Whether customer data was asked for."""
        return self.names is not None


def rows_of(review: Review, about: About) -> dict[str, list[Row]]:
    """Return the rows of all tables but the samples, by table; each row with exactly the columns of `TABLES`."""
    traces = usable_traces(review)
    return {
        "visits": [_visit_row(review, about, traces)],
        "hoods": [_hood_row(about.visit, review.hood, review.hood_sha256)],
        "terminals": list(_terminal_rows(review, about)),
        "readings": list(_reading_rows(review, about)),
        "plateaus": [row for path, kept in traces.items() for row in _plateau_rows(review, about, path, kept)],
    }


# ---- readings


def _reading_rows(review: Review, about: About) -> Iterator[Row]:
    state, windows = review.visit.state, review.windows()
    given = {placement.line: placement for placement in state.given}
    typed_in = iter([placement for placement in state.placements if placement.entry.get("trace") is None])
    for row in reading_rows(review):
        window = windows.get(str(row["window"]))
        placement = next(typed_in) if window is None else given.get(window.line or 0)
        row |= {"visit": about.visit} | _of_journal(review, window, placement)
        if window is not None and window.by == "automatic" and placement is not None:
            _put_kept(review, row, placement)
        if not about.with_names:
            _without_words(row, window)
        yield row
    for placement in _not_found_again(review, list(windows.values())):
        row = entered_row(review, placement) | {"visit": about.visit} | _of_journal(review, None, placement)
        entry = placement.entry
        row |= {"hold": entry.get("hold"), "plateau": entry.get("plateau"), "by": "automatic"}
        row |= {"trace": stem(str(entry["trace"])), "confidence_rel": entry.get("confidence", CONFIDENCE)}
        row["window"] = f"{row['trace']}:{row['hold']}.{row['plateau']}"
        _put_kept(review, row, placement)
        yield row


def _not_found_again(review: Review, windows: Sequence[Window]) -> Iterator[Placement]:
    """Yield readings of the hood that count, but that this version does not find in their trace."""
    state = review.visit.state
    shown = {window.line for window in windows}
    shown |= {state.reviewed.line_of(window.id) for window in windows if window.by == "person"}
    return (p for p in state.placements if p.entry.get("trace") is not None and p.line not in shown)


def _of_journal(review: Review, window: Window | None, placement: Placement | None) -> Row:
    """Return the columns `OF_JOURNAL` of a window or of a reading that was typed in."""
    by_person = window is not None and window.by == "person"
    line = utc = None
    if window is not None and by_person:
        line, utc = (
            ask(window.id) for ask in (review.visit.state.reviewed.line_of, review.visit.state.reviewed.utc_of)
        )
    entry: Mapping[str, Any] = {} if placement is None else placement.entry
    if line is None and placement is not None:
        line, utc = placement.line, entry.get("utc")
    epoch = window.epoch if placement is None and by_person and window is not None else (None, None)
    house, turned = epoch if placement is None else placement.epoch
    return {
        "line": line,
        "decided_utc": moment(utc),
        "kept": by_person or placement is not None,
        "stage": None if placement is None else placement.stage,
        "at_stop": entry.get("at_stop"),
        "ended": entry.get("ended"),
        "after_turn": bool(entry.get("after_turn")) if placement is not None else None,
        "house_epoch": house,
        "turns_before": turned,
    }


def _put_kept(review: Review, row: Row, placement: Placement) -> None:
    """Put the numbers that the journal kept into the row of a reading as it was found."""
    entry = placement.entry
    row |= {name: entry.get(name) for name in _KEPT if name in entry}
    if "rejected" in entry:
        cuts = [cut for cut in entry["rejected"] if cut["end_s"] > cut["start_s"]]
        row["cut_s"] = round(sum(cut["end_s"] - cut["start_s"] for cut in cuts), 3)
        row["cuts"] = listed([f"{cut['start_s']:.3f}..{cut['end_s']:.3f} {cut['why']}" for cut in cuts])
    row["flags"], row["state"] = listed(entry.get("flags", ())), "reading"
    row["hood_on"] = bool(entry.get("hood_on", True))
    # Also where this version refuses it: what the journal gave counts for its terminal.
    row["given"] = any(one.line == placement.line for one in review.visit.state.placements)
    terminal = review.visit.terminal(placement.terminal)
    row["verdict"] = _verdict(review, terminal, placement.setting, _result(placement)) if row["given"] else None


def _without_words(row: Row, window: Window | None) -> None:
    """Take out what people typed."""
    row["notes"] = None
    if row["state"] == "rejected":
        row["why"] = None
    if window is not None and window.by == "person" and row["cuts"]:
        row["cuts"] = _program_words(row["cuts"], [cut.why for cut in window.cuts])


def _program_words(cuts: str, whys: Sequence[str]) -> str:
    """Return cuts as export writes them, without a person's words; `whys` are their reasons in order.

    Examples
    --------
    >>> _program_words("1.000..2.000 gust; 3.000..4.000 Ann; 1.0..2.0 came", ["gust", "Ann; 1.0..2.0 came"])
    '1.000..2.000 gust; 3.000..4.000 by hand'
    """
    out = []
    for why in whys:
        ends = _CUT.match(cuts)
        if ends is None:
            return "by hand"
        out.append(ends[0] + (why if why in OF_PROGRAM else "by hand"))
        cuts = cuts[ends.end() + len(why) :].removeprefix("; ")
    return "; ".join(out)


# ---- plateaus


def _plateau_rows(review: Review, about: About, path: str, kept: KeptTrace) -> Iterator[Row]:
    """Yield the plateaus of a trace as they are found now, with what the journal kept of each beside it."""
    state = review.visit.state
    given = {placement.line: placement for placement in state.given}
    for window in review.traces.found(review.traces.all[path], state).windows.values():
        reading, placement = window.reading, given.get(window.line or 0)
        entry: Mapping[str, Any] = {} if placement is None else placement.entry
        utc_s = kept.utc_s(window.boot, window.start_us)
        cut_us = sum(cut.stop_us - cut.start_us for cut in window.cuts)
        yield {
            "visit": about.visit,
            "trace": kept.name,
            "trace_sha256": kept.sha256,
            "software": hoodtrace.__version__,
            "hold": window.hold,
            "plateau": window.plateau,
            "boot": window.boot,
            "start_utc": None if utc_s is None else _since_1970(utc_s),
            "state": "reading" if window.is_reading else "refused",
            **{name: reading.get(name) for name in _KEPT},
            "cut_s": round(cut_us * 1e-6, 3),
            "estimate_m3h": reading.get("estimate_m3h"),
            "flags": listed(reading.get("flags", ())),
            "why": reading.get("why"),
            "kept_line": None if placement is None else placement.line,
            "kept_terminal": None if placement is None else placement.terminal,
            "kept_software": None if placement is None else _begun_with(review),
            "kept_flow_m3h": entry.get("flow_m3h"),
            "kept_u_flow_m3h": entry.get("u_flow_m3h"),
            "kept_expanded_m3h": entry.get("expanded_m3h"),
        }


def _since_1970(utc_s: float) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=round(utc_s * 1e6))


# ---- terminals


def _terminal_rows(review: Review, about: About) -> Iterator[Row]:
    """Yield each terminal at the first fan setting, and at all others that anything was read at."""
    visit, state = review.visit, review.visit.state
    read = [placement.setting for placement in state.placements]
    settings = [s for s in dict.fromkeys([*visit.plan.settings, *read]) if s == visit.plan.settings[0] or s in read]
    for terminal in state.terminals(visit.plan):
        for setting in settings:
            yield _terminal_row(review, about, terminal, setting)


def _terminal_row(review: Review, about: About, terminal: Terminal, setting: str) -> Row:
    visit, state = review.visit, review.visit.state
    mine = [p for p in state.placements if p.terminal == terminal.id and p.setting == setting]
    why = state.why_left_out(terminal)
    kinds = {room.name: room.kind for room in visit.plan.rooms}
    system = visit.plan.system(terminal.system)
    first = [p for p in mine if p.epoch == (0, 0) and not p.entry.get("after_turn")]
    return {
        "visit": about.visit,
        "terminal": terminal.id,
        "room": terminal.room,
        "room_kind": kinds.get(terminal.room),
        "system": system.name,
        "system_kind": system.kind,
        "fan": system.fan,
        "direction": terminal.direction,
        "branch": terminal.branch or None,
        "design_limit": terminal.limit,
        "cover": terminal.cover,
        "setting": setting,
        "design_m3h": terminal.design(setting),
        "height_m": terminal.height_m,
        "free_area_cm2": terminal.free_area_cm2,
        "left_out": terminal.cover == "none" or terminal.id in state.left_out,
        "n_readings": len(mine),
        "n_turns": sum(name == terminal.id for _, name in state.turns),
        **_pooled("first", review, terminal, setting, first),
        **_pooled("end", review, terminal, setting, state.at(terminal.id, setting) if mine else []),
        "why": why or None if about.with_names else None,
        "note": terminal.note or None if about.with_names else None,
    }


def _pooled(name: str, review: Review, terminal: Terminal, setting: str, placements: Sequence[Placement]) -> Row:
    """Return the one result of some placements under the names that begin with `name`; empty where there is none."""
    found = result(placements) if placements else None
    hood_on = bool(placements[-1].entry.get("hood_on", True)) if placements else None
    alike = [p for p in placements if bool(p.entry.get("hood_on", True)) == hood_on]
    row: Row = {
        "m3h": None if found is None else found.flow_m3h,
        "u_m3h": None if found is None else found.u_flow_m3h,
        "expanded_m3h": None if found is None else found.expanded_m3h,
        "by": " and ".join(dict.fromkeys(str(p.entry.get("by")) for p in alike)) or None,
        "verdict": None if found is None else _verdict(review, terminal, setting, found),
    }
    if name == "end":
        row["own_u_m3h"] = None if found is None else found.u_own_m3h
        row["n"] = None if found is None else found.n
        row["hood_on"] = hood_on
        row["flags"] = None if found is None else listed(found.flags)
    return {f"{name}_{key}": value for key, value in row.items()}


def _result(placement: Placement) -> Result:
    return result([placement])


def _verdict(review: Review, terminal: Terminal, setting: str, found: Result) -> str | None:
    rule = review.visit.plan.rule
    return verdict_on(terminal, setting, rule, found.flow_m3h, found.u_flow_m3h, found.dof, found.flags)


# ---- hood and visit


def _hood_row(visit: str, hood: Hood, sha256: str) -> Row:
    vane, taps, calibration = hood.vane, hood.taps, hood.calibration
    vane_in, taps_in = hood.vane_for("extract"), hood.taps_for("extract")
    return {
        "visit": visit,
        "hood": hood.name,
        "hood_sha256": sha256,
        "bore_mm": hood.pipe.bore_mm,
        "length_mm": hood.pipe.length_mm,
        "k_supply": vane and vane.k,
        "k_extract": vane_in and vane_in.k,
        "u_k_rel": vane and vane.u_k_rel,
        "offset_m_s": vane and vane.offset_m_s,
        "start_m_s": vane and vane.start_m_s,
        "gain_m_s_per_hz": vane and vane.gain_m_s_per_hz,
        "taps_count": taps and taps.count,
        "c_supply": taps and taps.c,
        "c_extract": taps_in and taps_in.c,
        "exponent_supply": taps and taps.exponent,
        "u_c_rel": taps and taps.u_c_rel,
        "zero_pa": taps and taps.zero_pa,
        "u_zero_pa": taps and taps.u_zero_pa,
        "placement_u_rel": hood.placement and hood.placement.u_rel,
        "r_k_c": hood.r_k_c,
        "calibrated_on": calibration and calibration.date.isoformat(),
        "calibration_due": calibration and calibration.due.isoformat(),
        "calibration_method": calibration and calibration.method,
    }


def _visit_row(review: Review, about: About, traces: Mapping[str, KeptTrace]) -> Row:
    state, plan = review.visit.state, review.visit.plan
    begun, weather = state.begun or {}, state.weather
    climbs = sorted(state.placements, key=lambda p: (p.epoch[0], p.line))
    words = about.names or {}
    return {
        "visit": about.visit,
        "begun_utc": moment(begun.get("utc")),
        "newest_utc": moment(about.newest_utc),
        "finished": state.finished,
        "follow_up": bool(begun.get("follow_up")),
        "software": _begun_with(review),
        "analysed_by": hoodtrace.__version__,
        "journal_sha256": about.journal_sha256,
        "hood_sha256": review.hood_sha256,
        "n_lines": state.n_lines,
        "n_terminals": len(state.terminals(plan)),
        "n_readings": len(state.placements),
        "n_withdrawn": len(state.withdrawn),
        "n_by_person": sum(w.by == "person" and not w.gone for w in state.reviewed.windows().values()),
        "n_climbs": n_climbs([FlowRead(p.terminal, p.flow_m3h, epoch=p.epoch[0]) for p in climbs]),
        "n_turns": len(state.turns),
        "n_events": len(state.of_house),
        "n_traces": len(traces),
        "n_problems": about.n_problems,
        "traced_s": round(sum(kept.timeline.duration_s for kept in traces.values()), 3),
        "floor_area_m2": plan.site.floor_area_m2,
        "bedrooms": plan.site.bedrooms,
        "volume_m3": plan.site.volume_m3,
        "n50_per_h": plan.site.n50_per_h,
        "open_flued_appliance": plan.site.open_flued_appliance,
        "tolerance_rel": plan.rule.tolerance_rel,
        "balance_rel": plan.rule.balance_rel,
        "risk_rel": plan.rule.risk,
        "outdoor_c": weather.get("outdoor_c"),
        "indoor_c": weather.get("indoor_c"),
        "wind": weather.get("wind"),
        "folder": words.get("folder"),
        "site": plan.site.name if about.with_names else None,
        "note": plan.site.note or None if about.with_names else None,
        "customer": words.get("customer"),
        "customer_address": words.get("customer_address"),
        "customer_contact": words.get("customer_contact"),
    }


def _begun_with(review: Review) -> str | None:
    software = (review.visit.state.begun or {}).get("software")
    return None if software is None else str(software)
