"""What the libraries below do that nobody expects of them, measured, and what becomes of it here.

Each test shows the pitfall on the bare library first: one that is gone need not be avoided.
"""

from __future__ import annotations

import os
import socket

import pytest
import pyvisa
import serial
from autocell_drivers.transports import connect
from pyvisa.constants import BufferOperation

from autocell.bench.clock import RealClock
from autocell.bench.protocols import Line
from autocell.errors import Busy, Disconnected, NoReply

CLOCK = RealClock()


def silent(line):
    yield from ()


def half_an_answer(line):
    yield b"12.3"


@pytest.fixture
def visa():
    """Open a resource with bare PyVISA."""
    resources = []
    manager = pyvisa.ResourceManager("@py")

    def open_resource(address):
        resources.append(manager.open_resource(address))
        return resources[-1]

    yield open_resource
    for resource in resources:
        resource.close()


@pytest.fixture
def line():
    """Open an address as the drivers do."""
    lines = []

    def open_line(address):
        lines.append(connect(address, Line(CLOCK)))
        return lines[-1]

    yield open_line
    for opened in lines:
        opened.close()


def test_closed_tcp_port_opens_without_error_in_visa_and_is_refused_here(visa):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    address = f"TCPIP::127.0.0.1::{port}::SOCKET"
    resource = visa(address)
    with pytest.raises(ConnectionRefusedError):
        resource.query("*IDN?")
    with pytest.raises(Disconnected, match="bench file"):
        connect(address, Line(CLOCK))


def test_clear_is_not_supported_on_serial_lines_flush_is_and_neither_is_needed_here(
    serve, visa, line
):
    resource = visa(serve("visa-pty", silent).address)
    with pytest.raises(pyvisa.VisaIOError) as refusal:
        resource.clear()
    assert refusal.value.error_code == pyvisa.constants.StatusCode.error_nonsupported_operation
    resource.flush(BufferOperation.discard_read_buffer)

    ours = line(serve("visa-pty", half_an_answer).address)
    ours.write(b"?\n")
    with pytest.raises(NoReply):
        ours.read_until(b"\n", CLOCK.now() + 0.1)
    assert ours.discard_input() == 4


def test_sockets_have_no_read_termination_in_visa_and_always_one_here(serve, visa, line):
    def answer_in_two_parts(_line):
        yield b"1.5\n"
        yield 0.05
        yield b"2.5\n"

    resource = visa(serve("visa-socket", silent).address)
    assert resource.read_termination is None

    ours = line(serve("visa-socket", answer_in_two_parts).address)
    ours.write(b"?\n")
    deadline = CLOCK.now() + 5.0
    assert [ours.read_until(b"\n", deadline) for _ in range(2)] == [b"1.5", b"2.5"]


def test_pyserial_returns_half_an_answer_at_its_timeout_and_nothing_does_here(serve, line):
    instrument = serve("pty", half_an_answer)
    with serial.Serial(instrument.device, timeout=0.1) as port:
        port.write(b"?\n")
        assert port.read_until(b"\r\n") == b"12.3"

    ours = line(instrument.address)
    ours.write(b"?\n")
    with pytest.raises(NoReply, match=r"12\.3"):
        ours.read_until(b"\r\n", CLOCK.now() + 0.1)
    ours.discard_input()


@pytest.mark.parametrize("kind", ["pty", "visa-pty"])
def test_exclusive_keeps_out_only_those_that_ask_and_here_nobody_is_overlooked(
    serve, tmp_path, kind
):
    instrument = serve(kind, silent)
    with serial.Serial(instrument.device, exclusive=True):
        with pytest.raises(serial.SerialException):
            serial.Serial(instrument.device, exclusive=True)
        serial.Serial(instrument.device).close()
        with open(instrument.device, "rb", buffering=0):
            pass
        with pytest.raises(Busy, match="this program itself"):
            connect(instrument.address, Line(CLOCK))

    # One that opened it without the lock is seen only by who looks: a program of its own.
    ready, go = tmp_path / "ready", tmp_path / "go"
    os.mkfifo(ready)
    os.mkfifo(go)
    child = os.spawnlp(
        os.P_NOWAIT, "sh", "sh", "-c", f"exec 3<{instrument.device}; echo >{ready}; read x <{go}"
    )
    try:
        ready.read_text()
        with pytest.raises(Busy, match=rf"sh \(process {child}\)"):
            connect(instrument.address, Line(CLOCK))
    finally:
        go.write_text("\n")
        os.waitpid(child, 0)
