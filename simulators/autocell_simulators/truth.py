"""What is true of one simulated bench: the unknowns of its bench file, and effects beyond them.

The first kind lies within the bench file's tolerances. The second kind (:class:`Effects`) is
what a tuning program does not model; without it every closed-loop test would agree with itself.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from autocell.description import AxisDescription, BenchDescription
from autocell.optics.cell import MirrorName
from autocell_simulators.seeds import stream

Range = tuple[float, float]
_TURN: Range = (0.0, 2.0 * np.pi)


@dataclass(frozen=True)
class Effects:
    """Magnitudes of what the tuning side does not model. [trade]: common practice, no source.

    A range is drawn from uniformly; where the sign is not said it is drawn too. Relative unless
    the name has a unit.
    """

    radius_difference: Range = (0.0005, 0.0015)
    """By how much a mirror's radius in y differs from the one in x."""
    stage_angle_rad: Range = (25e-6, 100e-6)
    """Pitch, and yaw, of the stage between the ends of its travel."""
    stage_angle_sine: float = 0.3
    """Part of that which is a sine with one period over the travel, instead of a line."""
    straightness_m: Range = (2e-6, 5e-6)
    """Sideways excursion of the stage along its travel, peak to peak."""
    beam_quality_excess: Range = (0.0, 0.1)
    """M² above what the bench file says."""
    waist_difference: Range = (0.01, 0.04)
    """By how much the waist in y differs from the one in x."""
    fringe: Range = (0.001, 0.004)
    """Etalon fringe, peak to peak; its period is λ/2 in spacing."""
    coupling: Range = (0.01, 0.03)
    """How much of an input axis's travel also appears across it."""
    axis_gain_error: float = 0.005
    spacing_scale_error: float = 1e-4
    laser_drift_per_h: float = 0.002
    """Steepest drift of the laser power."""
    laser_drift_period_s: float = 6 * 3600.0
    far_decentre_m: float = 1e-4
    backlash: Range = (0.3, 1.0)
    """True lost motion, as a part of the most that the bench file allows."""
    dark_offset_w: Range = (1e-11, 1e-9)
    """What the meter shows without any light."""
    room_light_w: float = 2e-7
    """Stray light on the detector, shutter closed or not."""


@dataclass(frozen=True)
class Dust:
    """A speck on a mirror, small against the beam, at a place measured from the cell's axis.

    It takes ``loss`` of a beam that it is in the middle of.
    """

    mirror: MirrorName
    x_m: float
    y_m: float
    loss: float


@dataclass(frozen=True)
class Truth:
    """Every drawn unknown by name. Offsets are true minus bench file.

    ``fringe`` is peak to peak. ``*_line_rad`` is the angle between the ends of the travel and
    ``*_sine_rad`` the amplitude of the sine on top. Mappings are by axis name; ``axis_coupling``
    names, for each input axis, the share of its travel that also acts as the other axis would.
    """

    seed: int
    spacing_offset_m: float
    entrance_radius_x_m: float
    entrance_radius_y_m: float
    far_radius_x_m: float
    far_radius_y_m: float
    entrance_tilt_x_rad: float
    entrance_tilt_y_rad: float
    far_tilt_x_rad: float
    far_tilt_y_rad: float
    far_decentre_x_m: float
    far_decentre_y_m: float
    entrance_reflectivity: float
    far_reflectivity: float
    hole_radius_m: float
    beam_x_offset_m: float
    beam_y_offset_m: float
    beam_slope_x_offset: float
    beam_slope_y_offset: float
    waist_x_m: float
    waist_y_m: float
    beam_quality: float
    gain: float
    laser_drift: float
    laser_drift_period_s: float
    laser_drift_phase_rad: float
    fringe: float
    fringe_phase_rad: float
    dark_offset_w: float
    room_light_w: float
    stage_pitch_line_rad: float
    stage_pitch_sine_rad: float
    stage_yaw_line_rad: float
    stage_yaw_sine_rad: float
    straightness_x_m: float
    straightness_y_m: float
    stage_phase_rad: float
    axis_gain: Mapping[str, float]
    axis_coupling: Mapping[str, Mapping[str, float]]
    backlash: Mapping[str, float]
    transmission: float = 1.0
    """Of all that the light passes between the entrance hole and the detector, but the mirrors."""
    dust: tuple[Dust, ...] = ()


