"""Pipe traverse: where to hold the probe in a round pipe, and the mean flow from its readings.

Positions are log-Tchebycheff (6, 8, 10 a diameter) or log-linear (4), equal weights. The rules are exact for no real
profile: their error for turbulent and, where the flow can be laminar, for laminar profiles is worked out here and
stays in the budget. Shared by all points: probe calibration, pipe bore, rule, blockage, asymmetry of the profile. New
in each point: the noise of the readings and where the probe was held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hoodtrace.calibration.hood_expect import reynolds
from hoodtrace.calibration.points import Common, ReferenceFlow
from hoodtrace.calibration.references import (
    Calibration,
    checked,
    checked_density,
    excess,
    reference,
    stated,
)
from hoodtrace.errors import MeasurementError, UsageError
from hoodtrace.physics.air import Air

HALVES = {
    4: (0.043, 0.290),
    6: (0.032, 0.135, 0.321),
    8: (0.021, 0.117, 0.184, 0.345),
    10: (0.019, 0.077, 0.153, 0.217, 0.361),
}
"""Points a diameter -> y/D from the near wall over one radius; the other half mirrors them. ISO 3966 log-Tchebycheff 6,
8, 10 (seen in two secondary publications), log-linear 4 (memory)."""

LAMINAR_BELOW_RE = 4000.0
"""Below this the profile can be laminar (transition from about 2300; memory)."""

TURBULENT_N = (5.0, 7.0, 10.0)
"""Power laws (2 y/D)^(1/n) that a turbulent profile at our Reynolds numbers may follow."""

BLOCKED_FROM = 0.02
"""Probe diameter over bore from which a probe disturbs what it measures (ISO 3966; memory)."""

U_ASYMMETRY_ONE_DIAMETER = 0.01
"""Relative standard uncertainty for the asymmetry that one diameter cannot show (common practice, no source)."""

LOWEST_M3_S, HIGHEST_M_S = 60.0 / 3600.0, 30.0


@dataclass(frozen=True, slots=True)
class TraversePipe:
    """A round pipe and a probe; `u_reading_m_s` is one reading's noise, `u_position_mm` that of one place."""

    bore_mm: float
    u_bore_mm: float
    probe_mm: float
    calibration: Calibration
    u_reading_m_s: float
    u_position_mm: float = 0.5
    n_points: int = 8
    n_diameters: int = 2
    kind: str = "pipe traverse"

    @property
    def area_m2(self) -> float:
        """Cross-section of the pipe."""
        return math.pi / 4.0 * (self.bore_mm / 1000.0) ** 2

    def limits_m3_s(self, air: Air) -> tuple[float, float]:
        """From 60 m3/h, and ten times the noise of one reading, to a mean of 30 m/s (common practice, no source)."""
        return max(LOWEST_M3_S, 10.0 * self.u_reading_m_s * self.area_m2), HIGHEST_M_S * self.area_m2

    def u_rel_at(self, flow_m3_s: float, air: Air) -> float:
        """Relative standard uncertainty for the 1/7 law seen alike on all diameters; infinite where not valid."""
        low, high = self.limits_m3_s(air)
        if not low <= flow_m3_s <= high:
            return math.inf
        rows = [[_power_law(y, 7.0) for y in positions_rel(self.n_points)] for _ in range(self.n_diameters)]
        mean = math.fsum(rows[0]) / self.n_points
        speed_m_s = flow_m3_s / self.area_m2
        return traverse(self, [[speed_m_s * v / mean for v in row] for row in rows], air).u_rel


def positions_rel(n_points: int) -> tuple[float, ...]:
    """Positions y/D from the wall over a whole diameter, for 4, 6, 8 or 10 points of equal weight 1/n.

    Examples
    --------
    >>> positions_rel(4)
    (0.043, 0.29, 0.71, 0.957)
    """
    if n_points not in HALVES:
        raise UsageError(f"{n_points} points a diameter: there is a rule for {', '.join(map(str, HALVES))}; choose one")
    half = HALVES[n_points]
    return half + tuple(round(1.0 - y, 3) for y in reversed(half))


