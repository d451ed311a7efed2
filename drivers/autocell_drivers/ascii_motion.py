"""Motion controllers that talk ASCII, each described by a dialect file beside the bench file.

A line may lose replies and a motor must not move twice for it: a move is sent once, and when its
acknowledgement does not come the controller is asked what it is doing before anything else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from autocell.bench.protocols import Clock, Connect, Line, Troubles
from autocell.errors import (
    BadReply,
    BenchFileError,
    Disconnected,
    LimitError,
    NoReply,
    Refused,
    WrongIdentity,
)
from autocell_drivers import sections
from autocell_drivers.ascii_codec import Status, WireUnits
from autocell_drivers.ascii_controller import AsciiController
from autocell_drivers.dialect import Dialect, Phrase, Query, load_dialect
from autocell_drivers.lasting_line import LastingLine

_DEVICE_KEYS = ("driver", "address", "identity", "path", "dialect", "baud", "reconnect_s")


def open_device(section: Mapping[str, Any], clock: Clock, connect: Connect) -> AsciiMotion:
    """Open the controller that a device section of the bench file describes.

    Keys of this driver: ``dialect`` (a file, relative to the bench file), ``baud`` (115200) and
    ``reconnect_s`` (60), for how long a line that has gone is waited for. Raises BenchFileError
    before anything is opened; then Busy, Disconnected, NoReply or WrongIdentity.
    """
    where = f"devices ({section.get('driver')} at {section.get('address')})"
    sections.refuse_unknown(section, _DEVICE_KEYS, where)
    address = sections.text(section, "address", where)
    expected = sections.text(section, "identity", where)
    folder = Path(str(section.get("path", ".")))
    dialect = load_dialect(folder / sections.text(section, "dialect", where))
    baud = sections.whole_number(section, "baud", where, default=115200)

    patience_s = sections.reconnect_s(section, where)

    transport = LastingLine(connect, address, Line(clock, baud=baud), patience_s)
    try:
        return AsciiMotion(AsciiController(dialect, transport, clock), address, expected)
    except BaseException:
        transport.close()
        raise


class AsciiMotion:
    """One controller: axes, and outputs that may drive a shutter."""

    def __init__(self, controller: AsciiController, address: str, expected: str) -> None:
        self._controller = controller
        self._identity = _identify(controller, address, expected)
        self._notes = [f"dialect {controller.dialect.name}"]

    @property
    def identity(self) -> str:
        """What the controller calls itself."""
        return self._identity

    @property
    def notes(self) -> Sequence[str]:
        """What was found while opening, for ``check``."""
        return (*self._notes, *self._controller.notes)

    @property
    def troubles(self) -> Troubles:
        """What went wrong on its line so far."""
        return self._controller.troubles

    def axis(self, name: str, section: Mapping[str, Any]) -> AsciiAxis:
        """An axis of the bench file; its controller is asked for it at once.

        Keys of this driver: ``channel``, ``direction`` (1, or -1 if the controller counts the
        other way) and ``units_per_mm`` or ``units_per_mrad``, in place of the dialect's. Raises
        BenchFileError for a section that cannot be used or a channel the controller refuses.
        """
        where = f"axes.{name}"
        channel = sections.whole_number(section, "channel", where)
        units = _units(self._controller.dialect, section, where)
        kind = _axis_kind(self._controller.dialect)
        axis = kind(name, channel, units, section, self._controller)
        try:
            self._notes.append(axis.describe())
        except Refused as error:
            raise BenchFileError(
                f"{where}.channel {channel}: {error}; write a channel that the controller has"
            ) from error
        return axis

    def power_meter(self, name: str, section: Mapping[str, Any]) -> NoReturn:
        """Raises BenchFileError: a motion controller measures no power."""
        raise BenchFileError(
            f"{name}.device: {self._identity} is a motion controller; name a power meter"
        )

    def shutter(self, section: Mapping[str, Any]) -> OutputShutter:
        """The shutter on the output ``channel``. Raises BenchFileError if there can be none."""
        dialect = self._controller.dialect
        if dialect.set_output is None or dialect.output is None:
            raise BenchFileError(
                f"shutter.device: the dialect {dialect.name} describes no outputs; add "
                "set_output and output to it"
            )
        channel = sections.whole_number(section, "channel", "shutter")
        return OutputShutter(channel, dialect.set_output, dialect.output, self._controller)

    def close(self) -> None:
        """Let go of the controller. Harmless twice."""
        self._controller.close()


class AsciiAxis:
    """One axis of a controller."""

    def __init__(
        self,
        name: str,
        channel: int,
        units: WireUnits,
        section: Mapping[str, Any],
        controller: AsciiController,
    ) -> None:
        self._name = name
        self._wire = controller.codec.axis_name(channel)
        self._units = units
        self._controller = controller
        self._close_enough = units.resolution + 3.0 * _repeatability(section)
        self._position: float | None = None
        self._heading = 0.0
        self._accepted_at: float | None = None
        self._motion_seen = False
        self._was_referenced = False

    @property
    def name(self) -> str:
        """As the bench file calls it."""
        return self._name

    def position(self) -> float:
        """Where the controller says the axis is, m or rad."""
        query = self._controller.dialect.position
        self._position = self._units.to_si(
            self._controller.number(query, "position", axis=self._wire)
        )
        return self._position

    def start_move(self, target: float) -> None:
        """Ask for a move to a target (m or rad); returns once the controller has accepted it.

        A controller without absolute moves is sent the way from where it says that it is. When no
        acknowledgement comes the move may have been accepted all the same, so the axis is asked;
        only one that stands still elsewhere is sent the move a second time, and not even that when
        the line was gone: the controller may have been switched off and count from elsewhere. What
        was refused is sent once more. A relative move is never sent twice: it would go twice as far
        if the first was only late.

        Raises LimitError for a target that is no number, Refused when the controller says no,
        NoReply, BadReply or Disconnected when the move may not have been accepted.
        """
        if not math.isfinite(target):
            raise LimitError(f"axis {self._name}: target {target} is no position; nothing was sent")
        start = self.position() if self._position is None else self._position
        self._heading = math.copysign(1.0, (target - start) * self._units.per_si)
        self._motion_seen = False
        move, fields = self._move(target)
        is_relative = self._controller.dialect.move_to is None
        try:
            self._controller.once(move, **fields)
        except Refused:
            if is_relative:
                raise
            # It has accepted nothing. Perhaps it heard something else: few lines notice a flipped
            # bit. What it refuses twice it means.
            self._controller.once(move, **fields)
        except (NoReply, BadReply):
            if not self._under_way(target):
                if is_relative:
                    raise
                self._controller.once(move, **fields)
        except Disconnected:
            if not self._under_way(target):
                raise
        self._accepted_at = self._controller.clock.now()

    def moving(self) -> bool:
        """Whether the axis is on its way.

        True also for as long after an accepted move as the moving bit may lag, unless motion was
        seen and has ended. Raises Refused when the controller reports a fault, a limit switch
        that the axis is not leaving, or that it has lost its reference since it was opened.
        """
        asked_at = self._controller.clock.now()  # the answer may have been long on its way
        status = self._controller.status(self._wire)
        if self._complaint(status) is not None:  # not every line notices a flipped bit
            status = self._controller.status(self._wire)
        self._check(status)
        self._motion_seen |= status.moving
        if status.moving or self._motion_seen or self._accepted_at is None:
            return status.moving
        return asked_at < self._accepted_at + self._lag_s

    def send_stop(self) -> None:
        """Send a stop and wait for no answer: :meth:`stop` sees to it."""
        self._accepted_at = None
        self._controller.send_stop(self._wire)

    def stop(self) -> None:
        """Stop at once and forget any move. Valid in every state."""
        self._accepted_at = None
        self._controller.stop(self._wire)

    def home(self) -> None:
        """Start the search for the reference; ``moving`` tells when it has ended."""
        if self._controller.dialect.home is None:
            raise Refused(
                f"axis {self._name}: the dialect {self._controller.dialect.name} has no home"
            )
        self._was_referenced = False
        self._motion_seen = False
        self._controller.once(self._controller.dialect.home, axis=self._wire)
        self._accepted_at = self._controller.clock.now()

    def describe(self) -> str:
        """The axis as it stands, for ``check``. Raises Refused when the controller has none."""
        status = self._controller.status(self._wire)
        self._was_referenced = bool(status.referenced)
        known = {True: "referenced", False: "not referenced", None: "tells no reference"}
        return f"axis {self._name} ({self._wire}): {known[status.referenced]}"

    @property
    def _lag_s(self) -> float:
        return self._controller.dialect.moving_bit_lag_ms / 1000.0

    def _move(self, target: float) -> tuple[Phrase, dict[str, str]]:
        """The phrase that moves the axis to a target, and what to fill in."""
        dialect = self._controller.dialect
        if dialect.move_to is not None:
            return dialect.move_to, {"axis": self._wire, "target": self._units.to_wire(target)}
        assert dialect.move_by is not None  # a dialect has one or the other
        # asked anew: an axis that was stopped, or turned by hand, is not where it was
        amount = self._units.amount_to_wire(target - self.position())
        return dialect.move_by, {"axis": self._wire, "amount": amount}

    def _under_way(self, target: float) -> bool:
        """Whether a move that was not acknowledged has been accepted all the same."""
        if self._controller.status(self._wire).moving:
            return True
        self._controller.clock.sleep(self._lag_s)
        if self._controller.status(self._wire).moving:
            return True
        return abs(self.position() - target) <= self._close_enough

    def _check(self, status: Status) -> None:
        if (complaint := self._complaint(status)) is not None:
            raise Refused(f"axis {self._name} ({self._wire}) {complaint}")
        self._was_referenced |= bool(status.referenced)

    def _complaint(self, status: Status) -> str | None:
        if status.fault:
            return "is in fault; clear the fault at the controller, then home it"
        if status.low_limit and self._heading <= 0.0:
            return "is on its low limit switch; find out why before moving it away"
        if status.high_limit and self._heading >= 0.0:
            return "is on its high limit switch; find out why before moving it away"
        if self._was_referenced and status.referenced is False:
            return (
                "has lost its reference, as after a power cycle; its position means nothing until "
                "it is homed"
            )
        return None


class _TellsLimits(AsciiAxis):
    def limits(self) -> tuple[float, float]:
        """The travel limits of the controller, low then high, m or rad."""
        query = self._controller.dialect.limits
        assert query is not None
        low, high = (
            self._units.to_si(self._controller.number(query, end, axis=self._wire))
            for end in ("low", "high")
        )
        return min(low, high), max(low, high)


class _TellsReference(AsciiAxis):
    def referenced(self) -> bool:
        """Whether the axis has found its reference since power came on."""
        return bool(self._controller.status(self._wire).referenced)


class _TellsBoth(_TellsLimits, _TellsReference):
    pass


def _axis_kind(dialect: Dialect) -> type[AsciiAxis]:
    """What an axis can tell is part of its type, as the bench asks for it."""
    tells_reference = "referenced" in dialect.status_flags()
    if dialect.limits is None:
        return _TellsReference if tells_reference else AsciiAxis
    return _TellsBoth if tells_reference else _TellsLimits


class OutputShutter:
    """A shutter on a digital output. It makes dark readings possible; it protects nobody."""

    def __init__(
        self, channel: int, set_output: Phrase, output: Query, controller: AsciiController
    ) -> None:
        self._output = str(channel)
        self._set = set_output
        self._query = output
        self._controller = controller

    def close(self) -> None:
        """Block the beam; returns once the controller confirms it."""
        self._bring_to(self._controller.dialect.output_states.closed)

    def open(self) -> None:
        """Let the beam pass; returns once the controller confirms it."""
        self._bring_to(self._controller.dialect.output_states.open)

    def _bring_to(self, state: str) -> None:
        self._controller.repeat(self._set, output=self._output, state=state)
        found = self._controller.ask(self._query, output=self._output)["state"]
        if found != state:
            raise Refused(
                f"output {self._output} was set to {state} and reads back {found}; the shutter "
                "is not where it should be"
            )


def _identify(controller: AsciiController, address: str, expected: str) -> str:
    try:
        found = controller.greet(expected)
    except BadReply as error:
        raise WrongIdentity(
            f"{address} should be {expected!r} (identity in the bench file), but answers as "
            f"something else: {error}"
        ) from error
    if expected not in found:
        raise WrongIdentity(
            f"{address} should be {expected!r} (identity in the bench file), but is {found!r}; "
            "check the address, or write the identity of this controller"
        )
    return found


def _units(dialect: Dialect, section: Mapping[str, Any], where: str) -> WireUnits:
    """Units on the wire; ``limits_mm`` or ``limits_mrad`` tells the kind of axis."""
    direction = sections.direction(section, where)
    linear = "limits_mm" in section
    kind, key = ("linear", "units_per_mm") if linear else ("angular", "units_per_mrad")
    wrong = "units_per_mrad" if linear else "units_per_mm"
    if wrong in section:
        raise BenchFileError(f"{where}.{wrong} does not fit this axis; write {key}")
    units = dialect.units.linear if linear else dialect.units.angular
    if units is None:
        raise BenchFileError(
            f"{where}: the dialect {dialect.name} has no {kind} units; add units.{kind} to it"
        )
    scale = sections.positive(section, key, where, default=getattr(units, key))
    return WireUnits(1e3 * scale * direction, units.offset, units.decimals)


def _repeatability(section: Mapping[str, Any]) -> float:
    value = section.get("repeatability_mm", section.get("repeatability_mrad", 0.0))
    return float(value) / 1e3
