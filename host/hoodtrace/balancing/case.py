"""One side of one system as balancing sees it: what is wanted, what was read, in order. Pure records.

Flows in m3/h and pressures in Pa, as in the plan and on the page. A `Side` is the supply or the extract of a system
with its own fan (or none). A reading after a turn begins a new position of its valve; one with `at_stop` "open" is of
the open position. Climbs are counted from the readings: those at one terminal, with nothing else in between, are one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from hoodtrace.dwelling.plan import Limit
from hoodtrace.errors import UsageError

FanKind = Literal["unknown", "fixed-speed", "constant-flow", "none"]
Stop = Literal["", "open", "shut"]
Way = Literal["up", "down"]
USUAL_OWN_REL = 0.03


@dataclass(frozen=True, slots=True)
class Wanted:
    """A terminal and its design flow; terminals with the same `branch` share a duct (empty: none known)."""

    id: str
    design_m3h: float
    limit: Limit = "around"
    branch: str = ""


@dataclass(frozen=True, slots=True)
class FlowRead:
    """A flow that was read at a terminal.

    `u_own_rel` is this reading's own standard uncertainty, `u_common_rel` what all readings of the meter share;
    `hood_times` is the hood's resistance then over its own: 0 with no hood on, more with its outlet restricted;
    `fan_ratio` is the fan's setting then, over the one at the beginning; `epoch` counts what changed in the house (not
    the fan); `target_m3h` is what a turn was aimed at, None where that is not known.
    """

    terminal: str
    flow_m3h: float
    u_own_rel: float = USUAL_OWN_REL
    u_common_rel: float = 0.05
    hood_times: float = 1.0
    after_turn: bool = False
    at_stop: Stop = ""
    fan_ratio: float = 1.0
    epoch: int = 0
    target_m3h: float | None = None

    @property
    def stand(self) -> tuple[str, float, int]:
        """Where somebody stands, and in what house: readings in a row with the same are one climb."""
        return self.terminal, self.fan_ratio, self.epoch


@dataclass(frozen=True, slots=True)
class Side:
    """One side of one system so far.

    `fan_ratio` and `epoch` are those in force now; `fan_least` and `fan_most` the lowest and highest ratio that the fan
    reaches. `fan` "none" is a natural system: only valves. `hood_pa_m3h2` is K in dp = K q^2 of the hood
    [Pa/(m3/h)^2]. `valves` "open": all were opened fully before the first reading. `closing`: every terminal is to be
    read once more at the end. `risk` is the accepted risk that "done" is wrong (of both sides of a system: half each).
    `drive_pa` : the stack that drives a natural system, > 0, None where it is not known. `barred` : valves (by
    terminal; "" the fan) that must not be turned that way. `can_restrict` : the hood's outlet may be restricted, which
    is how a flow with no hood on is read.
    """

    terminals: tuple[Wanted, ...]
    readings: tuple[FlowRead, ...] = ()
    fan: FanKind = "unknown"
    valves: Literal["as found", "open"] = "as found"
    hood_pa_m3h2: float = 0.0
    u_hood_rel: float = 0.0
    tolerance_rel: float = 0.10
    risk: float = 0.05
    fan_ratio: float = 1.0
    epoch: int = 0
    fan_least: float = 0.0
    fan_most: float = math.inf
    closing: bool = False
    drive_pa: float | None = None
    barred: frozenset[tuple[str, Way]] = frozenset()
    can_restrict: bool = True

    @property
    def read(self) -> frozenset[str]:
        """The terminals that have a reading."""
        return frozenset(reading.terminal for reading in self.readings)

    @property
    def unread(self) -> tuple[str, ...]:
        """The terminals that have none, in the order of the plan."""
        return tuple(terminal.id for terminal in self.terminals if terminal.id not in self.read)


def checked(side: Side) -> Side:
    """Return `side` as it is where it can be balanced.

    Raises
    ------
    UsageError
        No terminal, a design flow or a reading that is not above zero, a name twice or unknown.
    """
    if not side.terminals:
        raise UsageError("this side has no terminal: give the plan at least one")
    names = [terminal.id for terminal in side.terminals]
    for terminal in side.terminals:
        if not 0.0 < terminal.design_m3h < math.inf:
            raise UsageError(
                f"terminal {terminal.id}: a design flow of {terminal.design_m3h:g} m3/h cannot be balanced: "
                "give it a flow above 0, or shut it and leave it out"
            )
        if names.count(terminal.id) > 1:
            raise UsageError(f"terminal {terminal.id} stands twice in one side: give each a name of its own")
    for number, reading in enumerate(side.readings, start=1):
        where = f"reading {number}, terminal {reading.terminal}"
        if reading.terminal not in names:
            raise UsageError(f"{where}: this side has no such terminal: it has {', '.join(names)}")
        if not 0.0 < reading.flow_m3h < math.inf:
            raise UsageError(
                f"{where}: {reading.flow_m3h:g} m3/h is no flow to balance with: if the air goes the wrong way, look "
                "at the ducts; if the valve is shut, open it and read again"
            )
        if not (reading.u_own_rel > 0.0 and reading.u_common_rel >= 0.0 and reading.fan_ratio > 0.0):
            raise UsageError(
                f"{where}: uncertainty {reading.u_own_rel:g} and fan ratio {reading.fan_ratio:g} must be above 0"
            )
    if not (0.0 < side.tolerance_rel < 1.0 and 0.0 < side.risk < 0.5):
        raise UsageError(
            f"tolerance {side.tolerance_rel:g} must lie between 0 and 1, risk {side.risk:g} between 0 and 0.5"
        )
    if not (side.fan_ratio > 0.0 and side.hood_pa_m3h2 >= 0.0 and side.fan_least <= side.fan_most):
        raise UsageError(
            f"fan ratio {side.fan_ratio:g} (from {side.fan_least:g} to {side.fan_most:g}) or the hood's resistance "
            f"{side.hood_pa_m3h2:g} Pa/(m3/h)^2 makes no sense"
        )
    return side


def n_climbs(readings: Sequence[FlowRead]) -> int:
    """Return how many climbs the readings took (of several sides: all their readings in the order of the visit).

    Examples
    --------
    >>> there = FlowRead("S1", 40.0), FlowRead("S1", 30.0, after_turn=True), FlowRead("S2", 20.0)
    >>> n_climbs(there)
    2
    """
    return sum(1 for k, reading in enumerate(readings) if k == 0 or reading.stand != readings[k - 1].stand)
