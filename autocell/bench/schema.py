"""What may stand in a bench file: keys with their units, types, and the range of each value.

Here everything is in the units of the file. What takes two values to judge is in
:mod:`autocell.bench.checks`; the conversion to SI is in :mod:`autocell.bench.file`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

LaserClass = Literal["1", "1C", "1M", "2", "2M", "3R", "3B", "4"]
"""IEC 60825-1."""

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Fraction = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, lt=1)]
Transmission = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1)]
Incidence = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=-90, lt=90)]
HalfAngle = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1570)]
"""In mrad: less than a right angle."""
Stray = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=1)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=100)]
FactorPercent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=900)]
Count = Annotated[int, Field(strict=True, ge=1)]
Text = Annotated[str, Field(strict=True, min_length=1)]
Limits = Annotated[list[Number], Field(min_length=2, max_length=2)]
Direction = Literal[1, -1]
"""-1 for a controller that counts the other way."""
Channel = Annotated[int, Field(strict=True)] | Text


SCALE_PERCENT, COUPLING_PERCENT = 0.5, 3.0
"""What an axis of the input beam may do more or less than its file says, and as another axis of
the same kind would: common practice, no source."""


def _whole_number_as_text(value: object) -> object:
    return str(value) if type(value) is int else value


class Section(BaseModel):
    """A part of a bench file. Keys it does not know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Laser(Section):
    """The light at the entrance hole."""

    wavelength_nm: Positive
    safety_class: Annotated[LaserClass, BeforeValidator(_whole_number_as_text)] = Field(
        alias="class"
    )
    caution_acknowledged: Annotated[bool, Field(strict=True)] = False
    power_mw: Positive
    power_tolerance_percent: FactorPercent
    pilot_beam: Text = "none"


class Hole(Section):
    """A round hole, its centre measured from the mirror's vertex."""

    x_mm: Number
    y_mm: Number
    diameter_mm: Positive
    diameter_tolerance_mm: NotNegative


class Mirror(Section):
    """A concave mirror as bought; ``radius_y_mm`` only where it is toroidal.

    ``toroidal_tolerance_percent`` is for a mirror whose radii in x and y may differ without
    anybody having meant them to.
    """

    radius_mm: Positive
    radius_y_mm: Positive | None = None
    radius_tolerance_percent: Percent
    toroidal_tolerance_percent: Percent = 0.0
    clear_aperture_mm: Positive
    reflectivity: Fraction
    reflectivity_tolerance: NotNegative
    tilt_tolerance_mrad: NotNegative


class EntranceMirror(Mirror):
    """The mirror with the hole that the light comes in by, and perhaps another to leave by."""

    hole: Hole
    exit_hole: Hole | None = None


class FarMirror(Mirror):
    """The other mirror, which may have a hole for the light to leave by."""

    hole: Hole | None = None


class Cell(Section):
    """Two mirrors and how close they may come.

    ``exit_mirror`` is the one the detector looks at: the far one if it has a hole and the entrance
    mirror has no ``exit_hole``. A window on the way to the detector transmits
    ``window_transmission``.
    """

    entrance_mirror: EntranceMirror
    far_mirror: FarMirror
    minimum_gap_mm: Positive
    exit_mirror: Literal["entrance", "far"] | None = None
    window_transmission: Transmission = 1.0

    @property
    def leaves_through(self) -> Literal["entrance", "far"]:
        """The mirror that the detector looks at."""
        far = self.far_mirror.hole is not None and self.entrance_mirror.exit_hole is None
        return self.exit_mirror or ("far" if far else "entrance")

    @property
    def way_out(self) -> Hole:
        """The hole that the detector looks at."""
        if self.leaves_through == "far" and self.far_mirror.hole is not None:
            return self.far_mirror.hole
        return self.entrance_mirror.exit_hole or self.entrance_mirror.hole


