"""From readings at an open and a restricted outlet to what the method of two resistances takes.

What the taps say of a restricted outlet depends on where the chip's second tube ends. Left open to the room, the chip
reads the pressure in front of the terminal, which rises. On a second ring of taps, it reads the flow alone: its
pressure falls with the flow squared; then the ratio of vane to taps shows whether the vane's k stayed as it was, and
the resistance must be said (`times`: that of hood and restriction over that of the hood). Both are told apart by that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hoodtrace.averaging.reading import Averaged
from hoodtrace.calibration.back_pressure import Opening, Refusal, Shared
from hoodtrace.calibration.signals import signals
from hoodtrace.errors import MeasurementError
from hoodtrace.physics.hood import Hood, Taps, Vane
from hoodtrace.physics.resistance import HoodLaw, law_of

ROSE = 0.1
"""So much of the logarithm of taps over vane is a pressure that rose (a resistance 1.2 times the open hood's)."""
MOVED = 2.0
"""Standard uncertainties that the ratio of vane to taps may move."""
BLUNT_REL = 0.03
"""A ratio known no better than this is no check of the vane's k."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading by its name ("2.1"), with its hold, and whether the outlet was restricted: `times` its resistance.

    `times` is 1 with the hood open, None where it is not known.
    """

    name: str
    hold: tuple[int, int]
    averaged: Averaged
    times: float | None = 1.0
    restricted: bool = False


@dataclass(frozen=True, slots=True)
class Prepared:
    """Openings with their shared errors; `feels` is "room" or "flow": what the taps felt of the restriction.

    `resistances` are those of the openings over the first one's; `ratio_change` the vane-to-taps ratio's largest
    change with its standard uncertainty, where the taps allow that check.
    """

    openings: tuple[Opening, ...]
    shared: tuple[Shared, ...]
    feels: str
    resistances: tuple[float, ...]
    ratio_change: tuple[float, float] | None
    flags: tuple[str, ...]


def prepare(seen: Sequence[Seen], hood: Hood, u_times_rel: float = 0.05) -> Prepared | Refusal:
    """Return the openings of `seen` (the first with the hood open), or why they can't be used.

    Raises
    ------
    MeasurementError
        A reading was refused, or a channel of it says nothing.
    """
    direction = seen[0].averaged.direction
    vane, taps = hood.vane_for(direction), hood.taps_for(direction)
    if vane is None or taps is None:
        raise MeasurementError(f"{hood.name}: this method needs the vane for the flow and the taps for the pressure")
    flow, taps_m_s, density = [], [], []
    for each in seen:
        got = signals(each.averaged, hood, direction)
        if got.vane_m_s is None or got.taps_m_s is None:
            raise MeasurementError(f"reading {each.name}: vane and taps must both say something; restrict less")
        flow.append(vane.k * hood.area_m2 * got.vane_m_s)
        taps_m_s.append(got.taps_m_s)
        density.append(got.air_density_kg_m3)
    law = law_of(hood, direction, density[0])
    taps_pa = [0.5 * rho * v**2 for rho, v in zip(density, taps_m_s, strict=True)]
    # Vane over taps, as flows, over that of the open hood.
    by_taps = [law.scale_m3_s * v ** (2.0 * law.exponent) for v in taps_m_s]
    ratios = [q / t / (flow[0] / by_taps[0]) for q, t in zip(flow, by_taps, strict=True)]
    placed = len({each.hold for each in seen}) > 1
    u_placed = hood.placement.u_rel if hood.placement is not None and placed else 0.0
    u_ratios = [_u_ratio(p, taps, law) for p in taps_pa]
    restricted = [i for i, each in enumerate(seen) if each.restricted]
    rose = [-math.log(ratios[i]) > max(ROSE, MOVED * math.hypot(u_ratios[0], u_ratios[i])) for i in restricted]
    flags = [] if not placed or hood.placement is not None else ["placement not tested"]
    if all(rose):
        change = None
        unseen = [(law.share - 1.0) * law.taps_pa(q) for q in flow]
        dps = [p + more for p, more in zip(taps_pa, unseen, strict=True)]
        gains, feels = [1.0] * len(dps), "room"
        flags.append("k under the restriction not checked")
    else:
        worst = max(restricted, key=lambda i: abs(ratios[i] - 1.0))
        change = (ratios[worst] - 1.0, math.hypot(u_ratios[0], u_ratios[worst], u_placed))
        if abs(change[0]) > MOVED * change[1]:
            return Refusal("k changed", _moved_words(*change))
        if change[1] > BLUNT_REL:
            flags.append("k under the restriction hardly checked")
        if any(seen[i].times is None for i in restricted):
            return Refusal("taps feel the flow", _flow_words(flow[0], flow[restricted[-1]]))
        gains = [law.share * (each.times or 1.0) for each in seen]
        dps, feels = [g * p for g, p in zip(gains, taps_pa, strict=True)], "flow"
    openings = []
    for each, q, dp in zip(seen, flow, dps, strict=True):
        if not dp > 0.0:
            raise MeasurementError(f"reading {each.name}: no pressure in front of the terminal ({dp:.3f} Pa)")
        air_rel, dof_air = _air(each.averaged)
        dof_placed = (hood.placement.dof if hood.placement is not None else None) or math.inf
        openings.append(Opening(each.name, q, u_placed, dp, 0.0, air_rel, dof_placed, dof_air))
    shared = _shared(seen, flow, dps, gains, vane, taps, law, hood, 0.0 if feels == "room" else u_times_rel)
    resistances = tuple(dp / q**2 / (dps[0] / flow[0] ** 2) for q, dp in zip(flow, dps, strict=True))
    return Prepared(tuple(openings), shared, feels, resistances, change, tuple(flags))


def _shared(
    seen: Sequence[Seen],
    flow: Sequence[float],
    dps: Sequence[float],
    gains: Sequence[float],
    vane: Vane,
    taps: Taps,
    law: HoodLaw,
    hood: Hood,
    u_times_rel: float,
) -> tuple[Shared, ...]:
    """Return the errors that the openings share, as moves of their flows and pressures."""
    nothing = (0.0,) * len(seen)
    per_m_s = vane.k * hood.area_m2
    along = vane.r_k_offset * vane.u_offset_m_s * per_m_s
    across = math.sqrt(1.0 - vane.r_k_offset**2) * vane.u_offset_m_s * per_m_s
    out = [
        Shared("k-factor", tuple(vane.u_k_rel * q + along for q in flow), nothing, vane.dof_k or math.inf),
        Shared("zero of the pressure", nothing, tuple(g * taps.u_zero_pa for g in gains), scope="visit"),
    ]
    if across > 0.0:
        out.append(Shared("vane's offset", (across,) * len(seen), nothing, vane.dof_k or math.inf))
    air = seen[0].averaged.air
    if air is not None and taps.reference_pressure_pa is not None:
        u_rel = air.u_pressure_pa / air.pressure_pa
        out.append(Shared("barometric pressure", nothing, tuple(u_rel * dp for dp in dps), scope="visit"))
    if law.u_share_rel > 0.0:
        moves = tuple(law.u_share_rel * law.pa(q) for q in flow)
        out.append(Shared("taps' share of the resistance", nothing, moves))
    if u_times_rel > 0.0:
        moves = tuple(u_times_rel * dp if each.restricted else 0.0 for each, dp in zip(seen, dps, strict=True))
        out.append(Shared("resistance of the restriction", nothing, moves))
    return tuple(out)


def _air(averaged: Averaged) -> tuple[float, float]:
    """Return the air's own relative standard uncertainty of a mean and its degrees of freedom."""
    dof = next((t.dof for t in averaged.terms if t.name == "fluctuation of the air"), math.inf)
    return averaged.u_random_m3_s / averaged.flow_m3_s, dof


def _u_ratio(dp_pa: float, taps: Taps, law: HoodLaw) -> float:
    """Return how well a reading's vane-to-taps ratio is known: the air moves both alike, the zero only the taps."""
    return math.hypot(law.exponent * taps.u_zero_pa / dp_pa, 0.005)


def _moved_words(change: float, u: float) -> str:
    return (
        f"the ratio of vane to taps moved by {100.0 * change:+.1f} % (standard uncertainty {100.0 * u:.1f} %) under "
        "the restriction: it changed the vane's k, or a tube came off. Restrict further away from the vane, at least "
        "two bores behind it, and read again"
    )


def _flow_words(first_m3_s: float, last_m3_s: float) -> str:
    return (
        f"the flow went from {3600.0 * first_m3_s:.1f} to {3600.0 * last_m3_s:.1f} m3/h and the taps' pressure went "
        "with it, so the taps feel the flow and not the pressure in front of the terminal. Either leave the tube of "
        "the chip's port on the room's side open to still air in all readings, or say with --times how many times the "
        "hood's resistance it has with this restriction"
    )
