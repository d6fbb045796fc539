"""The demo's own house: Larkmoor Terrace 4, an invented dwelling with a heat-recovery unit and twelve terminals.

`demo_visit_toml` and `demo_hood_toml` are what a tuner would bring; `demo_scenario` is what really is: flows off the
design by up to 30 %, a hood that differs from its file by a draw from the file's own uncertainties, and a visit of
about 15 minutes with gusts, a wobble, a knock, a slam, a valve turned during a hold, and a hold that is too short.
Nothing here is measured; all names and figures are invented.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hoodtrace.board.air_motion import Carry, Direction, DoorSlam, Event, Gust, Hold, Knock, Rest, Step, Turn, Wobble
from hoodtrace.board.world import Air, Scenario, TrueHood

ROOM = Air(temp_c=20.8, rh_pct=44.0, pressure_pa=97_150.0)
SUPPLY_COLDEST_C, SUPPLY_WARMEST_C = 16.5, 19.5
TOO_SHORT_S = 4.0


@dataclass(frozen=True, slots=True)
class Terminal:
    """One terminal of the demo's house: what was designed, what flows, and what happens while it is held."""

    id: str
    room: str
    direction: Direction
    design_m3h: float
    true_m3h: float
    events: tuple[Event, ...] = ()
    too_short_first: bool = False


TERMINALS = (
    Terminal("S1", "Living room", "supply", 45.0, 52.0, (Gust(12.0, 2.5, 0.5),)),
    Terminal("S2", "Dining corner", "supply", 25.0, 22.5),
    Terminal("S3", "Study", "supply", 20.0, 24.5, (Turn(18.0, 20.5, 2.5),)),
    Terminal("S4", "Main bedroom", "supply", 35.0, 31.0, (Gust(8.0, 1.8, -0.4), Gust(17.0, 2.2, 0.45))),
    Terminal("S5", "Small bedroom", "supply", 20.0, 14.5, too_short_first=True),
    Terminal("S6", "Attic room", "supply", 15.0, 12.0),
    Terminal("E1", "Kitchen", "extract", 60.0, 49.0, (DoorSlam(14.0, 0.9, 0.6),)),
    Terminal("E2", "Bathroom", "extract", 40.0, 43.5, (Wobble(13.0, 1.6, 0.5),)),
    Terminal("E3", "Shower room", "extract", 25.0, 31.5),
    Terminal("E4", "Toilet", "extract", 20.0, 17.0, (Knock(11.0, 0.4, 4.0),)),
    Terminal("E5", "Utility room", "extract", 20.0, 25.0, (Gust(15.0, 2.0, 0.45),)),
    Terminal("E6", "Store", "extract", 15.0, 13.5),
)


def demo_hood_toml() -> str:
    """Return the text of hood.toml as the demo's tuner has it: nominal values with their uncertainties.

    Examples
    --------
    >>> tomllib.loads(demo_hood_toml())["vane"]["k"]
    0.93
    """
    return """name = "demo pipe hood"
altitude_m = 330.0

[pipe]
bore_mm = 104.0
length_mm = 200.0

[vane]                       # speed = offset + gain * edge frequency; flow = k * area * speed
offset_m_s = 0.14
gain_m_s_per_hz = 0.047
start_m_s = 0.25
k = 0.93
u_k_rel = 0.02
response_length_m = 0.4
edges_per_rev = 8

[vane.extract]
k = 0.95

[taps]                       # flow = c * area * sqrt(2 * |dp| / density), with the sign of dp
count = 4
c = 0.71
u_c_rel = 0.025
zero_pa = 0.0
u_zero_pa = 0.02
reference_pressure_pa = 96600

[taps.extract]
c = 0.69

[placement]
u_rel = 0.01
"""


def demo_visit_toml() -> str:
    """Return the text of visit.toml: the plan of the demo's house.

    Examples
    --------
    >>> len(tomllib.loads(demo_visit_toml())["terminal"])
    12
    """
    head = """[site]
name = "Larkmoor Terrace 4"
floor_area_m2 = 104.0
bedrooms = 3
volume_m3 = 255.0
n50_per_h = 1.5
open_flued_appliance = "no"

[[system]]
name = "unit"
kind = "heat-recovery"
fan = "fixed-speed"
valves = "as found"

[[setting]]
name = "normal"

[rule]
tolerance_rel = 0.10
balance_rel = 0.10
risk = 0.05

[[other_fan]]
name = "cooker hood"
flow_m3h = 320.0
source = "label"
"""
    return head + "".join(
        f'\n[[terminal]]\nid = "{terminal.id}"\nroom = "{terminal.room}"\nsystem = "unit"\n'
        f'direction = "{terminal.direction}"\ndesign_m3h = {terminal.design_m3h}\n'
        for terminal in TERMINALS
    )