class DetectorSection(Section):
    """A round detector ``distance_mm`` outside the vertex of the exit mirror, its centre measured
    from the axis of the cell. Without this section it collects all that leaves.

    ``acceptance_mrad`` is the half-angle of the cone that it accepts, without which it accepts
    every direction. It faces the exit hole, or, with slopes, light that leaves with these.
    ``stray_fraction`` of the power at the entrance hole reaches it without following the path.
    """

    diameter_mm: Positive
    distance_mm: NotNegative
    x_mm: Number
    y_mm: Number
    acceptance_mrad: HalfAngle | None = None
    slope_x_mrad: Number | None = None
    slope_y_mrad: Number | None = None
    stray_fraction: Stray = 0.0


class Beam(Section):
    """The input beam at the entrance hole when every input axis reads zero.

    ``waist_y_mm`` and ``waist_distance_y_mm`` only where they differ from those along x, which is
    that of the beam: turned by ``ellipse_angle_deg`` from the x of the cell towards its y.
    """

    x_mm: Number
    y_mm: Number
    slope_x_mrad: Number
    slope_y_mrad: Number
    position_tolerance_mm: NotNegative
    slope_tolerance_mrad: NotNegative
    waist_mm: Positive
    waist_y_mm: Positive | None = None
    waist_tolerance_percent: Percent
    waist_distance_mm: Number
    waist_distance_y_mm: Number | None = None
    ellipse_angle_deg: Number = 0.0
    beam_quality: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1)] = 1.0


class DeviceSection(Section):
    """One instrument. Further keys are the driver's, which checks them itself."""

    model_config = ConfigDict(extra="allow", frozen=True)

    driver: Text
    address: Text
    identity: Text


class OpenLoopSteps(Section):
    """What may be wrong with the steps of a drive that counts them and sees nothing.

    ``gain_tolerance_percent`` is how far what a step does may be from what the units of the axis
    say, in each direction on its own; ``scatter_percent`` the standard deviation of one step;
    ``dead_steps`` the most that move nothing after a reversal. All of these are common practice,
    no source.
    """

    gain_tolerance_percent: Annotated[float, Field(strict=True, gt=0, le=40)] = 20.0
    scatter_percent: Percent = 5.0
    dead_steps: NotNegative = 10.0


class LinearOpenLoop(OpenLoopSteps):
    """Of an axis in mm."""

    step_um: Positive


class AngularOpenLoop(OpenLoopSteps):
    """Of an axis in mrad."""

    step_urad: Positive


class LinearAxis(Section):
    """An axis in mm."""

    device: Text
    channel: Channel
    direction: Direction = 1
    units_per_mm: Positive | None = None
    limits_mm: Limits
    speed_mm_per_s: Positive
    acceleration_mm_per_s2: Positive
    backlash_mm: NotNegative
    repeatability_mm: Positive
    overnight_drift_mm: NotNegative
    open_loop: LinearOpenLoop | None = None


class SpacingAxis(LinearAxis):
    """The axis that moves a mirror: one mm of travel opens the cell by one mm.

    ``scale_tolerance_percent`` is how far that may be wrong: common practice, no source.
    """

    spacing_at_zero_mm: Positive
    spacing_tolerance_mm: NotNegative
    scale_tolerance_percent: Percent = 0.01


class LinearMoves(Section):
    """What one mm of travel does to the input beam at the hole; ``x`` and ``y`` in mm."""

    x: Number = 0.0
    y: Number = 0.0
    slope_x_mrad_per_mm: Number = 0.0
    slope_y_mrad_per_mm: Number = 0.0


class Mount(Section):
    """What a mount carries and where, for :mod:`autocell.bench.mounts`.

    ``pivot_to_hole_mm`` runs along the beam from where the mount turns it to the hole. A mirror
    has the light at ``incidence_deg`` in a horizontal or vertical plane; it is positive where a
    face that moves forward moves the beam towards +x or +y. ``beam_from_corner_mm`` is the place
    where the beam meets the face, from the corner of the mount.
    """

    pivot_to_hole_mm: Number
    carries: Literal["collimator", "mirror"] = "collimator"
    incidence_deg: Incidence = 0.0
    folds: Literal["horizontally", "vertically"] = "horizontally"
    beam_from_corner_mm: Annotated[list[Number], Field(min_length=2, max_length=2)] = [0.0, 0.0]


