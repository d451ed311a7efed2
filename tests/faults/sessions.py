"""A client of a simulated bench, in process on the virtual clock and over real lines."""

import socket
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager

import serial
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import read
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line
from autocell.description import BenchDescription
from autocell.errors import NoReply

SEED = 7
PATIENCE_S = 20.0


class Session(ABC):
    """The same questions to the same instruments, however they are reached."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self.heard: list[bytes] = []

    @abstractmethod
    def motion(self, command: bytes) -> None:
        """Send a command, and hear what there is to hear."""

    @abstractmethod
    def meter(self, query: bytes) -> None:
        """Ask, and hear the answer."""

    def wait(self, seconds: float) -> None:
        """Let so much time pass for the bench, or more."""
        self.bench.clock.sleep(seconds)


class InProcess(Session):
    """In this process."""

    def __init__(self, bench: SimulatedBench) -> None:
        super().__init__(bench)
        connect = connector(bench)
        devices = bench.description.devices
        self._lines = {name: connect(devices[name].address, Line(bench.clock)) for name in devices}

    def motion(self, command: bytes) -> None:
        self._lines["motion"].write(command)
        self.bench.clock.sleep(0.05)
        line = self._lines["motion"]
        deadline = self.bench.clock.now()
        while True:
            try:
                self.heard.append(line.read_until(b"\r\n", deadline))
            except NoReply:
                return

    def meter(self, query: bytes) -> None:
        self._lines["meter"].write(query)
        self.heard.append(self._lines["meter"].read_until(b"\n", self.bench.clock.now() + 5.0))


class Served(Session):
    """Over a pseudo-terminal or a port, and a socket."""

    def __init__(self, bench: SimulatedBench, addresses: dict[str, str]) -> None:
        super().__init__(bench)
        self._port = serial.serial_for_url(addresses["motion"], timeout=0.3)
        host, number = addresses["meter"].split("::")[1:3]
        self._meter = socket.create_connection((host, int(number)), PATIENCE_S)

    def motion(self, command: bytes) -> None:
        self._port.write(command)
        while line := self._port.read_until(b"\r\n"):
            self.heard.append(line.removesuffix(b"\r\n"))
            if self._port.in_waiting == 0:
                self.bench.clock.sleep(0.05)
                if self._port.in_waiting == 0:
                    return

    def meter(self, query: bytes) -> None:
        self._meter.sendall(query)
        reply = b""
        while not reply.endswith(b"\n"):
            reply += self._meter.recv(1000)
        self.heard.append(reply.removesuffix(b"\n"))

    def close(self) -> None:
        self._port.close()
        self._meter.close()


def in_process(description: BenchDescription, scenario: str) -> InProcess:
    """A bench in this process, on the virtual clock."""
    return InProcess(SimulatedBench(description, SEED, VirtualClock(), scenario=read(scenario)))


@contextmanager
def served(
    description: BenchDescription, scenario: str, *, pseudo_terminals: bool
) -> Iterator[Served]:
    """The same bench on real lines, in real time."""
    bench = SimulatedBench(description, SEED, RealClock(), scenario=read(scenario))
    bench.truth_report()
    with serve(bench, pseudo_terminals=pseudo_terminals) as ports:
        session = Served(bench, dict(ports.addresses))
        try:
            yield session
        finally:
            session.close()
