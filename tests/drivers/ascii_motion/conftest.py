"""Small controllers on real pseudo-terminals.

The driver's clock is virtual, so that the lag of a moving bit is a matter of steps and not of luck.
"""

from __future__ import annotations

import pytest
from autocell_drivers.ascii_motion import open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import VirtualClock
from autocell.bench.file import shipped
from tests.drivers.ascii_motion.plain_controller import DIALECT, section


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "plain-motion.yaml").write_text(DIALECT, encoding="utf-8")
    for name in ("step-counting-motion", "checked-motion"):
        (tmp_path / f"{name}.yaml").write_text(shipped(name).read_text("utf-8"), encoding="utf-8")
    return tmp_path


@pytest.fixture
def bench(serve, folder):
    """Open a controller; its device, the script's record and a virtual clock."""
    devices, lines = [], []

    def keep(address, line):
        lines.append(connect(address, line))
        return lines[-1]

    def start(script, ending=b"\r", **changes):
        instrument = serve("pty", script, ending)
        clock = VirtualClock()
        devices.append(open_device(section(folder, instrument.address, **changes), clock, keep))
        return devices[-1], instrument, clock

    yield start
    for device, line in zip(devices, lines, strict=False):
        assert line.discard_input() == 0
        device.close()
