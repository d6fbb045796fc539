"""From points to what a calibration says: fits of each direction and channel, the check of the other direction, the
record and the hood file's new constants.

A direction with three points or more is fitted, one with fewer is only checked against the other's fit. Nothing is
read or written here; the date is given in.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hoodtrace.averaging.budget import coverage_factor
from hoodtrace.calibration import record as rec
from hoodtrace.calibration.fit import SPREAD_LEAST, fit_taps, fit_vane
from hoodtrace.calibration.fit_checks import N_LEAST, WrongUnits
from hoodtrace.calibration.fit_result import TapsFit, VaneFit
from hoodtrace.calibration.hood_text import TomlValue
from hoodtrace.calibration.points import Point
from hoodtrace.errors import MeasurementError
from hoodtrace.physics.air import Air
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h

METHOD = "held readings against references, fitted with errors in both axes, shared errors kept apart"
UNLIKE = 3.0
"""Standard uncertainties apart from which new constants are asked about (own choice)."""
DIRECTIONS: tuple[rec.Direction, ...] = ("supply", "extract")


@dataclass(frozen=True, slots=True)
class Fits:
    """The fits of one direction; `notes` say why a channel has none, or what was left out."""

    direction: rec.Direction
    vane: VaneFit | None
    taps: TapsFit | None
    notes: tuple[str, ...]

    @property
    def first(self) -> VaneFit | TapsFit:
        """The vane's fit, or the taps' where there is none."""
        fit = self.vane if self.vane is not None else self.taps
        assert fit is not None
        return fit


def fits_of(points: Sequence[Point], hood: Hood, direction: rec.Direction) -> Fits:
    """Return the fits of the points of one direction.

    Raises
    ------
    MeasurementError
        Neither channel can be fitted; the reason is the vane's, else the taps'. One channel whose units are wrong is
        enough.
    """
    mine = [point for point in points if point.direction == direction]
    flows = [point.reference.flow_m3_s for point in mine]
    if len(mine) >= N_LEAST and max(flows) < SPREAD_LEAST * min(flows):
        raise MeasurementError(
            f"all {len(mine)} points of {direction} are at one flow, {m3h(min(flows)):.1f} to {m3h(max(flows)):.1f} "
            "m3/h: nothing tells what the hood does at another. Add points at half and at twice that flow"
        )
    vane, taps, notes, why = None, None, [], []
    if hood.vane is not None:
        try:
            vane = fit_vane(mine, hood.area_m2)
            table = hood.vane_for(direction)
            if table is not None and table.offset_m_s + vane.d_offset_m_s < 0.0:
                vane = fit_vane(mine, hood.area_m2, second_term=False)
                notes.append("a second term of the vane was left out: it would let the vane turn in still air")
        except WrongUnits:
            raise
        except MeasurementError as error:
            why.append(str(error))
    if hood.taps is not None:
        try:
            taps = fit_taps(mine, hood.area_m2)
        except WrongUnits:
            raise
        except MeasurementError as error:
            why.append(str(error))
    if vane is None and taps is None:
        raise MeasurementError(why[0] if why else "the hood file has no channel to calibrate")
    notes += _unlike_before(vane, taps, hood, direction)
    return Fits(direction, vane, taps, (*notes, *why))


def _unlike_before(vane: VaneFit | None, taps: TapsFit | None, hood: Hood, direction: str) -> list[str]:
    """Say where the new constants are farther from the hood file's than both uncertainties explain."""
    notes = []
    for fit, table, symbol in ((vane, hood.vane_for(direction), "k"), (taps, hood.taps_for(direction), "c")):
        if fit is None or table is None:
            continue
        flow = fit.middle_m3_s
        new = flow / (fit.area_m2 * fit.signal_m_s(flow))
        old = getattr(table, symbol)
        u_rel = math.hypot(fit.u_at_rel(flow), getattr(table, f"u_{symbol}_rel"))
        if abs(new / old - 1.0) > UNLIKE * u_rel:
            notes.append(
                f"{symbol} is {new:.3f} now, and {old:.3f} in the hood file that this began with, which is more than "
                "both uncertainties explain: was the hood changed, or is a unit, the bore or a reference wrong?"
            )
    return notes