class LinearAdjuster(Mount):
    """A screw in a mount. Advancing, it turns the beam up (pitch), towards +x (yaw), or the
    opposite of both (corner, the third adjuster); ``direction: -1`` is for one that does not.

    ``lever_arm_mm`` is the distance from the corner to the pitch or yaw adjuster. For a corner
    it is that to the pitch adjuster, and to the yaw adjuster too unless ``yaw_lever_arm_mm`` says
    otherwise.
    """

    turns: Literal["pitch", "yaw", "corner"]
    lever_arm_mm: Positive
    yaw_lever_arm_mm: Positive | None = None


class Slide(Section):
    """A slide across the beam that carries all that shapes it: along +x at 0°, along +y at 90°."""

    angle_deg: Number


class LinearInputAxis(LinearAxis):
    """A linear axis of the input beam, described by one of three sections."""

    described_by: ClassVar = ("moves", "adjuster", "slide")

    scale_tolerance_percent: Percent = SCALE_PERCENT
    coupling_tolerance_percent: Percent = COUPLING_PERCENT
    moves: LinearMoves | None = None
    adjuster: LinearAdjuster | None = None
    slide: Slide | None = None


class AngularMoves(Section):
    """What one mrad of travel does to the input beam at the hole; slopes in mrad."""

    x_mm_per_mrad: Number = 0.0
    y_mm_per_mrad: Number = 0.0
    slope_x: Number = 0.0
    slope_y: Number = 0.0


class AngularAdjuster(Mount):
    """A mount whose axis counts its own angle, turning the beam up (pitch) or towards +x (yaw)."""

    turns: Literal["pitch", "yaw"]


class AngularInputAxis(Section):
    """An axis of the input beam in mrad, described by one of two sections."""

    described_by: ClassVar = ("moves", "adjuster")

    device: Text
    channel: Channel
    direction: Direction = 1
    units_per_mrad: Positive | None = None
    limits_mrad: Limits
    speed_mrad_per_s: Positive
    acceleration_mrad_per_s2: Positive
    backlash_mrad: NotNegative
    repeatability_mrad: Positive
    overnight_drift_mrad: NotNegative
    open_loop: AngularOpenLoop | None = None
    scale_tolerance_percent: Percent = SCALE_PERCENT
    coupling_tolerance_percent: Percent = COUPLING_PERCENT
    moves: AngularMoves | None = None
    adjuster: AngularAdjuster | None = None


AnyAxis = SpacingAxis | LinearInputAxis | AngularInputAxis


def axis_model(name: str, section: Mapping[str, Any]) -> type[AnyAxis]:
    """Which kind of axis a section describes: by its name, then by the units of its keys."""
    if name == "spacing":
        return SpacingAxis
    if any("mrad" in key for key in section):
        return AngularInputAxis
    return LinearInputAxis


class MeterSetting(Section):
    """A setting of the instrument: the command, the query, and the answer it must give."""

    command: Text = Field(alias="set")
    ask: Text
    expect: Text


class ZeroingSection(Section):
    """How the instrument takes its zero, and how to ask for the zero that it has, in watts.

    ``takes_ms`` is how long that may take; a meter that sees more than ``largest_uw`` in the dark
    is not zeroed.
    """

    command: Text = Field(alias="set")
    ask: Text
    takes_ms: Positive = 5000.0
    largest_uw: Positive


