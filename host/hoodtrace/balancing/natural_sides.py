"""What a side without a fan has to be told: the stack that drives it, what the hood takes of it, that wind changes it.

For each natural side with readings. The stack is that of the plan's height and of the temperatures noted with a
reading; each terminal's newest reading gives what the hood took there. What is missing is named, nothing is assumed.
Keys and values only; nothing here changes a flow or a verdict.

References: as in `house_pressure.natural` and `physics.resistance`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hoodtrace.balancing.fit import U_MODEL_NATURAL_REL
from hoodtrace.balancing.house_pressure import natural, natural_minutes
from hoodtrace.dwelling.screen import Say, Value
from hoodtrace.physics.air import assumed_air
from hoodtrace.physics.resistance import HOOD_MOST_NATURAL_PA, kept_share, known_stack_pa, law_of
from hoodtrace.units import m3_s

if TYPE_CHECKING:
    from hoodtrace.balancing.sides import NamedSide
    from hoodtrace.dwelling.state import Placement
    from hoodtrace.dwelling.visit import Visit
    from hoodtrace.physics.hood import Hood

HOOD_KEYS = ("house.natural_hood", "house.natural_hood_all")
SHOWN_PA = 0.1
"""Stacks that differ by less are not told apart: it is the last digit shown."""


@dataclass(frozen=True, slots=True)
class HoodTook:
    """What the hood took at a terminal's newest reading [Pa], of which stack, and the part of the flow lost by it.

    `stack_pa` is None where it is not known, `lost_rel` also where no stack draws upwards; 1: the hood took all of it.
    """

    terminal: str
    hood_pa: float
    stack_pa: float | None
    lost_rel: float | None


@dataclass(frozen=True, slots=True)
class NaturalSide:
    """A natural side: its stack at the newest reading [Pa], and `missing`, the keys that it lacks for one.

    `says` is all of it in sentences; `u_rel` what readings some minutes apart are taken to differ by (relative).
    """

    system: str
    direction: str
    stack_pa: float | None
    missing: tuple[str, ...]
    hoods: tuple[HoodTook, ...]
    u_rel: float
    says: tuple[Say, ...]


@dataclass(frozen=True, slots=True)
class _Read:
    """A terminal's newest reading: what the hood took (None: not known, or no hood on), and what drove the air."""

    terminal: str
    hood_pa: float | None
    height_m: float | None
    outdoor_c: float | None
    indoor_c: float | None
    wind: str
    pressure_pa: float

    @property
    def missing(self) -> tuple[str, ...]:
        given = {"stack_height_m": self.height_m, "outdoor_c": self.outdoor_c, "indoor_c": self.indoor_c}
        return tuple(name for name, value in given.items() if value is None)

    @property
    def stack_pa(self) -> float | None:
        return known_stack_pa(self.height_m, self.outdoor_c, self.indoor_c, self.pressure_pa)

    @property
    def lost_rel(self) -> float | None:
        stack = self.stack_pa
        if stack is None or self.hood_pa is None or stack <= 0.0:
            return None
        return 1.0 - kept_share(self.hood_pa, stack)

    def says(self) -> tuple[Say, ...]:
        """Return what `natural` says of it, or what is missing for that."""
        if self.height_m is None or self.outdoor_c is None or self.indoor_c is None:
            return natural_minutes(self.wind), *(Say(f"house.natural_missing_{name}") for name in self.missing)
        took = self.hood_pa or 0.0
        return natural(self.height_m, self.outdoor_c, self.indoor_c, took, self.wind, self.pressure_pa, self.terminal)


def natural_sides(visit: Visit, hood: Hood, sides: Iterable[NamedSide]) -> tuple[NaturalSide, ...]:
    """Return what is to be said of those of `sides` that have no fan and at least one reading.

    Parameters
    ----------
    visit : Visit
    hood : Hood
        The visit's own; with no taps nothing is known of what it takes.
    sides : iterable of NamedSide
        As `sides.sides_of` gives them.
    """
    return tuple(_side(visit, hood, one) for one in sides if one.side.fan == "none" and one.side.readings)


def _side(visit: Visit, hood: Hood, named: NamedSide) -> NaturalSide:
    here = [visit.state.at(terminal.id, visit.state.setting) for terminal in named.side.terminals]
    newest = sorted((each[-1] for each in here if each), key=lambda one: (one.epoch[0], one.line))
    reads = [_read(visit, hood, named, one) for one in newest]
    return NaturalSide(
        named.system,
        named.direction,
        reads[-1].stack_pa,
        reads[-1].missing,
        tuple(HoodTook(r.terminal, r.hood_pa, r.stack_pa, r.lost_rel) for r in reads if r.hood_pa is not None),
        U_MODEL_NATURAL_REL,
        tuple(_says(reads, hood)),
    )


def _read(visit: Visit, hood: Hood, named: NamedSide, placement: Placement) -> _Read:
    air, weather = assumed_air(hood.altitude_m), placement.entry.get("weather") or {}
    took = None
    newest = [one for one in named.side.readings if one.terminal == placement.terminal][-1]
    if hood.taps is not None and newest.hood_times > 0.0:
        law = law_of(hood, named.direction, air.density_kg_m3)
        took = newest.hood_times * law.pa(m3_s(newest.flow_m3h))
    return _Read(
        placement.terminal,
        took,
        visit.plan.system(named.system).stack_height_m,
        weather.get("outdoor_c"),
        weather.get("indoor_c"),
        weather.get("wind") or "",
        air.pressure_pa,
    )


def _says(reads: list[_Read], hood: Hood) -> Iterator[Say]:
    """Yield the sentences: minutes and wind, the stack or what it lacks, what the hood took where it took most."""
    minutes, *stack = (one for one in reads[-1].says() if one.key not in HOOD_KEYS)
    yield minutes
    yield Say("house.natural_u", {"u_rel": U_MODEL_NATURAL_REL})
    yield from stack
    there = [one.stack_pa for one in reads if one.stack_pa is not None]
    if there and max(there) - min(there) >= SHOWN_PA:
        yield Say("house.natural_changed", {"low_pa": min(there), "high_pa": max(there)})
    if hood.taps is None:
        yield Say("house.natural_no_taps")
    took = [one for one in reads if one.hood_pa is not None]
    if not took:
        return
    worst = max(took, key=lambda one: (one.lost_rel or 0.0, one.hood_pa or 0.0))
    values: dict[str, Value] = {"terminal": worst.terminal, "hood_pa": worst.hood_pa or 0.0}
    of_stack = [one for one in worst.says() if one.key in HOOD_KEYS]
    yield from of_stack or [Say("house.natural_hood_alone", values)]
    if worst.hood_pa and worst.hood_pa > HOOD_MOST_NATURAL_PA:
        yield Say("house.natural_hood_much", {**values, "most_pa": HOOD_MOST_NATURAL_PA})
