"""What a browser may ask of a review: a change, a stretch of the trace; anything else is `Malformed`.

Only the shape is looked at here; whether a change fits the visit is for the review to say.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, NamedTuple

MOST_BYTES = 16_384
"""Of a body: the longest note fits four times."""
LONGEST_TEXT = 1000
MOST_COLUMNS = 10_000
"""More points than any screen has columns."""
_CHANGES: dict[str, dict[str, str]] = {
    "edges": {"id": "text", "start_s": "number", "end_s": "number"},
    "cut": {"id": "text", "start_s": "number", "end_s": "number", "why": "text, may be missing"},
    "uncut": {"id": "text", "start_s": "number", "end_s": "number"},
    "split": {"id": "text", "at_s": "number"},
    "merge": {"id": "text", "with": "text"},
    "give": {"id": "text", "terminal": "text or null"},
    "reject": {"id": "text", "why": "text"},
    "restore": {"id": "text"},
    "automatic": {"id": "text"},
    "note": {"id": "text", "text": "text"},
    "new": {"trace": "text", "start_s": "number", "end_s": "number", "terminal": "text or null, may be missing"},
}
"""What each change is made of."""


class Malformed(Exception):  # noqa: N818
    """Nothing that the page would send; the text says what is off."""


class Asked(NamedTuple):
    """A change and the version of the state that it was made in; None: not said."""

    change: dict[str, Any]
    version: int | None


def asked(content_type: str, body: bytes, with_change: bool = True) -> Asked:
    """Return what a POST asks for.

    Parameters
    ----------
    content_type : str
        Must be JSON: no form of a foreign page can send that unasked.
    body : bytes
        {"change": {...}, "version": int}; without `with_change` only the version is read.

    Raises
    ------
    Malformed
    """
    if content_type.partition(";")[0].strip().lower() != "application/json":
        raise Malformed("only application/json is read")
    if len(body) > MOST_BYTES:
        raise Malformed(f"more than {MOST_BYTES} bytes")
    try:
        found = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise Malformed("this is no JSON") from error
    if not isinstance(found, dict):
        raise Malformed("an object is needed")
    version = found.get("version")
    if version is not None and (not isinstance(version, int) or isinstance(version, bool)):
        raise Malformed("version: a whole number is needed")
    return Asked(_change(found.get("change")) if with_change else {}, version)


def stretch(query: Mapping[str, str]) -> tuple[float, float, int]:
    """Return x0 and x1 (s on the page's axis) and the number of columns that a stretch is asked for.

    Raises
    ------
    Malformed
    """
    try:
        x0, x1, n_columns = float(query["x0"]), float(query["x1"]), int(query["n"])
    except (KeyError, ValueError) as error:
        raise Malformed("x0, x1 and n are needed, as numbers") from error
    if not (math.isfinite(x0) and math.isfinite(x1) and x0 < x1 and 1 <= n_columns <= MOST_COLUMNS):
        raise Malformed(f"x0 < x1 and 1 <= n <= {MOST_COLUMNS} are needed")
    return x0, x1, n_columns


def _change(given: Any) -> dict[str, Any]:
    if not isinstance(given, dict):
        raise Malformed("change: an object is needed")
    parts = _CHANGES.get(given["do"]) if isinstance(given.get("do"), str) else None
    if parts is None:
        raise Malformed(f"change.do: one of {', '.join(_CHANGES)}")
    if unknown := sorted(set(given) - set(parts) - {"do"}):
        raise Malformed(f"change: {unknown[0][:40]!a} is not known")
    for name, kind in parts.items():
        if name not in given:
            if not kind.endswith("may be missing"):
                raise Malformed(f"change.{name} is missing")
        elif not _fits(given[name], kind):
            raise Malformed(f"change.{name}: {kind.removesuffix(', may be missing')} is needed")
    return {key: float(value) if parts.get(key) == "number" else value for key, value in given.items()}


def _fits(value: Any, kind: str) -> bool:
    if kind == "number":
        return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
    if value is None:
        return "null" in kind
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        return False
    try:
        value.encode()
    except UnicodeEncodeError:  # half a surrogate pair: no file can hold it
        return False
    return True


def _no_number(name: str) -> float:
    raise ValueError(name)