def demo_scenario(seed: int) -> Scenario:
    """Draw the demo's visit: walks, holds, turbulence and how far the hood is from its file.

    Parameters
    ----------
    seed : int
        Another seed is another visit to the same house with another specimen of the hood.

    Returns
    -------
    Scenario
        For `hoodtrace.board.world.write_world`.

    Examples
    --------
    >>> demo_scenario(1) == demo_scenario(1), demo_scenario(1) == demo_scenario(2)
    (True, False)
    """
    # The 1 keeps this stream apart from the one that write_world draws with the same seed.
    rng = np.random.default_rng((seed, 1))
    file = tomllib.loads(demo_hood_toml())
    hood = true_hood(file, rng)
    steps: list[Step] = [Rest(15.0)]
    for terminal in TERMINALS:
        steps.append(Carry(_draw(rng, 25.0, 37.0)))
        if terminal.too_short_first:
            steps += [Rest(_draw(rng, 3.0, 6.0)), _hold(terminal, rng, TOO_SHORT_S, file["placement"]["u_rel"])]
        steps += [
            Rest(_draw(rng, 3.0, 6.0)),
            _hold(terminal, rng, _draw(rng, 32.0 if terminal.events else 28.0, 45.0), file["placement"]["u_rel"]),
        ]
    steps += [Carry(_draw(rng, 6.0, 10.0)), Rest(12.0)]
    return Scenario(hood, tuple(steps), ROOM)


def page_scenario(seed: int) -> Scenario:
    """Draw a visit for the eye: the demo's terminals in their order, the first one twice, calm holds, short ways.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Scenario
    """
    rng = np.random.default_rng((seed, 2))
    file = tomllib.loads(demo_hood_toml())
    steps: list[Step] = [Rest(8.0)]
    for terminal in (TERMINALS[0], *TERMINALS):
        calm = replace(
            _hold(terminal, rng, _draw(rng, 26.0, 30.0), file["placement"]["u_rel"]),
            events=(),
            turbulence_rel=0.025,
            taus_s=(0.3,),
            weights=(1.0,),
        )
        steps += [Carry(_draw(rng, 4.0, 6.0)), Rest(4.0), calm, Carry(_draw(rng, 10.0, 12.0)), Rest(6.0)]
    return Scenario(true_hood(file, rng), tuple(steps), ROOM)


def true_hood(file: dict[str, Any], rng: np.random.Generator) -> TrueHood:
    """Draw the hood that a hood file describes, errors and all, from the file's own uncertainties.

    Parameters
    ----------
    file : dict
        A hood file as tomllib reads it, with `[vane]` and `[taps]`. The errors of k and c are common to both
        directions, and independent of one another.
    rng : numpy.random.Generator

    Returns
    -------
    TrueHood
    """
    vane, taps = file["vane"], file["taps"]
    too_much_k = 1.0 + vane["u_k_rel"] * rng.standard_normal()
    too_much_c = 1.0 + taps["u_c_rel"] * rng.standard_normal()
    return TrueHood(
        bore_mm=file["pipe"]["bore_mm"],
        offset_m_s=vane["offset_m_s"],
        gain_m_s_per_hz=vane["gain_m_s_per_hz"],
        start_m_s=vane["start_m_s"],
        k=vane["k"] * too_much_k,
        c=taps["c"] * too_much_c,
        k_extract=vane.get("extract", vane).get("k", vane["k"]) * too_much_k,
        c_extract=taps.get("extract", taps).get("c", taps["c"]) * too_much_c,
        zero_pa=taps["zero_pa"] + taps["u_zero_pa"] * rng.standard_normal(),
        reference_pressure_pa=taps.get("reference_pressure_pa"),
        response_length_m=vane.get("response_length_m", 0.4),
        edges_per_rev=vane.get("edges_per_rev", 8),
    )


def _draw(rng: np.random.Generator, low: float, high: float) -> float:
    return round(float(rng.uniform(low, high)), 1)


def _hold(terminal: Terminal, rng: np.random.Generator, seconds: float, u_placement_rel: float) -> Hold:
    share = _draw(rng, 0.5, 0.8)
    supply = terminal.direction == "supply"
    return Hold(
        terminal=terminal.id,
        direction=terminal.direction,
        flow_m3h=terminal.true_m3h,
        seconds=seconds,
        turbulence_rel=float(rng.uniform(0.03, 0.08)),
        taus_s=(_draw(rng, 0.2, 0.5), _draw(rng, 0.8, 1.8)),
        weights=(share, 1.0 - share),
        events=tuple(event for event in terminal.events if event.at_s < seconds),
        press_s=_draw(rng, 0.2, 0.8),
        lift_s=_draw(rng, 0.2, 0.4),
        air_temp_c=_draw(rng, SUPPLY_COLDEST_C, SUPPLY_WARMEST_C) if supply else None,
        placement_rel=float(u_placement_rel * rng.standard_normal()),
    )
