"""Control systems that nobody here wrote, and what the tests ask of them over real sockets.

- EPICS Base's own server (``python -m epicscorelibs.ioc``), with a database of its standard
  records: an output that slews (OROC) within drive limits, and a power that its calc record
  computes from it, with noise.
- The example motor records and the example beamline of caproto.

Everything stays on the loopback interface, on ports of its own.
"""

from __future__ import annotations

from autocell_drivers.epics import open_device
from caproto import CaprotoTimeoutError
from caproto.sync import client

from autocell.bench.clock import RealClock
from autocell.errors import Disconnected

CLOCK = RealClock()
OUTPUTS = {"m1:target": {"readback": "m1:rbv"}}
SPACING = {"device": "bog", "channel": "m1:target", "limits_mm": [0, 50], "repeatability_mm": 0.001}
MOTOR = {"device": "sim", "channel": "mtr1", "limits_mm": [0, 10], "units_per_mm": 1.0}
RECORD = {"device": "bog", "channel": "m", "limits_mm": [0, 0.01], "repeatability_mm": 1e-5}
METER = {"device": "bog", "channel": "power", "range_mw": 5, "averaging_ms": 100}

SYSTEMS = {
    "base": {"address": "BOG:", "identity": "BOG-IOC", "identity_pv": "NAME", "outputs": OUTPUTS},
    "hanging": {
        "address": "BOG:",
        "identity": "BOG-IOC",
        "identity_pv": "NAME",
        "outputs": OUTPUTS | {"x:m": {"readback": "x:m.RBV", "no_drive_limits": True}},
    },
    "mortal": {"address": "FEN:", "identity": "BOG-IOC", "identity_pv": "NAME", "outputs": OUTPUTS},
    "caproto": {"address": "sim:", "identity": "motor", "identity_pv": "mtr1.RTYP"},
    "record": {"address": "bog2:", "identity": "BOG", "identity_pv": "NAME"},
    "beamline": {"address": "mini:", "identity": "ai", "identity_pv": "ph:mtr.RTYP"},
}


def open_system(which, **changes):
    """Open a system that may still be starting."""
    words = {"driver": "epics", "path": ".", **SYSTEMS[which], **changes}
    return insist(lambda: open_device(words, CLOCK, None))


def write(name, value):
    """As somebody else at the control system would."""
    insist(
        lambda: client.write(name, value, notify=True, repeater=False, timeout=5.0),
        CaprotoTimeoutError,
    )


def read(name):
    """What somebody else would see."""
    seen = insist(lambda: client.read(name, repeater=False, timeout=5.0), CaprotoTimeoutError)
    return seen.data[0]


def insist(ask, unheard=Disconnected):
    """Ask until it is answered: names are looked for in datagrams, which may get lost."""
    deadline = CLOCK.now() + 30.0
    while True:
        try:
            return ask()
        except unheard:
            if CLOCK.now() > deadline:
                raise


def wait_until_rest(axis, patience_s=60.0):
    deadline = CLOCK.now() + patience_s
    while axis.moving():
        assert CLOCK.now() < deadline
        CLOCK.sleep(0.02)


def go(axis, target):
    axis.start_move(target)
    wait_until_rest(axis)