def positions_mm(bore_mm: float, n_points: int, probe_mm: float = 0.0) -> tuple[float, ...]:
    """Positions of the probe's axis in mm from the wall, for the user's bore.

    Parameters
    ----------
    bore_mm : float
        Inner diameter of the pipe, mm.
    n_points : int
        4, 6, 8 or 10 points a diameter.
    probe_mm : float
        Thickness of the probe, mm; a position nearer to a wall than half of it cannot be reached.

    Raises
    ------
    UsageError
        No such rule, or a bore that looks like another unit.
    MeasurementError
        The probe is too thick for this rule in this pipe.

    Examples
    --------
    >>> [round(y, 1) for y in positions_mm(100.0, 6)]
    [3.2, 13.5, 32.1, 67.9, 86.5, 96.8]
    """
    hint = f"Were metres meant ({bore_mm:g} m is {1000 * bore_mm:g} mm)?"
    checked("the pipe's bore", bore_mm, "mm", 20.0, 2000.0, hint)
    checked("the probe's thickness", probe_mm, "mm", 0.0, 100.0)
    places = tuple(y * bore_mm for y in positions_rel(n_points))
    if places[0] < probe_mm / 2.0:
        fits = [n for n, half in HALVES.items() if half[0] * bore_mm >= probe_mm / 2.0]
        raise MeasurementError(
            f"a probe of {probe_mm:g} mm cannot be held {places[0]:.1f} mm from the wall (rule of {n_points} points in "
            f"{bore_mm:g} mm): its own half thickness is {probe_mm / 2.0:g} mm; take a thinner probe, a wider pipe"
            + (f", or {' or '.join(map(str, fits))} points" if fits else "")
        )
    return places


def rule_error_rel(n_points: int, laminar: bool, n: float = 7.0) -> float:
    """Error of a rule for a known profile, relative to the true mean.

    Parameters
    ----------
    n_points : int
        4, 6, 8 or 10.
    laminar : bool
        True for the laminar parabola, False for the power law (2 y/D)^(1/n).
    n : float
        Exponent's inverse for the power law.

    References
    ----------
    Mean of the power law over a round pipe 2 n^2 / ((n + 1) (2 n + 1)), of the parabola 1/2: exact integrals.

    Examples
    --------
    >>> round(100.0 * rule_error_rel(6, laminar=True), 2)
    -2.48
    """
    places = positions_rel(n_points)
    if laminar:
        return math.fsum(4.0 * y * (1.0 - y) for y in places) / n_points / 0.5 - 1.0
    true = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
    return math.fsum(_power_law(y, n) for y in places) / n_points / true - 1.0


def u_rule_rel(n_points: int, re_d: float) -> float:
    """Relative standard uncertainty of a rule: the largest error of the profiles possible at `re_d`, as a half-width.

    References
    ----------
    JCGM 100:2008, 4.3.7 (rectangular distribution).

    Examples
    --------
    >>> u_rule_rel(6, 2000.0) > 5.0 * u_rule_rel(6, 20000.0)
    True
    """
    errors = [rule_error_rel(n_points, laminar=False, n=n) for n in TURBULENT_N]
    if re_d < LAMINAR_BELOW_RE:
        errors.append(rule_error_rel(n_points, laminar=True))
    return max(map(abs, errors)) / math.sqrt(3.0)


def best_rule(re_d: float) -> int:
    """Points a diameter whose rule errs least at `re_d`.

    Examples
    --------
    >>> best_rule(2000.0)
    8
    """
    return min(HALVES, key=lambda n: u_rule_rel(n, re_d))


def traverse(
    pipe: TraversePipe, readings_m_s: Sequence[Sequence[float]], air: Air, hood_density_kg_m3: float | None = None
) -> ReferenceFlow:
    """Flow at the hood's air from a traverse.

    Parameters
    ----------
    pipe : TraversePipe
        With its uncertainties.
    readings_m_s : sequence of 1 to 3 sequences of float
        One row a diameter, each with the readings of all positions in their order, m/s (> 0). The same number of
        points in each row.
    air : Air
        Air in the pipe.
    hood_density_kg_m3 : float, optional
        Density at the hood where it is not that of `air`.

    Raises
    ------
    UsageError
        No uncertainty, the wrong number of readings, or a number that looks like another unit.
    MeasurementError
        The probe is too thick for the rule.

    References
    ----------
    ISO 3966 (positions and weights); position and blockage terms are own derivations: slope of the steepest profile
    possible, and the share of the cross-section that the stem takes, as a half-width.

    Examples
    --------
    >>> from hoodtrace.physics.air import assumed_air
    >>> pipe = TraversePipe(100.0, 0.2, 2.0, Calibration(0.02), 0.03)
    >>> found = traverse(pipe, [[3.285, 2.903, 2.363, 2.363, 2.903, 3.285]], assumed_air(None))
    >>> round(3600.0 * found.flow_m3_s, 1)
    80.6
    """
    places_mm = _check(pipe, readings_m_s)
    n = len(places_mm)
    means = [math.fsum(row) / n for row in readings_m_s]
    speed_m_s = math.fsum(means) / len(means)
    if hood_density_kg_m3 is not None:
        checked_density(hood_density_kg_m3, "the hood's air density")
    ratio = 1.0 if hood_density_kg_m3 is None else air.density_kg_m3 / hood_density_kg_m3
    re_d = reynolds(speed_m_s, pipe.bore_mm / 1000.0, air)
    u_mean_m_s = pipe.u_reading_m_s / math.sqrt(n)
    own = {
        "noise of the readings": u_mean_m_s / math.sqrt(len(means)) / speed_m_s,
        "places of the probe": _u_place_rel(pipe, readings_m_s, re_d, places_mm, speed_m_s),
    }
    stem = pipe.probe_mm * pipe.bore_mm / 2.0 / (math.pi / 4.0 * pipe.bore_mm**2)  # mean over the positions
    common = [
        Common("calibration of the probe", pipe.calibration.u_rel, pipe.calibration.dof),
        Common(f"pipe of {pipe.bore_mm:g} mm", 2.0 * pipe.u_bore_mm / pipe.bore_mm),
        Common(f"traverse rule of {n} points", u_rule_rel(n, re_d)),
        Common("blockage by the probe", stem / math.sqrt(3.0)),
        _asymmetry(means, u_mean_m_s, speed_m_s),
    ]
    kept = [each for each in common if each.u_rel > 0.0]
    own = {name: u for name, u in own.items() if u > 0.0}
    warnings = _warnings(pipe, n, len(means), re_d, stem)
    return reference(pipe.kind, speed_m_s * pipe.area_m2 * ratio, own, math.inf, kept, warnings)


