"""The time of day, as the journal writes it."""

from __future__ import annotations

from datetime import UTC, datetime


def utc_text() -> str:
    """Return the time of day now, UTC, ISO 8601 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
