"""The sides of a house compared by mass: sums of terminals with honest uncertainties, supply against extract.

Readings come in as results of terminals with the temperature of their air. Errors that all readings share add up as
they are in a sum; between the sides they cancel where they have the same sign in both (the hood's scale) and add where
not (the zero: it raises supply and lowers extract, whose pressures have opposite signs). What is not known is taken as
the most it can be. Flows in m3/h at each terminal's own temperature, mass flows in kg/h. Pure: no file, no clock.

References: JCGM 100:2008 (GUM) 5.1.2, 5.2.2 (memory); the verdict is that of `dwelling.verdict`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from hoodtrace.averaging.budget import Term, Total, total
from hoodtrace.dwelling.compare_sums import sum_of
from hoodtrace.dwelling.plan import Direction, Rule
from hoodtrace.dwelling.result import Result
from hoodtrace.dwelling.verdict import Verdict, conformance, verdict
from hoodtrace.errors import UsageError
from hoodtrace.physics.air import STANDARD_PRESSURE_PA, Air, assumed_air, density_kg_m3, density_sensitivity
from hoodtrace.units import m3h

SAME_BOTH_WAYS = ("temperature and humidity", "pressure", "fluctuation in the log")
"""Terms shared by a visit that raise supply and extract alike; all others are taken as opposed (see `balance`)."""
AIR_SUPPLY, AIR_EXTRACT = "density of the supply air", "density of the extract air"

_Shared = list[tuple[Result, str]]


@dataclass(frozen=True, slots=True)
class Read:
    """A terminal's result, what it was read with, and the air's temperature there (None: not known).

    `hood_on`: the flow is that under the hood, which its back pressure makes lower than what the terminal has without.
    """

    terminal: str
    result: Result
    by: str = "hood"
    hood_on: bool = True
    temp_c: float | None = None
    u_temp_c: float = 1.0


@dataclass(frozen=True, slots=True)
class SideSum:
    """What was read on one side.

    `dof` None: infinite; `expanded_m3h` is the 95 % half-width. `unread` are terminals that are not in the sum,
    `air_assumed` those whose temperature was not known, `hood_on` those read under the hood.
    """

    direction: Direction
    reads: tuple[Read, ...]
    flow_m3h: float
    u_flow_m3h: float
    dof: float | None
    expanded_m3h: float
    mass_kg_h: float
    u_mass_kg_h: float
    unread: tuple[str, ...]
    air_assumed: tuple[str, ...]
    hood_on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Imbalance:
    """Supply minus extract [kg/h] (negative: more is drawn out), and the terminals that are not in it."""

    mass_kg_h: float
    u_mass_kg_h: float
    dof: float | None
    unread: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """Supply over extract by mass, and what it means against 1 +- `tolerance_rel`.

    `volume_ratio` is the same by volume. `u_common` is what stays of `u_ratio` however often terminals are read again,
    `u_needed` the largest uncertainty that would let this ratio be "within" (0: none would); `common_forbids`: the
    common part alone is larger. `settle` is the terminal whose next reading should decide an undecided verdict, empty
    where no single one would. With unread terminals the verdict is "undecided".
    """

    ratio: float
    u_ratio: float
    dof: float | None
    expanded_ratio: float
    volume_ratio: float
    u_common: float
    u_needed: float
    common_forbids: bool
    tolerance_rel: float
    verdict: Verdict
    settle: str
    unread: tuple[str, ...]


def side_sum(
    direction: Direction,
    reads: Sequence[Read],
    unread: Sequence[str] = (),
    pressure_pa: float = STANDARD_PRESSURE_PA,
    r_k_c: float = 0.0,
) -> SideSum:
    """Return the sum of one side; no reads at all is a flow of 0 without uncertainty (a house without that side).

    Parameters
    ----------
    direction : "supply" or "extract"
    reads : sequence of Read
    unread : sequence of str
        Terminals of this side without a usable reading.
    pressure_pa : float
        Barometric pressure, Pa; its error is common to both sides.
    r_k_c : float
        Correlation of the errors of k and c in the hood file.

    Raises
    ------
    UsageError
        A terminal twice.

    Notes
    -----
    The density that a pressure reading went by and the density here have one error with opposite effects; they are
    taken as independent, which is a little more than it can be.

    Examples
    --------
    >>> one = Result(30.0, 0.5, None, 1.0, 0.3, 1, (("air", 0.3, None, "reading"), ("k-factor", 0.4, None, "hood")))
    >>> found = side_sum("supply", [Read("S1", one, temp_c=16.0), Read("S2", one, temp_c=16.0)])
    >>> round(found.flow_m3h, 3), round(found.u_flow_m3h**2, 3), round(found.mass_kg_h, 1)
    (60.0, 0.82, 73.0)
    """
    names = [read.terminal for read in reads]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f"terminal {', '.join(twice)} stands twice in the {direction} sum: give one result of each")
    volume = sum_of([(read.result, read.by) for read in reads], r_k_c)
    mass = sum_of([_weighed(read, direction, 1.0, pressure_pa) for read in reads], r_k_c)
    return SideSum(
        direction,
        tuple(reads),
        math.fsum(read.result.flow_m3h for read in reads),
        m3h(volume.u_m3_s),
        _dof(volume),
        m3h(volume.expanded_m3_s),
        math.fsum(_mass_kg_h(read, pressure_pa) for read in reads),
        m3h(mass.u_m3_s),
        tuple(unread),
        tuple(read.terminal for read in reads if read.temp_c is None),
        tuple(read.terminal for read in reads if read.hood_on),
    )


def imbalance(
    supply: SideSum,
    extract: SideSum,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    one_scale: Collection[str] = ("hood",),
    r_k_c: float = 0.0,
) -> Imbalance:
    """Return supply minus extract by mass; parameters as in `balance`. A side without terminals is 0."""
    found = _between(supply, extract, (1.0, 1.0), pressure_pa, one_scale, r_k_c)
    gap = supply.mass_kg_h - extract.mass_kg_h
    return Imbalance(gap, m3h(found.u_m3_s), _dof(found), supply.unread + extract.unread)


def balance(
    supply: SideSum,
    extract: SideSum,
    rule: Rule,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    one_scale: Collection[str] = ("hood",),
    r_k_c: float = 0.0,
) -> Balance:
    """Return how supply stands against extract by mass flow.

    Parameters
    ----------
    supply, extract : SideSum
        Of one system (or of the dwelling), both with readings.
    rule : Rule
        `balance_rel` about equality, `risk` of a wrong verdict.
    pressure_pa : float
        Barometric pressure, Pa.
    one_scale : collection of str
        The meters whose scale is one and the same in both directions: its error cancels in the ratio. A hood with
        constants of its own for extract does not belong here, nor does a meter that nobody calibrated both ways: its
        error is then taken as common to each side and independent between them.
    r_k_c : float
        Correlation of the errors of k and c in the hood file.

    Raises
    ------
    UsageError
        A side without a flow above 0, or one in the other's place.

    Notes
    -----
    The ratio is judged, not the difference: there a scale error cancels whole, in the difference its part of the
    imbalance is left. Of the terms shared by a visit, `SAME_BOTH_WAYS` cancel likewise; the zero, and whatever may come
    from it ("channels apart"), has opposite signs in the sides and adds. Temperatures are taken as one error a side.

    Examples
    --------
    Equal volumes at 16 and 21 C: by mass the supply is 1.7 % more.

    >>> terms = (("air", 1.0, None, "reading"), ("k", 3.0, None, "hood"))
    >>> one = Result(150.0, 3.2, None, 6.3, 1.0, 1, terms)
    >>> supply = side_sum("supply", [Read("S1", one, temp_c=16.0)])
    >>> found = balance(supply, side_sum("extract", [Read("E1", one, temp_c=21.0)]), Rule())
    >>> round(found.ratio, 3), round(found.u_ratio, 3), found.verdict  # 0.0094 by the air's parts, 0.005 by density
    (1.017, 0.011, 'within')
    """
    if (supply.direction, extract.direction) != ("supply", "extract"):
        raise UsageError(f"{supply.direction} against {extract.direction}: give the supply's sum, then the extract's")
    for side in (supply, extract):
        if not side.flow_m3h > 0.0:
            raise UsageError(f"the {side.direction} sum is {side.flow_m3h:g} m3/h: read its terminals first")
    ratio = supply.mass_kg_h / extract.mass_kg_h
    parts = ratio / supply.mass_kg_h, ratio / extract.mass_kg_h
    found = _between(supply, extract, parts, pressure_pa, one_scale, r_k_c)
    u, dof = m3h(found.u_m3_s), _dof(found)
    judged = replace(rule, tolerance_rel=rule.balance_rel)
    own = {
        read.terminal: _u_own(read.result) * _density(read, pressure_pa) * part
        for side, part in zip((supply, extract), parts, strict=True)
        for read in side.reads
    }
    common = math.sqrt(max(u**2 - math.hypot(*own.values()) ** 2, 0.0))
    needed = _u_needed(ratio, dof, rule)
    unread = supply.unread + extract.unread
    said = verdict(ratio, u, dof, 1.0, "around", judged) or "undecided"
    settle = ""
    if said == "undecided" and not unread:
        worst = max(own, key=lambda name: own[name])
        again = math.sqrt(max(u**2 - own[worst] ** 2 / 2.0, 0.0))  # a second placement halves its variance
        settle = worst if verdict(ratio, again, dof, 1.0, "around", judged) != "undecided" else ""
    return Balance(
        ratio,
        u,
        dof,
        m3h(found.expanded_m3_s),
        supply.flow_m3h / extract.flow_m3h,
        common,
        needed,
        common > needed,
        rule.balance_rel,
        "undecided" if unread else said,
        settle,
        unread,
    )


def _between(
    supply: SideSum,
    extract: SideSum,
    parts: tuple[float, float],
    pressure_pa: float,
    one_scale: Collection[str],
    r_k_c: float,
) -> Total:
    """Return the uncertainty of parts[0] * supply - parts[1] * extract, masses in kg/h (as `sum_of` keeps m3/h)."""
    both: _Shared = []
    scales: tuple[_Shared, _Shared] = ([], [])
    for side, factor, own_scale in zip((supply, extract), (parts[0], -parts[1]), scales, strict=True):
        for read in side.reads:
            weighed, by = _weighed(read, side.direction, factor, pressure_pa)
            if by in one_scale:
                both.append((weighed, by))
                continue
            # Terms of the scale go to the side alone: sum_of would let them cancel by their name.
            apart = [term for term in weighed.terms if term[3] == "hood"]
            rest = [term for term in weighed.terms if term[3] != "hood"]
            both += [(replace(weighed, terms=tuple(rest)), by)] if rest else []
            own_scale += [(replace(weighed, terms=tuple(apart)), by)] if apart else []
    sums = [sum_of(group, r_k_c) for group in (both, *scales)]
    return total(tuple(Term(str(n), each.u_m3_s, each.dof, "visit") for n, each in enumerate(sums)))


def _weighed(read: Read, direction: Direction, factor: float, pressure_pa: float) -> tuple[Result, str]:
    """Return the result with its terms as mass [kg/h] times a signed factor, and the term of its air's density."""
    found, density = read.result, _density(read, pressure_pa)
    terms = [
        (name, u * density * (factor if scope != "visit" or name in SAME_BOTH_WAYS else abs(factor)), dof, scope)
        for name, u, dof, scope in found.terms or ((read.by, found.u_flow_m3h, found.dof, "hood"),)
    ]
    air = _air(read, pressure_pa)
    by_temp, by_rh, _ = density_sensitivity(air)
    u_rel = math.hypot(by_temp * air.u_temp_c, by_rh * air.u_rh_pct)
    name = AIR_SUPPLY if direction == "supply" else AIR_EXTRACT
    terms.append((name, found.flow_m3h * density * factor * u_rel, None, "visit"))
    return replace(found, terms=tuple(terms)), read.by


