"""Small in-memory instruments on a virtual clock, for what one part of the bench does alone."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from autocell.bench.clock import VirtualClock
from autocell.bench.file import load, shipped
from autocell.bench.guard import Guard
from autocell.bench.motion import Motion
from autocell.bench.protocols import RawReading
from autocell.bench.step_counting import counting_steps
from autocell.description import AxisDescription, BenchDescription, MeterDescription
from autocell.errors import DeviceError, StoreError
from autocell.reading import Reading

METER = MeterDescription(
    device="meter",
    section={},
    range_w=10e-3,
    averaging_s=0.05,
    relative_noise=0.003,
    noise_floor_w=0.5e-6,
)


@dataclass
class MemoryJournal:
    """Keeps what a journal is told; ``full`` makes it refuse as a full disk does."""

    moves: list[tuple[str, float, float, str]] = field(default_factory=list)
    endings: dict[int, tuple[float, str]] = field(default_factory=dict)
    readings: list[tuple[Reading, str]] = field(default_factory=list)
    events: list[tuple[str, str]] = field(default_factory=list)
    full: bool = False

    def move_intended(
        self, time_s: float, axis: str, start: float, target: float, purpose: str
    ) -> int:
        self._refuse_if_full()
        self.moves.append((axis, start, target, purpose))
        return len(self.moves) - 1

    def move_ended(self, move: int, time_s: float, position: float, outcome: str) -> None:
        self._refuse_if_full()
        self.endings[move] = (position, outcome)

    def reading(self, reading: Reading, purpose: str) -> None:
        self._refuse_if_full()
        self.readings.append((reading, purpose))

    def event(self, time_s: float, kind: str, text: str) -> None:
        self._refuse_if_full()
        self.events.append((kind, text))

    def _refuse_if_full(self) -> None:
        if self.full:
            raise StoreError("run store: the disk is full")


class SteadyAxis:
    """Runs at the speed of its description. ``sticks_at`` is a position it cannot pass."""

    def __init__(self, description: AxisDescription, clock: VirtualClock, start: float) -> None:
        self.name = description.name
        self.commands: list[float] = []
        self.stops = 0
        self.sticks_at: float | None = None
        self.hangs = False
        self.stop_error: DeviceError | None = None
        self.complaint: DeviceError | None = None
        self.has_reference = True
        self.misread: list[float] = []
        self.idle_after_start_s = 0.0
        self._speed = description.speed
        self._clock = clock
        self._from, self._to, self._since = start, start, 0.0

    def position(self) -> float:
        return self.misread.pop(0) if self.misread else self._here()

    def _here(self) -> float:
        ran = self._speed * max(0.0, self._clock.now() - self._since - self.idle_after_start_s)
        way = self._to - self._from
        here = self._from + math.copysign(min(abs(way), ran), way)
        if self.sticks_at is not None and (here - self.sticks_at) * (self._from - here) < 0.0:
            return self.sticks_at if way > 0 and self._from <= self.sticks_at else here
        return here

    def start_move(self, target: float) -> None:
        self.commands.append(target)
        self._from, self._to, self._since = self._here(), target, self._clock.now()

    def moving(self) -> bool:
        if self.complaint is not None:
            raise self.complaint
        waits = self._clock.now() - self._since < self.idle_after_start_s
        return self.hangs or (not waits and abs(self._here() - self._to) > 1e-12
                              and self._here() != self.sticks_at)  # fmt: skip

    def stop(self) -> None:
        self.stops += 1
        if self.stop_error is not None:
            raise self.stop_error
        self._from = self._to = self._here()

    def referenced(self) -> bool:
        return self.has_reference

    def jump(self, position: float) -> None:
        """Be elsewhere without a command, as after a power cycle."""
        self._from = self._to = position


class ScriptedMeter:
    """Gives the readings it was given, then the last one for ever; each takes 50 ms."""

    name = "power_meter"
    reading_time_s = 0.05

    def __init__(self, clock: VirtualClock, answers: list[RawReading]) -> None:
        self._clock = clock
        self.answers = answers
        self.asked = 0

    def read(self) -> RawReading:
        self._clock.sleep(self.reading_time_s)
        self.asked += 1
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@dataclass
class Rig:
    """Guard and motion over in-memory axes that stand in the middle of their travel."""

    description: BenchDescription
    clock: VirtualClock
    journal: MemoryJournal
    axes: dict[str, SteadyAxis]
    guard: Guard
    motion: Motion

    def sent(self) -> list[tuple[str, float]]:
        """Every command that reached an axis, axis by axis."""
        return [(name, target) for name, axis in self.axes.items() for target in axis.commands]


def make_rig(description: BenchDescription | None = None, *, tried: bool = True) -> Rig:
    """``tried`` says that the first move of every axis was seen to be right in an earlier run."""
    description = description or load(shipped("peat-bog"))
    clock, journal = VirtualClock(), MemoryJournal()
    axes = {
        name: SteadyAxis(axis, clock, (axis.low + axis.high) / 2)
        for name, axis in description.axes.items()
    }
    counted = {n: counting_steps(a, description.axes[n].open_loop) for n, a in axes.items()}
    guard = Guard(description, counted, clock, journal)
    guard.look_around()
    for name in description.axes if tried else ():
        guard.trust.found_right(name)
    return Rig(description, clock, journal, axes, guard, Motion(description, guard, clock))


@pytest.fixture
def rig() -> Rig:
    return make_rig()


@pytest.fixture
def rig_of() -> Callable[[BenchDescription], Rig]:
    return make_rig
