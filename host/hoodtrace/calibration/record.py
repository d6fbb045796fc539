"""The calibration record: all that a calibration found, as numbers and words.

No drawing and no clock: dates are given in. A record is people's side of the calibration, so flows are in m3/h.
Every number in it is finite, but for degrees of freedom (`inf`; null in JSON). It is made by the user of the hood and
says so (`MADE_BY`), wherever it is shown.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, is_dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, TypeAdapter, ValidationError

from hoodtrace.calibration.points import Point
from hoodtrace.errors import FileError, MeasurementError
from hoodtrace.units import m3h

MADE_BY = "made by the user, not an accredited calibration"
FORMAT = 1
DIGITS = 6  # significant digits of a number in JSON: ten thousand times finer than any uncertainty here

Direction = Literal["supply", "extract"]
Channel = Literal["vane", "taps"]
DegreesOfFreedom = Annotated[float, BeforeValidator(lambda value: math.inf if value is None else value)]


@dataclass(frozen=True, slots=True)
class HoodWords:
    """The hood that was calibrated: its name as the user typed it, bore and length, mm."""

    name: str
    bore_mm: float
    length_mm: float


@dataclass(frozen=True, slots=True)
class Signal:
    """What one channel said at one point.

    `speed_m_s` and its random standard uncertainty; `factor` is the k (vane) or c (taps) of this point alone: reference
    flow / (area * speed); `residual_rel` the reference flow's distance from the fit over the fit, positive where the
    hood reads too little; `half_rel` the 95 % half-width of that by the point's own errors, not the shared ones.
    """

    speed_m_s: float
    u_speed_m_s: float
    factor: float
    residual_rel: float
    half_rel: float


@dataclass(frozen=True, slots=True)
class RecordPoint:
    """One point: the reference's flow at the hood's air, m3/h, its own and its shared relative standard uncertainty."""

    number: int
    direction: Direction
    kind: str
    flow_m3h: float
    u_own_rel: float
    u_common_rel: float
    vane: Signal | None
    taps: Signal | None


@dataclass(frozen=True, slots=True)
class Band:
    """The factor over flow, reference flow / (area * speed) by the fit, with its 95 % half-width; equal lengths."""

    flow_m3h: tuple[float, ...]
    factor: tuple[float, ...]
    half: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SecondTerm:
    """A second constant that the data earned: `d_offset` in m/s (vane) or `exponent` n (taps).

    `value` with standard uncertainty `u`; `r` its correlation with the factor.
    """

    name: Literal["d_offset", "exponent"]
    value: float
    u: float
    r: float


@dataclass(frozen=True, slots=True)
class Fit:
    """The constants of one channel in one direction: `factor` is k (vane) or c (taps).

    `range_m3h` is the lowest and highest flow that the calibration speaks for. `lack_of_fit` and `leave_one_out`
    are whole sentences.
    """

    direction: Direction
    channel: Channel
    factor: float
    u_factor_rel: float
    dof: DegreesOfFreedom
    second: SecondTerm | None
    range_m3h: tuple[float, float]
    band: Band
    lack_of_fit: str
    leave_one_out: str

    @property
    def symbol(self) -> str:
        """The factor's letter: k or c."""
        return "k" if self.channel == "vane" else "c"

    @property
    def within_rel(self) -> float:
        """Widest relative 95 % half-width of the factor inside the range: the fit's part of a reading's error."""
        low, high = self.range_m3h
        inside = [
            half / factor
            for flow, factor, half in zip(self.band.flow_m3h, self.band.factor, self.band.half, strict=True)
            if low <= flow <= high
        ]
        return max(inside)


@dataclass(frozen=True, slots=True)
class Term:
    """One contribution to a reference's error, in words, and its relative standard uncertainty: least and most."""

    words: str
    u_rel_least: float
    u_rel_most: float


@dataclass(frozen=True, slots=True)
class Reference:
    """A kind of reference, the numbers of the points that used it, what its uncertainty is made of."""

    kind: str
    points: tuple[int, ...]
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Conditions:
    """The air during the calibration: temperature C, pressure Pa, relative humidity 0 to 1; None where not known."""

    temp_c: float | None
    pressure_pa: float | None
    humidity_rel: float | None


@dataclass(frozen=True, slots=True)
class OtherDirection:
    """The direction that the fits leave out: not calibrated at all, or checked at one flow.

    `difference_rel` is (hood - reference) / reference at `flow_m3h` with the 95 % half-width `half_rel`.
    """

    direction: Direction
    state: Literal["checked", "not calibrated"]
    flow_m3h: float | None = None
    difference_rel: float | None = None
    half_rel: float | None = None

    @property
    def words(self) -> str:
        """What is known of it, in a sentence or two."""
        if self.state == "not calibrated" or self.flow_m3h is None or self.difference_rel is None:
            return f"The other direction, {self.direction}, was not calibrated and not checked."
        way = "more" if self.difference_rel >= 0.0 else "less"
        half = f" (± {100.0 * self.half_rel:.1f} %)" if self.half_rel is not None else ""
        apart = self.half_rel is not None and abs(self.difference_rel) > self.half_rel
        needs = " That is more than errors explain: this direction needs a calibration of its own." if apart else ""
        return (
            f"The other direction, {self.direction}, was only checked, at {self.flow_m3h:.1f} m³/h: "
            f"there the hood read {100.0 * abs(self.difference_rel):.1f} %{half} {way} than the reference.{needs}"
        )


