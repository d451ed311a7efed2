"""A line that fails, byte by byte: what it makes of what passes, told the time and never asking.

It stands between any client and any instrument and knows neither's dialect, only that a message
ends with one of some bytes. What carries the bytes is somebody else's business: a simulated bench
(:class:`FaultyLine`) or a proxy in front of another instrument (:mod:`proxy`).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from typing import Literal

from autocell_simulators.lines import InstrumentLine, PortState

ENDINGS = b"\r\n"
"""A message ends with any of these, unless one says otherwise."""

Direction = Literal["message", "query"]
"""A message goes to the instrument; a query is counted by the reply that comes back."""
Pieces = list[tuple[float, bytes]]
Strike = Callable[[bytes], Pieces]
"""What becomes of one whole message: pieces, each with a delay in s after the one before."""


class _Stream:
    """One direction, cut into messages. One that is struck is held back until it is whole."""

    __slots__ = ("_began", "_endings", "_held", "_strikes", "_struck", "_within")

    def __init__(self, endings: bytes, began: Callable[[], None]) -> None:
        self._endings = endings
        self._began = began
        self._within = self._struck = False
        self._held = b""
        self._strikes: deque[Strike] = deque()

    def arm(self, strike: Strike) -> None:
        """Strike the message that begins now or next; several strike one message each."""
        self._strikes.append(strike)

    def forget(self) -> None:
        """Half a message is gone with the connection."""
        self._within, self._held = False, b""

    def cut(self, data: bytes) -> list[tuple[float, bytes]]:
        """What goes on of ``data``, in pieces with their delays."""
        pieces: list[tuple[float, bytes]] = []
        passing = b""
        for place in range(len(data)):
            byte = data[place : place + 1]
            ends = byte in self._endings
            if not self._within and not ends:
                self._within = True
                self._began()
                self._struck = bool(self._strikes)
            if not (self._within and self._struck):
                self._within = self._within and not ends
                passing += byte
                continue
            self._held += byte
            follows = data[place + 1 : place + 2]
            if ends and not (follows and follows in self._endings):
                if passing:
                    pieces.append((0.0, passing))
                    passing = b""
                pieces += self._strikes.popleft()(self._held)
                self._within, self._held = False, b""
        return [*pieces, (0.0, passing)] if passing else pieces


class Wire:
    """Both directions of one line, and what is wrong with it.

    ``on_message`` is told of every message that begins, and may arm a strike against it.
    """

    __slots__ = (
        "_due",
        "_from_instrument",
        "_last_due_s",
        "_to_instrument",
        "altered",
        "bytes_per_s",
        "counts",
        "deaf",
        "dumb",
        "on_message",
        "on_port",
        "port",
    )

    def __init__(self, endings: bytes = ENDINGS) -> None:
        self.on_message: Callable[[Direction], None] = lambda direction: None
        self.counts: dict[Direction, int] = {"message": 0, "query": 0}
        self.bytes_per_s: float | None = None
        self.altered = False
        """Whether the instrument was last given something else than the client sent."""
        self.deaf = False
        """Nothing reaches the instrument."""
        self.dumb = False
        """Nothing comes back."""
        self.port = PortState()
        self.on_port: Callable[[], None] = lambda: None
        """Told when it was unplugged or plugged in again."""
        self._to_instrument = _Stream(endings, lambda: self._began("message"))
        self._from_instrument = _Stream(endings, lambda: self._began("query"))
        self._due: deque[tuple[float, bytes]] = deque()
        self._last_due_s = 0.0

    def arm(self, direction: Direction, strike: Strike) -> None:
        """Strike the message of this direction that begins now or next."""
        if direction == "message":
            self._to_instrument.arm(lambda message: self._noted(message, strike(message)))
        else:
            self._from_instrument.arm(strike)

    def _noted(self, message: bytes, pieces: Pieces) -> Pieces:
        self.altered |= b"".join(piece for _, piece in pieces) not in (b"", message)
        return pieces

    def from_client(self, data: bytes) -> bytes:
        """What the instrument gets of what the client sent."""
        self.altered = False
        if not self.port.plugged_in:
            return b""
        passed = b"".join(piece for _, piece in self._to_instrument.cut(data))
        return b"" if self.deaf or not self.port.plugged_in else passed

    def from_instrument(self, data: bytes, now_s: float) -> None:
        """Take in what the instrument sent by ``now_s``."""
        if not self.port.plugged_in:
            return
        for delay_s, piece in self._from_instrument.cut(data):
            if self.port.plugged_in and not self.dumb:  # perhaps it has just struck
                self._send(piece, max(now_s, self._last_due_s) + delay_s)

    def take(self, now_s: float) -> bytes:
        """Bytes to the client that are due."""
        ready = b""
        while self._due and self._due[0][0] <= now_s:
            ready += self._due.popleft()[1]
        return ready

    @property
    def next_s(self) -> float | None:
        """When more is due; None when nothing is under way."""
        return self._due[0][0] if self._due else None

    def unplug(self) -> None:
        """The port is gone, with all that was under way."""
        self.port = replace(self.port, plugged_in=False, unplugged=self.port.unplugged + 1)
        self.hang_up()
        self.on_port()

    def replug(self, *, renamed: bool) -> None:
        """The port is back, perhaps under another name."""
        self.port = replace(self.port, plugged_in=True, renamed=self.port.renamed + renamed)
        self.on_port()

    def hang_up(self) -> None:
        """Whoever was there has gone: half messages and unsent bytes are forgotten."""
        self._due.clear()
        self._to_instrument.forget()
        self._from_instrument.forget()

    def _began(self, direction: Direction) -> None:
        self.counts[direction] += 1
        self.on_message(direction)

    def _send(self, piece: bytes, due_s: float) -> None:
        """In order, and on a slow line one byte after the other."""
        if self.bytes_per_s is None:
            self._due.append((due_s, piece))
        else:
            for place in range(len(piece)):
                due_s += 1.0 / self.bytes_per_s
                self._due.append((due_s, piece[place : place + 1]))
        self._last_due_s = due_s


class FaultyLine:
    """A line of a simulated bench behind a wire that fails.

    ``present`` holds the bench still, advanced to the present, and gives that time;
    ``next_event_s`` tells when something may happen to the wire. ``garbled`` is held while the
    instrument is given what nobody has sent it.
    """

    __slots__ = ("_garbled", "_line", "_next_event_s", "_present", "wire")

    def __init__(
        self,
        line: InstrumentLine,
        wire: Wire,
        present: Callable[[], AbstractContextManager[float]],
        next_event_s: Callable[[], float],
        garbled: Callable[[], AbstractContextManager[None]],
    ) -> None:
        self._garbled = garbled
        self.wire = wire
        self._line = line
        self._present = present
        self._next_event_s = next_event_s

    def feed(self, data: bytes) -> None:
        """Bytes from the client."""
        with self._present():
            self._collect()
            if passed := self.wire.from_client(data):
                with self._garbled() if self.wire.altered else nullcontext():
                    self._line.feed(passed)

    def take(self) -> bytes:
        """Bytes to the client that are due by now."""
        with self._present() as now_s:
            self._collect()
            return self.wire.take(now_s)

    @property
    def next_s(self) -> float | None:
        """When more may be due, or the wire may fail, by the bench's clock; None if nothing is."""
        with self._present():
            self._collect()
            due = (self._line.next_s, self.wire.next_s)
            moments = [moment for moment in due if moment is not None]
            next_s = min(*moments, self._next_event_s(), math.inf)
            return None if next_s == math.inf else next_s

    @property
    def busy(self) -> bool:
        """Whether an answer is under way."""
        with self._present():
            return self._line.busy or self.wire.next_s is not None

    @property
    def port(self) -> PortState:
        """Whether it is there, and how often it was not."""
        with self._present():
            return self.wire.port

    def tell_of_port(self, changed: Callable[[], None]) -> None:
        """Have ``changed`` called whenever :attr:`port` has changed."""
        self.wire.on_port = changed

    def hang_up(self) -> None:
        """The client has gone."""
        with self._present():
            self._line.hang_up()
            self.wire.hang_up()

    def _collect(self) -> None:
        """Let the wire have what the instrument has sent, at the time at which it did."""
        for due_s, data in self._line.take_timed():
            self.wire.from_instrument(data, due_s)
