"""Words of a report: the texts of its language with flows in its unit, names as typed, and what is left out of it.

Names are data: right-to-left ones are isolated (Unicode UAX #9, FSI and PDI), so that they turn nothing round them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hoodtrace.dwelling.screen import Say, Value
from hoodtrace.reporting.pdf import ISOLATE, ISOLATE_END
from hoodtrace.reporting.texts import NO_BREAK, Words, key_of

DASH = "\N{EN DASH}"
PLUS_MINUS = f"{NO_BREAK}\N{PLUS-MINUS SIGN}{NO_BREAK}"
CUTS = ("gust", "knock", "leak or gust")
"""Why the averaging leaves stretches out."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:s|mm|Pa|hPa|kg/m³|°C|%)(?!\w))")
_RIGHT_TO_LEFT = ("R", "AL", "RLE", "RLO", "RLI")


@dataclass(frozen=True, slots=True)
class Options:
    """How a report is made: `language` (two letters), `unit` ("m3h", "ls" or "cfm"), and whether names are shown."""

    language: str = "en"
    unit: str = "m3h"
    names: bool = True


class ReportWords(Words):
    """The words of one report.

    Parameters
    ----------
    options : Options
    """

    def __init__(self, options: Options) -> None:
        super().__init__(options.language, options.unit)
        self.names = options.names

    def r(self, key: str, **values: Value) -> str:
        """Return a text of the report's own; no line ends between a number and its unit."""
        return _BEFORE_UNIT.sub(NO_BREAK, self(f"report.{key}", **values))

    def filled(self, name: str, value: Value, spoken: bool = False) -> str:
        """Return a value as it stands in a sentence, names isolated."""
        return isolated(super().filled(name, value, spoken))

    def interval(self, flow_m3h: float, half_m3h: float) -> str:
        """Return a flow with its half-width, without the unit."""
        whole = self.bare_flow(flow_m3h)
        digits = len(whole.partition(self.decimal)[2])
        return f"{whole}{PLUS_MINUS}{self.number(self.in_unit(half_m3h), max(digits, self._least_digits(half_m3h)))}"

    def _least_digits(self, half_m3h: float) -> int:
        """As many decimals as it takes to see that an uncertainty is not nothing."""
        size = self.in_unit(half_m3h)
        return 0 if size >= 0.95 or size == 0.0 else 1 if size >= 0.095 else 2 if size >= 0.0095 else 3

    def percent(self, part: float, digits: int = 1) -> str:
        """Return a part of 1 in percent."""
        return f"{self.number(100.0 * part, digits)}{NO_BREAK}%"

    def seconds(self, seconds: float) -> str:
        """Return a time of a trace, without the unit."""
        return self.number(seconds, 1)

    def when(self, utc: object) -> str:
        """Return a time of day (ISO 8601, UTC) to the minute."""
        said = str(utc or "")
        return f"{said[:10]} {said[11:16]} UTC" if len(said) >= 16 else said

    def difference(self, half_m3h: float) -> str:
        """Return how far two flows may lie apart, without the unit."""
        size = self.in_unit(half_m3h)
        return self.number(size, 0 if size >= 9.95 else 1 if size >= 0.95 else 2)

    def cut(self, why: str) -> str:
        """Return why a stretch was cut out: found by the program, or a person's own words."""
        return self("review.why_" + key_of(why)) if why in CUTS else self.typed(why) or self.r("by_hand")

    def why(self, why: str) -> str:
        """Return why a window gives no reading."""
        return self._texts.get(f"review.why_{key_of(why)}") or self.word("flag", why)

    def term(self, name: str) -> str:
        """Return a line of a budget; one of another meter is called by the meter."""
        return self._texts.get(f"term.{key_of(name)}") or self.typed(name)

    def typed(self, text: str) -> str:
        """Return what somebody wrote in their own words; where names are not to be shown, that it is left out."""
        if not text:
            return ""
        return isolated(text) if self.names else self.r("words_left_out")

    def isolated(self, name: str) -> str:
        """Return a name, see `isolated`."""
        return isolated(name)

    def named(self, names: Iterable[str], most: int = 12) -> str:
        """Return names in a row; of many the first ones and how many more there are."""
        all_names = [isolated(name) for name in names]
        shown = ", ".join(all_names[:most])
        return shown if len(all_names) <= most else self.r("and_more", shown=shown, n=len(all_names) - most)

    def said(self, says: Sequence[Say]) -> str:
        """Return sentences as one text; texts with a large first line are read on."""
        return " ".join(self.flat(each) for each in says)

    def flat(self, say: Say) -> str:
        """Return a text of two sizes as one sentence after the other."""
        head, rest = self.head(say), self.rest(say)
        if not rest:
            return head
        return f"{head}{'' if head.endswith(('.', '?', '!', ':', ';', '·')) else '.'} {rest}"


def isolated(text: str) -> str:
    """Return a text that turns nothing around it: isolated where any letter of it runs from right to left.

    Examples
    --------
    >>> isolated("Kitchen"), [f"{ord(c):x}" for c in isolated("\\u05d0")]
    ('Kitchen', ['2068', '5d0', '2069'])
    """
    if text.startswith(ISOLATE) or not any(unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in text):
        return text
    return f"{ISOLATE}{text}{ISOLATE_END}"
