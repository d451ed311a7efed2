"""The option ``--bench FILE`` of pytest, and the rig that it names."""

from __future__ import annotations

from pathlib import Path

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option."""
    parser.getgroup("autocell").addoption(
        "--bench",
        metavar="FILE",
        type=Path,
        default=None,
        help="run the conformance suite of autocell's drivers on the real bench of this file; "
        "axes move by up to 1 %% of their range",
    )


@pytest.fixture
def rig(request: pytest.FixtureRequest) -> object:
    """The bench of ``--bench``."""
    from autocell.bench.clock import RealClock
    from autocell.bench.file import load
    from autocell_drivers.conformance.rig import Rig
    from autocell_drivers.transports import connect

    path = request.config.getoption("--bench")
    if path is None:
        raise pytest.UsageError("the conformance suite needs a bench: --bench FILE")
    return Rig(load(path), RealClock(), connect)
