"""The power meter's SCPI dialect: bytes in, bytes out once they are ready, no I/O, no clock.

IEEE 488.2 common commands, and MEASure, CONFigure, READ, FETCh, INITiate, SENSe, SYSTem and
STATus of SCPI-1999. Messages are carried out one after another: one that waits for a measurement
holds up those behind it.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from autocell_simulators.meter import SimulatedMeter
from autocell_simulators.scpi_status import COMPLETE, Status
from autocell_simulators.scpi_syntax import (
    ScpiError,
    boolean,
    header_pattern,
    number,
    parse_unit,
    scientific,
    units_of,
)

_IDENTITY = "EXAMPLE,POWER-METER,0001,1.0"
_LONGEST_MESSAGE = 1024
_WATT = {"W": 1.0, "MW": 1e-3, "UW": 1e-6, "NW": 1e-9}
_NANOMETRE = {"NM": 1.0, "UM": 1e3, "M": 1e9}

Answer = str | Callable[[], "Answer"] | None
"""A response, nothing, or what to do once the meter has finished measuring."""


@dataclass(frozen=True)
class Span:
    """What MIN, MAX and DEF mean for a setting."""

    minimum: float
    maximum: float
    default: float

    def named(self, text: str) -> float | None:
        """The value of MIN, MAX or DEF; None for another text."""
        return {
            "MIN": self.minimum,
            "MINIMUM": self.minimum,
            "MAX": self.maximum,
            "MAXIMUM": self.maximum,
            "DEF": self.default,
            "DEFAULT": self.default,
        }.get(text.upper())


class ScpiMeter:
    """The instrument's end of one line. Give it the time, and the meter advanced to that time."""

    __slots__ = (
        "_buffer",
        "_completion_asked",
        "_messages",
        "_meter",
        "_now_s",
        "_path",
        "_ready",
        "_responses",
        "_resume",
        "_status",
        "_units",
    )

    def __init__(self, meter: SimulatedMeter) -> None:
        self._meter = meter
        self._status = Status()
        self._completion_asked = False
        self._now_s = 0.0
        self.hang_up()

    def hang_up(self) -> None:
        """The client is gone: forget half a message, and replies that nobody will read."""
        self._buffer = self._ready = b""
        self._messages: deque[bytes] = deque()
        self._units: deque[str] = deque()
        self._responses: list[str] = []
        self._resume: Callable[[], Answer] | None = None
        self._path = ""

    def feed(self, data: bytes, now_s: float) -> None:
        """Take in what arrived at ``now_s``."""
        *messages, self._buffer = (self._buffer + data).split(b"\n")
        self._messages.extend(messages)
        if len(self._buffer) > _LONGEST_MESSAGE:
            self._buffer = self._buffer[: _LONGEST_MESSAGE + 1]  # enough to know it is too long
        self.advance(now_s)

    def advance(self, now_s: float) -> None:
        """Carry on, as far as the measurement under way allows."""
        self._now_s = now_s
        if self._completion_asked and self._meter.done_s is None:
            self._completion_asked = False
            self._status.note(COMPLETE)
        while True:
            if self._resume is not None:
                if self._meter.done_s is not None:
                    return
                step, self._resume = self._resume, None
                self._run(step)
            elif self._units:
                self._carry_out(self._units.popleft())
            elif self._responses:
                self._ready += ";".join(self._responses).encode("ascii") + b"\n"
                self._responses = []
            elif self._messages:
                self._begin(self._messages.popleft())
            else:
                return

    @property
    def next_s(self) -> float | None:
        """When the message under way may go on; None when it waits for nothing."""
        return None if self._resume is None else self._meter.done_s

    def take(self) -> bytes:
        """What is ready to be sent."""
        ready, self._ready = self._ready, b""
        return ready

    def _begin(self, message: bytes) -> None:
        if len(message) > _LONGEST_MESSAGE:
            self._status.fail(ScpiError(-363))
            return
        self._path = ""
        self._units = deque(units_of(message.decode("latin-1")))

    def _carry_out(self, text: str) -> None:
        def step() -> Answer:
            unit, self._path = parse_unit(text, self._path)
            command = _find(unit.header)
            if len(unit.arguments) < command.least:
                raise ScpiError(-109)
            if len(unit.arguments) > command.most:
                raise ScpiError(-108)
            return command.action(self, *unit.arguments)

        self._run(step)

    def _run(self, step: Callable[[], Answer]) -> None:
        try:
            answer = step()
        except ScpiError as error:
            self._status.fail(error)
            if error.number > -200:
                self._units.clear()  # the parser is lost: the rest of this message is dropped
            return
        if callable(answer):
            self._resume = answer
        elif answer is not None:
            self._responses.append(answer)

    # common commands

    def _clear(self) -> None:
        self._status.clear()
        self._completion_asked = False

    def _ask_completion(self) -> None:
        self._completion_asked = True

    def _wait_completion(self) -> Answer:
        return lambda: None

    def _confirm_completion(self) -> Answer:
        return lambda: "1"

    def _reset(self) -> None:
        self._meter.reset()
        self._completion_asked = False

    def _status_byte(self) -> str:
        return str(self._status.byte(message_available=bool(self._ready or self._responses)))

    # measuring

    def _read(self) -> Answer:
        if self._meter.zeroing:
            return self._read
        self._meter.begin(self._now_s)
        return self._fetch

    def _initiate(self) -> None:
        if self._meter.done_s is not None:
            raise ScpiError(-213)
        self._meter.begin(self._now_s)

    def _fetch(self) -> Answer:
        if self._meter.done_s is not None:
            return self._fetch
        if self._meter.last_w is None:
            raise ScpiError(-230)
        return scientific(self._meter.last_w)

    def _zero(self) -> None:
        self._meter.begin(self._now_s, "zero")

    # settings

    def _set_wavelength(self, text: str) -> None:
        self._meter.wavelength_m = 1e-9 * _within(text, _NANOMETRE, self._wavelengths_nm())

    def _wavelength(self, which: str = "") -> str:
        return f"{_named(which, self._wavelengths_nm(), self._meter.wavelength_m * 1e9):.3f}"

    def _wavelengths_nm(self) -> Span:
        low, high = self._meter.traits.wavelengths_m
        return Span(low * 1e9, high * 1e9, self._meter.traits.default_wavelength_m * 1e9)

    def _set_range(self, text: str) -> None:
        self._meter.set_range(_within(text, _WATT, self._ranges_w()), self._now_s)

    def _range(self, which: str = "") -> str:
        return scientific(_named(which, self._ranges_w(), self._meter.range_w))

    def _ranges_w(self) -> Span:
        ranges = self._meter.traits.ranges_w
        return Span(ranges[0], ranges[-1], ranges[-1])

    def _set_auto_range(self, text: str) -> None:
        self._meter.auto_range = boolean(text)

    def _set_averages(self, text: str) -> None:
        self._meter.averages = round(_within(text, {}, self._averages_span()))

    def _averages(self, which: str = "") -> str:
        return f"{_named(which, self._averages_span(), self._meter.averages):.0f}"

    def _averages_span(self) -> Span:
        return Span(1, self._meter.traits.most_averages, self._meter.traits.averages)

    def _set_unit(self, text: str) -> None:
        if text.upper() != "W":
            raise ScpiError(-224)