def _power_law(y_rel: float, n: float) -> float:
    return float((2.0 * min(y_rel, 1.0 - y_rel)) ** (1.0 / n))


def _check(pipe: TraversePipe, readings_m_s: Sequence[Sequence[float]]) -> tuple[float, ...]:
    if not 1 <= len(readings_m_s) <= 3:
        raise UsageError(f"{len(readings_m_s)} diameters: a traverse has one to three; type one row of readings each")
    n = len(readings_m_s[0])
    if any(len(row) != n for row in readings_m_s):
        counts = ", ".join(str(len(row)) for row in readings_m_s)
        raise UsageError(f"diameters with {counts} readings: all need the same number; type the missing ones")
    places_mm = positions_mm(pipe.bore_mm, n, pipe.probe_mm)
    for row in readings_m_s:
        for each in row:
            hint = f"Were feet a minute meant ({each:g} ft/min is {each * 0.3048 / 60.0:.3g} m/s)?"
            checked("a reading of the probe", each, "m/s", 0.02, 50.0, high_hint=hint)
    stated(pipe.calibration.u_rel, "the calibration of the probe")
    stated(pipe.u_bore_mm / pipe.bore_mm, "the pipe's bore")
    stated(pipe.u_reading_m_s / (math.fsum(readings_m_s[0]) / n), "a reading of the probe")
    checked("the uncertainty of a position", pipe.u_position_mm, "mm", 0.0, 20.0)
    return places_mm


def _u_place_rel(
    pipe: TraversePipe,
    readings_m_s: Sequence[Sequence[float]],
    re_d: float,
    places_mm: Sequence[float],
    speed_m_s: float,
) -> float:
    def slope(y_mm: float) -> float:  # d ln v / dy, 1/mm
        near = min(y_mm, pipe.bore_mm - y_mm)
        if re_d < LAMINAR_BELOW_RE:
            return (1.0 - 2.0 * near / pipe.bore_mm) / (near * (1.0 - near / pipe.bore_mm))
        return 1.0 / (min(TURBULENT_N) * near)

    parts = [v * slope(y) * pipe.u_position_mm for row in readings_m_s for v, y in zip(row, places_mm, strict=True)]
    return math.hypot(*parts) / len(parts) / speed_m_s


def _asymmetry(means: Sequence[float], u_mean_m_s: float, speed_m_s: float) -> Common:
    if len(means) == 1:
        return Common("asymmetry of the profile (one diameter)", U_ASYMMETRY_ONE_DIAMETER)
    u_m_s, dof = excess(means, u_mean_m_s)
    return Common("asymmetry of the profile", u_m_s / speed_m_s, dof)


def _warnings(pipe: TraversePipe, n_points: int, n_diameters: int, re_d: float, stem: float) -> list[str]:
    warnings = []
    if re_d < LAMINAR_BELOW_RE and n_points != best_rule(re_d):
        error = 100.0 * rule_error_rel(n_points, laminar=True)
        warnings.append(
            f"Re_D {re_d:.0f}: the flow can be laminar, and the rule of {n_points} points is then {error:+.1f} % off; "
            f"take {best_rule(re_d)} points"
        )
    if pipe.probe_mm > BLOCKED_FROM * pipe.bore_mm:
        warnings.append(
            f"a probe of {pipe.probe_mm:g} mm in {pipe.bore_mm:g} mm takes {100 * stem:.1f} % of the air's way on "
            f"average: it reads high; a probe up to {BLOCKED_FROM * pipe.bore_mm:.1f} mm does not count"
        )
    if n_diameters == 1:
        warnings.append("one diameter cannot show an asymmetric profile; a second one at right angles can")
    return warnings
