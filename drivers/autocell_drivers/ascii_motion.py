"""Motion controllers that talk ASCII, each described by a dialect file beside the bench file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from autocell.bench.protocols import Clock, Connect, Line, Troubles
from autocell.errors import (
    BadReply,
    BenchFileError,
    Refused,
    WrongIdentity,
)
from autocell_drivers import sections
from autocell_drivers.ascii_axis import AsciiAxis, axis_kind
from autocell_drivers.ascii_codec import WireUnits
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
        kind = axis_kind(self._controller.dialect)
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