def all_fits(points: Sequence[Point], hood: Hood) -> tuple[Fits, ...]:
    """Return the fits of each direction that has points enough.

    Raises
    ------
    MeasurementError
        There is none, and why.
    """
    n_of = {direction: sum(point.direction == direction for point in points) for direction in DIRECTIONS}
    enough = [direction for direction in DIRECTIONS if n_of[direction] >= N_LEAST]
    if not enough:
        most = max(DIRECTIONS, key=lambda direction: n_of[direction])
        fits_of(points, hood, most)  # says what one or two points can give
    return tuple(fits_of(points, hood, direction) for direction in enough)


def other_direction(points: Sequence[Point], fits: Sequence[Fits]) -> rec.OtherDirection | None:
    """Return what is known of the direction without fits: checked at the point that differs most, or nothing."""
    if len(fits) == len(DIRECTIONS):
        return None
    other: rec.Direction = "extract" if fits[0].direction == "supply" else "supply"
    worst: tuple[float, float, float] | None = None
    for point in points:
        seen = None
        if point.direction == other:
            seen = _compared(point, fits[0])
        if seen is not None and (worst is None or abs(seen[1]) / seen[2] > abs(worst[1]) / worst[2]):
            worst = seen
    if worst is None:
        return rec.OtherDirection(other, "not calibrated")
    return rec.OtherDirection(other, "checked", *worst)


def agrees(other: rec.OtherDirection | None) -> bool:
    """Whether the other direction was checked and lies within the check's 95 % half-width."""
    return (
        other is not None
        and other.difference_rel is not None
        and other.half_rel is not None
        and abs(other.difference_rel) <= other.half_rel
    )


def _compared(point: Point, fits: Fits) -> tuple[float, float, float] | None:
    """Flow m3/h, (hood - reference) / reference, and its 95 % half-width, of the channel that is farther off.

    What point and fit share (the same bag) cancels; the scatter that the fit found counts for this point too.
    """
    found = []
    flow = point.reference.flow_m3_s
    pairs = [(fits.vane, point.vane_m_s, point.u_vane_m_s), (fits.taps, point.taps_m_s, point.u_taps_m_s)]
    for fit, signal, u_signal in pairs:
        if fit is None or signal is None or u_signal is None:
            continue
        off_rel = fit.flow_m3_s(signal).flow_m3_s / flow - 1.0
        slope = fit.slope(flow)
        mine = {each.name: each.u_rel for each in point.reference.common}
        mine |= {each.name: each.u_rel for each in point.taps_common} if isinstance(fit, TapsFit) else {}
        shared = dict(zip((each.name for each in fit.common), (slope @ fit.by_common).tolist(), strict=True))
        u_common = math.hypot(*(shared.get(name, 0.0) - mine.get(name, 0.0) for name in {*shared, *mine}))
        u_fit = math.sqrt(float(slope @ fit.covariance_own @ slope) + float(slope @ fit.by_open) ** 2)
        own = math.hypot(point.reference.u_own_m3_s / flow, u_signal / signal, fit.scatter_rel)
        half = coverage_factor(fit.dof_least) * math.hypot(u_common, u_fit, own)
        found.append((m3h(flow), off_rel, half))
    return max(found, key=lambda each: abs(each[1]) / each[2], default=None)


def make_record(
    points: Sequence[Point],
    fits: Sequence[Fits],
    hood: Hood,
    airs: Sequence[Air],
    traces: Sequence[rec.Trace],
    date: datetime.date,
    due: datetime.date,
    software: str,
    dropped: Mapping[int, str],
) -> rec.Record:
    """Return the record of a calibration.

    Parameters
    ----------
    points, fits
        All points, and their `all_fits`.
    hood : Hood
        The hood file that the session began with.
    airs : sequence of Air
        One a point.
    traces : sequence of Trace
    date, due : date
    software : str
        Name and version.
    dropped : mapping
        Points that were taken out, and why.
    """
    return rec.Record(
        rec.HoodWords(hood.name, hood.pipe.bore_mm, hood.pipe.length_mm),
        METHOD,
        date,
        due,
        tuple(rec.record_point(p, *(_signal(p, f, hood) for f in _fits_for(p, fits))) for p in points),
        tuple(_record_fit(each.direction, fit) for each in fits for fit in (each.vane, each.taps) if fit is not None),
        other_direction(points, fits),
        rec.references_of(list(points)),
        rec.Conditions(*(sum(column) / len(airs) for column in _columns(airs))),
        tuple(traces),
        software,
        tuple(rec.Dropped(number, why) for number, why in sorted(dropped.items())),
    )


