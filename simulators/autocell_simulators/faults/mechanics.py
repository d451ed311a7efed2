"""Faults of the axes and of what they carry (rows 1 to 13)."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from typing import ClassVar, Literal

from pydantic import Field

from autocell_simulators.drives import ClosedLoop, Creep, PiezoInertia, Servo, Stepper
from autocell_simulators.ends import Side, Switch
from autocell_simulators.faults.fault import (
    MINUTE,
    PERCENT,
    UM,
    URAD,
    AxisFault,
    Count,
    Cue,
    Effect,
    Fault,
    NotNegative,
    Number,
    Percent,
    Positive,
    Rig,
    Word,
    all_of,
    device_objections,
    meanwhile,
    replaced,
)
from autocell_simulators.mechanics import SimulatedAxis
from autocell_simulators.truth import Truth


class PiezoFault(AxisFault):
    """A fault of open-loop piezo inertia drives."""

    def can_have(self, axis: SimulatedAxis) -> bool:
        """Only drives that take steps without seeing what comes of them."""
        return isinstance(axis.drive, PiezoInertia)

    def able(self) -> str:
        """In words."""
        return "a piezo-inertia axis"

    def drives(self, rig: Rig) -> list[PiezoInertia]:
        """The drives that it concerns."""
        drives = (axis.drive for axis in self.chosen(rig))
        return [drive for drive in drives if isinstance(drive, PiezoInertia)]


class StepAsymmetry(PiezoFault):
    """Steps backward are smaller than steps forward: n forward and n back do not return."""

    name: ClassVar = "step-asymmetry"
    rows: ClassVar = (1,)
    percent: float = Field(20.0, ge=0.0, lt=100.0)

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Scale the steps backward."""
        return _scaled(self.drives(rig), "backward", 1.0 - self.percent * PERCENT)


class StepSize(PiezoFault):
    """Steps change their size with load or temperature."""

    name: ClassVar = "step-size"
    rows: ClassVar = (2,)
    percent: float = Field(10.0, gt=-100.0, allow_inf_nan=False)
    """More than before; negative for less."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Scale every step."""
        return _scaled(self.drives(rig), "size", 1.0 + self.percent * PERCENT)


class StepScatter(PiezoFault):
    """Each step differs from the last: n of them scatter √n times as much as one."""

    name: ClassVar = "step-scatter"
    rows: ClassVar = (3,)
    percent: Percent = 5.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Have the steps scatter."""
        return meanwhile(self.drives(rig), scatter=self.percent * PERCENT)


class DeadSteps(PiezoFault):
    """The first steps after a reversal move nothing."""

    name: ClassVar = "dead-steps"
    rows: ClassVar = (4,)
    steps: Count = 10

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From the next reversal on."""
        return meanwhile(self.drives(rig), dead_steps=float(self.steps))


class Backlash(AxisFault):
    """Lost motion in gear and screw, which the motor's encoder does not see."""

    name: ClassVar = "backlash"
    rows: ClassVar = (5,)
    um: NotNegative = 6.0
    """Of axes in mm."""
    urad: NotNegative = 150.0
    """Of axes in mrad."""

    def can_have(self, axis: SimulatedAxis) -> bool:
        """Screws have it; what is measured at the load has not."""
        return isinstance(axis.drive, Servo) and not isinstance(axis.drive, ClosedLoop)

    def able(self) -> str:
        """In words."""
        return "a servo or a stepper axis"

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Widen (or narrow) the play."""
        play = {name: self._of(rig, name) for name in self.names(rig)}
        undo = [
            replaced(drive, backlash=play[name])
            for name in play
            if isinstance(drive := rig.whole.axes[name].drive, Servo)
        ]

        def change(truth: Truth, time_s: float) -> Truth:
            return dataclasses.replace(truth, backlash={**truth.backlash, **play})

        return Effect(change, undo=all_of(undo))

    def _of(self, rig: Rig, name: str) -> float:
        linear = rig.whole.description.axes[name].unit == "mm"
        return self.um * UM if linear else self.urad * URAD


class Coupling(Fault):
    """An input axis moves the beam across as well, as the other axis of its kind would."""

    name: ClassVar = "coupling"
    rows: ClassVar = (6,)
    percent: Number = 3.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Set every coupling to this size, the sign as it was."""

        def change(truth: Truth, time_s: float) -> Truth:
            coupling = {
                name: {
                    other: self.percent * PERCENT * (1.0 if share >= 0.0 else -1.0)
                    for other, share in shares.items()
                }
                for name, shares in truth.axis_coupling.items()
            }
            return dataclasses.replace(truth, axis_coupling=coupling)

        return Effect(change)


