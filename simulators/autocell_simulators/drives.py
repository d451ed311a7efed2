"""What lies between a motor and the mirror or beam that it moves, by kind of drive.

A drive follows a motor that turns one way at a time, to any position along its way: how often it
is asked changes nothing.
"""

from __future__ import annotations

import math
from typing import ClassVar, Literal, Protocol

import numpy as np

DriveKind = Literal["servo", "stepper", "closed-loop", "piezo-inertia"]


class Drive(Protocol):
    """The load behind a motor; both in m or rad."""

    kind: ClassVar[DriveKind]
    counts_shaft: ClassVar[bool]
    """Whether the controller sees where the shaft is; otherwise it counts what it has sent."""
    has_switches: ClassVar[bool]
    """Whether there are limit switches and a reference."""
    load: float
    stuck: bool
    """The load stays where it is, whatever the motor does."""

    def place(self, position: float) -> None:
        """Be at rest at ``position``, approached from below."""
        ...

    def begin(self, direction: float) -> None:
        """A move in this direction (the sign counts) begins."""
        ...

    def follow(self, shaft: float) -> None:
        """The motor's shaft has come to ``shaft``."""
        ...


class Servo:
    """A geared DC servo with its encoder on the motor: the lost motion is behind the encoder."""

    kind: ClassVar[DriveKind] = "servo"
    counts_shaft: ClassVar[bool] = True
    has_switches: ClassVar[bool] = True
    __slots__ = ("_shaft", "backlash", "load", "stuck")

    def __init__(self, backlash: float) -> None:
        self.backlash = backlash
        self.load = self._shaft = 0.0
        self.stuck = False

    def place(self, position: float) -> None:
        """Be at rest at ``position``, approached from below."""
        self.load = self._shaft = position

    def begin(self, direction: float) -> None:
        """A load that was stuck breaks free, and catches up."""
        self.follow(self._shaft)

    def follow(self, shaft: float) -> None:
        """The load follows once the lost motion is taken up."""
        self._shaft = shaft
        if not self.stuck:
            self.load = min(max(self.load, shaft), shaft + self.backlash)


class Stepper(Servo):
    """A stepping motor on a screw: it counts the steps it sent, and homes on a switch."""

    kind: ClassVar[DriveKind] = "stepper"
    counts_shaft: ClassVar[bool] = False
    __slots__ = ("step",)

    def __init__(self, backlash: float, step: float) -> None:
        super().__init__(backlash)
        self.step = step


class ClosedLoop(Servo):
    """A stage with its encoder on the load: nothing is lost, and it settles after it arrives."""

    kind: ClassVar[DriveKind] = "closed-loop"
    __slots__ = ("settling_s",)

    def __init__(self, settling_s: float) -> None:
        super().__init__(0.0)
        self.settling_s = settling_s


class PiezoInertia:
    """An open-loop piezo inertia drive: it counts the steps it sent, and steps differ.

    ``forward``, ``backward`` and ``size`` scale a step, ``scatter`` is the relative standard
    deviation of one: of n steps it is that of √n. After a reversal ``dead_steps`` move nothing.
    """

    kind: ClassVar[DriveKind] = "piezo-inertia"
    counts_shaft: ClassVar[bool] = False
    has_switches: ClassVar[bool] = False
    __slots__ = (
        "_advanced",
        "_dead_left",
        "_direction",
        "_draw",
        "_random",
        "_shaft",
        "_start",
        "backward",
        "dead_steps",
        "ends",
        "forward",
        "load",
        "scatter",
        "size",
        "step",
        "stuck",
    )

    def __init__(self, step: float, ends: tuple[float, float], random: np.random.Generator) -> None:
        self.step = step
        self.ends = ends
        self.forward = self.backward = self.size = 1.0
        self.scatter = 0.0
        self.dead_steps = 0.0
        self.load = 0.0
        self.stuck = False
        self._random = random
        self._direction = 1.0
        self._dead_left = self._draw = self._advanced = 0.0
        self._start = self._shaft = 0.0

    def place(self, position: float) -> None:
        """Be at rest at ``position``, approached from below."""
        self.load = self._start = self._shaft = position
        self._advanced = 0.0

    def begin(self, direction: float) -> None:
        """A move begins: after a reversal the first steps are dead."""
        steps_taken = abs(self._shaft - self._start) / self.step
        self._dead_left = max(self._dead_left - steps_taken, 0.0)
        if direction * self._direction < 0.0:
            self._dead_left = self.dead_steps
        self._direction = math.copysign(1.0, direction)
        self._draw = float(self._random.standard_normal())
        self._start = self._shaft
        self._advanced = 0.0

    def follow(self, shaft: float) -> None:
        """Take the steps up to ``shaft``; against an end stop they do nothing."""
        self._shaft = shaft
        steps = max(abs(shaft - self._start) / self.step - self._dead_left, 0.0)
        scale = self.size * (self.forward if self._direction > 0.0 else self.backward)
        advanced = scale * self.step * (steps + self.scatter * self._draw * math.sqrt(steps))
        gain, self._advanced = advanced - self._advanced, advanced
        if not self.stuck:
            low, high = self.ends
            self.load = min(max(self.load + self._direction * gain, low), high)


def made(
    kind: DriveKind,
    backlash: float,
    *,
    step: float,
    settling_s: float,
    ends: tuple[float, float],
    random: np.random.Generator,
) -> Drive:
    """A drive of this kind, from what each kind needs (m or rad, s)."""
    match kind:
        case "servo":
            return Servo(backlash)
        case "stepper":
            return Stepper(backlash, step)
        case "closed-loop":
            return ClosedLoop(settling_s)
        case "piezo-inertia":
            return PiezoInertia(step, ends, random)


class Creep:
    """What a mount goes on moving after it was moved, and where to.

    A move of ``full_after`` or more leaves the mount to creep by ``amplitude`` the same way,
    a shorter one by its part, towards no more than ``amplitude`` either way:
    c(t) = goal + (c₀ − goal) exp(−t/τ).
    """

    __slots__ = ("_from", "_goal", "_since_s", "amplitude", "full_after", "time_constant_s")

    def __init__(self, amplitude: float, full_after: float, time_constant_s: float) -> None:
        self.amplitude = amplitude
        self.full_after = full_after
        self.time_constant_s = time_constant_s
        self._from = self._goal = self._since_s = 0.0

    def at(self, time_s: float) -> float:
        """How far it has crept by ``time_s``, m or rad."""
        gone = math.exp(-max(time_s - self._since_s, 0.0) / self.time_constant_s)
        return self._goal + (self._from - self._goal) * gone

    def moved(self, distance: float, time_s: float) -> None:
        """A move of this signed length has just ended."""
        self._from, self._since_s = self.at(time_s), time_s
        further = self._goal + self.amplitude * distance / self.full_after
        self._goal = min(max(further, -self.amplitude), self.amplitude)
