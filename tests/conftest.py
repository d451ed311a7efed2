"""For all tests: what properties are tried with is the same each time, and nothing is timed."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
