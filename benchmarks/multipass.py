"""The cell that everything is measured on: 62 passes on a circle, a beam in the cell's own mode.

R = 400 mm, hole 3 mm in diameter at 15 mm from the axis, wavelength 633 nm. Up to the sixtieth
pass no spot comes near an edge: what is measured there is the trace, the beam and the looking out
for holes. The benches differ in their input beams by a few micrometres and microradians.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from autocell.optics.cell import Cell, Hole, InputBeam, Mirror
from autocell.optics.gaussian import matched_mode
from autocell.optics.reentrance import reentrant_circle

RADIUS_M, CIRCLE_M, WAVELENGTH_M = 0.4, 0.015, 633e-9
PASSES = 60
_ORBIT = reentrant_circle(62, 15, RADIUS_M, RADIUS_M, CIRCLE_M)


def benches(count: int) -> tuple[Cell, InputBeam]:
    """``count`` benches in one batch."""
    scatter = np.random.default_rng(62).normal(scale=3e-6, size=(4, count))
    mirror = Mirror.spherical(RADIUS_M, 0.025, 0.985)
    cell = Cell(_ORBIT.spacing_m, mirror, mirror, (Hole("entrance", CIRCLE_M, 0.0, 0.0015),))
    mode = matched_mode(_ORBIT.spacing_m, RADIUS_M, RADIUS_M, WAVELENGTH_M)
    waist_m, ahead_m = float(mode.waist_m), float(mode.waist_distance_m)
    slope_x, slope_y = _ORBIT.input_slopes(0.0)
    beam = InputBeam(
        CIRCLE_M + scatter[0],
        scatter[1],
        slope_x + scatter[2],
        slope_y + scatter[3],
        WAVELENGTH_M,
        waist_m,
        waist_m,
        ahead_m,
        ahead_m,
    )
    return cell, beam


def one_bench() -> tuple[Cell, InputBeam]:
    """The same without scatter, all numbers plain."""
    cell, beam = benches(1)
    slope_x, slope_y = _ORBIT.input_slopes(0.0)
    return cell, replace(beam, x_m=CIRCLE_M, y_m=0.0, slope_x=slope_x, slope_y=slope_y)


@dataclass(frozen=True)
class Rays:
    """The chief rays of a batch where they cross the entrance mirror, (B, 3) each."""

    radius_m: float
    spacing_m: float
    position_m: np.ndarray
    direction: np.ndarray

    @classmethod
    def of(cls, beam: InputBeam) -> Rays:
        """Of the batch that :func:`benches` makes."""
        x, y = np.asarray(beam.x_m), np.asarray(beam.y_m)
        z = RADIUS_M - np.sqrt(RADIUS_M**2 - x**2 - y**2)
        direction = np.stack([beam.slope_x, beam.slope_y, np.ones_like(x)], axis=-1)
        direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
        return cls(RADIUS_M, _ORBIT.spacing_m, np.stack([x, y, z], axis=-1), direction)
