"""The words of `hoodtrace hood`: what each number may be, and which options go together.

Numbers in a wrong unit are recognised by their size, and the message says what they would be in the right one.
"""

from __future__ import annotations

import math
from pathlib import Path

from hoodtrace.errors import UsageError

METRES = (("m", 1000.0), ("cm", 10.0))
PERCENT = (("percent", 0.01),)
LIMITS: dict[str, tuple[float, float, str, tuple[tuple[str, float], ...]]] = {
    "--bore-mm": (40.0, 500.0, "mm", METRES),
    "--length-mm": (40.0, 2000.0, "mm", METRES),
    "--blade-mm": (20.0, 500.0, "mm", METRES),
    "--flows": (0.5, 3000.0, "m3/h", (("m3/s", 3600.0),)),
    "--start-m-s": (0.02, 3.0, "m/s", (("cm/s", 0.01),)),
    "--gain-m-s-per-hz": (1e-4, 10.0, "m/s per Hz", ()),
    "--offset-m-s": (0.0, 3.0, "m/s", (("cm/s", 0.01),)),
    "--c": (0.05, 2.0, "", ()),
    "--u-zero-pa": (0.0005, 10.0, "Pa", ()),
    "--chip-pa": (10.0, 10000.0, "Pa", ()),
    "--branch-pa": (0.1, 2000.0, "Pa", ()),
    "--stack-m": (0.3, 100.0, "m", ()),
    "--outside-c": (-50.0, 60.0, "C", ()),
    "--inside-c": (-50.0, 60.0, "C", ()),
    "--most-share": (0.0005, 0.5, "of the pressure", PERCENT),
    "--turbulence-rel": (0.0, 1.0, "of the mean", PERCENT),
    "--tube-mm": (10.0, 5000.0, "mm", (("m", 1000.0),)),
    "--tube-bore-mm": (0.5, 15.0, "mm", (("m", 1000.0),)),
    "--tap-spread-rel": (0.0, 1.0, "of the mean", PERCENT),
}
"""What each number may be, and the units it is often given in by mistake with their factors. Own choices."""


def checked(option: str, value: float) -> float:
    """Return `value` if `option` may have it; else say what is possible and which unit was perhaps meant."""
    low, high, unit, others = LIMITS[option]
    if math.isfinite(value) and low <= value <= high:
        return value
    meant = (f" If that was {name}, give {value * to:g}." for name, to in others if low <= value * to <= high)
    raise UsageError(
        f"{option} {value:g}: {low:g} to {high:g} {unit} is possible.".replace("  ", " ") + next(meant, "")
    )


def numbers(option: str, text: str | None) -> list[float]:
    """Return the numbers of a list such as 15,30,60; none where the option was not given."""
    if text is None:
        return []
    try:
        values = [float(word) for word in text.split(",")]
    except ValueError:
        raise UsageError(f"{option} {text}: give numbers with commas between, such as 15,30,60.") from None
    return [checked(option, value) for value in values]


def fit_together(
    hood: Path | None,
    planned: dict[str, float | None],
    other: dict[str, float | None],
    flows_m3h: list[float],
    tubes_mm: list[float],
    natural: bool,
    trace: Path | None,
) -> None:
    """Refuse options that contradict each other or need one another."""
    given = [option for option, value in planned.items() if value is not None]
    stack = [option for option in ("--stack-m", "--outside-c", "--inside-c") if other[option] is not None]
    outside, inside = other["--outside-c"], other["--inside-c"]
    words = None
    if hood is not None and given:
        words = (
            f"{', '.join(given)}: the hood file says that. Leave it out, or leave the hood file out to plan another."
        )
    elif hood is None and (planned["--bore-mm"] is None or not flows_m3h):
        words = (
            "Give a hood file, or --bore-mm and --flows of a hood to be built, such as --bore-mm 100 --flows 15,30,60."
        )
    elif hood is None and trace is not None:
        words = "--trace needs the hood file of the hood that made it. For a planned hood give --turbulence-rel."
    elif trace is not None and other["--turbulence-rel"] is not None:
        words = "--trace and --turbulence-rel both say how rough the air is. Give one."
    elif natural and other["--branch-pa"] is not None:
        words = "--natural and --branch-pa exclude each other. For natural ventilation give --stack-m and temperatures."
    elif stack and (not natural or len(stack) < 3):
        words = f"{', '.join(stack)}: --stack-m, --outside-c and --inside-c go together, with --natural."
    elif outside is not None and inside is not None and outside >= inside:
        words = (
            f"--outside-c {outside:g} is not colder than --inside-c {inside:g}: such a stack drives nothing upwards."
        )
    elif bool(tubes_mm) != (other["--tube-bore-mm"] is not None):
        words = "--tube-mm and --tube-bore-mm go together."
    if words is not None:
        raise UsageError(words)
