"""The example stage, which nobody has ever built: axes by letter, positions in micrometres.

It talks lines that end in a line feed. ``WHO`` is answered by ``STAGE`` and a serial number;
``AT A`` by ``AT A 1250.0``; ``GO A 1300.0``, ``HALT A`` and ``HALT ALL`` by ``DONE``; ``BUSY A`` by
``BUSY A 0`` or ``BUSY A 1``; and what it cannot do by ``NO`` and a word.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NoReturn

from autocell_drivers import sections
from autocell_drivers.exchange import Exchange, Manners
from autocell_drivers.lasting_line import LastingLine

from autocell.bench.protocols import Clock, Connect, Line
from autocell.errors import BadReply, BenchFileError, LimitError, NoReply, WrongIdentity
from example_stage import codec

_KEYS = ("driver", "address", "identity", "path")


def open_device(section: Mapping[str, Any], clock: Clock, connect: Connect) -> ExampleStage:
    """Open the stage that a device section describes. Raises as ``OpenDevice`` says."""
    where = f"devices ({section.get('driver')} at {section.get('address')})"
    sections.refuse_unknown(section, _KEYS, where)
    address = sections.text(section, "address", where)
    expected = sections.text(section, "identity", where)
    line = LastingLine(connect, address, Line(clock))
    try:
        return ExampleStage(line, clock, expected)
    except BaseException:
        line.close()
        raise


class ExampleStage:
    """One stage with an axis for each letter."""

    def __init__(self, line: LastingLine, clock: Clock, expected: str) -> None:
        self._line = line
        manners = Manners(b"\n", b"\n", reply_s=0.3)
        self._exchange = Exchange(line, clock, manners, codec.WHO, codec.identity)
        try:
            self.identity = self._exchange.greet()
        except BadReply as error:
            raise WrongIdentity(f"{line.address} is no example stage: {error}") from error
        if expected not in self.identity:
            raise WrongIdentity(f"{line.address} is {self.identity!r}, not {expected!r}")

    @property
    def notes(self) -> Sequence[str]:
        """When the line was gone."""
        return self._exchange.notes

    def axis(self, name: str, section: Mapping[str, Any]) -> StageAxis:
        """The axis whose letter is the ``channel`` of the section."""
        letter = sections.text(section, "channel", f"axes.{name}")
        return StageAxis(name, letter, self._exchange)

    def power_meter(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: a stage measures no power."""
        raise BenchFileError(f"{name}.device: {self.identity} is a stage; name a power meter")

    def shutter(self, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: a stage has no shutter."""
        raise BenchFileError(f"shutter.device: {self.identity} is a stage; name another device")

    def close(self) -> None:
        """Let go of the stage."""
        self._line.close()


class StageAxis:
    """One axis of the stage."""

    def __init__(self, name: str, letter: str, exchange: Exchange) -> None:
        self.name = name
        self._letter = letter
        self._exchange = exchange

    def position(self) -> float:
        """Where the stage says the axis is, m or rad."""
        return self._exchange.ask(codec.at(self._letter), codec.position(self._letter))

    def start_move(self, target: float) -> None:
        """Ask for an absolute move. It is sent once: a lost answer is made good by looking."""
        if not math.isfinite(target):
            raise LimitError(f"axis {self.name}: target {target} is no position; nothing was sent")
        try:
            self._exchange.once(codec.go(self._letter, target), codec.done)
        except (NoReply, BadReply):
            if not self.moving() and abs(self.position() - target) > codec.RESOLUTION:
                raise

    def moving(self) -> bool:
        """Whether the stage reports motion."""
        return self._exchange.ask(codec.busy(self._letter), codec.busy_bit(self._letter))

    def stop(self) -> None:
        """Stop at once; every axis, if this one does not confirm."""
        self._exchange.urgent(codec.halt(self._letter), codec.done, otherwise=codec.halt("ALL"))
