"""The step-counting-motion dialect (docs/step-counting-motion.md): steps, letters, silence for yes.

The axes it is given have been advanced to the present before it is fed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from autocell_simulators.ascii_lines import LONGEST_LINE, AsciiLines
from autocell_simulators.mechanics import MoveRefusedError, Reason, SimulatedAxis

LETTERS: Mapping[int, str] = {1: "X", 2: "A", 3: "B", 4: "Y", 5: "Z"}
"""What the connectors 1 to 5 on the back of the controller are called on the wire."""

_IDENTITY = "WHO=STEP-COUNTING-MOTION 7 SN 0093"
_COMMAND = re.compile(
    r"(?P<verb>[PS])(?P<asked>[A-Z])\?|(?P<go>G)(?P<moved>[A-Z])(?P<steps>[+-]?[0-9]{1,9})"
    r"|(?P<other>[HR])(?P<told>[A-Z])",
    re.ASCII,
)
_UNKNOWN, _NO_AXIS = "E10", "E11"
_REFUSALS: Mapping[Reason, str] = {"LIMIT": "E20", "BUSY": "E30", "FAULT": "E40", "NOREF": "E50"}
_IN_POSITION, _LOW_SWITCH, _HIGH_SWITCH, _FAULT = 1, 8, 16, 128


@dataclass(frozen=True)
class StepScale:
    """Steps in a metre or a radian, and the count that stands for zero."""

    per_si: float
    at_zero: int

    def of(self, position: float) -> int:
        """The count at a position, m or rad."""
        return self.at_zero + round(position * self.per_si)

    def position(self, count: int) -> float:
        """Where a count is, m or rad."""
        return (count - self.at_zero) / self.per_si


SCREW = StepScale(20_000e3, 0)
"""The linear stages that the controller is sold with: 20 000 steps in a millimetre."""
TILT = StepScale(1_250e3, 500_000)
"""Its tilt mounts: 1250 steps in a milliradian, half a million in the middle."""


class StepCountingMotion(AsciiLines):
    """A controller with its axes by their letters, each with what drives it."""

    __slots__ = ("_axes",)

    command_ending = b";"
    message_endings = b";\n"

    def __init__(self, axes: Mapping[str, tuple[SimulatedAxis, StepScale]]) -> None:
        super().__init__()
        self._axes = axes

    def _answer(self, line: bytes) -> bytes:
        text = line.decode("ascii", errors="replace").strip()
        if not text:
            return b""
        try:
            said = _UNKNOWN if len(line) > LONGEST_LINE else self._carry_out(text)
        except MoveRefusedError as refused:
            said = _REFUSALS[refused.reason]
        return said.encode("ascii") + b";\n" if said else b""

    def _carry_out(self, text: str) -> str:
        """What it says to a command; nothing, if it has done as it was told."""
        if text == "WHO":
            return _IDENTITY
        if text == "HALT":
            for axis, _ in self._axes.values():
                axis.stop()
            return ""
        found = _COMMAND.fullmatch(text)
        if found is None:
            return _UNKNOWN
        letter = found["asked"] or found["moved"] or found["told"]
        if letter not in self._axes:
            return _NO_AXIS
        axis, steps = self._axes[letter]
        match found["verb"] or found["go"] or found["other"]:
            case "P":
                return f"P{letter}={steps.of(axis.counter)}"
            case "S":
                return f"S{letter}={_status(axis)}"
            case "G":
                axis.move_to(steps.position(int(found["steps"])))
            case "H":
                axis.stop()
            case "R":
                axis.home()
        return ""


def _status(axis: SimulatedAxis) -> int:
    return (
        _IN_POSITION * (not axis.shows_motion)
        + _LOW_SWITCH * axis.at_low_switch
        + _HIGH_SWITCH * axis.at_high_switch
        + _FAULT * axis.faulted
    )
