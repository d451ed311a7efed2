"""Motion controllers that take G-code over a serial line and follow the real-time protocol of
Grbl 1.1, as many boards for milling machines and laser cutters do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NoReturn

from autocell.bench.protocols import Clock, Connect, Line, Troubles
from autocell.errors import BenchFileError, LimitError, Refused, WrongIdentity
from autocell_drivers import gcode_codec as codec
from autocell_drivers import sections
from autocell_drivers.gcode_controller import GcodeController, Target
from autocell_drivers.lasting_line import LastingLine

_KEYS = ("driver", "address", "identity", "path", "baud", "reconnect_s")
_DEGREES_PER_MRAD = math.degrees(1e-3)
_LAG_S = 0.1
"""How long an accepted move may go unreported: a report is made every few milliseconds. [trade]"""


def open_device(section: Mapping[str, Any], clock: Clock, connect: Connect) -> GcodeMotion:
    """Open the controller that a device section of the bench file describes.

    Keys of this driver: ``baud`` (115200) and ``reconnect_s`` (60). ``identity`` is part of the
    answer to ``$I``, such as a name that was stored with ``$I=NAME``. Raises BenchFileError before
    anything is opened; then Busy, Disconnected, NoReply, BadReply, Refused or WrongIdentity.
    """
    where = f"devices ({section.get('driver')} at {section.get('address')})"
    sections.refuse_unknown(section, _KEYS, where)
    address = sections.text(section, "address", where)
    expected = sections.text(section, "identity", where)
    baud = sections.whole_number(section, "baud", where, default=115200)
    patience_s = sections.reconnect_s(section, where)
    line = LastingLine(connect, address, Line(clock, baud=baud), patience_s)
    try:
        controller = GcodeController(line, clock)
        if expected not in controller.build.version:
            raise WrongIdentity(
                f"{address} should be {expected!r} (identity in the bench file), but is "
                f"{controller.build.version!r}; check the address, or write the identity of this "
                "controller"
            )
        if controller.settings.get(13):
            raise Refused(f"{address} reports inches; set $13=0 at the controller")
        return GcodeMotion(controller, clock)
    except BaseException:
        line.close()
        raise


class GcodeMotion:
    """One controller."""

    def __init__(self, controller: GcodeController, clock: Clock) -> None:
        self._controller = controller
        self._clock = clock
        self._notes: list[str] = []
        if not controller.settings.get(20):
            self._notes.append("soft limits are off ($20=0): only the bench file limits the travel")
        if not controller.settings.get(22):
            self._notes.append("homing is off ($22=0): a reset goes unnoticed but for the position")

    @property
    def identity(self) -> str:
        """Version and name, as ``$I`` tells them."""
        return self._controller.build.version

    @property
    def notes(self) -> Sequence[str]:
        """What was found while opening, for ``check``."""
        return (*self._notes, *self._controller.notes)

    @property
    def troubles(self) -> Troubles:
        """What went wrong on its line so far."""
        return self._controller.troubles

    def axis(self, name: str, section: Mapping[str, Any]) -> GcodeAxis:
        """An axis of the bench file; ``channel`` is its letter, or 1 for X, 2 for Y and so on.

        Millimetres on the wire, and degrees for A, B and C, unless ``units_per_mm`` or
        ``units_per_mrad`` says otherwise. Raises BenchFileError.
        """
        where = f"axes.{name}"
        letter = _letter(section, where)
        there = self._controller.report().positions
        if letter not in there:
            raise BenchFileError(
                f"{where}.channel: the controller reports no axis {letter}, only {', '.join(there)}"
            )
        travel = codec.travel(self._controller.settings, self._controller.build.options, letter)
        has_reference = bool(self._controller.settings.get(22))
        kind = _KINDS[travel is not None, has_reference]
        return kind(name, letter, _per_si(section, letter, where), section, travel, self)

    def power_meter(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: a motion controller measures no power."""
        raise BenchFileError(
            f"{name}.device: {self.identity} is a motion controller; name a power meter"
        )

    def shutter(self, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: the outputs of these boards are those of a spindle."""
        raise BenchFileError(
            f"shutter.device: {self.identity} has no output that is made for a shutter; name "
            "another device, or leave the shutter out"
        )

    def close(self) -> None:
        """Let go of the controller. Harmless twice."""
        self._controller.close()

    @property
    def controller(self) -> GcodeController:
        """The controller, for its axes."""
        return self._controller

    @property
    def clock(self) -> Clock:
        """The bench's clock, for the axes."""
        return self._clock


class GcodeAxis:
    """One axis."""

    def __init__(
        self,
        name: str,
        letter: str,
        per_si: float,
        section: Mapping[str, Any],
        travel: tuple[float, float] | None,
        device: GcodeMotion,
    ) -> None:
        self._name = name
        self._letter = letter
        self._per_si = per_si
        self._travel = travel
        self._controller = device.controller
        self._clock = device.clock
        speed = section.get("speed_mm_per_s", section.get("speed_mrad_per_s"))
        self._speed = float(speed or 0.0) * 1e-3 * abs(per_si)
        if self._speed <= 0.0:
            raise BenchFileError(f"axes.{name}: its speed is {speed!r}; write a number above zero")
        self._sent_at: float | None = None
        self._was_on_switch = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the controller says the axis is, m or rad."""
        return self._of(self._controller.report())

    def start_move(self, target: float) -> None:
        """Start an absolute move (m or rad) at the speed that the bench file states.

        Other axes of this controller that are under way brake for a moment, and go on together
        with this one. Raises LimitError for a target that is no number, and as
        :meth:`GcodeController.start`.
        """
        if not math.isfinite(target):
            raise LimitError(f"axis {self._name}: target {target} is no position; nothing was sent")
        self._was_on_switch = self._letter in self._controller.report().pins
        self._controller.start(self._letter, Target(target * self._per_si, self._speed))
        self._sent_at = self._clock.now()

    def moving(self) -> bool:
        """Whether this axis is on its way. Raises Refused for an alarm, for a hold or a door that
        somebody else has brought about, and for a limit switch that the axis is not leaving."""
        asked_at = self._clock.now()  # the answer may have been long on its way
        report = self._controller.report()
        axis = f"axis {self._name} ({self._letter})"
        if report.state == "Alarm":
            raise Refused(
                f"{axis}: the controller is in alarm, and its position may mean nothing; find out "
                "why, then home it ($H)"
            )
        if report.state in ("Hold", "Door", "Sleep", "Check"):
            raise Refused(f"{axis}: the controller is in state {report.state}; reset it by hand")
        if self._letter in report.pins and not self._was_on_switch:
            raise Refused(f"{axis} is on a limit switch; find out why before moving it away")
        if report.moves:
            self._sent_at = None
            return self._controller.under_way(report, self._letter)
        if self._sent_at is None or asked_at >= self._sent_at + _LAG_S:
            return False
        return self._controller.under_way(report, self._letter)

    def stop(self) -> None:
        """Stop at once, and with it every axis of this controller. Valid in every state."""
        self._sent_at = None
        self._controller.stop()

    def _of(self, report: codec.Report) -> float:
        return report.positions[self._letter] / self._per_si


class _TellsLimits(GcodeAxis):
    def limits(self) -> tuple[float, float]:
        """The travel that the controller enforces ($20, $130 and on), low then high, m or rad."""
        assert self._travel is not None
        low, high = (end / self._per_si for end in self._travel)
        return min(low, high), max(low, high)


class _TellsReference(GcodeAxis):
    def referenced(self) -> bool:
        """Whether the controller is out of the alarm that it starts in until it is homed. One that
        was unlocked with ``$X`` says so too."""
        return self._controller.report().state != "Alarm"


class _TellsBoth(_TellsLimits, _TellsReference):
    pass


_KINDS: Mapping[tuple[bool, bool], type[GcodeAxis]] = {
    (False, False): GcodeAxis,
    (True, False): _TellsLimits,
    (False, True): _TellsReference,
    (True, True): _TellsBoth,
}
"""What an axis can tell is part of its type, as the bench asks for it."""


def _letter(section: Mapping[str, Any], where: str) -> str:
    channel = section.get("channel")
    if isinstance(channel, str) and channel.upper() in codec.LETTERS and len(channel) == 1:
        return channel.upper()
    if isinstance(channel, int) and 1 <= channel <= len(codec.LETTERS):
        return codec.LETTERS[channel - 1]
    raise BenchFileError(
        f"{where}.channel is {channel!r}; write a letter of {', '.join(codec.LETTERS)}"
    )


def _per_si(section: Mapping[str, Any], letter: str, where: str) -> float:
    """Units on the wire in one m or rad, negative for an axis that counts the other way."""
    direction = section.get("direction", 1)
    if direction not in (1, -1):
        raise BenchFileError(f"{where}.direction is {direction!r}; write 1 or -1")
    if "limits_mm" in section:
        scale = sections.positive(section, "units_per_mm", where, default=1.0)
    elif letter in "ABC":
        scale = sections.positive(section, "units_per_mrad", where, default=_DEGREES_PER_MRAD)
    elif "units_per_mrad" in section:
        scale = sections.positive(section, "units_per_mrad", where)
    else:
        raise BenchFileError(
            f"{where}: {letter} counts in millimetres; write units_per_mrad, the millimetres that "
            "turn it by one mrad"
        )
    return 1e3 * scale * int(direction)
