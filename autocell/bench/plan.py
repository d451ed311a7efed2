"""How an axis gets from here to there, and how long that takes. Arithmetic only."""

from __future__ import annotations

import math
from dataclasses import dataclass

from autocell.description import AxisDescription


@dataclass(frozen=True)
class PlannedMove:
    """One axis on its way: commanded positions in order, the last of them the target.

    Positions in m or rad; ``expected_s`` is the time all legs take together.
    """

    axis: AxisDescription
    start: float
    target: float
    legs: tuple[float, ...]
    expected_s: float

    @property
    def travel(self) -> float:
        """How far the axis runs in all, m or rad."""
        return sum(abs(b - a) for a, b in zip((self.start, *self.legs), self.legs, strict=False))


def plan_move(
    axis: AxisDescription, start: float, target: float, *, backlash_is_out: bool
) -> PlannedMove | None:
    """The way from ``start`` to ``target``, its last leg always upwards and long enough to take
    the backlash out. None when the axis is there already, as far as it can repeat.

    ``backlash_is_out`` says that the last motion of the axis ended with such an approach.
    """
    if abs(target - start) <= axis.repeatability:
        return None
    straight = target - start >= (0.0 if backlash_is_out else axis.overshoot)
    legs = (target,) if straight or axis.overshoot == 0.0 else (target - axis.overshoot, target)
    ways = zip((start, *legs), legs, strict=False)
    return PlannedMove(axis, start, target, legs, sum(travel_time(axis, b - a) for a, b in ways))


def plan_straight(axis: AxisDescription, start: float, target: float) -> PlannedMove | None:
    """The way from ``start`` to ``target`` from whichever side, with what a reversal loses left in
    it. None when the axis is there already."""
    if abs(target - start) <= axis.repeatability:
        return None
    return PlannedMove(axis, start, target, (target,), travel_time(axis, target - start))


def travel_time(axis: AxisDescription, distance: float) -> float:
    """Seconds for a move with a trapezoidal speed profile, or a triangular one if it is short."""
    distance = abs(distance)
    if distance >= axis.speed**2 / axis.acceleration:
        return distance / axis.speed + axis.speed / axis.acceleration
    return 2.0 * math.sqrt(distance / axis.acceleration)


def time_limit(axis: AxisDescription, distance: float) -> float:
    """Seconds after which a move over ``distance`` has failed: half as long again as it should
    take, and a second for the controller to accept it and to settle."""
    steps = axis.open_loop
    if steps is not None:  # small steps have to be more
        distance = abs(distance) / min(1.0, steps.backward) + 2.0 * steps.dead_steps * steps.step
    return 1.5 * travel_time(axis, distance) + 1.0


def trade(axis: AxisDescription, value: float) -> str:
    """A position of this axis as its user reads it, in mm or mrad."""
    return f"{value * 1e3:.4f} {axis.unit}"