def _air(read: Read, pressure_pa: float) -> Air:
    other = assumed_air(None)
    temp = (other.temp_c, other.u_temp_c) if read.temp_c is None else (read.temp_c, read.u_temp_c)
    return Air(temp[0], other.rh_pct, pressure_pa, temp[1], other.u_rh_pct, 0.0, assumed=read.temp_c is None)


def _density(read: Read, pressure_pa: float) -> float:
    """Return the density of a terminal's air [kg/m3], with as much water in each kilogram as in the assumed air.

    One relative humidity on both sides would put more water into the warmer one, which nobody has measured.
    """
    usual, temp_c = assumed_air(None), _air(read, pressure_pa).temp_c
    by_temp = density_kg_m3(temp_c, 0.0, pressure_pa) / density_kg_m3(usual.temp_c, 0.0, pressure_pa)
    return density_kg_m3(usual.temp_c, usual.rh_pct, pressure_pa) * by_temp


def _mass_kg_h(read: Read, pressure_pa: float) -> float:
    return read.result.flow_m3h * _density(read, pressure_pa)


def _u_own(found: Result) -> float:
    """Return what a new placement of this terminal would draw anew [m3/h]."""
    return math.hypot(*(u for _, u, _, scope in found.terms if scope == "reading"))


def _u_needed(ratio: float, dof: float | None, rule: Rule) -> float:
    """Return the largest standard uncertainty with which `ratio` would be within."""
    low, high = 1.0 - rule.balance_rel, 1.0 + rule.balance_rel
    if not low < ratio < high:
        return 0.0
    least, most = 0.0, 10.0 * rule.balance_rel
    for _ in range(50):
        middle = 0.5 * (least + most)
        enough = conformance(ratio, middle, dof, low, high) >= 1.0 - rule.risk
        least, most = (middle, most) if enough else (least, middle)
    return least


def _dof(found: Total) -> float | None:
    return None if found.dof == math.inf else found.dof