def _within(text: str, units: Mapping[str, float], span: Span) -> float:
    named = span.named(text)
    value = number(text, units) if named is None else named
    if not span.minimum <= value <= span.maximum:
        raise ScpiError(-222)
    return value


def _named(which: str, span: Span, present: float) -> float:
    if not which:
        return present
    value = span.named(which)
    if value is None:
        raise ScpiError(-224)
    return value


def _mask(text: str) -> int:
    value = round(number(text, {}))
    if not 0 <= value <= 65535:
        raise ScpiError(-222)
    return value


def _setter(register: str) -> Callable[[ScpiMeter, str], None]:
    return lambda meter, text: setattr(meter._status, register, _mask(text))


def _getter(register: str) -> Callable[[ScpiMeter], str]:
    return lambda meter: str(getattr(meter._status, register))


@dataclass(frozen=True)
class _Command:
    pattern: re.Pattern[str]
    action: Callable[..., Answer]
    least: int
    most: int


def _command(
    header: str, action: Callable[..., Answer], least: int = 0, most: int | None = None
) -> _Command:
    return _Command(header_pattern(header), action, least, least if most is None else most)


def _nothing(_meter: ScpiMeter, *_ignored: str) -> None:
    """For what this meter always does, or has only one choice of."""


_COMMANDS = (
    _command("*IDN?", lambda meter: _IDENTITY),
    _command("*CLS", ScpiMeter._clear),
    _command("*RST", ScpiMeter._reset),
    _command("*TST?", lambda meter: "0"),
    _command("*OPC", ScpiMeter._ask_completion),
    _command("*OPC?", ScpiMeter._confirm_completion),
    _command("*WAI", ScpiMeter._wait_completion),
    _command("*ESR?", lambda meter: str(meter._status.take_events())),
    _command("*ESE", _setter("event_enable"), 1),
    _command("*ESE?", _getter("event_enable")),
    _command("*SRE", _setter("request_enable"), 1),
    _command("*SRE?", _getter("request_enable")),
    _command("*STB?", ScpiMeter._status_byte),
    _command("SYSTem:ERRor[:NEXT]?", lambda meter: meter._status.next_error()),
    _command("SYSTem:ERRor:COUNt?", lambda meter: str(meter._status.errors)),
    _command("SYSTem:VERSion?", lambda meter: "1999.0"),
    _command("STATus:PRESet", lambda meter: meter._status.preset()),
    _command("STATus:OPERation[:EVENt]?", lambda meter: "0"),
    _command("STATus:OPERation:CONDition?", lambda meter: "0"),
    _command("STATus:OPERation:ENABle", _setter("operation_enable"), 1),
    _command("STATus:OPERation:ENABle?", _getter("operation_enable")),
    _command("STATus:QUEStionable[:EVENt]?", lambda meter: "0"),
    _command("STATus:QUEStionable:CONDition?", lambda meter: "0"),
    _command("STATus:QUEStionable:ENABle", _setter("questionable_enable"), 1),
    _command("STATus:QUEStionable:ENABle?", _getter("questionable_enable")),
    _command("ABORt", lambda meter: meter._meter.abort()),
    _command("INITiate[:IMMediate]", ScpiMeter._initiate),
    _command("FETCh#[:SCALar][:POWer][:DC]?", ScpiMeter._fetch),
    _command("READ#[:SCALar][:POWer][:DC]?", ScpiMeter._read),
    _command("MEASure#[:SCALar][:POWer][:DC]?", ScpiMeter._read),
    _command("CONFigure#[:SCALar][:POWer][:DC]", _nothing),
    _command("CONFigure#?", lambda meter: '"POW"'),
    _command("[SENSe#:]POWer[:DC]:WAVelength", ScpiMeter._set_wavelength, 1),
    _command("[SENSe#:]POWer[:DC]:WAVelength?", ScpiMeter._wavelength, 0, 1),
    _command("[SENSe#:]POWer[:DC]:RANGe[:UPPer]", ScpiMeter._set_range, 1),
    _command("[SENSe#:]POWer[:DC]:RANGe[:UPPer]?", ScpiMeter._range, 0, 1),
    _command("[SENSe#:]POWer[:DC]:RANGe:AUTO", ScpiMeter._set_auto_range, 1),
    _command("[SENSe#:]POWer[:DC]:RANGe:AUTO?", lambda meter: str(int(meter._meter.auto_range))),
    _command("[SENSe#:]AVERage:COUNt", ScpiMeter._set_averages, 1),
    _command("[SENSe#:]AVERage:COUNt?", ScpiMeter._averages, 0, 1),
    _command("[SENSe#:]CORRection:COLLect:ZERO[:INITiate]", ScpiMeter._zero),
    _command("[SENSe#:]CORRection:COLLect:ZERO:MAGNitude?",
             lambda meter: scientific(meter._meter.zero_w)),
    _command("UNIT:POWer", ScpiMeter._set_unit, 1),
    _command("UNIT:POWer?", lambda meter: "W"),
)  # fmt: skip


def _find(header: str) -> _Command:
    for command in _COMMANDS:
        if command.pattern.fullmatch(header):
            return command
    raise ScpiError(-113)
