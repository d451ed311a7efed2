"""What a bench file says about a bench, in SI units, for all who reason about it.

Tolerances are half-widths: the bench is expected within ± of the value. Nothing here opens,
reads or moves anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from autocell.errors import UsageError
from autocell.optics.cell import Cell, Detector, Hole, InputBeam, Mirror, MirrorName
from autocell.setting import COORDINATES, Setting

Unit = Literal["mm", "mrad"]

ROUNDING = 1e-12
"""What sums of floats may be beyond a limit, m or rad: far less than any axis resolves."""


@dataclass(frozen=True)
class LaserDescription:
    """The light: its power is what arrives at the entrance hole."""

    wavelength_m: float
    power_w: float
    power_tolerance: float
    """Of everything that scales the reading (laser, windows, meter) as a factor: 1 is half to
    twice."""
    safety_class: str
    pilot_beam: str


@dataclass(frozen=True)
class MirrorDescription:
    """A mirror as bought, and how far the one on the bench may differ."""

    radius_m: float
    radius_tolerance_m: float
    aperture_radius_m: float
    reflectivity: float
    reflectivity_tolerance: float
    tilt_tolerance_rad: float
    radius_y_m: float | None = None
    """Of a toroidal mirror; None where it is ``radius_m`` too. The tolerance is that of both."""
    toroidal_tolerance: float = 0.0
    """By how much of it the radius in y may differ from what ``radius_y_m`` says."""

    @property
    def toroidal_ratio(self) -> float:
        """The radius in y over that in x: one unless the mirror is toroidal."""
        return 1.0 if self.radius_y_m is None else self.radius_y_m / self.radius_m

    @property
    def mean_radius_m(self) -> float:
        """Mean of the radii in x and y."""
        return 0.5 * self.radius_m * (1.0 + self.toroidal_ratio)

    def mirror(self) -> Mirror:
        """The mirror in its place: aligned and centred."""
        radius_y_m = self.radius_m * self.toroidal_ratio
        return Mirror(self.radius_m, radius_y_m, self.aperture_radius_m, self.reflectivity)


@dataclass(frozen=True)
class HoleDescription:
    """A hole, its centre measured from the vertex of its mirror."""

    x_m: float
    y_m: float
    radius_m: float
    radius_tolerance_m: float

    @property
    def centre_m(self) -> tuple[float, float]:
        """x and y."""
        return self.x_m, self.y_m

    @property
    def off_axis_m(self) -> float:
        """How far its centre is from the vertex."""
        return math.hypot(self.x_m, self.y_m)

    @property
    def azimuth_rad(self) -> float:
        """Where its centre is around the vertex, from x towards y."""
        return math.atan2(self.y_m, self.x_m)

    def hole(self, mirror: MirrorName) -> Hole:
        """The hole in its mirror."""
        return Hole(mirror, self.x_m, self.y_m, self.radius_m)


@dataclass(frozen=True)
class BeamDescription:
    """The input beam when every input axis reads zero."""

    x_m: float
    y_m: float
    slope_x: float
    slope_y: float
    position_tolerance_m: float
    slope_tolerance: float
    waist_m: float
    waist_tolerance: float
    """Relative half-width."""
    waist_distance_m: float
    beam_quality: float
    waist_y_m: float | None = None
    waist_distance_y_m: float | None = None
    """Of an elliptical or astigmatic beam; None where they are those along x."""
    ellipse_angle_rad: float = 0.0
    """By which the x of the beam is turned from the x of the cell."""


@dataclass(frozen=True)
class OpenLoopDescription:
    """The steps of an axis that counts them and sees nothing; steps and distances in m or rad.

    A step forward does ``step`` times what the belief finds out as the axis's scale, from within
    ``gain_tolerance`` of one; a step backward does ``backward`` times as much as one forward, with
    ``backward_u`` of standard uncertainty. After a reversal ``dead_steps`` move nothing, with
    ``dead_steps_u``.
    """

    step: float
    gain_tolerance: float
    """By what share of itself a step of either direction may do more or less."""
    scatter: float
    """Standard deviation of one step, as a share of it."""
    backward: float
    backward_u: float
    dead_steps: float
    dead_steps_u: float

    @property
    def ratios(self) -> tuple[float, float]:
        """Least and most that a step backward can do of one forward, each within its tolerance."""
        less, more = 1.0 - self.gain_tolerance, 1.0 + self.gain_tolerance
        return less / more, more / less

    @property
    def may_be_alive(self) -> float:
        """How far the steps go, all as large as can be, that are taken for the dead ones of a
        reversal."""
        return (1.0 + self.gain_tolerance) * self.dead_steps * self.step

    @classmethod
    def within(
        cls, step: float, gain_tolerance: float, scatter: float, most_dead_steps: float
    ) -> OpenLoopDescription:
        """What tolerances alone tell: both gains flat within theirs, and as many dead steps as
        none to ``most_dead_steps``. The ratio of two such gains has √2 of the spread of one."""
        return cls(
            step,
            gain_tolerance,
            scatter,
            backward=1.0,
            backward_u=gain_tolerance * math.sqrt(2.0 / 3.0),
            dead_steps=0.5 * most_dead_steps,
            dead_steps_u=most_dead_steps / math.sqrt(12.0),
        )


@dataclass(frozen=True)
class AxisDescription:
    """One axis. Lengths in m or rad, as ``unit`` says at the edge (mm or mrad)."""

    name: str
    unit: Unit
    device: str
    section: Mapping[str, Any]
    """The bench file's words, for the driver."""
    low: float
    high: float
    speed: float
    acceleration: float
    backlash: float
    repeatability: float
    overnight_drift: float
    effect: tuple[float, float, float, float, float]
    """What one unit of travel (m or rad) adds to each coordinate of a setting."""
    scale_tolerance: float = 0.0
    """By what share of itself the effect may be wrong."""
    coupling_tolerance: float = 0.0
    """Share of its travel that may act as another axis of the same unit would."""
    open_loop: OpenLoopDescription | None = None
    """Of an axis that counts its own steps; None where something sees where it is."""

    @property
    def si_unit(self) -> Literal["m", "rad"]:
        """The unit of its positions for programs; people read them in ``unit``."""
        return "m" if self.unit == "mm" else "rad"

    @property
    def overshoot(self) -> float:
        """How far below a target its final approach starts, so that no backlash is left.

        Half as much again as the backlash, which the bench file may have a little wrong, and
        the scatter of both ends.
        """
        return 1.5 * self.backlash + 2.0 * self.repeatability if self.backlash > 0.0 else 0.0

    @property
    def play(self) -> float:
        """How far it may appear to move at rest, m or rad: what reads nearer stands where it
        stood."""
        return max(self.overshoot, 5.0 * self.repeatability)

    @property
    def reach(self) -> tuple[float, float]:
        """Lowest and highest target that an approach from any side keeps within the limits."""
        return (
            self.low + self.overshoot + self.repeatability,
            self.high - self.repeatability,
        )


