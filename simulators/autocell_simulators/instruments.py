"""Which instrument of a simulated bench speaks which dialect."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from autocell.description import AxisDescription, BenchDescription, DeviceDescription
from autocell.errors import UsageError
from autocell_simulators.ascii_lines import AsciiLines
from autocell_simulators.checked_motion import CheckedAxis, CheckedMotion
from autocell_simulators.gcode_motion import GcodeMotion
from autocell_simulators.lines import Dialect
from autocell_simulators.plain_motion import Output, PlainMotion
from autocell_simulators.scpi_delay_meter import ScpiDelayMeter
from autocell_simulators.scpi_meter import ScpiMeter
from autocell_simulators.step_counting_motion import LETTERS, SCREW, TILT, StepCountingMotion
from autocell_simulators.wire import ENDINGS

if TYPE_CHECKING:
    from autocell_simulators.bench import SimulatedBench


def dialects(bench: SimulatedBench) -> dict[str, Dialect]:
    """Which instrument speaks what follows from who the axes, meter and shutter refer to.

    Raises:
        UsageError: an instrument that cannot be simulated.
    """
    description = bench.description
    shutter = description.shutter
    dialects: dict[str, Dialect] = {}
    for name, device in description.devices.items():
        axes = [axis for axis in description.axes.values() if axis.device == name]
        outputs = (
            {int(shutter.section["channel"]): bench.shutter}
            if shutter is not None and shutter.device == name
            else {}
        )
        is_meter = description.meter.device == name
        delay_meter = bench.delay_meter if _measures_delay(description, name) else None
        roles = [
            role
            for role, is_one in (
                ("controller", bool(axes or outputs)),
                ("power meter", is_meter),
                ("delay meter", delay_meter is not None),
            )
            if is_one
        ]
        if len(roles) > 1:
            raise UsageError(
                f"device {name!r} is both {' and '.join(roles)}; the simulated bench has them "
                f"apart: give the {roles[-1]} a device of its own"
            )
        if delay_meter is not None:
            _require(device, "scpi-delay-meter", device.driver)
            dialects[name] = ScpiDelayMeter(delay_meter)
        elif is_meter:
            _require(device, "scpi-power-meter", device.driver)
            dialects[name] = ScpiMeter(bench.meter)
        elif device.driver == "gcode-motion" and not outputs:
            dialects[name] = _gcode_board(axes, bench)
        elif axes or outputs:
            _require(device, "ascii-motion", device.driver)
            dialects[name] = _ascii_controller(device, axes, outputs, bench)
    return dialects


def message_endings(dialect: Dialect) -> bytes:
    """Bytes that end a message of an instrument, for a wire that knows nothing else of it."""
    return dialect.message_endings if isinstance(dialect, AsciiLines) else ENDINGS


def _ascii_controller(
    device: DeviceDescription,
    axes: Sequence[AxisDescription],
    outputs: Mapping[int, Output],
    bench: SimulatedBench,
) -> Dialect:
    """The controller whose dialect file is named: each is written from its own manual, and reads
    no dialect file, so that one that is wrong shows."""
    asked = PurePath(str(device.section.get("dialect", "plain-motion.yaml"))).stem
    channels = {int(axis.section["channel"]): axis for axis in axes}
    match asked:
        case "plain-motion":
            moved = {channel: bench.axes[axis.name] for channel, axis in channels.items()}
            return PlainMotion(moved, outputs)
        case "checked-motion":
            return CheckedMotion(
                {
                    channel: CheckedAxis(bench.axes[axis.name], axis.unit, 6 - (axis.unit != "mm"))
                    for channel, axis in channels.items()
                },
                outputs,
            )
        case "step-counting-motion":
            return _step_counter(device, channels, outputs, bench)
    raise UsageError(
        f"device {device.name!r}: the simulated bench speaks 'plain-motion', 'checked-motion' and "
        f"'step-counting-motion' here, not {asked!r}"
    )


def _step_counter(
    device: DeviceDescription,
    channels: Mapping[int, AxisDescription],
    outputs: Mapping[int, Output],
    bench: SimulatedBench,
) -> StepCountingMotion:
    if outputs:
        raise UsageError(
            f"device {device.name!r}: step-counting-motion has no outputs, and works no shutter; "
            "take the shutter out of the bench file, or put it on another controller"
        )
    if unknown := sorted(set(channels) - set(LETTERS)):
        raise UsageError(
            f"device {device.name!r}: step-counting-motion has the channels 1 to {max(LETTERS)}, "
            f"and no {unknown[0]}"
        )
    return StepCountingMotion(
        {
            LETTERS[channel]: (bench.axes[axis.name], SCREW if axis.unit == "mm" else TILT)
            for channel, axis in channels.items()
        }
    )


def _gcode_board(axes: Sequence[AxisDescription], bench: SimulatedBench) -> GcodeMotion:
    """A board whose screws have the pitch that the bench file says; A, B and C count degrees."""
    moved = {str(axis.section["channel"]).upper(): axis for axis in axes}
    per_si = {
        letter: float(axis.section.get("direction", 1))
        * 1e3
        * float(
            axis.section.get("units_per_mm", 1.0)
            if axis.unit == "mm"
            else axis.section.get("units_per_mrad", math.degrees(1e-3))
        )
        for letter, axis in moved.items()
    }
    return GcodeMotion(
        {letter: bench.axes[axis.name] for letter, axis in moved.items()},
        per_si,
        soft_limits=all(0.0 in (axis.low, axis.high) for axis in axes),
    )


def _measures_delay(description: BenchDescription, name: str) -> bool:
    return description.delay_meter is not None and description.delay_meter.device == name


def _require(device: DeviceDescription, known: str, asked: str) -> None:
    if asked != known:
        raise UsageError(
            f"device {device.name!r}: the simulated bench speaks {known!r} here, not {asked!r}"
        )
