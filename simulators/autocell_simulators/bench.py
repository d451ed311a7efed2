"""The simulated bench: true optics, axes and a meter behind the lines of its instruments.

It moves lazily: whenever somebody asks, it is advanced to the present of its clock, by way of
every moment at which the meter samples the light.
"""

from __future__ import annotations

import dataclasses
import math
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import PurePath
from typing import Any

from autocell.bench.protocols import Clock
from autocell.description import BenchDescription, DeviceDescription
from autocell.errors import UsageError
from autocell_simulators.delay_meter import DelayTraits, SimulatedDelayMeter
from autocell_simulators.lines import Dialect, InstrumentLine, Line
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis
from autocell_simulators.meter import MeterTraits, SimulatedMeter
from autocell_simulators.optics import TrueOptics, truth_report
from autocell_simulators.plain_motion import Output, PlainMotion
from autocell_simulators.scpi_delay_meter import ScpiDelayMeter
from autocell_simulators.scpi_meter import ScpiMeter
from autocell_simulators.seeds import stream
from autocell_simulators.truth import Truth, draw_truth

_AHEAD_S = 1e-6
"""The bench is this much ahead of its clock: a sleep that rounding cut short is long enough."""


class SimulatedBench:
    """One bench, shared by all who hold its lines.

    ``truth`` may be a seed: then it is drawn within the bench file's tolerances. All noise
    follows from the seed of the truth.

    Raises:
        UsageError: no such start state, or an instrument that cannot be simulated.
    """

    __slots__ = (
        "_advanced_to_s",
        "_clock",
        "_instruments",
        "_light",
        "_lock",
        "_modulation",
        "_start_s",
        "axes",
        "delay_meter",
        "description",
        "laser_on",
        "lines",
        "meter",
        "optics",
        "shutter",
        "smallest_gap_m",
        "truth",
    )

    def __init__(
        self,
        description: BenchDescription,
        truth: Truth | int,
        clock: Clock,
        *,
        start: str = "six-pass",
    ) -> None:
        if start not in START_STATES:
            raise UsageError(f"no start state {start!r}; there are: {', '.join(START_STATES)}")
        self._clock = clock
        self._lock = threading.RLock()
        self._start_s = self._advanced_to_s = clock.now() + _AHEAD_S
        self._light: tuple[tuple[float, ...], float] | None = None
        self._modulation: tuple[tuple[float, ...], complex] | None = None
        self.description = description
        self.truth = truth if isinstance(truth, Truth) else draw_truth(description, truth)
        self.optics = TrueOptics(description, self.truth)
        self.axes = {
            name: SimulatedAxis(
                AxisTraits.of(axis, self.truth.backlash[name]),
                stream(self.truth.seed, f"axis {name}"),
                self._start_s,
            )
            for name, axis in description.axes.items()
        }
        self.meter = SimulatedMeter(
            MeterTraits.of(description, self.truth), stream(self.truth.seed, "meter")
        )
        self.delay_meter: SimulatedDelayMeter | None = None
        if description.delay_meter is not None:
            self.delay_meter = SimulatedDelayMeter(
                DelayTraits.of(description, description.delay_meter, self.truth.seed),
                stream(self.truth.seed, "delay meter"),
            )
        self.shutter = Output()
        self.laser_on = True
        START_STATES[start](self)
        self.smallest_gap_m = self._spacing_m()
        self._instruments = {
            name: InstrumentLine(dialect, self.present) for name, dialect in _dialects(self).items()
        }
        self.lines: Mapping[str, Line] = self._instruments

    @property
    def clock(self) -> Clock:
        """The clock by which everything here happens."""
        return self._clock

    @contextmanager
    def present(self) -> Iterator[float]:
        """Hold the bench still at the present; the time, in seconds of its clock."""
        with self._lock:
            now_s = self._clock.now() + _AHEAD_S
            self._advance(now_s)
            yield now_s

    def true_positions(self) -> dict[str, float]:
        """Where every axis truly is at present, m or rad."""
        with self.present():
            return self._positions()

    def truth_report(self) -> dict[str, Any]:
        """What is true at present (see :func:`optics.truth_report`), and what happened so far."""
        with self.present() as now_s:
            report = truth_report(self.optics, self._positions())
            counts = {name: dataclasses.asdict(axis.counts) for name, axis in self.axes.items()}
            return report | {
                "time_s": now_s - self._start_s,
                "seed": self.truth.seed,
                "laser_on": self.laser_on,
                "shutter_open": self.shutter.on,
                "counters": {name: axis.counter for name, axis in self.axes.items()},
                "moves": sum(axis.counts.moves for axis in self.axes.values()),
                "readings": self.meter.readings,
                "limit_violations": sum(
                    axis.counts.limit_violations for axis in self.axes.values()
                ),
                "smallest_gap_m": self.smallest_gap_m,
                "axis_counts": counts,
            }

    def _advance(self, now_s: float) -> None:
        if now_s == self._advanced_to_s:
            return
        self._advanced_to_s = now_s
        while (due_s := self._next_sample_s()) <= now_s:
            self._move(due_s)
            if self.meter.next_sample_s == due_s:
                self.meter.take(self._light_w(due_s))
            if self.delay_meter is not None and self.delay_meter.next_sample_s == due_s:
                self.delay_meter.take(self._modulation_w(due_s, self.delay_meter.frequency_hz))
            for instrument in self._instruments.values():
                instrument.advance(due_s)
        self._move(now_s)

    def _next_sample_s(self) -> float:
        """When the next meter samples the light; infinite when none does."""
        due_s = [self.meter.next_sample_s]
        if self.delay_meter is not None:
            due_s.append(self.delay_meter.next_sample_s)
        return min((due for due in due_s if due is not None), default=math.inf)

    def _move(self, time_s: float) -> None:
        for axis in self.axes.values():
            axis.advance(time_s)
        self.smallest_gap_m = min(self.smallest_gap_m, self._spacing_m())

    def _positions(self) -> dict[str, float]:
        return {name: axis.true_position for name, axis in self.axes.items()}

    def _spacing_m(self) -> float:
        return self.optics.spacing_m(self._positions())

    def _light_w(self, time_s: float) -> float:
        """Light on the meter. What the cell lets through is traced once per place."""
        if not (self.laser_on and self.shutter.on):
            return 0.0
        positions = self._positions()
        place = tuple(positions.values())
        if self._light is None or self._light[0] != place:
            self._light = (place, self.optics.fraction(positions))
        return self.optics.arriving_w(time_s - self._start_s) * self._light[1]

    def _modulation_w(self, time_s: float, frequency_hz: float) -> complex:
        """Modulation of the light on the meters, traced once per place and frequency."""
        if not (self.laser_on and self.shutter.on):
            return 0j
        positions = self._positions()
        place = (frequency_hz, *positions.values())
        if self._modulation is None or self._modulation[0] != place:
            self._modulation = (place, self.optics.modulation(positions, frequency_hz))
        return self.optics.arriving_w(time_s - self._start_s) * self._modulation[1]


def _six_pass(bench: SimulatedBench) -> None:
    """One focal length between the mirrors by the bench file, input axes at zero."""
    description = bench.description
    one_focal_length_m = 0.5 * description.entrance_mirror.radius_m
    positions = description.positions(description.zero.at_spacing(one_focal_length_m))
    for name, axis in bench.axes.items():
        axis.place(positions[name])


def _power_cycled(bench: SimulatedBench) -> None:
    """Six passes, and a controller that has just forgotten where it is."""
    _six_pass(bench)
    for axis in bench.axes.values():
        axis.power_cycle()


def _dark(bench: SimulatedBench) -> None:
    """Six passes, with the laser off."""
    _six_pass(bench)
    bench.laser_on = False


START_STATES: Mapping[str, Callable[[SimulatedBench], None]] = {
    "six-pass": _six_pass,
    "power-cycled": _power_cycled,
    "dark": _dark,
}
"""How a bench may be found at the start, by name."""


def _dialects(bench: SimulatedBench) -> dict[str, Dialect]:
    """Which instrument speaks what follows from who the axes, meter and shutter refer to."""
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
