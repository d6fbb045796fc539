"""Words of the second generator: what to make (`Spec` and its scenes) and what is true in it (`Truth`).

Contract: plain frozen records. Times of a truth are seconds since the first S line; flows are those with the hood
on, of the undisturbed process, in m3/h. Nothing here knows hoodtrace.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

from worlds.second_air import Fluctuation
from worlds.second_hood import Hood, TrueHood


@dataclass(frozen=True, slots=True)
class Plateau:
    """One level of a hold; `seconds` runs from the end of the turn before it (or from the touch)."""

    flow_m3h: float
    seconds: float
    air: Fluctuation = field(default_factory=Fluctuation)


@dataclass(frozen=True, slots=True)
class Hold:
    """Hood pressed on a terminal and what happens meanwhile; gusts: `gust_size` times one of `gust_signs`, relative."""

    plateaus: tuple[Plateau, ...]
    direction: str = "supply"
    n_gusts: int = 0
    n_slams: int = 0
    n_knocks: int = 0
    n_leaks: int = 0
    gust_size: tuple[float, float] = (0.3, 1.2)
    gust_signs: tuple[float, ...] = (-0.6, 1.0)
    press_s: float = 0.6
    overshoot: float = 0.2
    turn_s: float = 0.8
    n_twists: int = 1
    lift_s: float = 0.4


@dataclass(frozen=True, slots=True)
class Free:
    """Hood not on a terminal: `carry`, `hang` (free in the room's draughts), `still`, `approach` (under the valve)."""

    seconds: float
    style: str = "carry"


@dataclass(frozen=True, slots=True)
class Spec:
    """A trace to make. `errors` is `exact`, `drawn` (from the hood's uncertainties) or the errors themselves."""

    scenes: tuple[Hold | Free, ...]
    hood: Hood = field(default_factory=Hood)
    errors: str | TrueHood = "exact"
    rate_hz: int = 50
    noise_pa: float = 0.03
    drift_pa: float = 0.0
    counts_per_pa: int = 240
    temp_c: float = 20.0
    rh_pct: float = 50.0
    pressure_pa: float = 101325.0
    p_missed: float = 0.0
    p_doubled: float = 0.0
    p_late: float = 0.0003
    with_air: bool = True
    with_notes: bool = True


@dataclass(frozen=True, slots=True)
class Event:
    """Something that disturbed a hold: gust, slam, knock, leak or turn, in seconds since the first S line."""

    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class TruePlateau:
    """A level of a hold as it truly was; `noise_m3h` is one sample's chip noise as a flow."""

    start_s: float
    end_s: float
    flow_m3h: float
    air: Fluctuation
    noise_m3h: float
    rate_hz: int
    vane_runs: bool

    @property
    def correlation_s(self) -> float:
        """True integral of the air's own autocorrelation (s)."""
        return self.air.correlation_s

    def u_oracle_m3h(self, used_s: float, taps_share: float = 0.0) -> float:
        """Standard deviation (m3/h) of the mean over `used_s`, for one who knows the process.

        The air's part is common to both channels; the chip's noise enters with the taps' share of the weight, and
        wholly where the vane does not run.
        """
        share = taps_share if self.vane_runs else 1.0
        noise = share * self.noise_m3h / sqrt(max(used_s * self.rate_hz, 1))
        return sqrt((self.flow_m3h * self.air.u_mean_rel(used_s)) ** 2 + noise**2)


@dataclass(frozen=True, slots=True)
class TrueHold:
    """A hold as it truly was: seated when the hood has fully touched, lifted when the seal opens."""

    direction: str
    seated_s: float
    lifted_s: float
    plateaus: tuple[TruePlateau, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """What a reader of the trace should find."""

    holds: tuple[TrueHold, ...]
    hood: TrueHood
    duration_s: float
    n_samples: int
