"""One profile for all property tests: the same draws each run, no deadline on a shared machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("hoodtrace", derandomize=True, deadline=None, database=None)
settings.load_profile("hoodtrace")
