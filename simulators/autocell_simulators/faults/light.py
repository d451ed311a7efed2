"""Faults of the light on its way: laser, thermal motion, fringes, mirrors and beam (rows 14 to 21,
37 and 38)."""

from __future__ import annotations

import copy
import dataclasses
import math
from typing import Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from autocell.optics.trace import trace
from autocell_simulators.faults.fault import (
    HOUR,
    MINUTE,
    MRAD,
    PERCENT,
    UM,
    URAD,
    BenchParts,
    Cue,
    Effect,
    Fault,
    NotNegative,
    Number,
    Percent,
    Positive,
    Rig,
    meanwhile,
)
from autocell_simulators.faults.temperature import Play, Term, cycle
from autocell_simulators.optics import MAX_PASSES
from autocell_simulators.truth import Truth

_DAY_S = 24.0 * 3600.0


class RoomTemperature(Fault):
    """The room cycles, and swings over the night. It moves nothing but what follows it."""

    name: ClassVar = "room-temperature"
    rows: ClassVar = (17,)
    cycle_k: NotNegative = 0.3
    """Of the air conditioning, peak to peak."""
    period_min: Positive = 20.0
    night_k: Number = -1.0
    """At the other end of a day's swing, twelve hours from the beginning."""
    away_k: Number = 0.0
    """How far everything is from the temperature of alignment at the beginning."""
    back_min: Positive = 120.0
    """Time constant of coming back from there."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From now on; the cycle begins at any of its phases."""
        phase = float(cue.random.uniform(0.0, 2.0 * math.pi))
        terms = [
            *cycle(cue.time_s, self.cycle_k, self.period_min * MINUTE, phase),
            *cycle(cue.time_s, self.night_k, _DAY_S, -0.5 * math.pi),
            Term(cue.time_s, self.away_k, -1.0 / (self.back_min * MINUTE), soaked=True),
        ]
        room = rig.whole.room
        for term in terms:
            room.add(term)

        def undo() -> None:
            for term in terms:
                room.remove(term)

        return Effect(undo=undo)


class SpacingExpansion(Fault):
    """The base grows with its temperature, which lags behind the room's."""

    name: ClassVar = "spacing-expansion"
    rows: ClassVar = (14,)
    um_per_k: Number = 8.0
    lag_min: NotNegative = 30.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Follow the room."""
        room, lag_s = rig.whole.room, self.lag_min * MINUTE

        def change(truth: Truth, time_s: float) -> Truth:
            longer_m = self.um_per_k * UM * room.at(time_s, lag_s)
            return _added(truth, {"spacing_offset_m": longer_m})

        return Effect(change, steady=False)


class MountTilt(Fault):
    """A mirror mount tilts with its temperature, and part of it does not return.

    The part that friction holds follows only when it is pushed further than ``held_k``.
    """

    name: ClassVar = "mount-tilt"
    rows: ClassVar = (15,)
    urad_per_k: Number = 10.0
    mirror: Literal["entrance", "far"] = "far"
    lag_min: NotNegative = 20.0
    held_percent: Percent = 40.0
    """The part that friction holds."""
    held_k: NotNegative = 0.2

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Follow the room, in a direction of its own."""
        room, lag_s = rig.whole.room, self.lag_min * MINUTE
        play = Play(self.held_k, cue.time_s)
        x, y = cue.direction()
        names = (f"{self.mirror}_tilt_x_rad", f"{self.mirror}_tilt_y_rad")

        def change(truth: Truth, time_s: float) -> Truth:
            held = self.held_percent * PERCENT
            free_k, held_k = room.at(time_s, lag_s), play.at(time_s, room, lag_s)
            tilt = self.urad_per_k * URAD * ((1.0 - held) * free_k + held * held_k)
            return _added(truth, dict(zip(names, (x * tilt, y * tilt), strict=True)))

        return Effect(change, steady=False)


class LaunchPointing(Fault):
    """The input beam points elsewhere with the temperature of its launch."""

    name: ClassVar = "launch-pointing"
    rows: ClassVar = (16,)
    urad_per_k: Number = 12.0
    lag_min: NotNegative = 5.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Follow the room, in a direction of its own."""
        room, lag_s = rig.whole.room, self.lag_min * MINUTE
        x, y = cue.direction()

        def change(truth: Truth, time_s: float) -> Truth:
            slope = self.urad_per_k * URAD * room.at(time_s, lag_s)
            return _added(
                truth, {"beam_slope_x_offset": x * slope, "beam_slope_y_offset": y * slope}
            )

        return Effect(change, steady=False)


class LaserDrift(Fault):
    """The laser's power drifts down and comes back: by this much at half its period."""

    name: ClassVar = "laser-drift"
    rows: ClassVar = (18,)
    percent: Percent = 2.0
    period_h: Positive = 4.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From the power of now."""
        period_s = self.period_h * HOUR

        def change(truth: Truth, time_s: float) -> Truth:
            turn = 2.0 * math.pi * (time_s - cue.time_s) / period_s
            drop = self.percent * PERCENT * 0.5 * (1.0 - math.cos(turn))
            return _times(truth, "gain", 1.0 - drop)

        return Effect(change, steady=False)


class WarmUp(Fault):
    """The laser has just been switched on: it comes up to its power."""

    name: ClassVar = "warm-up"
    rows: ClassVar = (18,)
    percent: Percent = 5.0
    """That it lacks at the beginning."""
    time_constant_min: Positive = 15.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """From a cold start now."""
        tau_s = self.time_constant_min * MINUTE

        def change(truth: Truth, time_s: float) -> Truth:
            lacks = self.percent * PERCENT * math.exp((cue.time_s - time_s) / tau_s)
            return _times(truth, "gain", 1.0 - lacks)

        return Effect(change, steady=False)


class ModeHop(Fault):
    """The laser jumps to another mode: its power steps up or down, and back when it ends."""

    name: ClassVar = "mode-hop"
    rows: ClassVar = (19,)
    piles_up: ClassVar = True
    percent: Percent = 4.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Up or down, by chance."""
        factor = 1.0 + cue.sign() * self.percent * PERCENT
        return Effect(lambda truth, time_s: _times(truth, "gain", factor))


