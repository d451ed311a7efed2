"""The invented peat-bog bench, simulated."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.inprocess import connector

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Line, Transport
from autocell.description import BenchDescription

Ask = Callable[[str], str]


@pytest.fixture(scope="session")
def description() -> BenchDescription:
    return load(shipped("peat-bog"))


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def bench(description: BenchDescription, clock: VirtualClock) -> SimulatedBench:
    return SimulatedBench(description, 7, clock)


@pytest.fixture
def controller(bench: SimulatedBench, clock: VirtualClock) -> Ask:
    """Asks the motion controller of ``bench``."""
    return asker(bench, clock, "motion", b"\r", b"\r\n")


@pytest.fixture
def meter(bench: SimulatedBench, clock: VirtualClock) -> Ask:
    """Asks the power meter of ``bench``; a command without reply is followed by a query."""
    return asker(bench, clock, "meter", b"\n", b"\n")


def asker(
    bench: SimulatedBench, clock: VirtualClock, device: str, ending: bytes, reply_ending: bytes
) -> Ask:
    transport: Transport = connector(bench)(bench.description.devices[device].address, Line(clock))

    def ask(text: str) -> str:
        transport.write(text.encode() + ending)
        return transport.read_until(reply_ending, clock.now() + 5.0).decode()

    return ask
