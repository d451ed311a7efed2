"""Axes and meters of a control system, over EPICS Channel Access: motor records, analogue outputs
with a readback, analogue inputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from autocell.bench.protocols import Clock, Connect
from autocell.errors import BenchFileError, Disconnected, WrongIdentity
from autocell_drivers import sections, units
from autocell_drivers.epics_axes import MotorAxis, PvAxis, motor_kind
from autocell_drivers.epics_channels import Channels
from autocell_drivers.epics_meter import PvMeter, PvShutter
from autocell_drivers.epics_outputs import Output, OutputAxis, drive_limits, output_kind

_KEYS = ("driver", "address", "identity", "path", "identity_pv", "outputs", "units", "reconnect_s")


class Epics:
    """The driver. ``address`` is what the names of all its process variables begin with.

    Keys: ``identity_pv``, whose text holds ``identity``; ``outputs``, for axes that are no motor
    records: by the name of the record that is written, ``readback`` and where there are any
    ``moving`` (not zero while it moves) and ``stop`` (1 is written to it), ``stride``, the most
    that is asked of it at once, in its units, and ``no_drive_limits`` (true) of a record that can
    have none; ``units``, by record, of those that name none (EGU); ``reconnect_s`` (60).
    """

    def check(self, section: Mapping[str, Any]) -> None:
        """Raises BenchFileError for a section that cannot be used; opens nothing."""
        where = _where(section)
        sections.refuse_unknown(section, _KEYS, where)
        for key in ("address", "identity", "identity_pv"):
            sections.text(section, key, where)
        sections.reconnect_s(section, where)
        _outputs(section, where)
        _units(section, where)

    def __call__(
        self, section: Mapping[str, Any], clock: Clock, _connect: Connect
    ) -> EpicsInstrument:
        """Find the control system. Raises BenchFileError, Disconnected, NoReply, WrongIdentity."""
        self.check(section)
        where = _where(section)
        channels = Channels(section["address"], clock, sections.reconnect_s(section, where))
        try:
            return EpicsInstrument(
                channels,
                clock,
                _outputs(section, where),
                _units(section, where),
                str(section["identity_pv"]),
                str(section["identity"]),
            )
        except BaseException:
            channels.close()
            raise


open_device = Epics()


class EpicsInstrument:
    """What one prefix stands for: axes, meters and shutters by the names of their records."""

    def __init__(
        self,
        channels: Channels,
        clock: Clock,
        outputs: Mapping[str, Output],
        told_units: Mapping[str, str],
        identity_pv: str,
        expected: str,
    ) -> None:
        self._channels = channels
        self._clock = clock
        self._outputs = outputs
        self._told_units = told_units
        self._identity_pv = identity_pv
        self._notes: list[str] = []
        channels.connect([identity_pv])
        self._identity = channels.text(identity_pv)
        if expected not in self._identity:
            raise WrongIdentity(
                f"{identity_pv} should hold {expected!r} (identity in the bench file), but is "
                f"{self._identity!r}"
            )
        channels.on_return(self._check_identity)

    @property
    def identity(self) -> str:
        """What ``identity_pv`` holds."""
        return self._identity

    @property
    def notes(self) -> Sequence[str]:
        """What was found while opening, for ``check``."""
        return (*self._notes, *self._channels.notes)

    def axis(self, name: str, section: Mapping[str, Any]) -> PvAxis:
        """The axis whose record is ``channel``. Raises BenchFileError."""
        where = f"axes.{name}"
        record = sections.text(section, "channel", where)
        try:
            if record in self._outputs:
                return self._output(name, record, section, where)
            return self._motor(name, record, section, where)
        except Disconnected as error:
            raise BenchFileError(f"{where}.channel {record}: {error}") from error

    def power_meter(self, name: str, section: Mapping[str, Any]) -> PvMeter:
        """The meter whose record is ``channel``, an analogue input. Raises BenchFileError."""
        record = sections.text(section, "channel", name)
        try:
            self._channels.connect([record])
        except Disconnected as error:
            raise BenchFileError(f"{name}.channel {record}: {error}") from error
        unit = self._unit(record, self._channels.control(record)[0], f"{name}.channel {record}")
        watts = units.si_per(unit, "power")
        if watts is None:
            raise BenchFileError(
                f"{name}.channel {record}: its unit (EGU) is {unit!r}, no unit of power; set it to "
                f"one of {units.names('power')}, or write units: {{{record}: …}} for the device"
            )
        range_w = sections.positive(section, "range_mw", name) * 1e-3
        averaging_s = sections.positive(section, "averaging_ms", name) * 1e-3
        return PvMeter(name, record, watts, range_w, averaging_s, self._channels, self._clock)

    def shutter(self, section: Mapping[str, Any]) -> PvShutter:
        """The shutter whose record is ``channel``: 1 is open, 0 closed. Raises BenchFileError."""
        record = sections.text(section, "channel", "shutter")
        try:
            self._channels.connect([record])
        except Disconnected as error:
            raise BenchFileError(f"shutter.channel {record}: {error}") from error
        return PvShutter(record, self._channels, self._clock)

    def close(self) -> None:
        """Let go of the control system. Harmless twice."""
        self._channels.close()

    def _motor(self, name: str, record: str, section: Mapping[str, Any], where: str) -> MotorAxis:
        fields = [f"{record}.{field}" for field in MotorAxis.FIELDS]
        self._channels.connect([record, *fields])
        low, high = (self._channels.number(f"{record}.{end}") for end in ("LLM", "HLM"))
        if not low < high:
            raise BenchFileError(
                f"{where}.channel {record}: its limits LLM and HLM are {low:g} and {high:g}, which "
                "means none; set them at the record"
            )
        if self._channels.number(f"{record}.BDST"):
            self._notes.append(
                f"axis {name}: its record takes out backlash itself (BDST); write backlash 0, or "
                "set BDST to 0"
            )
        kind = motor_kind(int(self._channels.number(f"{record}.MSTA")))
        per_si = self._per_si(record, section, where, f"{record}.EGU")
        return kind(name, record, per_si, section, self._channels, self._clock)

    def _output(self, name: str, record: str, section: Mapping[str, Any], where: str) -> OutputAxis:
        output = self._outputs[record]
        self._channels.connect([record, *output.records])
        per_si = self._per_si(record, section, where)
        low, high = drive_limits(self._channels, record)
        if output.no_drive_limits and low < high:
            raise BenchFileError(
                f"{where}.channel {record}: has drive limits, {low:g} to {high:g}; take "
                "no_drive_limits out"
            )
        kind = output_kind(output)
        return kind(name, record, output, per_si, section, self._channels, self._clock)

    def _unit(self, record: str, found: str, where: str) -> str:
        """The unit of a record, or what the device section says of one that names none."""
        told = self._told_units.get(record)
        if told is None or found == told:
            return found
        if found:
            raise BenchFileError(
                f"{where}: its unit (EGU) is {found!r}, and units of the device says {told!r}"
            )
        return told

    def _per_si(
        self, record: str, section: Mapping[str, Any], where: str, unit_field: str | None = None
    ) -> float:
        """Units of the record in one m or rad, negative for one that counts the other way."""
        direction = section.get("direction", 1)
        if direction not in (1, -1):
            raise BenchFileError(f"{where}.direction is {direction!r}; write 1 or -1")
        kind: units.Kind = "linear" if "limits_mm" in section else "angular"
        key = "units_per_mm" if kind == "linear" else "units_per_mrad"
        if key in section:
            return 1e3 * sections.positive(section, key, where) * int(direction)
        if unit_field is None:
            unit, _, _ = self._channels.control(record)
        else:
            unit = self._channels.text(unit_field)
        unit = self._unit(record, unit, f"{where}.channel {record}")
        factor = units.si_per(unit, kind)
        if factor is None:
            raise BenchFileError(
                f"{where}.channel {record}: its unit (EGU) is {unit!r}, but the axis is {kind}; "
                f"write {key}"
            )
        return int(direction) / factor

    def _check_identity(self) -> None:
        found = self._channels.text(self._identity_pv)
        if found != self._identity:
            raise WrongIdentity(
                f"{self._identity_pv} was {self._identity!r}, and after its server had gone it is "
                f"{found!r}"
            )


def _where(section: Mapping[str, Any]) -> str:
    return f"devices ({section.get('driver')} at {section.get('address')})"


def _outputs(section: Mapping[str, Any], where: str) -> dict[str, Output]:
    told = section.get("outputs", {})
    if not isinstance(told, Mapping):
        raise BenchFileError(f"{where}.outputs: write {{RECORD: {{readback: RECORD}}}}")
    return {
        str(record): Output.of(words, f"{where}.outputs.{record}") for record, words in told.items()
    }


def _units(section: Mapping[str, Any], where: str) -> dict[str, str]:
    told = section.get("units", {})
    if not isinstance(told, Mapping):
        raise BenchFileError(f"{where}.units: write {{RECORD: UNIT}}")
    return {str(record): sections.text(told, record, f"{where}.units") for record in told}
