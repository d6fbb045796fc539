"""What to do next, as a record of keys and values; sentences are made elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Do = Literal["measure", "turn", "fan", "done"]
Until = Literal["reads", "open", "shut"]


@dataclass(frozen=True, slots=True)
class Step:
    """The next thing to do.

    measure : go to `terminal` and read it as it is.
    turn : at `terminal`, turn the valve until the hood reads `target_m3h` (from `low_m3h` to `high_m3h`), hood on; or,
        where `until` is "open" or "shut", to that stop: `target_m3h` is then what it will show there.
    fan : set the fan to `ratio` of what it was at the beginning.
    done : nothing more.

    `why` is a key; `values` are what its sentence needs.
    """

    do: Do
    why: str
    terminal: str = ""
    target_m3h: float | None = None
    low_m3h: float | None = None
    high_m3h: float | None = None
    until: Until = "reads"
    ratio: float | None = None
    values: Mapping[str, float | str] = field(default_factory=dict)
