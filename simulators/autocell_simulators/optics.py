"""The light on the simulated bench: where the axes truly are, to what leaves the cell."""

from __future__ import annotations

import cmath
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocell.description import BenchDescription
from autocell.optics.absorption import SPEED_OF_LIGHT_M_PER_S
from autocell.optics.cell import Cell, InputBeam, Mirror
from autocell.optics.trace import Exit, exit_power, trace
from autocell_simulators.truth import Truth, drawn, moves_spacing

MAX_PASSES = 400
_SCAN_FIRST_M = 2e-6
_SCAN_GROWTH = 1.01
_SCAN_LAST_M = 0.1
_EDGE_RESOLUTION_M = 1e-9
_LEAST_LEAK = 1e-6
"""Of the power at the hole: what leaks less can turn no phase by more than a µrad each."""

FloatArray = NDArray[np.float64]
Positions = Mapping[str, ArrayLike]


class TrueOptics:
    """The cell and the beam as they are, and the power that they let through.

    ``positions`` are true axis positions (m or rad) by name, floats or arrays of one shape;
    axes not named are at zero.
    """

    __slots__ = ("_effects", "_stage", "_zero", "description", "truth")

    def __init__(
        self, description: BenchDescription, truth: Truth, before: TrueOptics | None = None
    ) -> None:
        """``before`` is the same bench as it was a moment ago: what its axes do is taken over where
        that has not changed."""
        self.description = description
        self.truth = truth
        self._effects: dict[str, tuple[float, ...]] = (
            _true_effects(description, truth)
            if before is None
            or before.truth.axis_gain is not truth.axis_gain
            or before.truth.axis_coupling is not truth.axis_coupling
            else before._effects
        )
        self._stage = next(
            (axis for axis in description.axes.values() if moves_spacing(axis)), None
        )
        self._zero = description.zero.as_array() + np.array(
            [
                truth.spacing_offset_m,
                truth.beam_x_offset_m,
                truth.beam_y_offset_m,
                truth.beam_slope_x_offset,
                truth.beam_slope_y_offset,
            ]
        )

    @property
    def stage(self) -> str | None:
        """Name of the axis that changes the spacing; None on a bench without one."""
        return self._stage.name if self._stage else None

    def spacing_m(self, positions: Mapping[str, float]) -> float:
        """True distance of the mirrors at one place; quick, for it is asked at every moment."""
        return float(self._zero[0]) + sum(
            self._effects[name][0] * position for name, position in positions.items()
        )

    def setting(self, positions: Positions) -> list[FloatArray]:
        """True spacing (m), beam position (m, m) and slopes (2), each of the positions' shape."""
        coordinates: list[FloatArray] = [np.asarray(value) for value in self._zero]
        for name, effect in self._effects.items():
            position = np.asarray(positions.get(name, 0.0), dtype=float)
            coordinates = [
                np.asarray(coordinate + share * position)
                for coordinate, share in zip(coordinates, effect, strict=True)
            ]
        return coordinates

    def cell(self, positions: Positions) -> Cell:
        """The true cell. The far mirror rides on the stage and tilts with it."""
        truth, description = self.truth, self.description
        entrance, far = description.entrance_mirror, description.far_mirror
        yaw, pitch, sideways, upwards = self._stage_errors(positions)
        described = description.cell(description.spacing_at_zero_m)
        entrance_hole = replace(described.holes[0], radius_m=truth.hole_radius_m)
        return Cell(
            self.setting(positions)[0],
            Mirror(
                truth.entrance_radius_x_m,
                truth.entrance_radius_y_m,
                entrance.aperture_radius_m,
                truth.entrance_reflectivity,
                truth.entrance_tilt_x_rad,
                truth.entrance_tilt_y_rad,
            ),
            Mirror(
                truth.far_radius_x_m,
                truth.far_radius_y_m,
                far.aperture_radius_m,
                truth.far_reflectivity,
                truth.far_tilt_x_rad + yaw,
                truth.far_tilt_y_rad + pitch,
                truth.far_decentre_x_m + sideways,
                truth.far_decentre_y_m + upwards,
            ),
            (entrance_hole, *described.holes[1:]),
            described.exit_mirror,
            described.detector,
        )

    def beam(self, positions: Positions) -> InputBeam:
        """The true input beam."""
        truth, beam = self.truth, self.description.input_beam
        _, x_m, y_m, slope_x, slope_y = self.setting(positions)
        return InputBeam(
            x_m,
            y_m,
            slope_x,
            slope_y,
            self.description.laser.wavelength_m,
            truth.waist_x_m,
            truth.waist_y_m,
            beam.waist_distance_m,
            beam.waist_distance_m if beam.waist_distance_y_m is None else beam.waist_distance_y_m,
            beam.ellipse_angle_rad,
            truth.beam_quality,
        )

    def exit(self, positions: Positions) -> Exit:
        """What leaves the cell, without the fringe."""
        return exit_power(self.cell(positions), self.beam(positions), MAX_PASSES)

    def fraction(self, positions: Mapping[str, float]) -> float:
        """Power that leaves over power that arrives at the hole, fringe included."""
        truth = self.truth
        spacing = self.spacing_m(positions)
        phase = 4.0 * np.pi * spacing / self.description.laser.wavelength_m
        fringe = 1.0 + 0.5 * truth.fringe * np.cos(phase + truth.fringe_phase_rad)
        return float(self.exit(positions).power) * float(fringe) * self.transmission(positions)

    def transmission(self, positions: Mapping[str, float]) -> float:
        """What specks on the mirrors, and all that the light passes beside them, let through.

        A speck small against the beam takes exp(−2 ρᵀSρ) of its loss where the beam's footprint
        has the intensity exp(−2 ρᵀSρ) at the speck; from every pass that arrives at its mirror.
        """
        truth = self.truth
        if not truth.dust:
            return truth.transmission
        cell, beam = self.cell(positions), self.beam(positions)
        passes = int(self.exit(positions).passes)
        path = trace(cell, beam, max(passes, 1))
        through = truth.transmission
        for speck in truth.dust:
            on = slice(1, passes, 2) if speck.mirror == "far" else slice(2, passes, 2)
            x, y = np.moveaxis(path.position_m[on, :2] - [speck.x_m, speck.y_m], -1, 0)
            sxx, sxy, syy = np.moveaxis(path.footprint_per_m2[on], -1, 0)
            met = np.exp(-2.0 * (sxx * x**2 + 2.0 * sxy * x * y + syy * y**2))
            through *= float(np.nanprod(1.0 - speck.loss * met))
        return through

    def modulation(self, positions: Mapping[str, float], frequency_hz: float) -> complex:
        """Intensity modulation of the light on the detector, as a part of that at the hole.

        Σ Pₙ exp(2πi f Lₙ/c) over every leak that reaches the detector, each late by its own path
        Lₙ, and over the stray light, which follows no path. The argument is the lag.
        """
        cell, beam = self.cell(positions), self.beam(positions)
        path = trace(cell, beam, MAX_PASSES)
        out = [hole.mirror == cell.exit_mirror for hole in cell.holes]
        per_m = 2.0 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_PER_S
        sum_of_all = complex(float(np.asarray(cell.detector.stray_fraction)))
        before = 0.0
        for passes in np.flatnonzero(path.leaks[:, out].sum(axis=-1) > _LEAST_LEAK):
            # what the detector sees of a leak is what it saw more once that leak was there
            seen = float(exit_power(cell, beam, int(passes)).path_power)
            sum_of_all += cmath.rect(seen - before, per_m * float(path.path_length_m[passes]))
            before = seen
        return sum_of_all * self.transmission(positions)

    def arriving_w(self, time_s: float) -> float:
        """Power at the entrance hole as the meter would scale it, ``time_s`` after the start."""
        truth = self.truth
        turn = 2.0 * np.pi * time_s / truth.laser_drift_period_s + truth.laser_drift_phase_rad
        drift = truth.laser_drift * (np.sin(turn) - np.sin(truth.laser_drift_phase_rad))
        return self.description.lossless_reading_w * truth.gain * float(1.0 + drift)

    def _stage_errors(self, positions: Positions) -> list[FloatArray]:
        """Yaw, pitch (rad) and excursions in x and y (m) of the far mirror along the travel.

        They average to nothing over the travel: a constant part is tilt and decentre.
        """
        stage, truth = self._stage, self.truth
        if stage is None:
            return [np.asarray(0.0)] * 4
        along = (np.asarray(positions.get(stage.name, 0.0)) - stage.low) / (stage.high - stage.low)
        sine = np.sin(2.0 * np.pi * along + truth.stage_phase_rad)
        return [
            truth.stage_yaw_line_rad * (along - 0.5) + truth.stage_yaw_sine_rad * sine,
            truth.stage_pitch_line_rad * (along - 0.5) + truth.stage_pitch_sine_rad * sine,
            0.5 * truth.straightness_x_m * sine,
            0.5 * truth.straightness_y_m * np.cos(2.0 * np.pi * along + truth.stage_phase_rad),
        ]


