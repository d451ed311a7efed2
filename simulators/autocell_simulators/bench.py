"""The simulated bench: true optics, axes and a meter behind the lines of its instruments.

It moves lazily: whenever somebody asks, it is advanced to the present of its clock, by way of
every moment at which a meter samples the light and a fault begins or ends.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

from autocell.bench.protocols import Clock
from autocell.description import BenchDescription
from autocell.errors import UsageError
from autocell_simulators.delay_meter import DelayTraits, SimulatedDelayMeter
from autocell_simulators.drives import Drive, made
from autocell_simulators.extras import Extra, ExtraName, extra
from autocell_simulators.faults.director import Director, Entry, Event
from autocell_simulators.faults.fault import BenchParts, Rig
from autocell_simulators.faults.scenario import Scenario, entry
from autocell_simulators.instruments import dialects, message_endings
from autocell_simulators.lines import Dialect, InstrumentLine, Line
from autocell_simulators.mechanics import AxisTraits, SimulatedAxis
from autocell_simulators.meter import MeterTraits, SimulatedMeter
from autocell_simulators.optics import TrueOptics, truth_report
from autocell_simulators.plain_motion import Output
from autocell_simulators.seeds import stream
from autocell_simulators.start_states import START_STATES
from autocell_simulators.truth import Truth, draw_truth, drawn
from autocell_simulators.wire import Direction, FaultyLine, Wire

_AHEAD_S = 1e-6
"""The bench is this much ahead of its clock: a sleep that rounding cut short is long enough."""
_WHILE_MOVING, _AT_REST = 0.1, 3.0
"""How often a thermal head is asked, in its time constants: light is taken as straight between."""


class SimulatedBench:
    """One bench, shared by all who hold its lines.

    ``truth`` may be a seed: then it is drawn within the bench file's tolerances. All noise
    follows from the seed of the truth. Faults can be begun on a bench that has a ``scenario``,
    be it empty; without one nothing ever goes wrong.

    Raises:
        UsageError: no such start state, an instrument that cannot be simulated, or a scenario
            that does not suit this bench.
    """

    __slots__ = (
        "_advanced_to_s",
        "_clock",
        "_director",
        "_gap_at",
        "_gap_m",
        "_instruments",
        "_light",
        "_lock",
        "_modulation",
        "_moment_s",
        "_optics",
        "_rig",
        "_start_s",
        "_violations_by_garbling",
        "axes",
        "delay_meter",
        "description",
        "extras",
        "laser_on",
        "lines",
        "meter",
        "shutter",
        "truth",
    )

    def __init__(
        self,
        description: BenchDescription,
        truth: Truth | int,
        clock: Clock,
        *,
        start: str | None = None,
        scenario: Scenario | None = None,
    ) -> None:
        happens = scenario or Scenario()
        start = start or happens.start or "six-pass"
        if start not in START_STATES:
            raise UsageError(f"no start state {start!r}; there are: {', '.join(START_STATES)}")
        happens.check_axes(description.axes)
        self._clock = clock
        self._lock = threading.RLock()
        self._start_s = self._advanced_to_s = self._moment_s = clock.now() + _AHEAD_S
        self._light: tuple[TrueOptics, tuple[float, ...], float] | None = None
        self._modulation: tuple[TrueOptics, tuple[float, ...], complex] | None = None
        self.description = description
        self.truth = truth if isinstance(truth, Truth) else draw_truth(description, truth)
        self._optics = TrueOptics(description, self.truth)
        self.axes = {
            name: SimulatedAxis(
                AxisTraits.of(axis, self.truth.backlash[name]),
                stream(self.truth.seed, f"axis {name}"),
                self._start_s,
                self._drive(name, happens),
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
        self._violations_by_garbling = 0
        self._gap_at: dict[str, float] = {}
        self._gap_m = float("inf")
        self.extras = {
            device: self._extra(name) for device, name in _beside(description, happens).items()
        }
        speak: dict[str, Dialect] = dialects(self)
        for name, beside in self.extras.items():
            speak[name] = beside.dialect
        self._instruments = {
            name: InstrumentLine(dialect, self.present) for name, dialect in speak.items()
        }
        wires = (
            {}
            if scenario is None
            else {name: Wire(message_endings(dialect)) for name, dialect in speak.items()}
        )
        self.lines: Mapping[str, Line] = {
            name: self._faulty(line, wires[name]) if name in wires else line
            for name, line in self._instruments.items()
        }
        self._rig = Rig(
            wires,
            BenchParts(
                description,
                self.axes,
                self.meter,
                optics=lambda: self.optics,
                positions=self._positions,
                light_w=lambda: self._light_w(self._moment_s),
                power_cycle=self._power_cycle,
            ),
        )
        happens.check(self._rig)
        seed = self.truth.seed if happens.seed is None else happens.seed
        self._director = Director(self._rig, seed, self._start_s)
        state = START_STATES[start]
        state.place(self)
        self._tell_director()
        self._director.add([*state.faults, *happens.entries], self._start_s)
        self._gap_at = self._positions()
        self._gap_m = self.optics.spacing_m(self._gap_at)

    @property
    def clock(self) -> Clock:
        """The clock by which everything here happens."""
        return self._clock

    @property
    def optics(self) -> TrueOptics:
        """Cell and beam as they are, faults included."""
        truth = self._director.changed(self.truth, self._moment_s)
        if truth is not self._optics.truth:
            self._optics = TrueOptics(self.description, truth, self._optics)
        return self._optics

    @property
    def addresses(self) -> dict[str, str]:
        """Of every device by name; those of the bench file have the addresses that it says."""
        described = self.description.devices
        return {
            name: described[name].address if name in described else f"simulated::{name}"
            for name in self._instruments
        }

    @property
    def rig(self) -> Rig:
        """What faults act on."""
        return self._rig

    @property
    def events(self) -> Sequence[Event]:
        """Which faults have begun and ended by now."""
        with self.present():
            return list(self._director.events)

    def begin(self, *faults: Mapping[str, Any] | Entry) -> None:
        """Have these faults from now on, each as an entry of a scenario file.

        Raises UsageError for one that is not right, or does not suit this bench.
        """
        entries = [fault if isinstance(fault, Entry) else entry(fault) for fault in faults]
        Scenario(entries=entries).check(self._rig)
        with self.present() as now_s:
            self._director.add(entries, now_s)
        for wire in self._rig.wires.values():  # whoever waits on a line may have to wake earlier
            wire.on_port()

    def end(self, fault: str) -> int:
        """End all faults of this name, and begin none of them again; how many there were."""
        with self.present() as now_s:
            return self._director.end(fault, now_s)

    @property
    def smallest_gap_m(self) -> float:
        """The least spacing of the mirrors since it was made. It is looked at when an axis has
        moved, when light is read, and now."""
        self._note_gap(self.optics, self._positions())
        return self._gap_m

    @property
    def start_s(self) -> float:
        """When it was made, by its clock."""
        return self._start_s

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
        """What is true at present (see :func:`optics.truth_report`), and what happened so far.

        ``drawn`` is what the seed drew, ``changed`` what faults have made of some of it.
        """
        with self.present() as now_s:
            report = truth_report(self.optics, self._positions())
            counts = {name: dataclasses.asdict(axis.counts) for name, axis in self.axes.items()}
            drawn_first = drawn(self.truth)
            return report | {
                "drawn": drawn_first,
                "changed": {
                    name: value
                    for name, value in drawn(self.optics.truth).items()
                    if value != drawn_first[name]
                },
                "time_s": now_s - self._start_s,
                "seed": self.truth.seed,
                "laser_on": self.laser_on,
                "shutter_open": self.shutter.on,
                "counters": {name: axis.counter for name, axis in self.axes.items()},
                "moves": sum(axis.counts.moves for axis in self.axes.values()),
                "readings": self.meter.readings,
                "limit_violations": self._violations() - self._violations_by_garbling,
                "limit_violations_by_garbling": self._violations_by_garbling,
                "smallest_gap_m": self.smallest_gap_m,
                "axis_counts": counts,
                "room_k": self._rig.whole.room.at(now_s),
                "clock_ahead_s": self._rig.whole.clock_ahead_s,
                "events": [dataclasses.asdict(event) for event in self._director.events],
            }

    def _advance(self, now_s: float) -> None:
        if now_s == self._advanced_to_s:
            return
        self._advanced_to_s = now_s
        self._soak()  # what was switched since, was switched then
        while (moment_s := self._next_moment_s()) <= now_s:
            self._move(moment_s)
            self._director.advance(moment_s)
            self._soak()
            if self.meter.next_sample_s == moment_s:
                self.meter.take(self._light_w(moment_s))
            if self.delay_meter is not None and self.delay_meter.next_sample_s == moment_s:
                self.delay_meter.take(self._modulation_w(moment_s, self.delay_meter.frequency_hz))
            for beside in self.extras.values():
                if beside.device.next_sample_s == moment_s:
                    beside.device.take(beside.sees(moment_s))
            for instrument in self._instruments.values():
                instrument.advance(moment_s)
        self._move(now_s)
        self._soak()

    def _next_moment_s(self) -> float:
        """When a meter samples the light, a fault begins or ends, or a thermal head is asked."""
        due_s = [self.meter.next_sample_s, self._director.next_s]
        if self.delay_meter is not None:
            due_s.append(self.delay_meter.next_sample_s)
        due_s += [beside.device.next_sample_s for beside in self.extras.values()]
        if self.meter.head is not None:
            moving = any(axis.in_motion for axis in self.axes.values())
            part = _WHILE_MOVING if moving else _AT_REST
            due_s.append(self._moment_s + part * self.meter.head.time_constant_s)
        return min(due for due in due_s if due is not None)

    def _soak(self) -> None:
        """A thermal head sees the light of every moment, whether it is read or not."""
        if self.meter.head is not None:
            self.meter.head.soak(self._light_w(self._moment_s), self._moment_s)

    def _move(self, time_s: float) -> None:
        self._moment_s = time_s
        for axis in self.axes.values():
            axis.advance(time_s)
        positions = self._positions()
        if positions != self._gap_at:  # else faults alone move the mirrors: see smallest_gap_m
            self._gap_at = positions
            self._note_gap(self.optics, positions)

    def _note_gap(self, optics: TrueOptics, positions: Mapping[str, float]) -> None:
        self._gap_m = min(self._gap_m, optics.spacing_m(positions))

    def _positions(self) -> dict[str, float]:
        return {name: axis.true_position for name, axis in self.axes.items()}

    def _light_w(self, time_s: float) -> float:
        """Light on the meter. What the cell lets through is traced once per place."""
        optics, positions = self.optics, self._positions()
        self._note_gap(optics, positions)
        if not (self.laser_on and self.shutter.on):
            return 0.0
        place = tuple(positions.values())
        if self._light is None or self._light[0] is not optics or self._light[1] != place:
            self._light = (optics, place, optics.fraction(positions))
        return optics.arriving_w(time_s - self._start_s) * self._light[2]

    def _modulation_w(self, time_s: float, frequency_hz: float) -> complex:
        """Modulation of the light on the meters, traced once per place and frequency."""
        if not (self.laser_on and self.shutter.on):
            return 0j
        optics, positions = self.optics, self._positions()
        place = (frequency_hz, *positions.values())
        seen = self._modulation
        if seen is None or seen[0] is not optics or seen[1] != place:
            seen = (optics, place, optics.modulation(positions, frequency_hz))
            self._modulation = seen
        return optics.arriving_w(time_s - self._start_s) * seen[2]

    def _drive(self, name: str, scenario: Scenario) -> Drive | None:
        """The drive of an axis; None is that of every bench file."""
        if name not in scenario.axes:
            return None
        section, axis = scenario.axes[name], self.description.axes[name]
        return made(
            section.drive,
            self.truth.backlash[name],
            step=section.step_um * 1e-6 if axis.unit == "mm" else section.step_urad * 1e-6,
            settling_s=section.settling_ms * 1e-3,
            ends=(axis.low, axis.high),
            random=stream(self.truth.seed, f"drive {name}"),
        )

    def _extra(self, name: ExtraName) -> Extra:
        return extra(
            name,
            self.description,
            self.truth,
            lambda time_s: self.optics.arriving_w(time_s - self._start_s) * self.laser_on,
            lambda time_s, lag_s: self._rig.whole.room.at(time_s, lag_s),
        )

    def _faulty(self, line: InstrumentLine, wire: Wire) -> Line:
        return FaultyLine(line, wire, self.present, lambda: self._director.next_s, self._garbled)

    @contextmanager
    def _garbled(self) -> Iterator[None]:
        """What is asked for meanwhile, nobody has asked for: bits were flipped on the way."""
        before = self._violations()
        yield
        self._violations_by_garbling += self._violations() - before

    def _violations(self) -> int:
        return sum(axis.counts.limit_violations for axis in self.axes.values())

    def _power_cycle(self, device: str) -> None:
        for name, axis in self.description.axes.items():
            if axis.device == device:
                self.axes[name].power_cycle()
        described = self.description
        if described.meter.device == device:
            self.meter.reset()
        delay = described.delay_meter
        if self.delay_meter is not None and delay is not None and delay.device == device:
            self.delay_meter.reset()
        self._instruments[device].hang_up()

    def _tell_director(self) -> None:
        """Have it told of moves, readings and messages."""
        for name, axis in self.axes.items():
            axis.on_move = partial(self._moved, name)
        self.meter.on_reading = partial(
            self._director.count, "reading", self.description.meter.device
        )
        for name, wire in self._rig.wires.items():
            wire.on_message = partial(self._passed, name)

    def _moved(self, name: str, axis: SimulatedAxis) -> None:
        self._director.count("move", name, self._moment_s, axis.ends_s)

    def _passed(self, device: str, direction: Direction) -> None:
        self._director.count(direction, device, self._moment_s)


def _beside(description: BenchDescription, happens: Scenario) -> dict[str, ExtraName]:
    """What stands on the bench beside the instruments at its exit, by the name of its device."""
    beside: dict[str, ExtraName] = {name: name for name in happens.instruments}
    if description.reference_meter is not None:
        beside[description.reference_meter.device] = "reference-meter"
    if description.thermometer is not None:
        beside[description.thermometer.device] = "thermometer"
    return beside