class OpticalFeedback(Fault):
    """Light that leaves the cell back along the input beam disturbs the laser: more noise.

    The noise falls with the angle between both as the overlap of two beams of divergence
    ``divergence_mrad``: exp(−(angle/divergence)²).
    """

    name: ClassVar = "optical-feedback"
    rows: ClassVar = (20,)
    percent: Percent = 3.0
    """Extra noise of a reading, where the light goes straight back."""
    divergence_mrad: Positive = 10.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Have the meter ask how straight the light goes back, reading by reading."""
        bench = rig.whole
        trouble = bench.meter.trouble
        before = trouble.noise

        def noise() -> float:
            angle = angle_back_rad(bench) / (self.divergence_mrad * MRAD)
            return math.hypot(before(), self.percent * PERCENT * math.exp(-(angle**2)))

        return meanwhile([trouble], noise=noise)


class EtalonFringe(Fault):
    """Two parallel faces make fringes: one period for each λ/2 of spacing."""

    name: ClassVar = "etalon-fringe"
    rows: ClassVar = (21,)
    percent: Percent = 1.0
    """Peak to peak."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """At a phase of its own."""
        phase = float(cue.random.uniform(0.0, 2.0 * math.pi))
        size = self.percent * PERCENT
        return Effect(
            lambda truth, time_s: dataclasses.replace(truth, fringe=size, fringe_phase_rad=phase)
        )


class MirrorAstigmatism(Fault):
    """The radius of a mirror differs in x and y; its mean stays."""

    name: ClassVar = "mirror-astigmatism"
    rows: ClassVar = (37,)
    percent: float = Field(0.15, ge=-100.0, le=100.0)
    """(Ry − Rx)/mean, of both mirrors."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Other mirrors."""
        half = 0.5 * self.percent * PERCENT

        def change(truth: Truth, time_s: float) -> Truth:
            radii = {}
            for side in ("entrance", "far"):
                x_m, y_m = (getattr(truth, f"{side}_radius_{axis}_m") for axis in "xy")
                mean_m = 0.5 * (x_m + y_m)
                radii[f"{side}_radius_x_m"] = mean_m * (1.0 - half)
                radii[f"{side}_radius_y_m"] = mean_m * (1.0 + half)
            return _replaced(truth, radii)

        return Effect(change)


class BeamMismatch(Fault):
    """The beam is not the one that the cell wants: another waist, or not diffraction limited."""

    name: ClassVar = "beam-mismatch"
    rows: ClassVar = (38,)
    m_squared: float = Field(1.3, ge=1.0, allow_inf_nan=False)
    waist_factor: Positive = 1.5
    """By which the waist is larger than it was; less than one for smaller."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Another beam."""

        def change(truth: Truth, time_s: float) -> Truth:
            return dataclasses.replace(
                truth,
                beam_quality=self.m_squared,
                waist_x_m=truth.waist_x_m * self.waist_factor,
                waist_y_m=truth.waist_y_m * self.waist_factor,
            )

        return Effect(change)


def angle_back_rad(bench: BenchParts) -> float:
    """Between the light that leaves the entrance mirror and the way back along the input beam.

    Infinite when no light leaves there.
    """
    optics, positions = bench.optics(), bench.positions()
    cell, beam = optics.cell(positions), optics.beam(positions)
    passes = int(optics.exit(positions).passes)
    if cell.exit_mirror != "entrance" or not 0 < passes <= MAX_PASSES:
        return math.inf
    # the ray that arrives at the hole left the mirror before it; back means the same slopes
    ux, uy, uz = trace(cell, beam, passes).direction[passes - 1]
    return float(np.hypot(ux / uz - np.asarray(beam.slope_x), uy / uz - np.asarray(beam.slope_y)))


def _added(truth: Truth, amounts: dict[str, float]) -> Truth:
    return _replaced(truth, {name: getattr(truth, name) + by for name, by in amounts.items()})


def _times(truth: Truth, name: str, factor: float) -> Truth:
    return _replaced(truth, {name: getattr(truth, name) * factor})


def _replaced(truth: Truth, values: dict[str, Any]) -> Truth:
    """As ``dataclasses.replace``, but without its look at every field: light that drifts is
    asked for at every moment, and that look was most of what it took."""
    changed = copy.copy(truth)
    changed.__dict__.update(values)
    return changed
