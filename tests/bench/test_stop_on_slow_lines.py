"""A stop of several axes of one controller, on lines that are slow and do not answer besides."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest
from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.opening import open_bench
from autocell.bench.protocols import Line, Transport
from autocell.errors import Disconnected
from tests.property.watched_line import WatchedLine

BENCH = load(shipped("peat-bog"))
CHANNELS = {str(axis.section["channel"]): name for name, axis in BENCH.axes.items()}
STOP_S = 0.5


class Watched:
    """A simulated bench, and when each of its axes was first told to stop."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.simulated = SimulatedBench(BENCH, 7, self.clock, scenario=Scenario())
        self.told_s: dict[str, float] = {}
        self.meter_is_there = True
        self._connect = connector(self.simulated)

    def connect(self, address: str, line: Line) -> Transport:
        if address != BENCH.devices["motion"].address:
            if not self.meter_is_there:
                self.fail({"fault": "silent", "when": {"query": 3}})
                raise Disconnected(f"{address}: nothing there")
            return self._connect(address, line)
        return WatchedLine(self._connect(address, line), lambda _move: None, self._told)

    @contextmanager
    def opened(self) -> Iterator[Bench]:
        with open_bench(BENCH, clock=self.clock, connect=self.connect) as bench:
            yield bench

    def fail(self, *more: dict[str, Any]) -> None:
        """The line to the controller is slow from now on, and whatever else is wrong with it."""
        self.told_s.clear()
        self.began_s = self.clock.now()
        for fault in ({"fault": "slow-line"}, *more):
            self.simulated.begin({"device": "motion", **fault})

    def all_told_within_s(self) -> float:
        """How long it took until the last axis was told."""
        assert set(self.told_s) == set(BENCH.axes)
        return max(self.told_s.values()) - self.began_s

    def _told(self, channel: str) -> None:
        for name in CHANNELS.values() if channel == "0" else [CHANNELS[channel]]:
            self.told_s.setdefault(name, self.clock.now())


def test_every_axis_confirms_at_the_pace_of_the_line() -> None:
    bench = Watched()
    with bench.opened() as opened:
        bench.fail()
        assert opened.stop() == {}
        assert bench.all_told_within_s() == 0.0
        assert opened.stop() == {}


@pytest.mark.parametrize("lost", range(1, len(BENCH.axes) + 1))
def test_every_axis_is_told_in_time_whichever_answer_does_not_come(lost: int) -> None:
    bench = Watched()
    with bench.opened() as opened:
        bench.fail({"fault": "lost-reply", "when": {"query": lost}})
        opened.stop()
        assert bench.all_told_within_s() <= STOP_S


@pytest.mark.parametrize("answers", range(len(BENCH.axes)))
def test_every_axis_is_told_in_time_whenever_the_controller_falls_silent(answers: int) -> None:
    bench = Watched()
    with bench.opened() as opened:
        bench.fail({"fault": "silent", "when": {"query": answers + 1}})
        assert opened.stop() != {}
        assert bench.all_told_within_s() <= STOP_S


def test_every_axis_is_told_in_time_when_the_bench_cannot_be_opened() -> None:
    bench = Watched()
    bench.meter_is_there = False
    with suppress(Disconnected), bench.opened():
        raise AssertionError("it was opened without its meter")
    assert bench.all_told_within_s() <= STOP_S
