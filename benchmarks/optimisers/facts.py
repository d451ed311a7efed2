"""With what a comparison was run: nothing that depends on the machine."""

from __future__ import annotations

import platform
import subprocess
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

_PACKAGES = ("numpy", "scipy", "cma", "Py-BOBYQA", "PyBADS")


def facts() -> dict[str, str]:
    """Day, source and versions."""
    return {
        "day": f"{datetime.now(UTC):%Y-%m-%d}",
        "source": _source(),
        "python": platform.python_version(),
        **{package: version(package) for package in _PACKAGES},
    }


def _source() -> str:
    """The commit that was run, where there is one to know."""
    try:
        told = subprocess.run(
            ["git", "rev-parse", "--short", "HEAD"],
            cwd=Path(__file__).parent,
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "no repository"
    return told.stdout.strip()
