"""The pressure in a dwelling from its imbalance and its leakage: an estimate with its range, and what is not in it.

Air that fans draw out beyond what they bring in comes through the leaks, q = C |dp|^n with C = n50 V / 50^n. The range
holds 95 % of `N_DRAWS` seeded draws of imbalance, n50, n and the flows of other fans. Stack and wind come on top and
are not in it. An estimate is never a proof that nothing happens. Natural systems: the stack's own pressure. Pure.

References: power law of leakage and n of about 0.65 (textbook, memory); ranges and uncertainties are own choices.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hoodtrace.averaging.mean import CONFIDENCE
from hoodtrace.balancing.house_sums import Imbalance
from hoodtrace.dwelling.plan import OtherFan, Site
from hoodtrace.dwelling.screen import Say, Value
from hoodtrace.errors import UsageError
from hoodtrace.physics.air import STANDARD_PRESSURE_PA, assumed_air, density_kg_m3
from hoodtrace.physics.resistance import HOOD_MOST_NATURAL_PA, kept_share, stack_pa

Floats = npt.NDArray[np.float64]

REFERENCE_PA = 50.0
EXPONENT, EXPONENT_LOW, EXPONENT_HIGH = 0.65, 0.55, 0.75
U_N50_REL = 0.20
"""Standard uncertainty (of the logarithm) of n50 and volume together: own choice; a guessed n50 is worse."""
U_FAN_REL = 0.20
"""The same of another fan's stated flow: own choice; what a label says is mostly the most that the fan gives."""
NOT_IN_IT = ("stack", "wind", "fan curve")
"""Wind and warmth outside add several pascals; a fan is taken to hold its flow against any pressure."""
N_DRAWS = 20_000
SEED = 4


