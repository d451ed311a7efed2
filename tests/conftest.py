"""For all tests: what properties are tried with is the same each time, nothing is timed, and the
compiled optics are those of the sources."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest
from hypothesis import settings

os.environ.setdefault("NUMBA_NUM_THREADS", "1")  # every core has a worker already

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


def pytest_configure(config: pytest.Config) -> None:
    """Only the process that hands out the tests drops the cache, before its workers start: a worker
    would take away what another has just compiled."""
    package = importlib.util.find_spec("autocell")
    if not hasattr(config, "workerinput") and package is not None and package.origin is not None:
        drop_stale_cache(Path(package.origin).parent / "optics")


def drop_stale_cache(folder: Path) -> bool:
    """Remove what numba keeps of the functions in ``folder`` if any of its sources is newer than
    the oldest of that; whether it did.

    Numba looks at the file of a compiled function alone, not at those whose functions it calls.
    """
    cache = folder / "__pycache__"
    indices = [*cache.glob("*.nbi")]
    kept_since = min((index.stat().st_mtime_ns for index in indices), default=None)
    if kept_since is None or all(
        source.stat().st_mtime_ns < kept_since for source in folder.glob("*.py")
    ):
        return False
    # First what leads to the code: whoever runs beside us then compiles anew.
    for kept in [*indices, *cache.glob("*.nbc")]:
        kept.unlink(missing_ok=True)
    return True
