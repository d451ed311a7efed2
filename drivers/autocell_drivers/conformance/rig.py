"""A bench under test: its drivers, and a tap on each of their lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from typing import cast

from autocell.bench.bench import Bench
from autocell.bench.opening import DRIVERS, installed, open_bench
from autocell.bench.protocols import (
    Axis,
    Clock,
    Connect,
    Device,
    Line,
    OpenDevice,
    PowerMeter,
    Transport,
)
from autocell.description import AxisDescription, BenchDescription
from autocell.errors import Disconnected, NoReply

LARGEST_MOVE = 0.01
"""Share of its range that an axis is moved."""


class Tap:
    """A line with somebody listening, who can also take away what comes in.

    ``lose`` answers are lost on the way, ``keep`` answers come only after the wait for them has
    ended, and while ``cut`` is set the line is gone. What is written always gets through, but for
    a line that is gone.
    """

    def __init__(self, transport: Transport, clock: Clock, faults: Faults) -> None:
        self._transport = transport
        self._clock = clock
        self._faults = faults
        self._late = b""

    def write(self, message: bytes) -> None:
        """Pass it on, and remember it."""
        self._check()
        self._faults.left.append((self._clock.now(), message))
        self._transport.write(message)

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next answer, unless it is taken away or comes late."""
        self._check()
        faults = self._faults
        faults.deadlines.append(deadline)
        if self._late:
            answer, _, self._late = self._late.partition(terminator)
            return answer
        answer = self._transport.read_until(terminator, deadline)
        if not faults.lose and not faults.keep:
            return answer
        if faults.lose:
            faults.lose -= 1
        else:
            faults.keep -= 1
            self._late += answer + terminator
        self._clock.sleep(deadline - self._clock.now())
        raise NoReply("nothing came, as the test wanted it")

    def discard_input(self) -> int:
        """Throw away what came, late answers too."""
        self._check()
        late, self._late = len(self._late), b""
        return late + self._transport.discard_input()

    def close(self) -> None:
        """Let go of the line."""
        self._transport.close()

    def _check(self) -> None:
        if self._faults.cut:
            raise Disconnected("the line is cut, as the test wanted it")


@dataclass
class Faults:
    """What goes wrong on the lines of a rig, and what was written and waited for on them: each
    message with the time at which it left, and until when each answer was waited for."""

    lose: int = 0
    keep: int = 0
    cut: bool = False
    left: list[tuple[float, bytes]] = field(default_factory=list)
    deadlines: list[float] = field(default_factory=list)

    @property
    def written(self) -> list[bytes]:
        """What has left, without its times."""
        return [message for _, message in self.left]


@dataclass(frozen=True)
class Bystander:
    """What somebody can do who stands beside simulated instruments, and the suite cannot through
    their lines. Within each of these it is so. Beside a real bench nobody does any of it.

    ``homing`` has an axis look for its reference, ``in_fault`` brings its controller into fault,
    and ``hush`` makes the instruments silent where they have no lines to be tapped.
    """

    homing: Callable[[Axis], AbstractContextManager[None]] | None = None
    in_fault: Callable[[Axis], AbstractContextManager[None]] | None = None
    hush: Callable[[], AbstractContextManager[None]] | None = None


@dataclass
class Rig:
    """A bench whose drivers are under test, and what opens its lines."""

    description: BenchDescription
    clock: Clock
    connect: Connect
    faults: Faults = field(default_factory=Faults)
    taps: list[Tap] = field(default_factory=list)
    bystander: Bystander = Bystander()
    _on_lines: dict[str, bool] = field(default_factory=dict)

    def note(self, message: bytes) -> None:
        """Something has left for an instrument that has no line: a call, or a value to write."""
        self.faults.left.append((self.clock.now(), message))

    def tapped(self, address: str, line: Line) -> Transport:
        """Open a line with a tap on it."""
        if self.faults.cut:
            raise Disconnected("the line is cut, as the test wanted it")
        self.taps.append(Tap(self.connect(address, line), self.clock, self.faults))
        return self.taps[-1]

    @contextmanager
    def device(self, name: str) -> Iterator[Device]:
        """One device, opened by its driver."""
        described = self.description.devices[name]
        driver = cast(OpenDevice, installed(DRIVERS)[described.driver].load())
        section = {**described.section, "path": str(self.description.path.parent)}
        lines = len(self.taps)
        device = driver(section, self.clock, self.tapped)
        self._on_lines[name] = len(self.taps) > lines
        try:
            yield device
        finally:
            device.close()

    @contextmanager
    def axis(self, described: AxisDescription) -> Iterator[Axis]:
        """One axis of an opened device. It is stopped in the end, however that comes."""
        with self.device(described.device) as device:
            axis = device.axis(described.name, described.section)
            try:
                yield axis
            finally:
                self.faults.lose = self.faults.keep = 0
                self.faults.cut = False
                axis.stop()
                self.rest(axis, described)

    @contextmanager
    def meter(self) -> Iterator[PowerMeter]:
        """The power meter."""
        described = self.description.meter
        section = {
            **described.section,
            "wavelength_nm": self.description.laser.wavelength_m * 1e9,
        }
        with self.device(described.device) as device:
            yield device.power_meter("power_meter", section)

    @contextmanager
    def bench(self) -> Iterator[Bench]:
        """The whole bench behind its guard."""
        with open_bench(self.description, clock=self.clock, connect=self.tapped) as bench:
            yield bench

    def axes(self) -> list[AxisDescription]:
        """One axis of each unit and device: those that differ for a driver."""
        kinds: dict[tuple[str, str], AxisDescription] = {}
        for axis in self.description.axes.values():
            kinds.setdefault((axis.device, axis.unit), axis)
        return list(kinds.values())

    def is_on_a_line(self, device: str) -> bool:
        """Whether a driver opens lines for a device; a library or a network client has its own."""
        if device not in self._on_lines:
            with self.device(device):
                pass
        return self._on_lines[device]

    @contextmanager
    def silence(self) -> Iterator[None]:
        """Within this nothing answers."""
        if self.bystander.hush is not None:
            with self.bystander.hush():
                yield
            return
        self.faults.lose = 10**6
        try:
            yield
        finally:
            self.faults.lose = 0

    def small_move(self, axis: Axis, described: AxisDescription) -> float:
        """A target near by, inwards from whichever limit is closer."""
        here = axis.position()
        step = LARGEST_MOVE * (described.high - described.low)
        middle = 0.5 * (described.low + described.high)
        return here + step if here < middle else here - step

    def rest(self, axis: Axis, described: AxisDescription) -> None:
        """Wait until an axis rests. Raises NoReply when it does not in its time."""
        longest_s = 10.0 + (described.high - described.low) / described.speed
        self.wait(lambda: not axis.moving(), longest_s)

    def wait(self, ready: Callable[[], bool], longest_s: float) -> None:
        """Wait for something. Raises NoReply when it does not come."""
        deadline = self.clock.now() + longest_s
        while not ready():
            if self.clock.now() > deadline:
                raise NoReply(f"waited {longest_s:g} s in vain")
            self.clock.sleep(0.01)

    def left_unread(self) -> int:
        """Bytes on any line that nobody has read."""
        left = 0
        for tap in self.taps:
            with suppress(Disconnected):  # closed, or gone with what was on it
                left += tap.discard_input()
        return left
