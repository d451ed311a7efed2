"""Which instrument of a simulated bench speaks which dialect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from autocell.description import AxisDescription, BenchDescription, DeviceDescription
from autocell.errors import UsageError
from autocell_simulators.gcode_motion import GcodeMotion
from autocell_simulators.lines import Dialect
from autocell_simulators.plain_motion import PlainMotion
from autocell_simulators.scpi_delay_meter import ScpiDelayMeter
from autocell_simulators.scpi_meter import ScpiMeter

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
            dialect = device.section.get("dialect", "plain-motion.yaml")
            _require(device, "plain-motion", PurePath(str(dialect)).stem)
            channels = {int(axis.section["channel"]): bench.axes[axis.name] for axis in axes}
            dialects[name] = PlainMotion(channels, outputs)
    return dialects


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
