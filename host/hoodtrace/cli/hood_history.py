"""`hoodtrace hood --history FOLDER`: the hood's health over all visits whose traces lie below a folder.

A visit is a visit folder (its traces lie in `traces`), else the traces of one folder and one day (UTC, by the host's
notes). All are read with one hood file, so that their ratios can be compared: the one given, else the newest visit's
own. What can't be used is said, and the rest goes on. Standard output gets the table and charts, or one JSON object.
"""

from __future__ import annotations

import datetime
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from hoodtrace.cli.history_words import NORMAL_95, as_text
from hoodtrace.errors import HoodError, TraceError, VisitError
from hoodtrace.units import m3h

if TYPE_CHECKING:
    from hoodtrace.calibration.chart import Mark
    from hoodtrace.calibration.health import HealthSession, Judged
    from hoodtrace.calibration.health_signs import Checked, Visit, Zero
    from hoodtrace.calibration.placement import Repeats
    from hoodtrace.physics.hood import Hood

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class ReadTrace:
    """What one trace gave: the day of its first dated note, readings, free-hanging air, repeats that notes name."""

    day: datetime.date | None
    readings: list[Checked]
    zeros: list[Zero]
    repeats: list[Repeats]


def history(folder: Path, hood: Path | None, output: Literal["table", "json"] = "table") -> None:
    """Print the health of a hood over the visits below `folder`.

    Parameters
    ----------
    folder : Path
        Searched with everything below it for `*.trace`.
    hood : Path or None
        The hood file for all of them; None: each visit must have its own beside its traces.
    output : {"table", "json"}

    Raises
    ------
    VisitError
        There is no such folder, no trace in it, no hood file for them, or none of the traces can be read.
    HoodError
        The hood file that was given is at fault.
    """
    found = collect(folder, hood)
    if output == "json":
        sys.stdout.write(json.dumps(found, allow_nan=False, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(as_text(found))


def collect(folder: Path, hood: Path | None) -> Row:
    """Return the object that `--format json` prints; see `history`."""
    from hoodtrace.calibration.health import judged
    from hoodtrace.physics.hood import read_hood

    if not folder.is_dir():
        raise VisitError(folder, "there is no such folder. Give the folder that your traces or visits lie in.")
    traces = sorted(path for path in folder.rglob("*.trace") if path.is_file())
    if not traces:
        raise VisitError(
            folder, "holds no *.trace, nor does any folder in it. Give the folder that your traces lie in."
        )
    notes: list[str] = []
    own = {path: _own_hood(path, folder) for path in traces}
    chosen = hood if hood is not None else _newest(traces, own, notes)
    if chosen is None:
        raise VisitError(
            folder, "no hood.toml lies beside the traces. Name the hood file: hood HOOD.toml --history ..."
        )
    described, sha256 = read_hood(chosen)
    traces = _of_this_hood(traces, own, described, sha256, notes)
    groups: dict[tuple[str, datetime.date | None], list[tuple[str, ReadTrace]]] = {}
    seen: dict[str, Path] = {}
    for path in traces:
        if (twin := seen.setdefault(_digest(path), path)) != path:
            notes.append(f"left out: {path} is {twin} again")
            continue
        try:
            read = read_trace(path, described)
        except TraceError as error:
            notes.append(f"left out: {error}")
            continue
        groups.setdefault((_visit_name(path, folder, read.day), read.day), []).append((path.name, read))
    if not groups:
        raise VisitError(folder, f"none of the traces can be read with {chosen}. " + "; ".join(notes))
    visits = [_visit(name, day, reads) for (name, day), reads in groups.items()]
    visits.sort(key=lambda visit: (visit.date is None, visit.date or datetime.date.min, visit.name))
    undated = [visit.name for visit in visits if visit.date is None]
    if undated:
        notes.append(f"no day in the notes of {', '.join(undated)}: put last, in the order of their names")
    if len(visits) == 1:
        notes.append("one visit only: a history begins with the second")
    notes += _channel_notes(described, visits)
    marks = judged(visits, described)
    signs = [{"visit": one.visit.name, "kind": s.kind, "words": s.words} for one in marks for s in one.signs]
    head = {"name": described.name, "file": str(chosen), "sha256": sha256}
    return {"hood": head, "rule": _rule(), "visits": [_row(one) for one in marks], "signs": signs, "notes": notes}


def _digest(path: Path) -> str:
    """Return the file's SHA-256; its path where it can't be read, which is told later."""
    from hoodtrace.wire.trace import closed_trace

    try:
        return closed_trace(path).sha256
    except TraceError:
        return str(path)


def read_trace(path: Path, hood: Hood) -> ReadTrace:
    """Return the health of a trace's readings.

    Raises
    ------
    TraceError
        It can't be read, holds no good line, no `hello` of the board, or another protocol.
    """
    from hoodtrace.averaging.table import run_through
    from hoodtrace.calibration.health import HealthSession

    session = HealthSession(hood)
    run_through(session, path)
    return ReadTrace(_day(session), session.checked, session.zeros, session.repeats(path.name))


def _day(session: HealthSession) -> datetime.date | None:
    clocks = session.assembler.clocks
    if not clocks:
        return None
    return datetime.datetime.fromtimestamp(min(clock.utc_s for clock in clocks), datetime.UTC).date()


def _home(path: Path) -> Path:
    """Return the folder that a trace's visit lies in."""
    return path.parent.parent if path.parent.name == "traces" else path.parent


def _own_hood(path: Path, folder: Path) -> Path | None:
    """Return the hood file beside a trace (or in its visit's folder), never from outside `folder`."""
    places = [path.parent, _home(path)] if path.parent != folder else [path.parent]
    return next((place / "hood.toml" for place in places if (place / "hood.toml").is_file()), None)


def _visit_name(path: Path, folder: Path, day: datetime.date | None) -> str:
    """Return what a trace's visit is called: its folder below `folder`, else its day, else its own name."""
    home = _home(path)
    if home != folder and folder in home.parents:
        return home.relative_to(folder).as_posix()
    return day.isoformat() if day is not None else path.stem


def _newest(traces: Sequence[Path], own: dict[Path, Path | None], notes: list[str]) -> Path | None:
    """Return the hood file of the newest visit that has a good one."""
    from hoodtrace.physics.hood import read_hood

    files: dict[Path, list[Path]] = {}
    for path in traces:
        file = own[path]
        if file is not None:
            files.setdefault(file, []).append(path)
    good: dict[Path, str] = {}
    for file in files:
        try:
            good[file] = read_hood(file)[1]
        except HoodError as error:
            notes.append(f"not used: {error}")
    if not good:
        return None
    newest = max(good, key=lambda file: (max(_opened(path) for path in files[file]), str(file)))
    if len(set(good.values())) > 1:
        notes.append(f"the hood files of the visits differ: all are read with the newest, {newest}")
    return newest


def _opened(path: Path) -> str:
    """Return the first time of day in a trace's notes, empty where there is none; ISO times in UTC sort as text."""
    from hoodtrace.wire.decoder import Decoder
    from hoodtrace.wire.trace import blocks_of

    try:
        said = Decoder().feed(next(blocks_of(path), b"")).messages
    except TraceError:
        return ""
    return next((str(m.body["utc"]) for m in said if m.kind == "H" and "utc" in m.body), "")


def _of_this_hood(
    traces: Sequence[Path], own: dict[Path, Path | None], hood: Hood, sha256: str, notes: list[str]
) -> list[Path]:
    """Return the traces of this hood: another name or pipe in a visit's own file is another hood, which is said."""
    from hoodtrace.physics.hood import read_hood

    kept: list[Path] = []
    others: dict[str, list[str]] = {}
    for path in traces:
        file = own[path]
        try:
            other, other_sha256 = read_hood(file) if file is not None else (hood, sha256)
        except HoodError:
            other, other_sha256 = hood, sha256
        if other_sha256 == sha256 or (other.name == hood.name and other.pipe == hood.pipe):
            kept.append(path)
        else:
            others.setdefault(f'"{other.name}", bore {other.pipe.bore_mm:g} mm', []).append(path.name)
    for which, names in others.items():
        notes.append(
            f"different hoods are mixed: {len(names)} trace(s) of the hood {which} are left out ({names[0]}, ...); "
            f'this history is of "{hood.name}", bore {hood.pipe.bore_mm:g} mm'
        )
    return kept


def _visit(name: str, day: datetime.date | None, reads: list[tuple[str, ReadTrace]]) -> Visit:
    from hoodtrace.calibration.health_signs import Visit

    several = len(reads) > 1
    readings = [
        replace(each, name=f"{Path(trace).stem} {each.name}") if several else each
        for trace, read in reads
        for each in read.readings
    ]
    zeros = [zero for _, read in reads for zero in read.zeros]
    repeats = [group for _, read in reads for group in read.repeats]
    return Visit(name, day, tuple(readings), tuple(zeros), tuple(repeats))


def _channel_notes(hood: Hood, visits: Sequence[Visit]) -> list[str]:
    notes = []
    if hood.vane is None or hood.taps is None:
        missing = "[vane]" if hood.vane is None else "[taps]"
        notes.append(f"one channel only, the hood file has no {missing}: there is no ratio to watch")
    if hood.taps is None:
        notes.append("without taps there is no zero to watch either: only a new calibration can tell of drag")
    since = hood.calibration.date if hood.calibration is not None else None
    older = [visit.name for visit in visits if since is not None and visit.date is not None and visit.date < since]
    if older:
        notes.append(f"before the calibration of {since}, so not charted: {', '.join(older)}")
    return notes


def _rule() -> Row:
    from hoodtrace.calibration import chart
    from hoodtrace.calibration.health import RULE

    figures = {"weight": chart.WEIGHT, "limit": chart.LIMIT, "n_baseline": chart.N_BASELINE}
    figures |= {"within_rel": chart.WITHIN_REL, "between_rel": chart.BETWEEN_REL}
    return {"words": RULE, **figures}


def _row(one: Judged) -> Row:
    """Return a visit as it stands in the JSON: ratios and their limits as ratios, not as logarithms."""
    from hoodtrace.calibration.health import verdict

    visit = one.visit
    readings = []
    for each in visit.readings:
        row = asdict(each)
        row |= {"flow_m3h": m3h(row.pop("flow_m3_s")), "u_random_m3h": m3h(row.pop("u_random_m3_s"))}
        readings.append({key: round(v, 6) if isinstance(v, float) else v for key, v in row.items()})
    return {
        "visit": visit.name,
        "date": visit.date.isoformat() if visit.date is not None else None,
        "readings": readings,
        "ratio": {direction: _mark(mark) for direction, mark in one.marks.items()},
        "zero": None if one.zero is None else asdict(one.zero),
        "placement": None if one.placement is None else asdict(one.placement),
        "signs": [asdict(sign) for sign in one.signs],
        "verdict": verdict(one),
    }


def _mark(mark: Mark) -> Row:
    def ratio(value: float | None) -> float | None:
        return None if value is None or math.isinf(value) else round(math.exp(value), 6)

    mean = math.exp(mark.mean)
    return {
        "n": mark.n,
        "mean": ratio(mark.mean),
        "u_mean": round(mean * mark.u_mean, 6),
        "low_95": ratio(mark.mean - NORMAL_95 * mark.u_mean),
        "high_95": ratio(mark.mean + NORMAL_95 * mark.u_mean),
        "average": ratio(mark.average),
        "level": ratio(mark.centre),
        "low": ratio(mark.low),
        "high": ratio(mark.high),
        "in_baseline": mark.in_baseline,
        "alarm": mark.alarm,
        "irregular": mark.irregular,
    }