def hood_changes(
    fits: Sequence[Fits], other: rec.OtherDirection | None, hood: Hood, said: Mapping[str, TomlValue]
) -> dict[str, TomlValue | None]:
    """Return the new keys of the hood file by their dotted paths; `said` are those of its [calibration] table."""
    changes: dict[str, TomlValue | None] = {f"calibration.{key}": value for key, value in said.items()}
    directions: list[str] = [each.direction for each in fits]
    if other is not None and agrees(other):
        directions.append(other.direction)
    if len(directions) > len(fits) or fits[0].direction == "extract":
        for table in ("vane", "taps"):
            for key in _CONSTANTS[table]:
                changes[f"{table}.extract.{key}"] = None  # the plain table's then count for extract too
    changes["directions"] = sorted(directions, reverse=True)
    for i, each in enumerate(fits):
        under = "" if i == 0 else ".extract"
        if each.vane is not None:
            changes |= {f"vane{under}.{key}": value for key, value in _vane_keys(each, hood).items()}
        if each.taps is not None:
            changes |= {f"taps{under}.{key}": value for key, value in _taps_keys(each.taps).items()}
    if other is not None and agrees(other):
        changes |= _checked_keys(fits[0], other)
    first = fits[0]
    if first.vane is not None and first.taps is not None:
        changes["r_k_c"] = correlation(first.vane, first.taps)
    return changes


def correlation(vane: VaneFit, taps: TapsFit) -> float:
    """Return the correlation of the errors of the two channels' flows in the middle of their range, -1 to 1.

    It comes from what the references share and from the own errors of points that both fits use (by number): the
    reference's, the air's and the placement's are the same for both channels, so as much is taken for shared as the
    channel that scatters less has. In the middle, since that is where readings are: k and c themselves stand for a
    speed of infinity and of 1 m/s once there is a second term.

    References
    ----------
    JCGM 100:2008, F.1.2.3 (covariance of two results from common inputs).
    """
    flow = math.sqrt(max(vane.lowest_m3_s, taps.lowest_m3_s) * min(vane.highest_m3_s, taps.highest_m3_s))
    of_vane, of_taps = vane.slope(flow), taps.slope(flow)
    by_vane, by_taps = of_vane @ vane.gain, of_taps @ taps.gain
    covariance = 0.0
    for i, common in enumerate(vane.common):
        for j, same in enumerate(taps.common):
            if same.name == common.name:
                covariance += float((by_vane @ vane.shared[:, i]) * (by_taps @ taps.shared[:, j]))
    for i, number in enumerate(vane.numbers):
        if number in taps.numbers:
            j = taps.numbers.index(number)
            u_rel = min(float(vane.u_own_rel[i]), float(taps.u_own_rel[j]))
            covariance += float(by_vane[i] * by_taps[j]) * u_rel**2
    variances = float(of_vane @ vane.covariance @ of_vane) * float(of_taps @ taps.covariance @ of_taps)
    return max(-1.0, min(1.0, covariance / math.sqrt(variances)))


_CONSTANTS = {
    "vane": ("k", "u_k_rel", "dof_k", "offset_m_s", "u_offset_m_s", "r_k_offset", "range_m3h"),
    "taps": ("c", "u_c_rel", "dof_c", "exponent", "u_exponent", "r_c_exponent", "range_m3h"),
}


