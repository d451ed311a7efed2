"""A motorised axis as a device: it moves by time and knows nothing of wires or bytes.

Three positions are told apart. The *motor* position is where the encoder sees the axis. The
*counter* is what the controller reports: the motor position from wherever the counter was last
set to zero. The *true* position is the mirror's or the beam's, behind the backlash and the
scatter of the move; only the light shows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from autocell.description import AxisDescription
from autocell_simulators.trajectory import Trajectory, braking, trapezoid

Reason = Literal["LIMIT", "BUSY", "NOREF", "FAULT"]


class MoveRefusedError(Exception):
    """The controller does not start this move; ``reason`` says why."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason)
        self.reason: Reason = reason


@dataclass(frozen=True)
class AxisTraits:
    """What an axis is made of. m or rad, and seconds.

    ``low`` and ``high`` are the travel that the controller allows; the limit switches lie
    ``beyond`` outside it. ``moving_bit_delay_s`` is the longest that a started move goes
    unreported.
    """

    low: float
    high: float
    beyond: float
    speed: float
    acceleration: float
    backlash: float
    repeatability: float
    resolution: float
    moving_bit_delay_s: float = 0.02

    @classmethod
    def of(cls, axis: AxisDescription, backlash: float) -> AxisTraits:
        """The axis of a bench file with its true backlash."""
        return cls(
            low=axis.low,
            high=axis.high,
            beyond=0.005 * (axis.high - axis.low),
            speed=axis.speed,
            acceleration=axis.acceleration,
            backlash=backlash,
            repeatability=axis.repeatability,
            resolution=1e-7 if axis.unit == "mm" else 1e-6,
        )


@dataclass(slots=True)
class AxisCounts:
    """What happened to an axis, by its own count."""

    moves: int = 0
    refused: int = 0
    limit_violations: int = 0
    """Targets asked for beyond the travel, and limit switches reached."""
    travel: float = 0.0