@dataclass(frozen=True)
class TrueMargins:
    """How far the spacing may shrink (low) and grow (high) before the pattern is lost, m.

    Zero when it is lost already, None when no edge was found within the scanned 100 mm.
    """

    low_m: float | None
    high_m: float | None


def margins(optics: TrueOptics, positions: Mapping[str, float]) -> TrueMargins:
    """Distance to where another pass count dominates, or the power is half its plateau value.

    The plateau value is the highest power of this pass count between the nearest changes of
    pass count on either side.
    """
    stage = optics.stage
    passes = int(optics.exit(positions).passes)
    if stage is None:
        return TrueMargins(None, None)
    if passes == 0:
        return TrueMargins(0.0, 0.0)
    per_travel = optics.truth.axis_gain[stage] * optics.description.axes[stage].effect[0]
    spacing = optics.spacing_m(positions)

    def look(shift_m: FloatArray) -> Exit:
        at = positions.get(stage, 0.0) + shift_m / per_travel
        return optics.exit({**positions, stage: at})

    steps = [0.0, *np.geomspace(_SCAN_FIRST_M, _SCAN_LAST_M, _scan_points())]
    shifts = {-1.0: -np.array([s for s in steps if s < 0.9 * spacing]), 1.0: np.array(steps)}
    seen = {side: look(shift) for side, shift in shifts.items()}
    plateau = max(_highest(exits, passes) for exits in seen.values())

    def holds(shift_m: FloatArray) -> NDArray[np.bool_]:
        return _holds(look(shift_m), passes, 0.5 * plateau)

    found: list[float | None] = []
    for side, shift in shifts.items():
        lost = np.flatnonzero(~_holds(seen[side], passes, 0.5 * plateau))
        if len(lost) == 0:
            found.append(None)
        elif lost[0] == 0:
            found.append(0.0)
        else:
            inside, outside = shift[lost[0] - 1], shift[lost[0]]
            while abs(outside - inside) > _EDGE_RESOLUTION_M:
                middle = 0.5 * (inside + outside)
                inside, outside = (middle, outside) if holds(np.array(middle)) else (inside, middle)
            found.append(abs(float(inside)))
    return TrueMargins(*found)