def _checked_keys(fits: Fits, other: rec.OtherDirection) -> dict[str, TomlValue | None]:
    """Return larger uncertainties for the direction that was only checked, and the fit's own for the one that has it.

    A check shows no more than how far apart the two may be. The plain tables are supply's; so where extract has the
    fit, it is supply that gets the larger ones. A correlation goes down as the uncertainty goes up.
    """
    assert other.difference_rel is not None
    assert other.half_rel is not None
    apart_rel = math.hypot(other.difference_rel, other.half_rel / 2.0)
    keys: dict[str, TomlValue | None] = {}
    known, wide = ("", ".extract") if fits.direction == "supply" else (".extract", "")
    for table, u_key, r_key, fit in (
        ("vane", "u_k_rel", "r_k_offset", fits.vane),
        ("taps", "u_c_rel", "r_c_exponent", fits.taps),
    ):
        if fit is None:
            continue
        u_wide = math.hypot(fit.u_rel, apart_rel)
        keys |= {f"{table}{known}.{u_key}": fit.u_rel, f"{table}{known}.{r_key}": fit.r_second}
        keys |= {f"{table}{wide}.{u_key}": u_wide, f"{table}{wide}.{r_key}": fit.r_second * fit.u_rel / u_wide}
    return keys


def _vane_keys(fits: Fits, hood: Hood) -> dict[str, TomlValue | None]:
    fit, table = fits.vane, hood.vane_for(fits.direction)
    assert fit is not None
    assert table is not None
    values = (
        fit.k,
        fit.u_k_rel,
        fit.dof_least,
        table.offset_m_s + fit.d_offset_m_s,
        fit.u_offset_m_s,
        fit.r_k_offset,
        _range_m3h(fit),
    )
    return dict(zip(_CONSTANTS["vane"], values, strict=True))


def _taps_keys(fit: TapsFit) -> dict[str, TomlValue | None]:
    values = (fit.c, fit.u_c_rel, fit.dof_least, fit.exponent, fit.u_exponent, fit.r_c_exponent, _range_m3h(fit))
    return dict(zip(_CONSTANTS["taps"], values, strict=True))


def _range_m3h(fit: VaneFit | TapsFit) -> list[float]:
    return [m3h(fit.lowest_m3_s), m3h(fit.highest_m3_s)]


def _fits_for(point: Point, fits: Sequence[Fits]) -> tuple[VaneFit | None, TapsFit | None]:
    mine = next((each for each in fits if each.direction == point.direction), None)
    return (None, None) if mine is None else (mine.vane, mine.taps)


def _signal(point: Point, fit: VaneFit | TapsFit | None, hood: Hood) -> rec.Signal | None:
    if fit is None or point.number not in fit.numbers:
        return None
    i = fit.numbers.index(point.number)
    vane = isinstance(fit, VaneFit)
    speed, u_speed = (point.vane_m_s, point.u_vane_m_s) if vane else (point.taps_m_s, point.u_taps_m_s)
    assert speed is not None
    assert u_speed is not None
    factor = point.reference.flow_m3_s / (hood.area_m2 * speed)
    half = coverage_factor(float(fit.dof_own)) * float(fit.u_own_rel[i])
    return rec.Signal(speed, u_speed, factor, fit.residuals_rel[i], half)


def _record_fit(direction: rec.Direction, fit: VaneFit | TapsFit) -> rec.Fit:
    band = fit.k_over_flow()
    vane = isinstance(fit, VaneFit)
    second = None
    if fit.earned and isinstance(fit, VaneFit):
        second = rec.SecondTerm("d_offset", fit.d_offset_m_s, fit.u_offset_m_s, fit.r_k_offset)
    elif fit.earned and isinstance(fit, TapsFit):
        second = rec.SecondTerm("exponent", fit.exponent, fit.u_exponent, fit.r_c_exponent)
    return rec.Fit(
        direction,
        "vane" if vane else "taps",
        fit.k if isinstance(fit, VaneFit) else fit.c,
        fit.u_rel,
        fit.dof,
        second,
        (m3h(fit.lowest_m3_s), m3h(fit.highest_m3_s)),
        rec.Band(
            tuple(m3h(float(flow)) for flow in band.flow_m3_s),
            tuple(band.factor.tolist()),
            tuple((0.5 * (band.high - band.low)).tolist()),
        ),
        _sentence(fit.lack_of_fit),
        f"Without any one point the flow moves by {100.0 * abs(fit.most_change_rel):.1f} % at most (point "
        f"{fit.most_change_number}).",
    )


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _columns(airs: Sequence[Air]) -> tuple[list[float], list[float], list[float]]:
    return [a.temp_c for a in airs], [a.pressure_pa for a in airs], [a.rh_pct / 100.0 for a in airs]
