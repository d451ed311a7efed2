"""One scenario gives the same events in process on the virtual clock and over real lines."""

import json
import socket
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import read
from autocell_simulators.inprocess import connector
from autocell_simulators.serving import serve

from autocell.bench.clock import RealClock, VirtualClock
from autocell.bench.protocols import Line
from autocell.description import BenchDescription
from autocell.errors import NoReply

SCENARIO = """
scenario: everything that is counted
seed: 21
faults:
  - {fault: mode-hop, percent: 5, when: {move: 2, part: 0.0}}
  - {fault: stick, axis: horizontal, when: {per_move: 0.5}}
  - {fault: knock, urad: 300, when: {reading: 3}}
  - {fault: duplicated-reply, device: motion, when: {per_query: 0.1}}
  - {fault: garbled-reply, device: motion, when: {query: 9}}
  - {fault: garbled-reply, device: meter, bits: 3, when: {query: 4}}
"""
PATIENCE_S = 20.0


class Session(ABC):
    """The same questions to the same instruments, however they are reached."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self.heard: list[bytes] = []

    @abstractmethod
    def motion(self, command: bytes) -> None: ...

    @abstractmethod
    def meter(self, command: bytes) -> None: ...

    @abstractmethod
    def wait(self) -> None: ...

    def play(self) -> None:
        for turn in range(6):
            self.motion(b"4 MA %.2f\r" % (0.01 * (turn % 2)))
            self.wait()
            self.motion(b"ID?\r")
            self.motion(b"1 LI?\r")
            self.meter(b"*IDN?\n")

    def account(self) -> list[tuple[str, str, str | None, int | None]]:
        return [(event.fault, event.what, event.who, event.count) for event in self.bench.events]


class InProcess(Session):
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

    def meter(self, command: bytes) -> None:
        self._lines["meter"].write(command)
        self.heard.append(self._lines["meter"].read_until(b"\n", self.bench.clock.now() + 5.0))

    def wait(self) -> None:
        self.bench.clock.sleep(0.4)


class Served(Session):
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

    def meter(self, command: bytes) -> None:
        self._meter.sendall(command)
        reply = b""
        while not reply.endswith(b"\n"):
            reply += self._meter.recv(1000)
        self.heard.append(reply.removesuffix(b"\n"))

    def wait(self) -> None:
        self.bench.clock.sleep(0.4)

    def close(self) -> None:
        self._port.close()
        self._meter.close()


@contextmanager
def served(description: BenchDescription, *, pseudo_terminals: bool) -> Iterator[Served]:
    bench = SimulatedBench(description, 7, RealClock(), scenario=read(SCENARIO))
    bench.truth_report()
    with serve(bench, pseudo_terminals=pseudo_terminals) as ports:
        session = Served(bench, dict(ports.addresses))
        try:
            yield session
        finally:
            session.close()


@pytest.mark.parametrize("pseudo_terminals", [True, False], ids=["pty and TCP", "TCP alone"])
def test_a_scenario_gives_the_same_events_virtual_and_real(
    description: BenchDescription, pseudo_terminals: bool
) -> None:
    virtual = InProcess(SimulatedBench(description, 7, VirtualClock(), scenario=read(SCENARIO)))
    virtual.play()
    account = virtual.account()
    assert {fault for fault, *_ in account} >= {"mode-hop", "stick", "duplicated-reply"}
    with served(description, pseudo_terminals=pseudo_terminals) as real:
        real.play()
        assert real.account() == account
    assert real.heard == virtual.heard
    assert json.loads(json.dumps(real.bench.truth_report()["events"]))[0]["fault"]
