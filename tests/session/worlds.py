"""What a run that is killed leaves behind: a simulated bench and a store, and calls on both that
tell of themselves before they are made."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from autocell_simulators.bench import SimulatedBench
from autocell_simulators.faults.scenario import Scenario
from autocell_simulators.inprocess import connector

from autocell.bench.bench import Bench
from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.protocols import Clock, Connect, Line, Transport
from autocell.outcome import Outcome, Verdict
from autocell.procedures.change import change_passes
from autocell.procedures.recovery.recover import recover
from autocell.session.conduct import Ended, Order, conduct
from autocell.session.experience import reference_setting
from autocell.session.safe import Lines

_WRITES = ("BEGIN", "INSERT", "UPDATE", "COMMIT", "CREATE", "PRAGMA user_version =")
_KNOCKED_PERCENT = 40.0
"""Of the light that a knock takes: enough for a recovery to put the beam back into the hole."""

_DAY = datetime(2026, 11, 25, 22, tzinfo=UTC)

At = Callable[[str], None]
"""Told what is about to be done."""


def excursion(bench: Bench) -> Outcome:
    """Two axes away from the start and a reading there: all kinds of calls, in a short run."""
    bench.measure_dark()
    bench.read_power("the start")
    start = bench.positions()
    away = {"spacing": start["spacing"] - 4e-3, "yaw": start["yaw"] + 1e-3}
    bench.move_axes(away, "away")
    bench.read_power("away", max_samples=3)
    bench.return_home()
    return Outcome(Verdict.UNCHANGED, "there and back", setting=bench.setting)


def only_read(bench: Bench) -> Outcome:
    """What the run after the kill was asked to do: nothing that moves."""
    bench.read_power("after the kill", max_samples=3)
    return Outcome(Verdict.UNCHANGED, "read", setting=bench.setting)


@dataclass(frozen=True)
class Job:
    """What a run is asked to do, under which command."""

    command: str
    procedure: Callable[[Bench], Outcome]
    passes: int | None = None


LOOK = Job("survey", only_read)
SHORT = Job("survey", excursion)


def changing(passes: int) -> Job:
    """A change of the pass count."""
    return Job("change", lambda bench: change_passes(bench, passes), passes)


@dataclass
class World:
    """A simulated bench and a store, as they are on disk and on the table.

    ``start`` is where every axis read, ``runs_before`` and ``moves_before`` what there had been,
    before the run that is killed. ``step_readings`` is what a step of a recovery may use, by
    default what the bench file says.
    """

    seed: int
    store: Path
    bench: str = "peat-bog"
    step_readings: int | None = None
    clock: VirtualClock = field(default_factory=VirtualClock)

    def __post_init__(self) -> None:
        bench = load(shipped(self.bench))
        if self.step_readings is not None:
            step = replace(bench.recovery.step, readings=self.step_readings)
            bench = replace(bench, recovery=replace(bench.recovery, step=step))
        self.simulated = SimulatedBench(bench, self.seed, self.clock, scenario=Scenario())
        self.told: list[str] = []
        self.runs_before = self.moves_before = 0
        self.start = self.counters()

    def run(self, job: Job, at: At) -> Ended:
        """One recorded run; ``at`` is told of every call before it is made."""
        arguments = {} if job.passes is None else {"passes": job.passes}
        lines = Lines(self._same_clock, _watched(connector(self.simulated), at), self._utc)
        told: list[str] = []
        order = Order(
            job.command, self.simulated.description, self.store, arguments,
            page=False, tell=told.append, lines=lines,
        )  # fmt: skip
        with _watched_store(at):
            ended = conduct(order, job.procedure)
        self.told = told
        return ended

    def knocked_night(self, passes: int) -> Job:
        """An evening in which a pattern is proved, a knock against the launch in the night, and
        the recovery that there is to do in the morning: the bench stands as it finds it."""
        evening = self.run(changing(passes), nobody)
        assert evening.outcome.verdict is Verdict.REACHED, evening.outcome.reason
        self.simulated.begin({"fault": "knock", "percent": _KNOCKED_PERCENT})
        self.clock.sleep(8 * 3600.0)
        self.start, self.moves_before = self.counters(), self.moves_made()
        self.runs_before = 1
        reference = reference_setting(self.store, self.simulated.description, now=self._utc())
        return Job("recover", lambda bench: recover(bench, reference), passes)

    def counters(self) -> dict[str, float]:
        """Where every axis reads at its controller."""
        with self.simulated.present():
            return {name: axis.counter for name, axis in self.simulated.axes.items()}

    def moves_made(self) -> int:
        """Moves that the controllers began, by their own count."""
        return sum(axis.counts.moves for axis in self.simulated.axes.values())

    def _same_clock(self) -> Clock:
        return self.clock

    def _utc(self) -> datetime:
        return _DAY + timedelta(seconds=self.clock.now())


def nobody(_what: str) -> None:
    """Nobody kills this run."""


class _WatchedTransport:
    """A line that tells before each of its calls, and in the middle of each message."""

    def __init__(self, inner: Transport, at: At) -> None:
        self._inner, self._at = inner, at

    def write(self, message: bytes) -> None:
        self._at("write")
        half = len(message) // 2
        self._inner.write(message[:half])
        self._at("half a write")
        self._inner.write(message[half:])

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        self._at("read")
        return self._inner.read_until(terminator, deadline)

    def discard_input(self) -> int:
        self._at("discard")
        return self._inner.discard_input()

    def close(self) -> None:
        self._at("close")
        self._inner.close()


def _watched(connect: Connect, at: At) -> Connect:
    def opened(address: str, line: Line) -> Transport:
        at("open")
        return _WatchedTransport(connect(address, line), at)

    return opened


@contextmanager
def _watched_store(at: At) -> Iterator[None]:
    """SQLite itself tells of every statement before it is carried out."""
    connect = sqlite3.connect

    def opened(*arguments: Any, **options: Any) -> sqlite3.Connection:
        connection = connect(*arguments, **options)

        def tell(statement: str) -> None:
            if statement.lstrip().startswith(_WRITES):
                at(statement.split("(")[0].split("SET")[0].strip())

        connection.set_trace_callback(tell)
        return connection

    with mock.patch("autocell.records.database.sqlite3.connect", opened):
        yield