class SimulatedAxis:
    """One axis, advanced to a time before anything is asked of it."""

    __slots__ = (
        "_counter_zero",
        "_homing",
        "_load",
        "_motor",
        "_random",
        "_scatter",
        "_scatter_step",
        "_shown_from_s",
        "_time_s",
        "_trajectory",
        "counts",
        "faulted",
        "referenced",
        "traits",
    )

    def __init__(self, traits: AxisTraits, random: np.random.Generator, time_s: float) -> None:
        self.traits = traits
        self.counts = AxisCounts()
        self.referenced = True
        self.faulted = False
        self._random = random
        self._time_s = time_s
        self._motor = 0.0
        self._load = 0.0
        self._counter_zero = 0.0
        self._scatter = 0.0
        self._scatter_step = (0.0, 0.0, 0.0)
        self._trajectory: Trajectory | None = None
        self._homing = False
        self._shown_from_s = time_s

    @property
    def counter(self) -> float:
        """Position as the controller reports it, in whole counts of the encoder."""
        resolution = self.traits.resolution
        return round((self._motor - self._counter_zero) / resolution) * resolution

    @property
    def true_position(self) -> float:
        """Where the light finds the axis."""
        return self._load + self._scatter

    @property
    def in_motion(self) -> bool:
        """Whether the motor turns."""
        return self._trajectory is not None

    @property
    def shows_motion(self) -> bool:
        """Whether the status says so: late by up to ``moving_bit_delay_s``."""
        return self.in_motion and self._time_s >= self._shown_from_s

    @property
    def at_low_switch(self) -> bool:
        """Whether the low limit switch is pressed."""
        return self._motor <= self.traits.low - self.traits.beyond

    @property
    def at_high_switch(self) -> bool:
        """Whether the high limit switch is pressed."""
        return self._motor >= self.traits.high + self.traits.beyond

    def advance(self, time_s: float) -> None:
        """Let time pass up to ``time_s``."""
        self._time_s = max(time_s, self._time_s)
        trajectory = self._trajectory
        if trajectory is None:
            return
        position, _ = trajectory.at(self._time_s)
        arrived = self._time_s >= trajectory.end_s
        self._drive_to(position)
        start_s, scatter, change = self._scatter_step
        done = (self._time_s - start_s) / max(trajectory.end_s - start_s, 1e-9)
        self._scatter = scatter + change * min(done, 1.0)
        if self._ran_into_switch(trajectory):
            self.counts.limit_violations += 1
            self._trajectory, self._homing = None, False
        elif arrived:
            self._trajectory = None
            if self._homing:
                self._find_reference()

    def move_to(self, counter: float) -> None:
        """Start a move to where the counter will read ``counter``.

        Raises:
            MoveRefusedError: in fault, while moving, before homing, or beyond the travel.
        """
        self._check_ready()
        if not self.referenced:
            self._refuse("NOREF")
        self._begin(counter)

    def move_by(self, amount: float) -> None:
        """Start a move by an amount from where the counter reads now.

        Before homing the travel is not known: then only the limit switches end it.

        Raises:
            MoveRefusedError: in fault, while moving, or beyond the travel.
        """
        self._check_ready()
        self._begin(self.counter + amount)

    def home(self) -> None:
        """Look for the reference, at half speed, then stand at zero.

        Raises:
            MoveRefusedError: in fault or while moving.
        """
        self._check_ready()
        self.referenced = False
        self._homing = True
        self._go(self._reference, 0.5 * self.traits.speed)

    def stop(self) -> None:
        """Brake at once; a search for the reference is given up."""
        if self._trajectory is None:
            return
        position, velocity = self._trajectory.at(self._time_s)
        self._homing = False
        self._trajectory = braking(self._time_s, position, velocity, self.traits.acceleration)

    def power_cycle(self) -> None:
        """The controller forgets: motion ends where it is, the counter reads zero."""
        self._trajectory, self._homing = None, False
        self._counter_zero = self._motor
        self.referenced = False
        self.faulted = False

    def place(self, position: float) -> None:
        """Be at rest at ``position``, referenced, approached from below: a start state."""
        self._motor = self._load = position

    @property
    def _reference(self) -> float:
        """Where the reference mark is on the motor side: at zero, or at the end next to it."""
        return min(max(0.0, self.traits.low), self.traits.high)

    def _begin(self, counter: float) -> None:
        traits = self.traits
        if self.referenced and not traits.low <= counter <= traits.high:
            self.counts.limit_violations += 1
            self._refuse("LIMIT")
        # the loop settles within a count of the target, and the encoder says so
        settling = self._random.uniform(-1.0, 1.0) * traits.resolution
        self._go(self._counter_zero + counter + settling, traits.speed)

    def _check_ready(self) -> None:
        if self.faulted:
            self._refuse("FAULT")
        if self.in_motion:
            self._refuse("BUSY")

    def _refuse(self, reason: Reason) -> None:
        self.counts.refused += 1
        raise MoveRefusedError(reason)

    def _go(self, motor: float, speed: float) -> None:
        traits = self.traits
        self.counts.moves += 1
        scatter = self._random.normal(0.0, traits.repeatability) if traits.repeatability else 0.0
        self._scatter_step = (self._time_s, self._scatter, scatter - self._scatter)
        self._shown_from_s = self._time_s + self._random.uniform(0.0, traits.moving_bit_delay_s)
        self._trajectory = trapezoid(self._time_s, self._motor, motor, speed, traits.acceleration)

    def _drive_to(self, motor: float) -> None:
        """Turn the motor; the load follows once the lost motion is taken up.

        Exact for any distance in one direction, and a trajectory never reverses.
        """
        traits = self.traits
        motor = min(max(motor, traits.low - traits.beyond), traits.high + traits.beyond)
        self.counts.travel += abs(motor - self._motor)
        self._motor = motor
        self._load = min(max(self._load, motor), motor + traits.backlash)

    def _ran_into_switch(self, trajectory: Trajectory) -> bool:
        """Whether a switch ended this motion; moving away from a pressed one is allowed."""
        onward = trajectory.end - self._motor
        return (self.at_low_switch and onward < 0.0) or (self.at_high_switch and onward > 0.0)

    def _find_reference(self) -> None:
        self._homing = False
        error = self._random.normal(0.0, self.traits.repeatability)
        self._counter_zero = self._motor - self._reference + error
        self.referenced = True
