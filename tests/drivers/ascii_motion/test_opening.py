"""Who is there, whose line it is, and sections of the bench file that cannot be used."""

from __future__ import annotations

import pytest
from autocell_drivers.ascii_motion import open_device
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line
from autocell.errors import BenchFileError, Busy, Disconnected, NoReply, WrongIdentity
from tests.drivers.ascii_motion.plain_controller import SPACING, PlainController, section


def test_opening_tells_who_is_there_and_how_its_axes_are(bench):
    device, _, _ = bench(PlainController())
    axis = device.axis("spacing", SPACING)
    assert device.identity == "PLAIN-MOTION 1.2 SN 0417"
    assert axis.name == "spacing"
    assert list(device.notes) == ["dialect plain-motion", "axis spacing (1): referenced"]


@pytest.mark.parametrize(
    ("answer", "error", "told"),
    [
        ([b"ID OTHER-MOTION 2.0\r\n"], WrongIdentity, "PLAIN-MOTION.*OTHER-MOTION"),
        ([b"SOMETHING ELSE\r\n"], WrongIdentity, "PLAIN-MOTION.*SOMETHING ELSE"),
        ([], NoReply, "silent"),
        ([b"ID PLAIN"], NoReply, "end of a message"),
    ],
)
def test_wrong_or_silent_controller_is_refused_and_let_go(serve, folder, answer, error, told):
    instrument = serve("pty", lambda line: iter(answer), b"\r")
    words = section(folder, instrument.address)
    with pytest.raises(error, match=told):
        open_device(words, RealClock(), connect)
    connect(instrument.address, Line(RealClock())).close()


def test_second_driver_on_the_port_is_refused(bench, folder):
    _, instrument, clock = bench(PlainController())
    with pytest.raises(Busy, match="this program itself"):
        open_device(section(folder, instrument.address), clock, connect)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"dialect": "none.yaml"}, r"none\.yaml cannot be read"),
        ({"dialect": 7}, "dialect is 7"),
        ({"baud": "fast"}, "baud is 'fast'"),
        ({"parity": "even"}, "parity is not a key"),
        ({"identity": ""}, "identity is ''"),
    ],
)
def test_section_that_cannot_be_used_is_refused_before_anything_opens(folder, changes, told):
    def opens_nothing(address, line):
        raise AssertionError(f"{address} was opened")

    with pytest.raises(BenchFileError, match=told):
        open_device(section(folder, "/dev/null", **changes), VirtualClock(), opens_nothing)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (SPACING | {"channel": 0}, r"axes\.spacing\.channel is 0"),
        (SPACING | {"channel": 8}, r"axes\.spacing\.channel 8: .*no such axis"),
        (SPACING | {"direction": 2}, r"axes\.spacing\.direction is 2"),
        (SPACING | {"units_per_mm": -1}, r"axes\.spacing\.units_per_mm is -1"),
        (SPACING | {"units_per_mrad": 1}, r"axes\.spacing\.units_per_mrad does not fit"),
    ],
)
def test_axis_that_cannot_be_used_is_refused(bench, words, told):
    device, _, _ = bench(PlainController())
    with pytest.raises(BenchFileError, match=told):
        device.axis("spacing", words)


def test_controller_that_goes_away_is_disconnected(serve, folder, hang_up):
    controller = PlainController()
    instrument = serve("pty", controller, b"\r")
    device = open_device(section(folder, instrument.address), RealClock(), connect)
    axis = device.axis("spacing", SPACING)
    controller.trouble["# PO?"] = [[hang_up]]
    with pytest.raises(Disconnected):
        axis.position()
    device.close()
    device.close()


def test_motion_controller_measures_no_power(bench):
    device, _, _ = bench(PlainController())
    with pytest.raises(BenchFileError, match="motion controller"):
        device.power_meter("power_meter", {"channel": 1})
