"""The served bench over a real pseudo-terminal and real sockets, with nobody's driver between."""

import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.serving import Served, serve

from autocell.bench.clock import RealClock
from autocell.bench.file import load, shipped
from autocell.description import BenchDescription

PATIENCE_S = 20.0
"""How long a test waits for what comes at once, before it fails."""


@pytest.fixture
def served(description: BenchDescription) -> Iterator[Served]:
    with serve(SimulatedBench(description, 7, RealClock())) as served:
        yield served


def open_port(served: Served) -> serial.SerialBase:
    return serial.serial_for_url(served.addresses["motion"], timeout=PATIENCE_S)


def open_socket(served: Served) -> socket.socket:
    _, host, port, kind = served.addresses["meter"].split("::")
    assert (host, kind) == ("127.0.0.1", "SOCKET")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def ask(client: socket.socket, query: bytes) -> bytes:
    client.sendall(query)
    reply = b""
    while not reply.endswith(b"\n"):
        received = client.recv(4096)
        assert received, f"the meter hung up after {reply!r}"
        reply += received
    return reply


def everything(client: socket.socket) -> bytes:
    """All that comes until the other end closes."""
    received = b""
    while data := client.recv(4096):
        received += data
    return received


def test_a_controller_on_a_pseudo_terminal_answers_pyserial(served: Served) -> None:
    # where there are none it is on a TCP port by itself, and nothing else changes
    assert served.addresses["motion"].startswith("/dev/" if hasattr(os, "openpty") else "socket:")
    with open_port(served) as port:
        port.write(b"ID?\r")
        assert port.read_until(b"\r\n") == b"ID PLAIN-MOTION 1.2 SN 0417\r\n"


def test_a_controller_on_a_tcp_serial_port_answers_pyserial(
    description: BenchDescription,
) -> None:
    bench = SimulatedBench(description, 7, RealClock())
    with serve(bench, pseudo_terminals=False) as served:
        assert served.addresses["motion"].startswith("socket://127.0.0.1:")
        with open_port(served) as port:
            port.write(b"1 LI?\r")
            assert port.read_until(b"\r\n") == b"1 LI 0.00000 50.00000\r\n"


def test_a_move_over_the_line_arrives(served: Served) -> None:
    with open_port(served) as port:
        port.write(b"4 MA 0.05\r")
        assert port.read_until(b"\r\n") == b"4 OK\r\n"
        position = 0.0
        for _ in range(1000):
            port.write(b"4 PO?\r")
            position = float(port.read_until(b"\r\n").split()[2])
            if position > 0.0498:
                break
        assert position == pytest.approx(0.05, abs=2e-4)


def test_clients_of_the_controller_may_come_and_go(served: Served) -> None:
    for _ in range(3):
        with open_port(served) as port:
            port.write(b"1 OU?\r")
            assert port.read_until(b"\r\n") == b"1 OU 1\r\n"


def test_a_controller_whose_replies_nobody_reads_goes_on(served: Served) -> None:
    with open_port(served) as port:
        for _ in range(60):
            port.write(b"1 LI?\r" * 10)
        port.reset_input_buffer()
    with open_port(served) as port:
        for _ in range(100):
            port.reset_input_buffer()
            port.write(b"ID?\r")
            if port.read_until(b"\r\n") == b"ID PLAIN-MOTION 1.2 SN 0417\r\n":
                return
    pytest.fail("the controller never answered in step again")


def test_the_meter_answers_on_its_port(served: Served) -> None:
    with open_socket(served) as client:
        assert ask(client, b"*IDN?\n") == b"EXAMPLE,POWER-METER,0001,1.0\n"
        assert 1e-3 < float(ask(client, b"READ?\n")) < 20e-3


def test_a_client_that_has_finished_sending_still_gets_its_reading(served: Served) -> None:
    with open_socket(served) as client:
        client.sendall(b"*IDN?\nREAD?\n")
        client.shutdown(socket.SHUT_WR)
        identity, reading = everything(client).splitlines()
    assert identity.startswith(b"EXAMPLE,")
    assert float(reading) > 1e-3


def test_the_meter_takes_the_next_client_once_one_has_left(served: Served) -> None:
    for _ in range(5):
        with open_socket(served) as client:
            client.sendall(b"READ?\n")  # left unread
        with open_socket(served) as client:
            assert ask(client, b"*IDN?\n") == b"EXAMPLE,POWER-METER,0001,1.0\n"


def test_a_client_that_resets_its_connection_is_survived(served: Served) -> None:
    client = open_socket(served)
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
    client.sendall(b"READ?\n")
    client.close()
    with open_socket(served) as client:
        assert ask(client, b"*IDN?\n").startswith(b"EXAMPLE,")


def test_a_second_client_of_the_meter_is_turned_away_and_the_first_served(
    served: Served,
) -> None:
    with open_socket(served) as first:
        assert ask(first, b"*IDN?\n").startswith(b"EXAMPLE,")
        with open_socket(served) as second:
            assert everything(second) == b""
        assert ask(first, b"*IDN?\n").startswith(b"EXAMPLE,")


def test_half_a_message_is_forgotten_with_its_client(served: Served) -> None:
    with open_socket(served) as client:
        client.sendall(b"SENS:POW:")
    with open_socket(served) as client:
        assert ask(client, b"*IDN?\n") == b"EXAMPLE,POWER-METER,0001,1.0\n"


def test_controller_and_meter_stand_on_one_bench(served: Served) -> None:
    with open_port(served) as port, open_socket(served) as client:
        ask(client, b"SENS:POW:WAV 1654;RANG 10MW;*OPC?\n")
        assert float(ask(client, b"READ?\n")) > 3e-3
        port.write(b"1 OU 0\r")
        assert port.read_until(b"\r\n") == b"1 OK\r\n"
        assert abs(float(ask(client, b"READ?\n"))) < 10e-6


def test_the_written_bench_file_differs_in_its_addresses_alone(
    served: Served, description: BenchDescription, tmp_path: Path
) -> None:
    written = load(served.write_bench_file(tmp_path / "served.yaml"))
    assert {name: device.address for name, device in written.devices.items()} == served.addresses
    dialect = Path(written.devices["motion"].section["dialect"])
    assert dialect.is_absolute()
    assert dialect.samefile(shipped("peat-bog").parent / "plain-motion.yaml")
    for part in ("laser", "entrance_mirror", "far_mirror", "input_beam", "axes", "meter", "caps"):
        assert getattr(written, part) == getattr(description, part)
    original = shipped("peat-bog").read_text("utf-8").splitlines()
    changed = [
        line for line, new in zip(original, served.bench_file_text().splitlines(), strict=True)
        if line != new
    ]  # fmt: skip
    assert [line.split(":")[0].strip() for line in changed] == ["address", "dialect", "address"]


def test_nothing_is_left_running_or_listening(description: BenchDescription) -> None:
    before = set(threading.enumerate())
    with serve(SimulatedBench(description, 7, RealClock())) as served:
        client = open_socket(served)
        ask(client, b"*IDN?\n")
        port = int(served.addresses["meter"].split("::")[2])
    with client:
        assert everything(client) == b""
    assert set(threading.enumerate()) <= before
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)


def test_an_error_while_serving_still_ends_the_servers(description: BenchDescription) -> None:
    before = set(threading.enumerate())
    with pytest.raises(ZeroDivisionError), serve(SimulatedBench(description, 7, RealClock())):
        raise ZeroDivisionError
    assert set(threading.enumerate()) <= before