@dataclass(frozen=True)
class MeterDescription:
    """The power meter and the noise to expect of one of its readings."""

    device: str
    section: Mapping[str, Any]
    range_w: float
    averaging_s: float
    relative_noise: float
    noise_floor_w: float
    time_constant_s: float = 0.0
    """With which it follows the light."""
    dark_tolerance_w: float = 0.0
    """What may be left of the dark level after it was subtracted."""
    largest_zero_w: float | None = None
    """The meter is to take its zero in the dark, if no more than this falls on it; else None."""
    stray_tolerance: float = 0.0
    """Share of the arriving light that may reach the detector without following the path, beside
    what the detector's ``stray_fraction`` says."""


@dataclass(frozen=True)
class ShutterDescription:
    """What blocks the beam for the dark level."""

    device: str
    section: Mapping[str, Any]


@dataclass(frozen=True)
class DelayMeterDescription:
    """The meter that measures by how much the path delays intensity-modulated light, as a phase."""

    device: str
    section: Mapping[str, Any]
    modulation_hz: float
    averaging_s: float
    noise_rad: float
    """Standard deviation of one reading."""
    systematic_rad: float
    """Standard uncertainty of the change between two readings that no averaging removes."""


@dataclass(frozen=True)
class ThermometerDescription:
    """What tells the temperature of the base."""

    device: str
    section: Mapping[str, Any]


@dataclass(frozen=True)
class DeviceDescription:
    """One instrument: which driver, where, and what it should call itself."""

    name: str
    driver: str
    address: str
    identity: str
    section: Mapping[str, Any]
    """The whole section, for the driver; paths in it are relative to the bench file."""


@dataclass(frozen=True)
class Caps:
    """What one run may use at most."""

    moves: int
    readings: int
    travel_m: float
    time_s: float


@dataclass(frozen=True)
class RecoveryLimits:
    """When a recovery does nothing, what a step of it must gain, and what one step may use.

    ``power_within`` and ``least_gain`` are shares of the power at the reference setting,
    ``laser_within`` of what a reference meter read there. ``temperature_within_k`` is by how much
    a thermometer may have changed before it is remarked on.
    """

    power_within: float = 0.03
    laser_within: float = 0.10
    temperature_within_k: float = 3.0
    least_margin_nights: float = 2.0
    least_gain: float = 0.015
    look_again_s: float = 60.0
    step: Caps = Caps(moves=120, readings=80, travel_m=0.2, time_s=600.0)


