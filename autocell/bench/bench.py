"""The bench as procedures see it: settings in, readings out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager

from autocell.bench.budget import Usage
from autocell.bench.guard import Guard
from autocell.bench.metering import Metering, Power
from autocell.bench.motion import Motion
from autocell.bench.open_loop import OpenLoopAxes
from autocell.bench.phasing import Phasing
from autocell.bench.plan import PlannedMove, trade
from autocell.bench.protocols import (
    Axis,
    Clock,
    DelayMeter,
    Journal,
    PowerMeter,
    Shutter,
    Thermometer,
    Troubles,
)
from autocell.bench.step_counting import StepState
from autocell.bench.trust import Trust
from autocell.description import BenchDescription, Caps
from autocell.errors import DeviceError, MotionError, ReadingError, UsageError
from autocell.reading import PhaseReading, Reading
from autocell.setting import Setting

_MOST_SAMPLES = 25
"""Of one averaged reading."""

_OF_REFERENCE = 0.001
"""Relative standard uncertainty asked of a reading of the laser: other powers are divided by it."""


class Bench:
    """Axes, meter and shutter of one bench behind one guard.

    Made by :func:`autocell.bench.opening.open_bench`. All times are bench time since then.
    ``identities`` are what the devices call themselves; ``notes`` all that opening told, and
    ``findings`` those of them that were not to be expected, such as an axis still moving.
    """

    def __init__(
        self,
        description: BenchDescription,
        axes: Mapping[str, Axis],
        meter: PowerMeter,
        shutter: Shutter | None,
        clock: Clock,
        journal: Journal,
        identities: Mapping[str, str],
        notes: Sequence[str] = (),
        delay_meter: DelayMeter | None = None,
        reference_meter: PowerMeter | None = None,
        thermometer: Thermometer | None = None,
        troubles: Callable[[], Troubles] = Troubles,
    ) -> None:
        self.description = description
        self.clock = clock
        self.identities = dict(identities)
        self.notes = list(notes)
        self._journal = journal
        self._guard = Guard(description, axes, clock, journal)
        self._motion = Motion(description, self._guard, clock)
        self._metering = Metering(
            description.meter,
            meter,
            shutter,
            clock,
            self._guard.check_reading,
            lambda text: journal.event(self.time_s, "metering", text),
        )
        self._phasing: Phasing | None = None
        if delay_meter is not None and description.delay_meter is not None:
            self._phasing = Phasing(
                description.delay_meter,
                delay_meter,
                clock,
                self._guard.check_reading,
                lambda text: journal.event(self.time_s, "phasing", text),
            )
        self._reference: Metering | None = None
        if reference_meter is not None and description.reference_meter is not None:
            self._reference = Metering(
                description.reference_meter,
                reference_meter,
                None,
                clock,
                self._guard.check_reading,
                lambda text: journal.event(self.time_s, "reference", text),
            )
        self._thermometer = thermometer
        self._line_troubles = troubles
        self.findings = self._guard.look_around()
        self.home_setting = self._way_home({})
        self.notes += self.findings
        for finding in self.findings:
            journal.event(self.time_s, "found", finding)

    @property
    def time_s(self) -> float:
        """Bench time since the run began."""
        return self._guard.time_s

    @property
    def usage(self) -> Usage:
        """What the run has used so far."""
        return self._guard.usage

    @property
    def travelled(self) -> dict[str, float]:
        """How far each axis has gone in this run, all legs together, m or rad."""
        return dict(self._guard.budget.travelled)

    @property
    def troubles(self) -> Troubles:
        """What had to be asked or measured again so far, and what went wrong on the lines."""
        again = sum(meter.thrown_away for meter in self._meters)
        return self._line_troubles() + Troubles(retries=again)

    @property
    def _meters(self) -> list[Metering]:
        return [meter for meter in (self._metering, self._reference) if meter is not None]

    @property
    def meter_findings(self) -> list[str]:
        """What the readings so far have shown of the meters that their bench file should say
        otherwise, in words."""
        return [finding for meter in self._meters for finding in meter.findings]

    @property
    def dark(self) -> Power | None:
        """The dark level, once it was measured."""
        return self._metering.dark

    @property
    def setting(self) -> Setting:
        """The nominal setting that the axes read back now."""
        return self.description.setting(self.positions())

    def positions(self) -> dict[str, float]:
        """Where every axis reads, m or rad. Raises MotionError when one has lost its position."""
        return self._guard.positions()

    def last_positions(self) -> dict[str, float]:
        """Where every axis read when it was last asked, m or rad, believed or not; asks nobody."""
        trust = self._guard.trust
        return {name: trust.last_seen(name) for name in self.description.axes}

    def trust(self) -> dict[str, Trust]:
        """How far the position of every axis is believed."""
        return {name: self._guard.trust.trust(name) for name in self.description.axes}

    def lost(self) -> dict[str, str]:
        """Axes whose position is lost, each with a sentence: what made it so, and its cure."""
        lost = (name for name, trust in self.trust().items() if trust is Trust.LOST)
        return {name: self._guard.trust.lost_in_words(name) for name in lost}

    def refuse_lost_axes(self) -> None:
        """Raises MotionError when a position is lost: moves and readings there mean nothing."""
        if lost := self.lost():
            raise MotionError("; ".join(lost.values()))

    def estimated(self) -> dict[str, str]:
        """Axes whose position is estimated, and what made it so."""
        estimated = (name for name, trust in self.trust().items() if trust is Trust.ESTIMATED)
        return {name: self._guard.trust.why(name) for name in estimated}

    def restore_trust(self, axis: str, cause: str) -> None:
        """Believe an axis again, because it was homed or the light says so; written down."""
        self._guard.restore_trust(axis, cause)

    def doubt(self, axis: str, trust: Trust, why: str) -> None:
        """Believe an axis less, because the journal or the light says so; written down."""
        self._guard.doubt(axis, trust, why)

    def vouch_for(self, axes: Iterable[str]) -> None:
        """Take it from an earlier run that these axes go the right way and as far as asked, so that
        they need no first move. Those whose position is lost are not believed that."""
        for axis in axes:
            self._guard.trust.found_right(axis)

    def tried(self) -> dict[str, bool]:
        """Of every axis, whether a move has shown that it goes the right way and far enough."""
        return {name: self._guard.trust.tried(name) for name in self.description.axes}

    @property
    def open_loop(self) -> OpenLoopAxes:
        """The axes that count their steps and see nothing."""
        return self._guard.open_loop

    def recall_steps(self, known: Mapping[str, StepState]) -> None:
        """Go on from what an earlier run believed of open-loop axes; where they then stand is
        where undoing ends."""
        self.open_loop.recall(known)
        if known:
            self.make_home({})

    def tells_reference(self, axis: str) -> bool:
        """Whether the controller of this axis would say that it has lost its position."""
        return self._guard.tells_reference(axis)

    def plan(self, setting: Setting) -> list[PlannedMove]:
        """The moves that :meth:`move_to` would make; reads positions, moves nothing.

        Raises UsageError when the axes cannot give this setting, LimitError when they may not.
        """
        targets = self.description.positions(setting)
        self._check_return(targets)
        return self._motion.plan(targets)

    def expected_s(self, setting: Setting) -> float:
        """How long :meth:`move_to` would take from where the axes were last seen; it asks nothing
        of them. Raises as :meth:`plan` does."""
        return self._motion.expected_s(self.description.positions(setting))

    def move_to(self, setting: Setting, purpose: str) -> Setting:
        """Bring every axis to its place for ``setting``; the nominal setting then read back.

        All axes start at once: only the spacing axis changes the gap between the mirrors, and its
        whole way is admitted before anything is sent. Raises UsageError, LimitError, BudgetError
        or Stopped before anything moved, MotionError or another DeviceError after the axes were
        stopped.
        """
        return self.move_axes(self.description.positions(setting), purpose)

    def move_axes(self, targets: Mapping[str, float], purpose: str) -> Setting:
        """Bring some axes to positions (m or rad); raises as :meth:`move_to` does."""
        self._check_return(targets)
        self._motion.move(targets, purpose)
        return self.setting

    def move_straight(self, axis: str, target: float, purpose: str) -> float:
        """Bring one axis to a position (m or rad) from whichever side it stands, with what a
        reversal loses left in: to measure that, and for nothing else. Where it then reads, m or
        rad; raises as :meth:`move_to` does."""
        self._motion.move({axis: target}, purpose, straight=True)
        return self.positions()[axis]

    def read_power(
        self, purpose: str, relative_uncertainty: float = 0.003, max_samples: int = _MOST_SAMPLES
    ) -> Reading:
        """One averaged reading here, dark level subtracted, written to the journal.

        The dark level is measured first if it never was. Raises Stopped, BudgetError,
        ReadingError or DeviceError; MotionError when an axis turns out to have moved meanwhile.
        """
        if self.dark is None:
            self.measure_dark()
        self._guard.admit_reading()
        self._settle()
        power = self._metering.read(relative_uncertainty, max_samples)
        reading = Reading(
            self.setting,
            power.power_w,
            power.uncertainty_w,
            power.samples,
            self.time_s,
            tuple(self.open_loop.u.items()),
        )
        self._guard.budget.readings += 1
        self._journal.reading(reading, purpose)
        return reading

    def measure_dark(self) -> Power:
        """Measure the dark level behind the shutter and keep it for later readings."""
        self._guard.admit_reading()
        self._settle()
        dark = self._metering.measure_dark()
        self._guard.budget.readings += 1
        self._journal.event(
            self.time_s,
            "dark",
            f"dark level {dark.power_w * 1e6:.4g} µW, standard uncertainty "
            f"{dark.uncertainty_w * 1e6:.2g} µW, {dark.samples} samples",
        )
        return dark

    def read_reference(self, purpose: str) -> Power | None:
        """What the reference meter sees of the laser, written to the journal; None on a bench
        without one. It counts as a reading. Raises as :meth:`read_power` does."""
        if self._reference is None:
            return None
        self._guard.admit_reading()
        power = self._reference.read(_OF_REFERENCE, _MOST_SAMPLES)
        self._guard.budget.readings += 1
        self._journal.event(
            self.time_s,
            "reference",
            f"{power.power_w * 1e6:.5g} µW, standard uncertainty {power.uncertainty_w * 1e6:.2g} "
            f"µW, {power.samples} samples: {purpose}",
        )
        return power

    def read_temperature_c(self, purpose: str) -> float | None:
        """What the thermometer reads, °C, written to the journal; None on a bench without one, or
        when it has no value. Raises DeviceError when it fails."""
        if self._thermometer is None:
            return None
        self._guard.check_reading()
        value = self._thermometer.read()
        self._journal.event(self.time_s, "temperature", f"{value:.2f} °C: {purpose}")
        return value if math.isfinite(value) else None

    def read_phase(self, purpose: str) -> PhaseReading:
        """One averaged phase of the modulated light here, written to the journal.

        It counts as a reading. Raises UsageError on a bench without a delay meter; else as
        :meth:`read_power` does.
        """
        if self._phasing is None:
            raise UsageError(
                f"{self.description.path}: the bench has no delay_meter, so it has no phase to read"
            )
        self._guard.admit_reading()
        self._settle()
        try:
            phase = self._phasing.read()
        except (ReadingError, DeviceError) as error:
            self._journal.event(self.time_s, "phase", f"none: {purpose}: {error}")
            raise
        reading = PhaseReading(
            self.setting, phase.phase_rad, phase.uncertainty_rad, phase.samples, self.time_s
        )
        self._guard.budget.readings += 1
        self._journal.event(
            self.time_s,
            "phase",
            f"{reading.phase_rad:.4f} rad, standard uncertainty {reading.uncertainty_rad:.4f} rad, "
            f"{reading.samples} samples: {purpose}",
        )
        return reading

    def allowance(self, caps: Caps) -> AbstractContextManager[None]:
        """Within this, moves and readings may use no more than these caps, and no more than is
        left of those of the run."""
        return self._guard.budget.allowance(caps, self.time_s)

    def reserve(self) -> AbstractContextManager[None]:
        """Within this, a small allowance beyond the caps: for the way back, and a reading there."""
        return self._guard.budget.reserve()

    def return_home(self, purpose: str = "back to the start") -> Setting:
        """Move back to :attr:`home_setting`, on the reserve if the caps are used up."""
        with self.reserve():
            return self.move_to(self.home_setting, purpose)

    def make_home(self, positions: Mapping[str, float]) -> None:
        """Let undoing end at these positions (m or rad), and for axes that are not among them
        where they stand; or at the nearest that may be approached."""
        self.home_setting = self._way_home(positions)

    def stop(self) -> dict[str, Exception]:
        """Stop every axis now; nothing moves until :meth:`clear_stop`. Never raises: the errors
        of axes that did not confirm come back by name, and are in the journal."""
        return self._guard.halting.stop_all()

    def halt(self) -> dict[str, Exception]:
        """Tell every axis to stop, and let moves follow: for a procedure that goes on once an
        instrument that failed answers again. Raises Stopped, as soon as a stop is asked for, and
        nothing else; the errors of axes that did not confirm, or are not at rest, come back by
        name."""
        return self._guard.halt_all()

    def check_references(self) -> None:
        """Raises MotionError when a controller says that it has lost the position of an axis, or
        another DeviceError when it does not answer."""
        self._guard.check_references()

    def stop_begun(self, within_s: float) -> bool:
        """Wait, in another thread than the one that moves, until that one has begun to stop."""
        return self._guard.halting.stop_begun(within_s)

    def stop_told(self, within_s: float) -> dict[str, Exception] | None:
        """Wait, in another thread than the one that moves, until every axis was told to stop; what
        :meth:`stop` returned, or None when that has not happened ``within_s``."""
        return self._guard.halting.stop_told(within_s)

    def request_stop(self) -> None:
        """Ask for a stop from another thread: whoever moves or reads stops the axes and raises
        Stopped within a quarter of a second."""
        self._guard.halting.request_stop()

    def raise_if_stopped(self) -> None:
        """Raises Stopped after a stop was asked for: for whoever neither moves nor reads."""
        self._guard.halting.raise_if_stopped()

    def clear_stop(self) -> None:
        """Allow moves again after a stop, on somebody's explicit word."""
        self._guard.halting.clear_stop()

    def _check_return(self, targets: Mapping[str, float]) -> None:
        if self.open_loop.names:
            self.open_loop.check_return(targets, self.description.positions(self.home_setting))

    def _settle(self) -> None:
        self.clock.sleep(self._metering.settle_s - (self.time_s - self._guard.at_rest_since_s))

    def _way_home(self, start: Mapping[str, float]) -> Setting:
        """Where undoing ends: the start, or the nearest that can be approached without leaving
        the limits."""
        positions = {**self.positions(), **start}
        for name, axis in self.description.axes.items():
            low, high = axis.reach
            if name == "spacing":
                zero_m = self.description.spacing_at_zero_m
                low = max(low, self.description.lowest_spacing_m - zero_m)
            nearest = min(max(positions[name], low), high)
            if nearest != positions[name]:
                self.findings.append(
                    f"{name} starts at {trade(axis, positions[name])}, where it cannot be "
                    f"approached from above within its limits; undoing ends at "
                    f"{trade(axis, nearest)}"
                )
                positions[name] = nearest
        return self.description.setting(positions)