@dataclass(frozen=True, slots=True)
class Trace:
    """A trace that the points were read from: file name and SHA-256."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """A point that was taken out, and why."""

    number: int
    why: str


@dataclass(frozen=True, slots=True)
class Record:
    """A whole calibration; `other` is None where both directions have fits of their own.

    Raises
    ------
    MeasurementError
        A number is NaN or infinite, or a fit has no band inside its range: nothing of that kind is written down.
    """

    hood: HoodWords
    method: str
    date: datetime.date
    due: datetime.date
    points: tuple[RecordPoint, ...]
    fits: tuple[Fit, ...]
    other: OtherDirection | None
    references: tuple[Reference, ...]
    conditions: Conditions
    traces: tuple[Trace, ...]
    software: str
    dropped: tuple[Dropped, ...] = ()

    def __post_init__(self) -> None:
        for path, value in _numbers("", self):
            if not math.isfinite(value) and not (path.endswith(".dof") and value > 0.0):
                raise MeasurementError(f"the calibration's {path} is {value}, not a number. Look at its points.")
        for fit in self.fits:
            low, high = fit.range_m3h
            if not any(low <= flow <= high for flow in fit.band.flow_m3h):
                raise MeasurementError(f"no band of {fit.symbol} between {low:g} and {high:g} m3/h. Add points there.")

    @property
    def directions(self) -> tuple[Direction, ...]:
        """The directions with a fit of their own, in the order of the fits."""
        return tuple(dict.fromkeys(fit.direction for fit in self.fits))

    @property
    def other_words(self) -> str:
        """One sentence: was the other direction calibrated, checked, or neither."""
        if self.other is None:
            return "Both directions, supply and extract, were calibrated, each on its own."
        return self.other.words

    def as_json(self) -> str:
        """Return the record as JSON text: keys in a fixed order, numbers to six digits, no NaN.

        The same record gives the same bytes.
        """
        content = {"format": FORMAT, "made_by": MADE_BY, **_rounded(asdict(self))}
        return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1, default=_iso) + "\n"


def from_json(text: str, path: Path | str) -> Record:
    """Return the record that `as_json` wrote as `text`; `path` is what messages call it.

    Raises
    ------
    FileError
        The text is not JSON, not a record of this format, or a key is missing, unknown or of the wrong kind.
    """
    try:
        content = json.loads(text)
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise FileError(path, f"is not a calibration record of format {FORMAT}. Is it the right file?")
        inner = {key: value for key, value in content.items() if key not in ("format", "made_by")}
        record = TypeAdapter(Record).validate_json(json.dumps(inner))
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:5])
        raise FileError(path, f"{faults}. Take an unchanged copy of the record.") from error
    except MeasurementError as error:
        raise FileError(path, str(error)) from error
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"is not whole JSON ({error}). Take an unchanged copy of the record.") from error
    if json.loads(record.as_json()) != content:
        raise FileError(path, "holds keys or digits that no record has. Take an unchanged copy of the record.")
    return record


def references_of(points: list[Point]) -> tuple[Reference, ...]:
    """Return what the `points` used as references: each kind once, its terms with least and most, in order of use."""
    kinds = dict.fromkeys(point.reference.kind for point in points)
    return tuple(_reference(kind, [p for p in points if p.reference.kind == kind]) for kind in kinds)


def _reference(kind: str, points: list[Point]) -> Reference:
    words = dict.fromkeys(word for point in points for word in point.reference.terms)
    sizes = {word: [p.reference.terms[word] for p in points if word in p.reference.terms] for word in words}
    terms = tuple(Term(word, min(size), max(size)) for word, size in sizes.items())
    return Reference(kind, tuple(point.number for point in points), terms)


def record_point(point: Point, vane: Signal | None, taps: Signal | None) -> RecordPoint:
    """Return `point` as the record keeps it, with what each channel said there."""
    reference = point.reference
    common = math.hypot(*(each.u_rel for each in reference.common))
    own = reference.u_own_m3_s / reference.flow_m3_s
    direction: Direction = "extract" if point.direction == "extract" else "supply"
    return RecordPoint(point.number, direction, reference.kind, m3h(reference.flow_m3_s), own, common, vane, taps)


def _numbers(path: str, value: Any) -> Iterator[tuple[str, float]]:
    if isinstance(value, float):
        yield path.removeprefix("."), value
    elif is_dataclass(value):
        for each in fields(value):
            yield from _numbers(f"{path}.{each.name}", getattr(value, each.name))
    elif isinstance(value, tuple):
        for index, each in enumerate(value):
            yield from _numbers(f"{path}[{index}]", each)


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(each) for each in value]
    return value


def _iso(value: object) -> str:
    assert isinstance(value, datetime.date)
    return value.isoformat()
