"""What decisions are made of: a line's fields, a refusal, numbers within bounds, a line of text."""

from __future__ import annotations

import math
import unicodedata
from typing import Any

from hoodtrace.dwelling.plan import TURNING
from hoodtrace.dwelling.screen import Say
from hoodtrace.errors import UsageError

LONGEST_TEXT = 500
MOST_M3H = 5000.0

Fields = dict[str, Any]


class NotNow(UsageError):  # noqa: N818
    """A decision that does not fit where the visit stands; `say` is the sentence for a page."""

    def __init__(self, say: Say, text: str) -> None:
        super().__init__(text)
        self.say = say


def number(value: object, what: str, least: float, most: float, unit: str = "") -> float:
    """Return `value` as a number within its bounds.

    Raises
    ------
    UsageError
        It is none, or lies outside.
    """
    try:
        plain = not isinstance(value, bool) and not (isinstance(value, str) and "_" in value)
        found = float(value) if plain and isinstance(value, int | float | str) else math.nan
    except (ValueError, OverflowError):
        found = math.nan
    if not least <= found <= most:
        raise UsageError(f"{what}: {value!r} is no number from {least:g} to {most:g} {unit}".rstrip())
    return found


def words(value: object, what: str) -> str:
    """Return `value` as a line of text.

    Raises
    ------
    UsageError
        It is empty, too long, or holds what no line holds.
    """
    text = " ".join(value.split()) if isinstance(value, str) else ""
    if not text or len(text) > LONGEST_TEXT:
        raise UsageError(f"{what}: give some words, at most {LONGEST_TEXT} letters")
    if any(unicodedata.category(c) in ("Cc", "Cs") or c in TURNING for c in text):
        raise UsageError(f"{what}: has a letter that can't be seen, or that turns the writing round. Type it anew")
    return text
