"""Faults of the line to an instrument (rows 27, 28 and 36), of any instrument.

``query`` counts the replies that come back, since each answers a query; where the message on its
way to the instrument is at fault, it counts messages. Slow, silent and disconnected are three
different faults.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator
from typing import ClassVar

import numpy as np

from autocell_simulators.faults.fault import (
    MS,
    PERCENT,
    Count,
    Counted,
    Cue,
    Effect,
    Fault,
    Percent,
    Positive,
    Rig,
    Word,
    device_objections,
    meanwhile,
)
from autocell_simulators.wire import ENDINGS, Direction, Strike, Wire

Pieces = list[tuple[float, bytes]]


class WireFault(Fault):
    """A fault of the line to ``device``; without it, of every line."""

    of_the_line: ClassVar = True
    device: Word | None = None

    def chosen(self, rig: Rig, cue: Cue) -> list[Wire]:
        """The line on which it was set off, or all that it is for."""
        struck = rig.wires.get(cue.who or "")
        if struck is not None:
            return [struck]
        return list(rig.wires.values()) if self.device is None else [rig.wires[self.device]]

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """A device that does not exist."""
        return device_objections(self.device, rig.wires)


class MessageFault(WireFault):
    """A fault that strikes one message, the one that set it off or the next."""

    lasts: ClassVar = False
    usual: ClassVar = {"per_query": 0.01}
    direction: ClassVar[Direction] = "query"

    def begin(self, rig: Rig, cue: Cue) -> None:
        """Lie in wait for that message."""
        strike = self.strike(cue.random)
        for wire in self.chosen(rig, cue):
            wire.arm(self.direction, strike)

    @abstractmethod
    def strike(self, random: np.random.Generator) -> Strike:
        """What becomes of it."""


class LateReply(MessageFault):
    """A reply comes late, those after it behind it: it may answer the next query."""

    name: ClassVar = "late-reply"
    rows: ClassVar = (27,)
    ms: Positive = 700.0

    def strike(self, random: np.random.Generator) -> Strike:
        """The same, later."""
        return lambda message: [(self.ms * MS, message)]


class LostReply(MessageFault):
    """A reply never comes; what was commanded has been done."""

    name: ClassVar = "lost-reply"
    rows: ClassVar = (27,)

    def strike(self, random: np.random.Generator) -> Strike:
        """Nothing."""
        return _nothing


class DuplicatedReply(MessageFault):
    """A reply comes twice."""

    name: ClassVar = "duplicated-reply"
    rows: ClassVar = (27,)

    def strike(self, random: np.random.Generator) -> Strike:
        """The same, twice."""
        return lambda message: [(0.0, message), (0.0, message)]


class TruncatedReply(MessageFault):
    """A reply breaks off, its ending included."""

    name: ClassVar = "truncated-reply"
    rows: ClassVar = (27,)

    def strike(self, random: np.random.Generator) -> Strike:
        """A beginning of it, at least one byte if it has two."""
        return lambda message: [(0.0, message[: _cut(message, random)])]


class GarbledReply(MessageFault):
    """Bits of a reply are flipped."""

    name: ClassVar = "garbled-reply"
    rows: ClassVar = (27,)
    bits: Count = 1

    def strike(self, random: np.random.Generator) -> Strike:
        """Bits anywhere but in its ending."""
        return lambda message: [(0.0, _flipped(message, self.bits, random))]


class LostCommand(MessageFault):
    """A message never reaches the instrument: nothing is done, nothing answered."""

    name: ClassVar = "lost-command"
    rows: ClassVar = (27,)
    counts: ClassVar[Counted] = "message"
    direction: ClassVar[Direction] = "message"

    def strike(self, random: np.random.Generator) -> Strike:
        """Nothing."""
        return _nothing


class GarbledCommand(MessageFault):
    """Bits of a message are flipped on its way to the instrument."""

    name: ClassVar = "garbled-command"
    rows: ClassVar = (27,)
    counts: ClassVar[Counted] = "message"
    direction: ClassVar[Direction] = "message"
    bits: Count = 1

    def strike(self, random: np.random.Generator) -> Strike:
        """Bits anywhere but in its ending."""
        return lambda message: [(0.0, _flipped(message, self.bits, random))]


class SecondReader(MessageFault):
    """Another process reads from the same port: each byte of a reply goes to one of both."""

    name: ClassVar = "second-reader"
    rows: ClassVar = (36,)
    usual: ClassVar = {"per_query": 1.0}
    percent: Percent = 50.0
    """The other's share of the bytes."""

    def strike(self, random: np.random.Generator) -> Strike:
        """What the other left."""
        share = self.percent * PERCENT
        return lambda message: [(0.0, bytes(byte for byte in message if random.random() >= share))]


class SlowLine(WireFault):
    """Replies come byte by byte, slowly."""

    name: ClassVar = "slow-line"
    rows: ClassVar = (28,)
    bytes_per_s: Positive = 50.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on."""
        return meanwhile(self.chosen(rig, cue), bytes_per_s=self.bytes_per_s)


class Silent(WireFault):
    """The port is open and nothing comes back."""

    name: ClassVar = "silent"
    rows: ClassVar = (28,)
    hears: bool = True
    """Whether messages still reach the instrument; a controller that hangs hears nothing."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on."""
        return meanwhile(self.chosen(rig, cue), dumb=True, deaf=not self.hears)


class Disconnected(WireFault):
    """The port disappears, and comes back when it ends, perhaps under another name."""

    name: ClassVar = "disconnected"
    rows: ClassVar = (28,)
    new_name: bool = False

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Pull the plug."""
        wires = self.chosen(rig, cue)
        for wire in wires:
            wire.unplug()

        def undo() -> None:
            for wire in wires:
                wire.replug(renamed=self.new_name)

        return Effect(undo=undo)


def _nothing(_message: bytes) -> Pieces:
    return []


def _content(message: bytes) -> int:
    """Length without the ending."""
    return len(message.rstrip(ENDINGS)) or len(message)


def _cut(message: bytes, random: np.random.Generator) -> int:
    return int(random.integers(1, max(_content(message), 2)))


def _flipped(message: bytes, bits: int, random: np.random.Generator) -> bytes:
    garbled = bytearray(message)
    places = 8 * _content(message)
    for place in random.choice(places, size=min(bits, places), replace=False):
        garbled[place // 8] ^= 1 << (place % 8)
    return bytes(garbled)
