"""Faults that come from around the cell: dirt, water, knocks, and light on a wrong path
(rows 29 to 34)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from autocell.optics.trace import Exit, exit_power, trace
from autocell_simulators.faults.fault import (
    MINUTE,
    MM,
    PERCENT,
    URAD,
    BenchParts,
    Count,
    Cue,
    Effect,
    Fault,
    NotNegative,
    Number,
    Percent,
    Positive,
    Rig,
)
from autocell_simulators.optics import MAX_PASSES
from autocell_simulators.truth import Dust, Truth

MONTH_S = 30.0 * 24.0 * 3600.0
_SMALLEST_KICK, _LARGEST_KICK = 1e-6, 30e-3
_FURTHEST_M, _STEP_M = 12e-3, 20e-6
_CLEAN, _VISIBLE = 0.97, 0.02

FloatArray = NDArray[np.float64]


class DustSpeck(Fault):
    """A speck falls on one spot of the pattern that stands now; another pattern may miss it."""

    name: ClassVar = "dust"
    rows: ClassVar = (29,)
    piles_up: ClassVar = True
    percent: Percent = 2.0
    """Of the light of one pass whose beam has the speck in its middle."""
    spot: Count | None = None
    """The pass that meets it there; the middle one if left out."""
    mirror: Literal["entrance", "far"] | None = None
    """With ``x_mm`` and ``y_mm``, a place of its own instead of a spot."""
    x_mm: Number = 0.0
    y_mm: Number = 0.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """It falls."""
        speck = self._speck(rig.whole)
        return Effect(lambda truth, time_s: dataclasses.replace(truth, dust=(*truth.dust, speck)))

    def _speck(self, bench: BenchParts) -> Dust:
        loss = self.percent * PERCENT
        if self.mirror is not None:
            return Dust(self.mirror, self.x_mm * MM, self.y_mm * MM, loss)
        optics, positions = bench.optics(), bench.positions()
        spot = self.spot or max(int(optics.exit(positions).passes) // 2, 1)
        path = trace(optics.cell(positions), optics.beam(positions), spot)
        x_m, y_m, _ = path.position_m[spot]
        return Dust("far" if spot % 2 else "entrance", float(x_m), float(y_m), loss)


class MirrorFilm(Fault):
    """A film grows on both mirrors: each reflection loses more, and the more passes the worse."""

    name: ClassVar = "mirror-film"
    rows: ClassVar = (30,)
    percent_per_month: Percent = 0.05
    """Of the light, at each reflection."""
    months: NotNegative = 1.0
    """That it has been growing already."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """It goes on growing."""

        def change(truth: Truth, time_s: float) -> Truth:
            months = self.months + (time_s - cue.time_s) / MONTH_S
            kept = 1.0 - self.percent_per_month * PERCENT * months
            return dataclasses.replace(
                truth,
                entrance_reflectivity=truth.entrance_reflectivity * kept,
                far_reflectivity=truth.far_reflectivity * kept,
            )

        return Effect(change, steady=False)


class Condensation(Fault):
    """Water settles on the window and goes again: sin² over its time, with its most at half."""

    name: ClassVar = "condensation"
    rows: ClassVar = (31,)
    piles_up: ClassVar = True
    percent: Percent = 30.0
    lasts_min: Positive = 30.0

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """The first drops."""
        lasts_s = self.lasts_min * MINUTE

        def change(truth: Truth, time_s: float) -> Truth:
            part = min((time_s - cue.time_s) / lasts_s, 1.0)
            lost = self.percent * PERCENT * math.sin(math.pi * part) ** 2
            return dataclasses.replace(truth, transmission=truth.transmission * (1.0 - lost))

        return Effect(change, steady=False)


class Knock(Fault):
    """Somebody knocks against the launch, which turns in any direction about its mount.

    With ``for_s`` it springs back. Without ``urad`` the kick is the smallest in its direction that
    costs ``percent`` of the power.
    """

    name: ClassVar = "knock"
    rows: ClassVar = (32,)
    piles_up: ClassVar = True
    percent: Percent = 40.0
    urad: Positive | None = None
    pivot_mm: NotNegative = 300.0
    """From the mount to the entrance hole: by so much times the kick the beam moves there."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Knock."""
        x, y = cue.direction()
        kick = self._kick(rig.whole, x, y) if self.urad is None else self.urad * URAD
        return _turned(kick * x, kick * y, self.pivot_mm * MM)

    def _kick(self, bench: BenchParts, x: float, y: float) -> float:
        pivot_m = self.pivot_mm * MM
        before = float(_kicked(bench, np.zeros(1), x, y, pivot_m).power[0])
        wanted = (1.0 - self.percent * PERCENT) * before
        least, most = 0.0, _LARGEST_KICK
        kicks = np.geomspace(_SMALLEST_KICK, _LARGEST_KICK, 200)
        for _ in range(3):
            lost = np.flatnonzero(_kicked(bench, kicks, x, y, pivot_m).power <= wanted)
            if len(lost) == 0:
                return float(kicks[-1])
            most = float(kicks[lost[0]])
            least = float(kicks[lost[0] - 1]) if lost[0] else least
            kicks = np.linspace(least, most, 50)
        return most


