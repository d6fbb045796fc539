"""Words of the page and the report in the reader's language: a key and values in, a sentence out.

Each language is one file in ``texts/`` with the same keys. Values are put in as text and never read as markup or as
another key; numbers take the language's decimal sign. A key that a file lacks is a mistake in the program, not a
sentence: `Words` raises.
"""

from __future__ import annotations

import locale
import math
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from hoodtrace.dwelling.screen import Say, Value
from hoodtrace.units import CFM_PER_M3_S, L_S_PER_M3_S, M3_H_PER_M3_S

FOLDER = Path(__file__).with_name("texts")
ENGLISH = "en"
MINUS = "\N{MINUS SIGN}"
WHOLE_FROM_M3H = 99.95
"""From here flows are shown with one decimal less."""
UNITS = {"m3h": (1.0, 1), "ls": (L_S_PER_M3_S / M3_H_PER_M3_S, 2), "cfm": (CFM_PER_M3_S / M3_H_PER_M3_S, 1)}
"""Units of flow: how many there are to 1 m3/h, and decimals."""


def languages() -> tuple[str, ...]:
    """Return the languages that there are texts for."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def key_of(name: str) -> str:
    """Return a word of the program as a part of a key.

    Examples
    --------
    >>> key_of("as found")
    'as_found'
    """
    return name.replace(" ", "_")


NO_BREAK = "\N{NO-BREAK SPACE}"
"""Stands before a unit, so that it never begins a line."""


class Words:
    """The texts of one language.

    Parameters
    ----------
    language : str or None
        Such as "de" or "de_AT"; None: that of the system. Where there is no such file it is English, and `missing`
        holds what was asked for.
    unit : str
        In which flows are shown: "m3h", "ls" or "cfm" (`UNITS`).

    Examples
    --------
    >>> words = Words("en")
    >>> said = words.say(Say("last.reading", {"terminal": "S1", "flow_m3h": 44.93, "expanded_m3h": 2.18}))
    >>> said.replace(NO_BREAK, " ")
    'S1: 44.9 m³/h ± 2.2 m³/h is kept.'
    """

    def __init__(self, language: str | None = None, unit: str = "m3h") -> None:
        wanted = (language or _system_language()).replace("-", "_").split("_")[0].lower()
        there = wanted in languages()
        self.language = wanted if there else ENGLISH
        self.missing = "" if there else wanted
        self._texts = _read(self.language)
        self._scale, self._digits = UNITS[unit]
        self.unit, self._unit_key = unit, "flow_unit" if unit == "m3h" else f"flow_unit_{unit}"

    @property
    def name(self) -> str:
        """The language's name in itself."""
        return self._texts["language.name"]

    def say(self, said: Say, spoken: bool = False) -> str:
        """Return the sentence; with `spoken` as it is read out, units in full.

        Raises
        ------
        KeyError
            There is no such text, or it wants a value that is not there.
        """
        return self._texts[said.key].strip("\n").format_map(_Filled(self, said.values, spoken))

    def __call__(self, key: str, **values: Value) -> str:
        """Return the text of `key`."""
        return self.say(Say(key, values))

    def head(self, said: Say, spoken: bool = False) -> str:
        """Return the first line: what is read from three metres."""
        return self.say(said, spoken).split("\n", 1)[0]

    def rest(self, said: Say) -> str:
        """Return what stands below the first line; empty where there is nothing."""
        return self.say(said).partition("\n")[2].replace("\n", " ")

    def word(self, group: str, name: str) -> str:
        """Return the word for a name of the program, such as a state; a name with no word comes back as it is."""
        return self._texts.get(f"{group}.{key_of(name)}", name)

    def of(self, *groups: str) -> dict[str, str]:
        """Return the texts of some groups by their whole key, with what goes into them still in braces."""
        return {key: text for key, text in self._texts.items() if key.partition(".")[0] in groups}

    def flow(self, flow_m3h: float, spoken: bool = False) -> str:
        """Return a flow with its unit, rounded to what a hood can tell.

        Examples
        --------
        >>> words = Words("en")
        >>> [words.flow(each).split() for each in (44.949, 312.4, 0.04)]
        [['44.9', 'm³/h'], ['312', 'm³/h'], ['0.04', 'm³/h']]
        """
        unit = self._texts["language.flow_unit_spoken"] if spoken else self.flow_unit
        return f"{self.bare_flow(flow_m3h)}{' ' if spoken else NO_BREAK}{unit}"

    def bare_flow(self, flow_m3h: float) -> str:
        """Return a flow without its unit.

        Examples
        --------
        >>> [Words("en", unit).bare_flow(45.0) for unit in ("m3h", "ls", "cfm")]
        ['45.0', '12.50', '26.5']
        """
        size = abs(flow_m3h)
        digits = self._digits + (-1 if size >= WHOLE_FROM_M3H else 1 if 0.0 < size < 0.05 else 0)
        return self.number(flow_m3h * self._scale, digits)

    @property
    def flow_unit(self) -> str:
        """The unit that flows are shown in."""
        return self._texts[f"language.{self._unit_key}"]

    @property
    def decimal(self) -> str:
        """The language's decimal sign."""
        return self._texts["language.decimal"]

    def in_unit(self, flow_m3h: float) -> float:
        """Return a flow in the unit that flows are shown in."""
        return flow_m3h * self._scale

    def number(self, number: float, digits: int) -> str:
        """Return a number with so many decimals and the language's decimal sign; nought has no minus.

        Examples
        --------
        >>> Words("de").number(-0.04, 1), Words("de").number(1.25, 2)
        ('0,0', '1,25')
        """
        if not math.isfinite(number):
            raise ValueError(f"{number} is nothing to show")
        return f"{number:z.{digits}f}".replace("-", MINUS).replace(".", self._texts["language.decimal"])

    def filled(self, name: str, value: Value, spoken: bool = False) -> str:
        """Return a value as it stands in a sentence; its unit is the end of its name."""
        if isinstance(value, str):
            if name == "direction":
                return self.word("direction", value)
            if name == "wind":
                return self.word("answer", value)
            if name == "why":
                return self._why(value)
            return value
        space = " " if spoken else NO_BREAK
        if name.endswith("_m3h"):
            return self.flow(value, spoken)
        if name.endswith("_rel"):
            return f"{self.number(100.0 * value, 1)}{space}%"
        if name.endswith("_s"):
            return f"{self.number(value, 0)}{space}s"
        if name.endswith("_m"):
            return f"{self.number(value, 1)}{space}m"
        if name == "hood_pa":  # on a natural system hundredths count
            return f"{self.number(value, 2)}{space}Pa"
        if name == "pa" or name.endswith("_pa"):
            return f"{self.number(value, 1)}{space}Pa"
        if name == "ratio" or name.endswith("_ratio"):
            return self.number(value, 2)
        return str(value) if isinstance(value, int) else self.number(value, 1)

    def _why(self, why: str) -> str:
        return self._texts.get(f"why.{key_of(why)}", why)


class _Filled(dict[str, str]):
    """The values of one sentence; one that is missing is a KeyError."""

    def __init__(self, words: Words, values: Mapping[str, Value], spoken: bool) -> None:
        super().__init__({name: words.filled(name, value, spoken) for name, value in values.items()})
        self.setdefault("flow_unit", words.flow_unit)


@cache
def _read(language: str) -> dict[str, str]:
    """Return the texts of a language by their whole key."""
    with (FOLDER / f"{language}.toml").open("rb") as file:
        tables: dict[str, dict[str, Any]] = tomllib.load(file)
    return {f"{group}.{key}": str(text) for group, texts in tables.items() for key, text in texts.items()}


def _system_language() -> str:
    return locale.getlocale()[0] or ENGLISH
