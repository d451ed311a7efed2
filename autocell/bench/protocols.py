"""What the bench needs of hardware, as small capabilities. A driver implements them; nothing
outside :mod:`autocell.bench` calls them, and only its guard sends an axis anywhere.

Positions and powers are SI (metres or radians, watts). Requested and actual position are two
values. Every call that waits has a deadline and raises an error of :mod:`autocell.errors`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from autocell.reading import Reading


class Clock(Protocol):
    """Time as procedures and drivers see it: the machine's, or a virtual one that never waits."""

    def now(self) -> float:
        """Seconds on a scale that never goes back."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait; on a virtual clock, advance."""
        ...


class Transport(Protocol):
    """One line to one instrument: bytes out, one terminated message in.

    Deadlines are times of the clock that the transport was opened with.
    """

    def write(self, message: bytes) -> None:
        """Send all of ``message``. Raises Disconnected, or NoReply if the line stays blocked."""
        ...

    def read_until(self, terminator: bytes, deadline: float) -> bytes:
        """The next message, without its terminator.

        Raises NoReply when it is not complete by the deadline; what had arrived stays waiting
        and is never returned as an answer. Raises Disconnected when the line is gone.
        """
        ...

    def discard_input(self) -> int:
        """Throw away all that has arrived and was not read; how many bytes that was."""
        ...

    def close(self) -> None:
        """Let go of the line. Harmless twice."""
        ...


@runtime_checkable
class Interruptible(Protocol):
    """A line on which one thread may have to speak while another waits."""

    def interrupt(self) -> None:
        """Have whoever waits in ``read_until`` give up, with NoReply, within a twentieth of a
        second. What has arrived stays."""
        ...


@dataclass(frozen=True)
class Line:
    """What a driver needs of a line, beyond its address."""

    clock: Clock
    baud: int = 115200
    exclusive: bool = True


Connect = Callable[[str, Line], Transport]
"""Opens an address. Raises Busy when somebody else owns it, Disconnected when nobody is there."""


class Axis(Protocol):
    """One motorised degree of freedom."""

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        ...

    def position(self) -> float:
        """Where the controller says the axis is, m or rad."""
        ...

    def start_move(self, target: float) -> None:
        """Ask for an absolute move; returns once the controller has accepted it."""
        ...

    def moving(self) -> bool:
        """Whether the controller reports motion.

        Raises Refused when it reports a fault or that a limit switch is active.
        """
        ...

    def stop(self) -> None:
        """Stop at once and forget any move. Valid in every state."""
        ...


@runtime_checkable
class SendsStop(Protocol):
    """An axis that can be told to stop without waiting for its controller to confirm it.

    When several axes of one device are to stop, each is told by this before any is waited for.
    """

    def send_stop(self) -> None:
        """Send a stop at once, whatever the line is doing, and wait for no answer.

        :meth:`Axis.stop` follows, sends it once more if need be, and sees to it that it is obeyed.
        Raises what it likes, which is then left to that.
        """
        ...


@runtime_checkable
class ReportsLimits(Protocol):
    """An axis whose controller knows its own travel; compared with the bench file on opening."""

    def limits(self) -> tuple[float, float]:
        """Low and high end of the travel, m or rad."""
        ...


@runtime_checkable
class ReportsReference(Protocol):
    """An axis whose controller knows whether it has found its reference since power came on."""

    def referenced(self) -> bool:
        """Whether positions mean anything. A controller that lost power says no."""
        ...


@dataclass(frozen=True)
class RawReading:
    """One answer of a power meter.

    ``overrange`` is set for a saturated detector and for the overflow values of the instrument;
    ``power_w`` is then NaN. ``sequence`` grows by one with every fresh measurement where the
    instrument counts them; None where it does not.
    """

    power_w: float
    overrange: bool = False
    sequence: int | None = None


@runtime_checkable
class PowerMeter(Protocol):
    """One power meter channel."""

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        ...

    @property
    def reading_time_s(self) -> float:
        """How long one fresh reading takes, settling of the instrument included."""
        ...

    def read(self) -> RawReading:
        """Take one fresh reading; never one that was measured before the call."""
        ...


@runtime_checkable
class ZeroesItself(Protocol):
    """A power meter that can take what falls on it for no light."""

    def zero(self) -> float:
        """Take what falls on the detector now for no light; the zero as it reads back, W.

        Whoever calls sees to the dark. Raises Refused when the instrument did not take it.
        """
        ...


@runtime_checkable
class KeepsRange(Protocol):
    """A power meter whose range can be read back."""

    def check_range(self) -> str | None:
        """Read the range back, and set it again where somebody has changed it: what was found
        then, in words. None when it is as it was set, or the bench file does not say how to ask.
        Raises Refused when the instrument does not take it.
        """
        ...