class NeighbouringPassCount(Fault):
    """A mirror slips in its mount to the nearest spacing where other passes leave, as cleanly."""

    name: ClassVar = "neighbouring-pass-count"
    rows: ClassVar = (33,)

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Slip; by nothing where there is no such place within 12 mm."""
        return _slipped(nearest_other_pattern_m(rig.whole))


class EarlyExit(Fault):
    """A mirror slips so that an earlier spot meets the hole: more power, a shorter path."""

    name: ClassVar = "early-exit"
    rows: ClassVar = (34,)
    at_least_percent: Percent = 2.0
    """By how much the power steps up."""

    def begin(self, rig: Rig, cue: Cue) -> Effect:
        """Slip as little as does it; by nothing where that is not within 12 mm."""
        return _slipped(early_exit_m(rig.whole, 1.0 + self.at_least_percent * PERCENT))


def nearest_other_pattern_m(bench: BenchParts) -> float:
    """By how much the spacing must change for other passes to leave about as cleanly, m.

    The middle of the nearest stretch in which nearly all power has made the same other passes;
    zero where there is none within reach.
    """
    shifts, exits = _at_other_spacings(bench)
    present = int(bench.optics().exit(bench.positions()).passes)
    clean = (
        (exits.passes != present)
        & (exits.passes > 0)
        & (exits.passes_power > _CLEAN * exits.power)
        & (exits.power > _VISIBLE)
    )
    stretches = [
        shifts[first:last].mean() for first, last in _stretches(clean, exits) if last - first >= 3
    ]
    return float(min(stretches, key=abs, default=0.0))


def early_exit_m(bench: BenchParts, more: float) -> float:
    """The smallest change of the spacing that lets light out after fewer passes, ``more`` of it."""
    shifts, exits = _at_other_spacings(bench)
    present = bench.optics().exit(bench.positions())
    early = (
        (exits.passes < int(present.passes))
        & (exits.passes > 0)
        & (exits.power >= more * float(present.power))
    )
    return float(min(shifts[early], key=abs, default=0.0))


def _at_other_spacings(bench: BenchParts) -> tuple[FloatArray, Exit]:
    """What leaves when the spacing changes by each of these (m)."""
    optics, positions = bench.optics(), bench.positions()
    cell = optics.cell(positions)
    shifts = np.arange(-_FURTHEST_M, _FURTHEST_M, _STEP_M)
    moved = cell.at_spacing(np.asarray(cell.spacing_m) + shifts)
    return shifts, exit_power(moved, optics.beam(positions), MAX_PASSES)


def _slipped(shift_m: float) -> Effect:
    return Effect(
        lambda truth, time_s: dataclasses.replace(
            truth, spacing_offset_m=truth.spacing_offset_m + shift_m
        )
    )


def _kicked(bench: BenchParts, kicks: FloatArray, x: float, y: float, pivot_m: float) -> Exit:
    """What leaves when the launch is turned by each of these, in the direction (x, y)."""
    optics, positions = bench.optics(), bench.positions()
    beam = optics.beam(positions)
    turned = dataclasses.replace(
        beam,
        x_m=np.asarray(beam.x_m) + kicks * x * pivot_m,
        y_m=np.asarray(beam.y_m) + kicks * y * pivot_m,
        slope_x=np.asarray(beam.slope_x) + kicks * x,
        slope_y=np.asarray(beam.slope_y) + kicks * y,
    )
    return exit_power(optics.cell(positions), turned, MAX_PASSES)


def _turned(slope_x: float, slope_y: float, pivot_m: float) -> Effect:
    def change(truth: Truth, time_s: float) -> Truth:
        return dataclasses.replace(
            truth,
            beam_x_offset_m=truth.beam_x_offset_m + slope_x * pivot_m,
            beam_y_offset_m=truth.beam_y_offset_m + slope_y * pivot_m,
            beam_slope_x_offset=truth.beam_slope_x_offset + slope_x,
            beam_slope_y_offset=truth.beam_slope_y_offset + slope_y,
        )

    return Effect(change)


def _stretches(clean: NDArray[np.bool_], exits: Exit) -> Iterator[tuple[int, int]]:
    """First and one past the last index of each run of clean places with the same passes."""
    first: int | None = None
    for index in range(len(clean) + 1):
        goes_on = (
            first is not None
            and index < len(clean)
            and clean[index]
            and exits.passes[index] == exits.passes[first]
        )
        if first is not None and not goes_on:
            yield first, index
            first = None
        if first is None and index < len(clean) and clean[index]:
            first = index