def truth_report(optics: TrueOptics, positions: Mapping[str, float]) -> dict[str, Any]:
    """What is true at these true axis positions, ready for JSON. Margins are in spacing."""
    exits = optics.exit(positions)
    edges = margins(optics, positions)
    through = optics.transmission(positions)
    return {
        "passes": int(exits.passes),
        "spacing_m": optics.spacing_m(positions),
        "stage_position_m": float(positions.get(optics.stage, 0.0)) if optics.stage else None,
        "margin_low_m": edges.low_m,
        "margin_high_m": edges.high_m,
        "path_length_m": float(exits.path_length_m),
        "power_fraction": float(exits.power) * through,
        "passes_power_fraction": float(exits.passes_power) * through,
        "mean_passes": float(exits.mean_passes),
        "positions": {name: float(value) for name, value in positions.items()},
        "drawn": drawn(optics.truth),
    }


def _true_effects(description: BenchDescription, truth: Truth) -> dict[str, tuple[float, ...]]:
    """What one unit of true travel of each axis adds to the five coordinates of a setting."""
    nominal = {name: np.array(axis.effect) for name, axis in description.axes.items()}
    return {
        name: tuple(
            (
                truth.axis_gain[name] * effect
                + sum(
                    share * nominal[other]
                    for other, share in truth.axis_coupling.get(name, {}).items()
                )
            ).tolist()
        )
        for name, effect in nominal.items()
    }


def _scan_points() -> int:
    return 1 + int(np.log(_SCAN_LAST_M / _SCAN_FIRST_M) / np.log(_SCAN_GROWTH))


def _highest(exits: Exit, passes: int) -> float:
    """Highest power of these passes up to the first point where others dominate."""
    others = np.flatnonzero(exits.passes != passes)
    end = others[0] if len(others) else len(exits.passes)
    return float(np.max(exits.passes_power[:end], initial=0.0))


def _holds(exits: Exit, passes: int, least: float) -> NDArray[np.bool_]:
    return np.asarray((exits.passes == passes) & (exits.passes_power >= least))