class MountCreep(AxisFault):
    """A mount goes on moving after a move, ever slower."""

    name: ClassVar = "creep"
    rows: ClassVar = (7,)
    urad: NotNegative = 12.0
    """Of axes in mrad, after a move of ``full_after_urad`` or more; in its direction."""
    um: NotNegative = 0.5
    """Of axes in mm, after a move of ``full_after_um`` or more."""
    time_constant_min: Positive = 15.0
    full_after_urad: Positive = 500.0
    full_after_um: Positive = 100.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From the next move on."""
        undo = []
        for name in self.names(rig):
            linear = rig.whole.description.axes[name].unit == "mm"
            size = self.um * UM if linear else self.urad * URAD
            full = self.full_after_um * UM if linear else self.full_after_urad * URAD
            creep = Creep(size, full, self.time_constant_min * MINUTE)
            undo.append(replaced(rig.whole.axes[name], creep=creep))
        return Effect(undo=all_of(undo))


class Stick(AxisFault):
    """An actuator sticks now and then: the counter moves and nothing else does.

    With ``move`` or ``per_move`` from the beginning of that move, otherwise in the next one. A
    screw frees itself in the move after that and catches up.
    """

    name: ClassVar = "stick"
    rows: ClassVar = (8,)
    usual: ClassVar = {"per_move": 0.05}
    lasts: ClassVar = False
    part: ClassVar = 0.0

    def begin(self, rig: Rig, cue: Cue) -> None:
        """Hold the load until the move has ended."""
        for axis in _concerned(self, rig, cue):
            axis.stick()


class RunAway(AxisFault):
    """A move does not end where it was sent but runs to the end of the travel."""

    name: ClassVar = "runaway"
    rows: ClassVar = (9,)
    usual: ClassVar = {"move": 1}
    lasts: ClassVar = False
    obeys_stop: bool = False

    def begin(self, rig: Rig, cue: Cue) -> None:
        """Let the motor run on."""
        for axis in _concerned(self, rig, cue):
            axis.run_away(obeys_stop=self.obeys_stop)


class MissedStop(AxisFault):
    """Stop commands are answered and not obeyed: the move goes on to its target."""

    name: ClassVar = "missed-stop"
    rows: ClassVar = (9,)

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Ignore every stop meanwhile."""
        return meanwhile(self.chosen(rig), obeys_stop=False)


class MissedSteps(AxisFault):
    """The motor misses steps that the controller counts; homing finds it."""

    name: ClassVar = "missed-steps"
    rows: ClassVar = (10,)
    usual: ClassVar = {"move": 1}
    lasts: ClassVar = False
    steps: Count = 100

    def can_have(self, axis: SimulatedAxis) -> bool:
        """Only motors that nobody watches."""
        return isinstance(axis.drive, Stepper)

    def able(self) -> str:
        """In words."""
        return "a stepper axis"

    def begin(self, rig: Rig, cue: Cue) -> None:
        """Miss the next steps."""
        for axis in _concerned(self, rig, cue):
            if isinstance(axis.drive, Stepper):
                axis.miss_steps(self.steps * axis.drive.step)


class PowerCycle(Fault):
    """A device loses power and comes back: it forgets where it is, or how it was set."""

    name: ClassVar = "power-cycle"
    rows: ClassVar = (11,)
    lasts: ClassVar = False
    device: Word | None = None
    """Without it every controller of axes."""

    def begin(self, rig: Rig, cue: Cue) -> None:
        """Off and on."""
        axes = rig.whole.description.axes.values()
        for device in [self.device] if self.device else dict.fromkeys(a.device for a in axes):
            rig.whole.power_cycle(device)

    def objections(self, rig: Rig) -> Iterator[tuple[str, str]]:
        """A device that does not exist."""
        return device_objections(self.device, rig.whole.description.devices)


class LimitSwitch(AxisFault):
    """A limit switch says closed all the time, or never."""

    name: ClassVar = "limit-switch"
    rows: ClassVar = (12,)
    side: Side = "high"
    stuck: Literal["closed", "open"] = "closed"

    def can_have(self, axis: SimulatedAxis) -> bool:
        """Only axes with switches."""
        return axis.drive.has_switches

    def able(self) -> str:
        """In words."""
        return "an axis with limit switches"

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """The switch fails."""
        axes, side = self.chosen(rig), self.side
        before: list[Switch] = [axis.ends.switches[side] for axis in axes]
        for axis in axes:
            axis.ends.switches[side] = self.stuck

        def undo() -> None:
            for axis, state in zip(axes, before, strict=True):
                axis.ends.switches[side] = state

        return Effect(undo=undo)


class StageErrors(Fault):
    """The stage yaws, pitches and leaves its straight line along the travel."""

    name: ClassVar = "stage-errors"
    rows: ClassVar = (13,)
    yaw_urad: Number = 60.0
    """Between the ends of the travel."""
    pitch_urad: Number = 60.0
    straightness_um: NotNegative = 4.0
    """Excursion in x and in y, peak to peak."""
    sine: float = Field(0.3, ge=0.0, le=1.0)
    """The part of the angles that is one period of a sine instead of a line."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Another stage."""
        line, half = 1.0 - self.sine, 0.5 * self.sine

        def change(truth: Truth, time_s: float) -> Truth:
            return dataclasses.replace(
                truth,
                stage_yaw_line_rad=self.yaw_urad * URAD * line,
                stage_yaw_sine_rad=self.yaw_urad * URAD * half,
                stage_pitch_line_rad=self.pitch_urad * URAD * line,
                stage_pitch_sine_rad=self.pitch_urad * URAD * half,
                straightness_x_m=self.straightness_um * UM,
                straightness_y_m=self.straightness_um * UM,
            )

        return Effect(change)


def _concerned(fault: AxisFault, rig: Rig, cue: Cue) -> list[SimulatedAxis]:
    """The axis whose move set it off; else those that move, or all that it is for if none does."""
    mover = rig.whole.axes.get(cue.who or "")
    if mover is not None:
        return [mover] if fault.can_have(mover) else []
    chosen = fault.chosen(rig)
    return [axis for axis in chosen if axis.in_motion] or chosen


def _scaled(parts: Iterable[object], name: str, factor: float) -> Effect:
    def undo() -> None:
        for part in parts:
            setattr(part, name, getattr(part, name) / factor)

    parts = list(parts)
    for part in parts:
        setattr(part, name, getattr(part, name) * factor)
    return Effect(undo=undo)
