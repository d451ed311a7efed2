"""The plain-motion dialect (docs/plain-motion.md): bytes in, bytes out, no I/O, no clock.

The axes and outputs it is given have been advanced to the present before it is fed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from autocell_simulators.ascii_lines import LONGEST_LINE, AsciiLines
from autocell_simulators.mechanics import MoveRefusedError, SimulatedAxis

_IDENTITY = "ID PLAIN-MOTION 1.2 SN 0417"
_NUMBER = re.compile(r"[+-]?(\d+(\.\d{0,5})?|\.\d{1,5})")
_PER_UNIT = 1e3
"""Wire units (mm, mrad) in one SI unit (m, rad)."""
_ERRORS = {"COMMAND": 1, "AXIS": 2, "LIMIT": 3, "BUSY": 4, "NOREF": 5, "FAULT": 6}


@dataclass(slots=True)
class Output:
    """A switched output of the controller."""

    on: bool = True


class _RefusedError(Exception):
    """A command that cannot be carried out, by its word in the dialect."""


class PlainMotion(AsciiLines):
    """A controller with its axes and outputs, each by its number on the wire."""

    __slots__ = ("_axes", "_outputs")

    command_ending = b"\r"
    message_endings = b"\r\n"

    def __init__(self, axes: Mapping[int, SimulatedAxis], outputs: Mapping[int, Output]) -> None:
        super().__init__()
        self._axes = axes
        self._outputs = outputs

    def _answer(self, line: bytes) -> bytes:
        words = line.decode("ascii", errors="replace").split()
        if not words:
            return b""
        if words == ["ID?"]:
            return _reply(_IDENTITY)
        if not re.fullmatch(r"[0-9]+", words[0]):
            return _error("0", "COMMAND")
        number, *command = words
        if len(line) > LONGEST_LINE:
            return _error(number, "COMMAND")
        try:
            return _reply(f"{number} {self._carry_out(int(number), command)}")
        except _RefusedError as refusal:
            return _error(number, str(refusal))
        except MoveRefusedError as refused:
            return _error(number, refused.reason)

    def _carry_out(self, number: int, command: list[str]) -> str:
        match command:
            case ["SP"] if number == 0:
                for axis in self._axes.values():
                    axis.stop()
                return "OK"
            case ["OU?"]:
                return f"OU {int(self._output(number).on)}"
            case ["OU", ("0" | "1") as state]:
                self._output(number).on = state == "1"
                return "OK"
            case [name] if name in _PLAIN:
                return _PLAIN[name](self._axis(number))
            case [name, argument] if name in _WITH_NUMBER and _NUMBER.fullmatch(argument):
                _WITH_NUMBER[name](self._axis(number), float(argument) / _PER_UNIT)
                return "OK"
        raise _RefusedError("COMMAND")

    def _axis(self, number: int) -> SimulatedAxis:
        if number not in self._axes:
            raise _RefusedError("AXIS")
        return self._axes[number]

    def _output(self, number: int) -> Output:
        if number not in self._outputs:
            raise _RefusedError("AXIS")
        return self._outputs[number]


def _stop(axis: SimulatedAxis) -> str:
    axis.stop()
    return "OK"


def _home(axis: SimulatedAxis) -> str:
    axis.home()
    return "OK"


def _position(axis: SimulatedAxis) -> str:
    return f"PO {_decimal(axis.counter)}"


def _limits(axis: SimulatedAxis) -> str:
    return f"LI {_decimal(axis.traits.low)} {_decimal(axis.traits.high)}"


def _status(axis: SimulatedAxis) -> str:
    bits = (
        axis.shows_motion,
        axis.at_low_switch,
        axis.at_high_switch,
        axis.faulted,
        axis.referenced,
    )
    return f"ST {sum(bit << place for place, bit in enumerate(bits)):02X}"


_PLAIN: Mapping[str, Callable[[SimulatedAxis], str]] = {
    "SP": _stop,
    "HO": _home,
    "PO?": _position,
    "LI?": _limits,
    "ST?": _status,
}
_WITH_NUMBER: Mapping[str, Callable[[SimulatedAxis, float], None]] = {
    "MA": SimulatedAxis.move_to,
    "MR": SimulatedAxis.move_by,
}


def _decimal(value: float) -> str:
    return f"{round(value * _PER_UNIT, 5) + 0.0:.5f}"  # + 0.0 turns -0.0 into 0.0


def _reply(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


def _error(number: str, word: str) -> bytes:
    return _reply(f"{number} ER {_ERRORS[word]} {word}")