@runtime_checkable
class HasLargerRange(Protocol):
    """A power meter whose range can be raised."""

    def take_larger_range(self) -> float | None:
        """Change to the next larger range, see that it was taken, and read in it from then on; that
        range, W. None, and the range as it was, where there is none or the bench file does not say
        how to change it. Raises Refused, NoReply or Disconnected.
        """
        ...


@runtime_checkable
class DelayMeter(Protocol):
    """A meter of how late intensity-modulated light arrives, as the phase of its modulation."""

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        ...

    @property
    def reading_time_s(self) -> float:
        """How long one fresh reading takes, settling of the instrument included."""
        ...

    def read(self) -> float:
        """Take one fresh reading: by how much the light lags, rad, up to whole turns.

        It grows with the path, from a zero that is the instrument's own. NaN when there was no
        light to measure, or the instrument answered one of its values for that.
        """
        ...


@runtime_checkable
class Thermometer(Protocol):
    """One temperature probe."""

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        ...

    def read(self) -> float:
        """Take one fresh reading, °C; NaN for what the instrument answers when it has none."""
        ...


class Shutter(Protocol):
    """Blocks the beam before the entrance hole, for the dark level. Not a safety shutter."""

    def close(self) -> None:
        """Block the beam; returns once the instrument confirms it."""
        ...

    def open(self) -> None:
        """Let the beam pass; returns once the instrument confirms it."""
        ...


class Device(Protocol):
    """What a driver opens: one instrument, which may carry several axes and meters."""

    @property
    def identity(self) -> str:
        """What the instrument calls itself."""
        ...

    @property
    def notes(self) -> Sequence[str]:
        """What the driver found or set while opening, in plain words, for ``check``."""
        ...

    def axis(self, name: str, section: Mapping[str, Any]) -> Axis:
        """The axis that the bench file's ``section`` describes. Raises BenchFileError."""
        ...

    def power_meter(self, name: str, section: Mapping[str, Any]) -> PowerMeter:
        """The meter that the bench file's ``section`` describes. Raises BenchFileError."""
        ...

    def shutter(self, section: Mapping[str, Any]) -> Shutter:
        """The shutter that the bench file's ``section`` describes. Raises BenchFileError."""
        ...

    def close(self) -> None:
        """Let go of the instrument. Harmless twice."""
        ...


@runtime_checkable
class OffersDelay(Protocol):
    """A device that can also be, or is nothing but, a delay meter."""

    def delay_meter(self, name: str, section: Mapping[str, Any]) -> DelayMeter:
        """The meter that the bench file's ``section`` describes. Raises BenchFileError."""
        ...


@runtime_checkable
class OffersTemperature(Protocol):
    """A device that can also be, or is nothing but, a thermometer."""

    def thermometer(self, name: str, section: Mapping[str, Any]) -> Thermometer:
        """The probe that the bench file's ``section`` describes. Raises BenchFileError."""
        ...


@dataclass(frozen=True)
class Troubles:
    """What it took to be understood: questions asked again, and replies that were lost or damaged
    and lines that went away."""

    retries: int = 0
    errors: int = 0

    def __add__(self, other: Troubles) -> Troubles:
        """Both together."""
        return Troubles(self.retries + other.retries, self.errors + other.errors)


@runtime_checkable
class CountsTroubles(Protocol):
    """A device that counts what went wrong on its line since it was opened."""

    @property
    def troubles(self) -> Troubles:
        """So far."""
        ...


OpenDevice = Callable[[Mapping[str, Any], Clock, Connect], Device]
"""A driver: the bench file's device section in, an opened and identified instrument out.

Registered in the entry-point group ``autocell.drivers``. Raises BenchFileError for a section it
cannot use, before anything is opened; then Busy, Disconnected, NoReply or WrongIdentity.
"""


@runtime_checkable
class ChecksSection(Protocol):
    """A driver whose instrument has no line that ``connect`` opens, say a library of its own.

    It is a callable object, an ``OpenDevice``, with this method: :func:`open_bench` asks it before
    anything is opened. A driver that calls ``connect`` needs none.
    """

    def check(self, section: Mapping[str, Any]) -> None:
        """Raises BenchFileError for a device section that it cannot use; opens nothing."""
        ...


class Journal(Protocol):
    """Where the bench writes down what it is about to do and what came of it.

    ``time_s`` is bench time since the run began. Raises StoreError when it cannot write; then
    the move that was about to be made is not made.
    """

    def move_intended(
        self, time_s: float, axis: str, start: float, target: float, purpose: str
    ) -> int:
        """Write a move down, on disk before this returns; its number."""
        ...

    def move_ended(self, move: int, time_s: float, position: float, outcome: str) -> None:
        """Write down where the move ended: ``arrived``, ``stopped`` or ``failed: why``."""
        ...

    def reading(self, reading: Reading, purpose: str) -> None:
        """Write down a reading."""
        ...

    def event(self, time_s: float, kind: str, text: str) -> None:
        """Write down anything else worth telling: retries, rejected readings, decisions."""
        ...
