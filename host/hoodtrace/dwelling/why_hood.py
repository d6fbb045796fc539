"""The hood behind a reading: its calibration, its constants, its records, and how vane and taps stood in this visit.

Opens the calibration records that lie beside the hood file, nothing else. Never says that a hood is in order, only
that nothing was noticed.
"""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hoodtrace.averaging.session import Outcome
from hoodtrace.calibration.chart import WITHIN_REL
from hoodtrace.calibration.health_signs import UNLIKE
from hoodtrace.calibration.record import Record, from_json
from hoodtrace.errors import FileError
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h


@dataclass(frozen=True, slots=True)
class Beside:
    """Another reading of the visit: its id, what came out, and when it began (epoch s; None: not known)."""

    id: str
    outcome: Outcome
    utc_s: float | None


@dataclass(frozen=True, slots=True)
class Constant:
    """A number of the hood file as it counts for this direction; `dof` None: taken as known."""

    name: str
    value: float
    unit: str
    u: float | None = None
    dof: float | None = None


@dataclass(frozen=True, slots=True)
class Calibrated:
    """What the hood file says of its calibration; `overdue` at the reading's day (None: day or due date not known)."""

    date: str
    due: str
    method: str
    made_by: str
    record: str | None
    overdue: bool | None


@dataclass(frozen=True, slots=True)
class Ratio:
    """Vane flow over taps flow of one reading.

    `u_ratio` is the standard uncertainty of what differs between readings of a visit: the channels' own noise and the
    zero, not k and c. `this`: the reading that is looked at.
    """

    id: str
    utc_s: float | None
    direction: str
    flow_m3h: float
    ratio: float
    u_ratio: float
    this: bool


@dataclass(frozen=True, slots=True)
class RecordLine:
    """A channel's constant in a calibration record: k (vane) or c (taps) of `direction`."""

    symbol: str
    direction: str
    value: float
    u_rel: float
    dof: float | None
    range_m3h: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Earlier:
    """A calibration record beside the hood file; `named`: the one that the hood file's constants come from.

    `state` says in words whether it could be read, and whether it is unchanged. Without a readable record `date` is
    None and there are no lines.
    """

    file: str
    named: bool
    state: str
    date: str | None
    n_points: int
    lines: tuple[RecordLine, ...]


@dataclass(frozen=True, slots=True)
class HoodBehind:
    """The hood of a reading; `range_m3h` is where both channels that count are calibrated (None: not said)."""

    name: str
    sha256: str
    calibration: Calibrated | None
    range_m3h: tuple[float, float] | None
    constants: tuple[Constant, ...]
    in_this_visit: tuple[Ratio, ...]
    verdict: str
    before: tuple[Earlier, ...]


def hood_behind(
    hood: Hood, sha256: str, hood_file: Path, this: Beside, others: Sequence[Beside], share_vane: float | None
) -> HoodBehind:
    """Return what is known of the hood behind the reading `this`; `others` are those of the same visit."""
    direction = this.outcome.averaged.direction
    ratios = sorted(
        (row for each in (this, *others) if (row := _ratio(each, each is this)) is not None),
        key=lambda row: (row.utc_s is None, row.utc_s or 0.0, row.id),
    )
    return HoodBehind(
        hood.name,
        sha256,
        _calibrated(hood, this.utc_s),
        _range(hood, direction, share_vane),
        constants(hood, direction),
        tuple(ratios),
        ratio_words(ratios),
        earlier(hood, hood_file),
    )


def constants(hood: Hood, direction: str) -> tuple[Constant, ...]:
    """Return the constants of the hood file as they count for `direction`, with their standard uncertainties."""
    vane, taps, rows = hood.vane_for(direction), hood.taps_for(direction), []
    if vane is not None:
        rows.append(Constant("k", vane.k, "1", vane.u_k_rel * vane.k, vane.dof_k))
        rows.append(Constant("vane offset", vane.offset_m_s, "m/s", vane.u_offset_m_s or None))
        rows.append(Constant("vane gain", vane.gain_m_s_per_hz, "m/s per Hz"))
        rows.append(Constant("vane start speed", vane.start_m_s, "m/s"))
        if vane.response_length_m is not None:
            rows.append(Constant("vane response length", vane.response_length_m, "m"))
        if vane.r_k_offset:
            rows.append(Constant("correlation of k and offset", vane.r_k_offset, "1"))
    if taps is not None:
        rows.append(Constant("c", taps.c, "1", taps.u_c_rel * taps.c, taps.dof_c))
        rows.append(Constant("exponent", taps.exponent, "1", taps.u_exponent or None))
        if taps.r_c_exponent:
            rows.append(Constant("correlation of c and exponent", taps.r_c_exponent, "1"))
        rows.append(Constant("zero", taps.zero_pa, "Pa", taps.u_zero_pa))
    if vane is not None and taps is not None:
        rows.append(Constant("correlation of k and c", hood.r_k_c, "1"))
    if hood.placement is not None:
        rows.append(Constant("placement", 0.0, "of the flow", hood.placement.u_rel, hood.placement.dof))
    return tuple(rows)


