"""The simulated bench on real lines: controllers on pseudo-terminals, meters on TCP ports.

Everything binds the loopback interface only, on ports the system chooses, and is ready for
clients as soon as :func:`serve` hands it out.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from autocell.bench.protocols import Clock
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.bench_file import readdressed
from autocell_simulators.lines import Line

_LOOPBACK = "127.0.0.1"
_CHUNK = 4096
_END_WITHIN_S = 5.0


@dataclass(frozen=True)
class Served:
    """A bench that is being served: the address of each device, as a bench file writes it."""

    addresses: Mapping[str, str]
    bench_path: Path

    def bench_file_text(self) -> str:
        """The bench file of this bench, with the addresses where it is served."""
        return readdressed(self.bench_path, self.addresses)

    def write_bench_file(self, path: Path) -> Path:
        """Write :meth:`bench_file_text`; the path it was written to."""
        path.write_text(self.bench_file_text(), encoding="utf-8")
        return path


@contextmanager
def serve(bench: SimulatedBench, *, pseudo_terminals: bool | None = None) -> Iterator[Served]:
    """Serve every instrument of ``bench``, whose clock is the machine's, until left.

    Each meter gets a TCP port. So do controllers, as serial ports by TCP (``socket://`` of
    pyserial), where there are no pseudo-terminals or none are wanted.
    """
    if pseudo_terminals is None:
        pseudo_terminals = hasattr(os, "openpty")
    addresses: dict[str, str] = {}
    described = bench.description
    meters = {meter.device for meter in (described.meter, described.delay_meter) if meter}
    with ExitStack() as open_ports:
        for name, line in bench.lines.items():
            is_meter = name in meters
            port: _Port
            if is_meter or not pseudo_terminals:
                port = tcp = _TcpPort(line, bench.clock)
                addresses[name] = (
                    f"TCPIP::{_LOOPBACK}::{tcp.number}::SOCKET"
                    if is_meter
                    else f"socket://{_LOOPBACK}:{tcp.number}"
                )
            else:
                port = terminal = _PseudoTerminal(line, bench.clock)
                addresses[name] = terminal.path
            open_ports.enter_context(_running(port, name))
        yield Served(addresses, bench.description.path)


class _Port(Protocol):
    """One served line."""

    def run(self, stop: socket.socket) -> None:
        """Serve until ``stop`` becomes readable, then let go of everything."""
        ...


@contextmanager
def _running(port: _Port, name: str) -> Iterator[None]:
    wake, stop = socket.socketpair()
    thread = threading.Thread(target=port.run, args=(stop,), name=f"served {name}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        wake.send(b"x")
        thread.join(_END_WITHIN_S)
        wake.close()
        stop.close()


class _PseudoTerminal:
    """A serial line. Its own end of the client's side stays open: clients may come and go."""

    def __init__(self, line: Line, clock: Clock) -> None:
        import tty

        self._line = line
        self._clock = clock
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)

    def run(self, stop: socket.socket) -> None:
        try:
            watched = [self._ours, stop.fileno()]
            while True:
                patience_s = _patience(self._line, self._clock)
                readable, _, _ = select.select(watched, [], [], patience_s)
                if stop.fileno() in readable:
                    return
                if self._ours in readable:
                    self._line.feed(os.read(self._ours, _CHUNK))
                if due := self._line.take():
                    # nobody reads and the line is full: lost, as on a wire without handshake
                    with contextlib.suppress(BlockingIOError):
                        os.write(self._ours, due)
        finally:
            os.close(self._ours)
            os.close(self._theirs)


class _TcpPort:
    """A TCP port for one client at a time; whoever comes meanwhile is turned away."""

    def __init__(self, line: Line, clock: Clock) -> None:
        self._line = line
        self._clock = clock
        self._client: socket.socket | None = None
        self._client_has_finished = False
        self._listener = socket.create_server((_LOOPBACK, 0))
        self._listener.setblocking(False)
        self.number: int = self._listener.getsockname()[1]

    def run(self, stop: socket.socket) -> None:
        with self._listener, contextlib.ExitStack() as at_the_end:
            at_the_end.callback(self._drop_client)
            while stop not in (readable := self._wait(stop)):
                if self._client in readable:
                    self._receive()
                self._send()
                if self._listener in readable:
                    self._accept()

    def _wait(self, stop: socket.socket) -> list[socket.socket]:
        watched = [stop, self._listener]
        if self._client is not None and not self._client_has_finished:
            watched.append(self._client)
        return select.select(watched, [], [], _patience(self._line, self._clock))[0]

    def _accept(self) -> None:
        try:
            newcomer, _ = self._listener.accept()
        except OSError:  # gone again
            return
        if self._client is not None and not self._client_has_finished:
            self._receive()  # perhaps it has just left
        if self._client is not None and not self._client_has_finished:
            newcomer.close()
            return
        self._drop_client()
        newcomer.setblocking(False)
        newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = newcomer

    def _receive(self) -> None:
        """Take in all that the client sent. One that has finished still gets its replies."""
        assert self._client is not None
        try:
            while data := self._client.recv(_CHUNK):
                self._line.feed(data)
            self._client_has_finished = True
        except BlockingIOError:
            return
        except OSError:
            self._drop_client()

    def _send(self) -> None:
        due = self._line.take()
        if self._client is None:
            return
        try:
            if due:
                self._client.sendall(due)
        except OSError:  # gone, or not reading for so long that its buffer is full
            self._drop_client()
            return
        if self._client_has_finished and self._line.next_s is None:
            self._drop_client()

    def _drop_client(self) -> None:
        client, self._client = self._client, None
        self._client_has_finished = False
        if client is not None:
            client.close()
            self._line.hang_up()


def _patience(line: Line, clock: Clock) -> float | None:
    """How long to wait for the client before something is due; None is for ever."""
    next_s = line.next_s
    return None if next_s is None else max(next_s - clock.now(), 0.0)
