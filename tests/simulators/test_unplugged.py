"""Ports that disappear and come back, on real pseudo-terminals and sockets."""

import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import serial
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.serving import Served, serve

from autocell.bench.clock import RealClock
from autocell.description import BenchDescription

PATIENCE_S = 20.0
IDENTITY = b"ID PLAIN-MOTION 1.2 SN 0417\r\n"
Bench = tuple[SimulatedBench, Served]


@contextmanager
def serving(description: BenchDescription, *, pseudo_terminals: bool = True) -> Iterator[Bench]:
    bench = SimulatedBench(description, 7, RealClock(), scenario=Scenario())
    with serve(bench, pseudo_terminals=pseudo_terminals) as ports:
        yield bench, ports


def until(happens: Callable[[], bool]) -> None:
    """Wait for what comes at once, and fail if it does not."""
    deadline = time.monotonic() + PATIENCE_S
    while not happens():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def unplug(bench: SimulatedBench, device: str, *, new_name: bool = False) -> None:
    bench.begin({"fault": "disconnected", "device": device, "new_name": new_name})


def refuses(address: str) -> bool:
    """Whether nobody listens at a TCP address of a bench file."""
    host, port = address.split("::")[1:3]
    try:
        socket.create_connection((host, int(port)), PATIENCE_S).close()
    except (ConnectionRefusedError, ConnectionResetError):
        return True
    return False


def is_dead(port: serial.SerialBase) -> bool:
    try:
        port.write(b"ID?\r")
        port.read(1)
    except OSError:
        return True
    return False


def identity(meter_address: str) -> bytes:
    host, port = meter_address.split("::")[1:3]
    with socket.create_connection((host, int(port)), PATIENCE_S) as client:
        client.sendall(b"*IDN?\n")
        return client.recv(100)


def test_an_unplugged_terminal_is_dead_for_who_had_it_open_and_its_link_finds_it_again(
    description: BenchDescription,
) -> None:
    with serving(description) as (bench, ports):
        link = ports.by_id["motion"]
        assert os.path.realpath(link) == ports.addresses["motion"]
        with serial.serial_for_url(link, timeout=PATIENCE_S) as port:
            port.write(b"ID?\r")
            assert port.read_until(b"\r\n") == IDENTITY
            unplug(bench, "motion", new_name=True)
            until(lambda: is_dead(port))
            old = ports.addresses["motion"]
            bench.end("disconnected")
            until(lambda: ports.addresses["motion"] != old)
            assert os.path.realpath(link) == ports.addresses["motion"]
        with serial.serial_for_url(link, timeout=PATIENCE_S) as port:
            port.write(b"ID?\r")
            assert port.read_until(b"\r\n") == IDENTITY


def test_an_unplugged_tcp_port_breaks_its_connection_and_refuses_others(
    description: BenchDescription,
) -> None:
    with serving(description) as (bench, ports):
        address = ports.addresses["meter"]
        host, port = address.split("::")[1:3]
        with socket.create_connection((host, int(port)), PATIENCE_S) as client:
            client.sendall(b"*IDN?\n")
            assert client.recv(100).startswith(b"EXAMPLE")
            unplug(bench, "meter")
            assert client.recv(100) == b""
        until(lambda: refuses(address))
        bench.end("disconnected")
        until(lambda: not refuses(address))
        assert identity(address).startswith(b"EXAMPLE")
        assert ports.addresses["meter"] == address


def test_a_tcp_port_may_come_back_under_another_number(description: BenchDescription) -> None:
    with serving(description) as (bench, ports):
        address = ports.addresses["meter"]
        unplug(bench, "meter", new_name=True)
        until(lambda: refuses(address))
        bench.end("disconnected")
        until(lambda: ports.addresses["meter"] != address)
        assert identity(ports.addresses["meter"]).startswith(b"EXAMPLE")
        assert refuses(address)


def test_a_port_unplugged_by_the_clock_goes_while_nobody_talks(
    description: BenchDescription,
) -> None:
    with serving(description, pseudo_terminals=False) as (bench, ports):
        address = ports.addresses["meter"]
        host, port = address.split("::")[1:3]
        with socket.create_connection((host, int(port)), PATIENCE_S) as client:
            bench.begin({"fault": "disconnected", "device": "meter", "when": {"at_s": 0.2}})
            assert client.recv(100) == b""


def test_a_slow_line_is_slow_in_real_time_too(description: BenchDescription) -> None:
    with serving(description) as (bench, ports):
        bench.begin({"fault": "slow-line", "device": "meter", "bytes_per_s": 100.0})
        host, port = ports.addresses["meter"].split("::")[1:3]
        with socket.create_connection((host, int(port)), PATIENCE_S) as client:
            client.sendall(b"*IDN?\n")
            began_s = time.monotonic()
            pieces = []
            while not b"".join(pieces).endswith(b"\n"):
                pieces.append(client.recv(100))
            # 29 bytes at 100 a second; it may take longer on a busy machine, never less
            assert time.monotonic() - began_s > 0.25
            assert len(pieces) > 5