class LightMeterSection(Section):
    """A meter of optical power, and the noise of one of its readings.

    ``time_constant_ms`` is that of a detector that follows the light by a first-order lag, as a
    thermal head does.
    """

    device: Text
    channel: Channel = 1
    range_mw: Positive
    averaging_ms: Positive
    time_constant_ms: NotNegative = 0.0
    sample_ms: Positive | None = None
    relative_noise: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=1)]
    noise_floor_uw: Positive
    settings: list[MeterSetting] = []


class PowerMeterSection(LightMeterSection):
    """The power meter behind the cell.

    ``dark_tolerance_uw`` is what may be left of the dark level once it is subtracted, the noise
    floor unless it is said; ``stray_tolerance`` the share of the arriving light that may reach the
    meter without having followed the path (common practice, no source).
    """

    dark_tolerance_uw: NotNegative | None = None
    zeroing: ZeroingSection | None = None
    stray_tolerance: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=1)] = 1e-4


class ReferenceMeterSection(LightMeterSection):
    """A second power meter that sees a part of the laser's light before it reaches the cell.

    What falls on both meters alike is the laser. It sees no dark level: the shutter is behind it.
    """


class ThermometerSection(Section):
    """A thermometer on the base of the bench."""

    device: Text
    channel: Channel = 1


class DelayMeterSection(Section):
    """A meter of the phase of intensity-modulated light, which tells how long its path is.

    ``direction`` is -1 for an instrument whose phase falls as the path grows, as that of a signal
    against a reference does.
    ``noise_mrad`` is the standard deviation of one reading. ``systematic_mrad`` is the standard
    uncertainty of a phase change that no averaging removes: drift of the electronics between two
    readings, and phase that depends on the level of the light.
    """

    device: Text
    channel: Channel = 1
    direction: Direction = 1
    modulation_mhz: Positive
    averaging_ms: Positive
    sample_ms: Positive | None = None
    noise_mrad: Positive
    systematic_mrad: NotNegative
    settings: list[MeterSetting] = []


class ShutterSection(Section):
    """What blocks the beam for the dark level. Not a safety shutter."""

    device: Text
    channel: Channel


class RecoverySection(Section):
    """When a recovery does nothing, what a step of it must gain, and what a step may use.

    The bench is as it was where the power is within ``power_within_percent`` of that of the
    reference setting, and ``least_margin_nights`` of its margin are left. A step is worth keeping
    that brings the power nearer to that by ``least_gain_percent`` of it. Light that is out of
    bounds is looked at again after ``look_again_s``, an hour at most, before anything moves. A
    temperature that is further than ``temperature_within_k`` from that of the reference setting is
    remarked on; it moves nothing. All of these are common practice, no source.
    """

    power_within_percent: Annotated[float, Field(strict=True, gt=0, lt=100)] = 3.0
    laser_within_percent: Annotated[float, Field(strict=True, gt=0, lt=100)] = 10.0
    temperature_within_k: Positive = 3.0
    least_margin_nights: NotNegative = 2.0
    least_gain_percent: Annotated[float, Field(strict=True, gt=0, lt=100)] = 1.5
    look_again_s: Annotated[float, Field(strict=True, ge=0, le=3600)] = 60.0
    step_moves: Count = 120
    step_readings: Count = 80
    step_travel_mm: Positive = 200.0
    step_time_min: Positive = 10.0


class CapsSection(Section):
    """What one run may use at most."""

    moves: Count
    readings: Count
    travel_mm: Positive
    time_min: Positive


class BenchFile(Section):
    """The whole file. Axes are validated one by one, each by its own kind of section."""

    bench: Text
    laser: Laser
    cell: Cell
    input_beam: Beam
    detector: DetectorSection | None = None
    devices: Annotated[dict[str, DeviceSection], Field(min_length=1)]
    axes: dict[str, dict[str, Any]]
    power_meter: PowerMeterSection
    delay_meter: DelayMeterSection | None = None
    reference_meter: ReferenceMeterSection | None = None
    thermometer: ThermometerSection | None = None
    shutter: ShutterSection | None = None
    recovery: RecoverySection = RecoverySection()
    caps: CapsSection