@dataclass(frozen=True, slots=True)
class Leakage:
    """How much air a dwelling lets through: `n50_per_h` at 50 Pa, `volume_m3`, exponent with its range."""

    n50_per_h: float
    volume_m3: float
    u_n50_rel: float = U_N50_REL
    exponent: float = EXPONENT
    exponent_low: float = EXPONENT_LOW
    exponent_high: float = EXPONENT_HIGH

    def flow_m3h(self, pa: float) -> float:
        """Return the flow through the leaks [m3/h] at a pressure difference [Pa], with its sign.

        Examples
        --------
        >>> round(Leakage(3.0, 250.0).flow_m3h(-4.0), 2)
        -145.23
        """
        at_50 = self.n50_per_h * self.volume_m3
        return math.copysign(at_50 * (abs(pa) / REFERENCE_PA) ** self.exponent, pa)

    def pa(self, flow_m3h: float) -> float:
        """Return the pressure difference [Pa] at which the leaks let `flow_m3h` through, with its sign.

        Examples
        --------
        >>> round(Leakage(3.0, 250.0).pa(-100.0), 4)
        -2.2528
        """
        share = abs(flow_m3h) / (self.n50_per_h * self.volume_m3)
        return math.copysign(REFERENCE_PA * share ** (1.0 / self.exponent), flow_m3h)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Pressure inside against outside with the fans `fans` running besides [Pa], and its 95 % range.

    Negative: the dwelling is under pressure. `leak_m3h` is the flow through the leaks at the temperature of the air in
    them, negative inwards.
    """

    fans: tuple[str, ...]
    leak_m3h: float
    pa: float
    low_pa: float
    high_pa: float


@dataclass(frozen=True, slots=True)
class Pressures:
    """As measured, with each other fan, with all of them; or `missing`, what an estimate lacks (then there is none).

    `assumed` are choices that nobody measured (keys), `not_in_it` what comes on top.
    """

    estimates: tuple[Estimate, ...]
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    not_in_it: tuple[str, ...] = NOT_IN_IT


def pressures(
    gap: Imbalance,
    site: Site,
    other_fans: Sequence[OtherFan] = (),
    indoor_c: float | None = None,
    outdoor_c: float | None = None,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    u_n50_rel: float | None = None,
) -> Pressures:
    """Return the dwelling's pressure as measured and with other fans running.

    Parameters
    ----------
    gap : Imbalance
        Of the whole dwelling, all systems with fans; a natural system's terminals are leaks, not fans.
    site : Site
        Volume and n50.
    other_fans : sequence of OtherFan
        Fans that blow outdoors, none of them running while `gap` was read; their flows at `indoor_c`.
    indoor_c, outdoor_c : float or None
        Temperatures; None: 20 C inside, outside as inside, and `assumed` says so.
    pressure_pa : float
        Barometric pressure, Pa.
    u_n50_rel : float or None
        Relative standard uncertainty of n50 times volume; None: `U_N50_REL`, and `assumed` says so.

    Returns
    -------
    Pressures
        Without volume, n50, or with terminals unread: no estimate, and what is missing.

    Examples
    --------
    >>> gap = Imbalance(-120.0, 5.0, None, ())
    >>> found = pressures(gap, Site("a house", volume_m3=250.0, n50_per_h=3.0), [OtherFan("cooker hood", 300.0)])
    >>> [(one.fans, round(one.pa, 1)) for one in found.estimates]
    [((), -2.3), (('cooker hood',), -19.0)]
    >>> pressures(gap, Site("a house")).missing
    ('volume_m3', 'n50_per_h')
    """
    volume, n50 = site.volume_m3, site.n50_per_h
    missing = [name for name, value in (("volume_m3", volume), ("n50_per_h", n50)) if not value or not value > 0.0]
    missing += [f"terminal {name}" for name in gap.unread]
    for fan in other_fans:
        if not 0.0 <= fan.flow_m3h < math.inf:
            raise UsageError(f"other fan {fan.name}: a flow of {fan.flow_m3h:g} m3/h is none: mend it in the plan")
    assumed = [
        "exponent",
        *(["u_n50_rel"] if u_n50_rel is None else []),
        *(["indoor_c"] if indoor_c is None else []),
        *(["outdoor_c"] if outdoor_c is None else []),
        *(["other fans' flows"] if other_fans else []),
    ]
    if missing or volume is None or n50 is None:
        return Pressures((), tuple(missing), ())
    leak = Leakage(n50, volume, U_N50_REL if u_n50_rel is None else u_n50_rel)
    usual = assumed_air(None)
    inside_c = usual.temp_c if indoor_c is None else indoor_c
    outside_c = inside_c if outdoor_c is None else outdoor_c
    inside, outside = (density_kg_m3(t, usual.rh_pct, pressure_pa) for t in (inside_c, outside_c))
    one_by_one = [(k,) for k in range(len(other_fans))]
    running = [(), *one_by_one, *([tuple(range(len(other_fans)))] if len(other_fans) > 1 else [])]
    drawn = _drawn(gap, leak, len(other_fans))
    estimates = []
    for chosen in running:
        out = math.fsum(other_fans[k].flow_m3h for k in chosen) * inside
        net = gap.mass_kg_h - out
        leak_m3h = net / (inside if net > 0.0 else outside)
        masses = drawn.mass_kg_h - inside * sum((other_fans[k].flow_m3h * drawn.fans[k] for k in chosen), np.zeros(1))
        share = np.abs(masses) / np.where(masses > 0.0, inside, outside) / (n50 * volume * drawn.leak)
        pa = np.sign(masses) * REFERENCE_PA * share ** (1.0 / drawn.exponent)
        low, high = np.quantile(pa, [(1.0 - CONFIDENCE) / 2.0, (1.0 + CONFIDENCE) / 2.0])
        names = tuple(other_fans[k].name for k in chosen)
        estimates.append(Estimate(names, leak_m3h, leak.pa(leak_m3h), float(low), float(high)))
    return Pressures(tuple(estimates), (), tuple(assumed))


def natural_minutes(wind: str = "") -> Say:
    """Return that a reading on a natural system is of its minutes; `wind` as it was noted, empty where not."""
    return Say("house.natural_minutes", {"wind": wind or "not noted"})


def natural(
    height_m: float,
    outdoor_c: float,
    indoor_c: float,
    hood_pa: float,
    wind: str = "",
    pressure_pa: float = STANDARD_PRESSURE_PA,
    terminal: str = "",
) -> tuple[Say, ...]:
    """Return what is said with a reading on a natural system: its stack, what the hood takes of it, its minutes.

    Parameters
    ----------
    height_m : float
        From the terminal to where its duct ends, m.
    outdoor_c, indoor_c : float
        Temperatures, degrees Celsius.
    hood_pa : float
        What the hood takes at the flow read, Pa, >= 0.
    wind : str
        As it was noted, empty where not.
    pressure_pa : float
        Barometric pressure, Pa.
    terminal : str
        Where it was read.

    Returns
    -------
    tuple of Say
        `house.natural_minutes` always: a reading is of these minutes, wind and warmth make others. The stack is that of
        dry air; moist air on both sides gives up to 5 % more. `house.natural_hood_all`: the hood takes all of it.

    References
    ----------
    dp = p g M / R h (1/To - 1/Ti), see `physics.resistance.stack_pa`; q ~ (P0 - dp)^0.5.

    Examples
    --------
    >>> said = natural(5.0, 0.0, 20.0, 1.0)
    >>> [one.key for one in said]
    ['house.natural_minutes', 'house.natural_stack', 'house.natural_hood']
    >>> round(float(said[1].values["stack_pa"]), 3), round(float(said[2].values["lost_rel"]), 3)
    (4.323, 0.123)
    """
    if not (height_m > 0.0 and hood_pa >= 0.0):
        raise UsageError(f"a height of {height_m:g} m with {hood_pa:g} Pa of the hood makes no stack: mend the plan")
    stack = stack_pa(height_m, outdoor_c, indoor_c, pressure_pa)
    of = {"height_m": height_m, "outdoor_c": outdoor_c, "indoor_c": indoor_c}
    out = [
        natural_minutes(wind),
        Say("house.natural_stack", {"stack_pa": stack, **of}),
    ]
    if stack <= 0.0:
        return (*out, Say("house.natural_no_stack", {"stack_pa": stack}))
    lost = 1.0 - kept_share(hood_pa, stack)
    values: dict[str, Value] = {"terminal": terminal, "hood_pa": hood_pa, "stack_pa": stack, "lost_rel": lost}
    key = "natural_hood" if hood_pa < stack else "natural_hood_all"
    return (*out, Say(f"house.{key}", {**values, "most_pa": HOOD_MOST_NATURAL_PA}))


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Draws, shape (N_DRAWS,), of the imbalance [kg/h], factors of the leakage and each fan's flow, the exponent."""

    mass_kg_h: Floats
    leak: Floats
    exponent: Floats
    fans: list[Floats]


def _drawn(gap: Imbalance, leak: Leakage, n_fans: int) -> _Drawn:
    rng = np.random.default_rng(SEED)
    unit = rng.standard_normal(N_DRAWS) if gap.dof is None else rng.standard_t(gap.dof, N_DRAWS)
    return _Drawn(
        gap.mass_kg_h + gap.u_mass_kg_h * unit,
        np.exp(leak.u_n50_rel * rng.standard_normal(N_DRAWS)),
        rng.uniform(leak.exponent_low, leak.exponent_high, N_DRAWS),
        [np.exp(U_FAN_REL * rng.standard_normal(N_DRAWS)) for _ in range(n_fans)],
    )
