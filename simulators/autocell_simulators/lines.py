"""A line to one simulated instrument: bytes that arrive now, bytes that are due later.

What carries the bytes (:mod:`inprocess`, :mod:`serving`) asks when the next are due and waits in
its own way. A fault on the wire is a line wrapped around another.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

REPLY_LATENCY_S = 0.002
"""From the end of a command to the first byte of its reply. [trade]"""


class Dialect(Protocol):
    """An instrument's end of the wire, told the time and never asking for it."""

    def feed(self, data: bytes, now_s: float) -> None:
        """Take in bytes."""
        ...

    def advance(self, now_s: float) -> None:
        """Go on with what waited for this time."""
        ...

    @property
    def next_s(self) -> float | None:
        """When to advance next; None when nothing waits."""
        ...

    def take(self) -> bytes:
        """Bytes ready to be sent."""
        ...

    def hang_up(self) -> None:
        """Forget half a message and unsent bytes."""
        ...


@dataclass(frozen=True)
class PortState:
    """The port of a line: whether it is there, how often it went, and came back renamed.

    Whoever had it open when it went has nothing any more, also once it is back.
    """

    plugged_in: bool = True
    unplugged: int = 0
    renamed: int = 0


class Line(Protocol):
    """Both directions of a line, at the present time of the bench."""

    def feed(self, data: bytes) -> None:
        """Bytes from the client."""
        ...

    def take(self) -> bytes:
        """Bytes to the client that are due by now."""
        ...

    @property
    def next_s(self) -> float | None:
        """When more may be due, by the bench's clock; None when nothing is under way."""
        ...

    @property
    def busy(self) -> bool:
        """Whether an answer is under way."""
        ...

    @property
    def port(self) -> PortState:
        """Whether it is there, and how often it was not."""
        ...

    def tell_of_port(self, changed: Callable[[], None]) -> None:
        """Have ``changed`` called, from any thread, whenever :attr:`port` has changed."""
        ...

    def hang_up(self) -> None:
        """The client has gone."""
        ...


class InstrumentLine:
    """A dialect on a bench, each reply a little late.

    ``present`` holds the bench still, advanced to the present, and gives that time. On its way
    there the bench calls :meth:`advance` whenever something has happened.
    """

    __slots__ = ("_dialect", "_due", "_present")

    def __init__(
        self,
        dialect: Dialect,
        present: Callable[[], AbstractContextManager[float]],
    ) -> None:
        self._dialect = dialect
        self._present = present
        self._due: deque[tuple[float, bytes]] = deque()

    def feed(self, data: bytes) -> None:
        """Bytes from the client."""
        with self._present() as now_s:
            self._dialect.feed(data, now_s)
            self._collect(now_s)

    def advance(self, time_s: float) -> None:
        """Go on with what waited for this time."""
        self._dialect.advance(time_s)
        self._collect(time_s)

    def take(self) -> bytes:
        """Bytes to the client that are due by now."""
        return b"".join(data for _, data in self.take_timed())

    def take_timed(self) -> list[tuple[float, bytes]]:
        """The same, each piece with the time at which it was due."""
        with self._present() as now_s:
            ready = []
            while self._due and self._due[0][0] <= now_s:
                ready.append(self._due.popleft())
            return ready

    @property
    def next_s(self) -> float | None:
        """When more may be due; None when nothing is under way."""
        with self._present():
            due_s = self._due[0][0] if self._due else None
            moments = [moment for moment in (due_s, self._dialect.next_s) if moment is not None]
            return min(moments, default=None)

    @property
    def busy(self) -> bool:
        """Whether an answer is under way."""
        return self.next_s is not None

    @property
    def port(self) -> PortState:
        """Always there: what unplugs it is a wire around it."""
        return PortState()

    def tell_of_port(self, changed: Callable[[], None]) -> None:
        """It never does."""

    def hang_up(self) -> None:
        """The client has gone."""
        with self._present():
            self._dialect.hang_up()
            self._due.clear()

    def _collect(self, time_s: float) -> None:
        if data := self._dialect.take():
            self._due.append((time_s + REPLY_LATENCY_S, data))
