"""What a calibration is made of: a reference flow with its own and its shared errors, and the hood's signals beside it.

A point's own error is new in each point; a `Common` one is the same in all points that name it, however many there are.
Flows are those of the hood's own air (density at the hood), m3/s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Common:
    """An error shared by all points with the same `name`: relative standard uncertainty, degrees of freedom."""

    name: str
    u_rel: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class ReferenceFlow:
    """A flow known from elsewhere.

    `flow_m3_s` at the hood's air; `u_own_m3_s` the standard uncertainty that is new in each point, with `dof_own`;
    `common` what it shares with other points; `kind` in words ("timed bag"); `terms` names each contribution, own or
    shared, with its relative standard uncertainty, for the record; `warnings` say in words what is doubtful about it.
    """

    flow_m3_s: float
    u_own_m3_s: float
    dof_own: float
    common: tuple[Common, ...]
    kind: str
    terms: dict[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def u_rel(self) -> float:
        """All of it, relative standard uncertainty."""
        return math.hypot(self.u_own_m3_s / self.flow_m3_s, *(each.u_rel for each in self.common))


@dataclass(frozen=True, slots=True)
class Point:
    """One held reading of the hood against a reference.

    `vane_m_s` is offset + gain * mean frequency, `taps_m_s` is sqrt(2 dp / density), each with its random standard
    uncertainty; None where that channel says nothing. `direction` is "supply" or "extract". `taps_common` are errors of
    the taps' signal that points share, relative to the flow.
    """

    number: int
    direction: str
    reference: ReferenceFlow
    vane_m_s: float | None
    u_vane_m_s: float | None
    taps_m_s: float | None
    u_taps_m_s: float | None
    air_density_kg_m3: float
    taps_common: tuple[Common, ...] = ()
