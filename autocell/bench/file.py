"""From a bench file to a :class:`~autocell.description.BenchDescription`, or to a full list of
what is wrong with it. This is the one place where trade units become SI."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from autocell.bench import schema
from autocell.bench.checks import semantic_complaints
from autocell.bench.complaints import Complaint, schema_complaints
from autocell.bench.mounts import effect_of
from autocell.bench.yaml_tree import YamlTree, YamlTreeError, at, parse
from autocell.description import (
    AxisDescription,
    BeamDescription,
    BenchDescription,
    Caps,
    DelayMeterDescription,
    DeviceDescription,
    HoleDescription,
    LaserDescription,
    MeterDescription,
    MirrorDescription,
    OpenLoopDescription,
    RecoveryLimits,
    ShutterDescription,
    ThermometerDescription,
)
from autocell.errors import BenchFileError, UsageError
from autocell.optics.cell import Detector

_NM, _UM, _MM, _MRAD, _MHZ = 1e-9, 1e-6, 1e-3, 1e-3, 1e6
_MW, _UW, _MS, _PERCENT, _MIN = 1e-3, 1e-6, 1e-3, 1e-2, 60.0


def load(path: str | Path) -> BenchDescription:
    """The bench that the file at ``path`` describes, in SI units.

    Raises BenchFileError that lists every fault of the file, one a line: file, line, path to the
    value, and what would be right.
    """
    path = Path(path).absolute()
    try:
        content = path.read_bytes()
        text = content.decode("utf-8")
    except FileNotFoundError as error:
        raise BenchFileError(f"{path}: there is no such bench file") from error
    except OSError as error:
        raise BenchFileError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise BenchFileError(f"{path}:{line}: not UTF-8 text; save it as UTF-8") from error
    try:
        tree = parse(text)
    except YamlTreeError as error:
        raise BenchFileError(f"{path}:{error.line}: not valid YAML: {error}") from error
    if not isinstance(tree.values, Mapping):
        raise BenchFileError(f"{path}:1: not a bench file; it starts with a line 'bench: NAME'")
    _refuse_faults(path, tree)
    return _describe(path, hashlib.sha256(content).hexdigest(), tree.values)


def shipped(name: str) -> Path:
    """The file ``name`` (``.yaml`` may be left out) among the configurations that come along.

    Raises UsageError, with the names that exist.
    """
    installed = Path(str(resources.files("autocell"))) / "configs"
    checkout = Path(str(resources.files("autocell"))).parent / "configs"
    folder = installed if installed.is_dir() else checkout
    path = folder / (name if name.endswith(".yaml") else f"{name}.yaml")
    if not path.is_file():
        names = ", ".join(sorted(file.stem for file in folder.glob("*.yaml")))
        raise UsageError(f"no configuration {name!r} comes with autocell; there are: {names}")
    return path


def where(path: Path, keys: tuple[str | int, ...]) -> str:
    """``file:line: dotted.path`` of a value in a file that has been loaded before."""
    return _where(path, parse(path.read_text("utf-8")), keys)


def line_of(path: Path, keys: tuple[str | int, ...]) -> int:
    """The line of a value in a file that has been loaded before."""
    return parse(path.read_text("utf-8")).line(keys)


def _where(path: Path, tree: YamlTree, keys: tuple[str | int, ...]) -> str:
    dotted = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in keys)
    return f"{path}:{tree.line(keys)}: {dotted.lstrip('.')}"


def _refuse_faults(path: Path, tree: YamlTree) -> None:
    faults = [
        (
            fault.line,
            f"{path}:{fault.line}: {'.'.join(map(str, fault.path))}: this key stands twice, first "
            f"in line {fault.first_line}; keep one",
        )
        for fault in tree.duplicates
    ]
    complaints: list[Complaint] = schema_complaints(tree.values) + semantic_complaints(tree.values)
    faults += [
        (tree.line(fault.path), f"{_where(path, tree, fault.path)}: {fault.text}")
        for fault in complaints
    ]
    if faults:
        raise BenchFileError("\n".join(text for _, text in sorted(faults, key=lambda f: f[0])))


def _describe(path: Path, sha256: str, raw: Mapping[str, Any]) -> BenchDescription:
    bench = schema.BenchFile.model_validate(raw)
    laser, cell = bench.laser, bench.cell
    axes = {
        name: schema.axis_model(name, section).model_validate(section)
        for name, section in bench.axes.items()
    }
    spacing = axes["spacing"]
    assert isinstance(spacing, schema.SpacingAxis)
    far_hole, exit_hole = cell.far_mirror.hole, cell.entrance_mirror.exit_hole
    reference_meter, shutter, caps = bench.reference_meter, bench.shutter, bench.caps
    return BenchDescription(
        name=bench.bench,
        path=path,
        sha256=sha256,
        laser=LaserDescription(
            wavelength_m=laser.wavelength_nm * _NM,
            power_w=laser.power_mw * _MW,
            power_tolerance=laser.power_tolerance_percent * _PERCENT,
            safety_class=laser.safety_class,
            pilot_beam=laser.pilot_beam,
        ),
        entrance_mirror=_mirror(cell.entrance_mirror),
        far_mirror=_mirror(cell.far_mirror),
        entrance_hole=_hole(cell.entrance_mirror.hole),
        minimum_gap_m=cell.minimum_gap_mm * _MM,
        input_beam=_beam(bench.input_beam),
        spacing_at_zero_m=spacing.spacing_at_zero_mm * _MM,
        spacing_tolerance_m=spacing.spacing_tolerance_mm * _MM,
        axes={name: _axis(name, axis, raw["axes"][name]) for name, axis in axes.items()},
        meter=_power_meter(bench.power_meter, raw["power_meter"]),
        shutter=None if shutter is None else ShutterDescription(shutter.device, raw["shutter"]),
        devices={
            name: DeviceDescription(
                name, device.driver, device.address, device.identity, at(raw, ("devices", name))
            )
            for name, device in bench.devices.items()
        },
        caps=Caps(caps.moves, caps.readings, caps.travel_mm * _MM, caps.time_min * _MIN),
        far_hole=None if far_hole is None else _hole(far_hole),
        exit_hole=None if exit_hole is None else _hole(exit_hole),
        exit_mirror=cell.leaves_through,
        detector=_detector(bench),
        window_transmission=cell.window_transmission,
        delay_meter=_delay_meter(bench.delay_meter, raw),
        reference_meter=(
            None
            if reference_meter is None
            else _light_meter(reference_meter, raw["reference_meter"])
        ),
        thermometer=(
            None
            if bench.thermometer is None
            else ThermometerDescription(bench.thermometer.device, raw["thermometer"])
        ),
        recovery=_recovery(bench.recovery),
    )


def _hole(hole: schema.Hole) -> HoleDescription:
    return HoleDescription(
        hole.x_mm * _MM,
        hole.y_mm * _MM,
        hole.diameter_mm * _MM / 2,
        hole.diameter_tolerance_mm * _MM / 2,
    )


def _detector(bench: schema.BenchFile) -> Detector:
    detector = bench.detector
    if detector is None:
        return Detector()
    slope_x, slope_y = _faces(detector, bench.cell)
    return Detector(
        detector.diameter_mm * _MM / 2,
        detector.distance_mm * _MM,
        detector.x_mm * _MM,
        detector.y_mm * _MM,
        math.inf if detector.acceptance_mrad is None else detector.acceptance_mrad * _MRAD,
        slope_x,
        slope_y,
        detector.stray_fraction,
    )


def _faces(detector: schema.DetectorSection, cell: schema.Cell) -> tuple[float, float]:
    """Slopes of the light that the detector faces: as given, or as it comes from the hole."""
    hole = cell.way_out
    ahead = detector.distance_mm if cell.leaves_through == "far" else -detector.distance_mm
    sideways = (detector.x_mm - hole.x_mm, detector.y_mm - hole.y_mm)
    given = (detector.slope_x_mrad, detector.slope_y_mrad)
    slope_x, slope_y = (
        (off / ahead if ahead else 0.0) if slope is None else slope * _MRAD
        for off, slope in zip(sideways, given, strict=True)
    )
    return slope_x, slope_y


def _delay_meter(
    meter: schema.DelayMeterSection | None, raw: Mapping[str, Any]
) -> DelayMeterDescription | None:
    if meter is None:
        return None
    return DelayMeterDescription(
        device=meter.device,
        section=raw["delay_meter"],
        modulation_hz=meter.modulation_mhz * _MHZ,
        averaging_s=meter.averaging_ms * _MS,
        noise_rad=meter.noise_mrad * _MRAD,
        systematic_rad=meter.systematic_mrad * _MRAD,
    )


def _power_meter(meter: schema.PowerMeterSection, section: Mapping[str, Any]) -> MeterDescription:
    dark_uw = meter.dark_tolerance_uw
    return replace(
        _light_meter(meter, section),
        dark_tolerance_w=_UW * (meter.noise_floor_uw if dark_uw is None else dark_uw),
        largest_zero_w=None if meter.zeroing is None else meter.zeroing.largest_uw * _UW,
        stray_tolerance=meter.stray_tolerance,
    )


def _light_meter(meter: schema.LightMeterSection, section: Mapping[str, Any]) -> MeterDescription:
    return MeterDescription(
        device=meter.device,
        section=section,
        range_w=meter.range_mw * _MW,
        averaging_s=meter.averaging_ms * _MS,
        time_constant_s=meter.time_constant_ms * _MS,
        relative_noise=meter.relative_noise,
        noise_floor_w=meter.noise_floor_uw * _UW,
    )


def _recovery(limits: schema.RecoverySection) -> RecoveryLimits:
    return RecoveryLimits(
        power_within=limits.power_within_percent * _PERCENT,
        laser_within=limits.laser_within_percent * _PERCENT,
        temperature_within_k=limits.temperature_within_k,
        least_margin_nights=limits.least_margin_nights,
        least_gain=limits.least_gain_percent * _PERCENT,
        look_again_s=limits.look_again_s,
        step=Caps(
            limits.step_moves,
            limits.step_readings,
            limits.step_travel_mm * _MM,
            limits.step_time_min * _MIN,
        ),
    )


def _mirror(mirror: schema.Mirror) -> MirrorDescription:
    radius_m = mirror.radius_mm * _MM
    return MirrorDescription(
        radius_m=radius_m,
        radius_tolerance_m=radius_m * mirror.radius_tolerance_percent * _PERCENT,
        aperture_radius_m=mirror.clear_aperture_mm * _MM / 2,
        reflectivity=mirror.reflectivity,
        reflectivity_tolerance=mirror.reflectivity_tolerance,
        tilt_tolerance_rad=mirror.tilt_tolerance_mrad * _MRAD,
        radius_y_m=None if mirror.radius_y_mm is None else mirror.radius_y_mm * _MM,
        toroidal_tolerance=mirror.toroidal_tolerance_percent * _PERCENT,
    )


def _beam(beam: schema.Beam) -> BeamDescription:
    return BeamDescription(
        x_m=beam.x_mm * _MM,
        y_m=beam.y_mm * _MM,
        slope_x=beam.slope_x_mrad * _MRAD,
        slope_y=beam.slope_y_mrad * _MRAD,
        position_tolerance_m=beam.position_tolerance_mm * _MM,
        slope_tolerance=beam.slope_tolerance_mrad * _MRAD,
        waist_m=beam.waist_mm * _MM,
        waist_tolerance=beam.waist_tolerance_percent * _PERCENT,
        waist_distance_m=beam.waist_distance_mm * _MM,
        beam_quality=beam.beam_quality,
        waist_y_m=None if beam.waist_y_mm is None else beam.waist_y_mm * _MM,
        waist_distance_y_m=(
            None if beam.waist_distance_y_mm is None else beam.waist_distance_y_mm * _MM
        ),
        ellipse_angle_rad=math.radians(beam.ellipse_angle_deg),
    )


def _axis(name: str, axis: schema.AnyAxis, section: Mapping[str, Any]) -> AxisDescription:
    if isinstance(axis, schema.AngularInputAxis):
        return AxisDescription(
            name, "mrad", axis.device, section,
            low=axis.limits_mrad[0] * _MRAD,
            high=axis.limits_mrad[1] * _MRAD,
            speed=axis.speed_mrad_per_s * _MRAD,
            acceleration=axis.acceleration_mrad_per_s2 * _MRAD,
            backlash=axis.backlash_mrad * _MRAD,
            repeatability=axis.repeatability_mrad * _MRAD,
            overnight_drift=axis.overnight_drift_mrad * _MRAD,
            effect=effect_of(axis),
            scale_tolerance=axis.scale_tolerance_percent * _PERCENT,
            coupling_tolerance=axis.coupling_tolerance_percent * _PERCENT,
            open_loop=_steps(axis.open_loop),
        )  # fmt: skip
    return AxisDescription(
        name, "mm", axis.device, section,
        low=axis.limits_mm[0] * _MM,
        high=axis.limits_mm[1] * _MM,
        speed=axis.speed_mm_per_s * _MM,
        acceleration=axis.acceleration_mm_per_s2 * _MM,
        backlash=axis.backlash_mm * _MM,
        repeatability=axis.repeatability_mm * _MM,
        overnight_drift=axis.overnight_drift_mm * _MM,
        effect=effect_of(axis),
        scale_tolerance=axis.scale_tolerance_percent * _PERCENT,
        coupling_tolerance=(
            0.0
            if isinstance(axis, schema.SpacingAxis)
            else axis.coupling_tolerance_percent * _PERCENT
        ),
        open_loop=_steps(axis.open_loop),
    )  # fmt: skip


def _steps(
    steps: schema.LinearOpenLoop | schema.AngularOpenLoop | None,
) -> OpenLoopDescription | None:
    if steps is None:
        return None
    micro = steps.step_um if isinstance(steps, schema.LinearOpenLoop) else steps.step_urad
    return OpenLoopDescription.within(
        micro * _UM,
        steps.gain_tolerance_percent * _PERCENT,
        steps.scatter_percent * _PERCENT,
        steps.dead_steps,
    )
