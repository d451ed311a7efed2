"""A SCPI instrument's end of one line: bytes in, bytes out once they are ready, no I/O, no clock.

IEEE 488.2 common commands, and SYSTem and STATus of SCPI-1999. Messages are carried out one after
another: one that waits for a measurement holds up those behind it.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from autocell_simulators.scpi_status import COMPLETE, Status
from autocell_simulators.scpi_syntax import (
    ScpiError,
    header_pattern,
    number,
    parse_unit,
    units_of,
)

_LONGEST_MESSAGE = 1024

Answer = str | Callable[[], "Answer"] | None
"""A response, nothing, or what to do once the instrument has finished measuring."""


class Measuring(Protocol):
    """What the instrument measures with."""

    @property
    def done_s(self) -> float | None:
        """When the measurement under way will end; None when there is none."""
        ...

    def reset(self) -> None:
        """Settings as after power-on; a measurement under way is given up."""
        ...


@dataclass(frozen=True)
class Command:
    """A header and what it does with its arguments, of which there are ``least`` to ``most``."""

    pattern: re.Pattern[str]
    action: Callable[..., Answer]
    least: int
    most: int


def command(
    header: str, action: Callable[..., Answer], least: int = 0, most: int | None = None
) -> Command:
    """A command by its header as manuals write it."""
    return Command(header_pattern(header), action, least, least if most is None else most)


def nothing(_instrument: ScpiInstrument, *_ignored: str) -> None:
    """For what an instrument always does, or has only one choice of."""


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

    def within(self, text: str, units: Mapping[str, float]) -> float:
        """A number or a name as a value of this setting. Raises ScpiError -222 beyond the span."""
        named = self.named(text)
        value = number(text, units) if named is None else named
        if not self.minimum <= value <= self.maximum:
            raise ScpiError(-222)
        return value

    def asked(self, which: str, present: float) -> float:
        """The ``present`` value, or the one that is named. Raises ScpiError -224."""
        if not which:
            return present
        value = self.named(which)
        if value is None:
            raise ScpiError(-224)
        return value


class ScpiInstrument:
    """Give it the time, and the instrument advanced to that time."""

    __slots__ = (
        "_buffer",
        "_completion_asked",
        "_measuring",
        "_messages",
        "_now_s",
        "_path",
        "_ready",
        "_responses",
        "_resume",
        "_status",
        "_units",
    )

    identity: ClassVar[str]
    commands: ClassVar[tuple[Command, ...]]
    """Those of this kind of instrument, beside :data:`COMMON`."""

    def __init__(self, measuring: Measuring) -> None:
        self._measuring = measuring
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
        if self._completion_asked and self._measuring.done_s is None:
            self._completion_asked = False
            self._status.note(COMPLETE)
        while True:
            if self._resume is not None:
                if self._measuring.done_s is not None:
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
        return None if self._resume is None else self._measuring.done_s

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
            found = self._find(unit.header)
            if len(unit.arguments) < found.least:
                raise ScpiError(-109)
            if len(unit.arguments) > found.most:
                raise ScpiError(-108)
            return found.action(self, *unit.arguments)

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
        self._measuring.reset()
        self._completion_asked = False

    def _status_byte(self) -> str:
        return str(self._status.byte(message_available=bool(self._ready or self._responses)))

    def _find(self, header: str) -> Command:
        for known in (*self.commands, *COMMON):
            if known.pattern.fullmatch(header):
                return known
        raise ScpiError(-113)


def _mask(text: str) -> int:
    value = round(number(text, {}))
    if not 0 <= value <= 65535:
        raise ScpiError(-222)
    return value


def _setter(register: str) -> Callable[[Any, str], None]:
    return lambda instrument, text: setattr(instrument._status, register, _mask(text))


def _getter(register: str) -> Callable[[Any], str]:
    return lambda instrument: str(getattr(instrument._status, register))


COMMON = (
    command("*IDN?", lambda instrument: instrument.identity),
    command("*CLS", ScpiInstrument._clear),
    command("*RST", ScpiInstrument._reset),
    command("*TST?", lambda instrument: "0"),
    command("*OPC", ScpiInstrument._ask_completion),
    command("*OPC?", ScpiInstrument._confirm_completion),
    command("*WAI", ScpiInstrument._wait_completion),
    command("*ESR?", lambda instrument: str(instrument._status.take_events())),
    command("*ESE", _setter("event_enable"), 1),
    command("*ESE?", _getter("event_enable")),
    command("*SRE", _setter("request_enable"), 1),
    command("*SRE?", _getter("request_enable")),
    command("*STB?", ScpiInstrument._status_byte),
    command("SYSTem:ERRor[:NEXT]?", lambda instrument: instrument._status.next_error()),
    command("SYSTem:ERRor:COUNt?", lambda instrument: str(instrument._status.errors)),
    command("SYSTem:VERSion?", lambda instrument: "1999.0"),
    command("STATus:PRESet", lambda instrument: instrument._status.preset()),
    command("STATus:OPERation[:EVENt]?", lambda instrument: "0"),
    command("STATus:OPERation:CONDition?", lambda instrument: "0"),
    command("STATus:OPERation:ENABle", _setter("operation_enable"), 1),
    command("STATus:OPERation:ENABle?", _getter("operation_enable")),
    command("STATus:QUEStionable[:EVENt]?", lambda instrument: "0"),
    command("STATus:QUEStionable:CONDition?", lambda instrument: "0"),
    command("STATus:QUEStionable:ENABle", _setter("questionable_enable"), 1),
    command("STATus:QUEStionable:ENABle?", _getter("questionable_enable")),
)  # fmt: skip
