"""The ASCII and SCPI drivers against instruments that nobody here wrote.

- The example motor of lewis (GPL: run as a program of its own, in tests only), over TCP and, with a
  wire between, on a pseudo-terminal.
- A SCPI meter that pyvisa-sim (MIT) plays from a definition file, served on a TCP port.
"""

from __future__ import annotations

import contextlib
import math
import socket

import pytest
import pyvisa
from autocell_drivers import ascii_motion, scpi_power_meter
from autocell_drivers.transports import connect

from autocell.bench.clock import RealClock
from autocell.errors import Refused
from tests.drivers.other_programs import HERE, example_motor

pytestmark = pytest.mark.thorough

CLOCK = RealClock()
AXIS = {"device": "motion", "channel": 1, "limits_mm": [0, 250], "repeatability_mm": 0.001}


@pytest.fixture(scope="module")
def motor_port():
    with example_motor() as port:
        yield port


@pytest.fixture(params=["socket", "pty"])
def motor(request, serve, motor_port):
    """Its axis, by the driver."""
    with contextlib.ExitStack() as wires:
        if request.param == "socket":
            address = f"socket://127.0.0.1:{motor_port}"
        else:
            wire = wires.enter_context(socket.create_connection(("127.0.0.1", motor_port), 5.0))

            def carry(line):
                wire.sendall(line + b"\r\n")
                yield wire.recv(4096)

            address = serve("pty", carry, b"\r\n").address
        section = {
            "driver": "ascii-motion",
            "address": address,
            "identity": "i",
            "dialect": "lewis-example-motor.yaml",
            "path": str(HERE),
        }
        device = ascii_motion.open_device(section, CLOCK, connect)
        yield device.axis("spacing", AXIS)
        device.close()


def wait_until_rest(axis):
    deadline = CLOCK.now() + 60.0
    while axis.moving():
        assert CLOCK.now() < deadline
        CLOCK.sleep(0.02)


def test_example_motor_moves_and_stops_on_its_way(motor):
    start = motor.position()
    target = start + 1e-3 if start < 0.1 else start - 1e-3
    motor.start_move(target)
    assert motor.moving()
    wait_until_rest(motor)
    assert motor.position() == pytest.approx(target, abs=1e-7)
    motor.start_move(0.24)
    CLOCK.sleep(0.3)
    with pytest.raises(Refused, match="not idle"):
        motor.start_move(0.1)
    motor.stop()
    wait_until_rest(motor)
    assert target < motor.position() < 0.2
    with pytest.raises(Refused, match="250"):
        motor.start_move(0.3)
    assert not motor.moving()


@pytest.fixture
def sim_meter(serve):
    """The address of the meter, and the lines that it was sent."""
    manager = pyvisa.ResourceManager(f"{HERE / 'sim-meter.yaml'}@sim")
    (name,) = manager.list_resources("?*")
    instrument = manager.open_resource(name, read_termination="\n", write_termination="\n")

    def play(line):
        instrument.write(line.decode())
        if b"?" in line:
            yield instrument.read().encode() + b"\n"

    yield serve("visa-socket", play)
    instrument.close()
    manager.close()


def settings(wavelength_nm):
    rows = [("SENS:POW:WAV {wavelength_nm:.1f}", "SENS:POW:WAV?", "{wavelength_nm}"),
            ("SENS:POW:RANG {range_w:.3E}", "SENS:POW:RANG?", "{range_w}")]  # fmt: skip
    return {
        "range_mw": 10,
        "averaging_ms": 50,
        "wavelength_nm": wavelength_nm,
        "settings": [{"set": tell, "ask": ask, "expect": told} for tell, ask, told in rows],
    }


def test_meter_of_pyvisa_sim_is_identified_set_and_read(sim_meter):
    section = {"driver": "scpi-power-meter", "address": sim_meter.address, "identity": "SIM-METER"}
    device = scpi_power_meter.open_device(section, CLOCK, connect)
    try:
        assert device.identity == "BOG,SIM-METER,0042,2.0"
        channel = device.power_meter("power_meter", settings(1654))
        assert list(device.notes) == ["SENS:POW:WAV? 1654.0", "SENS:POW:RANG? 1.000E-02"]
        assert channel.read().power_w == pytest.approx(1.25e-3)
        assert math.isfinite(channel.read().power_w)
        assert device.errors() == []
    finally:
        device.close()


def test_setting_that_pyvisa_sim_does_not_take_is_refused(sim_meter):
    section = {"driver": "scpi-power-meter", "address": sim_meter.address, "identity": "SIM-METER"}
    device = scpi_power_meter.open_device(section, CLOCK, connect)
    try:
        with pytest.raises(Refused, match=r"SENS:POW:WAV 2000\.0"):
            device.power_meter("power_meter", settings(2000))
    finally:
        device.close()
