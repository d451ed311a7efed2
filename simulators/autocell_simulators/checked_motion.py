"""The checked-motion dialect (docs/checked-motion.md): echoes, checksums, states in letters.

The axes and outputs it is given have been advanced to the present before it is fed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from autocell_simulators.ascii_lines import LONGEST_LINE, AsciiLines
from autocell_simulators.mechanics import MoveRefusedError, Reason, SimulatedAxis
from autocell_simulators.plain_motion import Output

_IDENTITY = "CHECKED-MOTION 3 SN 2210"
_COMMAND = re.compile(r"#(?P<axis>[0-9]) (?P<verb>[A-Z]+)(?P<output>[1-9])?( (?P<word>\S+))?")
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]{0,6})?", re.ASCII)
_PER_UNIT = 1e3
"""Wire units (mm, mrad) in one SI unit (m, rad)."""
_REFUSALS: Mapping[Reason, str] = {
    "LIMIT": "RANGE",
    "BUSY": "MOVING",
    "FAULT": "FAULT",
    "NOREF": "REFERENCE",
}
_SWITCH: Mapping[str, bool] = {"ON": True, "OFF": False}


class _RefusedError(Exception):
    """A command that cannot be carried out, by its word in the dialect."""


@dataclass(frozen=True)
class CheckedAxis:
    """An axis, the unit that it answers in, and the decimals of its positions."""

    axis: SimulatedAxis
    unit: str
    decimals: int

    def decimal(self, position: float) -> str:
        """A position (m or rad) in the unit of the wire."""
        return f"{round(position * _PER_UNIT, self.decimals) + 0.0:.{self.decimals}f}"


class CheckedMotion(AsciiLines):
    """A controller with its axes and outputs, each by its number on the wire."""

    __slots__ = ("_axes", "_outputs")

    command_ending = b"\r"
    message_endings = b"\r\n"

    def __init__(self, axes: Mapping[int, CheckedAxis], outputs: Mapping[int, Output]) -> None:
        super().__init__()
        self._axes = axes
        self._outputs = outputs

    def _answer(self, line: bytes) -> bytes:
        """The echo of the line as it came, then the reply. An empty line is only echoed."""
        echo = line + self.command_ending
        return echo + _checked(self._reply(line)) + b"\r\n" if line.strip() else echo

    def _reply(self, line: bytes) -> str:
        text, _, checksum = line.rpartition(b"*")
        if len(line) > LONGEST_LINE or checksum != b"%02X" % _xor(text):
            return "!0 CHECKSUM"
        found = _COMMAND.fullmatch(text.decode("ascii", errors="replace"))
        if found is None:
            return "!0 UNKNOWN"
        number = int(found["axis"])
        try:
            if number == 0:
                return f"@0 {self._whole(found['verb'], found['output'], found['word'])}"
            if found["output"]:
                raise _RefusedError("UNKNOWN")
            return f"@{number} {self._of_axis(number, found['verb'], found['word'])}"
        except _RefusedError as refusal:
            return f"!{number} {refusal}"
        except MoveRefusedError as refused:
            return f"!{number} {_REFUSALS[refused.reason]}"

    def _whole(self, verb: str, output: str | None, word: str | None) -> str:
        """What concerns no single axis."""
        match verb, output, word:
            case "VERSION", None, None:
                return f"VERSION {_IDENTITY}"
            case "STOP", None, None:
                for known in self._axes.values():
                    known.axis.stop()
                return "STOP"
            case "OUT", str(), None:
                return f"OUT{output} {'ON' if self._output(output).on else 'OFF'}"
            case "OUT", str(), "ON" | "OFF":
                self._output(output).on = _SWITCH[word]
                return f"OUT{output} {word}"
        raise _RefusedError("UNKNOWN")

    def _of_axis(self, number: int, verb: str, word: str | None) -> str:
        if number not in self._axes:
            raise _RefusedError("AXIS")
        known = self._axes[number]
        axis = known.axis
        match verb, word:
            case "POS", None:
                return f"POS {known.decimal(axis.counter)} {known.unit}"
            case "LIMITS", None:
                ends = axis.traits.low, axis.traits.high
                return f"LIMITS {known.decimal(ends[0])},{known.decimal(ends[1])}"
            case "STATE", None:
                return f"STATE {_letters(axis)}"
            case "GOTO", str() if _NUMBER.fullmatch(word):
                axis.move_to(float(word) / _PER_UNIT)
                return f"GOTO {word}"
            case "STEP", str() if _NUMBER.fullmatch(word):
                axis.move_by(float(word) / _PER_UNIT)
                return f"STEP {word}"
            case "STOP", None:
                axis.stop()
                return "STOP"
            case "HOME", None:
                axis.home()
                return "HOME"
        raise _RefusedError("UNKNOWN")

    def _output(self, number: str) -> Output:
        if int(number) not in self._outputs:
            raise _RefusedError("UNKNOWN")
        return self._outputs[int(number)]


def _letters(axis: SimulatedAxis) -> str:
    said = (
        ("L", axis.at_low_switch),
        ("H", axis.at_high_switch),
        ("F", axis.faulted),
        ("R", axis.referenced),
    )
    return ("M" if axis.shows_motion else "I") + "".join(letter for letter, true in said if true)


def _xor(text: bytes) -> int:
    value = 0
    for byte in text:
        value ^= byte
    return value


def _checked(text: str) -> bytes:
    raw = text.encode("ascii")
    return raw + b"*%02X" % _xor(raw)