def draw_truth(
    description: BenchDescription, seed: int, *, scale: float = 1.0, effects: Effects | None = None
) -> Truth:
    """A bench that the bench file allows, with tolerances and effects times ``scale``.

    With ``scale`` 0 the bench is exactly as described, its backlash and dark level zero.
    """
    effects = effects or Effects()
    draw = _Draw(seed, scale)
    beam = description.input_beam
    entrance, far = description.entrance_mirror, description.far_mirror

    radius_x, radius_y, tilt_x, tilt_y, reflectivity = {}, {}, {}, {}, {}
    for side, mirror in (("entrance", entrance), ("far", far)):
        radius = mirror.radius_m + draw.around(f"{side} radius", mirror.radius_tolerance_m)
        half = 0.5 * draw.signed(f"{side} radius difference", effects.radius_difference)
        radius_x[side] = radius * (1.0 - half)
        radius_y[side] = radius * (1.0 + half) * mirror.toroidal_ratio
        tilt_x[side] = draw.around(f"{side} tilt x", mirror.tilt_tolerance_rad)
        tilt_y[side] = draw.around(f"{side} tilt y", mirror.tilt_tolerance_rad)
        reflectivity[side] = min(
            mirror.reflectivity
            + draw.around(f"{side} reflectivity", mirror.reflectivity_tolerance),
            1.0,
        )
    waist = beam.waist_m * (1.0 + draw.around("waist", beam.waist_tolerance))
    half_waist = 0.5 * draw.signed("waist difference", effects.waist_difference)
    pitch = draw.signed("stage pitch", effects.stage_angle_rad)
    yaw = draw.signed("stage yaw", effects.stage_angle_rad)
    # a sine of steepest slope s and period T has the amplitude s T / 2π
    drift_amplitude = (
        effects.laser_drift_per_h / 3600.0 * effects.laser_drift_period_s / (2.0 * np.pi)
    )

    return Truth(
        seed=seed,
        spacing_offset_m=draw.around("spacing offset", description.spacing_tolerance_m),
        entrance_radius_x_m=radius_x["entrance"],
        entrance_radius_y_m=radius_y["entrance"],
        far_radius_x_m=radius_x["far"],
        far_radius_y_m=radius_y["far"],
        entrance_tilt_x_rad=tilt_x["entrance"],
        entrance_tilt_y_rad=tilt_y["entrance"],
        far_tilt_x_rad=tilt_x["far"],
        far_tilt_y_rad=tilt_y["far"],
        far_decentre_x_m=draw.around("far decentre x", effects.far_decentre_m),
        far_decentre_y_m=draw.around("far decentre y", effects.far_decentre_m),
        entrance_reflectivity=reflectivity["entrance"],
        far_reflectivity=reflectivity["far"],
        hole_radius_m=description.entrance_hole.radius_m
        + draw.around("hole radius", description.entrance_hole.radius_tolerance_m),
        beam_x_offset_m=draw.around("beam x", beam.position_tolerance_m),
        beam_y_offset_m=draw.around("beam y", beam.position_tolerance_m),
        beam_slope_x_offset=draw.around("beam slope x", beam.slope_tolerance),
        beam_slope_y_offset=draw.around("beam slope y", beam.slope_tolerance),
        waist_x_m=waist * (1.0 - half_waist),
        waist_y_m=waist * (1.0 + half_waist) * ((beam.waist_y_m or beam.waist_m) / beam.waist_m),
        beam_quality=beam.beam_quality + draw.within("beam quality", effects.beam_quality_excess),
        gain=math.exp(draw.around("gain", math.log1p(description.laser.power_tolerance))),
        laser_drift=draw.around("laser drift", drift_amplitude),
        laser_drift_period_s=effects.laser_drift_period_s,
        laser_drift_phase_rad=draw.within("laser drift phase", _TURN),
        fringe=draw.within("fringe", effects.fringe),
        fringe_phase_rad=draw.within("fringe phase", _TURN),
        dark_offset_w=draw.within("dark offset", effects.dark_offset_w),
        room_light_w=effects.room_light_w * scale,
        stage_pitch_line_rad=pitch * (1.0 - effects.stage_angle_sine),
        stage_pitch_sine_rad=0.5 * pitch * effects.stage_angle_sine,
        stage_yaw_line_rad=yaw * (1.0 - effects.stage_angle_sine),
        stage_yaw_sine_rad=0.5 * yaw * effects.stage_angle_sine,
        straightness_x_m=draw.signed("straightness x", effects.straightness_m),
        straightness_y_m=draw.signed("straightness y", effects.straightness_m),
        stage_phase_rad=draw.within("stage phase", _TURN),
        axis_gain=_axis_gains(description, effects, draw),
        axis_coupling=_axis_couplings(description, effects, draw),
        backlash={
            name: axis.backlash * draw.within(f"{name} backlash", effects.backlash)
            for name, axis in description.axes.items()
        },
    )


def drawn(truth: Truth) -> dict[str, Any]:
    """The unknowns by name, ready for JSON."""
    return dataclasses.asdict(truth)


def moves_spacing(axis: AxisDescription) -> bool:
    """Whether this axis carries a mirror along the cell, instead of steering the input beam."""
    return axis.effect[0] != 0.0


class _Draw:
    """Uniform draws, each from the stream of its own name, all times one scale."""

    def __init__(self, seed: int, scale: float) -> None:
        self._seed = seed
        self._scale = scale

    def around(self, name: str, half_width: float) -> float:
        return self.within(name, (-half_width, half_width))

    def within(self, name: str, bounds: Range) -> float:
        return self._scale * float(stream(self._seed, f"truth: {name}").uniform(*bounds))

    def signed(self, name: str, bounds: Range) -> float:
        sign = stream(self._seed, f"truth: sign of {name}").choice((-1.0, 1.0))
        return float(sign) * self.within(name, bounds)


def _axis_gains(description: BenchDescription, effects: Effects, draw: _Draw) -> dict[str, float]:
    return {
        name: 1.0
        + draw.around(
            f"{name} gain",
            effects.spacing_scale_error if moves_spacing(axis) else effects.axis_gain_error,
        )
        for name, axis in description.axes.items()
    }


def _axis_couplings(
    description: BenchDescription, effects: Effects, draw: _Draw
) -> dict[str, dict[str, float]]:
    """Only axes of one unit couple: the two angles of a mount, the two slides under it."""
    axes = description.axes
    return {
        name: {
            other: draw.signed(f"coupling of {name} into {other}", effects.coupling)
            for other in axes
            if other != name and axes[other].unit == axis.unit and not moves_spacing(axes[other])
        }
        for name, axis in axes.items()
        if not moves_spacing(axis)
    }
