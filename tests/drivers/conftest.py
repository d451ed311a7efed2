"""Small instruments that follow a script, on real pseudo-terminals and real TCP ports."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

import pytest

HANG_UP = object()
"""What a script yields to end the connection."""

Script = Callable[[bytes], Iterator[bytes | float | object]]
"""A line that arrived, without its ending, or, where lines have none, the bytes that came; yields
bytes to send and seconds to wait."""


@dataclass
class Instrument:
    """One scripted instrument: where it is, and every line it was sent."""

    address: str
    device: str
    lines: list[bytes] = field(default_factory=list)
    leftover: bytes = b""
    stop: threading.Event = field(default_factory=threading.Event)


def _serve(
    instrument: Instrument,
    script: Script,
    ending: bytes,
    receive: Callable[[], bytes | None],
    send: Callable[[bytes], object],
) -> None:
    while not instrument.stop.is_set():
        data = receive()
        if data is None:
            return
        if ending:
            *lines, instrument.leftover = (instrument.leftover + data).split(ending)
        else:
            lines = [data] if data else []
        for line in lines:
            instrument.lines.append(line)
            for step in script(line):
                if step is HANG_UP or instrument.stop.is_set():
                    return
                if isinstance(step, bytes):
                    send(step)
                else:
                    time.sleep(float(step))  # type: ignore[arg-type]


@contextlib.contextmanager
def on_pty(script: Script, ending: bytes) -> Iterator[Instrument]:
    """An instrument on a pseudo-terminal."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    instrument = Instrument(address=os.ttyname(theirs), device=os.ttyname(theirs))
    hung_up = threading.Event()

    def receive() -> bytes | None:
        if not select.select([ours], [], [], 0.02)[0]:
            return b""
        try:
            return os.read(ours, 4096)
        except OSError:
            return None

    def send(data: bytes) -> None:
        # nobody reads and the line is full: lost, or this would wait for ever
        with contextlib.suppress(BlockingIOError):
            os.write(ours, data)

    def run() -> None:
        _serve(instrument, script, ending, receive, send)
        os.close(theirs)
        os.close(ours)
        hung_up.set()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield instrument
    finally:
        instrument.stop.set()
        thread.join()


@contextlib.contextmanager
def on_tcp(script: Script, ending: bytes) -> Iterator[Instrument]:
    """An instrument on a TCP port of this machine."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        host, port = server.getsockname()
        instrument = Instrument(address=f"{host}:{port}", device="")

        def run() -> None:
            while not instrument.stop.is_set():
                if not select.select([server], [], [], 0.02)[0]:
                    continue
                line, _ = server.accept()
                with line, contextlib.suppress(ConnectionError):
                    _serve(instrument, script, ending, partial(_receive, line), line.sendall)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield instrument
        finally:
            instrument.stop.set()
            thread.join()


def _receive(line: socket.socket) -> bytes | None:
    if not select.select([line], [], [], 0.02)[0]:
        return b""
    return line.recv(4096) or None


Serve = Callable[..., Instrument]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Start scripted instruments of the kinds pty, visa-pty, socket and visa-socket."""
    with contextlib.ExitStack() as running:

        def start(kind: str, script: Script, ending: bytes = b"\n") -> Instrument:
            if kind.endswith("pty"):
                instrument = running.enter_context(on_pty(script, ending))
                if kind == "visa-pty":
                    instrument.address = f"ASRL{instrument.device}::INSTR"
                return instrument
            instrument = running.enter_context(on_tcp(script, ending))
            host, port = instrument.address.split(":")
            instrument.address = (
                f"TCPIP::{host}::{port}::SOCKET"
                if kind == "visa-socket"
                else f"socket://{host}:{port}"
            )
            return instrument

        yield start


@pytest.fixture
def hang_up() -> object:
    """What a script yields to end the connection."""
    return HANG_UP
