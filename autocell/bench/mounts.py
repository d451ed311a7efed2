"""What an axis of the input beam does to it, from what the axis is.

A mount stands on three points: a corner, a point one lever arm to the side of it, and one a lever
arm above it. In a two-adjuster mount the corner is a fixed ball; in a three-adjuster mount it is
an adjuster too. An adjuster that advances by s lifts its own point and turns the mount about the
line through the other two: h being how far the mount's face moves forward at the place (x, y) from
the corner,

    yaw adjuster      h = s x / Lx
    pitch adjuster    h = s y / Ly
    corner adjuster   h = s (1 − x / Lx − y / Ly).

A collimator on the mount turns the beam by what the mount turns. A mirror at incidence i turns it
by twice that in its plane of incidence and by 2 cos i across, and where its face moves forward by
h the beam moves sideways by 2 h sin i: both from the law of reflection, r = u − 2 (u·n) n, to
first order. At the hole, D further on, the beam has moved by D times the change of slope as well.
"""

from __future__ import annotations

import math

from autocell.bench import schema

Effect = tuple[float, float, float, float, float]
"""Spacing, x, y (m), slope x, slope y: what one m or rad of travel adds to each."""


def effect_of(axis: schema.AnyAxis) -> Effect:
    """What one unit of travel (m or rad) of an axis adds to each coordinate of a setting.

    Raises:
        ValueError: an axis of the input beam with none, or more than one, of its descriptions.
    """
    if isinstance(axis, schema.SpacingAxis):
        return 1.0, 0.0, 0.0, 0.0, 0.0
    (name,) = (name for name in axis.described_by if getattr(axis, name) is not None)
    section = getattr(axis, name)
    match section:
        case schema.LinearMoves():  # mrad per mm is rad per m
            slopes = section.slope_x_mrad_per_mm, section.slope_y_mrad_per_mm
            return 0.0, section.x, section.y, *slopes
        case schema.AngularMoves():  # mm per mrad is m per rad
            return (
                0.0, section.x_mm_per_mrad, section.y_mm_per_mrad, section.slope_x, section.slope_y
            )  # fmt: skip
        case schema.Slide():
            angle = math.radians(section.angle_deg)
            return 0.0, math.cos(angle), math.sin(angle), 0.0, 0.0
        case schema.LinearAdjuster():
            return _through_mount(section, *_lever(section))
        case schema.AngularAdjuster():
            x, y = (1e-3 * value for value in section.beam_from_corner_mm)
            if section.turns == "yaw":
                return _through_mount(section, 1.0, 0.0, x)
            return _through_mount(section, 0.0, 1.0, y)
    raise ValueError(f"{name} is no description of an axis")


def _lever(adjuster: schema.LinearAdjuster) -> tuple[float, float, float]:
    """Turn of the mount to the side and upwards (rad) and advance of its face where the beam is
    (m), for one m of travel."""
    arm_y = 1e-3 * adjuster.lever_arm_mm
    arm_x = 1e-3 * (adjuster.yaw_lever_arm_mm or adjuster.lever_arm_mm)
    x, y = (1e-3 * value for value in adjuster.beam_from_corner_mm)
    match adjuster.turns:
        case "yaw":
            return 1.0 / arm_x, 0.0, x / arm_x
        case "pitch":
            return 0.0, 1.0 / arm_y, y / arm_y
        case "corner":
            return -1.0 / arm_x, -1.0 / arm_y, 1.0 - x / arm_x - y / arm_y


def _through_mount(mount: schema.Mount, yaw: float, pitch: float, advance: float) -> Effect:
    """From what the mount does to what the beam does at the hole."""
    incidence = math.radians(mount.incidence_deg)
    in_plane, across = 1.0, 1.0
    if mount.carries == "mirror":
        in_plane, across = 2.0, 2.0 * math.cos(incidence)
    sideways = 2.0 * advance * math.sin(incidence)
    if mount.folds == "horizontally":
        slope_x, slope_y, shift_x, shift_y = in_plane * yaw, across * pitch, sideways, 0.0
    else:
        slope_x, slope_y, shift_x, shift_y = across * yaw, in_plane * pitch, 0.0, sideways
    distance = 1e-3 * mount.pivot_to_hole_mm
    return 0.0, distance * slope_x + shift_x, distance * slope_y + shift_y, slope_x, slope_y
