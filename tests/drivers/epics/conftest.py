"""Servers in processes of their own, and the devices that speak to them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.drivers.epics.systems import SYSTEMS, open_system
from tests.drivers.other_programs import Server, epics_base, example_beamline, free_port, looking_at


@pytest.fixture(scope="module", autouse=True)
def ports():
    """A port for each server; clients look there and nowhere else."""
    found = {name: free_port() for name in SYSTEMS}
    with looking_at(found.values()):
        yield found


@pytest.fixture(scope="module")
def base_server(ports):
    server = epics_base("BOG:", ports["base"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def motor_server(ports):
    module = "caproto.ioc_examples.fake_motor_record"
    command = ["-m", module, "--interfaces=127.0.0.1", "--prefix=sim:", "--quiet"]
    server = Server(command, ports["caproto"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def beamline_server(ports):
    server = example_beamline(ports["beamline"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def record_server(ports):
    server = motor_ioc("bog2:", ports["record"])
    yield server
    server.stop()


@pytest.fixture(scope="module")
def hanging_server(ports):
    """Serves some of the records that seem to be of the same control system as EPICS Base's."""
    server = motor_ioc("BOG:x:", ports["hanging"])
    yield server
    server.stop()


def motor_ioc(prefix, port):
    program = str(Path(__file__).with_name("motor_ioc.py"))
    return Server([program, "--interfaces=127.0.0.1", "--prefix", prefix, "--quiet"], port)


@pytest.fixture(scope="module")
def bog(base_server):
    device = open_system("base")
    yield device
    device.close()
    device.close()


@pytest.fixture(scope="module")
def motors(motor_server):
    device = open_system("caproto")
    yield device
    device.close()


@pytest.fixture(scope="module")
def record(record_server):
    device = open_system("record")
    yield device
    device.close()


@pytest.fixture
def mortal(ports):
    """A server to be killed, and what opens it."""
    server = epics_base("FEN:", ports["mortal"])
    devices = []

    def opened(**changes):
        devices.append(open_system("mortal", **changes))
        return devices[-1]

    yield server, opened
    server.stop()
    for device in devices:
        device.close()
