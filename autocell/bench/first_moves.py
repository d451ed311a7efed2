"""The first move of an axis: short, and looked at before anything larger is sent.

What is asked for and what is read back may disagree in sign or scale: an encoder wired the wrong
way round, a driver that sends steps and reads millimetres. The first move shows it while the axis
is still close to where it stood. Where both are wrong alike, as when an axis is mounted the other
way round, they agree, and only the light can tell.
"""

from __future__ import annotations

from dataclasses import replace

from autocell.bench.plan import PlannedMove, travel_time
from autocell.description import AxisDescription

SHARE = 0.01
"""Of its range: the longest move of an axis that was never seen to go right."""

_SCALE = 0.1
"""By what share of itself a move may miss and still have the scale of the bench file. What misses
by less, or by no more than the backlash, has another cause, and is told as of any other move."""


def longest(axis: AxisDescription) -> float:
    """The longest first move, m or rad."""
    return SHARE * (axis.high - axis.low)


def tells(axis: AxisDescription, distance: float) -> bool:
    """Whether a move over ``distance`` that arrived has shown sign and scale; the longest that a
    first move may be has to do, however coarse the axis."""
    enough = min(20.0 * axis.repeatability, longest(axis))
    return abs(distance) >= enough * (1.0 - 1e-9)


def with_first_move(move: PlannedMove) -> PlannedMove:
    """The same way, but its first long leg begins with a short one of its own."""
    axis, at = move.axis, move.start
    short = longest(axis)
    for number, leg in enumerate(move.legs):
        way = leg - at
        if abs(way) > short:
            first = at + (short if way > 0.0 else -short)
            legs = (*move.legs[:number], first, *move.legs[number:])
            more_s = travel_time(axis, short) + travel_time(axis, leg - first)
            return replace(
                move, legs=legs, expected_s=move.expected_s - travel_time(axis, way) + more_s
            )
        at = leg
    return move


def wrong(axis: AxisDescription, start: float, target: float, seen: float) -> str | None:
    """What is wrong with sign or scale when the first move ``start`` to ``target`` is, or has
    ended, where it reads ``seen`` (m or rad), with the cure; None when it is neither of the two."""
    asked, went = target - start, seen - start
    scatter = 3.0 * axis.repeatability
    story = f"{axis.name}: its first move was asked to go {_by(axis, asked)} and "
    if abs(went) <= scatter:
        return (
            f"{story}nothing moved beyond the {1e3 * scatter:.4f} {axis.unit} that it may "
            f"scatter by. Nothing larger is sent. Does it stick, is a switch in its way or its "
            f"motor off? If it did move, moves and positions are counted in different units: "
            f"{_cure(axis)}"
        )
    if went * asked < 0.0:
        return (
            f"{story}went {_by(axis, went)}: the wrong way. Nothing larger is sent. What is sent "
            "and what is read back have opposite signs: turn one of them round at the controller "
            "(the direction of the motor or of the encoder), in the dialect, or in the functions "
            "of the driver; 'direction' in the bench file turns both and cures nothing here"
        )
    if abs(went - asked) > max(_SCALE * abs(asked), scatter, axis.backlash):
        return (
            f"{story}went {_by(axis, went)}, {went / asked:.3g} times as far: the wrong scale. "
            f"Nothing larger is sent. {_cure(axis)[0].upper()}{_cure(axis)[1:]}"
        )
    return None


def _by(axis: AxisDescription, distance: float) -> str:
    return f"by {distance * 1e3:+.4f} {axis.unit}"


def _cure(axis: AxisDescription) -> str:
    return (
        f"compare the steps and the encoder counts per {axis.unit} at the controller with "
        f"axes.{axis.name}.units_per_{axis.unit} of the bench file and the units of the dialect"
    )