def ratio_words(ratios: Sequence[Ratio]) -> str:
    """Say whether the ratio of the reading stands out from the others of its direction in the same visit.

    The others' mean is weighted by their uncertainties and the scatter that a sound hood has from reading to reading;
    more than 3 standard uncertainties away stands out (own choice, as in the hood's history).
    """
    this = next((row for row in ratios if row.this), None)
    if this is None:
        return "no ratio: only one channel counts in this reading"
    others = [row for row in ratios if not row.this and row.direction == this.direction]
    if not others:
        return "nothing to compare with: no other reading of this visit has both channels in this direction"
    weights = [1.0 / ((row.u_ratio / row.ratio) ** 2 + WITHIN_REL**2) for row in others]
    level = math.fsum(w * math.log(row.ratio) for w, row in zip(weights, others, strict=True)) / math.fsum(weights)
    apart = math.log(this.ratio) - level
    u = math.sqrt((this.u_ratio / this.ratio) ** 2 + WITHIN_REL**2 + 1.0 / math.fsum(weights))
    many = f"the {len(others)} others of this direction" if len(others) > 1 else "the other one of this direction"
    seen = (
        f"vane over taps is {this.ratio:.3f} here and {math.exp(level):.3f} in {many}: "
        f"{100.0 * math.expm1(apart):+.1f} %, {abs(apart) / u:.1f} standard uncertainties of the difference"
    )
    if abs(apart) <= UNLIKE * u:
        return f"nothing noticed: {seen}"
    return f"it stands out: {seen}. Look at vane, tubes and zero, and read again"


def earlier(hood: Hood, hood_file: Path) -> tuple[Earlier, ...]:
    """Return the calibration records of this hood beside its file, by date; the named one also where it is gone."""
    named = hood.calibration.record if hood.calibration is not None else None
    folder = hood_file.parent
    files = {path.name for path in folder.glob("calibration-*.json") if path.is_file()}
    if named is not None:
        files.add(named)
    rows = [_earlier(folder, name, hood, name == named) for name in sorted(files)]
    kept = [row for row in rows if row is not None]
    return tuple(sorted(kept, key=lambda row: (row.date is None, row.date or "", row.file)))


def _earlier(folder: Path, name: str, hood: Hood, named: bool) -> Earlier | None:
    """Return a record; None for another hood's, or one that nobody named and nobody can read."""

    def without(state: str) -> Earlier | None:
        return Earlier(name, named, state, None, 0, ()) if named else None

    if Path(name).name != name:
        return without("the hood file names no plain file name, so it is not looked for")
    try:
        content = (folder / name).read_bytes()
        record: Record = from_json(content.decode("utf-8"), folder / name)
    except OSError as error:
        return without(f"not found beside the hood file ({error.strerror})")
    except (FileError, UnicodeDecodeError) as error:
        return without(f"can't be read: {error}")
    if record.hood.name != hood.name and not named:
        return None
    state = "beside the hood file"
    if named:
        wanted = hood.calibration.record_sha256 if hood.calibration is not None else None
        same = wanted is not None and hashlib.sha256(content).hexdigest() == wanted
        state = "unchanged" if same else "its SHA-256 is not stated" if wanted is None else "changed since: SHA-256"
    lines = tuple(
        RecordLine(
            fit.symbol,
            fit.direction,
            fit.factor,
            fit.u_factor_rel,
            fit.dof if fit.dof < math.inf else None,
            fit.range_m3h,
        )
        for fit in record.fits
    )
    return Earlier(name, named, state, record.date.isoformat(), len(record.points), lines)


def _calibrated(hood: Hood, utc_s: float | None) -> Calibrated | None:
    one = hood.calibration
    if one is None:
        return None
    day = None if utc_s is None else datetime.datetime.fromtimestamp(utc_s, datetime.UTC).date()
    overdue = None if day is None else day > one.due
    return Calibrated(one.date.isoformat(), one.due.isoformat(), one.method, one.made_by, one.record, overdue)


def _range(hood: Hood, direction: str, share_vane: float | None) -> tuple[float, float] | None:
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    ranges = [
        vane.range_m3h if vane is not None and share_vane != 0.0 else None,
        taps.range_m3h if taps is not None and share_vane != 1.0 else None,
    ]
    known = [ends for ends in ranges if ends is not None]
    return (max(ends[0] for ends in known), min(ends[1] for ends in known)) if known else None


def _ratio(one: Beside, this: bool) -> Ratio | None:
    a = one.outcome.averaged
    pair = a.together
    if a.vane_m3_s is None or a.taps_m3_s is None or pair is None or (a.refusal is not None and not this):
        return None
    ratio = a.vane_m3_s / a.taps_m3_s
    # Near 1 the vane's noise and the taps' weigh alike, so that of the difference serves.
    u_ratio = ratio * math.hypot(pair.u_random_m3_s, pair.u_zero_m3_s) / a.taps_m3_s
    return Ratio(one.id, one.utc_s, a.direction, m3h(a.flow_m3_s), ratio, u_ratio, this)
