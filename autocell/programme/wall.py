"""The time of day, and waiting for it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Protocol

from autocell.bench.clock import VirtualClock
from autocell.bench.protocols import Clock


class Wall(Protocol):
    """A clock on the wall: it tells the date, and somebody may set it while we wait."""

    def utc(self) -> datetime:
        """Date and time, aware, in UTC."""
        ...

    def steady_s(self) -> float:
        """Seconds since some start, by a clock that nobody can set."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class MachineWall:
    """The machine's own date and time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def utc(self) -> datetime:
        """Date and time of this machine."""
        return datetime.now(UTC)

    def steady_s(self) -> float:
        """The machine's monotonic clock."""
        return self._clock.now()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        self._clock.sleep(seconds)


class VirtualWall:
    """A date that passes as a virtual clock does; ``set_back_s`` is what somebody set it back,
    negative for forward."""

    def __init__(self, clock: VirtualClock, start: datetime) -> None:
        self._clock = clock
        self._start = start
        self.set_back_s = 0.0

    def utc(self) -> datetime:
        """The start, and what the clock has seen since."""
        return self._start + timedelta(seconds=self._clock.now() - self.set_back_s)

    def steady_s(self) -> float:
        """The virtual clock."""
        return self._clock.now()

    def sleep(self, seconds: float) -> None:
        """Let the virtual clock go on."""
        self._clock.sleep(seconds)