@dataclass(frozen=True)
class BenchDescription:
    """All of a bench file."""

    name: str
    path: Path
    sha256: str
    laser: LaserDescription
    entrance_mirror: MirrorDescription
    far_mirror: MirrorDescription
    entrance_hole: HoleDescription
    minimum_gap_m: float
    input_beam: BeamDescription
    spacing_at_zero_m: float
    spacing_tolerance_m: float
    axes: Mapping[str, AxisDescription]
    meter: MeterDescription
    shutter: ShutterDescription | None
    devices: Mapping[str, DeviceDescription]
    caps: Caps
    far_hole: HoleDescription | None = None
    exit_hole: HoleDescription | None = None
    """A second hole in the entrance mirror, for the light to leave by."""
    exit_mirror: MirrorName = "entrance"
    detector: Detector = field(default_factory=Detector)
    window_transmission: float = 1.0
    """Of the window between the exit hole and the detector."""
    delay_meter: DelayMeterDescription | None = None
    reference_meter: MeterDescription | None = None
    """Sees a part of the laser's light before the cell."""
    thermometer: ThermometerDescription | None = None
    recovery: RecoveryLimits = RecoveryLimits()

    @property
    def zero(self) -> Setting:
        """The setting when every axis reads zero."""
        beam = self.input_beam
        return Setting(self.spacing_at_zero_m, beam.x_m, beam.y_m, beam.slope_x, beam.slope_y)

    @cached_property
    def effects(self) -> NDArray[np.float64]:
        """What each axis adds to each coordinate of a setting, (5, axes)."""
        effects = np.array([axis.effect for axis in self.axes.values()]).T
        effects.flags.writeable = False
        return effects

    def setting(self, positions: Mapping[str, float]) -> Setting:
        """The setting at these axis positions (m or rad); axes not named read zero."""
        values = np.array([positions.get(name, 0.0) for name in self.axes])
        return Setting.from_array(self.zero.as_array() + self.effects @ values)

    def positions(self, setting: Setting) -> dict[str, float]:
        """Axis positions (m or rad) that give this setting.

        Raises UsageError when the axes of this bench cannot give it, whatever their limits.
        """
        wanted = setting.as_array() - self.zero.as_array()
        values, *_ = np.linalg.lstsq(self.effects, wanted, rcond=None)
        missed = np.abs(self.effects @ values - wanted)
        if np.any(missed > 1e-9):
            names = ", ".join(
                f"{name} by {miss:.3g}"
                for name, miss in zip(COORDINATES, missed, strict=True)
                if miss > 1e-9
            )
            raise UsageError(f"no axis of {self.name!r} reaches this setting: off in {names}")
        return {name: float(value) for name, value in zip(self.axes, values, strict=True)}

    def reach(self, axis: str) -> tuple[float, float]:
        """Lowest and highest position of an axis that may be asked for, m or rad.

        An approach from any side stays within the limits and, for the spacing, keeps the minimum
        gap, however far the true spacing is from the nominal one. An open-loop axis leaves
        room for what its steps may do too much on the way from one of these ends to the other.
        """
        low, high = self.axes[axis].reach
        steps = self.axes[axis].open_loop
        if steps is not None:
            too_much = steps.gain_tolerance * (high - low) + steps.may_be_alive
            room = too_much / (1.0 + 2.0 * steps.gain_tolerance)
            low, high = low + room, high - room
        if axis == "spacing":
            low = max(low, self.lowest_spacing_m - self.spacing_at_zero_m)
        return low, high

    @property
    def lowest_spacing_m(self) -> float:
        """The lowest nominal spacing that keeps the minimum gap during its approach."""
        axis = self.axes["spacing"]
        play_m = axis.overshoot + axis.repeatability
        return self.minimum_gap_m + self.spacing_tolerance_m + play_m

    @property
    def mean_reflectivity(self) -> float:
        """Geometric mean of both mirrors: what one reflection costs in the long run."""
        return math.sqrt(self.entrance_mirror.reflectivity * self.far_mirror.reflectivity)

    @property
    def way_out(self) -> HoleDescription | None:
        """The hole to leave by; None where that is the hole that the light came in by."""
        return self.exit_hole if self.exit_mirror == "entrance" else self.far_hole

    @property
    def lossless_reading_w(self) -> float:
        """What the meter would read if all light arriving at the hole left the cell again."""
        return self.laser.power_w * self.window_transmission

    @property
    def hole_names(self) -> list[str]:
        """What to call each hole of :meth:`cell`, in its order."""
        others = (("exit hole", self.exit_hole), ("far hole", self.far_hole))
        return ["entrance hole", *(name for name, hole in others if hole is not None)]

    def cell(self, spacing_m: float) -> Cell:
        """The cell as the bench file describes it: aligned, at this spacing."""
        holes = [self.entrance_hole.hole("entrance")]
        if self.exit_hole is not None:
            holes.append(self.exit_hole.hole("entrance"))
        if self.far_hole is not None:
            holes.append(self.far_hole.hole("far"))
        return Cell(
            spacing_m,
            self.entrance_mirror.mirror(),
            self.far_mirror.mirror(),
            tuple(holes),
            self.exit_mirror,
            self.detector,
        )

    def beam(self, setting: Setting) -> InputBeam:
        """The input beam of a setting as the bench file describes it."""
        beam = self.input_beam
        distance_m, distance_y_m = beam.waist_distance_m, beam.waist_distance_y_m
        return InputBeam(
            setting.x_m,
            setting.y_m,
            setting.slope_x,
            setting.slope_y,
            self.laser.wavelength_m,
            beam.waist_m,
            beam.waist_m if beam.waist_y_m is None else beam.waist_y_m,
            distance_m,
            distance_m if distance_y_m is None else distance_y_m,
            beam.ellipse_angle_rad,
            beam.beam_quality,
        )
