"""Which instrument of a simulated bench speaks which dialect."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING

from autocell.description import BenchDescription, DeviceDescription
from autocell.errors import UsageError
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
        axes = {
            int(axis.section["channel"]): bench.axes[axis.name]
            for axis in description.axes.values()
            if axis.device == name
        }
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
        elif axes or outputs:
            _require(device, "ascii-motion", device.driver)
            dialect = device.section.get("dialect", "plain-motion.yaml")
            _require(device, "plain-motion", PurePath(str(dialect)).stem)
            dialects[name] = PlainMotion(axes, outputs)
    return dialects


def _measures_delay(description: BenchDescription, name: str) -> bool:
    return description.delay_meter is not None and description.delay_meter.device == name


def _require(device: DeviceDescription, known: str, asked: str) -> None:
    if asked != known:
        raise UsageError(
            f"device {device.name!r}: the simulated bench speaks {known!r} here, not {asked!r}"
        )
