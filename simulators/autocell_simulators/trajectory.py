"""Motion in closed form: pieces of constant acceleration, asked for any time."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Piece:
    """Constant acceleration for a while, from a position and a velocity."""

    duration_s: float
    position: float
    velocity: float
    acceleration: float

    def at(self, elapsed_s: float) -> tuple[float, float]:
        """Position and velocity this long after the piece began."""
        return (
            self.position + (self.velocity + 0.5 * self.acceleration * elapsed_s) * elapsed_s,
            self.velocity + self.acceleration * elapsed_s,
        )


@dataclass(frozen=True)
class Trajectory:
    """Pieces one after another from ``start_s``, ending at rest at ``end``."""

    start_s: float
    pieces: tuple[Piece, ...]
    end: float

    @property
    def end_s(self) -> float:
        """When it comes to rest."""
        return self.start_s + sum(piece.duration_s for piece in self.pieces)

    def at(self, time_s: float) -> tuple[float, float]:
        """Position and velocity at a time; at rest at the end once it is over."""
        elapsed = max(time_s - self.start_s, 0.0)
        for piece in self.pieces:
            if elapsed < piece.duration_s:
                return piece.at(elapsed)
            elapsed -= piece.duration_s
        return self.end, 0.0


def trapezoid(
    start_s: float, start: float, end: float, speed: float, acceleration: float
) -> Trajectory:
    """From rest to rest: accelerate, cruise if there is room to reach the speed, brake."""
    distance = abs(end - start)
    sign = math.copysign(1.0, end - start)
    top = min(speed, math.sqrt(acceleration * distance))
    ramp_s = top / acceleration
    cruise_s = distance / top - ramp_s if top > 0.0 else 0.0
    ramp = 0.5 * top * ramp_s
    return Trajectory(
        start_s,
        (
            Piece(ramp_s, start, 0.0, sign * acceleration),
            Piece(max(cruise_s, 0.0), start + sign * ramp, sign * top, 0.0),
            Piece(ramp_s, end - sign * ramp, sign * top, -sign * acceleration),
        ),
        end,
    )


def braking(start_s: float, start: float, velocity: float, acceleration: float) -> Trajectory:
    """From a velocity to rest as fast as the axis can."""
    duration_s = abs(velocity) / acceleration
    end = start + 0.5 * velocity * duration_s
    return Trajectory(
        start_s,
        (Piece(duration_s, start, velocity, -math.copysign(acceleration, velocity)),),
        end,
    )


def cruising(start_s: float, start: float, end: float, speed: float) -> Trajectory:
    """At one speed all the way to an end that stops it: a motor that nothing controls."""
    velocity = math.copysign(speed, end - start)
    duration_s = abs(end - start) / speed
    return Trajectory(start_s, (Piece(duration_s, start, velocity, 0.0),), end)
