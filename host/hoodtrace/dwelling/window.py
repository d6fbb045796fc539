"""A window: the stretch of a trace that one reading is averaged over, as it was found or as a person chose it.

Windows that were found are the plateaus of holds. A window keeps its name, TRACE:HOLD.PLATEAU, whatever a person does
with it; in the journal it stands whole, with its reading, so that neither a trace that is lost later nor a newer
version of this program changes what was chosen. Times in us since the boot, as the trace has them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import Any, Literal

from hoodtrace.averaging.kept import Chosen
from hoodtrace.averaging.session import Cut, Outcome
from hoodtrace.physics.hood import Hood
from hoodtrace.units import m3h

Reading = Mapping[str, Any]
By = Literal["automatic", "person"]
OTHER_WAY = "direction is not the plan's"


@dataclass(frozen=True, slots=True)
class Window:
    """A window and what it is for.

    `reading` is its row as `hoodtrace readings` has it, of a reading with its budget (`terms`) or of a refusal (`why`).
    `terminal` is the one that the reading was given to (None: to none), `line` the journal's line that gave it, if the
    visit itself did. `rejected` is a person's reason. A window that is `gone` was merged into another.
    """

    trace: str
    hold: int
    plateau: int
    boot: int
    hold_start_us: int
    hold_stop_us: int
    start_us: int
    stop_us: int
    cuts: tuple[Cut, ...]
    reading: Reading
    terminal: str | None = None
    setting: str = ""
    line: int | None = None
    epoch: tuple[int, int] = (0, 0)
    rejected: str = ""
    notes: tuple[str, ...] = ()
    by: By = "automatic"
    gone: bool = False

    @property
    def id(self) -> str:
        """What people call it."""
        return f"{stem(self.trace)}:{self.hold}.{self.plateau}"

    @property
    def place(self) -> Chosen:
        """Where it is in its trace."""
        hold = self.boot, self.hold, self.plateau, self.hold_start_us, self.hold_stop_us
        return Chosen(*hold, self.start_us, self.stop_us, self.cuts)

    @property
    def is_reading(self) -> bool:
        """Whether its air gives a reading."""
        return self.reading.get("flow_m3h") is not None

    @property
    def counts(self) -> bool:
        """Whether it is a reading of its terminal."""
        return self.is_reading and self.terminal is not None and not self.rejected and not self.gone

    def chosen_as(self, other: Window) -> bool:
        """Whether both choose the same stretch for the same terminal: notes and numbers apart."""
        aside: dict[str, Any] = {"reading": {}, "notes": (), "by": "automatic", "epoch": (0, 0)}
        if self.terminal is None and other.terminal is None:
            aside["setting"] = ""
        mine, its = (replace(w, hold_start_us=0, hold_stop_us=0, **aside) for w in (self, other))
        return mine == its


def stem(trace: str) -> str:
    """Return the name of a trace as ids have it.

    Examples
    --------
    >>> stem("traces/01.trace")
    '01'
    """
    return PurePosixPath(trace).stem


def as_entry(window: Window) -> dict[str, Any]:
    """Return a window as the journal keeps it."""
    plain = {name: getattr(window, name) for name in Window.__slots__}
    cuts = [[cut.start_us, cut.stop_us, cut.why] for cut in window.cuts]
    return {
        "id": window.id,
        **plain,
        "cuts": cuts,
        "epoch": list(window.epoch),
        "notes": list(window.notes),
        "reading": dict(window.reading),
    }


def of_entry(entry: Mapping[str, Any]) -> Window:
    """Return the window that the journal keeps.

    Raises
    ------
    ValueError, LookupError, TypeError
        It is none.
    """
    plain = {name: entry[name] for name in Window.__slots__ if name in entry}
    cuts = tuple(Cut(int(start), int(stop), str(why)) for start, stop, why in entry["cuts"])
    house, turned = entry["epoch"]
    window = Window(**{**plain, "cuts": cuts, "epoch": (int(house), int(turned)), "notes": tuple(entry["notes"])})
    whole = (window.hold, window.plateau, window.boot, window.start_us, window.stop_us, window.hold_start_us)
    if not all(isinstance(number, int) for number in whole) or not isinstance(window.reading, Mapping):
        raise ValueError("a window without its place")
    if window.is_reading and not 0.0 < float(window.reading["flow_m3h"]) < math.inf:
        raise ValueError("a reading without a flow")
    return window


def found(trace: str, outcome: Outcome, reading: Reading) -> Window:
    """Return the window of an outcome as the hold finder left it."""
    ends = outcome.hold_start_us, outcome.hold_stop_us, outcome.start_us, outcome.stop_us
    return Window(trace, outcome.hold, outcome.plateau, outcome.boot, *ends, outcome.cuts, reading)


def budget_fields(outcome: Outcome, hood: Hood) -> dict[str, Any]:
    """Return the budget of a reading as the journal keeps it, u in m3/h."""
    terms = [[t.name, m3h(t.u_m3_s), t.dof if t.dof < math.inf else None, t.scope] for t in outcome.averaged.terms]
    return {"terms": terms, "r_k_c": hood.r_k_c, "hood_on": True}


def reading_fields(row: Reading, outcome: Outcome, hood: Hood) -> dict[str, Any]:
    """Return what the journal keeps of a reading: its `row` as `hoodtrace readings` has it, and its budget [m3/h]."""
    dropped = ("vane_m3h", "u_vane_m3h", "taps_m3h", "u_taps_m3h", "confidence")
    kept = {key: value for key, value in row.items() if key not in dropped}
    return {**kept, **budget_fields(outcome, hood), **_air_fields(outcome)}


def _air_fields(outcome: Outcome) -> dict[str, float]:
    """Return the air's temperature and its standard uncertainty (C) where the board measured it."""
    air = outcome.averaged.air
    return {} if air is None or air.assumed else {"air_c": round(air.temp_c, 2), "u_air_c": round(air.u_temp_c, 2)}
