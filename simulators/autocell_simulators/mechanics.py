"""A motorised axis as a device: it moves by time and knows nothing of wires or bytes.

Four positions are told apart. The *motor* position is what the controller has counted, by an
encoder or by the steps it sent. The *counter* is what it reports: the motor position from wherever
the counter was last set to zero. The *shaft* lags behind the motor by steps that were missed. The
*true* position is the mirror's or the beam's, behind the drive, the scatter of the move and its
creep; only the light shows it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from autocell.description import AxisDescription
from autocell_simulators.drives import ClosedLoop, Creep, Drive, Servo
from autocell_simulators.ends import Ends, side_of
from autocell_simulators.trajectory import Trajectory, braking, cruising, trapezoid

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
    ran_away: int = 0
    """Ends of the travel reached by itself, against what it was told."""


class SimulatedAxis:
    """One axis, advanced to a time before anything is asked of it.

    ``on_move`` is told of every move as it starts. ``creep`` and ``ends`` are for faults.
    """

    __slots__ = (
        "_counter_zero",
        "_deaf",
        "_homing",
        "_motor",
        "_move_start",
        "_random",
        "_runs_away",
        "_scatter",
        "_scatter_step",
        "_settling",
        "_shown_from_s",
        "_slip",
        "_time_s",
        "_to_miss",
        "_trajectory",
        "counts",
        "creep",
        "drive",
        "ends",
        "faulted",
        "obeys_stop",
        "on_move",
        "referenced",
        "traits",
    )

    def __init__(
        self,
        traits: AxisTraits,
        random: np.random.Generator,
        time_s: float,
        drive: Drive | None = None,
    ) -> None:
        self.traits = traits
        self.drive: Drive = Servo(traits.backlash) if drive is None else drive
        self.counts = AxisCounts()
        self.referenced = True
        self.faulted = False
        self.obeys_stop = True
        self.ends = Ends(traits.low, traits.high, traits.beyond, self.drive)
        self.creep: Creep | None = None
        self.on_move: Callable[[SimulatedAxis], None] = _nobody
        self._random = random
        self._time_s = time_s
        self._motor = self._move_start = 0.0
        self._slip = self._to_miss = 0.0
        self._counter_zero = 0.0
        self._scatter = 0.0
        self._scatter_step = (0.0, 0.0, 0.0)
        self._settling = (time_s, 0.0)
        self._trajectory: Trajectory | None = None
        self._homing = self._runs_away = self._deaf = False
        self._shown_from_s = time_s

    @property
    def counter(self) -> float:
        """Position as the controller reports it, in whole counts of the encoder."""
        resolution = self.traits.resolution
        counted = self._motor - self._counter_zero + self._unsettled
        return round(counted / resolution) * resolution

    @property
    def true_position(self) -> float:
        """Where the light finds the axis."""
        crept = 0.0 if self.creep is None else self.creep.at(self._time_s)
        return self.drive.load + self._scatter + crept + self._unsettled

    @property
    def in_motion(self) -> bool:
        """Whether the motor turns."""
        return self._trajectory is not None

    @property
    def ends_s(self) -> float | None:
        """When the motion under way comes to rest; None when there is none."""
        return None if self._trajectory is None else self._trajectory.end_s

    @property
    def shows_motion(self) -> bool:
        """Whether the status says so: late by up to ``moving_bit_delay_s``."""
        return self.in_motion and self._time_s >= self._shown_from_s

    @property
    def at_low_switch(self) -> bool:
        """Whether the low limit switch says that it is pressed."""
        return self.ends.pressed("low", self._shaft)

    @property
    def at_high_switch(self) -> bool:
        """Whether the high limit switch says that it is pressed."""
        return self.ends.pressed("high", self._shaft)

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
        if self.ends.stop(self._shaft, trajectory.end - self._motor):
            self._count_end(trajectory.end - self._motor)
            self._rest(min(self._time_s, trajectory.end_s))
        elif arrived:
            homing = self._homing
            self._rest(trajectory.end_s)
            if homing:
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
            MoveRefusedError: in fault, while moving, or without a reference to find.
        """
        self._check_ready()
        if not self.drive.has_switches:
            self._refuse("NOREF")
        self.referenced = False
        self._homing = True
        self._go(self._reference + self._slip, 0.5 * self.traits.speed)

    def stop(self) -> None:
        """Brake at once; a search for the reference is given up."""
        if self._trajectory is None or self._deaf or not self.obeys_stop:
            return
        position, velocity = self._trajectory.at(self._time_s)
        self._homing = self._runs_away = False
        self._trajectory = braking(self._time_s, position, velocity, self.traits.acceleration)

    def power_cycle(self) -> None:
        """The controller forgets: motion ends where it is, the counter reads zero.

        One that counts steps without a reference does not know that it forgot.
        """
        if self._trajectory is not None:
            self._rest(self._time_s)
        self._counter_zero = self._motor
        self.referenced = not self.drive.has_switches
        self.faulted = False

    def place(self, position: float) -> None:
        """Be at rest at ``position``, referenced, approached from below: a start state."""
        self._motor = position
        self.drive.place(position)

    def stick(self) -> None:
        """The load stays where it is until this move, or the next one, has ended."""
        self.drive.stuck = True

    def run_away(self, *, obeys_stop: bool) -> None:
        """The move under way does not end where it was sent, but at the end of the travel."""
        if self._trajectory is None:
            return
        position, velocity = self._trajectory.at(self._time_s)
        direction = math.copysign(1.0, velocity or self._trajectory.end - position)
        traits = self.traits
        travel = traits.high - traits.low
        end = (traits.high + travel if direction > 0.0 else traits.low - travel) + self._slip
        self._homing, self._runs_away, self._deaf = False, True, not obeys_stop
        self._trajectory = cruising(self._time_s, position, end, traits.speed)

    def miss_steps(self, distance: float) -> None:
        """The shaft stands still while the motor is sent so far, now or in the next move."""
        self._to_miss += distance

    @property
    def _shaft(self) -> float:
        return self._motor - self._slip

    @property
    def _reference(self) -> float:
        """Where the reference mark is on the shaft: at zero, or at the end next to it."""
        return min(max(0.0, self.traits.low), self.traits.high)

    @property
    def _unsettled(self) -> float:
        """What a closed loop has still to make good after its arrival."""
        if not isinstance(self.drive, ClosedLoop) or self.in_motion or not self._settling[1]:
            return 0.0
        since_s, remainder = self._settling
        return remainder * math.exp((since_s - self._time_s) / self.drive.settling_s)

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
        self._move_start = self._motor
        self.drive.begin(motor - self._motor)
        self.on_move(self)

    def _rest(self, time_s: float) -> None:
        """The motor has come to rest."""
        distance = self._motor - self._move_start
        self._trajectory = None
        self._homing = self._runs_away = self._deaf = False
        self.drive.stuck = False
        if self.creep is not None:
            self.creep.moved(distance, time_s)
        if isinstance(self.drive, ClosedLoop):
            # a first-order lag behind a constant deceleration a is aτ² when that ends
            lag = self.traits.acceleration * self.drive.settling_s**2
            self._settling = (time_s, math.copysign(min(lag, abs(distance)), -distance))

    def _drive_to(self, motor: float) -> None:
        """Turn the motor; the shaft follows but for missed steps, the load as its drive lets it.

        Exact for any distance in one direction, and a trajectory never reverses.
        """
        change = motor - self._motor
        if self._to_miss and not self._homing:
            missed = min(abs(change), self._to_miss)
            self._to_miss -= missed
            self._slip += math.copysign(missed, change)
        if self.drive.has_switches:
            low, high = self.ends.reach(self._shaft)
            shaft = min(max(motor - self._slip, low), high)
            if self.ends.noticed(change):
                motor = shaft + self._slip
            else:
                self._slip = motor - shaft
        self.counts.travel += abs(motor - self._motor)
        self._motor = motor
        self.drive.follow(self._shaft)

    def _count_end(self, direction: float) -> None:
        """A motion in this direction was ended by an end, or by a switch that says so."""
        if self._runs_away:
            self.counts.ran_away += 1
        elif not self.traits.low < self._shaft < self.traits.high:
            self.counts.limit_violations += 1
        if self.ends.switches[side_of(direction)] == "open":
            self.faulted = True  # the loop cannot close against a mechanical end

    def _find_reference(self) -> None:
        error = self._random.normal(0.0, self.traits.repeatability)
        self._counter_zero = self._motor - self._reference + error
        self.referenced = True


def _nobody(_axis: SimulatedAxis) -> None:
    """Nobody wants to know of moves."""
